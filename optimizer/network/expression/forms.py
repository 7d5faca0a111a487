"""What may stand between an amplifier and a driver: each form is one expression.

A form is written once, in the notation of `optimizer.network.expression.notation`, with the word
``rest`` for what follows it towards the driver. Everything else that a program does with a form
(solving, drawing, writing it to a simulator, wiring it, naming its parts in files) follows from
that expression. What has no name is an expression of parts in the line or across it: ``R || C``.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Literal

from optimizer.errors import InputError
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    Parallel,
    PartLeaf,
    Series,
    Tap,
    change,
    driver_leaves,
    part_leaves,
    render,
    say_gain,
    walk_nodes,
)
from optimizer.network.expression.notation import parse, read_leaf
from optimizer.network.expression.plan import NetworkPlan, PartsBranch
from optimizer.parts import KIND_WORDS, Kind
from optimizer.text.suggest import suggest

REST = "rest"

TAP = "tap "
"""What the name of the form of a transformer begins with: "tap -6 dB"."""

Place = Literal["series", "shunt"]
Form = str
"""Name of a form ("trap"), or an expression of parts ("R || C")."""

USUAL_RANGES: dict[Kind, tuple[float, float]] = {
    "inductor": (0.1e-3, 10e-3),
    "capacitor": (1e-6, 150e-6),
    "resistor": (0.47, 47.0),
}
"""Ranges taken when none is stated: what passive networks for 4 to 8 ohm drivers use between
100 Hz and 10 kHz (common practice, no source). A form may have others, see `NamedForm`."""

_PLACE_OF_STEP: dict[str, Place] = {"series": "series", "parallel": "shunt"}
_PART_NAME = re.compile(r"[RLC][a-z0-9]*")


@dataclass(frozen=True)
class NamedForm:
    """A named expression around the rest of a network.

    Parameters
    ----------
    name : str
        What the trade calls it.
    text : str
        The expression, with the word ``rest`` once and last: ``Rs + (Rp || rest)``.
    does : str
        What it is for, in a few words.
    ranges : mapping of str to (float, float)
        By the name of a part ("Rs"): values looked at when none are stated, SI, where they are not
        those of `USUAL_RANGES`.
    letter : str
        What its places are called where a program names them ("P" gives "P1").
    named : bool
        False for an expression that has no name but itself; files call its parts as it does.
    """

    name: str
    text: str
    does: str = ""
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict, compare=False)
    letter: str = "B"
    named: bool = True
    node: Node = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        node = parse(self.text, lambda word: DriverLeaf(REST) if word == REST else _part(word))
        leaves = [n for n in walk_nodes(node) if isinstance(n, PartLeaf | DriverLeaf)]
        # What stands behind it would lie in the return line, which all ways share.
        if len(driver_leaves(node)) != 1 or not isinstance(leaves[-1], DriverLeaf):
            raise InputError(
                f'the word "{REST}" stands once in a form, at its end', value=self.text
            )
        object.__setattr__(self, "node", node)

    @classmethod
    def in_line(cls, text: str) -> NamedForm:
        """Make a form of an expression of parts in the line, as in ``series: "R || C"``.

        Parameters
        ----------
        text : str
            Parts only.
        """
        return cls(text, f"({text}) + {REST}", named=False)

    @classmethod
    def across(cls, text: str) -> NamedForm:
        """Make a form of an expression of parts across the line, as in ``shunt: "L + C"``.

        Parameters are those of `in_line`.
        """
        return cls(text, f"({text}) || {REST}", named=False)

    @cached_property
    def parts(self) -> tuple[PartLeaf, ...]:
        """Its parts in the order in which all lists of its parts run."""
        return part_leaves(self.node)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of its parts in the expression ("Rs")."""
        return tuple(part.name for part in self.parts)

    @cached_property
    def kinds(self) -> tuple[Kind, ...]:
        """Kinds of its parts."""
        return tuple(part.kind for part in self.parts)

    @cached_property
    def branches(self) -> tuple[tuple[Place, PartsBranch], ...]:
        """What lies in the line and what across it, source first."""
        return tuple(
            (_PLACE_OF_STEP[step.kind], branch)
            for step in NetworkPlan(self.node).root.steps
            for branch in step.branches
        )

    @cached_property
    def places(self) -> tuple[Place, ...]:
        """Whether each of its parts is in the line or across it."""
        found = {g: place for place, branch in self.branches for g in branch.leaves}
        return tuple(found[g] for g in range(len(self.parts)))

    @property
    def place(self) -> Place:
        """Where it stands: in the line when anything of it does, as a tap does."""
        return "series" if "series" in self.places or not self.parts else "shunt"

    @property
    def gain(self) -> float | None:
        """Volts after it over volts before it, of a tap; None for what has parts."""
        return self.node.gain if isinstance(self.node, Tap) else None

    @property
    def spans_both(self) -> bool:
        """Whether some of it is in the line and some across it, as of a pad."""
        return len(set(self.places)) > 1

    @cached_property
    def keys(self) -> tuple[str, ...]:
        """What files call its parts.

        The kind where there is one of it ("capacitor"), the place and kind where that is enough
        ("series_resistor"), else the name in the expression; always the latter without a name.
        """
        if not self.named:
            return self.names
        placed = tuple(f"{p}_{kind}" for p, kind in zip(self.places, self.kinds, strict=True))
        kinds, both = Counter(self.kinds), Counter(placed)
        return tuple(
            kind if kinds[kind] == 1 else longer if both[longer] == 1 else name
            for kind, longer, name in zip(self.kinds, placed, self.names, strict=True)
        )

    @property
    def usual_ranges(self) -> tuple[tuple[float, float], ...]:
        """Values looked at when none are stated, SI, of each part."""
        return tuple(self.ranges.get(p.name, USUAL_RANGES[p.kind]) for p in self.parts)

    def label_parts(self, place: str) -> tuple[str, ...]:
        """Name its parts in a place of a network.

        Parameters
        ----------
        place : str
            Name of the place.

        Returns
        -------
        tuple of str
            A single part is called as the place ("L1"), others "P1.Rs", "P1.Rp".
        """
        return (place,) if len(self.parts) == 1 else tuple(f"{place}.{n}" for n in self.names)

    def around(
        self,
        rest: Node,
        name: str,
        parts: Sequence[PartLeaf] | None = None,
        beside: Sequence[Node] = (),
    ) -> Node:
        """Put the form in front of a network.

        Parameters
        ----------
        rest : Node
            What follows it.
        name : str
            Name of the place ("P1").
        parts : sequence of PartLeaf, optional
            What is known of each of its parts (ranges, what is kept, whether it is optional), in
            the order of `parts`; their names and places are set here. Their kinds are those of the
            form, except on a board where parts were mixed up.
        beside : sequence of Node
            See `fill`.

        Returns
        -------
        Node
            Parts are called as `label_parts` says.
        """
        return self.fill(rest, self.name_leaves(name, parts), beside, name)

    def name_leaves(self, name: str, parts: Sequence[PartLeaf] | None = None) -> list[PartLeaf]:
        """Return its parts under their names in a place, see `around`."""
        return [
            replace(part, name=label, place=name)
            for part, label in zip(parts or self.parts, self.label_parts(name), strict=True)
        ]

    def fill(
        self, rest: Node, parts: Sequence[PartLeaf], beside: Sequence[Node] = (), name: str = ""
    ) -> Node:
        """Put certain parts and what follows into the expression.

        Parameters
        ----------
        rest : Node
            What follows.
        parts : sequence of PartLeaf
            In the order of `parts`.
        beside : sequence of Node
            What lies in parallel with the first that is in the line; it comes before that.
        name : str
            Of a tap.
        """
        known = dict(zip(self.names, parts, strict=True))
        made = change(
            self.node, lambda leaf: known[leaf.name] if isinstance(leaf, PartLeaf) else leaf
        )
        assert made is not None
        if isinstance(made, Tap):
            made = replace(made, name=name)
        if beside:
            made = _put_beside(made, beside)
        made = change(made, lambda leaf: rest if isinstance(leaf, DriverLeaf) else leaf)
        assert made is not None
        return made

    def fill_alone(self, parts: Sequence[PartLeaf]) -> Node:
        """Put certain parts into a form that is in the line only, with nothing that follows.

        Parameters
        ----------
        parts : sequence of PartLeaf
            In the order of `parts`.
        """
        assert set(self.places) == {"series"}, "what lies across a place is in the line"
        known = dict(zip(self.names, parts, strict=True))
        made = change(
            self.node, lambda leaf: known[leaf.name] if isinstance(leaf, PartLeaf) else None
        )
        assert made is not None
        return made


def _put_beside(node: Node, beside: Sequence[Node]) -> Node:
    """Put nodes in parallel with the first thing in the line; what follows comes last."""
    assert isinstance(node, Series | Parallel)
    *first, last = node.items
    if isinstance(node, Parallel):
        return replace(node, items=(*first, _put_beside(last, beside)))
    held = first[0] if len(first) == 1 else Series(tuple(first))
    return replace(node, items=(Parallel((*beside, held)), last))


def _part(word: str) -> Node:
    if _PART_NAME.fullmatch(word) is not None:
        return read_leaf(word)
    raise InputError(
        "the name of a part begins with R, L or C and goes on with small letters or digits",
        value=f'"{word}"',
        remedy="write for instance R, L1 or Ca",
    )


FORM_WORDS = {
    **dict.fromkeys(("l pad", "lpad", "attenuator", "attenuation", "divider"), "pad"),
    **dict.fromkeys(("zobel", "conjugate", "impedance equaliser", "equalizer"), "equaliser"),
    **dict.fromkeys(("series notch", "series resonant", "notch filter"), "notch"),
    **dict.fromkeys(("tank", "parallel notch", "parallel resonant"), "trap"),
}
"""What people call some forms, lower case."""

NAMED_FORMS: dict[tuple[Place, str], NamedForm] = {}
"""Named forms by place and name. A form that is added here works everywhere."""


def add_form(form: NamedForm) -> NamedForm:
    """Make a form known under its name.

    Parameters
    ----------
    form : NamedForm
        Another of the same name and place is replaced.
    """
    NAMED_FORMS[form.place, form.name] = form
    return form


for _form in (
    NamedForm("inductor", "L + rest", "takes the treble away", letter="L"),
    NamedForm("inductor", "L || rest", "takes the bass away", letter="L"),
    NamedForm("capacitor", "C + rest", "takes the bass away", letter="C"),
    NamedForm("capacitor", "C || rest", "takes the treble away", letter="C"),
    NamedForm("resistor", "R + rest", "lowers the level", letter="R"),
    NamedForm("resistor", "R || rest", "steadies the load", letter="R"),
    NamedForm(
        "notch",
        "(L + C + R) || rest",
        "takes a narrow band away",
        ranges={"R": (0.47, 22.0)},
        letter="N",
    ),
    NamedForm(
        "trap",
        "(L || C || R) + rest",
        "takes a narrow band away",
        ranges={"L": (0.1e-3, 4.7e-3), "C": (1e-6, 68e-6), "R": (1.0, 47.0)},
        letter="T",
    ),
    NamedForm(
        "equaliser",
        "(R + C) || rest",
        "steadies a load that rises with frequency",
        ranges={"R": (2.2, 22.0)},
        letter="Z",
    ),
    NamedForm(
        "pad",
        "Rs + (Rp || rest)",
        "lowers the level and keeps the load",
        ranges={"Rs": (0.47, 22.0), "Rp": (1.0, 47.0)},
        letter="P",
    ),
    NamedForm(
        "bypassed pad",
        "(Rs || C) + (Rp || rest)",
        "lowers the level, less at the top",
        ranges={"Rs": (0.47, 22.0), "Rp": (1.0, 47.0), "C": (0.47e-6, 22e-6)},
        letter="P",
    ),
    NamedForm(
        "contour",
        "(L || R) + rest",
        "steps the level down above a frequency",
        ranges={"L": (0.1e-3, 4.7e-3), "R": (0.47, 22.0)},
        letter="B",
    ),
):
    add_form(_form)


def list_form_names() -> tuple[str, ...]:
    """Names of all forms, in the order in which they are told."""
    return tuple(dict.fromkeys(name for _, name in NAMED_FORMS))


def form_of(form: Form, place: Place) -> NamedForm:
    """Find the form that a slot has.

    Parameters
    ----------
    form : str
        Name of a form, or an expression of parts.
    place : {"series", "shunt"}
        In the line or across it.

    Raises
    ------
    InputError
        A name that is not known, a form that cannot stand there, an expression that cannot be read.
    """
    return NAMED_FORMS.get((place, form)) or _find_form(form, place)


@cache
def form_of_tap(text: str) -> NamedForm:
    """Make the form of a transformer.

    Parameters
    ----------
    text : str
        Volts after it over volts before it: "0.5" or "-6 dB".

    Raises
    ------
    InputError
        What cannot be read, or is not above 0.
    """
    refusal = InputError(
        "a tap is volts after it over volts before it, above 0, or the same in dB",
        value=f'"{text}"',
        remedy="write for instance 0.5 or -6 dB",
    )
    try:
        node = parse(f"{TAP.strip()}({text}, {REST})", DriverLeaf)
    except InputError as error:
        raise refusal from error
    if not isinstance(node, Tap) or not isinstance(node.item, DriverLeaf):
        raise refusal
    said = say_gain(node.gain)
    return NamedForm(f"{TAP}{said}", f"tap({said}, {REST})", "sets the level", letter="A")


def _find_form(text: str, place: Place) -> NamedForm:
    if text.startswith(TAP) and place == "series":
        return form_of_tap(text.removeprefix(TAP))
    other: Place = "shunt" if place == "series" else "series"
    if (other, text) in NAMED_FORMS:
        raise InputError(
            f"{say_with_article(text)} cannot stand in {place}",
            value=repr(text),
            remedy=f'write "{other}: {text}"',
        )
    if re.search(r"[+|∥()]", text) is None:
        names = list_form_names()
        alone = _PART_NAME.fullmatch(text) is not None
        raise InputError(
            f"one of {', '.join(names)} is expected, or an expression of parts",
            value=repr(text),
            remedy="a single part is written out, as inductor"
            if alone
            else _guess_form(text, names),
        )
    return _read_form(text, place)


def _guess_form(text: str, names: Sequence[str]) -> str:
    """Say which form was meant by a word that people use for one."""
    word = text.strip().casefold().replace("-", " ").replace("_", " ")
    meant = KIND_WORDS.get(word) or FORM_WORDS.get(word)
    return f'write "{meant}"' if meant else suggest(text, names)


@cache
def _read_form(text: str, place: Place) -> NamedForm:
    """Read an expression of parts in the line or across it."""
    node = parse(text, _part)
    if any(map(_is_more, walk_nodes(node))):
        raise InputError(
            "the expression of a place holds parts, +, || and brackets only",
            value=f'"{text}"',
            remedy="a place is left out as a whole: optional: yes",
        )
    names = [part.name for part in part_leaves(node)]
    twice = next((name for name, count in Counter(names).items() if count > 1), None)
    if twice is not None:
        raise InputError(
            "each part of a place has a name of its own",
            value=f'{twice} more than once in "{text}"',
            remedy=f"write for instance {twice[0]}1 and {twice[0]}2",
        )
    pieces = {f"{name}{letter}": name for name in names for letter in "abcdefgh"}
    alike = next((name for name in names if name in pieces), None)
    if alike is not None:
        raise InputError(
            f"the pieces of {pieces[alike]} may be called {pieces[alike]}a, {pieces[alike]}b, ...",
            value=f'{alike} in "{text}"',
            remedy=f"write for instance {alike[0]}1 and {alike[0]}2",
        )
    if len(names) < 2:
        kind = part_leaves(node)[0].kind
        raise InputError(
            "an expression joins two parts or more", value=f'"{text}"', remedy=f'write "{kind}"'
        )
    return (NamedForm.in_line if place == "series" else NamedForm.across)(render(node))


def _is_more(node: Node) -> bool:
    """Whether a node says more than how parts are joined."""
    if isinstance(node, PartLeaf):
        return node.optional
    return not isinstance(node, Series | Parallel) or bool(node.place)


def say_with_article(form: str) -> str:
    """Say a form or kind with its article; an expression in quotation marks."""
    if re.search(r"[+|]", form):
        return f'"{form}"'
    return f"{'an' if form[0] in 'aeiou' else 'a'} {form}"
