"""What looks wrong between drivers: levels, swapped impedances, polarity, timing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np

from optimizer.measure.curves.excess import find_excess_delay
from optimizer.measure.files.names import rank_of
from optimizer.measure.readings import Folder
from optimizer.measure.survey.hygiene import LEVEL_STEP_DB, Finding
from optimizer.measure.survey.impedance import ImpedanceSurvey
from optimizer.measure.survey.shape import Shape
from optimizer.measure.timing.timing import Timing
from optimizer.text.units import say_hz

SWAPPED_IF_NAMED = 6.0
"""How far the lower of two drivers with plain names may resonate above the higher one."""

Figures = Mapping[str, tuple[Shape, ImpedanceSurvey | None]]


def inspect_set(folder: Folder, figures: Figures, timing: Timing | None) -> Iterator[Finding]:
    """Look at the drivers against each other.

    Parameters
    ----------
    folder : Folder
        The files.
    figures : mapping of str to (Shape, ImpedanceSurvey or None)
        By driver, from the lowest up.
    timing : Timing or None
        Found for them.

    Yields
    ------
    Finding
    """
    names = list(figures)
    for low, high in pairwise(names):
        yield from _inspect_swap(folder, figures, low, high)
        step = figures[high][0].level_db - figures[low][0].level_db
        if abs(step) > 12.0:
            yield Finding(
                "warning",
                high,
                f"lies {step:+z.0f} dB from {low}: probably measured at another level or distance",
                "measure all drivers at one voltage and distance",
            )
    yield from _inspect_polarity(folder, names, timing)
    if timing is not None:
        yield from _inspect_timing(folder, timing)


def _inspect_polarity(folder: Folder, names: list[str], timing: Timing | None) -> Iterator[Finding]:
    """Find a driver measured with the opposite polarity of the others, from phase alone."""
    if timing is not None and timing.residual_db is not None:
        return  # a measurement of all drivers together knows better
    signs = {}
    for name in names:
        response = folder.drivers[name].on_axis
        if response is None or not response.has_phase:
            continue
        excess = find_excess_delay(response)
        if excess.remainder_rad < 0.3:
            signs[name] = excess.polarity
    if len(set(signs.values())) < 2:
        return
    turned = [name for name, sign in signs.items() if sign < 0]
    yield Finding(
        "warning",
        ", ".join(turned),
        "has the opposite polarity of the other drivers in its phase",
        "check how it was connected when it was measured",
    )


def _inspect_swap(folder: Folder, figures: Figures, low: str, high: str) -> Iterator[Finding]:
    below, above = figures[low][1], figures[high][1]
    if below is None or above is None:
        return
    if below.resonance_hz is None or above.resonance_hz is None:
        return
    named = rank_of(low) is not None and rank_of(high) is not None
    # Names count for more than resonances: a midrange in its chamber may lie above a woofer.
    if below.resonance_hz <= (SWAPPED_IF_NAMED if named else 1.5) * above.resonance_hz:
        return
    file = folder.drivers[low].impedance
    yield Finding(
        "warning" if named else "error",
        file.path if file is not None else low,
        f"resonates at {say_hz(below.resonance_hz)}, above that of {high} "
        f"({say_hz(above.resonance_hz)}): the two impedances seem swapped",
        "exchange the file names, or say which is which",
    )


def _inspect_timing(folder: Folder, timing: Timing) -> Iterator[Finding]:
    where = folder.together.path if folder.together is not None else "timing"
    if timing.refused:
        yield Finding(
            "warning",
            where,
            f"does not determine the timing: {timing.refused}",
            "measure all drivers together again, microphone unmoved",
        )
        return
    if timing.residual_db is None:
        yield Finding("warning", where, timing.notes[0])
        return
    levels = np.array(list(timing.levels_db.values()))
    names = list(timing.levels_db)
    common = float(levels.mean())
    if abs(common) > 2.0:
        share = 10.0 ** (common / 20.0)
        yield Finding(
            "warning",
            where,
            f"lies {common:+z.1f} dB from the sum of the single drivers: as if measured "
            f"at {share:.2f} times their voltage",
            "measure everything at one voltage; the shape is used, not the level",
        )
    if np.ptp(levels) > LEVEL_STEP_DB:
        low, high = names[int(np.argmin(levels))], names[int(np.argmax(levels))]
        yield Finding(
            "warning",
            where,
            f"fits only if {low} is lowered by {np.ptp(levels):.1f} dB against {high}",
            "check that the single drivers were measured at one voltage and distance",
        )
    turned = [name for name, sign in timing.polarity.items() if sign < 0]
    if turned:
        yield Finding(
            "note",
            where,
            f"shows {', '.join(turned)} with reversed polarity against "
            f"{next(iter(timing.polarity))}",
            "check how they were connected; the polarity found is used",
        )
