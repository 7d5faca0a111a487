"""`laddersmith board`: a network file of an existing board, by answering questions."""

from __future__ import annotations

import argparse
import re
import sys
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from optimizer.cli.options import add_verb
from optimizer.cli.outcome import DONE
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.network.network import FittedGroup, FittedSlot, FittedWay, Network
    from optimizer.parts import Kind, Part

_Answer = TypeVar("_Answer")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
_WIDTH = 98
_FRONT = "front"
"""What the section is called that all ways share."""


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "board",
        help="write a network file of an existing board by answering questions",
        description="Ask what sits where on an existing crossover board, source first, and write a "
        "network file of it, which a design begins from (board: FILE) and check reads. Values are "
        'answered as they are printed ("4u7", "3,3 mH"), unknown ones with ?, which tells how to '
        "measure them. Answers may be piped, one a line. Nothing is written before all is answered.",
    )
    parser.add_argument(
        "file", metavar="FILE", nargs="?", default="board.yaml",
        help="the file to write (default board.yaml); never one that is there",
    )  # fmt: skip
    return parser


def run(args: argparse.Namespace) -> int:
    """Ask, show the schematic, and write the file."""
    from optimizer.bench.networks.file import write_network
    from optimizer.cli.screen import Screen
    from optimizer.text.writing import claim_output

    path = Path(args.file)
    if path.exists():
        raise InputError(
            "a network file is never overwritten", file=path,
            remedy="choose another name: the old one stays to go back to",
        )  # fmt: skip
    claim_output(path, option="FILE")
    dialog = _Dialog(quiet=args.quiet)
    title, network = dialog.board()
    write_network(path, network, parent="", note="board as found", title=title)
    Screen(quiet=args.quiet).show(
        f'Written: {path}. A design begins from it by "board: {path.name}".'
    )
    return DONE


class _Ended(InputError):
    """There are no answers left: nobody is there to be asked again."""


class _Dialog:
    """Questions and answers, one line each."""

    def __init__(self, *, quiet: bool) -> None:
        self.quiet = quiet
        self.explained = False

    # -- one question

    def say(self, text: str, *, drawn: bool = False) -> None:
        """Print a line, broken where it is long; one of a drawing as it is."""
        from optimizer.text.writing import print_whole

        lines = [text] if drawn else textwrap.wrap(text, _WIDTH, subsequent_indent="    ") or [""]
        if not self.quiet:
            print_whole("".join(f"{line}\n" for line in lines))

    def ask(self, question: str, read: Callable[[str], _Answer], given: str = "") -> _Answer:
        """Ask until the answer can be read; a bad one is told why.

        Parameters
        ----------
        question : str
        read : callable
            Makes something of the answer, or raises.
        given : str
            An answer that came with the one before.
        """
        while True:
            text = given or self._line(question)
            given = ""
            try:
                return read(text)
            except InputError as error:
                self.say(f"    {error}")

    def _line(self, question: str) -> str:
        self.say(question)
        try:
            line = sys.stdin.readline(10_000)
        except (OSError, ValueError, UnicodeDecodeError) as error:
            raise InputError("the answers cannot be read", value=str(error)) from None
        if not line:
            raise _Ended(
                "the answers ended before the board was complete",
                value=f"nothing for: {question}",
                remedy="answer every question; nothing was written",
            )
        return line.strip()

    # -- the board

    def board(self) -> tuple[str, Network]:
        """Ask for the whole board, until it is said to be right."""
        from optimizer.network.network import Network
        from optimizer.report.ladder_text import draw_tree

        title = self.ask("What is the speaker called? (may be left empty)", _read_title)
        names = self.ask(
            "Which ways has it, lowest first, by the names of their drivers? "
            "(woofer midrange tweeter)",
            _read_names,
        )
        ways = {name: self._way(name) for name in names}
        shared = self._shared(names)
        while True:
            network = Network(ways=tuple(ways.values()), groups=shared)
            self.say("")
            for line in draw_tree(network):
                self.say(line, drawn=True)
            again = self.ask(
                f"Is this right? (yes, or what to answer again: {', '.join([*names, _FRONT])})",
                lambda text: _read_again(text, [*names, _FRONT]),
            )
            if not again:
                return title, network
            if again == _FRONT:
                shared = self._shared(names)
            else:
                ways[again] = self._way(again)

    def _way(self, name: str) -> FittedWay:
        from optimizer.network.network import FittedWay

        slots = self._ladder(name)
        inverted = self.ask(
            f"{name}: where does the (+) of the driver go? (filter or return; filter when left empty)",
            _read_polarity,
        )
        return FittedWay(name=name, driver=name, polarity=-1 if inverted else 1, slots=slots)

    def _shared(self, names: Sequence[str]) -> tuple[FittedGroup, ...]:
        from optimizer.network.network import FittedGroup

        if len(names) < 2:
            return ()
        if not self.ask(
            "Is there any part between the terminals and the point where the ways part? (no or yes)",
            _read_yes,
        ):
            return ()
        slots = self._ladder(_FRONT)
        return (FittedGroup(name=_FRONT, members=tuple(names), slots=slots),) if slots else ()

    def _ladder(self, name: str) -> tuple[FittedSlot, ...]:
        from optimizer.bench.networks.asked import hear_place, name_slot
        from optimizer.network.network import FittedSlot

        end = "the point where the ways part" if name == _FRONT else "its driver"
        self.say(f"{name}: from the amplifier to {end}, one place after the other.")
        slots: list[FittedSlot] = []
        while True:
            examples = (
                "line coil, across capacitor 4u7, line resistor, line pad, across R + C; "
                if not (slots or self.explained)
                else ""
            )
            self.explained = True
            found = self.ask(
                f"{name}, place {len(slots) + 1}: line or across, and what? ({examples}empty when "
                f"{end} comes next)",
                lambda text: hear_place(text) if text else None,
            )
            if found is None:
                return tuple(slots)
            place, form, rest = found
            slot = name_slot(form, slots)
            where = {"series": " in the line", "shunt": " across it"} if form.spans_both else {}
            parts = tuple(
                self._part(
                    f"{name} {label}{where.get(at, '')}", kind, rest if len(form.kinds) == 1 else ""
                )
                for label, kind, at in zip(
                    form.label_parts(slot), form.kinds, form.places, strict=True
                )
            )
            slots.append(FittedSlot(name=slot, place=place, form=form.name, parts=parts))

    def _part(self, label: str, kind: Kind, given: str) -> Part:
        while True:
            try:
                return self._make(label, kind, given)
            except _Ended:
                raise
            except InputError as error:
                self.say(f"    {error}")
                given = ""

    def _make(self, label: str, kind: Kind, given: str) -> Part:
        from optimizer.bench.networks import asked

        word = {"inductor": "coil", "capacitor": "capacitor", "resistor": "resistor"}[kind]
        example = {"inductor": "3.3 mH", "capacitor": "4u7", "resistor": "2.2"}[kind]
        value_text, _, more = given.partition(" dcr ")
        value = None
        while value is None:
            value = self.ask(
                f"{label}: value of the {word}, as printed? ({example}; ? when it is not known)",
                lambda text: asked.hear_value(text, kind),
                value_text.strip(),
            )
            value_text = ""
            if value is None:
                self.say(f"    {asked.HOW_TO_MEASURE[kind]}.")
        if kind == "resistor":
            return asked.make_resistor(value)
        if kind == "capacitor":
            made_of = self.ask(
                f"{label}: film, polyester or electrolytic? (film when left empty)",
                asked.hear_dielectric,
            )
            return asked.make_capacitor(value, made_of)
        ohm = self.ask(
            f"{label}: its resistance by a meter, in ohm? (empty when it was not measured)",
            asked.hear_resistance,
            more.strip(),
        )
        return asked.make_coil(value, ohm)


def _read_title(text: str) -> str:
    from optimizer.text.quoting import find_unprintable

    wrong = find_unprintable(text)
    if wrong:
        raise InputError("a name is of characters that can be seen", value=repr(text))
    return text


def _read_names(text: str) -> list[str]:
    names = text.replace(",", " ").split()
    wrong = next((n for n in names if not _NAME.fullmatch(n) or n == _FRONT), None)
    if not names or wrong is not None or len(set(names)) < len(names):
        raise InputError(
            "a way is a word of letters and digits, and each another one",
            value=repr(wrong or text),
            remedy='write for instance "woofer midrange tweeter"',
        )
    return names


def _read_polarity(text: str) -> bool:
    word = text.lower()
    if word in ("", "filter", "normal"):
        return False
    if word in ("return", "inverted"):
        return True
    raise InputError("the (+) goes to the filter or to the return", value=repr(text),
                     remedy="write filter or return")  # fmt: skip


def _read_yes(text: str) -> bool:
    word = text.lower()
    if word in ("", "no", "n"):
        return False
    if word in ("yes", "y"):
        return True
    raise InputError("yes or no is expected", value=repr(text))


def _read_again(text: str, names: Sequence[str]) -> str:
    if text.lower() in ("yes", "y"):
        return ""
    if text in names:
        return text
    raise InputError(
        "yes, or the name of what is wrong, is expected",
        value=repr(text),
        remedy=f"one of {', '.join(names)}",
    )
