"""Ladders for surveyed drivers: what may sit where, with ranges around handbook values."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np

from optimizer.errors import InputError
from optimizer.measure.survey.nouns import DriverSurvey, PairSurvey, SlotHint, Survey
from optimizer.measure.survey.pairs import survey_pair
from optimizer.network.expression.forms import form_of
from optimizer.network.handbook import (
    handbook_highpass,
    handbook_lowpass,
    handbook_series,
    handbook_two_and_a_half,
)
from optimizer.network.ladder import Form, Place
from optimizer.network.topology import Slot, ValueRange
from optimizer.parts import Kind
from optimizer.text.units import say_hz

LEEWAY = 2.0
"""A low-pass reaches this factor beyond the handbook values, towards larger parts: a driver is no
resistor, and a coil also levels the step of a front."""
UNSAFE_LEEWAY = 1.3
"""The same towards a high-pass lower than proposed, where a driver may be harmed."""
HIGHER_LEEWAY = 1.4
"""The same towards crossovers higher than proposed, where the lower driver beams or breaks up."""
COMPOUND_LEEWAY = 2.5
"""The same for traps, notches and equalisers around their starting values."""

BUILDABLE: dict[Kind, tuple[float, float]] = {
    "inductor": (0.03e-3, 20e-3),
    "capacitor": (0.47e-6, 470e-6),
    "resistor": (0.47, 68.0),
}
"""What can be bought without trouble (common practice, no source)."""
LARGEST_COMPOUND: dict[Kind, float] = {
    "inductor": 10e-3, "capacitor": 150e-6, "resistor": 47.0,
}  # fmt: skip
"""A trap or notch that starts above this costs more than it is worth (common practice)."""

ALIKE_OCTAVES = 0.6
"""Two drivers whose bands differ by less at both ends are taken for two of a kind."""

_COMPOUND_VALUES: dict[Form, tuple[str, ...]] = {
    "trap": ("inductance_h", "capacitance_f", "resistance_ohm"),
    "notch": ("inductance_h", "capacitance_f", "resistance_ohm"),
    "equaliser": ("resistance_ohm", "capacitance_f"),
    "pad": ("series_ohm", "shunt_ohm"),
    "bypassed pad": ("series_ohm", "capacitance_f", "shunt_ohm"),
    "contour": ("inductance_h", "resistance_ohm"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSlot:
    """A slot and the reason for it."""

    slot: Slot
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWay:
    """The ladder of one driver.

    Parameters
    ----------
    driver : DriverSurvey
        Whose it is.
    polarity : {"normal", "free"}
        Free for every way but those of the lowest drivers.
    slots : tuple of PlannedSlot
        Source first.
    """

    driver: DriverSurvey
    polarity: Literal["normal", "free"]
    slots: tuple[PlannedSlot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The ways of a loudspeaker and the crossovers between them.

    Parameters
    ----------
    ways : tuple of PlannedWay
        From the lowest to the highest.
    crossovers : tuple of PairSurvey
        One for each step from one kind of driver to the next.
    groups : tuple of tuple of DriverSurvey
        Drivers by kind, lowest first; more than one where a kind comes twice.
    """

    ways: tuple[PlannedWay, ...]
    crossovers: tuple[PairSurvey, ...]
    groups: tuple[tuple[DriverSurvey, ...], ...]


@dataclass(slots=True)
class _Builder:
    """Collects the slots of one way and names them."""

    slots: list[PlannedSlot] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def add(
        self, place: Place, form: Form, ranges: Sequence[tuple[float, float]], why: str,
        *, optional: bool = True,
    ) -> None:  # fmt: skip
        made = form_of(form, place)
        letter = made.letter
        self.counts[letter] = self.counts.get(letter, 0) + 1
        limits = [BUILDABLE[kind] for kind in made.kinds]
        values = tuple(
            ValueRange(low=max(low, least), high=min(high, most))
            for (low, high), (least, most) in zip(ranges, limits, strict=True)
        )
        if any(v.low >= v.high for v in values):
            return  # nothing of that size can be bought
        slot = Slot(
            name=f"{letter}{self.counts[letter]}", place=place, form=form, ranges=values,
            optional=optional,
        )  # fmt: skip
        self.slots.append(PlannedSlot(slot=slot, why=why))


def plan_ways(survey: Survey) -> Plan:
    """Build a ladder for every surveyed driver.

    Parameters
    ----------
    survey : Survey
        With one driver or more.

    Returns
    -------
    Plan

    Notes
    -----
    Each section takes the highest order the survey proposes; parts beyond the lowest order are
    optional, so that orders mix freely. Ranges span the handbook values of all those orders,
    Butterworth and Linkwitz-Riley, over the proposed crossover range and the driver's impedance
    there, and some way beyond; a coil of one of several lowest drivers of a kind may be as large as
    2.5 ways ask for. Traps, notches, equalisers and pads are optional everywhere.
    """
    groups = group_alike(survey.drivers)
    steps = [
        [survey_pair(low, high) for low in lower for high in upper]
        for lower, upper in pairwise(groups)
    ]
    ways = []
    for number, group in enumerate(groups):
        below = steps[number - 1][0] if number > 0 else None
        above = steps[number][0] if number < len(steps) else None
        around = [pair for step in steps[max(number - 1, 0) : number + 1] for pair in step]
        for driver in group:
            hints = _distinct(h for pair in around for h in pair.slots if h.driver == driver.name)
            if not around:
                hints = _hint_alone(driver)
            alike = tuple(one.name for one in group if one is not driver)
            slots = _build_way(survey, driver, below, above, hints, alike)
            ways.append(
                PlannedWay(driver=driver, polarity="free" if number else "normal", slots=slots)
            )
    return Plan(ways=tuple(ways), crossovers=tuple(step[0] for step in steps), groups=tuple(groups))


def plan_series(survey: Survey, plan: Plan) -> dict[Kind, tuple[float, float]] | None:
    """Ranges of a series crossover of first order, for two drivers that may be joined so.

    Parameters
    ----------
    survey : Survey
        Of two drivers or more.
    plan : Plan
        Their ways.

    Returns
    -------
    dict of Kind to (float, float), or None
        The capacitor across the lower driver and the coil across the upper one, around what the
        handbook says over the proposed crossover range; None for other than two ways.
    """
    if len(plan.ways) != 2 or len(plan.crossovers) != 1:
        return None
    pair = plan.crossovers[0]
    found: dict[Kind, list[float]] = {"capacitor": [], "inductor": []}
    for number, way in enumerate(plan.ways):
        for f in pair.crossover_hz:
            element = handbook_series(f, modulus_at(survey, way.driver, f))[number]
            found[element.kind].append(element.value)
    return {
        kind: (
            max(min(values) / HIGHER_LEEWAY, BUILDABLE[kind][0]),
            min(max(values) * LEEWAY, BUILDABLE[kind][1]),
        )
        for kind, values in found.items()
    }


def group_alike(drivers: Sequence[DriverSurvey]) -> list[tuple[DriverSurvey, ...]]:
    """Put drivers of one kind side by side: two woofers are no crossover.

    Parameters
    ----------
    drivers : sequence of DriverSurvey
        Lowest first.

    Returns
    -------
    list of tuple of DriverSurvey
        In the same order.
    """
    groups: list[tuple[DriverSurvey, ...]] = []
    for driver in drivers:
        if groups and _are_alike(groups[-1][0], driver):
            groups[-1] = (*groups[-1], driver)
        else:
            groups.append((driver,))
    return groups


def modulus_at(survey: Survey, driver: DriverSurvey, frequency_hz: float) -> float:
    """Modulus of a driver's impedance in ohm; its smallest where the file does not reach."""
    files = survey.folder.drivers[driver.name].impedance
    smallest = driver.nominal_ohm or 6.0
    if files is None or files.curve is None:
        return smallest
    z = files.curve
    low, high = z.range_hz
    if not low <= frequency_hz <= high:
        return smallest
    return float(np.interp(np.log(frequency_hz), np.log(z.frequency_hz), np.abs(z.value)))


def _are_alike(one: DriverSurvey, other: DriverSurvey) -> bool:
    # Names that differ in more than a number or a letter are different kinds.
    first, second = (name.rstrip("0123456789 _-") for name in (one.name, other.name))
    ends = zip(one.usable_hz, other.usable_hz, strict=True)
    near = all(abs(np.log2(a / b)) < ALIKE_OCTAVES for a, b in ends)
    return bool(near and first == second)


def _distinct(hints: Iterable[SlotHint]) -> list[SlotHint]:
    seen: set[tuple[str, str]] = set()
    kept = []
    for hint in hints:
        # One pad and one equaliser are enough, whatever the neighbour they were proposed for.
        once = hint.form not in ("trap", "notch")
        key = (hint.form, "" if once else hint.reason.split(",")[0])
        if key not in seen:
            seen.add(key)
            kept.append(hint)
    return kept


def _hint_alone(driver: DriverSurvey) -> list[SlotHint]:
    """Traps for the peaks of a driver that plays everything by itself."""
    low, high = driver.usable_hz
    return [
        SlotHint(
            driver=driver.name, form="trap",
            reason=f"peak at {say_hz(h.peak.frequency_hz)}, {h.peak.height_db:+z.1f} dB, "
            f"Q {h.peak.q:.1f}",
            values={
                "inductance_h": h.trap.inductance_h,
                "capacitance_f": h.trap.capacitance_f,
                "resistance_ohm": h.trap.resistance_ohm,
            },
        )
        for h in driver.peak_hints
        if 2.0 * low < h.peak.frequency_hz < min(high, 16000.0)
    ][:2]  # fmt: skip


def _build_way(
    survey: Survey,
    driver: DriverSurvey,
    below: PairSurvey | None,
    above: PairSurvey | None,
    hints: Sequence[SlotHint],
    alike: Sequence[str],
) -> tuple[PlannedSlot, ...]:
    way = _Builder()
    if below is not None:
        _add_section(way, survey, driver, below, "high-pass", ())
    if above is not None:
        _add_section(way, survey, driver, above, "low-pass", () if below else alike)
    z = driver.nominal_ohm or 6.0
    if below is None and above is None:
        load = modulus_at(survey, driver, 1000.0)
        span = [load / (2.0 * np.pi * f) for f in (2000.0, 200.0)]
        way.add("series", "inductor", [(span[0], span[1])],
                "against a rise towards the top, or the step of a narrow front")  # fmt: skip
    _add_compounds(way, "series", hints, "trap")
    if below is not None or above is None:
        pad = next((h for h in hints if h.form == "pad"), None)
        why = pad.reason if pad else "level; not needed by the files as they are"
        top = max(1.2 * z, 3.0 * pad.values["series_ohm"] if pad else 0.0)
        way.add("series", "pad", [(0.47, top), (0.3 * z, 8.0 * z)], why)
    _add_compounds(way, "series", hints, "bypassed pad", "contour")
    _add_compounds(way, "shunt", hints, "notch", "equaliser")
    if all(item.slot.optional for item in way.slots) and below is None and above is not None:
        raise InputError(
            "the crossover must lie where coils can be bought", value=say_hz(above.centre_hz),
            key=driver.name, remedy="check how the files were understood",
        )  # fmt: skip
    return tuple(way.slots)


def _add_section(
    way: _Builder,
    survey: Survey,
    driver: DriverSurvey,
    pair: PairSurvey,
    kind: Literal["low-pass", "high-pass"],
    alike: Sequence[str],
) -> None:
    low_pass = kind == "low-pass"
    orders = pair.low_pass_orders if low_pass else pair.high_pass_orders
    highest = max(2, *orders)
    # A low-pass may lean on the driver's own roll-off; a high-pass has to protect.
    needed = 1 if low_pass else min(2, *orders)
    low, high = pair.crossover_hz
    loads = [modulus_at(survey, driver, f) for f in (low, pair.centre_hz, high)]
    values: list[list[float]] = [[] for _ in range(highest)]
    make = handbook_lowpass if low_pass else handbook_highpass
    for order in range(needed, highest + 1):
        for alignment in ("butterworth", "linkwitz-riley"):
            if alignment == "linkwitz-riley" and order % 2:
                continue
            for frequency in (low, high):
                for load in (min(loads), max(loads)):
                    elements = make(alignment, order, frequency, load)
                    for number, element in enumerate(elements):
                        values[number].append(element.value)
    other = pair.upper if low_pass else pair.lower
    beyond = LEEWAY if low_pass else UNSAFE_LEEWAY
    twice = ""
    if alike:
        coil, *_ = handbook_two_and_a_half(low, max(loads))
        values[0].append(coil.value)
        twice = f"; with a larger coil than {' and '.join(alike)} it ends earlier (2.5 ways)"
    for number, found in enumerate(values):
        place: Place = "series" if number % 2 == 0 else "shunt"
        form: Form = "inductor" if (number % 2 == 0) == low_pass else "capacitor"
        way.add(
            place, form, [(min(found) / HIGHER_LEEWAY, max(found) * beyond)],
            f"{kind} towards {other}{twice}" if number == 0 else f"{_ordinal(number + 1)} order",
            optional=number >= needed,
        )  # fmt: skip


def _ordinal(number: int) -> str:
    return {2: "second", 3: "third", 4: "fourth"}.get(number, f"{number}th")


def _add_compounds(way: _Builder, place: Place, hints: Sequence[SlotHint], *forms: Form) -> None:
    for hint in hints:
        if hint.form in forms:
            _add_compound(way, place, hint)


def _add_compound(way: _Builder, place: Place, hint: SlotHint) -> None:
    form: Form = hint.form
    starts = [hint.values[key] for key in _COMPOUND_VALUES[form]]
    kinds = form_of(form, place).kinds
    if any(
        not BUILDABLE[kind][0] <= start <= LARGEST_COMPOUND[kind]
        for kind, start in zip(kinds, starts, strict=True)
    ):
        return  # the peak is still shown by the survey
    way.add(place, form, [(v / COMPOUND_LEEWAY, v * COMPOUND_LEEWAY) for v in starts], hint.reason)
