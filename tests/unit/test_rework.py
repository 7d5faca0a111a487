"""An old board: work at the iron by hand, what a design makes of it, and pieces there are one of."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml

from optimizer.bench.build.rework import plan_rework
from optimizer.bench.build.wiring import wire_network
from optimizer.bench.networks.file import read_network, render_network
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.network.network import Network
from optimizer.network.rework import compare_work, rework_of
from optimizer.parts import BOARD, KEPT
from optimizer.problem.figures import build_candidate, network_economy
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.testing import FILE_HZ, write_driver
from optimizer.testing.networks import across, capacitor, coil, fitted, in_line, network, resistor
from optimizer.text.units import parse_quantity

L1, L2 = coil(1e-3, 0.3), coil(2.2e-3, 0.5)
C1, C2 = capacitor(4.7e-6), capacitor(10e-6)
R1, R2 = resistor(2.2), resistor(8.2)
JOINED = capacitor(6.9e-6, pieces=(4.7e-6, 2.2e-6), joined="parallel")
PAD = fitted("P1", "series", "pad", R1, R2)


def ways(*slots: object, inverted: bool = False) -> Network:
    return network({"w": slots}, inverted=["w"] if inverted else ())  # type: ignore[dict-item]


@pytest.mark.parametrize(
    ("was", "now", "off", "on", "jumpers", "reroutes"),
    [
        (ways(in_line("L1", L1)), ways(in_line("L1", L1)), 0, 0, 0, 0),
        (ways(in_line("L1", L1)), ways(in_line("L1", L2)), 1, 1, 0, 0),
        (ways(in_line("L1", L1)), ways(), 1, 0, 1, 0),
        (ways(across("C1", C1)), ways(), 1, 0, 0, 0),
        (ways(), ways(in_line("R1", R1)), 0, 1, 0, 1),
        (ways(), ways(across("C1", C1)), 0, 1, 0, 0),
        (ways(across("C1", C1)), ways(across("C1", JOINED)), 1, 2, 0, 0),
        (ways(across("C1", JOINED)), ways(), 2, 0, 0, 0),
        (ways(PAD), ways(), 2, 0, 1, 0),
        (ways(), ways(PAD), 0, 2, 0, 1),
        (ways(PAD), ways(fitted("P1", "series", "pad", R1, R1)), 1, 1, 0, 0),
        (ways(in_line("X", L1)), ways(across("X", C1)), 1, 1, 1, 0),
        (ways(across("X", C1)), ways(in_line("X", L1)), 1, 1, 0, 1),
        (ways(in_line("L1", L1)), ways(in_line("L1", L1), inverted=True), 0, 0, 0, 1),
    ],
)
def test_work_by_hand(
    was: Network, now: Network, off: int, on: int, jumpers: int, reroutes: int
) -> None:
    """Each kind of change, counted by hand."""
    work = compare_work(was, now)
    assert (work.off, work.on, work.jumpers, work.reroutes) == (off, on, jumpers, reroutes)
    assert work.count == off + on + jumpers + reroutes
    back = compare_work(now, was)
    assert (back.off, back.on) == (on, off)


BOARD_FILE = """\
speaker: old one
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, value: 1 mH, dcr: 0.3 ohm, note: cored}
      - {name: C1, shunt: capacitor, value: 10 uF, tolerance: 10 %}
  tweeter:
    polarity: inverted
    ladder:
      - {name: C1, series: capacitor, value: 4.7 uF, origin: given}
      - {name: L1, shunt: inductor, value: 1 mH, dcr: 0.4 ohm}
      - {name: P1, series: pad, series_resistor: 2.2 ohm, shunt_resistor: 8.2 ohm}
"""

DESIGN = """\
drivers:
  woofer: {response: woofer.txt, impedance: woofer_z.txt}
  tweeter: {response: tweeter.txt, impedance: tweeter_z.txt}
board: BOARD
WAYS
goals:
  on_axis: {band: 100..15k}
  parts: {each: 0.03}
stock: {series: E6, pair: yes}
grid: {per_octave: 6}
"""


def make(folder: Path, ways: str = "", board: str = "old.yaml", file: str = BOARD_FILE) -> Path:
    s = 1j * FILE_HZ / 2000.0
    for name, curve in (("woofer", 1.0 / (1.0 + 0.3 * s)), ("tweeter", 1.6 * s / (1.0 + s))):
        z = (6.0 if name == "woofer" else 5.0) + 2j * np.pi * FILE_HZ * 2e-4
        write_driver(folder, name, level_db=10.0 ** (87.0 / 20.0) * curve, ohm=z)
    (folder / "old.yaml").write_text(file, encoding="utf-8")
    path = folder / "design.yaml"
    path.write_text(DESIGN.replace("BOARD", board).replace("WAYS", ways), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def problem(tmp_path_factory: pytest.TempPathFactory) -> Problem:
    return build_problem(load_design(make(tmp_path_factory.mktemp("board"))))


def test_every_place_may_stay_change_or_come_off(problem: Problem) -> None:
    """By default; the drivers may be turned; other places are offered, empty; work costs."""
    by_name = {
        f"{one.name}.{slot.name}": slot for one in problem.topology.ladders for slot in one.slots
    }
    old = [name for name, slot in by_name.items() if slot.kept]
    assert old == ["woofer.L1", "woofer.C1", "tweeter.C1", "tweeter.L1", "tweeter.P1"]
    assert all(slot.optional and slot.alterable for name, slot in by_name.items() if name in old)
    new = [name for name in by_name if name not in old]
    assert all(by_name[name].optional for name in new)
    assert {by_name[name].form for name in new} >= {"resistor", "trap", "equaliser"}
    assert by_name["woofer.R1"] is problem.topology.ways[0].slots[0]
    (kept,) = by_name["woofer.C1"].kept or ()
    assert (kept.value, kept.tolerance, kept.origin) == (10e-6, 0.1, KEPT)
    assert [way.polarity for way in problem.topology.ways] == ["free", "free"]
    assert [way.soldered for way in problem.topology.ways] == [1, -1]
    assert problem.goals["changes"].weight > 0.0
    assert any("places that may be added" in note for note in problem.notes)


def test_the_board_is_a_network_that_needs_no_work(problem: Problem, tmp_path: Path) -> None:
    """Its own file, whose parts state no origin or were given, is the board: nothing costs."""
    file = make(tmp_path).parent / "old.yaml"
    board = read_network(str(file), problem).network
    assert {part.origin for part in board.parts} == {KEPT}
    assert rework_of(problem.topology, board).count == 0
    assert network_economy(problem, board) == 0.0
    start = problem.space.board()
    assert start is not None
    assert problem.space.network(start) == board
    assert problem.space.economy(start) == 0.0


def test_the_search_counts_as_the_figures_do(problem: Problem) -> None:
    """Drawn networks, turned drivers among them: what the search adds up is the work between the
    two networks, and each piece that is not on the board."""
    space, rng = problem.space, np.random.default_rng(7)
    weights = problem.goals["changes"].weight, problem.goals["parts"].weight
    seen = set()
    for _ in range(60):
        genome = Genome(
            choice=np.array([rng.integers(len(o.values)) for o in space.options], dtype=np.intp),
            present=rng.random(len(space.slots)) < 0.4,
            polarity=np.where(
                space.polarity_free, rng.choice([-1.0, 1.0], 2), space.polarity_start
            ),
        )
        built = space.network(genome)
        work = rework_of(problem.topology, built)
        seen |= {bool(work.turned), bool(work.jumpers) + 2, bool(work.reroutes) + 4}
        wanted = weights[0] * work.count + weights[1] * built.piece_count
        assert space.economy(genome) == pytest.approx(wanted, abs=1e-9)
        assert network_economy(problem, built) == pytest.approx(wanted, abs=1e-9)
        figure = next(g for g in build_candidate(problem, built).goals if g.name == "changes")
        assert (figure.value, figure.unit) == (work.count, "operations")
    assert {True, 3, 5} <= seen


def test_there_is_one_of_each_piece(problem: Problem) -> None:
    """A coil that stays cannot serve elsewhere too, in a pair as in one; one that comes off can.
    Two coils of one value are two pieces."""
    space = problem.space
    start = space.board()
    assert start is not None
    here, there = space.find("woofer.L1"), space.find("tweeter.L1")
    assert here is not None
    assert there is not None
    mine = space.part(start, here)
    other = space.part(start, there)
    assert mine is not None
    assert other is not None
    assert mine.value != other.value
    assert mine.value == pytest.approx(other.value, rel=1e-12)
    moved = [
        k for k, p in enumerate(space.options[there].parts)
        if p.origin == BOARD and p.value == mine.value
    ]  # fmt: skip
    assert len(moved) == 1
    choice = start.choice.copy()
    choice[there] = moved[0]
    twice = Genome(choice=choice, present=start.present, polarity=start.polarity)
    assert space.rules.breaches(twice) == 1.0
    gone = start.present.copy()
    gone[space.gene_slot[here]] = False
    once = Genome(choice=choice, present=gone, polarity=start.polarity)
    assert space.rules.breaches(once) == 0.0
    assert space.rules.breaches(start) == 0.0
    # In its own place the piece is the one that stays, no second one.
    assert not any(p.origin == BOARD and p.value == mine.value for p in space.options[here].parts)
    work = rework_of(problem.topology, space.network(once))
    # Two coils off, a wire where the first was, and that one on.
    assert (work.off, work.on, work.jumpers, work.reroutes) == (2, 1, 1, 0)


def test_a_piece_that_moves_is_named_at_both_ends(problem: Problem) -> None:
    """The woofer's coil goes to the tweeter: taken off first, a wire where it was, put in last; what
    the tweeter had is left over. The same from the file that the network was written to."""
    space = problem.space
    start = space.board()
    assert start is not None
    here, there = space.find("woofer.L1"), space.find("tweeter.L1")
    assert here is not None
    assert there is not None
    mine = space.part(start, here)
    assert mine is not None
    moved = next(
        k for k, p in enumerate(space.options[there].parts)
        if p.origin == BOARD and p.value == mine.value
    )  # fmt: skip
    choice, present = start.choice.copy(), start.present.copy()
    choice[there], present[space.gene_slot[here]] = moved, False
    polarity = start.polarity * np.array([1.0, -1.0])
    built = space.network(Genome(choice=choice, present=present, polarity=polarity))
    plan = plan_rework(problem.topology, built, wire_network(built))
    assert plan is not None
    said = [(s.act, str(s.spot).rstrip("."), [str(o) for o in s.other]) for s in plan.steps]
    assert said == [
        ("take off", "woofer.L1", ["tweeter.L1"]),
        ("take off", "tweeter.L1", []),
        ("close", "woofer.L1", []),
        ("put on", "tweeter.L1", ["woofer.L1"]),
        ("turn", "tweeter", []),
    ]
    assert [str(spot) for spot, _ in plan.left] == ["tweeter.L1"]
    assert plan.rework.count == 5
    again = yaml.safe_load(render_network(built))["ways"]["tweeter"]["ladder"][1]
    assert again["origin"] == "board"
    assert parse_quantity(again["value"], "H") == mine.value


@pytest.mark.parametrize(
    ("ways", "place", "optional", "alterable", "span"),
    [
        ("{name: L1, keep: yes}", "L1", False, False, (1e-3, 1e-3)),
        ("{name: L1, alter: no}", "L1", False, False, (1e-3, 1e-3)),
        ("{name: L1, optional: no}", "L1", False, True, (0.25e-3, 4e-3)),
        ("{name: L1, from: 0.5 mH, to: 2 mH}", "L1", True, True, (0.5e-3, 2e-3)),
        ("{name: C9, shunt: capacitor, from: 1 uF, to: 5 uF}", "C9", False, False, (1e-6, 5e-6)),
    ],
)
def test_a_design_overrides_place_by_place(
    tmp_path: Path,
    ways: str,
    place: str,
    optional: bool,
    alterable: bool,
    span: tuple[float, float],
) -> None:
    """What stands under ways is otherwise; all else is as on the board."""
    text = f"ways: {{woofer: {{polarity: normal, ladder: [{ways}]}}}}"
    design = load_design(make(tmp_path, text, board="{file: old.yaml, add: no}"))
    way = design.topology.ways[0]
    slot = next(one for one in way.slots if one.name == place)
    assert (slot.optional, slot.alterable) == (optional, alterable)
    assert (slot.ranges[0].low, slot.ranges[0].high) == pytest.approx(span)
    assert way.polarity == "normal"
    names = {one.name for one in way.slots}
    assert names == {"L1", "C1", place}
    assert [s.name for s in design.topology.ways[1].slots] == ["C1", "L1", "P1"]


SHARED = (
    BOARD_FILE.replace(
        "      - {name: P1,",
        "      - {name: C3, across: P1, series: capacitor, value: 2.2 uF}\n      - {name: P1,",
    )
    + "shared:\n  front:\n    ladder:\n      - {name: R0, series: resistor, value: 1 ohm}\n"
)


def test_a_board_may_have_a_shared_section_and_a_bypass(tmp_path: Path) -> None:
    """What all ways share is on the board too; a place that another lies across is never emptied."""
    problem = build_problem(load_design(make(tmp_path, file=SHARED)))
    (group,) = problem.topology.groups
    assert (group.name, group.members) == ("front", ("woofer", "tweeter"))
    assert [slot.optional for slot in group.slots] == [True]
    slots = {slot.name: slot for slot in problem.topology.ways[1].slots}
    assert (slots["C3"].across, slots["C3"].optional, slots["P1"].optional) == ("P1", True, False)
    board = read_network(str(tmp_path / "old.yaml"), problem).network
    assert rework_of(problem.topology, board).count == 0
    stays = "shared: {front: {ladder: [{name: R0, keep: yes}]}}"
    kept = load_design(make(tmp_path, stays, file=SHARED)).topology.groups[0].slots[0]
    assert (kept.optional, kept.alterable) == (False, False)


@pytest.mark.parametrize(
    ("ways", "board", "file", "said"),
    [
        ("ways: {woofer: {ladder: [{name: L1, series: trap}]}}", "old.yaml", BOARD_FILE,
         "said by the board"),
        ("ways: {woofer: {ladder: [{name: C1, value: 6.8 uF}]}}", "old.yaml", BOARD_FILE,
         "instead by a range"),
        ("ways: {woofer: {ladder: [{name: C1, keep: 8 uF}]}}", "old.yaml", BOARD_FILE,
         "instead by a range"),
        ("ways: {woofer: {slope: 2}}", "old.yaml", BOARD_FILE, "unknown key"),
        ("", "none.yaml", BOARD_FILE, "none.yaml"),
        ("", "{file: old.yaml, ad: no}", BOARD_FILE, "unknown key"),
        ("", "old.yaml", "ladder: []\n", "a board is a network file"),
        ("", "old.yaml", BOARD_FILE.replace("tweeter:", "twitter:"), "listed under drivers"),
        ("", "old.yaml", BOARD_FILE.replace("series: inductor, ", ""), "says what sits there"),
        ("network: woofer || tweeter", "old.yaml", BOARD_FILE, "needs no ways"),
    ],
)  # fmt: skip
def test_contradictions_are_told(
    tmp_path: Path, ways: str, board: str, file: str, said: str
) -> None:
    """With the file and a line."""
    with pytest.raises(InputError, match=said) as caught:
        load_design(make(tmp_path, ways, board, file))
    assert caught.value.line is not None or "none.yaml" in str(caught.value)


def test_a_first_order_filter_and_a_resistor_are_found_as_such(tmp_path: Path) -> None:
    """A driver whose response is level behind 6.8 uF and 2.2 ohm, on a board of third order that
    has 6.8 uF as its last part: two parts come off, a wire goes in, a resistor stands in front."""
    ohm = np.full(len(FILE_HZ), 8.0)
    drive = ohm / (ohm + 2.2 + 1.0 / (2j * np.pi * FILE_HZ * 6.8e-6))
    write_driver(tmp_path, "tweeter", level_db=10.0 ** (90.0 / 20.0) / drive, ohm=ohm + 0j)
    (tmp_path / "old.yaml").write_text(
        "ways:\n  tweeter:\n    ladder:\n"
        "      - {name: C1, series: capacitor, value: 4.7 uF, esr: 0 ohm}\n"
        "      - {name: L1, shunt: inductor, value: 0.33 mH, dcr: 0.2 ohm}\n"
        "      - {name: C2, series: capacitor, value: 6.8 uF, esr: 0 ohm}\n",
        encoding="utf-8",
    )
    design = tmp_path / "design.yaml"
    design.write_text(
        "drivers: {tweeter: {response: tweeter.txt, impedance: tweeter_z.txt}}\nboard: old.yaml\n"
        "goals: {on_axis: {band: 500..15k, tilt: 0 dB/oct}, impedance: {floor: 4 ohm, hard: yes},\n"
        "  parts: {each: 0.02}, changes: {each: 0.01}}\n"
        "stock: {series: E6}\ngrid: {per_octave: 6}\n",
        encoding="utf-8",
    )
    found = search(
        build_problem(load_design(design)), seconds=None, evaluations=6_000, seed=1, top=3
    ).candidates[0]
    parts = [(p.kind, p.value, p.origin) for p in found.network.parts]
    assert parts == [("resistor", 2.2, "E6"), ("capacitor", 6.8e-6, KEPT)]
    figures = {goal.name: goal.value for goal in found.goals}
    assert figures["on_axis"] < 0.05
    # C1 off and a wire, L1 off; the line opened and the resistor put on.
    assert figures["changes"] == 5
