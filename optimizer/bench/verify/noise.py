"""What a measurement adds to the truth: its covariance, and how to whiten with it.

Level and slope of a response and the scale of an impedance are unknown, so they stand in the
covariance. Beside white noise a response has ripple (room, edges, gate: hangs together over a sixth
of an octave) and both have errors of the model (drivers measured on another day, a fitted circuit:
over a third). A discrepancy is the same at an amount that no sound measurement has: it stands for
whatever nobody listed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.prediction import Observation, place

SLOPE_SPREAD_DB = 0.2
"""Expected error of a microphone and its room, dB per octave over the whole band."""

SAME_SLOPE_DB = 0.05
"""The same where the drivers were measured with that microphone in that place (common practice, no
source)."""

GAIN_SPREAD_DB = 0.1
"""Expected error of an impedance jig."""

RIPPLES_DB: tuple[tuple[float, float], ...] = ((0.2, 0.7), (0.5, 0.3))
"""Amounts of ripple of a response, with their probabilities before measuring."""

DISCREPANCIES_DB: tuple[tuple[float, float, float], ...] = (
    (0.5, 0.15, 0.0), (1.0, 0.3, 0.0), (2.0, 0.7, 0.0), (4.0, 1.5, 0.0), (1.0, 0.0, 0.0),
    (2.5, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 0.0, 2.0),
)  # fmt: skip
"""Amounts of what nobody listed: in a response and in an impedance, smooth over a third of an octave,
and in a response as ripple that no sound measurement has."""

FREE_DB, SAME_RIG_DB = 20.0, 0.3
"""How far the level of a response may be off: where nothing is known of it, and where both speakers
of a pair stood in the same place and nothing was turned in between (common practice, no source)."""

SAME_LEVEL_DB = 0.15
"""How far one of several responses may be off from the others, measured one after the other."""

LOCAL_DB = (1.5, 4.0)
"""Sizes of what nobody listed and what shows in one place of a response."""

_LOCAL_OCTAVES = (0.12, 0.25, 0.5)
_LOCAL_STEP = 1.0 / 6.0

_RIPPLE_OCTAVES, _MODEL_OCTAVES = 1.0 / 6.0, 1.0 / 3.0
_MODEL_DB = {"level": 0.25, "modulus": 0.08, "angle": 0.5 / 6.6}
_DEGREES = 6.6  # an error of 1 dB in modulus goes with one of this many degrees
_LEAST_NOISE = 0.1  # of what is stated
_FINE_PER_OCTAVE = 10.0
_MOST_SWELL = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Amounts of what a measurement adds.

    Parameters
    ----------
    ripple_db : float
        Of responses.
    odd_db, odd_ohm_db : float
        Discrepancy of responses and of an impedance.
    slope_db : float
        Of responses, per octave.
    level_db : float
        How far the level of a response may be off: by anything where it is not known.
    """

    ripple_db: float = RIPPLES_DB[0][0]
    odd_db: float = 0.0
    odd_ohm_db: float = 0.0
    slope_db: float = SLOPE_SPREAD_DB
    level_db: float = FREE_DB


@dataclass(frozen=True, kw_only=True)
class Whitening:
    """Inverse square root of the covariance, a block for each observation.

    Parameters
    ----------
    blocks : tuple of (slice, ndarray)
        Where an observation lies, and the matrix (n, n) that whitens it.
    log_det : float
        Logarithm of the determinant of the covariance, halved.
    """

    blocks: tuple[tuple[slice, Real], ...]
    log_det: float

    def __call__(self, value: Real) -> Real:
        """Whiten the last axis."""
        out = np.empty_like(value)
        for here, matrix in self.blocks:
            out[..., here] = value[..., here] @ matrix.T
        return out


def whiten(frequency_hz: Real, observations: Sequence[Observation], noise: Noise) -> Whitening:
    """Make the whitening of some observations.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid of the problem.
    observations : sequence of Observation
        With their white noise.
    noise : Noise
        All else.
    """
    blocks, log_det = [], 0.0
    for o, here in place(observations):
        root = np.linalg.cholesky(_covariance(np.log2(frequency_hz[o.index]), o, noise))
        log_det += float(np.log(np.diag(root)).sum())
        blocks.append((here, np.linalg.inv(root)))
    return Whitening(blocks=tuple(blocks), log_det=log_det)


def _covariance(octave: Real, o: Observation, noise: Noise) -> Real:
    unit = _DEGREES if o.kind == "angle" else 1.0
    alike = np.exp(-0.5 * ((octave[:, None] - octave) / _MODEL_OCTAVES) ** 2)
    odd_db = noise.odd_db if o.kind == "level" else noise.odd_ohm_db
    out = ((_MODEL_DB[o.kind] ** 2 + odd_db**2) * unit**2) * alike
    out += np.diag(np.full(len(octave), o.noise**2))
    if o.kind == "level":
        near = np.exp(-0.5 * ((octave[:, None] - octave) / _RIPPLE_OCTAVES) ** 2)
        x = octave - octave.mean()
        out += noise.ripple_db**2 * near + noise.level_db**2 + noise.slope_db**2 * np.outer(x, x)
    elif o.kind == "modulus":
        out += GAIN_SPREAD_DB**2
    return np.asarray(out)


def list_bumps(frequency_hz: Real, observations: Sequence[Observation]) -> Real:
    """List changes of all responses in one place: bumps of 1 dB, of a few widths, side by side.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid of the problem.
    observations : sequence of Observation
        As measured.

    Returns
    -------
    ndarray, shape (B, N)
        None where there is no response.
    """
    octave = np.log2(frequency_hz)
    heard = [octave[o.index] for o in observations if o.kind == "level"]
    if not heard:
        return np.zeros((0, sum(len(o.index) for o in observations)))
    low, high = min(x[0] for x in heard), max(x[-1] for x in heard)
    middles = np.arange(low, high + _LOCAL_STEP, _LOCAL_STEP)
    middle, width = (x.ravel()[:, None] for x in np.meshgrid(middles, _LOCAL_OCTAVES))
    return np.concatenate(
        [
            np.exp(-0.5 * ((octave[o.index] - middle) / width) ** 2) * (o.kind == "level")
            for o in observations
        ],
        axis=1,
    )


def settle_noise(
    frequency_hz: Real, observations: Sequence[Observation], value: Real
) -> tuple[Observation, ...]:
    """Take the white noise of each observation from the curve itself.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid of the problem.
    observations : sequence of Observation
        With the noise that was stated.
    value : ndarray, shape (N,)
        What is predicted.

    Returns
    -------
    tuple of Observation
        With the noise found.

    Notes
    -----
    Three neighbours of white noise of standard deviation s differ from a line by sqrt(6) s; the
    median of that does not see the few places where a curve bends. On a coarse grid curves bend
    everywhere, so there the noise is never taken for more than stated.
    """
    out = []
    for o, here in place(observations):
        bend = np.abs(np.diff(o.value - value[here], 2))
        found = float(np.median(bend)) / (0.6745 * np.sqrt(6.0))
        octaves = np.log2(frequency_hz[o.index[-1]] / frequency_hz[o.index[0]])
        fine = len(o.index) / max(octaves, 1e-9) >= _FINE_PER_OCTAVE
        most = o.noise * (_MOST_SWELL if fine else 1.0)
        out.append(replace(o, noise=float(np.clip(found, _LEAST_NOISE * o.noise, most))))
    return tuple(out)


def thin(observations: Sequence[Observation], every: int) -> tuple[Observation, ...]:
    """Average neighbours, and keep the middle one of each few."""
    out = []
    for o in observations:
        count = len(o.index) // every
        if count < 8:
            out.append(o)
            continue
        rows = np.arange(count * every).reshape(count, every)
        out.append(
            replace(
                o,
                index=o.index[rows[:, every // 2]],
                value=o.value[rows].mean(axis=1),
                noise=o.noise / np.sqrt(every),
            )
        )
    return tuple(out)
