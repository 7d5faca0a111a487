"""What `goals` says: every goal a design file may name, with its options, and the presets."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from optimizer.design.presets import BASE, read_preset
from optimizer.design.read.goals import DEFAULT_PRESET
from optimizer.goals import GOALS, Goal
from optimizer.report.document import Cell, Document, Item, Note, Passage, Section, Table

_HEAD = (
    "A goal costs its weight times its figure; the search looks for the network with the smallest "
    "sum. With hard: yes a limit must be met whatever it costs. In a design file:"
)
_HEARS = (
    "It counts measured sound: where a measurement is gated, its band should start above what the "
    "gate resolves."
)
_EXAMPLE = "goals: {preset: living-room, in_room: {tilt: -1 dB/oct, weight: 1.5}, similarity: off}"
_MORE = "laddersmith goals NAME shows one goal or preset in full."
_NAME_WIDTH, _UNIT_WIDTH = 23, 14


def document_goals(presets: Sequence[str]) -> Document:
    """List every goal with the unit of its figure, its options and their defaults, and presets.

    Parameters
    ----------
    presets : sequence of str
        Names of the presets.

    Returns
    -------
    Document
    """
    families = groupby(GOALS.values(), key=lambda goal: goal.family)
    return Document(
        title="",
        sections=(
            Section(title="", parts=(Note(text=_HEAD), Note(text=f"  {_EXAMPLE}", tone="strong"))),
            *(Section(title=family, parts=(_tabulate(list(group)),)) for family, group in families),
            Section(
                title="presets",
                parts=(*map(_describe_preset, (BASE, *presets)), Note(text=_MORE, tone="soft")),
            ),
        ),
    )


def _tabulate(goals: Sequence[type[Goal]]) -> Table:
    rows: list[tuple[str | Cell, ...]] = []
    for goal in goals:
        options = ", ".join(f"{one.key}: {one.say_default()}" for one in goal.options())
        rows.append((Cell(goal.name, "strong"), Cell(goal.unit, "soft"), goal.meaning))
        rows.append(("", "", Cell(options, "soft")))
    return Table(
        heads=("", "", ""), rows=tuple(rows), align="lll", widths=(_NAME_WIDTH, _UNIT_WIDTH)
    )


def _describe_preset(name: str) -> Item:
    fields = read_preset(name, Path()).fields()
    usual = "  (taken when a design states no goals)" if name == DEFAULT_PRESET else ""
    if name == BASE:
        usual = "  (each of them may be changed or turned off)"
    return Item(
        lead=name,
        title=f" {fields['title'].text().strip()}{usual}",
        lines=(" ".join(fields["why"].text().split()),),
    )


def document_goal(name: str) -> Document:
    """Explain one goal with each of its options.

    Parameters
    ----------
    name : str
        A goal.

    Returns
    -------
    Document
    """
    goal = GOALS[name]
    parts: list[Passage] = [
        Note(text=f"{name} (figure in {goal.unit})", tone="strong"),
        Note(text=goal.meaning),
        *([Note(text=_HEARS)] if goal.hears else []),
        Table(
            heads=("option", "default", "meaning"),
            rows=tuple((one.key, one.say_default(), one.meaning) for one in goal.options()),
            align="lll",
        ),
    ]
    return Document(title="", sections=(Section(title="", parts=tuple(parts)),))
