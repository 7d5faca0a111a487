"""Two explanations of a measured sum, by minimum or by measured phase, and when to refuse both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.excess import find_excess_delay, unit_phasor
from optimizer.measure.curves.order import order_upwards
from optimizer.measure.curves.phase import minimum_phase
from optimizer.measure.curves.thin import thin_response
from optimizer.measure.timing.delays import LEVEL_PULL, DelayFit, polish_fits, search_delays
from optimizer.text.units import say_hz

LOW_TAILS_DB_PER_OCTAVE: tuple[float | None, ...] = (None, 12.0, 24.0)
"""Tails tried below the data: the file's own slope, a closed box, a vented box."""

Method = Literal[
    "shared clock", "minimum phase + delay", "measured phase + delay", "not determined"
]

CONFIDENCE = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class SumTask:
    """What is to be explained: N curves and the level of their sum on one grid.

    Parameters
    ----------
    names : tuple of str, length N
        The drivers.
    curves : tuple of MeasuredCurve, length N
        Their responses.
    grid_hz : ndarray, shape (F,)
        Frequencies of the comparison.
    level_db : ndarray, shape (F,)
        Measured level of all drivers together.
    drivers_db : ndarray, shape (N, F)
        Level of each driver.
    largest_s : float
        Largest relative delay looked for.
    """

    names: tuple[str, ...]
    curves: tuple[MeasuredCurve, ...]
    grid_hz: Real
    level_db: Real
    drivers_db: Real
    largest_s: float

    @property
    def omega(self) -> Real:
        """Angular frequency in rad/s, shape (F,)."""
        return np.asarray(2.0 * np.pi * self.grid_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The best solution under one reading of the phases.

    Parameters
    ----------
    method : str
        As in `optimizer.measure.timing.timing.Timing`.
    fit : DelayFit
        The solution.
    rival : DelayFit or None
        The next best solution that differs.
    delays_s : ndarray, shape (N,)
        Delay to be added to each curve, the first 0.
    half_width_s : ndarray, shape (N, N)
        Half the 95 % interval of the delay between each pair of curves.
    tails : tuple of (float or None), length N
        Slope below each file in dB per octave.
    independent : float
        Number of independent points.
    """

    method: Method
    fit: DelayFit
    rival: DelayFit | None
    delays_s: Real
    half_width_s: Real
    tails: tuple[float | None, ...]
    independent: float


def explain_by_minimum_phase(task: SumTask) -> Explanation:
    """Explain the sum by minimum phase and delay, with the best of the allowed tails."""
    phases = [
        [
            minimum_phase(
                curve.frequency_hz,
                curve.level_db,
                slope_low_db_per_octave=tail,
                at_hz=task.grid_hz,
            )
            for tail in LOW_TAILS_DB_PER_OCTAVE
        ]
        for curve in map(thin_response, task.curves)
    ]
    size = 10.0 ** (task.drivers_db / 20.0)

    def bases(choice: Sequence[int]) -> Complex:
        phase = np.array([phases[d][k] for d, k in enumerate(choice)])
        return np.asarray(size * np.exp(1j * phase))

    plain = (0,) * len(task.names)
    fits = search_delays(bases(plain), task.level_db, task.omega, largest_s=task.largest_s)
    tried = [(fits[0], plain)]
    if len(task.names) <= 3:
        choices = list(product(range(len(LOW_TAILS_DB_PER_OCTAVE)), repeat=len(task.names)))[1:]
        tasks = [(choice, fit) for choice in choices for fit in fits[:3]]
        curves = np.array([bases(choice) for choice, _ in tasks])
        polished = polish_fits(curves, task.level_db, task.omega, [fit for _, fit in tasks])
        tried += [(fit, choice) for fit, (choice, _) in zip(polished, tasks, strict=True)]
    best, chosen = min(tried, key=lambda item: item[0].cost)
    starts = fits[:6]
    rivals = polish_fits(np.array([bases(chosen)] * len(starts)), task.level_db, task.omega, starts)
    half, independent = _half_widths(task, best)
    as_good = [
        f.delays_s
        for f, _ in tried
        if f.rms_db <= 1.25 * best.rms_db + 0.05 and not _differ(f, best)
    ]
    shifts = np.array(as_good) - best.delays_s
    half = half + np.max(np.abs(shifts[:, :, None] - shifts[:, None, :]), axis=0)
    half = half + _tail_doubt_s(task)
    return Explanation(
        method="minimum phase + delay",
        fit=best,
        rival=_nearest_rival(best, rivals),
        delays_s=best.delays_s,
        half_width_s=half,
        tails=tuple(LOW_TAILS_DB_PER_OCTAVE[k] for k in chosen),
        independent=independent,
    )


def explain_by_measured_phase(task: SumTask) -> Explanation:
    """Explain the sum by measured phase and delay, or by a shared clock where that suffices."""
    # Taking out each file's excess delay first leaves only path differences to search for.
    excess = [find_excess_delay(curve) for curve in task.curves]
    taken = np.array([e.delay_s for e in excess])
    raw = np.array([unit_phasor(curve, task.grid_hz) for curve in task.curves])
    size = 10.0 ** (task.drivers_db / 20.0)
    bases = size * raw * np.exp(1j * taken[:, None] * task.omega)
    fits = search_delays(bases, task.level_db, task.omega, largest_s=task.largest_s)
    best = fits[0]
    delays = best.delays_s - taken + taken[0]
    half, independent = _half_widths(task, best)
    method: Method = "measured phase + delay"
    if all(p == 1 for p in best.polarity) and np.all(np.abs(delays) <= np.maximum(half[0], 5e-6)):
        method = "shared clock"
        delays = np.zeros_like(delays)
    return Explanation(
        method=method,
        fit=best,
        rival=_nearest_rival(best, fits[:6]),
        delays_s=delays,
        half_width_s=half,
        tails=(None,) * len(task.names),
        independent=independent,
    )


def _half_widths(task: SumTask, fit: DelayFit) -> tuple[Real, float]:
    """Half the 95 % interval of the delay of every pair in s, and the independent points."""
    residual = fit.residual_db - fit.residual_db.mean()
    points, unknowns = fit.jacobian.shape
    energy = float(residual @ residual)
    independent = _count_independent(residual)
    count = len(task.names)
    scale = np.concatenate([np.full(count - 1, 1.0 / task.omega[-1]), np.ones(count)])
    normal = (fit.jacobian * scale).T @ (fit.jacobian * scale)
    normal[count - 1 :, count - 1 :] += points * LEVEL_PULL**2 * (np.eye(count) - 1.0 / count)
    covariance = np.zeros((count, count))
    covariance[1:, 1:] = np.linalg.pinv(normal, rcond=1e-10)[: count - 1, : count - 1]
    own = np.diag(covariance)
    between = np.maximum(own[:, None] + own - 2.0 * covariance, 0.0)
    variance = energy / max(points - unknowns, 1) * points / independent
    return CONFIDENCE * np.sqrt(between * variance) / task.omega[-1], independent


def _tail_doubt_s(task: SumTask) -> Real:
    """Delay hidden in the slope above each file, for 6 dB per octave of doubt, by pair.

    Well below a corner at f, a change of slope of 6 dB/octave turns the minimum phase by
    (2/pi) (f0/f) radians, which is a delay of 1/(pi^2 f).
    """
    each = np.array([1.0 / (np.pi**2 * curve.range_hz[1]) for curve in task.curves])
    both = each[:, None] + each
    return np.asarray(both * (1.0 - np.eye(len(each))))


def _count_independent(residual: Real) -> float:
    """Divide the number of points by the autocorrelation summed to its first zero."""
    correlation = np.correlate(residual, residual, "full")[len(residual) - 1 :]
    if correlation[0] <= 0.0:
        return float(len(residual))
    correlation = correlation / correlation[0]
    below = np.flatnonzero(correlation <= 0.0)
    memory = correlation[1 : below[0] if len(below) else None].sum()
    return float(max(len(residual) / (1.0 + 2.0 * memory), 2.0))


def _nearest_rival(best: DelayFit, others: Sequence[DelayFit]) -> DelayFit | None:
    """Find the best solution that differs from `best`."""
    return min((f for f in others if _differ(f, best)), key=lambda f: f.cost, default=None)


def _differ(one: DelayFit, other: DelayFit) -> bool:
    """Whether polarity differs, or any delay by more than 20 us (a quarter turn at 12 kHz)."""
    apart = float(np.max(np.abs(one.delays_s - other.delays_s)))
    return one.polarity != other.polarity or apart > 2e-5


def find_doubt(task: SumTask, best: Explanation) -> str:
    """Say why the data do not determine the timing, or return an empty string."""
    rms = best.fit.rms_db
    alone = [
        (float((db - task.level_db).std()), name)
        for db, name in zip(task.drivers_db, task.names, strict=True)
    ]
    spread, name = min(alone)
    if spread <= 1.1 * rms + 0.02:
        return (
            f"{name} alone explains the measurement with all drivers as well ({spread:.2f} dB "
            "rms): the other drivers were not playing, or are too quiet to show"
        )
    if rms > 2.0:
        return (
            f"no delay explains the measurement with all drivers: {rms:.1f} dB rms remain; "
            "was a crossover connected, the microphone moved or another file taken?"
        )
    power = 10.0 * np.log10((10.0 ** (task.drivers_db / 10.0)).sum(axis=0)) - task.level_db
    if rms > 0.8 * float(power.std()):
        return (
            f"the sum shows no interference: adding energies explains it to {power.std():.2f} "
            f"dB rms, the best delay to {rms:.2f} dB rms"
        )
    rival = best.rival
    if rival is not None and (rival.cost / best.fit.cost - 1.0) * best.independent < 9.0:
        return (
            "two solutions explain the measurement about equally: "
            f"{_in_words(task, best.fit)} ({rms:.2f} dB rms) and {_in_words(task, rival)} "
            f"({rival.rms_db:.2f} dB rms)"
        )
    for one, two in _neighbours(task):
        meet = _meeting_hz(task, one, two)
        half = float(best.half_width_s[one, two])
        if half > 1.0 / (8.0 * meet):
            return (
                f"the delay between {task.names[one]} and {task.names[two]} is uncertain by "
                f"{half * 1e6:.0f} us, more than an eighth of a period at {say_hz(meet)}"
            )
    return ""


def _neighbours(task: SumTask) -> list[tuple[int, int]]:
    """Pairs of drivers next to each other in frequency."""
    return list(pairwise(order_upwards(task.grid_hz, 10.0 ** (task.drivers_db / 10.0))))


def _meeting_hz(task: SumTask, one: int, two: int) -> float:
    """Mean frequency at which two drivers interfere, weighted by how equal and loud they are."""
    a, b = task.drivers_db[one], task.drivers_db[two]
    weight = 10.0 ** ((np.minimum(a, b) - task.level_db) / 10.0) * 10.0 ** (-np.abs(a - b) / 10.0)
    return float(np.exp((weight * np.log(task.grid_hz)).sum() / weight.sum()))


def _in_words(task: SumTask, fit: DelayFit) -> str:
    """Delays and polarities of a solution as text."""
    return ", ".join(
        f"{name} {delay * 1e6:+z.0f} us" + (" reversed" if sign < 0 else "")
        for name, delay, sign in zip(
            task.names[1:], fit.delays_s[1:], fit.polarity[1:], strict=True
        )
    )


def describe_levels(task: SumTask, best: Explanation) -> list[str]:
    """Warn of level offsets too large to be chance."""
    levels = best.fit.levels_db
    notes = []
    if np.ptp(levels) > 1.0:
        low, high = int(np.argmin(levels)), int(np.argmax(levels))
        notes.append(
            f"levels differ: {task.names[low]} had to be lowered by {np.ptp(levels):.1f} dB "
            f"against {task.names[high]} to meet the sum; check that all files were taken at one "
            "voltage"
        )
    return notes
