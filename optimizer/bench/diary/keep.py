"""What goes into a diary: entries composed, and added where one is kept."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from optimizer.bench.diary.file import (
    MARK,
    Booking,
    Diary,
    FoundValue,
    decode_diary,
    parse_diary,
    sum_text,
)
from optimizer.bench.networks.file import list_ways
from optimizer.errors import InputError
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.problem.provenance import Provenance
from optimizer.text.quoting import find_unprintable, make_printable
from optimizer.text.stamp import tell_date, tell_version
from optimizer.text.writing import HeldFile, hold_file
from optimizer.text.yamltext import LONGEST_LINE, list_pairs, quote_scalar, say_number

_HEAD = (
    "# The diary of a speaker, kept by laddersmith: what was done, the newest last. Entries are only\n"
    "# ever added; laddersmith diary tells the story. Written in YAML, one document for each entry.\n"
)

Named = tuple[str, Candidate]
"""A network with its figures, and what it is called."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """What an entry is to say; see `optimizer.bench.diary.file.DiaryEntry`.

    Parameters
    ----------
    did, says, cabinets, verdict, values, booked, undoes
        As in `DiaryEntry`.
    problem : Problem, optional
        What the networks were computed for.
    networks : sequence of Named
        The networks concerned.
    """

    did: str
    says: str = ""
    problem: Problem | None = None
    networks: Sequence[Named] = ()
    cabinets: Sequence[str] = ()
    verdict: str = ""
    values: Sequence[FoundValue] = ()
    booked: Sequence[Booking] = ()
    undoes: int = 0

    def render(self) -> str:
        """Write the entry, from its mark to its sum."""
        plain = (
            ("date", json.dumps(tell_date())),
            ("version", json.dumps(tell_version())),
            ("did", self.did),
            ("says", self.says and json.dumps(make_printable(self.says), ensure_ascii=False)),
            ("cabinets", f"[{', '.join(self.cabinets)}]" if self.cabinets else ""),
            ("undoes", str(self.undoes) if self.undoes else ""),
            ("verdict", self.verdict),
        )
        lines = [f"{key}: {text}" for key, text in plain if text]
        if self.problem is not None:
            made = Provenance.made_now(self.problem)
            lines += [*list_pairs("of", made.of), *list_pairs("files", made.files)]
        if self.networks:
            lines.append("networks:")
        for name, candidate in self.networks:
            first, *rest = _list_network(name, candidate)
            lines += [f"  - {first}", *(f"    {line}" for line in rest)]
        lines += _list_blocks("values", [_say_value(one) for one in self.values])
        lines += _list_blocks("booked", [_say_booking(one) for one in self.booked])
        text = "".join(f"{line}\n" for line in lines)
        return f"{MARK}\n{text}sum: {json.dumps(sum_text(text))}\n"


def _list_network(name: str, candidate: Candidate) -> list[str]:
    figures = (
        ("cost", candidate.cost),
        ("price", candidate.price),
        ("lowest_ohm", candidate.impedance_min_ohm),
        ("level_db", candidate.sensitivity_db),
    )
    return [
        f"name: {quote_scalar(make_printable(name))}",
        *(f"{key}: {say_number(value)}" for key, value in figures if value is not None),
        f"pieces: {candidate.parts}",
        *list_pairs("goals", {goal.name: goal.value for goal in candidate.goals}),
        *list_ways(candidate.network),
    ]


def _list_blocks(key: str, blocks: Sequence[str]) -> list[str]:
    return [f"{key}:", *(f"  - {{{one}}}" for one in blocks)] if blocks else []


def _say_value(one: FoundValue) -> str:
    numbers = ("designed", "found", "low", "high", "narrowed")
    said = ", ".join(f"{name}: {say_number(getattr(one, name), 6)}" for name in numbers)
    return f"slot: {quote_scalar(one.slot)}, of: {one.of}, {said}"


def _say_booking(one: Booking) -> str:
    return (
        f"cabinet: {one.cabinet}, file: {quote_scalar(one.file)}, pieces: {one.pieces}, "
        f"row: {json.dumps(one.row, ensure_ascii=False)}"
    )


def check_words(text: str, key: str) -> str:
    """Check what somebody wants to have written down: one line that can be seen.

    Raises
    ------
    InputError
        It is empty, too long, or holds what cannot be seen.
    """
    plain = " ".join(text.split())
    wrong = find_unprintable(plain)
    if not plain or wrong or len(plain) > LONGEST_LINE // 2:
        raise InputError(
            "a note is some words that can be seen",
            key=key,
            value=repr(text[:60]),
            remedy=f"remove the character {wrong!r}" if wrong else "write what was heard, in short",
        )
    return plain


def add_deed(path: Path, deed: Deed) -> int:
    """Add an entry to a diary, which is begun where there is none; return its number.

    Raises
    ------
    InputError
        When the file cannot be written; what stands in it stays.
    """
    with hold_file(path) as held:
        return append_deed(held, deed)


def append_deed(held: HeldFile, deed: Deed) -> int:
    """Add an entry to a diary that is held, see `add_deed`."""
    there = held.read()
    held.append(("" if there else _HEAD) + deed.render())
    return there.split(b"\n").count(MARK.encode()) + 1


def open_diary(held: HeldFile) -> Diary:
    """Read a diary that is held; errors as of `read_diary`."""
    return parse_diary(decode_diary(held.read(), held.path), held.path)
