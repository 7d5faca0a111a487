"""The rework of an old board in a build sheet: was and is, step by step, and what is left over."""

from __future__ import annotations

from optimizer.bench.build.rework import ReworkPlan, ReworkStep, Spot
from optimizer.bench.build.sheet import BuildSheet
from optimizer.network.network import FittedSlot
from optimizer.network.references import References
from optimizer.network.rework import PlaceWork, lies_in_line
from optimizer.parts import BOARD, KEPT, UNIT_OF_KIND, Part
from optimizer.report.document import Listing, Note, Passage, Section, Table
from optimizer.report.ladder_text import describe_join
from optimizer.text.units import format_quantity

_NAMES = {"inductor": "coil", "capacitor": "capacitor", "resistor": "resistor"}

REWORK_CAUTIONS = (
    "Unplug the amplifier and carry it away from the bench; disconnect every driver before the iron "
    "is hot.",
    "Discharge each capacitor through a resistor of about 100 ohm before you touch it.",
    "Old solder holds lead: air the room, wash your hands before you eat, keep the scraps apart. Take "
    "it off with wick before lead-free solder goes on, or solder on with leaded.",
    "Photograph the board from both sides and mark every lead first: what is undone can then be put "
    "back.",
    "Old foil lifts when it is heated long: a clean tip and fresh solder, a few seconds at a joint.",
    "Measure what stays: old electrolytic capacitors lose value and gain resistance with the years.",
)
"""Common practice, no source."""


def list_steps(sheet: BuildSheet) -> tuple[str, ...]:
    """Say each step at the iron in a sentence, in order; none where there is no board."""
    plan = sheet.rework
    references = sheet.candidate.network.references
    return () if plan is None else tuple(_say_step(step, references) for step in plan.steps)


def say_rework(sheet: BuildSheet) -> Section | None:
    """Say how a board becomes the network of a sheet.

    Parameters
    ----------
    sheet : BuildSheet

    Returns
    -------
    Section or None
        None where there is no board.
    """
    plan = sheet.rework
    if plan is None:
        return None
    count = plan.rework.count
    references = sheet.candidate.network.references
    if not count:
        note = Note(text="The board is this network already: there is nothing to do with the iron.")
        return Section(title="Rework of the board", parts=(note,))
    each = "" if sheet.speakers == 1 else f", in each of {sheet.speakers} cabinets"
    operations = "1 operation" if count == 1 else f"{count} operations"
    parts: list[Passage] = [
        Listing(items=REWORK_CAUTIONS),
        Note(text=f"{operations} at the iron{each}: {plan.rework}."),
        Table(
            heads=("place in the design", "was", "is", "called", "do"),
            rows=tuple(_row(place, plan, references) for place in plan.rework.places)
            + tuple((way, "driver", "driver", "", "turn it round") for way in plan.rework.turned),
            align="lllll",
        ),
        Note(
            text="The steps in their order are on the first page. What comes off is told by its place "
            "in the design, what goes on by its name on this sheet."
        ),
    ]
    if plan.stays:
        stays = ", ".join(_name_spot(spot, references) for spot in plan.stays)
        parts.append(Note(text=f"Not touched: {stays}."))
    if plan.left:
        left = ", ".join(f"{_say_part(part)} ({spot})" for spot, part in plan.left)
        parts.append(Note(text=f"Left over, for the shelf: {left}."))
    return Section(title="Rework of the board", parts=tuple(parts))


def _row(place: PlaceWork, plan: ReworkPlan, references: References) -> tuple[str, ...]:
    return (
        f"{place.ladder}.{place.slot}",
        _say_slot(place.was),
        _say_slot(place.now) if place.now is not None else "wire" if place.jumper else "nothing",
        _name_parts(place, references),
        _say_do(place, plan),
    )


def _name_parts(place: PlaceWork, references: References) -> str:
    """Name what sits at a place now."""
    now = () if place.now is None else place.now.named_parts
    return ", ".join(references[place.ladder, label] for label, _, _ in now)


def _name_spot(spot: Spot, references: References) -> str:
    """Name what stays or goes on: by its own name, and by its place in the design."""
    place = f"{spot.ladder}.{spot.label}".rstrip(".")
    name = references.get((spot.ladder, spot.label))
    return place if name is None else f"{name} ({place})"


def _say_slot(slot: FittedSlot | None) -> str:
    """Say what sits at a place: "in the line: coil 3.3 mH"."""
    if slot is None:
        return "nothing"
    where = (
        "across " + slot.across
        if slot.across
        else "in the line"
        if lies_in_line(slot)
        else "across"
    )
    if len(slot.parts) == 1:
        return f"{where}: {_say_part(slot.parts[0])}"
    inside = ", ".join(
        f"{label.rpartition('.')[2]} {format_quantity(part.value, UNIT_OF_KIND[part.kind])}"
        for label, _, part in slot.named_parts
    )
    return f"{where}: {slot.form} {inside}"


def _say_part(part: Part) -> str:
    return f"{_NAMES[part.kind]} {format_quantity(part.value, UNIT_OF_KIND[part.kind])}"


def _say_do(place: PlaceWork, plan: ReworkPlan) -> str:
    """Say in a word what is done at a place, and where reused parts go or come from."""
    if place.was is None:
        words = ["add"]
    elif place.now is None:
        words = ["take off, put a wire" if place.jumper else "take off"]
    else:
        words = ["replace"]
    for step in plan.steps:
        here = step.spot.ladder == place.ladder and step.spot.label in _labels(place)
        if here and step.other:
            word = "goes to" if step.act == "take off" else "from"
            words.append(f"{step.spot} {word} {_say_spots(step.other)}")
    return "; ".join(words)


def _labels(place: PlaceWork) -> set[str]:
    return {
        label
        for slot in (place.was, place.now)
        if slot is not None
        for label, _, _ in slot.named_parts
    }


def _say_spots(spots: tuple[Spot, ...]) -> str:
    return " and ".join(map(str, spots))


def _say_step(step: ReworkStep, references: References) -> str:
    where = str(step.spot)
    between = " and ".join(step.points)
    if step.act == "take off" and step.part is not None:
        use = f"keep it, it goes to {_say_spots(step.other)}" if step.other else "put it by"
        return f"Take off {where}, {_say_part(step.part)}: {use}."
    if step.act == "close":
        return f"Put a wire where {where} was: it closes the line."
    if step.act == "open":
        new = _name_spot(step.spot, references)
        return f"Open the line of {step.spot.ladder} {_say_behind(step)}: {new} goes in there."
    if step.act == "turn":
        return f"Exchange the two leads of the driver of {step.spot.ladder}."
    assert step.part is not None
    where = _name_spot(step.spot, references)
    return f"Put in {where}, {_say_part(step.part)}{_say_origin(step)}, between points {between}."


def _say_behind(step: ReworkStep) -> str:
    return (
        f"behind {step.spot.ladder}.{step.behind}"
        if step.behind
        else "at its beginning, in front of all else"
    )


def _say_origin(step: ReworkStep) -> str:
    """Say where a part comes from and how it is made."""
    assert step.part is not None
    joined = describe_join(step.part)
    said = [f"the one from {_say_spots(step.other)}"] if step.other else []
    if step.part.origin not in (BOARD, KEPT):
        said = [step.part.origin]
    return f" ({'; '.join([*said, *([joined] if joined else [])])})" if said or joined else ""
