"""Shape of a driver's response: level, natural roll-offs, peaks and dips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.band import find_usable
from optimizer.measure.curves.samples import Samples
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.survey.curvefit import (
    CurveFit,
    CurveTerms,
    criterion,
    evaluate_curve,
    fit_curve,
)
from optimizer.measure.survey.humps import find_break_up, find_humps, shows_in_curve
from optimizer.text.brief import brief

End = Literal["low", "high"]

_PER_OCTAVE = 24
LEAST_PEAK_DB = 1.5
"""Peaks and dips smaller than this are not listed."""
LEAST_NOISE_DB = 0.15
"""Ripples this small are nobody's resonance; no resonance is added for them."""
FINEST_DB = 0.05
"""Two orders that both miss the data by no more explain them alike: files have no more digits."""
RIPPLE_DB = 0.5
"""What edges, rooms and averages leave in any response, and no driver's model explains."""
OBSERVATIONS_PER_OCTAVE = 12.0
"""Files are smoothed, by 1/12 octave as often as not: points nearer than that are no observations of
their own."""
MOST_BELLS = 9
PATIENCE = 2
"""Resonances that do not pay by themselves are tried together, this many at most."""
MOST_BELLS_AT_END = 5
END_OCTAVES = 2.0
"""How far into the band an end reaches: what lies beyond does not count in what is said of it."""
REACHED_DB = 10.0
"""A roll-off is read only where the data follow it at least this far down."""
EVIDENCE = 10.0
"""How much better by the criterion an order must explain the data than any other: "very strong"."""
NEIGHBOUR_OCTAVES = 1.0 / 3.0
"""A hump this close to a fitted peak is that peak."""
FAINT_DB = 25.0
"""Peaks of a driver this far below its own level are nobody's concern."""
_BUTTERWORTH_Q: dict[int, tuple[float, ...]] = {
    0: (), 1: (), 2: (0.707,), 3: (1.0,), 4: (0.541, 1.307),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """A resonance on top of the driver's smooth response; negative height is a dip.

    Parameters
    ----------
    frequency_hz : float
        Centre.
    height_db : float
        Above the response without it.
    q : float
        Q of the resonance ``(s^2 + A s/Q + 1) / (s^2 + s/Q + 1)``, A the height as a ratio.
    level_db : float
        Level of the response at the centre against the driver's own level.
    """

    frequency_hz: float
    height_db: float
    q: float
    level_db: float = 0.0

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolloff:
    """How a driver falls off at one end.

    Parameters
    ----------
    order : int or None
        Order of the slope, 6 dB per octave each; None when the data do not decide.
    slope_db_per_octave : float or None
        Slope of the data from 6 dB down to their end, peaks taken out; positive numbers.
    corner_hz : float or None
        3 dB point of the roll-off.
    reason : str
        Why there is no order.
    """

    order: int | None = None
    slope_db_per_octave: float | None = None
    corner_hz: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """The shape of one response.

    Parameters
    ----------
    level_db : float
        Median level of the usable band.
    usable_hz : tuple of float
        Where the response, averaged over 1/3 octave, stays within 6 dB of `level_db`.
    low, high : Rolloff
        The ends.
    peaks : tuple of Peak
        Peaks and dips of at least `LEAST_PEAK_DB`, largest first.
    break_up : Peak or None
        Where the driver begins to break up in the upper `END_OCTAVES` of the band or above it, its
        height above the level around it.
    noise_db : float
        Scatter of the data from point to point.
    residual_db : float
        What the model leaves, rms.
    """

    level_db: float
    usable_hz: tuple[float, float]
    low: Rolloff
    high: Rolloff
    peaks: tuple[Peak, ...]
    noise_db: float
    residual_db: float
    break_up: Peak | None = None

    __repr__ = brief


def read_shape(response: MeasuredCurve) -> Shape:
    """Describe a response by its roll-offs and resonances.

    Parameters
    ----------
    response : MeasuredCurve
        A pressure response.

    Returns
    -------
    Shape

    Notes
    -----
    The level is modelled as high-pass times low-pass (orders 0 to 4, Q free) times a shelf of at
    most 8 dB (the baffle) times resonances, over a floor of noise. How many resonances there are and
    of which orders the ends are is chosen by the Bayesian information criterion, see
    `optimizer.measure.survey.curvefit.criterion`; an order is stated only if no other comes near.
    What is said of an end is read from the data around it alone, and where a driver breaks up from
    the curve itself: neither hangs on where the data begin. Resonances that
    only bend the model's roll-off to the data's are left out, and humps that the model took for
    the driver's level are added, see `optimizer.measure.survey.humps`.
    """
    return _read_shape(Samples.of(response))


@lru_cache(maxsize=64)
def _read_shape(samples: Samples) -> Shape:
    curve = thin_response(samples.curve())
    low_hz, high_hz = curve.range_hz
    count = max(int(np.log2(high_hz / low_hz) * _PER_OCTAVE), 12)
    grid = np.geomspace(low_hz, high_hz, count)
    level = _bin_average(curve, grid)
    u = np.log(grid)
    noise = float(np.hypot(_scatter_db(level), LEAST_NOISE_DB))
    reference, usable = find_usable(grid, level)
    low = _decide_order(u, level, "low", reference, usable)
    high = _decide_order(u, level, "high", reference, usable)
    ends = (low.fit.corner_hz("low"), high.fit.corner_hz("high"))
    orders = (low.fit.structure.low_order, high.fit.structure.high_order)
    fit = _add_bells(u, level, _start(u, level, reference, *ends, *orders), MOST_BELLS)
    model = evaluate_curve(u, fit.structure, fit.x)
    top = _end_part(u, usable[1], "high")
    # What is said of the top is read from the top alone: bass must not count there.
    border = float(np.exp(u[top][0]))
    peaks = [peak for peak in _list_peaks(u, fit, reference) if peak.frequency_hz < border]
    peaks += _list_peaks(u[top], high.fit, reference)
    octave = u / np.log(2.0)
    broken = find_break_up(octave, level, reference, float(np.log2(border)))
    return Shape(
        level_db=reference,
        usable_hz=usable,
        low=low.rolloff,
        high=high.rolloff,
        peaks=_check_peaks(peaks, u, level, reference),
        break_up=None if broken is None else _hump_peak(octave, level, reference, broken),
        noise_db=noise,
        residual_db=float(np.sqrt(np.mean((model - level) ** 2))),
    )


def _bin_average(curve: MeasuredCurve, grid: Real) -> Real:
    """Level on the grid, averaged over each step where there are several points."""
    edges = np.sqrt(grid[1:] * grid[:-1])
    where = np.searchsorted(edges, curve.frequency_hz)
    counts = np.bincount(where, minlength=len(grid))
    sums = np.bincount(where, weights=curve.level_db, minlength=len(grid))
    plain = interpolate_log(curve.frequency_hz, curve.level_db, grid)
    return np.where(counts >= 2, sums / np.maximum(counts, 1), plain)


def _scatter_db(level_db: Real) -> float:
    """Estimate the deviation of one point by third differences, blind to smooth curves."""
    third = np.diff(level_db, 3)
    if not len(third):
        return 0.2
    return max(float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0)), 0.05)


def _start(
    u: Real,
    level: Real,
    reference: float,
    low_hz: float | None,
    high_hz: float | None,
    low_order: int,
    high_order: int,
) -> CurveFit:
    """Plain starting values: Butterworth ends at given corners, no resonance."""
    x = [reference, 0.0, np.log(500.0), float(level.min()) - 3.0]
    for corner, order in ((low_hz, low_order), (high_hz, high_order)):
        if order and corner is not None:
            x += [np.log(corner), *np.log(_BUTTERWORTH_Q[order])]
    structure = CurveTerms(low_order=low_order, high_order=high_order)
    return CurveFit(structure=structure, x=np.array(x))


def _add_bells(u: Real, level: Real, start: CurveFit, most: int) -> CurveFit:
    """Fit roll-offs, add resonances one by one, and keep as many as the criterion asks for.

    Of several one alone may explain too little to pay, so `PATIENCE` of them are tried together.
    """
    # Coarse noise at first, so that resonances still missing do not bend the roll-offs.
    fit = fit_curve(u, level, start, noise_db=2.0 * RIPPLE_DB)
    fit = best = fit_curve(u, level, fit, noise_db=RIPPLE_DB)
    least = _weigh(u, best, LEAST_NOISE_DB)
    for _ in range(most):
        fit = fit_curve(u, level, _add_bell(u, level, fit), noise_db=RIPPLE_DB)
        if (worth := _weigh(u, fit, LEAST_NOISE_DB)) < least:
            best, least = fit, worth
        elif fit.structure.bells - best.structure.bells >= PATIENCE:
            break
    return best


def _weigh(u: Real, fit: CurveFit, least_db: float) -> float:
    """Criterion of a fit to data from `u[0]` to `u[-1]`."""
    octaves = (u[-1] - u[0]) / np.log(2.0)
    return criterion(fit, max(OBSERVATIONS_PER_OCTAVE * octaves, 2.0), least_db)


def _add_bell(u: Real, level: Real, fit: CurveFit) -> CurveFit:
    """Add the resonance that explains most of what a fit leaves, as a place to begin."""
    rest = level - evaluate_curve(u, fit.structure, fit.x)
    step = u[1] - u[0]
    best = (-1.0, float(u[0]), 0.0, 1.0)
    for q in (1.5, 3.0, 6.0, 12.0):
        half = int(np.ceil(1.5 / (q * step)))
        v = np.arange(-half, half + 1) * step
        w2 = np.exp(2.0 * v)
        kernel = 1.0 / (1.0 + q * q * (1.0 - w2) ** 2 / w2 * 0.5)
        same = slice(half, half + len(rest))
        overlap = np.convolve(rest, kernel, "full")[same]  # the kernel is even enough
        weight = np.convolve(np.ones_like(rest), kernel**2, "full")[same]
        explained = overlap**2 / weight
        at = int(np.argmax(explained))
        if explained[at] > best[0]:
            best = (float(explained[at]), float(u[at]), float(overlap[at] / weight[at]), q)
    _, where, height, q = best
    return CurveFit(
        structure=replace(fit.structure, bells=fit.structure.bells + 1),
        x=np.concatenate([fit.x, [where, height, np.log(q)]]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _EndReading:
    """What one end of the data says, and the fit to it alone."""

    rolloff: Rolloff
    fit: CurveFit


def _decide_order(
    u: Real,
    level: Real,
    end: End,
    reference: float,
    usable: tuple[float, float],
) -> _EndReading:
    """Fit every order to the half of the data at one end and weigh them against each other."""
    edge = usable[0] if end == "low" else usable[1]
    last = float(np.exp(u[0] if end == "low" else u[-1]))
    tip = level[: _PER_OCTAVE // 6] if end == "low" else level[-_PER_OCTAVE // 6 :]
    part = _end_part(u, edge, end)
    v, piece = u[part], level[part]

    def fit_order(order: int) -> CurveFit:
        low = (edge, None, order, 0)
        high = (None, edge, 0, order)
        start = _start(v, piece, reference, *(low if end == "low" else high))
        return _add_bells(v, piece, start, MOST_BELLS_AT_END)

    if abs(np.log(edge / last)) < 0.02 and tip.mean() > reference - 3.0:
        return _EndReading(
            rolloff=Rolloff(reason="the data end before the driver falls off"), fit=fit_order(0)
        )
    fits = {order: fit_order(order) for order in (1, 2, 3, 4)}
    score = {n: _weigh(v, fit, FINEST_DB) for n, fit in fits.items()}
    if end == "low":
        # Closed boxes fall by order 2, vented ones by 4; odd orders need evidence of their own.
        score = {n: value + (EVIDENCE if n % 2 else 0.0) for n, value in score.items()}
    ranked = sorted(score, key=lambda n: score[n])
    best = fits[ranked[0]]
    pure = evaluate_curve(v, best.structure, best.x, only=end)
    depth = float(pure.max() - pure[0 if end == "low" else -1])
    slope = _measure_slope(v, piece, best, end)
    wide = np.linspace(v[0] - 3.0, v[-1] + 3.0, 4 * len(v))
    three = _three_db_point(wide, evaluate_curve(wide, best.structure, best.x, only=end), end)
    order, reason = ranked[0], ""
    if depth < REACHED_DB or slope is None:
        reason = f"the data follow the roll-off by {depth:.0f} dB only"
    elif score[ranked[1]] - score[ranked[0]] < EVIDENCE:
        few, many = sorted(ranked[:2])
        reason = f"orders {few} and {many} explain the data alike"
    elif abs(slope / 6.0 - order) > 0.8:
        reason = f"the slope of {slope:.0f} dB/octave and the best order {order} disagree"
    if reason:
        # Of all orders that explain the data alike, the one that needs the least resonance.
        alike = [n for n in fits if score[n] - score[ranked[0]] < EVIDENCE]
        order = min(alike, key=lambda n: float(np.abs(fits[n].bells[:, 1]).sum()))
    rolloff = Rolloff(
        order=None if reason else order,
        slope_db_per_octave=slope,
        corner_hz=three,
        reason=reason,
    )
    return _EndReading(rolloff=rolloff, fit=fits[order])


def _end_part(u: Real, edge_hz: float, end: End) -> Flags:
    """Which frequencies belong to one end: from inside the usable band outwards."""
    reach = END_OCTAVES * np.log(2.0)
    edge = np.log(edge_hz)
    return np.asarray(u <= edge + reach if end == "low" else u >= edge - reach)


def _three_db_point(u: Real, pure_db: Real, end: End) -> float | None:
    """Frequency where the pure roll-off has fallen 3 dB below its far end."""
    drop = pure_db - (pure_db[-1] if end == "low" else pure_db[0])
    below = np.flatnonzero(drop <= -3.0)
    if not len(below):
        return None
    index = below[-1] if end == "low" else below[0]
    return float(np.exp(u[index]))


def _measure_slope(u: Real, level: Real, fit: CurveFit, end: End) -> float | None:
    """Least-squares slope of the data beyond 6 dB down, resonances and floor taken out."""
    pure = evaluate_curve(u, fit.structure, fit.x, only=end)
    bells = evaluate_curve(u, fit.structure, fit.x, only="bells")
    beyond = (pure < pure.max() - 6.0) & (level > fit.x[3] + 6.0)
    if np.count_nonzero(beyond) < _PER_OCTAVE // 3:
        return None
    octaves = u[beyond] / np.log(2.0)
    slope = float(np.polyfit(octaves, level[beyond] - bells[beyond], 1)[0])
    return slope if end == "low" else -slope


def _list_peaks(u: Real, fit: CurveFit, reference: float) -> list[Peak]:
    """List resonances that show in the sum of all: fits may hold pairs that cancel."""
    listed = []
    for f, height, q in fit.bells:
        at = np.array([np.log(f)])
        total = float(evaluate_curve(at, fit.structure, fit.x, only="bells")[0])
        shows = total * height > 0.0 and abs(total) >= 0.5 * LEAST_PEAK_DB
        if abs(height) >= LEAST_PEAK_DB and shows and u[0] + 0.13 < at[0] < u[-1] - 0.13:
            level = float(evaluate_curve(at, fit.structure, fit.x)[0])
            if max(level, level - height) < reference - FAINT_DB:
                continue
            listed.append(
                Peak(
                    frequency_hz=float(f),
                    height_db=float(height),
                    q=float(q),
                    level_db=level - reference,
                )
            )
    return listed


def _check_peaks(peaks: Sequence[Peak], u: Real, level: Real, reference: float) -> tuple[Peak, ...]:
    """Leave out what does not show in the curve, and add humps that no fit has named."""
    octave = u / np.log(2.0)
    listed = [
        peak
        for peak in peaks
        if shows_in_curve(octave, level, np.log2(peak.frequency_hz), peak.height_db, peak.q)
    ]
    named = [np.log2(peak.frequency_hz) for peak in listed if peak.height_db > 0.0]
    for where, height, q in find_humps(octave, level, reference):
        if all(abs(where - one) > NEIGHBOUR_OCTAVES for one in named):
            hump = Peak(frequency_hz=2.0**where, height_db=height, q=q, level_db=height)
            listed.append(hump)
    return tuple(sorted(listed, key=lambda peak: -abs(peak.height_db)))


def _hump_peak(
    octave: Real, level: Real, reference: float, hump: tuple[float, float, float]
) -> Peak:
    """Describe a rise found in the curve itself."""
    where, height, q = hump
    return Peak(
        frequency_hz=2.0**where,
        height_db=height,
        q=q,
        level_db=float(np.interp(where, octave, level)) - reference,
    )
