"""Expressions as text in the notation of circuit theory: ``L1 + (C1 || woofer)``.

``+`` joins in series and ``||`` in parallel. Names that begin with R, L or C followed by digits or
small letters are parts, all others drivers; a reader of files can say otherwise. ``C1?`` may be
left out, ``B1: (R || C)?`` may be left out as a whole under its name, ``-tweeter`` is connected the
other way round and ``±tweeter`` either way. ``tap(-6 dB, tweeter)`` or ``tap(0.5, tweeter)`` puts an
ideal transformer in front that leaves that much of the volts, ``A1: tap(...)`` gives it a name. Where
``+`` and ``||`` meet, brackets say which comes first.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

from optimizer.errors import InputError
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    Parallel,
    PartLeaf,
    Series,
    Tap,
)
from optimizer.parts import LETTER_OF_KIND, Kind
from optimizer.text.units import db_to_ratio

KIND_OF_LETTER: dict[str, Kind] = {letter: kind for kind, letter in LETTER_OF_KIND.items()}

_TOKEN = re.compile(
    r"\s*(?:(?P<par>\|\||∥)|(?P<number>\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)|(?P<name>[^\W\d]\w*(?:\.\w+)*)"
    r"|\"(?P<quoted>[^\"]+)\"|(?P<sign>[()+?:,±-]))"
)
_PART = re.compile(r"(?:.*\.)?([RLC])[a-z0-9]*")
_MOST_DEPTH = 100


def read_leaf(name: str) -> Node:
    """Leaf that a name alone stands for: a part by its first letter, else a driver.

    Parameters
    ----------
    name : str
        "L1", "P1.Rs", "tweeter". What follows the last dot tells.

    Returns
    -------
    PartLeaf or DriverLeaf
    """
    match = _PART.fullmatch(name)
    return DriverLeaf(name) if match is None else PartLeaf(KIND_OF_LETTER[match[1]], name)


def parse(text: str, leaf: Callable[[str], Node] = read_leaf) -> Node:
    """Read an expression.

    Parameters
    ----------
    text : str
        In the notation of this module.
    leaf : callable
        What each name stands for; it may raise `InputError`.

    Returns
    -------
    Node

    Raises
    ------
    InputError
        Saying what was expected where.
    """
    return _Reader(text, leaf).read()


class _Token(NamedTuple):
    kind: str
    text: str
    at: int


class _Reader:
    """Recursive descent over the tokens of one text."""

    def __init__(self, text: str, leaf: Callable[[str], Node]) -> None:
        self.text = text
        self.leaf = leaf
        self.tokens: list[_Token] = []
        self.next = 0
        at = 0
        while text[at:].strip():
            match = _TOKEN.match(text, at)
            if match is None:
                at += len(text[at:]) - len(text[at:].lstrip())
                raise self._error("a network is written with names, +, || and brackets", at)
            kind = str(match.lastgroup)
            token = "||" if kind == "par" else match[kind]
            self.tokens.append(_Token(token if kind in ("sign", "par") else kind, token, at))
            at = match.end()

    def _error(self, rule: str, at: int | None = None, remedy: str | None = None) -> InputError:
        if at is None:
            at = self.tokens[self.next].at if self.next < len(self.tokens) else len(self.text)
        rest = self.text[at:].strip()
        found = f'"{rest}" in "{self.text}"' if rest else f'the end of "{self.text}"'
        return InputError(rule, value=found, remedy=remedy)

    def _take(self, *kinds: str) -> str | None:
        if self.next < len(self.tokens) and self.tokens[self.next].kind in kinds:
            self.next += 1
            return self.tokens[self.next - 1].text
        return None

    def _need(self, kind: str, rule: str) -> str:
        token = self._take(kind)
        if token is None:
            raise self._error(rule)
        return token

    def read(self) -> Node:
        node = self._group(0)
        if self.next < len(self.tokens):
            raise self._error("+ or || stands between two things")
        return node

    def _group(self, depth: int) -> Node:
        if depth > _MOST_DEPTH:
            raise self._error(f"brackets go {_MOST_DEPTH} deep at most")
        items = [self._item(depth)]
        joint = self._take("+", "||")
        if joint is None:
            return items[0]
        items.append(self._item(depth))
        while (more := self._take("+", "||")) is not None:
            if more != joint:
                self.next -= 1
                raise self._error(
                    "brackets say which of + and || comes first",
                    remedy='write for instance "A + (B || C)"',
                )
            items.append(self._item(depth))
        group = Series if joint == "+" else Parallel
        flat: list[Node] = []
        for item in items:
            flat.extend(item.items if isinstance(item, group) and not item.place else (item,))
        return group(tuple(flat))

    def _item(self, depth: int) -> Node:
        sign = self._take("-", "±")
        if sign is not None:
            node = self._named(self._name("a sign stands before a driver"))
            if not isinstance(node, DriverLeaf):
                self.next -= 1
                raise self._error("only a driver can be turned")
            return replace(node, polarity="inverted" if sign == "-" else "free")
        if self._take("(") is not None:
            return self._bracket(depth, "")
        name = self._name("a part, a driver or a bracket is expected")
        if name == "tap" and self._take("(") is not None:
            return self._tap(depth)
        if self._take(":") is not None:
            if self._begins_tap():
                return replace(self._tap(depth), name=name)
            if self._take("(") is None:
                raise self._error("a name with a colon stands before a bracket")
            return self._bracket(depth, name)
        node = self._named(name)
        if self._take("?") is None:
            return node
        if not isinstance(node, PartLeaf):
            self.next -= 1
            raise self._error("what holds a driver cannot be left out")
        return replace(node, optional=True)

    def _name(self, rule: str) -> str:
        name = self._take("name", "quoted")
        if name is None:
            raise self._error(rule)
        return name

    def _named(self, name: str) -> Node:
        return self.leaf(name)

    def _bracket(self, depth: int, place: str) -> Node:
        node = self._group(depth + 1)
        self._need(")", "a bracket is closed")
        optional = self._take("?") is not None
        if not place and not optional:
            return node
        if not place:
            raise self._error(
                "an optional bracket needs a name",
                remedy='write for instance "B1: (R || C)?"',
            )
        group = node if isinstance(node, Series | Parallel) and not node.place else Series((node,))
        return replace(group, place=place, optional=optional)

    def _begins_tap(self) -> bool:
        if [token.text for token in self.tokens[self.next : self.next + 2]] != ["tap", "("]:
            return False
        self.next += 2
        return True

    def _tap(self, depth: int) -> Tap:
        below = self._take("-") is not None
        begin = "a tap begins with volts after it over volts before it, as 0.5 or -6 dB"
        gain = (-1.0 if below else 1.0) * float(self._need("number", begin))
        unit = self.tokens[self.next] if self.next < len(self.tokens) else None
        if unit is not None and unit.kind == "name" and unit.text.lower() == "db":
            self.next += 1
            gain = db_to_ratio(gain)
        self._need(",", "a comma follows the ratio of a tap")
        node = self._group(depth + 1)
        self._need(")", "a bracket is closed")
        return Tap(gain, node)
