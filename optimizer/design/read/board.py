"""An old board that a design begins from: every place of it may stay, change or come off.

A board is a network file. Its parts become kept parts of places that may hold another value or
nothing; places that a person would add to such a board come with it, empty. What a design writes
under ``ways`` then says what is otherwise, place by place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

from optimizer.design.nouns import BoardChoice
from optimizer.design.read.built import StatedPart, read_group, read_way
from optimizer.design.read.ladder import (
    ALTERED_REACH,
    WAY_KEYS,
    check_driver,
    fix_slots,
    read_new_way,
    read_several,
    read_slot,
)
from optimizer.design.read.shared import SHARED_KEYS, read_feeds
from optimizer.design.read.terms import read_way_terms, within
from optimizer.errors import InputError
from optimizer.measure.driver import WiredDrivers
from optimizer.network.choices import LadderChoice
from optimizer.network.expression.forms import form_of
from optimizer.network.ladder import AnySlot, Place, order_slots
from optimizer.network.network import FittedLadder, FittedSlot
from optimizer.network.topology import Group, Slot, Topology, ValueRange, Way
from optimizer.parts import KEPT, LOSS_OF_KIND, UNIT_OF_KIND, Kind, Part, Terms
from optimizer.stock.coil import air_coil_dcr
from optimizer.stock.stock import DEFAULT_TOLERANCE, LOSS_TANGENTS, loss_tangent_to_esr
from optimizer.text.keys import FileForm, FlagForm, Key, KeyBlock
from optimizer.text.units import format_quantity
from optimizer.text.yamltext import Entry, read_yaml, suggest

BOARD_KEYS = KeyBlock(
    noun=BoardChoice,
    keys=(
        Key(
            name="file", field="path", form=FileForm(), example="old-board.yaml",
            meaning="network file of what is soldered in now; laddersmith board writes one",
            needed="a board needs its file",
        ),
        Key(
            name="add", form=FlagForm(), example="no",
            meaning="whether places that the board has not are offered too: a resistor in front of "
            "each way, a pad, an equaliser, a trap, one part more of each filter",
        ),
    ),
)  # fmt: skip
"""The keys of a board, where it is more than a file name."""

_FRONT_OHM = (0.47, 10.0)
"""A resistor in front of a way: beyond, a pad does better (common practice, no source)."""

_SIDES: dict[str, tuple[tuple[Kind, Place], tuple[Kind, Place]]] = {
    "low-pass": (("inductor", "series"), ("capacitor", "shunt")),
    "high-pass": (("capacitor", "series"), ("inductor", "shunt")),
}
"""What is in the line and what across it, of either filter."""

_MOST_ORDER = 3
"""Order of a filter up to which one part more is offered."""


def read_board_choice(entry: Entry) -> BoardChoice:
    """Read which board: a file, or its block."""
    if entry.is_mapping:
        return BOARD_KEYS.read(entry)
    return BoardChoice(path=FileForm().read(entry))


def read_board(
    choice: BoardChoice,
    entry: Entry,
    ways: Entry | None,
    shared: Entry | None,
    drivers: Sequence[str],
    wire_m: float,
    notes: list[str],
) -> tuple[Topology, tuple[WiredDrivers, ...]]:
    """Read the board of a design, and what the design says of its places.

    Parameters
    ----------
    choice : BoardChoice
        Which board.
    entry : Entry
        Where it is named.
    ways, shared : Entry or None
        Blocks of the design: what is otherwise than on the board, and more ways and sections.
    drivers : sequence of str
        Known drivers.
    wire_m : float
        Wire from which the resistance of a coil follows where the board does not state it.
    notes : list of str
        Gets a line for everything assumed.

    Returns
    -------
    topology : Topology
        The ways of the board, then those that only the design has.
    wired : tuple of WiredDrivers
        Drivers that one way feeds together.

    Raises
    ------
    InputError
        With file and line: the file cannot be read, a way feeds no known driver, a place of the
        design contradicts the board.
    """
    return _Board(choice, entry, drivers, wire_m, notes).read(ways, shared)


class _Board:
    """A board as it becomes a topology."""

    def __init__(
        self,
        choice: BoardChoice,
        entry: Entry,
        drivers: Sequence[str],
        wire_m: float,
        notes: list[str],
    ) -> None:
        self.choice = choice
        self.drivers = drivers
        self.wire_m = wire_m
        self.notes = notes
        self.wired: list[WiredDrivers] = []
        self.choices: list[LadderChoice] = []
        self.added: list[str] = []
        self.values: set[tuple[Kind, float]] = set()
        try:
            self.file = read_yaml(choice.path, noun="board")
        except InputError as error:
            raise entry.where.locate(error) from None
        written = self.file.fields()
        if "ways" not in written:
            raise self.file.error(
                "a board is a network file, which has ways",
                remedy='write "ways: {woofer: {ladder: [...]}}", or let laddersmith board ask',
            )
        self.ways = written["ways"].fields()
        self.shared = written["shared"].fields() if "shared" in written else {}

    def read(
        self, ways: Entry | None, shared: Entry | None
    ) -> tuple[Topology, tuple[WiredDrivers, ...]]:
        said = {} if ways is None else ways.fields()
        names = list(self.ways)
        laid = [self._way(name, said.get(name), at) for at, name in enumerate(names)]
        laid += [
            read_new_way(name, inner, self.drivers, self.wired, self.choices, self.notes)
            for name, inner in said.items()
            if name not in self.ways
        ]
        groups = self._groups([way.name for way in laid], shared)
        if self.added:
            self.notes.append(
                f"places that may be added to the board: {'; '.join(self.added)} (board: "
                f"{{file: {self.choice.path.name}, add: no}} offers none)"
            )
        try:
            topology = Topology(ways=tuple(laid), groups=groups, choices=tuple(self.choices))
        except InputError as error:
            raise self.file.where.locate(error) from None
        return topology, tuple(self.wired)

    def settle(
        self, stated: StatedPart, label: str, _: Part | None, _terms: Terms
    ) -> tuple[Part, str]:
        """Make a kept part: no two of a kind have quite the same value, which names the piece."""
        value = stated.value
        while (stated.kind, value) in self.values:
            value = math.nextafter(value, math.inf)
        self.values.add((stated.kind, value))
        loss, note = stated.loss_ohm, ""
        if loss is None:
            loss = self._guess_loss(stated)
            key = LOSS_OF_KIND[stated.kind]
            if key == "dcr":
                note = (
                    f"board: {label}: no dcr stated, {format_quantity(loss, 'ohm', 2)} taken, as of "
                    f"an air coil of {1e3 * self.wire_m:g} mm wire: measure it"
                )
        tolerance = DEFAULT_TOLERANCE if stated.tolerance is None else stated.tolerance
        part = Part(
            kind=stated.kind,
            value=value,
            loss_ohm=loss,
            tolerance=tolerance,
            origin=KEPT,
            pieces=stated.pieces if stated.pieces and len(stated.pieces) > 1 else (value,),
            joined=stated.joined or ("parallel" if len(stated.pieces or ()) > 1 else ""),
            rating=stated.rating,
            note=stated.note or "",
            made_of=stated.made_of or "",
            wire_m=stated.wire_m,
            height_m=stated.height_m,
        )
        return part, note

    def _guess_loss(self, stated: StatedPart) -> float:
        if stated.kind == "inductor":
            return float(air_coil_dcr(stated.value, self.wire_m))
        if stated.kind == "capacitor":
            return loss_tangent_to_esr(LOSS_TANGENTS["polypropylene"], stated.value)
        return 0.0

    # -- ladders

    def _way(self, name: str, said: Entry | None, at: int) -> Way:
        entry = self.ways[name]
        known = [key.name for key in WAY_KEYS.keys]
        fields = {} if said is None else said.fields(known)
        several = read_several(fields, self.drivers)
        if several is not None:
            self.wired.append(several)
            driver = several.together
        else:
            driver = self._driver(name, entry, fields)
        built = read_way(Way(name=name, driver=driver, slots=()), entry, self.settle, self.notes)
        fixed = "fixed" in fields and fields["fixed"].flag()
        slots = self._slots(
            built, fields.get("ladder"), [] if fixed else self._additions(built, at)
        )
        here: Literal["normal", "inverted"] = "normal" if built.polarity > 0 else "inverted"
        if fixed:
            slots = fix_slots(fields, slots)
        said_polarity = WAY_KEYS.take({k: v for k, v in fields.items() if k == "polarity"})
        terms = read_way_terms(fields)
        return Way(
            name=name,
            driver=driver,
            slots=tuple(within(terms, slot) for slot in slots),
            polarity=said_polarity.get("polarity", here if fixed else "free"),
            soldered=built.polarity,
        )

    def _driver(self, name: str, entry: Entry, fields: Mapping[str, Entry]) -> str:
        if "driver" in fields:
            driver = fields["driver"].text()
            check_driver(driver, fields["driver"], self.drivers)
            return driver
        written = entry.fields().get("driver") if entry.is_mapping else None
        driver = name if written is None else written.text()
        if driver not in self.drivers:
            raise (written or entry).error(
                "a way of the board feeds a driver that is listed under drivers",
                value=repr(driver),
                remedy=f'{suggest(driver, self.drivers)}; or add "{name}: {{driver: NAME}}" under '
                "ways of the design",
            )
        return driver

    def _groups(self, ways: Sequence[str], shared: Entry | None) -> tuple[Group, ...]:
        said = {} if shared is None else shared.fields()
        known = [key.name for key in SHARED_KEYS.keys]
        groups = []
        for name in dict.fromkeys((*self.shared, *said)):
            fields = said[name].fields(known) if name in said else {}
            members = list(ways)
            if "feeds" in fields:
                members = read_feeds(fields["feeds"], (*ways, *self.shared, *said))
            joint = SHARED_KEYS.take({k: v for k, v in fields.items() if k == "joined"})
            group = Group(name=name, members=tuple(members), **joint)
            on_board = self.shared.get(name)
            if on_board is None:
                on_board = said[name].replaced({"ladder": "[]"})
            built = read_group(group, on_board, self.settle, self.notes)
            slots = self._slots(built, fields.get("ladder"), ())
            groups.append(replace(group, slots=slots))
        return tuple(groups)

    def _slots(
        self, built: FittedLadder, said: Entry | None, more: Sequence[Slot]
    ) -> tuple[Slot, ...]:
        """Places of a ladder: those of the board, those of the design, those that may be added."""
        hosts = {slot.across for slot in built.slots if slot.across}
        slots = {slot.name: self._leave_open(slot, slot.name in hosts) for slot in built.slots}
        order = list(slots)
        after = 0
        for inner in () if said is None else said.items():
            if "one of" in inner.fields() or "variable pad" in inner.fields():
                raise inner.error(
                    "what the design says of a board is place by place",
                    remedy="write alternatives in a design without a board",
                )
            fields = inner.fields()
            name = fields["name"].text() if "name" in fields else ""
            if name in slots:
                slots[name] = self._override(built, slots[name], inner)
                after = order.index(name) + 1
                continue
            slot = read_slot(inner, built.name, self.notes)
            slots[slot.name] = slot
            order.insert(after, slot.name)
            after += 1
        try:
            ordered = order_slots(tuple(slots[name] for name in order), built.name)
        except InputError as error:
            raise (said or self.file).where.locate(error) from None
        return _lay_in(ordered, [slot for slot in more if slot.name not in slots])

    def _leave_open(self, slot: FittedSlot, host: bool) -> Slot:
        """Place of the board that may stay, take another value, or be emptied."""
        return Slot(
            name=slot.name,
            place=slot.place,
            form=slot.form,
            ranges=tuple(
                ValueRange(low=part.value / ALTERED_REACH, high=part.value * ALTERED_REACH)
                for part in slot.parts
            ),
            optional=bool(slot.parts) and not host,
            kept=slot.parts or None,
            alterable=bool(slot.parts),
            across=slot.across,
        )

    def _override(self, built: FittedLadder, slot: Slot, said: Entry) -> Slot:
        """Read what a design says of a place that is on the board."""
        fields = said.fields()
        for key in ("series", "shunt", "tap"):
            if key in fields and (key != slot.place or fields[key].text() != slot.form):
                raise fields[key].error(
                    "what sits at a place of the board is said by the board",
                    value=fields[key].text(),
                    remedy=f"on the board {slot.name} is {slot.place} {slot.form}; give a new place "
                    "another name",
                )
        stays = "keep" in fields and _is_yes(fields["keep"])
        for key in ("value", "keep"):
            if key in fields and not (key == "keep" and stays):
                raise fields[key].error(
                    "what sits at a place of the board is said by the board, and what may come "
                    "instead by a range",
                    remedy='write "keep: yes" for what stays, or for instance "from: 6 uF, to: 7 uF"',
                )
        if slot.kept is None or (stays and fields.keys() <= {"name", "keep", slot.place}):
            return replace(slot, optional=False, alterable=False, ranges=_at(slot.kept or ()))
        kept = slot.kept
        keep = ", ".join(
            f"{key}: {{value: {part.value!r} {UNIT_OF_KIND[part.kind]}}}"
            for key, part in zip(slot.circuit.keys, kept, strict=True)
        )
        single = len(kept) == 1
        more = {
            slot.place: _quoted(slot.form),
            "across": _quoted(slot.across) if slot.across else "",
            "keep": f"{kept[0].value!r} {UNIT_OF_KIND[kept[0].kind]}" if single else f"{{{keep}}}",
            "alter": "yes",
            "optional": "yes" if slot.optional else "no",
        }
        if "alter" in fields and not fields["alter"].flag():
            more["optional"] = "no"
        texts = {key: text for key, text in more.items() if text and key not in fields}
        if stays:
            texts["keep"] = more["keep"]
        merged = said.with_keys(texts)
        unheard: list[str] = []  # that a range is assumed is said of the board as a whole
        read = read_slot(merged, built.name, unheard)
        return replace(read, kept=kept)

    # -- what may be added

    def _additions(self, built: FittedLadder, at: int) -> list[Slot]:
        if not self.choice.add:
            return []
        new = _Additions(built, first=at == 0, last=at == len(self.ways) - 1).slots()
        if new:
            self.added.append(f"{built.name} {', '.join(f'{s.name} ({_say(s)})' for s in new)}")
        return new


def _say(slot: Slot) -> str:
    return f"{slot.form} {'in the line' if slot.place == 'series' else 'across it'}"


def _at(parts: Sequence[Part]) -> tuple[ValueRange, ...]:
    return tuple(ValueRange(low=part.value, high=part.value) for part in parts)


def _is_yes(entry: Entry) -> bool:
    try:
        return entry.flag()
    except InputError:
        return False


def _quoted(text: str) -> str:
    return f'"{text}"'


def _lay_in(slots: tuple[Slot, ...], more: Sequence[Slot]) -> tuple[Slot, ...]:
    """Put places that may be added where they do what they are for.

    A resistor stands in front; a part of a filter stands behind the last part of its filter; what
    matches the driver stands next to it.
    """
    front = [slot for slot in more if slot.form == "resistor"]
    filters = [slot for slot in more if len(slot.kinds) == 1 and slot not in front]
    rear = [slot for slot in more if len(slot.kinds) > 1]
    laid = list(slots)
    for slot in filters:
        own = {
            kind_and_place
            for side in _SIDES.values()
            if _of(slot) in side
            for kind_and_place in side
        }
        last = max((k for k, one in enumerate(laid) if _of(one) in own), default=-1)
        if last < 0:
            # Behind what else filters, in front of what matches the driver.
            last = max((k for k, one in enumerate(laid) if _filters(one)), default=-1)
        laid.insert(last + 1, slot)
    return (*front, *laid, *rear)


def _of(slot: AnySlot) -> tuple[str, str]:
    return (slot.form, slot.place)


def _filters(slot: AnySlot) -> bool:
    return any(_of(slot) in side for side in _SIDES.values())


class _Additions:
    """What a person would add to one way of a board."""

    def __init__(self, built: FittedLadder, *, first: bool, last: bool) -> None:
        self.built = built
        self.taken = {slot.name for slot in built.slots}
        self.found = [_of(slot) for slot in built.slots]
        self.low = first or not last or self._order("low-pass") > 0
        self.high = last or not first or self._order("high-pass") > 0

    def _order(self, side: str) -> int:
        return sum(self.found.count(part) for part in _SIDES[side])

    def slots(self) -> list[Slot]:
        """List the places, each of which may stay empty."""
        new: list[Slot] = [self._make("resistor", "series", (_FRONT_OHM,))]
        for side, wanted in (("high-pass", self.high), ("low-pass", self.low)):
            new += self._filter(side) if wanted else []
        forms = {slot.form for slot in self.built.slots}
        if self.low:
            new += [self._make(form, place) for form, place in _TO_A_LOW_PASS if form not in forms]
        if self.high and "pad" not in forms:
            new.append(self._make("pad", "series"))
        return new

    def _filter(self, side: str) -> list[Slot]:
        """Offer what makes a filter one order higher, or makes one where there is none."""
        line, across = _SIDES[side]
        lines, acrosses = self.found.count(line), self.found.count(across)
        if lines + acrosses >= _MOST_ORDER:
            return []
        wanted = [line, across] if not lines + acrosses else [across if lines > acrosses else line]
        return [self._make(kind, place) for kind, place in wanted]

    def _make(
        self, form: str, place: Place, ranges: Sequence[tuple[float, float]] | None = None
    ) -> Slot:
        circuit = form_of(form, place)
        letter = {"inductor": "L", "capacitor": "C", "resistor": "R"}.get(form, circuit.letter)
        name = next(n for n in (f"{letter}{k}" for k in range(1, 1000)) if n not in self.taken)
        self.taken.add(name)
        return Slot(
            name=name,
            place=place,
            form=circuit.name,
            ranges=tuple(
                ValueRange(low=low, high=high) for low, high in ranges or circuit.usual_ranges
            ),
            optional=True,
        )


_TO_A_LOW_PASS: tuple[tuple[str, Literal["series", "shunt"]], ...] = (
    ("trap", "series"),
    ("equaliser", "shunt"),
)
"""Against a peak of the response, and against the rise of the impedance that spoils a filter."""
