"""Delays, levels and polarities for which a sum of known curves meets a measured level.

The numerical core behind `optimizer.measure.timing.timing`; it knows arrays only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from optimizer.arrays import Complex, Index, Real
from optimizer.text.units import DB_PER_NEPER

LEVEL_PULL = 0.05
"""Weight that holds the level offsets together: 1 dB apart costs as much as 0.05 dB rms."""

_SCAN_HZ = 4000.0
_SCAN_POINTS = 48
_LEAST_GAIN = 1e-9
"""Share of the cost that a step must gain to be followed by another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayFit:
    """One local solution; the first curve is the reference for delay and polarity.

    Parameters
    ----------
    delays_s : ndarray, shape (N,)
        Delay of every curve in s, the first 0.
    levels_db : ndarray, shape (N,)
        Level offset of every curve in dB.
    polarity : tuple of int, length N
        1 or -1, the first 1.
    residual_db : ndarray, shape (F,)
        Predicted minus measured level.
    jacobian : ndarray, shape (F, 2 N - 1)
        Derivatives of the residual by the delays (dB/s, curves 1 to N - 1), then by the levels.
    """

    delays_s: Real
    levels_db: Real
    polarity: tuple[int, ...]
    residual_db: Real
    jacobian: Real

    @property
    def rms_db(self) -> float:
        """Root mean square of the residual in dB."""
        return float(np.sqrt(np.mean(self.residual_db**2)))

    @property
    def cost(self) -> float:
        """Mean square residual plus the pull on the level offsets, in dB squared."""
        spread = self.levels_db - self.levels_db.mean()
        return float(np.mean(self.residual_db**2) + LEVEL_PULL**2 * np.sum(spread**2))


def search_delays(
    bases: Complex, level_db: Real, omega: Real, *, largest_s: float, keep: int = 12
) -> list[DelayFit]:
    """Find every plausible set of delays, levels and polarities, best first.

    Parameters
    ----------
    bases : ndarray, shape (N, F), complex
        The curves that are summed, N >= 2.
    level_db : ndarray, shape (F,)
        Measured level of the sum in dB.
    omega : ndarray, shape (F,)
        Angular frequencies in rad/s, increasing.
    largest_s : float
        Largest delay of any curve against the first that is looked for.
    keep : int
        Starting points polished for each choice of polarity.

    Returns
    -------
    list of DelayFit
        Distinct local solutions within `largest_s`, sorted by `DelayFit.cost`.

    Notes
    -----
    A grid over one or two delays at a time gives the starting points, at first below 4 kHz where
    the sum changes slowly with delay; least squares on all frequencies polishes them. With more
    than three curves the grid goes round all pairs of curves.
    """
    count = len(bases)
    if count == 2:
        scan = _thin(omega, 240, np.inf)
        step = np.pi / (8.0 * omega[-1])
    else:
        scan = _thin(omega, _SCAN_POINTS, 2.0 * np.pi * _SCAN_HZ)
        step = np.pi / (6.0 * omega[scan][-1])
    grid = np.arange(-largest_s, largest_s + step, step)
    fits: list[DelayFit] = []
    for tail in product((1, -1), repeat=count - 1):
        polarity = (1, *tail)
        signed = bases * np.array(polarity, dtype=np.float64)[:, None]
        starts = _scan_starts(signed[:, scan], level_db[scan], omega[scan], grid, keep)
        if count > 2:
            starts, _, _ = _polish(signed[:, scan], level_db[scan], omega[scan], starts)
        delays, levels, _ = _polish(bases=signed, level_db=level_db, omega=omega, delays=starts)
        fits += [
            describe_fit(bases, level_db, omega, t, g, polarity)
            for t, g in zip(delays, levels, strict=True)
            if np.max(np.abs(t)) <= largest_s
        ]
    if not fits:
        # Every start ran out of bounds: the plain sum stands for "nothing found".
        still = np.zeros(count)
        fits = [describe_fit(bases, level_db, omega, still, still, (1,) * count)]
    return _distinct(sorted(fits, key=lambda fit: fit.cost))


def polish_fits(
    bases: Complex, level_db: Real, omega: Real, starts: Sequence[DelayFit]
) -> list[DelayFit]:
    """Solve least squares from known solutions, for other `bases` of the same curves.

    Parameters
    ----------
    bases : ndarray, shape (P, N, F), complex
        The curves that are summed, for each start.
    level_db, omega : ndarray, shape (F,)
        As for `search_delays`.
    starts : sequence of DelayFit, length P
        Where to begin; polarities stay.

    Returns
    -------
    list of DelayFit, length P
    """
    polarity = np.array([start.polarity for start in starts], dtype=np.float64)
    begin = np.array([start.delays_s for start in starts])
    delays, levels, _ = _polish(bases * polarity[:, :, None], level_db, omega, begin)
    return [
        describe_fit(curves, level_db, omega, t, g, start.polarity)
        for curves, t, g, start in zip(bases, delays, levels, starts, strict=True)
    ]


def describe_fit(
    bases: Complex,
    level_db: Real,
    omega: Real,
    delays: Real,
    levels: Real,
    polarity: tuple[int, ...],
) -> DelayFit:
    """Evaluate residual and Jacobian of one set of delays, levels and polarities."""
    signed = bases * np.array(polarity, dtype=np.float64)[:, None]
    residual, jacobian = _residual(signed, level_db, omega, delays[None, :], levels[None, :])
    return DelayFit(
        delays_s=delays,
        levels_db=levels,
        polarity=polarity,
        residual_db=residual[0],
        jacobian=jacobian[0].T,
    )


def _thin(omega: Real, points: int, omega_max: float) -> Index:
    """Choose at most `points` frequencies up to `omega_max`, evenly over the index."""
    inside = int(np.searchsorted(omega, omega_max, side="right"))
    inside = max(inside, min(len(omega), 8))
    return np.unique(np.linspace(0, inside - 1, min(points, inside)).round().astype(np.intp))


def _scan_starts(bases: Complex, level_db: Real, omega: Real, grid: Real, keep: int) -> Real:
    """Local minima of the spread of the residual over a grid of delays, shape (P, N)."""
    count = len(bases)
    turns = np.exp(-1j * grid[:, None] * omega)
    if count == 2:
        spread = _spread(bases[0] + bases[1] * turns, level_db)
        inner = np.flatnonzero((spread <= np.roll(spread, 1)) & (spread <= np.roll(spread, -1)))
        best = inner[np.argsort(spread[inner])][:keep]
        return np.column_stack([np.zeros(len(best)), grid[best]])
    if count == 3:
        return _scan_pair(bases, level_db, omega, grid, turns, np.zeros(3), (1, 2), keep)
    starts = np.zeros((1, count))
    pairs = list(combinations(range(1, count), 2))
    for number, pair in enumerate(2 * pairs):
        width = keep if number == 2 * len(pairs) - 1 else 1
        starts = _scan_pair(bases, level_db, omega, grid, turns, starts[0], pair, width)
    return starts


def _scan_pair(
    bases: Complex,
    level_db: Real,
    omega: Real,
    grid: Real,
    turns: Complex,
    delays: Real,
    pair: tuple[int, int],
    keep: int,
) -> Real:
    """Find the best cells of a grid over two delays, the others held, shape (P, N)."""
    one, two = pair
    held = [i for i in range(len(bases)) if i not in pair]
    rest = (bases[held] * np.exp(-1j * delays[held, None] * omega)).sum(axis=0)
    first = rest + bases[one] * turns
    second = bases[two] * turns
    spread = np.array([_spread(row + second, level_db) for row in first])
    low = spread.copy()
    for axis, shift in ((0, 1), (0, -1), (1, 1), (1, -1)):
        low = np.minimum(low, np.roll(spread, shift, axis=axis))
    rows, columns = np.nonzero(spread <= low)
    order = np.argsort(spread[rows, columns])[:keep]
    starts = np.tile(delays, (len(order), 1))
    starts[:, one] = grid[rows[order]]
    starts[:, two] = grid[columns[order]]
    return starts


def _spread(total: Complex, level_db: Real) -> Real:
    """Measure how predicted minus measured level varies over frequency, in dB."""
    error = np.abs(total)
    error += 1e-30
    np.log(error, out=error)
    error *= DB_PER_NEPER
    error -= level_db
    return np.asarray(error.std(axis=-1))


def _residual(
    signed: Complex, level_db: Real, omega: Real, delays: Real, levels: Real
) -> tuple[Real, Real]:
    """Residual (P, F) in dB and its Jacobian (P, 2 N - 1, F); the first delay is 0."""
    gain = np.exp(levels / DB_PER_NEPER)[:, :, None]
    turned = delays[:, 1:, None] * omega
    turn = np.empty(turned.shape, dtype=np.complex128)
    np.cos(turned, out=turn.real)
    np.sin(-turned, out=turn.imag)
    terms = signed * gain
    terms[:, 1:] *= turn
    total = terms.sum(axis=1)
    size = np.abs(total)
    if size.min() < 1e-30:
        total = np.where(size < 1e-30, 1e-30, total)
        size = np.abs(total)
    residual = DB_PER_NEPER * np.log(size) - level_db
    share = terms * (total.conj() / (size * size))[:, None, :]
    by_delay = DB_PER_NEPER * omega * share[:, 1:].imag
    return residual, np.concatenate([by_delay, share.real], axis=1)


def _polish(
    bases: Complex, level_db: Real, omega: Real, delays: Real, *, steps: int = 40
) -> tuple[Real, Real, Real]:
    """Levenberg-Marquardt from all starts at once; returns delays, levels and cost.

    Curves are those of all starts, shape (N, F), or of each, shape (P, N, F). A start leaves the
    iteration once a step gains nothing, or can gain nothing.
    """
    starts, count = delays.shape
    delays = delays.copy()
    levels = np.zeros((starts, count))
    levels -= _residual(bases, level_db, omega, delays, levels)[0].mean(axis=1, keepdims=True)
    each = bases.ndim == 3
    # Delays are scaled so that one unit turns the highest frequency by one radian.
    scale = np.concatenate([np.full(count - 1, 1.0 / omega[-1]), np.ones(count)])
    pull = np.zeros((2 * count - 1, 2 * count - 1))
    pull[count - 1 :, count - 1 :] = LEVEL_PULL**2 * (np.eye(count) - 1.0 / count)
    damping = np.full(starts, 1e-2)

    def evaluate(rows: Index, t: Real, g: Real) -> tuple[Real, Real, Real]:
        """Half the gradient and the normal matrix in scaled delays, and the cost."""
        error, slope = _residual(bases[rows] if each else bases, level_db, omega, t, g)
        slope *= scale[:, None]
        spread = g - g.mean(axis=1, keepdims=True)
        cost = (error**2).mean(axis=1) + LEVEL_PULL**2 * (spread**2).sum(axis=1)
        normal = slope @ slope.transpose(0, 2, 1) / len(omega) + pull
        gradient = (slope @ error[:, :, None])[:, :, 0] / len(omega)
        gradient[:, count - 1 :] += LEVEL_PULL**2 * spread
        return gradient, normal, cost

    going = np.arange(starts)
    gradient, normal, cost = evaluate(going, delays, levels)
    for _ in range(steps):
        damped = normal[going]
        diagonal = np.einsum("pii->pi", damped)
        diagonal += damping[going, None] * diagonal + 1e-12
        slope = gradient[going]
        step = -np.linalg.solve(damped, slope[:, :, None])[:, :, 0]
        worth = -2.0 * (slope * step).sum(axis=1) >= _LEAST_GAIN * cost[going]
        going, step = going[worth], step[worth] * scale
        if not len(going):
            break
        trial_delays = delays[going]
        trial_delays[:, 1:] += step[:, : count - 1]
        trial_levels = levels[going] + step[:, count - 1 :]
        trial = evaluate(going, trial_delays, trial_levels)
        better = trial[2] < cost[going]
        gain = np.where(better, cost[going] - trial[2], 0.0)
        now = going[better]
        delays[now], levels[now] = trial_delays[better], trial_levels[better]
        gradient[now], normal[now], cost[now] = (part[better] for part in trial)
        held = damping[going]
        held = np.where(better, held * 0.3, np.minimum(held * 5.0, 1e8))
        damping[going] = held
        going = going[(gain >= _LEAST_GAIN * cost[going]) | ~(better | (held > 1e5))]
    return delays, levels, cost


def _distinct(fits: list[DelayFit]) -> list[DelayFit]:
    """Drop solutions that repeat a better one (same polarity, within 1 us)."""
    kept: list[DelayFit] = []
    for fit in fits:
        if not any(
            fit.polarity == other.polarity and np.max(np.abs(fit.delays_s - other.delays_s)) < 1e-6
            for other in kept
        ):
            kept.append(fit)
    return kept
