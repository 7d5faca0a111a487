"""Goals and presets as tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from optimizer.design.presets import read_preset
from optimizer.design.read.goals import DEFAULT_PRESET
from optimizer.goals import GOALS

_HEAD = (
    "A goal costs its weight times its figure; the search looks for the network with the smallest "
    "sum. With hard: yes a limit must be met whatever it costs. In a design file:"
)
_HEARS = (
    "It counts measured sound: where a measurement is gated, its band should start above what the "
    "gate resolves."
)
_EXAMPLE = "goals: {preset: living-room, in_room: {tilt: -1 dB/oct, weight: 1.5}, similarity: off}"


def tabulate_goals() -> RenderableType:
    """List every goal with the unit of its figure, its options and their defaults."""
    blocks: list[RenderableType] = [Text(_HEAD), Text(f"  {_EXAMPLE}", style="bold")]
    for family, group in groupby(GOALS.values(), key=lambda goal: goal.family):
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
        table.add_column(width=23, style="bold")
        table.add_column(width=14, style="dim")
        table.add_column(ratio=1)
        for goal in group:
            options = ", ".join(f"{one.key}: {one.say_default()}" for one in goal.options())
            table.add_row(goal.name, goal.unit, goal.meaning)
            table.add_row("", "", Text(options, style="dim"))
        blocks += [Text(), Text(family, style="bold underline"), table]
    return Group(*blocks)


def describe_goal(name: str) -> RenderableType:
    """Explain one goal with each of its options."""
    goal = GOALS[name]
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("option", "default", "meaning"):
        table.add_column(title, header_style="dim")
    for one in goal.options():
        table.add_row(one.key, one.say_default(), one.meaning)
    said = [Text(f"{name} (figure in {goal.unit})", style="bold"), Text(goal.meaning)]
    if goal.hears:
        said.append(Text(_HEARS))
    return Group(*said, Text(), table)


def tabulate_presets(names: Sequence[str]) -> RenderableType:
    """List presets with their titles and reasons.

    Parameters
    ----------
    names : sequence of str
        Names of the presets.
    """
    blocks: list[RenderableType] = [Text("presets", style="bold underline")]
    for name in names:
        fields = read_preset(name, Path()).fields()
        title = Text(name, style="bold")
        title.append(f"  {fields['title'].text().strip()}", style="not bold")
        if name == DEFAULT_PRESET:
            title.append("  (taken when a design states no goals)", style="not bold dim")
        blocks += [title, Padding(Text(" ".join(fields["why"].text().split())), (0, 0, 0, 2))]
    blocks.append(Text("laddersmith goals NAME shows one goal or preset in full.", style="dim"))
    return Group(*blocks)
