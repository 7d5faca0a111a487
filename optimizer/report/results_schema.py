"""JSON Schema of the results that ``fit`` writes, made of the tables that they are written by."""

from __future__ import annotations

from typing import Any

from optimizer.goals import GOALS
from optimizer.parts import KINDS, LOSS_OF_KIND
from optimizer.problem.certificate import MEASURES, STATES
from optimizer.report.columns import own_columns

_TEXT = {"type": "string"}
_NUMBER = {"type": ["number", "null"]}
_NUMBERS = {"type": "array", "items": _NUMBER}
_TEXTS = {"type": "array", "items": _TEXT}
_COUNT = {"type": "integer", "minimum": 0}
_POSITIVE = {"type": "number", "exclusiveMinimum": 0}


def results_schema() -> dict[str, Any]:
    """Describe what ``fit --json`` writes.

    Returns
    -------
    dict
        Figures of a candidate are the columns of `optimizer.report.columns`, goals those of
        `optimizer.goals`; keys that are not described may follow.
    """
    return _block(
        {
            "schema": {"const": 1, "description": "edition of these keys"},
            "design": _TEXT | {"description": "design file, as it was given"},
            "made": _made(),
            "speaker": _TEXT,
            "seed": _COUNT,
            "seconds": _NUMBER,
            "evaluations": _COUNT | {"description": "networks computed"},
            "stopped": _TEXT | {"description": "why the search ended"},
            "repeatable": {"type": "boolean"},
            "starts": _block(
                {
                    "ended": _COUNT,
                    "met": _COUNT | {"description": "came to the best cost within 0.1 %"},
                    "near": _COUNT | {"description": "came to it within 1 %"},
                    "fails": _NUMBER
                    | {"description": "chance that a start fails, before anything is known"},
                    "missed": _NUMBER
                    | {"description": "chance that something better by more than 1 % was missed"},
                }
            ),
            "cost_relaxed_best": _NUMBER | {"description": "cost with values that nobody sells"},
            "candidates": {
                "type": "array",
                "items": {"$ref": "#/$defs/candidate"},
                "description": "networks that keep the hard limits, the best first",
            },
            "nearest_miss": {"$ref": "#/$defs/candidate"},
            "notes": _TEXTS,
            "assumed": _TEXTS,
        },
        needed=("schema", "design", "candidates"),
    ) | {"$defs": {"candidate": _candidate(), "part": _part()}}


def _made() -> dict[str, Any]:
    prints = {"type": "object", "additionalProperties": _TEXT}
    said = {"description": "what they were computed with: fingerprints tell whether that changed"}
    return said | _block(
        {
            "date": _TEXT | {"description": "universal time, ISO 8601"},
            "version": _TEXT,
            "of": prints,
            "files": prints,
        }
    )


def _candidate() -> dict[str, Any]:
    slots = {"type": "array", "items": {"$ref": "#/$defs/part"}}
    return _block(
        {
            "rank": _COUNT,
            "feasible": {"type": "boolean", "description": "whether it keeps the hard limits"},
            "cost_relaxed": _NUMBER,
            **{
                column.name: _figure(column.title, column.unit, column.at)
                for column in own_columns()
            },
            "currency": _TEXT,
            "certificate": _block(
                {
                    "state": {"enum": list(STATES)},
                    "changes": _COUNT,
                    "measure": {"enum": list(MEASURES)},
                    "of": {"type": "object", "additionalProperties": _TEXT},
                    "why": _TEXT,
                },
                needed=("state", "changes"),
            ),
            "amplifier": _block(
                {"watt": _NUMBER, "ohm": _NUMBER, "volt": _NUMBER, "stated": {"type": "boolean"}}
            ),
            "goals": {
                "type": "object",
                "properties": {
                    name: _goal(goal.meaning, goal.unit) for name, goal in GOALS.items()
                },
            },
            "verdicts": {"type": "array", "items": _verdict()},
            "ways": {
                "type": "object",
                "additionalProperties": _block(
                    {
                        "driver": _TEXT,
                        "polarity": {"enum": [1, -1]},
                        "crossover_hz": _NUMBERS,
                        "slots": slots,
                    },
                    needed=("driver", "polarity", "slots"),
                ),
            },
            "shared": {
                "type": "object",
                "additionalProperties": _block({"feeds": _TEXTS, "joined": _TEXT, "slots": slots}),
            },
            "notes": _TEXTS,
            "completed": _completed(),
            "curves": {
                "type": "object",
                "properties": {"frequency_hz": {"type": "array", "items": {"type": "number"}}},
                "additionalProperties": {"type": ["array", "object"]},
            },
        },
        needed=("rank", "ways"),
    )


def _figure(title: str, unit: str, at: object) -> dict[str, Any]:
    said = {"description": f"{title}, {unit}" if unit else title}
    plain = {"type": ["number", "string", "boolean", "null"], **said}
    if at is None:
        return plain
    return {"anyOf": [plain, _block({unit or "value": {"type": "number"}, "hz": _NUMBER})], **said}


def _goal(meaning: str, unit: str) -> dict[str, Any]:
    return _block(
        {
            "value": _NUMBER | {"description": f"{meaning}, {unit}"},
            "unit": {"const": unit},
            "weight": _NUMBER,
            "cost": _NUMBER,
            "met": {"type": ["boolean", "null"]},
            "detail": {"type": ["string", "null"]},
            "counted": {"type": ["string", "number", "boolean", "null"]},
        },
        needed=("value", "unit"),
    )


def _verdict() -> dict[str, Any]:
    return _block(
        {
            "name": _TEXT,
            "where": _TEXT,
            "state": {"enum": ["ok", "look", "bad"]},
            "figure": _NUMBER,
            "limit": _NUMBERS,
            "unit": _TEXT,
            "from": _TEXT,
            "says": _TEXT,
            "remedy": _TEXT,
        },
        needed=("name", "state"),
    )


def _completed() -> dict[str, Any]:
    said = {"description": "what of the averages over directions was completed, not measured"}
    return said | _block(
        {
            "directions": _COUNT,
            "of": _COUNT,
            "mostly": _TEXTS | {"description": "curves of which more was completed than measured"},
            "edges_hz": _NUMBERS,
            "band_db": {
                "type": "object",
                "additionalProperties": _NUMBERS,
                "description": "half widths that 8 of 10 values lie in, below, between and above "
                "the edges",
            },
        },
        needed=("directions", "of", "band_db"),
    )


def _part() -> dict[str, Any]:
    losses = {f"{loss}_ohm": _NUMBER for loss in LOSS_OF_KIND.values() if loss}
    loads = ("watt", "volt", "ampere", "sine_watt", "sine_volt", "sine_ampere", "sine_hz",
             "rating_needed")  # fmt: skip
    return _block(
        {
            "name": _TEXT | {"description": "place in its way"},
            "reference": _TEXT | {"description": "name that no other part of the network has"},
            "at": {"enum": ["series", "shunt"]},
            "across": _TEXT,
            "kind": {"enum": [*KINDS, "tap"]},
            "form": _TEXT,
            "gain_db": _NUMBER,
            "value": _POSITIVE | {"description": "in the SI unit"},
            "unit": {"enum": ["H", "F", "ohm"]},
            **losses,
            "pieces": {"type": "array", "items": _POSITIVE},
            "joined": {"enum": ["parallel", "series"]},
            "origin": _TEXT,
            "tolerance": _NUMBER,
            "price": _NUMBER,
            "rating": _NUMBER,
            "made_of": _TEXT | {"description": "dielectric of a capacitor, core of a coil"},
            "wire_m": _POSITIVE,
            "height_m": _POSITIVE | {"description": "of a coil that lies flat"},
            "note": _TEXT,
            **dict.fromkeys(loads, _NUMBER),
        },
        needed=("name", "at", "kind"),
    )


def _block(properties: dict[str, Any], *, needed: tuple[str, ...] = ()) -> dict[str, Any]:
    found: dict[str, Any] = {"type": "object", "properties": properties}
    return {**found, "required": list(needed)} if needed else found
