"""The diary file: one YAML document for each thing that was done, read with its line numbers.

It stands beside the design file under its name with the ending `SUFFIX`, so that several designs in
one folder have a story each, and a speaker keeps its own when its title changes. Entries are only
ever added. Each ends with a sum of its text (`sum`), so that one that was damaged, cut off or edited
is never taken for what was written then.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from optimizer.design.read.built import BUILT_GROUP_KEYS, BUILT_WAY_KEYS
from optimizer.errors import InputError
from optimizer.text.keys import Key, KeyBlock, NumberForm, OwnForm, TextForm, WordForm
from optimizer.text.quoting import find_unprintable
from optimizer.text.reading import read_file
from optimizer.text.stamp import is_date
from optimizer.text.writing import GROWING
from optimizer.text.yamltext import Entry, parse_yaml

SUFFIX = GROWING
LARGEST_DIARY_BYTES = 50_000_000
"""Of a diary; an entry with five networks has about 15 kB."""

MARK = "---"
"""The line before each entry."""
BY_HAND = "by hand"
"""What stands for the sum of an entry that somebody wrote or changed and stands by."""

Side = Literal["left", "right"]
SIDES: tuple[Side, ...] = ("left", "right")
DEEDS = ("begun", "fit", "choice", "voice", "build", "undo", "note", "verified")

_NOUN = "diary"
_LENGTH = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundValue:
    """A true value that a verification found.

    Parameters
    ----------
    slot : str
        The part ("tweeter.C1").
    of : {"value", "loss"}
        What of it.
    designed, found, low, high : float
        In SI units; the true one lies between the ends with 90 %.
    narrowed : float
        Width of that interval over what it was before the measurement.
    """

    slot: str
    of: str
    designed: float
    found: float
    low: float
    high: float
    narrowed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """Pieces that came off a row of a list of parts, or went back.

    Parameters
    ----------
    file : str
        The list, relative to the folder of the diary.
    row : str
        Its row as text, without the count.
    pieces : int
        Taken off where above 0, given back where below.
    cabinet : {"left", "right"}
        Where they went, or came from.
    """

    file: str
    row: str
    pieces: int
    cabinet: Side


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptNetwork:
    """A network in full, as it stands in an entry, with some of its figures then.

    Parameters
    ----------
    name : str
        What it was called then ("results.json#1").
    ways, shared : Entry
        As in a network file.
    cost, price, lowest_ohm, level_db : float or None
        What it cost, its price, lowest impedance and level then.
    pieces : int
        Number of its pieces.
    goals : mapping of str to float
        Figures of its goals then.
    """

    name: str
    ways: Entry
    shared: Entry | None = None
    cost: float | None = None
    price: float | None = None
    lowest_ohm: float | None = None
    level_db: float | None = None
    pieces: int = 0
    goals: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class DiaryEntry:
    """One thing that was done.

    Parameters
    ----------
    date, did, says : str
        When, what (see `DEEDS`), and in words.
    version : str
        Of the program.
    number, line : int
        Which entry it is, from 1, and where it begins.
    cabinets : tuple of str
        Which it is about.
    of, files : mapping of str to str
        Fingerprints, see `optimizer.problem.provenance.Provenance`.
    networks : tuple of KeptNetwork
        The networks concerned.
    verdict : str
        "pass" or "fail" of a verification.
    values : tuple of FoundValue
        What it found.
    booked : tuple of Booking
        What came off the shelf or went back.
    undoes : int
        Number of the entry that it takes back; 0 for none.
    by_hand : bool
        Whether somebody changed it and says so.
    """

    date: str
    did: str
    says: str = ""
    version: str = ""
    number: int = 0
    line: int = 0
    cabinets: tuple[Side, ...] = ()
    of: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)
    networks: tuple[KeptNetwork, ...] = ()
    verdict: str = ""
    values: tuple[FoundValue, ...] = ()
    booked: tuple[Booking, ...] = ()
    undoes: int = 0
    by_hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Diary:
    """The story of a speaker.

    Parameters
    ----------
    path : Path
        Its file.
    entries : tuple of DiaryEntry
        The oldest first.
    """

    path: Path
    entries: tuple[DiaryEntry, ...]

    @property
    def built(self) -> dict[Side, tuple[DiaryEntry, ...]]:
        """Builds of each cabinet that were not undone, the one that stands in it last."""
        undone = {entry.undoes for entry in self.entries if entry.did == "undo"}
        return {
            side: tuple(
                entry
                for entry in self.entries
                if entry.did == "build" and side in entry.cabinets and entry.number not in undone
            )
            for side in SIDES
        }

    def holds(self, side: Side) -> tuple[Booking, ...]:
        """List what came off the shelf for what is in a cabinet."""
        return tuple(
            one for entry in self.built[side] for one in entry.booked if one.cabinet == side
        )

    def find(self, name: str) -> KeptNetwork:
        """Find a network: "5" for the first of entry 5, "5.2" for its second, "left", "right".

        Raises
        ------
        InputError
            There is none.
        """
        side = next((side for side in SIDES if side == name), None)
        if side is not None:
            if not self.built[side]:
                raise self._refuse(f"no network was built into the {side} cabinet", name)
            return self.built[side][-1].networks[0]
        number, _, place = name.partition(".")
        entries = [one for one in self.entries if str(one.number) == number and one.networks]
        if not entries:
            known = [str(one.number) for one in self.entries if one.networks]
            raise self._refuse(
                "what stands after # is an entry with a network",
                name,
                f"one of {', '.join(known)}" if known else "no entry has one yet",
            )
        networks = entries[0].networks
        if place and not (place.isdecimal() and 1 <= int(place) <= len(networks)):
            raise self._refuse(f"entry {number} holds {len(networks)}", name)
        return networks[int(place or 1) - 1]

    def _refuse(self, rule: str, name: str, remedy: str | None = None) -> InputError:
        return InputError(rule, file=self.path, value=repr(name), remedy=remedy)


def name_diary(design: Path) -> Path:
    """Name the diary of a design: beside it, under its name."""
    return design.with_suffix(SUFFIX)


# --- how an entry is read -----------------------------------------------------------------------


def read_prints(entry: Entry) -> dict[str, str]:
    """Read fingerprints by name."""
    return {name: one.text() for name, one in entry.fields().items()}


def _read_figures(entry: Entry) -> dict[str, float]:
    return {name: one.number() for name, one in entry.fields().items()}


def _read_sides(entry: Entry) -> tuple[str, ...]:
    return tuple(one.choice(SIDES) for one in entry.items())


VALUE_KEYS = KeyBlock(
    noun=FoundValue,
    keys=(
        Key(name="slot", form=TextForm(), example="tweeter.C1", meaning="the part",
            needed="a value is that of a part"),
        Key(name="of", form=WordForm(("value", "loss")), example="value", meaning="what of it",
            needed="a value is a value or a loss"),
        *(
            Key(name=name, form=NumberForm(least=0.0), example=example, meaning=meaning,
                needed=f"a value has its key {name}")
            for name, example, meaning in (
                ("designed", "4.7e-06", "as designed, in the SI unit"),
                ("found", "4.91e-06", "as it was found"),
                ("low", "4.85e-06", "lower end of the interval of 90 %"),
                ("high", "4.97e-06", "upper end of it"),
                ("narrowed", "0.2", "width of the interval over what was known before"),
            )
        ),
    ),
)  # fmt: skip
"""A value that a verification found."""

BOOKING_KEYS = KeyBlock(
    noun=Booking,
    keys=(
        Key(name="file", form=TextForm(), example="shelf.csv", meaning="the list of parts",
            needed="pieces come off a list"),
        Key(name="row", form=TextForm(), example='"capacitor,4.7 uF,,"',
            meaning="its row without the count", needed="pieces come off a row"),
        Key(name="pieces", form=OwnForm("whole number", lambda entry: int(entry.number())),
            example="2", meaning="taken off; given back where below 0",
            needed="a booking has a number of pieces"),
        Key(name="cabinet", form=WordForm(SIDES), example="left",
            meaning="where they went, or came from", needed="pieces are in a cabinet"),
    ),
)  # fmt: skip
"""Pieces that came off a list, or went back."""

KEPT_NETWORK_KEYS = KeyBlock(
    noun=KeptNetwork,
    keys=(
        Key(name="name", form=TextForm(), example="results.json#1", meaning="what it was called",
            needed="a network has a name"),
        Key(name="cost", form=NumberForm(), example="2.55", meaning="what it cost then"),
        Key(name="pieces", form=NumberForm(least=0, whole=True), example="9",
            meaning="number of its pieces"),
        Key(name="price", form=NumberForm(), example="41.20", meaning="its price then"),
        Key(name="lowest_ohm", form=NumberForm(), example="4.3", meaning="its lowest impedance"),
        Key(name="level_db", form=NumberForm(), example="86.4", meaning="its level at 2.83 V"),
        Key(name="goals", form=OwnForm("figures by goal", _read_figures),
            example="{on_axis: 0.82}", meaning="what its goals came to then"),
        Key(
            name="ways", form=OwnForm("ways by name", block=BUILT_WAY_KEYS, inside=".NAME"),
            example="{woofer: {ladder: [{name: L1, value: 3.3 mH}]}}",
            meaning="the network in full, as in a network file",
            needed='the key "ways" is missing',
        ),
        Key(
            name="shared",
            form=OwnForm("shared sections by name", block=BUILT_GROUP_KEYS, inside=".NAME"),
            example="{speaker: {ladder: [{name: R0, value: 1 ohm}]}}",
            meaning="the parts of every section that ways share",
        ),
    ),
)  # fmt: skip
"""A network in an entry."""


def _list_of(what: str, block: KeyBlock[Any]) -> OwnForm:
    """Return the form of a list of blocks."""
    return OwnForm(
        f"list of {what}",
        lambda entry: tuple(block.read(one) for one in entry.items()),
        block=block,
        inside="[0]",
    )


ENTRY_KEYS = KeyBlock(
    noun=DiaryEntry,
    keys=(
        Key(name="date", form=TextForm(), example="2026-11-27T04:12:03Z",
            meaning="when, in universal time", needed="an entry needs its date"),
        Key(name="version", form=TextForm(), example='"0.1.0"', meaning="of the program"),
        Key(name="did", form=WordForm(DEEDS), example="build", meaning="what was done",
            needed="an entry says what was done"),
        Key(name="says", form=TextForm(), example="less bright, and more at ease",
            meaning="in words"),
        Key(name="cabinets", form=OwnForm("list of left and right", _read_sides),
            example="[left]", meaning="which cabinets it is about"),
        Key(name="undoes", form=NumberForm(least=1, whole=True), example="5",
            meaning="number of the entry that it takes back"),
        Key(name="verdict", form=WordForm(("pass", "fail")), example="pass",
            meaning="of a verification"),
        Key(name="of", form=OwnForm("fingerprints by name", read_prints),
            example="{data: b1f6b4a7b4c3}",
            meaning="fingerprints of data, places, stock and goals at that time"),
        Key(name="files", form=OwnForm("fingerprints by file", read_prints),
            example="{woofer.txt: b1f6b4a7b4c3}",
            meaning="fingerprints of what files of measurements said"),
        Key(
            name="networks", example="[{name: softer.yaml, ways: {}}]",
            form=_list_of("networks", KEPT_NETWORK_KEYS),
            meaning="the networks concerned, in full",
        ),
        Key(
            name="values", example="[]",
            form=_list_of("values", VALUE_KEYS),
            meaning="true values that a verification found",
        ),
        Key(
            name="booked", example="[]",
            form=_list_of("bookings", BOOKING_KEYS),
            meaning="pieces that came off the shelf, or went back",
        ),
        Key(name="sum", form=TextForm(), example="b1f6b4a7b4c3",
            meaning=f'tells whether the entry is as it was written; "{BY_HAND}" of one that was '
            "changed since",
            needed="an entry ends with its sum: it was cut off, or edited"),
    ),
)  # fmt: skip
"""The keys of an entry."""


def sum_text(text: str) -> str:
    """Return the sum of an entry: of its text from the line after its mark to that of the sum."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:_LENGTH]


def read_diary(path: Path) -> Diary:
    """Read a diary.

    Parameters
    ----------
    path : Path
        Its file.

    Returns
    -------
    Diary

    Raises
    ------
    InputError
        It is missing, damaged or was edited, with the line.
    """
    return parse_diary(
        decode_diary(read_file(path, _NOUN, largest=LARGEST_DIARY_BYTES), path), path
    )


def decode_diary(data: bytes, path: Path) -> str:
    """Read the text of a diary; a byte that is none is located."""
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            "a diary is plain text", file=path, line=data.count(b"\n", 0, error.start) + 1,
            value=f"the byte 0x{data[error.start]:02x}",
            remedy="take the entry from a copy of the file, or remove it whole",
        ) from None  # fmt: skip


def parse_diary(text: str, path: Path) -> Diary:
    """Read a diary from its text, see `read_diary`."""
    chunks = list(_split_entries(text, path))
    return Diary(
        path=path,
        entries=tuple(
            _read_entry(lines, line, number, path)
            for number, (line, lines) in enumerate(chunks, start=1)
        ),
    )


def _split_entries(text: str, path: Path) -> Iterator[tuple[int, list[str]]]:
    """Yield the line after each mark, and the lines up to the next one."""
    lines = text.split("\n")
    if lines[-1] == "":
        lines.pop()
    begins = [k for k, line in enumerate(lines) if line == MARK]
    first = begins[0] if begins else len(lines)
    for k, line in enumerate(lines[:first], start=1):
        if line.strip() and not line.startswith("#"):
            raise InputError(
                f'an entry begins with a line "{MARK}"', file=path, line=k, value=repr(line[:60]),
                remedy="take the file from a copy, or remove what stands before the first entry",
            )  # fmt: skip
    for begin, end in pairwise([*begins, len(lines)]):
        yield begin + 2, lines[begin + 1 : end]


def _read_entry(lines: Sequence[str], line: int, number: int, path: Path) -> DiaryEntry:
    text = "\n".join(lines)
    wrong = find_unprintable(text.replace("\n", ""))
    if wrong:
        at = next(k for k, one in enumerate(lines) if wrong in one)
        raise InputError(
            "a diary holds characters that can be seen", file=path, line=line + at,
            value=repr(wrong), remedy="remove it",
        )  # fmt: skip
    try:
        # What stands before is left empty, so that lines count from the beginning of the file.
        entry = parse_yaml("\n" * (line - 1) + text, file=str(path), noun="entry of the diary")
        values = ENTRY_KEYS.values(entry)
    except InputError as error:
        raise error.located(file=path, line=line).advised(
            f"{error.remedy + '; ' if error.remedy else ''}entry {number} was damaged or edited: "
            "take it from a copy of the file, or remove it whole"
        ) from None
    told = values.pop("sum")
    by_hand = told == BY_HAND
    _check_sum(lines, line, number, path, told)
    if not is_date(values["date"]):
        raise entry.fields()["date"].error(
            "a date is written as 2026-11-27T04:12:03Z", value=repr(values["date"])
        )
    return replace(DiaryEntry(**values), number=number, line=line, by_hand=by_hand)


def _check_sum(lines: Sequence[str], line: int, number: int, path: Path, told: str) -> None:
    at = max((k for k, one in enumerate(lines) if one.startswith("sum:")), default=0)
    kept = "".join(f"{one}\n" for one in lines[:at])
    after = [one for one in lines[at + 1 :] if one.strip()]
    if told != BY_HAND and (after or told != sum_text(kept)):
        raise InputError(
            f"entry {number} of the diary was changed since it was written",
            file=path,
            line=line,
            remedy=f"undo the change or, to stand by it, write sum: {BY_HAND} in line {line + at}",
        )
