"""The keys of a design file: where each noun of lower layers stands, and how it is written."""

from __future__ import annotations

from optimizer.design.nouns import Design
from optimizer.design.read.file import DESIGN_KEYS
from optimizer.errors import InputError, Subject
from optimizer.network.topology import Ladder, Topology, Way
from optimizer.text.keys import walk_keys

_SAID = {key.says: (dotted, key.example) for dotted, _, key in walk_keys(DESIGN_KEYS) if key.says}
"""(noun, part) -> dotted key and an example of its value."""

_OF_A_GOAL = {"": "no", "hard": "no", "band": "200 .. 10k", "weight": "1"}
"""What may be written for a goal, and for those of its options that a remedy asks for."""


def find_key(subject: Subject | None, topology: Topology | None = None) -> str:
    """Find the dotted key a subject is written under; empty where a design file has none.

    Parameters
    ----------
    subject : Subject or None
        As a lower layer named it.
    topology : Topology, optional
        Of the design, whose slots are numbered in the file.
    """
    if subject is None:
        return ""
    name = subject.name or "NAME"
    if subject.noun == "goal":
        return f"goals.{name}.{subject.part}".rstrip(".")
    if subject.noun == "slot":
        return _find_slot(subject, topology)
    for part in (subject.part, ""):
        if (subject.noun, part) in _SAID:
            return _SAID[subject.noun, part][0].replace("NAME", name)
    return f"{subject.noun}s.{name}" if subject.noun in ("driver", "way") else ""


def _find_slot(subject: Subject, topology: Topology | None) -> str:
    ladder_name, _, slot_name = subject.name.partition(".")
    ladders = () if topology is None else topology.ladders
    ladder = next((one for one in ladders if one.name == ladder_name), None)
    if topology is not None and ladder is not None:
        for slot, key in zip(ladder.slots, keys_of_slots(topology, ladder), strict=True):
            if slot.name == slot_name:
                return key
    return f"ways.{ladder_name}.ladder"


def keys_of_slots(topology: Topology, ladder: Ladder) -> list[str]:
    """Key of each slot of a way or group: its number, or its place within an alternative.

    Parameters
    ----------
    topology : Topology
        Of the design.
    ladder : Way or Group
        One of its ladders.
    """
    here = key_of_ladder(ladder)
    if isinstance(ladder, Way) and ladder.soldered:
        return [f"{here}.{slot.name}" for slot in ladder.slots]  # written, if at all, by name
    within = {
        name: (choice, "" if choice.control else f".one of.{one.name}[{number}]")
        for choice in topology.choices
        if choice.ladder == ladder.name
        for one in choice.alternatives
        for number, name in enumerate(sorted(one.slots, key=[s.name for s in ladder.slots].index))
    }
    keys: list[str] = []
    entries: list[object] = []
    for slot in ladder.slots:
        entry, inside = within.get(slot.name, (slot, ""))
        if entry not in entries:
            entries.append(entry)
        keys.append(f"{here}[{entries.index(entry)}]{inside}")
    return keys


def key_of_ladder(ladder: Ladder) -> str:
    """Key under which the slots of a way or group are written."""
    return f"{'ways' if isinstance(ladder, Way) else 'groups'}.{ladder.name}.ladder"


def say_in_file(subject: Subject) -> str:
    """Say how a subject is stated in a design file; empty where a design file has no key for it.

    It can be copied as it stands: '"limits: {highest_hz: 6 kHz}" under drivers.woofer'.
    """
    if subject.noun == "goal":
        example = _OF_A_GOAL.get(subject.part, "")
    else:
        _, example = _SAID.get((subject.noun, subject.part), ("", ""))
        file, says, columns = subject.name.partition("=")
        if says and subject.part == "columns":
            example = f"{{{file}: '{columns}'}}"
    return _say_nested(find_key(subject), example) if example else ""


def _say_nested(dotted: str, example: str) -> str:
    path = dotted.split(".")
    # What stands under the user's own names is told from there on.
    above = min(2, len(path) - 1) if path[0] in ("drivers", "ways", "goals") else 0
    *outer, last = path[above:]
    text = f"{last}: {example}"
    for key in reversed(outer):
        text = f"{key}: {{{text}}}"
    return f'"{text}"' + (f" under {'.'.join(path[:above])}" if above else "")


def locate(design: Design, error: InputError, key: str = "") -> InputError:
    """Complete an error of a lower layer: where it stands in the file, how to mend it there.

    Parameters
    ----------
    design : Design
        The design it came from.
    error : InputError
        As raised.
    key : str
        Where it stands when it names no subject that a design file has a key for.
    """
    found = error.key or find_key(error.subject, design.topology) or key
    return design.where(found).locate(error.explained(say_in_file))
