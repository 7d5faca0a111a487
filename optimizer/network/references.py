"""Reference names: what each part of a whole network is called where it is drawn, bought or soldered.

A design names places within a way ("tweeter.L1"), so that several ways have an L1. On a bench there
is one board: every part of it has one name that no other has. Both stand side by side where a reader
goes from one to the other.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from itertools import count
from typing import Literal

from optimizer.parts import Kind

Label = tuple[str, str]
"""A part by its ladder and what that calls it: ("tweeter", "P1.Rs")."""

References = dict[Label, str]
"""Reference name of each part and transformer."""

LETTERS: dict[Kind | Literal["tap"], str] = {
    "resistor": "R",
    "capacitor": "C",
    "inductor": "L",
    "tap": "T",
}
"""What names begin with: the letters of the trade (IEC 60617 and IEC 61346 use the first three and
the last in the same sense; from memory)."""


def name_references(labels: Iterable[tuple[Label, Kind | Literal["tap"]]]) -> References:
    """Give every part of a network a name of its own.

    Parameters
    ----------
    labels : iterable of ((str, str), str)
        Each part with its kind, and each transformer as "tap", source first.

    Returns
    -------
    dict of (str, str) to str
        The letter of the kind and a number, counted in the order of `labels`. Where all parts of a
        kind are called so already and no two alike, as they are on a board with printed names,
        these names stay.
    """
    by_kind: dict[Kind | Literal["tap"], list[Label]] = defaultdict(list)
    for label, kind in labels:
        by_kind[kind].append(label)
    found: References = {}
    for kind, same in by_kind.items():
        letter = LETTERS[kind]
        own = [name for _, name in same]
        printed = len(set(own)) == len(own) and all(
            re.fullmatch(rf"{letter}[1-9][0-9]*", name, re.ASCII) for name in own
        )
        names = own if printed else (f"{letter}{number}" for number in count(1))
        found |= dict(zip(same, names, strict=False))
    return found


def name_labels(references: References) -> dict[str, str]:
    """Return the names by what places are called in one word ("tweeter.P1.Rs")."""
    return {f"{ladder}.{name}": said for (ladder, name), said in references.items()}
