"""Whether the numbers of a table can be what its columns are taken for.

Only what nobody stated is judged: a unit in a heading or said by hand stands, unless no loudspeaker
could have been measured so. What is clear is corrected with a doubt that names the other reading;
what is not is refused with the words that would settle it.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from optimizer.arrays import Real
from optimizer.errors import InputError, Subject
from optimizer.measure.curve import Doubt, MeasuredCurve, Quantity
from optimizer.measure.curves.phase import minimum_phase
from optimizer.measure.curves.thin import thin_response
from optimizer.measure.files.columns import CurveColumns, FileColumn

FEWEST_JUDGED = 16
"""Rows below which numbers show no pattern."""
LOWEST_TOP_HZ = 110.0
"""No far field of a loudspeaker ends below."""
HIGHEST_START_KHZ = 5.0
"""None in kHz begins above, so a file from 20 to 90 is a port, in Hz."""
HIGHEST_FREQUENCY_HZ = 110e3
"""None goes beyond: half of 192 kHz and a little."""
HIGHEST_RATIO = 10.0
"""Levels that are all above 0 and stay below this may be ratios or pascals (10 Pa: 114 dB)."""
WIDEST_DB = 180.0
"""A level that spans more runs like a phase."""
OF_PHASE = 0.2
"""A phase in degrees follows the minimum phase of its level by 1, all but its delay; 13 measured
curves of the check data gave 0.56 to 3.9, but for one of two drivers together, which came out
negative; below 0.07 in absolute value when their third column was radians, coherence or group delay
instead. Looked at while this was written, so other curves may do worse."""
MOST_DB_RATIO = 6.0
"""Small numbers that span more are rather ratios than levels."""
FIT_RAD = 0.02
"""A phase this near to the minimum phase of its modulus leaves no doubt."""
LOWEST_LEVEL_DB = 50.0
"""Levels above 0 that stay below this are no sound pressure of a driver at 1 m."""
MOST_DB_OHM = 80.0
"""10 kilohm in decibels of an ohm."""


_WEIGHTED = re.compile(r"\bdb\s*\(?[ac]\)?(?![a-z])", re.IGNORECASE)


def judge_columns(
    rows: Real, curve: CurveColumns, quantity: Quantity, *, unknown: str = ""
) -> tuple[CurveColumns, list[Doubt]]:
    """Judge whether numbers can be what they are taken for.

    Parameters
    ----------
    rows : ndarray, shape (F, 2 or 3)
        Numbers as they stand in the file, frequencies rising.
    curve : CurveColumns
        What they are taken for.
    quantity : {"pressure", "impedance"}
        What the curve is made of.
    unknown : str
        What of its headings is not known, as a sentence.

    Returns
    -------
    CurveColumns
        With units where the numbers tell them.
    list of Doubt
        What may be wrong with that.

    Raises
    ------
    InputError
        The numbers cannot be that, or could as well be something else; it names the words that
        settle it.
    """
    doubts: list[Doubt] = []
    if len(rows) < FEWEST_JUDGED:
        return curve, doubts
    curve = _judge_frequency(rows, curve, quantity, doubts)
    if curve.cartesian:
        _judge_parts(rows, curve, quantity, doubts)
    else:
        if quantity == "pressure":
            _judge_level(rows, curve, doubts)
        else:
            _judge_load(rows, curve, doubts)
        curve = _judge_phase(rows, curve, quantity, doubts)
    if unknown and not doubts:
        doubts.append(Doubt(unknown, curve.describe(quantity), serious=False))
    return curve, doubts


def _with_unit(curve: CurveColumns, place: int, unit: str) -> CurveColumns:
    columns = list(curve.columns)
    columns[place] = replace(columns[place], unit=unit)
    return replace(curve, columns=tuple(columns))


def _refuse(
    rule: str, value: str, otherwise: CurveColumns, quantity: Quantity, *more: CurveColumns
) -> InputError:
    return InputError(
        rule,
        value=value,
        remedy="say what its columns are",
        by_stating=tuple(
            Subject("file", one.describe(quantity), "columns") for one in (otherwise, *more)
        ),
    )


def _judge_frequency(
    rows: Real, curve: CurveColumns, quantity: Quantity, doubts: list[Doubt]
) -> CurveColumns:
    low, top = float(rows[0, 0]), float(rows[-1, 0])
    unit = curve.columns[0].unit
    span = f"{low:.4g} to {top:.4g}"
    kilo = _with_unit(curve, 0, "kHz")
    if unit == "kHz" and top > HIGHEST_FREQUENCY_HZ / 1e3:
        other = _with_unit(curve, 0, "Hz")
        raise _refuse("frequencies in kHz end at 100 or so", span, other, quantity)
    if unit not in ("", "Hz"):
        return curve
    if top > HIGHEST_FREQUENCY_HZ:
        other = _with_unit(curve, 0, "rad/s")
        raise _refuse("frequencies in Hz end at 100000 or so", span, other, quantity)
    if top >= LOWEST_TOP_HZ or low >= HIGHEST_START_KHZ:
        return curve
    if unit == "Hz" or top < 6.0 or low > top / 8.0:
        raise _refuse("frequencies in Hz reach beyond 110 Hz", span, kilo, quantity)
    hertz = _with_unit(curve, 0, "Hz").describe(quantity)
    doubts.append(Doubt(f"has frequencies from {span}: taken as kHz", hertz, serious=False))
    return kilo


def _judge_level(rows: Real, curve: CurveColumns, doubts: list[Doubt]) -> None:
    """Refuse what may be a ratio or pascals, what runs like a phase, and parts of a number."""
    unit, level = curve.columns[1].unit, rows[:, 1]
    span = f"{level.min():.4g} to {level.max():.4g}"
    if _WEIGHTED.search(curve.columns[1].text):
        what = f"is weighted ({curve.columns[1].text}): its level is not that of the driver"
        doubts.append(Doubt(what, curve.describe("pressure")))
    if unit in ("", "dB") and np.ptp(level) > WIDEST_DB:
        raise InputError(
            "a level runs over less than 180 dB; this may be a phase",
            value=span,
            remedy="export the level too",
        )
    if unit:
        return
    low = level.min() > 0.0 and level.max() < LOWEST_LEVEL_DB
    wide = level.max() < 2.0 * HIGHEST_RATIO and level.max() > MOST_DB_RATIO * level.min()
    if low and (level.max() < HIGHEST_RATIO or wide):
        ratio = _with_unit(curve, 1, "ratio")
        raise _refuse(
            "levels that are all above 0 and small may be pascals or ratios", span,
            _with_unit(curve, 1, "Pa"), "pressure", ratio,
        )  # fmt: skip
    if low:
        other = _with_unit(curve, 1, "dB").describe("impedance")
        what = f"has values from {span}, low for a sound pressure: taken as dB SPL"
        doubts.append(Doubt(what, other, serious=False))
    third = rows[:, 2] if rows.shape[1] > 2 else None
    small = np.abs(level).max() < 5.0 and third is not None and np.abs(third).max() < 5.0
    if small and level.min() < 0.0 < level.max():
        raise _refuse(
            "levels around 0 dB with a phase around 0 may be real and imaginary parts", span,
            _as_parts(curve), "pressure",
        )  # fmt: skip


def _judge_parts(rows: Real, curve: CurveColumns, quantity: Quantity, doubts: list[Doubt]) -> None:
    """Doubt parts of a pressure that do not say their unit, and are no level re 20 µPa."""
    if quantity == "impedance" or curve.columns[1].unit:
        return
    level = 20.0 * np.log10(np.median(np.abs(rows[:, 1] + 1j * rows[:, 2])) + 1e-12)
    if level < LOWEST_LEVEL_DB:
        other = _with_unit(_with_unit(curve, 1, "Pa"), 2, "Pa").describe(quantity)
        what = "does not say the unit of its parts: taken relative to 1, not as pascals"
        doubts.append(Doubt(what, other, serious=False))


def _as_parts(curve: CurveColumns) -> CurveColumns:
    parts = (FileColumn(meaning="real"), FileColumn(meaning="imaginary"))
    return replace(curve, columns=(curve.columns[0], *parts))


def _judge_load(rows: Real, curve: CurveColumns, doubts: list[Doubt]) -> None:
    """Refuse kilohms, and a load whose phase is that of another reading; doubt a close call."""
    unit, ohm = curve.columns[1].unit, rows[:, 1]
    stated = bool(unit) and curve.stated
    if not stated and ohm.max() < 1.0:
        raise _refuse(
            "a loudspeaker has more than 1 ohm", f"{ohm.min():.3g} to {ohm.max():.3g}",
            _with_unit(curve, 1, "kohm"), "impedance",
        )  # fmt: skip
    if rows.shape[1] < 3 or unit == "dB" or ohm.min() <= 0.0:
        return
    others = {} if curve.columns[2].unit else {"resistance and reactance": _as_parts(curve)}
    if not stated and ohm.max() < MOST_DB_OHM:
        others["decibels"] = _with_unit(curve, 1, "dB")
    own = _miss(rows, curve)
    misses = {name: _miss(rows, other) for name, other in others.items()}
    best = min(misses, key=lambda name: misses[name], default=None)
    if best is None or own < FIT_RAD:
        return
    if misses[best] < 0.6 * own:
        raise _refuse(
            f"modulus and phase of a load go together; this looks like {best}",
            f"{own:.2f} rad off, {misses[best]:.2f} as {best}",
            others[best], "impedance",
        )  # fmt: skip
    if misses[best] < 1.3 * own:
        what = f"does not say its units, and could as well be {best}: taken as ohm"
        doubts.append(Doubt(what, others[best].describe("impedance"), serious=False))


def _values(rows: Real, curve: CurveColumns) -> MeasuredCurve:
    """Give the load under one reading of its three columns."""
    if curve.cartesian:
        value = rows[:, 1] + 1j * rows[:, 2]
    else:
        modulus = 10.0 ** (rows[:, 1] / 20.0) if curve.columns[1].unit == "dB" else rows[:, 1]
        limit = 2.0 if _is_small(rows[:, 2]) else 90.0
        angle = rows[:, 2] if limit < 90.0 else np.deg2rad(rows[:, 2])
        value = modulus * np.exp(1j * angle)
    return MeasuredCurve(
        frequency_hz=rows[:, 0], value=np.asarray(value + 1e-12), quantity="impedance"
    )


def _is_small(phase: Real) -> bool:
    return bool(np.abs(phase).max() <= np.pi * 1.001)


def _miss(rows: Real, curve: CurveColumns) -> float:
    """Find how far a phase lies from the minimum phase of its modulus, rms in rad."""
    _, first = np.unique(rows[:, 0], return_index=True)
    thin = thin_response(_values(rows[first], curve))
    f = thin.frequency_hz
    inside = (f > 1.5 * f[0]) & (f < f[-1] / 1.5)
    if np.count_nonzero(inside) < FEWEST_JUDGED:
        return 0.0
    least = minimum_phase(f, thin.level_db)
    return float(np.sqrt(np.mean(np.angle(thin.value * np.exp(-1j * least))[inside] ** 2)))


def _judge_phase(
    rows: Real, curve: CurveColumns, quantity: Quantity, doubts: list[Doubt]
) -> CurveColumns:
    """Tell radians from degrees, and a phase from something else, where nobody said it."""
    if rows.shape[1] < 3 or curve.columns[2].meaning != "phase":
        return curve
    phase = rows[:, 2]
    if not phase.any():
        alone = replace(curve, at=curve.at[:2], columns=curve.columns[:2])
        what = "has a phase of 0 throughout: probably none was exported"
        doubts.append(Doubt(what, alone.describe(quantity), serious=False))
        return curve
    if curve.columns[2].unit == "deg" and _wraps_at_200(phase):
        other = _with_unit(curve, 2, "gon")
        value = f"{phase.min():.4g} to {phase.max():.4g}"
        raise _refuse("a phase that wraps at 200 is not in degrees", value, other, quantity)
    if curve.columns[2].unit:
        return curve
    degrees, radians = _with_unit(curve, 2, "deg"), _with_unit(curve, 2, "rad")
    span = f"{phase.min():.4g} to {phase.max():.4g}"
    named = curve.columns[2].text
    if not named and phase.min() >= 0.0 and phase.max() <= 1.0 + 1e-9:
        alone = replace(curve, at=curve.at[:2], columns=curve.columns[:2])
        raise _refuse("a third column within 0 and 1 may be a coherence", span, alone, quantity)
    if _is_small(phase):
        if np.abs(phase).max() < 0.3:
            raise _refuse("a phase that hardly turns must say its unit", span, radians, quantity)
        what = f"has a phase from {span}, never beyond pi: taken as radians"
        doubts.append(Doubt(what, degrees.describe(quantity), serious=False))
        return radians
    if quantity == "pressure":
        follows = _follow(rows, curve)
        if follows is not None and abs(follows) < OF_PHASE:
            raise _refuse(
                "a third column that does not follow its level may be radians, or no phase", span,
                radians, quantity,
            )  # fmt: skip
    return curve


def _wraps_at_200(phase: Real) -> bool:
    """Whether a phase jumps by a turn of 400, as in gon, which some languages call grad."""
    jumps = np.abs(np.diff(phase))
    return bool(181.0 < np.abs(phase).max() <= 200.5 and jumps.max() > 350.0)


def _follow(rows: Real, curve: CurveColumns) -> float | None:
    """Tell by how much a phase in degrees follows the minimum phase of its level.

    None where that cannot be told: too few points, or a level that hardly changes.
    """
    factor = 1e3 if curve.columns[0].unit == "kHz" else 1.0
    _, first = np.unique(rows[:, 0], return_index=True)
    rows = rows[first]
    f, level = rows[:, 0] * factor, rows[:, 1]
    if curve.columns[1].unit not in ("", "dB"):
        level = 20.0 * np.log10(np.maximum(level, 1e-12))
    low, high = max(1.3 * f[0], 150.0), min(f[-1] / 1.3, 15000.0)
    if len(f) < 64 or high < 8.0 * low:
        return None
    pressure = np.asarray(10.0 ** (level / 20.0), dtype=np.complex128)
    thin = thin_response(MeasuredCurve(frequency_hz=f, value=pressure, quantity="pressure"))
    grid = np.geomspace(low, high, 200)
    least = minimum_phase(thin.frequency_hz, thin.level_db, at_hz=grid)
    if np.ptp(least) < 0.7:
        return None
    phase = np.interp(grid, f, np.unwrap(np.deg2rad(rows[:, 2])))
    heard = np.interp(grid, f, level)
    weight = np.minimum(10.0 ** ((heard - np.median(heard)) / 20.0), 1.0)
    terms = np.stack([np.ones_like(grid), grid, least], axis=1) * weight[:, None]
    fitted, *_ = np.linalg.lstsq(terms, phase * weight)
    return float(fitted[2])
