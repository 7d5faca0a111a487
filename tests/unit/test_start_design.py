"""The design file that a start writes: it loads, says what it assumes, and is never lost."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import optimizer
from optimizer.design.build import build_problem, load_design
from optimizer.design.start.plan import explain_goals, plan_start
from optimizer.design.start.write import check_unedited, render_start
from optimizer.errors import InputError
from optimizer.testing.speakers import write_speaker
from tests.conftest import cases

pytestmark = pytest.mark.slow

ODD = 'The "best", 50% #1: it\'s'
"""Everything that YAML could misread in a name."""


def write_two_way(folder: Path, woofer: str = "woofer") -> Path:
    f = np.geomspace(50, 20000, 200)
    s, t = 1j * f / 900, 1j * f / 3500
    curves = {
        f"{woofer} woofer.txt": 300 / (t * t + 1.4 * t + 1),
        "tweeter.txt": 350 * s * s / (s * s + 1.4 * s + 1),
    }
    for name, value in curves.items():
        rows = zip(f, 20 * np.log10(np.abs(value)), np.degrees(np.angle(value)), strict=True)
        (folder / name).write_text("".join(f"{a:.3f} {b:.4f} {c:.3f}\n" for a, b, c in rows))
    for name, resonance in ((f"{woofer} woofer z.txt", 80), ("tweeter z.txt", 900)):
        z = 6 + 20 / (1 + 3j * (f / resonance - resonance / f))
        rows = zip(f, np.abs(z), np.degrees(np.angle(z)), strict=True)
        (folder / name).write_text("".join(f"{a:.3f} {b:.4f} {c:.3f}\n" for a, b, c in rows))
    return folder


def write_design(folder: Path, design: Path) -> str:
    text = render_start(plan_start(optimizer.survey(folder)), folder, design.parent)
    design.write_text(text, encoding="utf-8")
    return text


def test_the_design_becomes_a_problem(tmp_path):
    """What is written loads without a note of assumed ranges and says how files were read."""
    folder = tmp_path / "My #1: speaker"
    folder.mkdir()
    design = folder / "laddersmith.yaml"
    text = write_design(write_two_way(folder, ODD), design)
    loaded = load_design(design)
    assert loaded.title == "My #1: speaker"
    assert loaded.notes == ()
    problem = build_problem(loaded)
    assert [d.name for d in problem.drivers] == ["woofer", "tweeter"]
    assert "How the files were understood" in text
    assert "follow from stated depths" in " ".join(text.replace("#", " ").split())
    assert all(len(line) < 160 for line in text.splitlines())


def test_the_demo_loads_with_all_directions(tmp_path, copy_demo):
    """From the example's files alone: three ways, every direction, a shared clock, a mirror."""
    folder = copy_demo(tmp_path / "demo").parent
    design = folder / "laddersmith.yaml"
    write_design(folder, design)
    loaded, demo = load_design(design), load_design(folder / "design.yaml")
    assert loaded.measured.clock == "shared"
    assert loaded.measured.mirror == "left-right"
    assert loaded.goals.preset == "living-room"
    for one, other in zip(loaded.drivers, demo.drivers, strict=True):
        assert one.name == other.name
        assert {f.direction: f.path.name for f in one.responses} == {
            f.direction: f.path.name for f in other.responses
        }


def test_a_design_elsewhere_finds_the_files(tmp_path):
    """A design written into another folder names the measurements in full."""
    folder, other = tmp_path / "data", tmp_path / "designs"
    folder.mkdir()
    other.mkdir()
    design = other / "mine.yaml"
    write_design(write_two_way(folder), design)
    assert build_problem(load_design(design)).drivers


def test_two_ways_may_stand_in_series(tmp_path):
    """The network in the comments loads in place of the ways, and holds the handbook's values.

    Series crossover of first order: C = 1/(w R), L = R/w (textbook), with each driver's modulus.
    """
    design = tmp_path / "laddersmith.yaml"
    text = write_design(write_two_way(tmp_path), design)
    network = re.search(r"^# (network: .*)\n# (values: .*)\n", text, re.M)
    assert network
    ways = re.search(r"^ways:\n.*?(?=^\n# Instead)", text, re.M | re.S)
    assert ways
    design.write_text(text.replace(ways[0], "\n".join(network.groups()) + "\n"), encoding="utf-8")
    topology = build_problem(load_design(design)).topology
    (group,) = topology.groups
    assert group.joint == "series"
    (pair,) = plan_start(optimizer.survey(tmp_path)).plan.crossovers
    f = pair.centre_hz
    laws = (lambda w, ohm: 1 / (w * ohm), lambda w, ohm: ohm / w)
    for way, law, resonance in zip(topology.ways, laws, (80, 900), strict=True):
        (slot,) = way.slots
        assert slot.place == "shunt"
        ohm = abs(6 + 20 / (1 + 3j * (f / resonance - resonance / f)))
        assert slot.ranges[0].low < law(2 * np.pi * f, ohm) < slot.ranges[0].high


def test_two_of_a_kind_ask_for_no_null(tmp_path):
    """Between two woofers of a kind there is no crossover whose null could be asked for."""
    write_two_way(tmp_path, "1")
    for end in (" woofer.txt", " woofer z.txt"):
        (tmp_path / f"1{end}").rename(tmp_path / f"woofer1{end.removeprefix(' woofer')}")
        name = f"woofer1{end.removeprefix(' woofer')}"
        (tmp_path / name.replace("1", "2")).write_bytes((tmp_path / name).read_bytes())
    design = tmp_path / "laddersmith.yaml"
    write_design(tmp_path, design)
    loaded = load_design(design)
    assert [d.name for d in loaded.drivers] == ["woofer1", "woofer2", "tweeter"]
    assert "inverted_null" not in loaded.goals.specs


def test_an_edited_design_is_never_replaced(tmp_path):
    """One changed character below the first line, or a file of another origin, is refused."""
    design = tmp_path / "laddersmith.yaml"
    check_unedited(design)
    text = write_design(write_two_way(tmp_path), design)
    check_unedited(design)
    for changed in (
        text.replace("each: 0.05", "each: 0.06"),
        text + "# mine\n",
        "speaker: mine\n",
        text.split("\n", 1)[1],
        "",
    ):
        design.write_text(changed, encoding="utf-8")
        with pytest.raises(InputError, match="not replaced") as caught:
            check_unedited(design)
        assert "--design" in str(caught.value)


def test_the_same_folder_gives_the_same_text(tmp_path):
    """Writing twice changes nothing, and the design is not taken for a measurement."""
    write_two_way(tmp_path)
    design = tmp_path / "laddersmith.yaml"
    first = write_design(tmp_path, design)
    again = render_start(plan_start(optimizer.survey(tmp_path)), tmp_path, tmp_path)
    # The list of files now holds the design itself.
    assert load_design(design).topology == load_design(design).topology
    kept = [line for line in again.splitlines()[1:] if "laddersmith.yaml" not in line]
    assert kept == first.splitlines()[1:]


@pytest.mark.parametrize(
    ("angles", "preset"),
    cases([((30, 60), "bench-start"), ((15, 30, 45, 60), "living-room"), ((), "bench-start"),
           ((15, 30), "bench-start"), ((30,), "bench-start")], routine=2),
)  # fmt: skip
def test_any_shared_angle_is_asked_about(tmp_path, angles, preset):
    """Angles that every driver has bring a goal off the axis, and the design says which; one that a
    driver alone has is said not to be used."""
    write_speaker(tmp_path, 1)
    kept = {f"_h{angle}" for angle in angles}
    for path in tmp_path.glob("*_[hv]*.txt"):
        if not any(path.stem.endswith(end) for end in kept):
            path.unlink()
    text = write_design(tmp_path, tmp_path / "laddersmith.yaml")
    goals = load_design(tmp_path / "laddersmith.yaml").goals
    assert goals.preset == preset
    assert ("off_axis" in goals.specs) == bool(angles and preset == "bench-start")
    assert ("in_room" in goals.specs) == (preset == "living-room")
    said = explain_goals(plan_start(optimizer.survey(tmp_path)))
    assert len(said) <= 5
    for line in said:
        assert line in " ".join(text.replace("#", " ").split())
    if angles and preset == "bench-start":
        assert f"every driver was measured at {angles[0]} right" in said[1]
        (tmp_path / f"tweeter_h{angles[0]}.txt").unlink()
        text = write_design(tmp_path, tmp_path / "laddersmith.yaml")
        assert f"woofer alone was measured at {angles[0]} right" in text
