"""One shared frequency grid: making it, and bringing measured curves onto it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import InputError
from optimizer.measure.driver import Coverage
from optimizer.measure.phase import edge_slopes, fit_delay, minimum_phase
from optimizer.measure.response import Response

STEEPEST_DB_PER_OCTAVE = 48.0
LARGEST_STEP_RAD = np.deg2rad(150.0)
LARGEST_IMPEDANCE_ANGLE_RAD = np.deg2rad(89.0)
_FINEST_PER_OCTAVE = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class Resampled:
    """A curve on the shared grid.

    Parameters
    ----------
    value : ndarray, shape (F,), complex
        Pressure or impedance on the grid.
    coverage : Coverage
        Where the measurement ends and the slopes used beyond.
    notes : tuple of str
        What was assumed: parts not measured, phase too coarse to follow.
    """

    value: NDArray[np.complex128]
    coverage: Coverage
    notes: tuple[str, ...] = ()


def log_grid(low_hz: float, high_hz: float, per_octave: float) -> NDArray[np.float64]:
    """Frequencies evenly spaced over log frequency, both ends included.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends in Hz, 0 < low < high.
    per_octave : float
        Points in each octave, at least; the step is shortened to meet both ends.

    Returns
    -------
    ndarray, shape (F,)
        Increasing frequencies in Hz.

    Raises
    ------
    InputError
        Ends or density out of range.
    """
    if not (np.isfinite([low_hz, high_hz]).all() and 0 < low_hz < high_hz):
        raise InputError(
            "a grid must run from a frequency above 0 to a higher one",
            value=f"{low_hz:g} to {high_hz:g} Hz",
        )
    if not 0 < per_octave <= 1000:
        raise InputError("a grid takes more than 0 and at most 1000 points per octave",
                         value=f"{per_octave:g}")
    steps = max(1, int(np.ceil(np.log2(high_hz / low_hz) * per_octave - 1e-9)))
    grid = np.geomspace(low_hz, high_hz, steps + 1)
    grid[0], grid[-1] = low_hz, high_hz
    return grid


def resample(response: Response, frequency_hz: NDArray[np.float64]) -> Resampled:
    """Bring a measured curve onto a grid, and continue it by a stated rule where it ends.

    Parameters
    ----------
    response : Response
        The measured curve.
    frequency_hz : ndarray, shape (F,)
        The grid in Hz, positive and increasing.

    Returns
    -------
    Resampled
        Values on the grid, where they are measured, and what was assumed.

    Notes
    -----
    Inside the measured range level (dB) and unwrapped phase are interpolated linearly over log
    frequency. Outside, the rule is:

    *Pressure.* The level goes on with the least-squares slope of the nearest octave, limited to
    0 ... 48 dB/octave rising at the low end and 0 ... 48 dB/octave falling at the top: a driver
    falls outside its band, and a slope the other way is ripple, not a trend.
    *Impedance.* Below, the modulus is held (towards the resistance of the coil); above, it goes
    on with the slope of the nearest octave, limited to 0 ... 6 dB/octave, the range between a
    resistor and an inductor.
    *Phase.* The minimum phase of the level thus continued, so that it tends to 90 degrees for
    each 6.02 dB/octave; the difference between measured and minimum phase at the edge goes on
    as the delay fitted to it over the nearest octave (pressure), or fades in proportion to the
    distance from the edge (impedance, which is minimum phase by nature); the angle of an
    impedance stays within 89 degrees, so that its real part is positive. A curve without phase
    gets none outside either.

    The cost: nothing beyond the edge is known. A resonance out there, a change of slope, or a
    break-up is missed, level errors grow by the error of the slope for each octave, and phase
    errors by about 15 degrees for each dB/octave of it.
    """
    grid = np.asarray(frequency_hz, dtype=np.float64)
    source, notes = response.frequency_hz, []
    level = response.level_db
    phase = response.phase_rad if response.has_phase else np.zeros(len(source))
    step = np.abs(np.diff(phase))
    if response.has_phase and (step > LARGEST_STEP_RAD).any():
        at = float(source[int(np.argmax(step > LARGEST_STEP_RAD)) + 1])
        notes.append(
            f"phase turns by more than 150 degrees between neighbours at {at:.4g} Hz: "
            "too coarse to follow, measure with finer steps or remove the delay"
        )
    low, high = response.range_hz
    slope_low, slope_high = _slopes(response)
    x, knots = np.log2(grid), np.log2(source)
    below, above = grid < low, grid > high
    new_level = np.interp(x, knots, level)
    new_level[below] = level[0] + slope_low * (x[below] - knots[0])
    new_level[above] = level[-1] + slope_high * (x[above] - knots[-1])
    new_phase = np.interp(x, knots, phase)
    if response.has_phase:
        for outside, end in ((below, 0), (above, -1)):
            if outside.any():
                new_phase[outside] = _continue(
                    response, phase, grid[outside], (slope_low, slope_high), end
                )
    for outside, where, edge, slope in (
        (below, "below", low, slope_low),
        (above, "above", high, slope_high),
    ):
        if outside.any():
            notes.append(f"not measured {where} {edge:.4g} Hz: continued at {slope:.1f} dB/octave")
    value = 10.0 ** (new_level / 20.0) * np.exp(1j * new_phase)
    value.setflags(write=False)
    coverage = Coverage(
        source=response.source,
        low_hz=low,
        high_hz=high,
        slope_low_db_per_octave=slope_low if below.any() else 0.0,
        slope_high_db_per_octave=slope_high if above.any() else 0.0,
    )
    return Resampled(value=value, coverage=coverage, notes=tuple(notes))


def _slopes(response: Response) -> tuple[float, float]:
    low, high = edge_slopes(response.frequency_hz, response.level_db)
    if response.quantity == "impedance":
        return 0.0, float(np.clip(high, 0.0, 20.0 * np.log10(2.0)))
    steepest = STEEPEST_DB_PER_OCTAVE
    return float(np.clip(low, 0.0, steepest)), float(np.clip(high, -steepest, 0.0))


def _continue(
    response: Response,
    phase: NDArray[np.float64],
    outside_hz: NDArray[np.float64],
    slopes: tuple[float, float],
    end: int,
) -> NDArray[np.float64]:
    """Phase beyond one end (0: below, -1: above) of the data."""
    f = response.frequency_hz
    edge = f[end]
    near = f <= 2.0 * edge if end == 0 else f >= 0.5 * edge
    if np.count_nonzero(near) < 2:
        near[:2] = near[:2] | (end == 0)
        near[-2:] = near[-2:] | (end == -1)
    inside_hz = f[near]
    minimum = minimum_phase(
        f,
        response.level_db,
        slope_low_db_per_octave=slopes[0],
        slope_high_db_per_octave=slopes[1],
        at_hz=np.concatenate([inside_hz, outside_hz]),
    )
    excess = phase[near] - minimum[: len(inside_hz)]
    beyond = minimum[len(inside_hz) :]
    if response.quantity == "impedance":
        fade = outside_hz / edge if end == 0 else edge / outside_hz
        angle = beyond + excess[end] * fade
        largest = LARGEST_IMPEDANCE_ANGLE_RAD
        return np.asarray(np.clip(angle, -largest, largest), dtype=np.float64)
    delay = fit_delay(inside_hz, excess, (inside_hz[0], inside_hz[-1]))
    late = 2.0 * np.pi * delay * (outside_hz - edge)
    return np.asarray(beyond + excess[end] - late, dtype=np.float64)
