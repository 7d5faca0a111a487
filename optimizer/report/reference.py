"""The reference of files: every key with what its reader knows of it, and JSON Schema of the same.

Nothing is told here that is not read by: design and network files from the tables of their readers
(`optimizer.text.keys`), goals from their classes, lists of parts from their headings, results from
what writes them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.bench.diary.file import ENTRY_KEYS
from optimizer.bench.networks.file import NETWORK_KEYS
from optimizer.design.read.file import DESIGN_KEYS
from optimizer.design.read.goals import goal_keys
from optimizer.goals import GOALS
from optimizer.report.results_schema import results_schema
from optimizer.stock.columns import COLUMNS_TOLD, HEADINGS
from optimizer.text.guesses import list_guesses
from optimizer.text.keys import Key, KeyBlock, describe_key, walk_keys
from optimizer.text.units import format_quantity

DESIGN, NETWORK, SHELF = "design", "network", "shelf"
FILES = {
    DESIGN: "design file (YAML)",
    NETWORK: "network file (YAML)",
    SHELF: "list of parts (CSV): a shelf, or what a shop keeps",
}
"""Kinds of files by the word that names their example."""

RESULTS = "results"
DIARY = "diary"
SCHEMAS = (DESIGN, NETWORK, RESULTS, DIARY)
"""Files that have a schema."""

_DRAFT = "https://json-schema.org/draft/2020-12/schema"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceKey:
    """What is told of one key.

    Parameters
    ----------
    file : str
        Kind of file it stands in, see `FILES`.
    dotted : str
        Where: "drivers.NAME.limits.watts"; the heading of a column.
    words : str
        How it is written, with unit and limits.
    meaning : str
        One line.
    example : str
        A value as it may be written.
    default : str
        What stands for it when it is not written; empty where that is said in its meaning, or
        where nothing can stand for it.
    needed : bool
        Whether the block cannot do without it.
    guesses : tuple of str
        What people write instead, and are led here from.
    """

    file: str
    dotted: str
    words: str
    meaning: str
    example: str
    default: str = ""
    needed: bool = False
    guesses: tuple[str, ...] = ()

    @property
    def repeats(self) -> bool:
        """Whether it is told of a place of a way already, or of a single part."""
        path, ladder, place = self.dotted.partition(".ladder[0].")
        return bool(ladder) and (path == "shared.NAME" or "." in place)

    @property
    def name(self) -> str:
        """The key itself, without where it stands."""
        return self.dotted.rpartition(".")[2]

    @property
    def block(self) -> str:
        """Where it stands: "drivers.NAME.limits"; empty at the top of its file."""
        return self.dotted.rpartition(".")[0]


def list_keys() -> tuple[ReferenceKey, ...]:
    """List every key of every file, in the order in which it is told."""
    return (
        *_list_block(DESIGN, DESIGN_KEYS),
        *(
            key
            for name, goal in GOALS.items()
            for key in _list_block(DESIGN, goal_keys(goal), f"goals.{name}")
        ),
        *_list_block(NETWORK, NETWORK_KEYS),
        *(
            ReferenceKey(
                file=SHELF,
                dotted=name,
                words=f"also {', '.join(HEADINGS[name][1:])}" if HEADINGS[name][1:] else "",
                meaning=meaning,
                example=example,
            )
            for name, (meaning, example) in COLUMNS_TOLD.items()
        ),
    )


def find_keys(word: str) -> tuple[ReferenceKey, ...]:
    """Find the keys of a name ("watts", "limits.watts", "drivers.NAME.limits.watts").

    Parameters
    ----------
    word : str
        The name, or the end of a dotted one, without regard to case; else what people write for it.
    """
    plain = word.strip().lower()
    keys = list_keys()
    exact = tuple(key for key in keys if _ends(key.dotted.lower(), plain))
    found = exact or tuple(key for key in keys if plain.replace(" ", "_") in key.guesses)
    return tuple(key for key in found if not key.repeats) or found


def _ends(dotted: str, word: str) -> bool:
    bare = dotted.replace("[0]", "")
    return any(whole == word or whole.endswith(f".{word}") for whole in (dotted, bare))


def _list_block(file: str, block: KeyBlock[Any], path: str = "") -> Iterator[ReferenceKey]:
    for dotted, inner, key in walk_keys(block, path):
        yield ReferenceKey(
            file=file,
            dotted=dotted,
            words=key.form.words,
            meaning=key.meaning,
            example=key.example,
            default=say_default(inner, key),
            needed=bool(key.needed),
            guesses=list_guesses(key.name),
        )


def say_default(block: KeyBlock[Any], key: Key) -> str:
    """Say what stands for a key that is not written, as one would write it; "" for nothing to say."""
    value = block.default_of(key)
    if value is dataclasses.MISSING or value is None or key.needed:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    unit = getattr(key.form, "unit", "")
    if isinstance(value, int | float):
        return format_quantity(value, unit) if unit else f"{value:g}"
    if isinstance(value, tuple) and len(value) == 2 and unit:
        return " .. ".join(format_quantity(end, unit) for end in value)
    return value if isinstance(value, str) else ""


def make_schema(file: str) -> dict[str, Any]:
    """Make the JSON Schema of a kind of file.

    Parameters
    ----------
    file : {"design", "network", "results", "diary"}
        Which.

    Returns
    -------
    dict
        For editors: names, kinds and limits of plain numbers. Units and what depends on other keys
        is checked when the file is read.
    """
    if file == RESULTS:
        return _frame("results of laddersmith fit (JSON)", results_schema())
    if file == DIARY:
        return _frame("entry of a diary of laddersmith (YAML)", ENTRY_KEYS.schema)
    if file == NETWORK:
        return _frame("network file of laddersmith", NETWORK_KEYS.schema)
    schema = DESIGN_KEYS.schema
    schema["properties"] = {
        key.name: describe_key(key) | (_goals_schema() if key.name == "goals" else {})
        for key in DESIGN_KEYS.keys
    }
    return _frame("design file of laddersmith", schema)


def _goals_schema() -> dict[str, Any]:
    off = {"enum": [False, "off", "no"]}
    return {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "preset": {"type": "string", "description": "goals to begin with"},
            **{
                name: {
                    "description": goal.meaning,
                    "anyOf": [goal_keys(goal).schema, off, {"type": "null"}],
                }
                for name, goal in GOALS.items()
            },
        },
    }


def _frame(title: str, schema: Mapping[str, Any]) -> dict[str, Any]:
    return {"$schema": _DRAFT, "title": title, **schema}
