"""What looks wrong between drivers: levels, swapped impedances, polarity, timing."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from optimizer.measure.curves.excess import find_excess_delay
from optimizer.measure.readings import Folder
from optimizer.measure.survey.hygiene import LEVEL_STEP_DB, Finding
from optimizer.measure.survey.impedance import ImpedanceSurvey
from optimizer.measure.survey.shape import Shape
from optimizer.measure.timing.timing import Timing

Figures = Mapping[str, tuple[Shape, ImpedanceSurvey | None]]


def inspect_set(folder: Folder, figures: Figures, timing: Timing | None) -> list[Finding]:
    """Look at the drivers against each other.

    Parameters
    ----------
    folder : Folder
        The files.
    figures : mapping of str to (Shape, ImpedanceSurvey or None)
        By driver, from the lowest up.
    timing : Timing or None
        Found for them.

    Returns
    -------
    list of Finding
    """
    findings: list[Finding] = []
    names = list(figures)
    for low, high in pairwise(names):
        findings += _inspect_swap(folder, figures, low, high)
        step = figures[high][0].level_db - figures[low][0].level_db
        if abs(step) > 12.0:
            findings.append(
                Finding(
                    severity="warning",
                    where=high,
                    what=f"lies {step:+.0f} dB from {low}: probably measured at another level "
                    "or distance",
                    remedy="measure all drivers at one voltage and distance",
                )
            )
    findings += _inspect_polarity(folder, names, timing)
    if timing is not None:
        findings += _inspect_timing(folder, timing)
    return findings


def _inspect_polarity(folder: Folder, names: list[str], timing: Timing | None) -> list[Finding]:
    """Find a driver measured with the opposite polarity of the others, from phase alone."""
    if timing is not None and timing.residual_db is not None:
        return []  # a measurement of all drivers together knows better
    signs = {}
    for name in names:
        response = folder.drivers[name].on_axis
        if response is None or not response.has_phase:
            continue
        excess = find_excess_delay(response)
        if excess.remainder_rad < 0.3:
            signs[name] = excess.polarity
    if len(set(signs.values())) < 2:
        return []
    turned = [name for name, sign in signs.items() if sign < 0]
    return [
        Finding(
            severity="warning",
            where=", ".join(turned),
            what="has the opposite polarity of the other drivers in its phase",
            remedy="check how it was connected when it was measured",
        )
    ]


def _inspect_swap(folder: Folder, figures: Figures, low: str, high: str) -> list[Finding]:
    below, above = figures[low][1], figures[high][1]
    if below is None or above is None:
        return []
    if below.resonance_hz is None or above.resonance_hz is None:
        return []
    if below.resonance_hz <= 1.5 * above.resonance_hz:
        return []
    file = folder.drivers[low].impedance
    return [
        Finding(
            severity="error",
            where=file.path if file is not None else low,
            what=f"resonates at {below.resonance_hz:.0f} Hz, above that of {high} "
            f"({above.resonance_hz:.0f} Hz): the two impedances seem swapped",
            remedy="exchange the file names, or say which is which",
        )
    ]


def _inspect_timing(folder: Folder, timing: Timing) -> list[Finding]:
    where = folder.together.path if folder.together is not None else "timing"
    if timing.refused:
        return [
            Finding(
                severity="warning",
                where=where,
                what=f"does not determine the timing: {timing.refused}",
                remedy="measure all drivers together again, microphone unmoved",
            )
        ]
    if timing.residual_db is None:
        return [Finding(severity="warning", where=where, what=timing.notes[0])]
    findings = []
    levels = np.array(list(timing.levels_db.values()))
    names = list(timing.levels_db)
    common = float(levels.mean())
    if abs(common) > 2.0:
        share = 10.0 ** (common / 20.0)
        findings.append(
            Finding(
                severity="warning",
                where=where,
                what=f"lies {common:+.1f} dB from the sum of the single drivers: as if measured "
                f"at {share:.2f} times their voltage",
                remedy="measure everything at one voltage; the shape is used, not the level",
            )
        )
    if np.ptp(levels) > LEVEL_STEP_DB:
        low, high = names[int(np.argmin(levels))], names[int(np.argmax(levels))]
        findings.append(
            Finding(
                severity="warning",
                where=where,
                what=f"fits only if {low} is lowered by {np.ptp(levels):.1f} dB against {high}",
                remedy="check that the single drivers were measured at one voltage and distance",
            )
        )
    turned = [name for name, sign in timing.polarity.items() if sign < 0]
    if turned:
        findings.append(
            Finding(
                severity="note",
                where=where,
                what=f"shows {', '.join(turned)} with reversed polarity against "
                f"{next(iter(timing.polarity))}",
                remedy="check how they were connected; the polarity found is used",
            )
        )
    return findings
