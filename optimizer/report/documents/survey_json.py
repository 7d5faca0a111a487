"""A survey as plain data for other programs."""

from __future__ import annotations

import math
from typing import Any

from optimizer.measure.survey.impedance import ImpedanceSurvey
from optimizer.measure.survey.nouns import DriverSurvey, PairSurvey, Survey
from optimizer.measure.survey.shape import Rolloff
from optimizer.measure.timing.timing import Timing


def survey_to_json(survey: Survey) -> dict[str, Any]:
    """Turn a survey into plain data.

    Parameters
    ----------
    survey : Survey
        What was found.

    Returns
    -------
    dict
        Keys "drivers", "timing", "pairs", "files", "findings"; SI units; figures that the data
        do not determine are left out; no NaN or infinity.
    """
    data: dict[str, Any] = {
        "drivers": {driver.name: _driver(driver) for driver in survey.drivers},
        "pairs": [_pair(pair) for pair in survey.pairs],
        "files": [
            {
                "file": reading.path,
                "role": reading.role,
                "driver": reading.driver or None,
                "direction": str(reading.direction) if reading.direction is not None else None,
                "layout": reading.curve.layout if reading.curve is not None else None,
                "columns": (reading.curve.columns or None) if reading.curve is not None else None,
                "because": list(reading.because),
            }
            for reading in survey.folder.files
        ],
        "findings": [
            {"severity": f.severity, "where": f.where, "what": f.what, "remedy": f.remedy}
            for f in survey.findings
        ],
    }
    if survey.timing is not None:
        data["timing"] = timing_to_json(survey.timing)
    return dict(_without_gaps(data))


def timing_to_json(timing: Timing) -> dict[str, Any]:
    """Turn a timing into plain data.

    Parameters
    ----------
    timing : Timing
        Relative delays, levels and polarities.

    Returns
    -------
    dict
        Delays in s, levels in dB; "refused" holds the reason where there is one.
    """
    data = {
        "method": timing.method,
        "delays_s": timing.delays_s,
        "levels_db": timing.levels_db,
        "polarity": timing.polarity,
        "residual_db": timing.residual_db,
        "interval_s": {name: list(pair) for name, pair in timing.interval_s.items()},
        "band_hz": list(timing.band_hz) if timing.band_hz is not None else None,
        "refused": timing.refused or None,
        "notes": list(timing.notes),
    }
    return dict(_without_gaps(data))


def _driver(driver: DriverSurvey) -> dict[str, Any]:
    shape = driver.shape
    data: dict[str, Any] = {
        "files": driver.files,
        "measured_hz": list(driver.measured_hz),
        "valid_from_hz": driver.valid_from_hz,
        "usable_hz": list(driver.usable_hz),
        "sensitivity_db": driver.sensitivity_db,
        "roll_off_low": _rolloff(shape.low),
        "roll_off_high": _rolloff(shape.high),
        "peaks": [
            {
                "hz": p.frequency_hz,
                "db": p.height_db,
                "q": p.q,
                "level_db": p.level_db,
            }
            for p in shape.peaks
        ],
        "notches": [
            {
                "hz": hint.peak.frequency_hz,
                "load_ohm": hint.load_ohm,
                **{
                    one.form: {
                        "l": one.inductance_h,
                        "c": one.capacitance_f,
                        "r": one.resistance_ohm,
                    }
                    for one in (hint.trap, hint.notch)
                },
            }
            for hint in driver.peak_hints
        ],
        "break_up_hz": driver.break_up.frequency_hz if driver.break_up else None,
        "lowest_crossover_hz": driver.lowest_hz,
        "lowest_crossover_rule": driver.lowest_rule,
        "directions": driver.directions,
    }
    if driver.beaming is not None:
        data["beaming"] = {
            "hz": driver.beaming.frequency_hz,
            "degrees": driver.beaming.angle_deg,
            "source": driver.beaming.source,
        }
    if driver.impedance is not None:
        data |= _impedance(driver.impedance)
    if driver.splice is not None:
        hz, half = driver.splice.least_known or (None, None)
        data["splice"] = {
            "hz": driver.splice.at_hz,
            "shift_db": driver.splice.shift_db,
            "mismatch_db": driver.splice.mismatch_db,
            "expected_shift_db": driver.splice.expected_db,
            "doubt_db": half,
            "doubt_hz": hz,
            "notes": list(driver.splice.notes),
        }
    return data


def _impedance(z: ImpedanceSurvey) -> dict[str, Any]:
    return {
        "resonance_hz": z.resonance_hz,
        "qms": z.qms,
        "qes": z.qes,
        "qts": z.qts,
        "re_ohm": z.re_ohm,
        "re_range_ohm": list(z.re_range_ohm) if z.re_range_ohm is not None else None,
        "box": z.box or None,
        "tuning_hz": z.tuning_hz,
        "impedance_min": {"ohm": z.minimum_ohm, "hz": z.minimum_hz},
        "impedance_peak_ohm": z.peak_ohm,
        "inductance_1k_h": z.inductance_1k_h,
        "inductance_10k_h": z.inductance_10k_h,
        "impedance_rise": z.rise,
        "equalisers": [
            {"r": e.r_ohm, "c": e.c_farad, "rule": e.rule, "flatness": e.flatness}
            for e in z.equalisers
        ],
        "impedance_notes": list(z.notes),
    }


def _rolloff(rolloff: Rolloff) -> dict[str, Any]:
    return {
        "order": rolloff.order,
        "db_per_octave": rolloff.slope_db_per_octave,
        "hz": rolloff.corner_hz,
        "reason": rolloff.reason or None,
    }


def _pair(pair: PairSurvey) -> dict[str, Any]:
    return {
        "lower": pair.lower,
        "upper": pair.upper,
        "overlap_hz": list(pair.overlap_hz) if pair.overlap_hz is not None else None,
        "crossover_hz": list(pair.crossover_hz),
        "centre_hz": pair.centre_hz,
        "clean": pair.clean,
        "reasons": list(pair.reasons),
        "low_pass_orders": list(pair.low_pass_orders),
        "high_pass_orders": list(pair.high_pass_orders),
        "slots": [
            {"driver": s.driver, "form": s.form, "reason": s.reason, "values": s.values}
            for s in pair.slots
        ],
    }


def _without_gaps(value: Any) -> Any:
    """Leave out what is None or not finite, at any depth."""
    if isinstance(value, dict):
        return {k: _without_gaps(v) for k, v in value.items() if not _is_gap(v)}
    if isinstance(value, (list, tuple)):
        return [_without_gaps(v) for v in value if not _is_gap(v)]
    return value


def _is_gap(value: Any) -> bool:
    return value is None or (isinstance(value, float) and not math.isfinite(value))
