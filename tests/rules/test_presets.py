"""Goal presets: each loads, says why, and names its source."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimizer.design.presets import PRESET_KEYS, find_targets, list_presets, read_preset
from optimizer.design.read.goals import DEFAULT_PRESET, read_goals
from optimizer.goals import GOALS
from optimizer.text.yamltext import parse_yaml

PRESETS = list_presets()


def test_presets_are_found() -> None:
    """The checkout holds the presets that documents and defaults name."""
    assert {"living-room", "flat-on-axis", "off-axis-first"} <= set(PRESETS)
    assert DEFAULT_PRESET in PRESETS


@pytest.mark.parametrize("name", PRESETS)
def test_preset_loads(name: str) -> None:
    """Every preset gives at least one goal on a curve, through the reader users go through."""
    entry = parse_yaml(f"preset: {name}", file="design.yaml")
    notes: list[str] = []
    goals = read_goals(entry, Path(), notes)
    assert set(goals.specs) & {"on_axis", "in_room", "early_reflections", "listening_window"}
    assert goals.from_preset == set(goals.specs)
    assert not notes


@pytest.mark.parametrize("name", PRESETS)
def test_preset_says_why_and_names_its_source(name: str) -> None:
    """Title, reason and source are there; without a source it says "no source"."""
    fields = read_preset(name, Path()).fields((*PRESET_KEYS, *GOALS), needed=PRESET_KEYS)
    assert all(len(fields[key].text().strip()) > 10 for key in PRESET_KEYS)
    source = fields["source"].text()
    # a standard or paper has a number and a year; anything else must be owned up to
    assert re.search(r"(IEC|ANSI|AES)[^.]*\d{3,}", source) or "no source" in source


@pytest.mark.parametrize("name", PRESETS)
def test_every_goal_of_a_preset_has_its_reason(name: str) -> None:
    """A comment stands directly above every goal."""
    lines = (find_targets() / f"{name}.yaml").read_text(encoding="utf-8").splitlines()
    goals = [i for i, line in enumerate(lines) if line.split(":")[0] in GOALS]
    assert goals
    for number in goals:
        assert lines[number - 1].startswith("# "), lines[number]


@pytest.mark.parametrize("name", PRESETS)
def test_preset_states_the_values_it_means(name: str) -> None:
    """No goal of a preset leans on a default that could change: every option it has is written,
    or is one that the goal's comment need not explain (the level of a target is free)."""
    fields = read_preset(name, Path()).fields()
    for key in set(fields) & {"on_axis", "in_room", "early_reflections", "sound_power"}:
        assert {"tilt", "band", "weight"} <= set(fields[key].fields())
