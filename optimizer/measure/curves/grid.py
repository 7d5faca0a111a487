"""One shared frequency grid: making it, and bringing measured curves onto it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Flags, Real
from optimizer.errors import InputError
from optimizer.measure.curve import Coverage, MeasuredCurve
from optimizer.measure.curves.phase import edge_slopes, fit_delay, minimum_phase
from optimizer.text.units import say_hz

STEEPEST_DB_PER_OCTAVE = 48.0
LARGEST_STEP_RAD = np.deg2rad(150.0)
LARGEST_IMPEDANCE_ANGLE_RAD = np.deg2rad(89.0)
_DELAYS_S = (-20e-3, 50e-3)
_ALL_CLEAR_RAD = np.deg2rad(90.0)


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

    value: Complex
    coverage: Coverage
    notes: tuple[str, ...] = ()


def log_grid(low_hz: float, high_hz: float, per_octave: float) -> Real:
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
        raise InputError(
            "a grid takes more than 0 and at most 1000 points per octave", value=f"{per_octave:g}"
        )
    steps = max(1, int(np.ceil(np.log2(high_hz / low_hz) * per_octave - 1e-9)))
    grid = np.geomspace(low_hz, high_hz, steps + 1)
    grid[0], grid[-1] = low_hz, high_hz
    return grid


def resample(response: MeasuredCurve, frequency_hz: Real) -> Resampled:
    """Bring a measured curve onto a grid, and continue it by a stated rule where it ends.

    Parameters
    ----------
    response : MeasuredCurve
        The measured curve.
    frequency_hz : ndarray, shape (F,)
        The grid in Hz, positive and increasing.

    Returns
    -------
    Resampled
        Values on the grid, where they are measured, and what was assumed.

    Raises
    ------
    InputError
        The grid is not positive and increasing, or no point of it is measured.

    Notes
    -----
    Inside the measured range level (dB) and unwrapped phase are interpolated linearly over log
    frequency. Where the phase turns by more than 150 degrees between neighbours, one delay that
    calms it is looked for and taken out before unwrapping; failing that, a note warns. Outside,
    the rule is:

    *Pressure.* The level goes on with the least-squares slope of the nearest octave, limited to
    0 ... 48 dB/octave rising at the low end and 0 ... 48 dB/octave falling at the top: a driver
    falls outside its band, and a slope the other way is ripple, not a trend.
    *Impedance.* Below, the modulus is held (towards the resistance of the coil); above, it goes
    on with the slope of the nearest octave, limited to 0 ... 6 dB/octave, the range between a
    resistor and an inductor.
    *Phase.* The minimum phase of the level thus continued, so that it tends to 90 degrees for
    each 6.02 dB/octave; the difference between measured and minimum phase at the edge goes on
    as the delay fitted to it over the nearest octave (pressure), or fades in proportion to the
    distance from the edge (impedance, which is minimum phase by nature). A curve without phase
    gets none outside either.

    The angle of an impedance stays within 89 degrees everywhere, so that its real part is
    positive; a note tells where that changed measured values.

    The cost: nothing beyond the edge is known. A resonance out there, a change of slope or a
    break-up is missed; a slope wrong by s dB/octave puts the level wrong by s for each octave
    and the phase by up to 15 degrees for each dB/octave of s. Three measured tweeters cut short at
    620 Hz to 2 kHz were missed by 2 to 16 dB and 14 to 96 degrees one octave further down, the
    worst of them where the cut lay near the resonance: measure an octave further than needed.
    """
    grid = _checked_grid(response, frequency_hz)
    notes: list[str] = []
    low, high = response.range_hz
    below, above = grid < low, grid > high
    slopes = _slopes(response)
    knots, x = np.log2(response.frequency_hz), np.log2(grid)
    level = np.interp(x, knots, response.level_db)
    level[below] += slopes[0] * (x[below] - knots[0])
    level[above] += slopes[1] * (x[above] - knots[-1])
    phase = np.zeros(len(grid))
    if response.has_phase:
        measured, delay = _unwrap(response, notes)
        phase = np.interp(x, knots, measured) - 2.0 * np.pi * delay * grid
        measured = measured - 2.0 * np.pi * delay * response.frequency_hz
        for outside, end in ((below, 0), (above, -1)):
            if outside.any():
                phase[outside] = _continue(response, measured, grid[outside], slopes, end)
        if response.quantity == "impedance":
            phase = _passive(phase, grid, ~(below | above), notes)
    for outside, where, edge, slope in (
        (below, "below", low, slopes[0]),
        (above, "above", high, slopes[1]),
    ):
        if outside.any():
            trend = f"continued at {slope:.1f} dB/octave" if slope else "level held"
            notes.append(f"not measured {where} {edge:.4g} Hz: {trend}")
    value = 10.0 ** (level / 20.0) * np.exp(1j * phase)
    value.setflags(write=False)
    coverage = Coverage(
        source=response.source,
        low_hz=low,
        high_hz=high,
        slope_low_db_per_octave=slopes[0] if below.any() else 0.0,
        slope_high_db_per_octave=slopes[1] if above.any() else 0.0,
        gate_s=response.gate_s,
    )
    return Resampled(value=value, coverage=coverage, notes=tuple(notes))


def _checked_grid(response: MeasuredCurve, frequency_hz: Real) -> Real:
    grid = np.asarray(frequency_hz, dtype=np.float64)
    good = grid.ndim == 1 and len(grid) > 0 and np.isfinite(grid).all() and grid[0] > 0
    if not good or (np.diff(grid) <= 0).any():
        raise InputError("the frequencies of a grid must be above 0 Hz and rise")
    low, high = response.range_hz
    if not ((grid >= low) & (grid <= high)).any():
        raise InputError(
            f"a curve must be measured somewhere between {say_hz(grid[0])} and {say_hz(grid[-1])}",
            file=response.source or None,
            value=f"{low:.4g} to {high:.4g} Hz",
            remedy="give frequencies in Hz, or change the band",
        )
    return grid


def _slopes(response: MeasuredCurve) -> tuple[float, float]:
    low, high = edge_slopes(response.frequency_hz, response.level_db)
    if response.quantity == "impedance":
        return 0.0, float(np.clip(high, 0.0, 20.0 * np.log10(2.0)))
    steepest = STEEPEST_DB_PER_OCTAVE
    return float(np.clip(low, 0.0, steepest)), float(np.clip(high, -steepest, 0.0))


def _unwrap(response: MeasuredCurve, notes: list[str]) -> tuple[Real, float]:
    """Unwrapped phase without a delay, and that delay in s (0 where it is not needed)."""
    f, phase = response.frequency_hz, response.phase_rad
    step = np.abs(np.diff(phase))
    if step.max(initial=0.0) <= LARGEST_STEP_RAD:
        return phase, 0.0
    delay = _calming_delay(f, np.angle(response.value))
    if delay is not None:
        notes.append(f"phase followed after taking out a delay of {delay * 1e3:.3g} ms")
        late = 2.0 * np.pi * delay * f
        return np.unwrap(np.angle(response.value * np.exp(1j * late))), delay
    many, first = np.count_nonzero(step > LARGEST_STEP_RAD), int(np.argmax(step > LARGEST_STEP_RAD))
    notes.append(
        f"phase turns by more than 150 degrees between neighbours at {f[first]:.4g} Hz"
        + (f" and {many - 1} more places" if many > 1 else "")
        + ": a deep null, or steps too coarse to follow (measure finer, or remove the delay)"
    )
    return phase, 0.0


def _calming_delay(f: Real, angle: Real) -> float | None:
    """Return the one delay without which no phase step exceeds 90 degrees, if there is one.

    Steps of unequal width tell a delay from its aliases; on an even grid no delay is the one.
    """
    width = np.diff(f)
    if width.max() < 1.05 * width.min():
        return None
    turn = np.exp(1j * np.diff(angle))
    # Fine enough that the widest step moves by 1/16 turn from one trial to the next.
    spacing = 1.0 / (16.0 * width.max())
    trials = np.arange(_DELAYS_S[0], _DELAYS_S[1] + spacing, spacing)[:20_000]
    calm = [float((turn * np.exp(2j * np.pi * trial * width)).real.sum()) for trial in trials]
    best = float(trials[int(np.argmax(calm))])
    left = np.angle(turn * np.exp(2j * np.pi * best * width))
    best -= float((width @ left) / (width @ width)) / (2.0 * np.pi)
    left = np.angle(turn * np.exp(2j * np.pi * best * width))
    return best if np.abs(left).max() <= _ALL_CLEAR_RAD else None


def _continue(
    response: MeasuredCurve,
    phase: Real,
    outside_hz: Real,
    slopes: tuple[float, float],
    end: int,
) -> Real:
    """Phase beyond one end (0: below, -1: above) of the data."""
    f = response.frequency_hz
    edge = f[end]
    if end == 0:
        start, stop = 0, max(int(np.searchsorted(f, 2.0 * edge, side="right")), min(3, len(f)))
    else:
        start, stop = min(int(np.searchsorted(f, edge / 2.0)), max(len(f) - 3, 0)), len(f)
    # A hundred points fix a straight line as well as ten thousand.
    near = np.unique(np.linspace(start, stop - 1, min(stop - start, 100)).round().astype(np.intp))
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
        # A whole turn in the measured phase means nothing, and would not fade.
        at_edge = np.angle(np.exp(1j * excess[end]))
        fade = outside_hz / edge if end == 0 else edge / outside_hz
        return np.asarray(beyond + at_edge * fade, dtype=np.float64)
    delay = fit_delay(inside_hz, excess, (inside_hz[0], inside_hz[-1]))
    late = 2.0 * np.pi * delay * (outside_hz - edge)
    return np.asarray(beyond + excess[end] - late, dtype=np.float64)


def _passive(
    phase: Real,
    grid: Real,
    measured: Flags,
    notes: list[str],
) -> Real:
    """Hold the angle of an impedance within 89 degrees."""
    angle = np.angle(np.exp(1j * phase))
    largest = LARGEST_IMPEDANCE_ANGLE_RAD
    wrong = measured & (np.abs(angle) > largest)
    if wrong.any():
        notes.append(
            f"the impedance angle passes 89 degrees at {np.count_nonzero(wrong)} frequencies from "
            f"{grid[int(np.argmax(wrong))]:.4g} Hz: limited, a driver takes power at all of them"
        )
    return np.asarray(np.clip(angle, -largest, largest), dtype=np.float64)
