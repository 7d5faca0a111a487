"""Keys of a file, declared once: how each is read, what it means, its unit, limits and an example.

A block of a file is a `KeyBlock`: a table of `Key` and the noun it makes. The reader reads by the
table, so whatever is told of a file from the same table (messages, a reference) is what is read.
Defaults stand in the noun.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from optimizer.errors import InputError
from optimizer.text.guesses import guess_key, is_rest_of_value, say_impossible
from optimizer.text.suggest import suggest
from optimizer.text.units import format_quantity
from optimizer.text.yamltext import Entry

Noun = TypeVar("Noun")


class ValueForm(Protocol):
    """How the value of a key is written."""

    @property
    def words(self) -> str:
        """In a few words, for the user ("length, above 0 m")."""

    @property
    def schema(self) -> dict[str, Any]:
        """As JSON Schema, for editors: what it may look like, not all that it must keep to."""

    def read(self, entry: Entry) -> Any:
        """Read it; a located error says what is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of a block.

    Parameters
    ----------
    name : str
        As it is written.
    form : ValueForm
        How its value is read.
    meaning : str
        One line for the user.
    example : str
        A value as it may be written.
    field : str
        Field of the noun that takes the value; the name of the key where empty.
    says : tuple of str
        (noun, part) by which lower layers speak of it, see `optimizer.errors.Subject`.
    needed : str
        Why a block cannot do without it ("a driver needs its impedance"); empty where it can.
    """

    name: str
    form: ValueForm
    meaning: str
    example: str
    field: str = ""
    says: tuple[str, str] | None = None
    needed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyBlock(Generic[Noun]):
    """A block of keys and the noun that is made of it.

    Parameters
    ----------
    noun : callable
        Takes the fields that are written; its own defaults stand for the others.
    keys : tuple of Key
        In the order in which they are told and read.
    """

    noun: Callable[..., Noun]
    keys: tuple[Key, ...]

    @property
    def words(self) -> str:
        """Its keys, as a block of them is shown."""
        return f"a block of {', '.join(key.name for key in self.keys)}"

    @property
    def schema(self) -> dict[str, Any]:
        """As JSON Schema: its keys, each with its meaning, and no others."""
        found: dict[str, Any] = {
            "type": "object",
            "additionalProperties": False,
            "properties": {key.name: describe_key(key) for key in self.keys},
        }
        needed = [key.name for key in self.keys if key.needed]
        return {**found, "required": needed} if needed else found

    def read(self, entry: Entry | None) -> Noun:
        """Read the noun; without a block it is all defaults.

        Raises
        ------
        InputError
            As `values`, and where the noun cannot be what is written.
        """
        if entry is None:
            return self.noun()
        values = self.values(entry)
        try:
            return self.noun(**values)
        except InputError as error:
            raise entry.where.locate(error) from None

    def values(self, entry: Entry) -> dict[str, Any]:
        """Read what is written, by field.

        Raises
        ------
        InputError
            With the line: an unknown key, one that is missing, a value that breaks its rule.
        """
        return self.take(self.open(entry))

    def open(self, entry: Entry, more: Iterable[str] = ()) -> dict[str, Entry]:
        """Entries by key, none of them unknown and none missing that is needed.

        Parameters
        ----------
        entry : Entry
            The block.
        more : iterable of str
            Further keys that this one may hold.
        """
        found = entry.fields()
        known = [*(key.name for key in self.keys), *more]
        for name, inner in found.items():
            if name not in known:
                raise self._explain_unknown(name, inner, known)
        for key in self.keys:
            if key.needed and key.name not in found:
                raise entry.error(key.needed, remedy=f'add "{key.name}: {key.example}"')
        return found

    def _explain_unknown(self, name: str, entry: Entry, known: Collection[str]) -> InputError:
        """Answer a key that there is not with the one that was meant, as far as can be told."""
        why, nearest = say_impossible(name, known)
        if why:
            return entry.error(
                f"this cannot be stated here: {why}", value=repr(name), remedy=nearest
            )
        if entry.is_null and is_rest_of_value(name):
            return entry.error(
                "a comma begins another key here", value=repr(name),
                remedy='write a decimal mark as a point ("3.3 mH"), or the value in quotes',
            )  # fmt: skip
        meant = guess_key(name, known)
        key = next((one for one in self.keys if one.name == meant), None)
        remedy = suggest(name, known)
        if key is not None:
            remedy = f'write "{key.name}: {key.example}" ({key.meaning})'
        return entry.error("unknown key", value=repr(name), remedy=remedy)

    def take(self, found: Mapping[str, Entry]) -> dict[str, Any]:
        """Read opened entries, by field; what is wrong with one shows how it may be written."""
        values = {}
        for key in self.keys:
            if key.name in found:
                entry = found[key.name]
                try:
                    values[key.field or key.name] = key.form.read(entry)
                except InputError as error:
                    if error.remedy is None and error.key == entry.where.key:
                        raise error.advised(f'write for instance "{key.example}"') from None
                    raise
        return values

    def takes(self, key: Key) -> bool:
        """Whether the noun has a field for what a key says."""
        return self._field_of(key) is not None

    def default_of(self, key: Key) -> Any:
        """Tell what stands for a key that is not written; `MISSING` where nothing can."""
        field = self._field_of(key)
        if field is None or field.default_factory is dataclasses.MISSING:
            return dataclasses.MISSING if field is None else field.default
        return field.default_factory()

    def _field_of(self, key: Key) -> dataclasses.Field[Any] | None:
        noun = self.noun
        if not (isinstance(noun, type) and dataclasses.is_dataclass(noun)):
            return None
        name = key.field or key.name
        return next((field for field in dataclasses.fields(noun) if field.name == name), None)


def describe_key(key: Key) -> dict[str, Any]:
    """Describe a key as JSON Schema."""
    return {
        **key.form.schema,
        "description": f"{key.meaning} ({key.form.words})",
        "examples": [key.example],
    }


def walk_keys(block: KeyBlock[Any], path: str = "") -> Iterator[tuple[str, KeyBlock[Any], Key]]:
    """Go through all keys of a file with their dotted names ("drivers.NAME.diaphragm")."""
    for key in block.keys:
        dotted = f"{path}.{key.name}" if path else key.name
        yield dotted, block, key
        if isinstance(key.form, KeyBlock):
            yield from walk_keys(key.form, dotted)
        elif isinstance(key.form, OwnForm) and key.form.block is not None:
            yield from walk_keys(key.form.block, dotted + key.form.inside)


@dataclass(frozen=True, slots=True)
class QuantityForm:
    """A value with a unit, within limits."""

    unit: str
    least: float | None = None
    above: float | None = None
    most: float | None = None
    rule: str = ""
    """What is said of a value beyond `most`."""

    @property
    def words(self) -> str:
        """Unit and limits."""
        limits = [
            f"{word} {format_quantity(limit, self.unit)}"
            for word, limit in (("above", self.above), ("from", self.least), ("to", self.most))
            if limit is not None
        ]
        return ", ".join([f"value in {self.unit}", *limits])

    @property
    def schema(self) -> dict[str, Any]:
        """Text with a unit, or a number."""
        return {"type": ["string", "number"]}

    def read(self, entry: Entry) -> float:
        """Read it in SI."""
        value = entry.quantity(self.unit, least=self.least, above=self.above)
        if self.most is not None and value > self.most:
            raise entry.error(
                self.rule or f"the value must be at most {format_quantity(self.most, self.unit)}",
                value=format_quantity(value, self.unit),
            )
        return value


@dataclass(frozen=True, slots=True)
class SpanForm:
    """A range "low .. high" with a unit."""

    unit: str
    above: float | None = None

    @property
    def words(self) -> str:
        """Unit."""
        return f"range in {self.unit}"

    @property
    def schema(self) -> dict[str, Any]:
        """Text with two dots in it."""
        return {"type": "string", "pattern": r"\.\."}

    def read(self, entry: Entry) -> tuple[float, float]:
        """Read it in SI."""
        return entry.range(self.unit, above=self.above)


@dataclass(frozen=True, slots=True)
class NumberForm:
    """A plain number, whole or not, within limits."""

    least: float | None = None
    above: float | None = None
    most: float | None = None
    whole: bool = False
    rule: str = ""
    """What is said of a value beyond `above` or `most`."""

    @property
    def words(self) -> str:
        """Kind and limits."""
        limits = [
            f"{word} {limit:g}"
            for word, limit in (("above", self.above), ("from", self.least), ("to", self.most))
            if limit is not None
        ]
        return ", ".join(["whole number" if self.whole else "number", *limits])

    @property
    def schema(self) -> dict[str, Any]:
        """A number within its limits."""
        limits = {
            "minimum": self.least, "exclusiveMinimum": self.above, "maximum": self.most,
        }  # fmt: skip
        kept = {name: limit for name, limit in limits.items() if limit is not None}
        return {"type": "integer" if self.whole else "number", **kept}

    def read(self, entry: Entry) -> float:
        """Read it."""
        if self.whole:
            value: float = entry.whole_number(least=int(self.least or 0))
        else:
            value = entry.number(least=self.least)
        if self.above is not None and not value > self.above:
            raise entry.error(self.rule or f"the number must be above {self.above:g}", value=value)
        if self.most is not None and value > self.most:
            raise entry.error(
                self.rule or f"the number must be at most {self.most:g}", value=f"{value:g}"
            )
        return value


@dataclass(frozen=True, slots=True)
class FlagForm:
    """Yes or no."""

    words = "yes or no"

    @property
    def schema(self) -> dict[str, Any]:
        """A flag, or one of the words that YAML 1.1 reads as one."""
        return {"enum": [True, False, "yes", "no", "on", "off"]}

    def read(self, entry: Entry) -> bool:
        """Read it."""
        return entry.flag()


@dataclass(frozen=True, slots=True)
class WordForm:
    """One of some words."""

    of: tuple[str, ...]

    @property
    def words(self) -> str:
        """The words."""
        return " or ".join(self.of)

    @property
    def schema(self) -> dict[str, Any]:
        """One of the words."""
        return {"enum": list(self.of)}

    def read(self, entry: Entry) -> str:
        """Read it."""
        return entry.choice(self.of)


@dataclass(frozen=True, slots=True)
class TextForm:
    """Free text."""

    words = "text"

    @property
    def schema(self) -> dict[str, Any]:
        """Text, even where it looks like a number or a flag."""
        return {"type": ["string", "number", "boolean"]}

    def read(self, entry: Entry) -> str:
        """Read it as it is written."""
        return entry.text()


@dataclass(frozen=True, slots=True)
class FileForm:
    """The name of a file, relative to the folder of the file it stands in."""

    words = "file"

    @property
    def schema(self) -> dict[str, Any]:
        """Text."""
        return {"type": "string"}

    def read(self, entry: Entry) -> Path:
        """Read it; whether the file exists is another's question."""
        text = entry.text()
        if not text.strip() or "\0" in text:
            raise entry.error("a file name is expected here", value=repr(text))
        return Path(entry.where.file).parent / os.path.expanduser(text)


@dataclass(frozen=True, slots=True)
class FilesForm:
    """One file or a list of files, or "no" for none."""

    words = "file, or a list of files"

    @property
    def schema(self) -> dict[str, Any]:
        """One file or several, or no."""
        return {"type": ["string", "array", "boolean"], "items": {"type": "string"}}

    def read(self, entry: Entry) -> tuple[Path, ...]:
        """Read them."""
        if entry.is_off:
            return ()
        each: Iterable[Entry] = entry.items() if entry.is_list else [entry]
        return tuple(FileForm().read(inner) for inner in each)


def _as_it_is(entry: Entry) -> Entry:
    return entry


@dataclass(frozen=True, slots=True)
class OwnForm:
    """A form of a reader's own.

    Parameters
    ----------
    words : str
        How it is written.
    read : callable
        Reads it; by default it is left for later, when more is known.
    block : KeyBlock, optional
        The block it may also be, or hold.
    inside : str
        What stands between its key and the keys of that block (".NAME", "[0]").
    """

    words: str
    read: Callable[[Entry], Any] = _as_it_is
    block: KeyBlock[Any] | None = None
    inside: str = ""

    @property
    def schema(self) -> dict[str, Any]:
        """What is known of it: the block that it is, or holds."""
        if self.block is None:
            return {}
        inner = self.block.schema
        if self.inside == "[0]":
            return {"type": "array", "items": inner}
        if self.inside:
            return {"type": "object", "additionalProperties": inner}
        # Most of these may also be written in one word.
        return {"anyOf": [inner, {"type": ["string", "number", "boolean"]}]}
