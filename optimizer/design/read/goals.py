"""The goals of a design file: a preset, overridden key by key.

Which goals and options exist is told by the classes of `optimizer.goals` alone, so a new goal needs
no change here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from optimizer.design.presets import PRESET_KEYS, read_preset
from optimizer.errors import InputError
from optimizer.goals import GOALS, GoalSet
from optimizer.goals.options import Option
from optimizer.text.brief import brief
from optimizer.text.yamltext import Entry, Where

DEFAULT_PRESET = "living-room"


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalChoice:
    """What is wanted.

    Parameters
    ----------
    specs : GoalSet
        In the order of `GOALS`.
    preset : str
        Name of the preset they started from; empty for none.
    from_preset : frozenset of str
        Goals that the design file itself does not mention.
    spots : mapping of str to Where
        Where each option is written, in the design file or in the preset.
    """

    specs: GoalSet
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
    written = {} if entry is None else entry.fields(("preset", *GOALS))
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
        for name, goal in base.fields((*PRESET_KEYS, *GOALS)).items():
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
        specs=GoalSet(goal(**values[name]) for name, goal in GOALS.items() if name in values),
        preset=preset, from_preset=frozenset(from_preset), spots=spots,
    )  # fmt: skip


def _read_options(name: str, entry: Entry, spots: dict[str, Where]) -> dict[str, Any]:
    """Options that are written, by the attribute of the goal that holds each."""
    options = {option.key: option for option in GOALS[name].options()}
    spots[f"goals.{name}"] = entry.where
    found = {}
    for key, inner in entry.fields(options).items():
        spots[f"goals.{name}.{key}"] = inner.where
        found[options[key].field] = _read_option(inner, options[key])
    return found


def _read_option(entry: Entry, rule: Option) -> Any:
    if rule.free and entry.text() == "free":
        return None
    if rule.form == "flag":
        return entry.flag()
    if rule.form == "number":
        return entry.number(least=rule.least)
    if rule.form == "quantity":
        return entry.quantity(rule.unit, least=rule.least, above=rule.above)
    # A single level stands for both ends; a band of one frequency would hold no data.
    if ".." not in entry.text() and rule.unit != "Hz":
        value = entry.quantity(rule.unit, least=rule.least)
        return (value, value)
    return entry.range(rule.unit, above=rule.above)
