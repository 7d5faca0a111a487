"""What measured drivers allow and what to avoid, from their files alone."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.nearfield import Join, Splice, meant_diameter_m, splice_fields
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.readings import DriverFiles, FileReading, Folder
from optimizer.measure.survey.beaming import beaming_of_piston, find_beaming
from optimizer.measure.survey.exchanged import inspect_exchanges
from optimizer.measure.survey.hints import PeakHint, hint_peak
from optimizer.measure.survey.hygiene import Finding, inspect_driver, inspect_reading
from optimizer.measure.survey.hygiene_set import inspect_set
from optimizer.measure.survey.impedance import ImpedanceSurvey, survey_impedance
from optimizer.measure.survey.nouns import DriverSurvey, Survey
from optimizer.measure.survey.pairs import survey_pair
from optimizer.measure.survey.shape import Shape, read_shape
from optimizer.measure.timing.timing import Timing, assume_timing, find_timing
from optimizer.text.units import say_hz

SAFE_RATIO = 2.0
"""Lowest crossover over resonance: an octave; common practice, no source."""
HINT_DB = 3.0


def survey_folder(
    folder: Folder,
    *,
    diaphragms_m: Mapping[str, float] | None = None,
    depths_m: Mapping[str, float] | None = None,
    joins: Mapping[str, Join] | None = None,
) -> Survey:
    """Survey the drivers of a folder that was read.

    Parameters
    ----------
    folder : Folder
        What was recognised.
    diaphragms_m, depths_m : mapping of str to float, optional
        Effective diameters and acoustic depths of drivers, where known.
    joins : mapping of str to Join, optional
        What is known for joining near fields; one of which nothing is known is not joined.

    Returns
    -------
    Survey
    """
    diameters = dict(diaphragms_m or {})
    drivers = []
    findings: list[Finding] = []
    for files in folder.drivers.values():
        response = files.on_axis
        if response is None:
            findings.append(
                Finding(
                    "warning",
                    files.name,
                    "has an impedance but no response: it is left out",
                    "add its response, or say which file it is",
                )
            )
            continue
        splice, problems = _join_files(files, (joins or {}).get(files.name))
        findings += problems
        surveyed = survey_driver(files, diaphragm_m=diameters.get(files.name), splice=splice)
        drivers.append(surveyed)
        findings += inspect_driver(files, surveyed.shape, surveyed.impedance)
    timing = _time_drivers(folder, [d.name for d in drivers], depths_m)
    findings += inspect_reading(folder)
    findings += inspect_exchanges(folder, {d.name: d.shape for d in drivers}, timing)
    findings += inspect_set(folder, {d.name: (d.shape, d.impedance) for d in drivers}, timing)
    pairs = [survey_pair(low, high) for low, high in pairwise(drivers)]
    rank = {"error": 0, "warning": 1, "note": 2}
    return Survey(
        folder=folder,
        drivers=tuple(drivers),
        pairs=tuple(pairs),
        timing=timing,
        findings=tuple(sorted(findings, key=lambda f: rank[f.severity])),
    )


def _join_files(files: DriverFiles, join: Join | None) -> tuple[Splice | None, list[Finding]]:
    """Join near and far field of a driver where both are there and it is known how.

    Parameters
    ----------
    files : DriverFiles
        Of one driver, with a response.
    join : Join or None
        What is known of box, driver and port.

    Returns
    -------
    Splice or None
        None when there is nothing to join, or it cannot be.
    list of Finding
        Why it cannot be, and what is left out.
    """
    near, far = files.near_field, next(iter(files.responses.values()))
    findings = []
    if files.port is not None and (join is None or join.port_share is None):
        findings.append(
            Finding(
                "note",
                files.port.path,
                "is the near field of a port and is not added: that needs the diameters of the port "
                "and of the cone",
                "state the diameter of the port",
                by_stating=(
                    Subject("driver", files.name, "port"),
                    Subject("driver", files.name, "diaphragm"),
                ),
            )
        )
    if near is None or near.curve is None or far.curve is None:
        return None, findings
    if join is None or join.cabinet is None:
        what = (
            "is a near field and is not used: joining it needs the size of the front, without which "
            "the bass may be up to 6 dB too loud"
            if join is None
            else "is a near field, joined without a step, as the size of the front is not stated: the "
            "bass may be up to 6 dB too loud"
        )
        front = Subject("driver", files.name, "front")
        findings.append(
            Finding("note", near.path, what, "state the size of the front", by_stating=(front,))
        )
    if join is None:
        return None, findings
    gate = 1.0 / far.gate_s if far.gate_s is not None else None
    port = None if files.port is None else files.port.curve
    try:
        splice = splice_fields(near.curve, far.curve, join, port=port, far_from_hz=gate)
    except InputError as error:
        findings.append(Finding("warning", near.path, str(error)))
        return None, findings
    if splice.expected_db is None:
        meant = 1000.0 * meant_diameter_m(splice.shift_db, join.far_m)
        findings.append(
            Finding(
                "note",
                near.path,
                f"was moved by {splice.shift_db:+z.1f} dB to meet the far field, which with equal gain "
                f"would mean a cone of {meant:.0f} mm heard from {join.far_m:g} m",
                "state the diameter of the cone",
                by_stating=(Subject("driver", files.name, "diaphragm"),),
            )
        )
    off = splice.misses_db
    if off is not None and splice.expected_db is not None:
        findings.append(
            Finding(
                "warning",
                near.path,
                f"was moved by {splice.shift_db:+z.1f} dB to meet the far field, where a cone of this "
                f"size asks for {splice.expected_db:+z.1f} dB at {splice.join.far_m:g} m",
                "measure both with one gain, or check diameter and distance; where the gain was "
                "changed on purpose all is well",
            )
        )
    return splice, findings


def survey_driver(
    files: DriverFiles, *, diaphragm_m: float | None = None, splice: Splice | None = None
) -> DriverSurvey:
    """Read every figure of one driver.

    Parameters
    ----------
    files : DriverFiles
        With at least one response.
    diaphragm_m : float, optional
        Effective diameter.
    splice : Splice, optional
        Near and far field joined; read in place of the response on axis.

    Returns
    -------
    DriverSurvey

    Raises
    ------
    InputError
        The driver has no response.
    """
    response = splice.response if splice is not None else files.on_axis
    if response is None:
        raise InputError("a driver needs a response", value=files.name)
    shape = read_shape(response)
    electrical = None
    if files.impedance is not None and files.impedance.curve is not None:
        electrical = survey_impedance(files.impedance.curve)
    reading = next(iter(files.responses.values()))
    valid = response.range_hz[0]
    if reading.gate_s is not None and splice is None:
        valid = max(valid, 1.0 / reading.gate_s)
    usable = (max(shape.usable_hz[0], valid), shape.usable_hz[1])
    beaming = find_beaming({d: f.curve for d, f in files.responses.items() if f.curve is not None})
    if beaming is None and diaphragm_m:
        beaming = beaming_of_piston(diaphragm_m)
    lowest, rule = _lowest_safe(usable, electrical)
    return DriverSurvey(
        name=files.name,
        files=_name_files(files),
        measured_hz=response.range_hz,
        valid_from_hz=valid,
        usable_hz=usable,
        sensitivity_db=_sensitivity(response, usable),
        shape=shape,
        peak_hints=_hint_peaks(shape, files, electrical),
        break_up=shape.break_up,
        impedance=electrical,
        nominal_ohm=electrical.minimum_ohm if electrical else None,
        beaming=beaming,
        lowest_hz=lowest,
        lowest_rule=rule,
        directions=len(files.responses),
        response=response,
        splice=splice,
    )


def _lowest_safe(
    usable: tuple[float, float], electrical: ImpedanceSurvey | None
) -> tuple[float, str]:
    """Lowest crossover a driver stands, and the rule behind it."""
    if electrical is None or electrical.resonance_hz is None:
        return (
            usable[0] * float(np.sqrt(2.0)),
            f"half an octave above {say_hz(usable[0])}, where it is 6 dB down (resonance unknown)",
        )
    by_resonance = SAFE_RATIO * electrical.resonance_hz
    if by_resonance >= usable[0]:
        return by_resonance, (
            f"{SAFE_RATIO:g} times its resonance of {say_hz(electrical.resonance_hz)}: excursion "
            "rises fourfold for each octave down"
        )
    return usable[0], f"it is 6 dB down at {say_hz(usable[0])}"


def _sensitivity(response: MeasuredCurve, usable: tuple[float, float]) -> float:
    """Energy mean over a band that suits the driver."""
    low, high = max(usable[0], 300.0), min(usable[1], 3000.0)
    if high < 2.0 * low:
        middle = float(np.sqrt(usable[0] * usable[1]))
        low, high = max(usable[0], middle / 2.0), min(usable[1], middle * 2.0)
    thin = thin_response(response)
    grid = np.geomspace(low, high, 97)
    level = interpolate_log(thin.frequency_hz, thin.level_db, grid)
    return float(10.0 * np.log10(np.mean(10.0 ** (level / 10.0))))


def _hint_peaks(
    shape: Shape, files: DriverFiles, electrical: ImpedanceSurvey | None
) -> tuple[PeakHint, ...]:
    hints = []
    for peak in shape.peaks:
        if peak.height_db < HINT_DB or peak.level_db < -20.0:
            continue
        load = None
        if files.impedance is not None and files.impedance.curve is not None:
            z = thin_response(files.impedance.curve)
            low, high = z.range_hz
            if low <= peak.frequency_hz <= high:
                load = float(
                    interpolate_log(z.frequency_hz, np.abs(z.value), np.array([peak.frequency_hz]))[
                        0
                    ]
                )
        if load is None:
            load = electrical.minimum_ohm if electrical is not None else 8.0
        hints.append(hint_peak(peak, load))
    return tuple(hints)


def _name_files(files: DriverFiles) -> dict[str, str]:
    named = {f.path: f"response {d}" for d, f in files.responses.items()}
    others: dict[str, FileReading | None] = {
        "impedance": files.impedance,
        "near field": files.near_field,
        "port": files.port,
    }
    named |= {f.path: what for what, f in others.items() if f is not None}
    return named


def _time_drivers(
    folder: Folder, names: list[str], depths_m: Mapping[str, float] | None
) -> Timing | None:
    """Find the timing from all drivers playing together, or state the next best."""
    if len(names) < 2:
        return None
    responses = {}
    for name in names:
        response = folder.drivers[name].on_axis
        assert response is not None
        responses[name] = response
    together = folder.together.curve if folder.together is not None else None
    if together is None:
        return assume_timing(responses, depths_m)
    try:
        return find_timing(responses, together)
    except InputError as error:
        assumed = assume_timing(responses, depths_m)
        return Timing(
            method="not determined",
            delays_s=assumed.delays_s,
            levels_db=assumed.levels_db,
            polarity=assumed.polarity,
            tails_db_per_octave=assumed.tails_db_per_octave,
            notes=assumed.notes,
            refused=str(error),
        )
