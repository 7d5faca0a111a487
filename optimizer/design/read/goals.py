"""The goals of a design file: a preset, overridden key by key.

Which goals and options exist is told by the classes of `optimizer.goals` alone, so a new goal needs
no change here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from optimizer.design.nouns import GoalChoice
from optimizer.design.presets import BASE, PRESET_KEYS, read_preset
from optimizer.design.read.target import TARGET_KEYS, read_target
from optimizer.errors import InputError
from optimizer.goals import GOALS, Goal, GoalSet
from optimizer.goals.options import Option
from optimizer.text.keys import Key, KeyBlock, OwnForm
from optimizer.text.yamltext import Entry, Where

DEFAULT_PRESET = "living-room"


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
        _take(values, _read_all(read_preset(BASE, folder)), spots)
    from_base = set(values)
    if preset:
        try:
            base = read_preset(preset, folder)
        except InputError as error:
            raise error if entry is None else entry.fields()["preset"].where.locate(error) from None
        own = _read_all(base)
        from_base -= own.keys()
        _take(values, own, spots)
    from_preset = set(values)
    for name, goal in written.items():
        from_preset.discard(name)
        _take(values, {name: goal}, spots)
    if not values:
        assert entry is not None  # the default preset is not empty
        raise entry.error("at least one goal is needed", remedy='add "on_axis: {weight: 1}"')
    return GoalChoice(
        specs=GoalSet(goal(**values[name]) for name, goal in GOALS.items() if name in values),
        preset=preset, from_preset=frozenset(from_preset),
        from_base=frozenset(from_base & from_preset), spots=spots,
    )  # fmt: skip


def _read_all(preset: Entry) -> dict[str, Entry]:
    """Goals of a preset by name."""
    fields = preset.fields((*PRESET_KEYS, *GOALS))
    return {name: goal for name, goal in fields.items() if name not in PRESET_KEYS}


def _take(
    values: dict[str, dict[str, Any]], goals: Mapping[str, Entry], spots: dict[str, Where]
) -> None:
    """Lay goals over others: option by option, and "off" takes one away."""
    for name, goal in goals.items():
        if goal.is_off:
            values.pop(name, None)
            spots[f"goals.{name}"] = goal.where
        else:
            written = _read_options(name, goal, spots)
            gone = {old for new in written for old in GOALS[name].replaces.get(new, ())}
            base = {k: v for k, v in values.get(name, {}).items() if k not in gone}
            values[name] = {**base, **written}


def goal_keys(goal: type[Goal]) -> KeyBlock[Goal]:
    """Make the keys of a goal from the options that its class declares."""
    return KeyBlock(
        noun=goal,
        keys=tuple(
            Key(
                name=option.key, field=option.field, meaning=option.meaning,
                example=_EXAMPLES.get(option.form, option.say_default()),
                form=OwnForm(_say_form(option), _reader(option)),
            )
            for option in goal.options()
        ),
    )  # fmt: skip


_EXAMPLES = {"curve": "{points: {100: 3 dB, 1k: 0 dB, 10k: -3 dB}}"}


def _say_form(option: Option) -> str:
    if option.form == "curve":
        return TARGET_KEYS.words
    words = {"flag": "yes or no", "range": "range", "quantity": "value"}.get(option.form, "number")
    return f"{words}{f' in {option.unit}' if option.unit else ''}{', or free' * option.free}"


def _reader(option: Option) -> Callable[[Entry], Any]:
    def read(entry: Entry) -> Any:
        if option.form == "flag":
            return entry.flag()
        if option.form == "curve":
            return None if entry.is_off else read_target(entry)
        try:
            return option.read(entry.text())
        except InputError as error:
            raise entry.where.locate(error) from None

    return read


def _read_options(name: str, entry: Entry, spots: dict[str, Where]) -> dict[str, Any]:
    """Options that are written, by the attribute of the goal that holds each."""
    keys = goal_keys(GOALS[name])
    written = keys.open(entry)
    spots[f"goals.{name}"] = entry.where
    spots.update({f"goals.{name}.{key}": inner.where for key, inner in written.items()})
    return keys.take(written)
