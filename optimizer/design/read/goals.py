"""The goals of a design file: a preset, overridden key by key.

Which goals and options exist is told by `optimizer.goals.specs` alone, so a new goal needs no
change here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from optimizer.design.presets import PRESET_KEYS, read_preset
from optimizer.errors import InputError
from optimizer.goals.specs import GOAL_SPECS, GoalSpec
from optimizer.text.brief import brief
from optimizer.text.yamltext import Entry, Where

DEFAULT_PRESET = "living-room"


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalChoice:
    """What is wanted.

    Parameters
    ----------
    specs : mapping of str to GoalSpec
        By name, in the order of `GOAL_SPECS`.
    preset : str
        Name of the preset they started from; empty for none.
    from_preset : frozenset of str
        Goals that the design file itself does not mention.
    spots : mapping of str to Where
        Where each option is written, in the design file or in the preset.
    """

    specs: Mapping[str, GoalSpec]
    preset: str = ""
    from_preset: frozenset[str] = frozenset()
    spots: Mapping[str, Where] = field(default_factory=dict, repr=False)

    __repr__ = brief


def read_goals(entry: Entry | None, folder: Path, notes: list[str]) -> GoalChoice:
    """Read the goals.

    Parameters
    ----------
    entry : Entry or None
        The block of goals; without one the default preset is taken, with a note.
    folder : Path
        Folder of the design file, for a preset of the user's own.
    notes : list of str
        Gets what was assumed.

    Returns
    -------
    GoalChoice

    Raises
    ------
    InputError
        Unknown preset, goal or option; a value that breaks its rule; no goal left.
    """
    written = {} if entry is None else entry.fields(("preset", *GOAL_SPECS))
    preset = ""
    if "preset" in written:
        preset = written.pop("preset").text()
    elif not written:
        preset = DEFAULT_PRESET
        notes.append(f"goals: none are written, so the preset {preset} is taken")
    values: dict[str, dict[str, Any]] = {}
    spots: dict[str, Where] = {}
    if preset:
        try:
            base = read_preset(preset, folder)
        except InputError as error:
            raise error if entry is None else entry.fields()["preset"].where.locate(error) from None
        for name, goal in base.fields((*PRESET_KEYS, *GOAL_SPECS)).items():
            if name not in PRESET_KEYS:
                values[name] = _read_options(name, goal, spots)
    from_preset = set(values)
    for name, goal in written.items():
        from_preset.discard(name)
        if goal.is_off:
            values.pop(name, None)
            continue
        values[name] = {**values.get(name, {}), **_read_options(name, goal, spots)}
    if not values:
        assert entry is not None  # the default preset is not empty
        raise entry.error("at least one goal is needed", remedy='add "on_axis: {weight: 1}"')
    return GoalChoice(
        specs={name: GOAL_SPECS[name](**values[name]) for name in GOAL_SPECS if name in values},
        preset=preset, from_preset=frozenset(from_preset), spots=spots,
    )  # fmt: skip


def _read_options(name: str, entry: Entry, spots: dict[str, Where]) -> dict[str, Any]:
    """Options that are written, by field name of the spec."""
    options = {option.metadata["key"]: option for option in fields(GOAL_SPECS[name])}
    spots[f"goals.{name}"] = entry.where
    found = {}
    for key, inner in entry.fields(options).items():
        spots[f"goals.{name}.{key}"] = inner.where
        found[options[key].name] = _read_option(inner, options[key].metadata)
    return found


def _read_option(entry: Entry, rule: Mapping[str, Any]) -> Any:
    unit, least = rule["unit"], rule["least"]
    if rule["free"] and entry.text() == "free":
        return None
    if rule["form"] == "flag":
        return entry.flag()
    if rule["form"] == "number":
        return entry.number(least=least)
    if rule["form"] == "quantity":
        # Ohms start above zero: a floor of 0 ohm would have no level in dB.
        return entry.quantity(unit, least=least, above=0.0 if unit == "ohm" else None)
    # A single level stands for both ends; a band of one frequency would hold no data.
    if ".." not in entry.text() and unit != "Hz":
        value = entry.quantity(unit, least=least)
        return (value, value)
    return entry.range(unit, above=0.0 if unit == "Hz" else least)
