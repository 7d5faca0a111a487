"""Where ways may meet: as written, from the limits, as a goal, and what is wrong with a line."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.design.read.crossings import read_crossings
from optimizer.errors import InputError
from optimizer.goals import Crossing, CrossoverRange, Scene
from optimizer.measure.driver import Limits
from optimizer.problem.crossovers import find_crossing
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.testing.drivers import ideal_driver
from optimizer.testing.problems import small_problem
from optimizer.text.yamltext import parse_yaml

WAYS = ("woofer", "up to the top", "tweeter")


def read(text: str) -> tuple[tuple[CrossoverRange, ...], bool]:
    return read_crossings(parse_yaml(text, file="d.yaml"), WAYS)


def test_ranges_are_read_with_names_that_hold_the_word() -> None:
    """The pair is split where both halves are ways."""
    ranges, hard = read("{woofer to up to the top: 300 .. 900, up to the top to tweeter: 2k..3k}")
    assert [(r.lower, r.upper, r.low_hz, r.high_hz) for r in ranges] == [
        ("woofer", "up to the top", 300.0, 900.0),
        ("up to the top", "tweeter", 2000.0, 3000.0),
    ]
    assert not hard
    assert read("{woofer to tweeter: 1k .. 2k, hard: yes}")[1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{woofer to tweter: 1k .. 2k}", 'did you mean "tweeter"'),
        ("{woofer: 1k .. 2k}", "which one is the lower"),
        ("{woofer to tweeter: 2k .. 1k}", "2k .. 1k"),
        ("{woofer to tweeter: 1k}", "d.yaml:1"),
        ("{woofer to tweeter: 1k..2k, tweeter to woofer: 1k..2k}", "meet once"),
        ("{woofer to woofer: 1k..2k}", "which one is the lower"),
    ],
)
def test_what_cannot_be_read_is_said(text: str, said: str) -> None:
    """Every slip names the line, what is wrong and what to write."""
    with pytest.raises(InputError) as caught:
        read(text)
    assert said in str(caught.value)
    assert "d.yaml:1" in str(caught.value)


def scene(limits: dict[str, Limits], *crossings: CrossoverRange) -> Scene:
    drivers = [
        ideal_driver("woofer", band_hz=(50.0, 3000.0), limits=limits.get("woofer", Limits())),
        ideal_driver("tweeter", band_hz=(900.0, None), limits=limits.get("tweeter", Limits())),
    ]
    return Scene(
        frequency_hz=drivers[0].frequency_hz,
        curves=["on_axis"],
        ways=[(d.name, d) for d in drivers],
        crossings=crossings,
    )


def test_without_a_range_the_limits_give_it() -> None:
    """From the lowest frequency of the upper driver to the highest of the lower one."""
    (found,) = scene(
        {"woofer": Limits(highest_hz=2500.0), "tweeter": Limits(lowest_hz=1500.0)}
    ).meetings()
    assert (found.low_hz, found.high_hz) == (1500.0, 2500.0)
    assert found.centre_hz == pytest.approx(np.sqrt(1500.0 * 2500.0))
    # What keeps the upper driver whole comes first where both cannot be had.
    (found,) = scene(
        {"woofer": Limits(highest_hz=1200.0), "tweeter": Limits(lowest_hz=1500.0)}
    ).meetings()
    assert (found.low_hz, found.high_hz) == (1500.0, None)
    with pytest.raises(InputError, match="range in which two ways may meet"):
        Crossing().prepare(scene({}))


def test_a_stated_range_comes_before_the_limits() -> None:
    """Whichever of the two is named first."""
    stated = CrossoverRange(lower="woofer", upper="tweeter", low_hz=2000.0, high_hz=3000.0)
    (found,) = scene({"tweeter": Limits(lowest_hz=1500.0)}, stated).meetings()
    assert found is stated


def test_each_driver_has_its_part_of_the_band() -> None:
    """Parts meet in the middle of the range and fill the band."""
    stated = CrossoverRange(lower="woofer", upper="tweeter", low_hz=1000.0, high_hz=4000.0)
    parts = scene({}, stated).own_bands((100.0, 10000.0))
    assert parts == {0: (100.0, pytest.approx(2000.0)), 1: (pytest.approx(2000.0), 10000.0)}


@pytest.mark.parametrize(("low", "high", "kept"), [(1000, 4000, True), (300, 700, False)])
def test_the_goal_is_met_inside_its_range_only(low: float, high: float, kept: bool) -> None:
    """It is 0 exactly where the two levels cross inside, whichever network is drawn."""
    stated = CrossoverRange(lower="woofer", upper="tweeter", low_hz=low, high_hz=high)
    base = small_problem()
    problem = Problem(
        drivers=base.drivers, topology=base.topology, stock=base.stock,
        goals={"on_axis": 1.0, "crossing": Crossing()}, crossings=[stated],
    )  # fmt: skip
    rng = np.random.default_rng(3)
    space = problem.space
    met = []
    for _ in range(40):
        genome = space.snap(
            rng.uniform(space.log_low, space.log_high),
            np.where(space.optional, rng.random(len(space.optional)) < 0.5, True),
            np.array([1.0, rng.choice([-1.0, 1.0])]),
        )
        candidate = build_candidate(problem, genome)
        figure = next(g for g in candidate.goals if g.name == "crossing")
        hz = find_crossing(problem.frequency_hz, *candidate.curves.way_db)
        if hz is None:
            continue
        if figure.value == 0.0:
            assert low <= hz <= high
        met.append(low * 1.1 <= hz <= high / 1.1)
        if met[-1]:
            assert figure.value == 0.0
    assert any(met) == kept


def test_nothing_written_is_no_range() -> None:
    """An absent block gives no range and no hard limit."""
    assert read_crossings(None, WAYS) == ((), False)


@pytest.mark.slow
def test_a_design_asks_for_its_ranges_unless_it_says_off(copy_demo, tmp_path) -> None:
    """`cross:` asks softly, with `hard: yes` it refuses, and `crossing: off` keeps the ranges for the
    verdicts alone."""
    cross = "  midrange to tweeter: 1.8 .. 2.5 kHz\n"
    soft = build_problem(load_design(copy_demo(tmp_path / "soft")))
    assert not soft.goals["crossing"].hard
    hard = copy_demo(tmp_path / "hard", (cross, cross + "  hard: yes\n"))
    assert build_problem(load_design(hard)).goals["crossing"].hard
    off = copy_demo(tmp_path / "off", ("  directivity:", "  crossing: off\n  directivity:"))
    problem = build_problem(load_design(off))
    assert "crossing" not in problem.goals
    assert [(r.low_hz, r.high_hz) for r in problem.scene.meetings()] == [
        (220.0, 880.0), (1800.0, 2500.0),
    ]  # fmt: skip


@pytest.mark.slow
def test_a_hard_range_that_cannot_be_kept_is_a_nearest_miss(
    copy_demo, tmp_path, laddersmith
) -> None:
    """Exit code 3, and the text says which range is broken and by how much."""
    cross = "  woofer to midrange: 220 .. 880 Hz\n"
    changed = "  woofer to midrange: 30 .. 40 Hz\n  hard: yes\n"
    design = copy_demo(tmp_path / "demo", (cross, changed), coarse=True)
    done = laddersmith("fit", design, "--seconds", 1, "--workers", 1)
    assert done.returncode == 3
    assert "crossing" in done.stderr
    assert "louder than" in done.stdout
