"""YAML text with line numbers: a cursor that knows where it stands and says so in its errors.

Scalars are kept as they were written ("4.7 uF", "0.050", "30"), never as what YAML 1.1 makes of
them, so a driver may be called "on" and a quantity keeps its unit. Only flags are read the YAML
way (yes, no, on, off, true, false).
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import yaml

from optimizer.errors import InputError
from optimizer.text.quoting import find_unprintable
from optimizer.text.reading import decode_text, read_file
from optimizer.text.suggest import suggest as suggest
from optimizer.text.units import LARGEST_NUMBER, parse_quantity, parse_range

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_.+-]*( [A-Za-z0-9_.+-]+)*")
_Word = TypeVar("_Word", bound=str)
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_WHOLE_NUMBER = re.compile(r"[+-]?\d{1,15}")
_READ_DIFFERENTLY = frozenset("\t?!")
"""Tabs, keys marked by ? and tags: libyaml takes more of these than PyYAML does."""
LONGEST_LINE = 10_000
"""Characters of one value; a long one is a network written as one expression."""
MOST_ENTRIES = 100_000
"""Keys, values and items of one file."""
_SHOWN = 60
_MERGE = "tag:yaml.org,2002:merge"
_NULL = "tag:yaml.org,2002:null"
_BOOL = "tag:yaml.org,2002:bool"


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """A spot in a file: what an error needs to be found again.

    Parameters
    ----------
    file : str
        The file.
    line : int
        Line, counted from 1.
    key : str
        Dotted key ("ways.woofer.ladder[2].from"), empty for the whole file.
    """

    file: str
    line: int
    key: str = ""

    def error(self, rule: str, *, value: object = None, remedy: str | None = None) -> InputError:
        """Make the error for a broken rule at this spot."""
        return InputError(
            rule, file=self.file, line=self.line, key=self.key or None, value=value, remedy=remedy
        )

    def locate(self, error: InputError) -> InputError:
        """Complete an error that came from a lower layer with this spot.

        An error that already names a file (a measurement) keeps it; this spot's line would be a
        line of another file, so only the key is added then.
        """
        if error.file is not None and error.file != self.file:
            return error.located(key=self.key or None)
        return error.located(file=self.file, line=self.line, key=self.key or None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One node of a YAML file with its spot; every reader method raises a located error."""

    node: yaml.Node
    where: Where

    @property
    def is_null(self) -> bool:
        """Whether nothing is written here."""
        return bool(self.node.tag == _NULL)

    @property
    def is_mapping(self) -> bool:
        """Whether keys with values are written here."""
        return isinstance(self.node, yaml.MappingNode)

    @property
    def is_list(self) -> bool:
        """Whether a list is written here."""
        return isinstance(self.node, yaml.SequenceNode)

    @property
    def is_off(self) -> bool:
        """Whether the flag "no" (off, false) is written here."""
        return bool(self.node.tag == _BOOL) and not self.flag()

    def error(self, rule: str, *, value: object = None, remedy: str | None = None) -> InputError:
        """Make the error for a broken rule at this entry."""
        return self.where.error(rule, value=value, remedy=remedy)

    def fields(
        self, known: Iterable[str] | None = None, *, needed: Iterable[str] = ()
    ) -> dict[str, Entry]:
        """Read a mapping.

        Parameters
        ----------
        known : iterable of str, optional
            Allowed keys; any key is allowed when None.
        needed : iterable of str
            Keys that must be there.

        Returns
        -------
        dict of str to Entry
            In the order of the file; keys merged from an anchor ("<<") come first.

        Raises
        ------
        InputError
            No mapping, a key twice, an unknown key (with a suggestion), a key missing.
        """
        if self.is_null:
            found: dict[str, Entry] = {}
        elif self.is_mapping:
            found = self._pairs(self.node, frozenset())
        else:
            raise self.error(
                "keys with values are expected here", value=self._shown(),
                remedy='write "key: value" lines, indented by two spaces',
            )  # fmt: skip
        if known is not None:
            allowed = list(known)
            for name, entry in found.items():
                if name not in allowed:
                    raise entry.error("unknown key", value=repr(name),
                                      remedy=suggest(name, allowed))  # fmt: skip
        for name in needed:
            if name not in found:
                raise self.error(f'the key "{name}" is missing', remedy=f'add "{name}: ..."')
        return found

    def items(self) -> list[Entry]:
        """Read a list; a null is an empty one."""
        if self.is_null:
            return []
        if not isinstance(self.node, yaml.SequenceNode):
            raise self.error(
                "a list is expected here", value=self._shown(),
                remedy='write one "- ..." line for each item',
            )  # fmt: skip
        return [
            Entry(node=node, where=self._spot(node, f"{self.where.key}[{number}]"))
            for number, node in enumerate(self.node.value)
        ]

    def text(self) -> str:
        """Read text as it is written."""
        if not isinstance(self.node, yaml.ScalarNode) or self.is_null:
            raise self.error("a single value is expected here", value=self._shown())
        return _check_line(str(self.node.value).rstrip("\n"), self.where)

    def flag(self) -> bool:
        """Read yes or no."""
        if self.node.tag != _BOOL:
            raise self.error("yes or no is expected here", value=self._shown())
        return str(self.node.value).lower() in ("yes", "true", "on")

    def choice(self, words: Iterable[_Word]) -> _Word:
        """Read one of some words."""
        allowed = list(words)
        written = self.text()
        for word in allowed:
            if written == word:
                return word
        raise self.error(f"one of {', '.join(allowed)} is expected", value=repr(written),
                         remedy=suggest(written, allowed))  # fmt: skip

    def number(self, *, least: float | None = None) -> float:
        """Read a plain number, not below `least`."""
        written = self.text()
        if not _NUMBER.fullmatch(written):
            raise self.error("a number is expected here", value=repr(written))
        return self._at_least(float(written), least, "")

    def whole_number(self, *, least: int = 0) -> int:
        """Read an integer, not below `least`."""
        written = self.text()
        if not _WHOLE_NUMBER.fullmatch(written):
            raise self.error("a whole number is expected here", value=repr(written))
        return int(self._at_least(int(written), least, ""))

    def quantity(
        self, unit: str, *, least: float | None = None, above: float | None = None
    ) -> float:
        """Read a quantity in a unit, not below `least`, and above `above`."""
        try:
            value = parse_quantity(self.text(), unit)
        except InputError as error:
            raise self.where.locate(error) from None
        if above is not None and not value > above:
            raise self.error(f"the value must be above {above:g} {unit}", value=self.text())
        return self._at_least(value, least, unit)

    def range(self, unit: str, *, above: float | None = None) -> tuple[float, float]:
        """Read a range "low .. high", whose low end is above `above`."""
        try:
            low, high = parse_range(self.text(), unit)
        except InputError as error:
            raise self.where.locate(error) from None
        if above is not None and not low > above:
            raise self.error(f"the range must start above {above:g} {unit}", value=self.text())
        return low, high

    def _at_least(self, value: float, least: float | None, unit: str) -> float:
        if not abs(value) <= LARGEST_NUMBER:
            raise self.error(
                f"a number beyond {LARGEST_NUMBER:g} is surely a slip", value=self.text()
            )
        if least is not None and value < least:
            raise self.error(f"the value must be at least {least:g} {unit}".rstrip(),
                             value=self.text())  # fmt: skip
        return value

    def with_keys(self, texts: Mapping[str, str]) -> Entry:
        """Return the block with more keys, as if they were written in its first line.

        Parameters
        ----------
        texts : mapping of str to str
            YAML text of the value of each key; it stands instead of one that is written.
        """
        old = list(self.node.value) if isinstance(self.node, yaml.MappingNode) else []
        mark = self.node.start_mark
        new = yaml.compose(
            "{" + ", ".join(f"{key}: {text}" for key, text in texts.items()) + "}", yaml.SafeLoader
        )
        stack = [new] if new is not None else []
        while stack:
            one = stack.pop()
            one.start_mark = mark
            stack += _list_inside(one)
        more = list(new.value) if isinstance(new, yaml.MappingNode) else []
        pairs = [pair for pair in old if pair[0].value not in texts]
        tag = "tag:yaml.org,2002:map"
        node = yaml.MappingNode(tag, [*pairs, *more], mark, self.node.end_mark)
        return Entry(node=node, where=self.where)

    def replaced(self, texts: Mapping[str, str]) -> Entry:
        """Return a block of such keys alone, see `with_keys`."""
        empty = yaml.MappingNode(
            "tag:yaml.org,2002:map", [], self.node.start_mark, self.node.end_mark
        )
        return Entry(node=empty, where=self.where).with_keys(texts)

    def _pairs(self, mapping: yaml.Node, seen: frozenset[int]) -> dict[str, Entry]:
        """Pairs of a mapping node, those of merged anchors first; own keys win."""
        merged: dict[str, Entry] = {}
        own: dict[str, Entry] = {}
        for key_node, value_node in mapping.value:
            if key_node.tag == _MERGE:
                sources = (
                    value_node.value if isinstance(value_node, yaml.SequenceNode) else [value_node]
                )
                for source in sources:
                    if not isinstance(source, yaml.MappingNode) or id(source) in seen:
                        raise self._spot(key_node, self.where.key).error(
                            'what is merged with "<<" must be another block of keys'
                        )
                    for name, entry in self._pairs(source, seen | {id(mapping)}).items():
                        merged.setdefault(name, entry)
                continue
            spot = self._spot(key_node, self.where.key)
            if not isinstance(key_node, yaml.ScalarNode):
                raise spot.error("a key must be plain text")
            name = _check_line(str(key_node.value), spot)
            if name in own:
                raise self._spot(key_node, self._dotted(name)).error(
                    f"a key may stand once; the first is in line {own[name].where.line}",
                    value=repr(name), remedy="remove or rename one of them",
                )  # fmt: skip
            own[name] = Entry(node=value_node, where=self._spot(key_node, self._dotted(name)))
        return {**merged, **own}

    def _dotted(self, name: str) -> str:
        return f"{self.where.key}.{name}" if self.where.key else name

    def _spot(self, node: yaml.Node, key: str) -> Where:
        return Where(file=self.where.file, line=node.start_mark.line + 1, key=key)

    def _shown(self) -> str:
        if isinstance(self.node, yaml.MappingNode):
            return "a block of keys"
        if isinstance(self.node, yaml.SequenceNode):
            return "a list"
        return "nothing" if self.is_null else repr(str(self.node.value))


def _check_line(text: str, where: Where) -> str:
    """Return what is written if it can be seen, all of it, on one line."""
    wrong = find_unprintable(text)
    if wrong:
        raise where.error(
            "what is written must be one line of characters that can be seen",
            value=repr(text[:_SHOWN]),
            remedy="write it on one line" if wrong == "\n" else f"remove the character {wrong!r}",
        )
    if len(text) > LONGEST_LINE:
        raise where.error(
            f"a value has at most {LONGEST_LINE} characters",
            value=f"{len(text)} that begin with {text[:_SHOWN]!r}",
        )
    return text


def _check_size(root: yaml.Node, where: Where) -> None:
    """Refuse what a few lines make endless by anchors: each alias counts as what it stands for."""
    sizes: dict[int, int] = {}
    open_: set[int] = set()
    stack = [root]
    while stack:
        node = stack[-1]
        inside = _list_inside(node)
        if id(node) not in sizes and id(node) not in open_:
            open_.add(id(node))
            left = [one for one in inside if id(one) not in sizes]
            looped = next((one for one in left if id(one) in open_), None)
            if looped is not None:
                raise Where(file=where.file, line=looped.start_mark.line + 1).error(
                    "an anchor cannot stand within itself", remedy='remove the alias ("*...") there'
                )
            stack += left
            if left:
                continue
        stack.pop()
        if id(node) in open_:
            open_.discard(id(node))
            sizes[id(node)] = 1 + sum(sizes[id(one)] for one in inside)
            if sizes[id(node)] > MOST_ENTRIES:
                raise Where(file=where.file, line=node.start_mark.line + 1).error(
                    f"a file has at most {MOST_ENTRIES} entries, those repeated by aliases counted",
                    remedy='write out what is needed, without anchors ("&...") of anchors',
                )


def _list_inside(node: yaml.Node) -> list[yaml.Node]:
    if isinstance(node, yaml.MappingNode):
        return [one for pair in node.value for one in pair]
    return list(node.value) if isinstance(node, yaml.SequenceNode) else []


def read_yaml(path: Path, *, noun: str = "design file") -> Entry:
    """Read one YAML file.

    Parameters
    ----------
    path : Path
        The file.
    noun : str
        What it is called in messages.

    Returns
    -------
    Entry
        The whole document, a mapping.

    Raises
    ------
    InputError
        When the file is missing, no text, empty, or no YAML; each with its line.
    """
    data = read_file(path, noun)
    try:
        text = decode_text(data, noun)
    except InputError as error:
        raise error.located(file=str(path)) from None
    return parse_yaml(text, file=str(path), noun=noun)


def parse_yaml(text: str, *, file: str, noun: str = "design file") -> Entry:
    """Read YAML text that came from `file`; see `read_yaml`."""
    try:
        node = _compose(text)
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise InputError(f"the {noun} must be plain text", file=file, line=line,
                         value=f"the character {chr(error.character)!r}"
                         if isinstance(error.character, int) else None,
                         remedy="save it as UTF-8 text") from None  # fmt: skip
    except yaml.MarkedYAMLError as error:
        raise _explain(error, text, file, noun) from None
    except RecursionError:
        raise InputError(f"the {noun} is nested too deeply", file=file) from None
    if node is None or node.tag == _NULL:
        raise InputError(f"the {noun} is empty", file=file,
                         remedy="write at least drivers and ways")  # fmt: skip
    entry = Entry(node=node, where=Where(file=file, line=node.start_mark.line + 1))
    _check_size(node, entry.where)
    if not entry.is_mapping:
        raise entry.error(f'the {noun} must consist of "key: value" lines')
    return entry


def _compose(text: str) -> yaml.Node | None:
    """Make nodes of YAML text, ten times as fast where PyYAML was built with libyaml.

    Text that the two read differently, and what libyaml refuses, is left to PyYAML itself, whose
    errors say more.
    """
    if yaml.__with_libyaml__ and _READ_DIFFERENTLY.isdisjoint(text):
        with contextlib.suppress(yaml.YAMLError, UnicodeError):
            return _get_node(yaml.CSafeLoader(text))
    return _get_node(yaml.SafeLoader(text))


def _get_node(loader: yaml.SafeLoader | yaml.CSafeLoader) -> yaml.Node | None:
    try:
        return loader.get_single_node()
    finally:
        loader.dispose()


def _explain(error: yaml.MarkedYAMLError, text: str, file: str, noun: str) -> InputError:
    """Translate a YAML error; tabs in front of a line are the usual cause, so look for them."""
    mark = error.problem_mark or error.context_mark
    line = mark.line if mark else 0
    lines = text.splitlines()
    # The scanner may notice the tab one line late.
    for number in (line, line - 1):
        if 0 <= number < len(lines):
            start = lines[number][: len(lines[number]) - len(lines[number].lstrip())]
            if "\t" in start:
                return InputError(
                    "indentation must be spaces", file=file, line=number + 1, value="a tab",
                    remedy="replace each tab in front of a line by spaces",
                )  # fmt: skip
    if "expected a single document" in (error.context or ""):
        return InputError(f"the {noun} must be one document", file=file, line=line + 1,
                          remedy='remove the "---" line')  # fmt: skip
    said = error.problem or "it cannot be read"
    if error.context:
        said = f"{error.context}, {said}"
    return InputError(
        f"the {noun} must be valid YAML ({said})", file=file, line=line + 1,
        value=repr(lines[line].strip()) if line < len(lines) else "the end of the file",
        remedy="check indentation, colons and brackets there and in the line before; "
        "put text with ': ' or '#' into quotes",
    )  # fmt: skip


def quote_scalar(text: str) -> str:
    """Write text as a value or key of a YAML file; plain words as they are."""
    # JSON strings are YAML too; names are text even where YAML would see a flag.
    return text if _PLAIN.fullmatch(text) else json.dumps(text, ensure_ascii=False)


def say_number(value: float, digits: int = 10) -> str:
    """Write a number as every reader of YAML takes for one: 5e-06 has no point, and is text to some."""
    text = f"{value:.{digits}g}"
    return text if "e" not in text or "." in text else text.replace("e", ".0e")


def list_pairs(key: str, pairs: Mapping[str, str | float]) -> list[str]:
    """List the lines of a block of short values by name, three in a line; none without any."""
    words = [
        f"{quote_scalar(name)}: {quote_scalar(one) if isinstance(one, str) else say_number(one)}"
        for name, one in pairs.items()
    ]
    rows = [", ".join(words[k : k + 3]) for k in range(0, len(words), 3)]
    return (key + ": {" + ",\n  ".join(rows) + "}").split("\n") if words else []
