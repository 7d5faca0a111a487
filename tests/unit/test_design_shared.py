"""Shared sections and the amplifier in a design file."""

from __future__ import annotations

import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError

GRID = "search: {seconds: 15, seed: 1}\n"
COIL = "{name: L0, series: inductor, from: 0.1 mH, to: 1 mH}"


def test_amplifier_and_cable(copy_demo, tmp_path):
    design = load_design(
        copy_demo(tmp_path, (GRID, GRID + "amplifier: {output: 2.5 ohm, cable: 0.1 ohm}\n"))
    )
    assert design.topology.source.output_ohm == 2.5
    assert design.topology.source.cable_ohm == pytest.approx(0.1)


def test_a_section_in_front_of_two_ways(copy_demo, tmp_path):
    """Its parts are parts of the speaker: they have options and a place of their own."""
    written = f"shared: {{top: {{feeds: [midrange, tweeter], ladder: [{COIL}]}}}}\n"
    design = copy_demo(tmp_path, (GRID, GRID + written), coarse=True)
    problem = build_problem(load_design(design))
    (group,) = problem.topology.groups
    assert (group.name, group.members, group.joint) == ("top", ("midrange", "tweeter"), "parallel")
    assert "top.L0" in [problem.space.label(g) for g in range(len(problem.space.genes))]


def test_all_ways_when_not_said(copy_demo, tmp_path):
    design = load_design(copy_demo(tmp_path, (GRID, GRID + "shared: {all: {joined: series}}\n")))
    (group,) = design.topology.groups
    assert group.members == ("woofer", "midrange", "tweeter")
    assert group.joint == "series"


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("shared: {all: {feeds: [woofr], joined: series}}", 'did you mean "woofer"?'),
        ("shared: {all: {feeds: [woofer]}}", "without parts changes nothing"),
        ("shared: {all: {feeds: [], joined: series}}", "at least one way"),
        ("shared: {woofer: {joined: series}}", "a name of its own"),
        (
            "shared: {a: {feeds: [woofer, tweeter], joined: series}, "
            "b: {feeds: [tweeter, midrange], joined: series}}",
            "one group only",
        ),
        (
            "shared: {a: {feeds: [b, woofer], joined: series}, b: {feeds: [a], joined: series}}",
            "cannot be within itself",
        ),
        ("shared: {all: {joined: crosswise}}", "crosswise"),
        ("amplifier: {output: -1 ohm}", "at least 0 ohm"),
        ("amplifier: {wire: 1 ohm}", "wire"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(copy_demo, tmp_path, written, said):
    with pytest.raises(InputError) as caught:
        load_design(copy_demo(tmp_path, (GRID, f"{GRID}{written}\n")))
    assert said in str(caught.value)
    assert "design.yaml:" in str(caught.value)
