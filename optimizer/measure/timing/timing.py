"""Relative timing of drivers that were measured without a common clock.

A sound card whose input and output do not share a clock gives every file a delay of its own, so
the complex sum of two files means nothing. A measurement with all drivers playing at once holds
what is missing: the delays for which the predicted sum meets it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.excess import find_excess_delay
from optimizer.measure.curves.samples import Samples
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.geometry import SOUND_SPEED_M_S
from optimizer.measure.timing.explain import (
    Method,
    SumTask,
    describe_levels,
    explain_by_measured_phase,
    explain_by_minimum_phase,
    find_doubt,
)
from optimizer.text.brief import brief
from optimizer.text.units import say_hz

LARGEST_DELAY_S = 1.0e-3
"""A third of a metre of path; acoustic centres of one cabinet are closer than that."""

_POINTS_PER_OCTAVE = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """Relative delay, level and polarity of every driver; the first driver is the reference.

    Parameters
    ----------
    method : str
        "minimum phase + delay": the phase of every driver is its minimum phase, then delayed.
        "measured phase + delay": the file's own phase, then delayed. "shared clock": the file's
        own phase as it stands. "not determined": see `refused`.
    delays_s : dict of str to float
        Delay to be added to each driver's phase in s; positive is later.
    levels_db : dict of str to float
        Level to be added to each driver in dB so that the sum meets the measured one.
    polarity : dict of str to int
        1 or -1 to be applied to each driver.
    residual_db : float or None
        Root mean square of predicted minus measured level over `band_hz`; None when there was
        nothing to compare with.
    interval_s : dict of str to (float, float)
        95 % confidence interval of each delay.
    band_hz : tuple of float or None
        Band in which prediction and measurement were compared.
    tails_db_per_octave : dict of str to (float or None)
        Slope assumed below each file for its minimum phase; None is the slope of the file's
        lowest octave.
    notes : tuple of str
        What was assumed and what should be known.
    refused : str
        Why the data do not determine the timing; empty when they do.
    """

    method: Method
    delays_s: dict[str, float]
    levels_db: dict[str, float]
    polarity: dict[str, int]
    residual_db: float | None = None
    interval_s: dict[str, tuple[float, float]] = field(default_factory=dict)
    band_hz: tuple[float, float] | None = None
    tails_db_per_octave: dict[str, float | None] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    refused: str = ""

    __repr__ = brief


def find_timing(
    responses: Mapping[str, MeasuredCurve],
    together: MeasuredCurve,
    *,
    band_hz: tuple[float, float] | None = None,
    largest_delay_s: float = LARGEST_DELAY_S,
) -> Timing:
    """Find the delays for which the sum of the drivers meets the measured one.

    Parameters
    ----------
    responses : mapping of str to MeasuredCurve
        One response per driver, raw, all from the same microphone position; two or more.
    together : MeasuredCurve
        All drivers driven at once, in parallel, from the same position. Only its level is used.
    band_hz : tuple of float, optional
        Band of the comparison. Default: from one octave above the highest start of any file
        (gated data are coarse in their lowest octave) to 12 kHz (above, a millimetre of
        microphone position counts more than the drivers).
    largest_delay_s : float
        Largest relative delay that is looked for, after the excess delay common to both.

    Returns
    -------
    Timing
        With `refused` set, and method "not determined", when the data do not determine it.

    Raises
    ------
    InputError
        For fewer than two drivers, or files that do not share 1.5 octaves.

    Notes
    -----
    Two explanations compete: each driver's minimum phase and a delay, or its measured phase and
    a delay; levels may move by a small offset and polarity is free. The one that leaves the
    smaller residual is taken, or the other where it leaves no doubt and 1.3 times the residual
    at most. Below its data a minimum phase needs a slope; the file's own, 12
    and 24 dB per octave are tried. The interval follows from the curvature of the sum of squares
    with the number of independent points reduced by the residual's autocorrelation, widened to
    cover every slope that explains the data about as well.
    """
    names = list(responses)
    if len(names) < 2:
        raise InputError("timing needs at least two drivers", value=f"{len(names)}")
    band = _checked_band(responses, together, band_hz or _common_band(responses, together))
    samples = tuple((name, Samples.of(responses[name])) for name in names)
    return _find_timing(samples, Samples.of(together), band, largest_delay_s)


@lru_cache(maxsize=16)
def _find_timing(
    samples: tuple[tuple[str, Samples], ...],
    sum_of_all: Samples,
    band_hz: tuple[float, float],
    largest_delay_s: float,
) -> Timing:
    responses = {name: of_driver.curve() for name, of_driver in samples}
    names, (low, high) = list(responses), band_hz
    together = thin_response(sum_of_all.curve())
    grid = np.geomspace(low, high, max(int(np.log2(high / low) * _POINTS_PER_OCTAVE), 24))
    thin = [thin_response(responses[name]) for name in names]
    task = SumTask(
        names=tuple(names),
        curves=tuple(responses.values()),
        grid_hz=grid,
        level_db=interpolate_log(together.frequency_hz, together.level_db, grid),
        drivers_db=np.array([interpolate_log(r.frequency_hz, r.level_db, grid) for r in thin]),
        largest_s=largest_delay_s,
    )
    found = [explain_by_minimum_phase(task)]
    if all(r.has_phase for r in responses.values()):
        found.append(explain_by_measured_phase(task))
    found.sort(key=lambda item: item.fit.cost)
    doubts = [find_doubt(task, item) for item in found]
    # An explanation nearly as good serves where the best one leaves a doubt.
    near = [item.fit.rms_db <= 1.3 * found[0].fit.rms_db for item in found]
    chosen = next((k for k, d in enumerate(doubts) if not d and near[k]), 0)
    best, refused = found[chosen], doubts[chosen]
    if refused:
        return replace(
            assume_timing(responses),
            method="not determined",
            residual_db=best.fit.rms_db,
            band_hz=(low, high),
            refused=refused,
        )
    notes = [
        f"compared from {say_hz(low)} to {say_hz(high)}, {best.fit.rms_db:.2f} dB rms",
        *(
            f"{other.method} would leave {other.fit.rms_db:.2f} dB rms"
            for other in found
            if other is not best
        ),
        *describe_levels(task, best),
    ]
    return Timing(
        method=best.method,
        delays_s=dict(zip(names, best.delays_s.tolist(), strict=True)),
        levels_db=dict(zip(names, best.fit.levels_db.tolist(), strict=True)),
        polarity=dict(zip(names, best.fit.polarity, strict=True)),
        residual_db=best.fit.rms_db,
        interval_s={
            name: (float(t - h), float(t + h))
            for name, t, h in zip(names, best.delays_s, best.half_width_s[0], strict=True)
        },
        band_hz=(low, high),
        tails_db_per_octave=dict(zip(names, best.tails, strict=True)),
        notes=tuple(notes),
    )


def assume_timing(
    responses: Mapping[str, MeasuredCurve], depths_m: Mapping[str, float] | None = None
) -> Timing:
    """State minimum phase plus the delay of given acoustic depths, for want of a measurement.

    Parameters
    ----------
    responses : mapping of str to MeasuredCurve
        One response per driver.
    depths_m : mapping of str to float, optional
        How far each acoustic centre lies behind the front plane in m; 0 when not given.

    Returns
    -------
    Timing
        Method "minimum phase + delay", without residual or interval.
    """
    depths = dict(depths_m or {})
    names = list(responses)
    first = depths.get(names[0], 0.0)
    unknown = [name for name in names if name not in depths]
    notes = [
        "no measurement with all drivers playing: relative delays follow from stated depths, "
        "not from data; an error of 10 mm is 29 us, 21 degrees at 2 kHz, and moves notches and "
        "peaks around the crossover. Measure all drivers together to remove the doubt"
    ]
    if unknown:
        notes.append(f"depth of {', '.join(unknown)} not stated: taken as 0")
    return Timing(
        method="minimum phase + delay",
        delays_s={n: (depths.get(n, 0.0) - first) / SOUND_SPEED_M_S for n in names},
        levels_db=dict.fromkeys(names, 0.0),
        polarity=dict.fromkeys(names, 1),
        tails_db_per_octave=dict.fromkeys(names),
        notes=tuple(notes),
    )


def check_shared_clock(
    responses: Mapping[str, MeasuredCurve], *, largest_path_m: float = 0.5
) -> Timing:
    """Use the files' phases as they stand and check that geometry allows them.

    Parameters
    ----------
    responses : mapping of str to MeasuredCurve
        One response per driver, measured with a common time reference.
    largest_path_m : float
        Largest difference of path between any two drivers that the cabinet allows, in m.

    Returns
    -------
    Timing
        Method "shared clock"; `notes` warns where excess delays differ by more than allowed.
    """
    names = list(responses)
    notes: list[str] = []
    silent = [name for name in names if not responses[name].has_phase]
    if silent:
        raise InputError(
            "a shared clock needs measured phase",
            file=responses[silent[0]].source,
            remedy="export the phase too, or state that there is no common clock",
        )
    delays = {name: find_excess_delay(responses[name]).delay_s for name in names}
    for name in names[1:]:
        path = (delays[name] - delays[names[0]]) * SOUND_SPEED_M_S
        text = f"excess delay of {name} against {names[0]}: {path * 1e3:+z.0f} mm of path"
        if abs(path) > largest_path_m:
            text += (
                f", more than the {largest_path_m * 1e3:.0f} mm the cabinet allows: these files "
                "hardly share a clock"
            )
        notes.append(text)
    return Timing(
        method="shared clock",
        delays_s=dict.fromkeys(names, 0.0),
        levels_db=dict.fromkeys(names, 0.0),
        polarity=dict.fromkeys(names, 1),
        notes=tuple(notes),
    )


def _common_band(
    responses: Mapping[str, MeasuredCurve], together: MeasuredCurve
) -> tuple[float, float]:
    """Default band: an octave above the highest start, up to 12 kHz or the lowest end."""
    ranges = [r.range_hz for r in (*responses.values(), together)]
    low = 2.0 * max(r[0] for r in ranges)
    high = min(12e3, min(r[1] for r in ranges))
    return low, high


def _checked_band(
    responses: Mapping[str, MeasuredCurve], together: MeasuredCurve, band_hz: tuple[float, float]
) -> tuple[float, float]:
    """Narrow the band to what all files cover and make sure enough is left."""
    ranges = [r.range_hz for r in (*responses.values(), together)]
    low = max(band_hz[0], *(r[0] for r in ranges))
    high = min(band_hz[1], *(r[1] for r in ranges))
    if not high > low * 2.0**1.5:
        raise InputError(
            "timing needs 1.5 octaves that all files share",
            file=together.source,
            value=f"{say_hz(low)} to {say_hz(high)}",
            remedy="export the files over a wider range",
        )
    return float(low), float(high)
