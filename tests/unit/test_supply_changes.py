"""An existing board: parts that may be altered or removed, each at a price."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from optimizer.arrays import Counts
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.network.network import Network
from optimizer.parts import Part
from optimizer.problem.figures import build_candidate, network_economy
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.search.prove.exact import enumerate_best
from optimizer.search.trade.explore import search_trade
from optimizer.testing import FILE_HZ, write_driver
from tests.conftest import cases

pytestmark = pytest.mark.slow

DESIGN = """\
drivers:
  woofer: {{response: woofer.txt, impedance: woofer_z.txt}}
  tweeter: {{response: tweeter.txt, impedance: tweeter_z.txt}}
ways:
  woofer:
    ladder:
      - {{name: L1, series: inductor, keep: 0.47 mH, dcr: 0.3, from: 0.33 mH, to: 2.2 mH}}
      - {{name: C1, shunt: capacitor, keep: 4.7 uF, from: 3.3 uF, to: 22 uF, optional: yes}}
  tweeter:
    polarity: free
    ladder:
      - {{name: C1, series: capacitor, keep: 10 uF, alter: yes}}
      - {{name: L1, shunt: inductor, from: 0.2 mH, to: 0.5 mH, optional: yes}}
      - {{name: R1, series: resistor, keep: 1 ohm}}
goals:
  on_axis: {{band: 100..15k}}
  parts: {{each: 0.02}}
  changes: {{each: {each}}}
stock: {{series: E6}}
grid: {{per_octave: 8}}
"""


def make(folder: Path, each: float) -> Problem:
    """Two invented drivers that cross near 2 kHz, on a board that suits neither."""
    s = 1j * FILE_HZ / 2000.0
    low, high = 1.0 / (1.0 + 0.3 * s), s / (1.0 + s)
    for name, curve in (("woofer", low), ("tweeter", 1.6 * high)):
        z = (6.0 if name == "woofer" else 5.0) + 2j * np.pi * FILE_HZ * 2e-4
        write_driver(folder, name, level_db=10.0 ** (87.0 / 20.0) * curve, ohm=z)
    path = folder / "design.yaml"
    path.write_text(DESIGN.format(each=each), encoding="utf-8")
    return build_problem(load_design(path))


def list_networks(problem: Problem) -> list[Genome]:
    space = problem.space
    found = []
    for present in product(*((True, False) if o else (True,) for o in space.optional)):
        rows = [
            range(len(o.values)) if present[space.gene_slot[g]] else (0,)
            for g, o in enumerate(space.options)
        ]
        signs = [(1.0, -1.0) if free else (1.0,) for free in space.polarity_free]
        found += [
            Genome(choice=np.array(choice), present=np.array(present), polarity=np.array(polarity))
            for choice in product(*rows)
            for polarity in product(*signs)
        ]
    return found


def count_changes(problem: Problem, network: Network) -> int:
    """Operations at the iron, counted by hand: off, on, a jumper where the line is left open, a
    re-route where it is opened."""
    changes = 0
    for way, fitted in zip(problem.topology.ways, network.ways, strict=True):
        parts = {slot.name: slot.parts[0] for slot in fitted.slots}
        for slot in way.slots:
            part = parts.get(slot.name)
            line = slot.place == "series"
            if slot.kept is None:
                changes += (1 + line) if part is not None else 0
            elif part is None:
                changes += 1 + line
            elif part.origin != "kept":
                changes += 2
    return changes


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Genome], Counts, Counts]:
    """Every network, its pieces and its changes: the same whatever a change costs."""
    problem = make(tmp_path_factory.mktemp("board"), 0.3)
    genomes = list_networks(problem)
    networks = [problem.space.network(genome) for genome in genomes]
    pieces = np.array([network.piece_count for network in networks])
    return genomes, pieces, np.array([count_changes(problem, network) for network in networks])


@pytest.mark.parametrize("each", cases([0.0, 0.05, 0.4, 5.0], routine=[0.05]))
def test_change_as_little_as_possible_is_a_fit_like_any_other(
    tmp_path: Path, counted: tuple[list[Genome], Counts, Counts], each: float
) -> None:
    """The fit finds what computing every network finds, each change priced by hand."""
    problem = make(tmp_path, each)
    networks, pieces, changes = counted
    population = problem.space.population(networks)
    by_hand = problem.evaluator.cost(population) + 0.02 * pieces + each * changes
    assert problem.cost(networks) == pytest.approx(by_hand, rel=1e-9)
    result = search(problem, seconds=None, evaluations=4_000, seed=1, top=1)
    assert result.candidates[0].cost == pytest.approx(by_hand.min(), abs=1e-9)
    figure = next((g for g in result.candidates[0].goals if g.name == "changes"), None)
    wanted = changes[int(np.argmin(by_hand))]
    if each:
        assert figure is not None
        assert (figure.value, figure.unit) == (wanted, "operations")
    if each == 5.0:
        assert wanted == 0
    if each == 0.0:
        assert wanted > 1


def test_the_exact_search_counts_changes_too(tmp_path: Path) -> None:
    """Branch and bound prices what is left out of the board."""
    problem = make(tmp_path, 0.05)
    best = min(problem.cost(list_networks(problem)))
    assert enumerate_best(problem, top=1).candidates[0].cost == pytest.approx(best, abs=1e-9)


def test_the_board_itself_costs_nothing(tmp_path: Path) -> None:
    """Its network has no pieces to buy and no changes; what stays fixed cannot move."""
    problem = make(tmp_path, 0.3)
    board = problem.space.board()
    assert board is not None
    network = problem.space.network(board)
    assert network.piece_count == 0
    assert problem.space.economy(board) == 0.0
    assert [p.value for w in network.ways for s in w.slots for p in s.parts] == pytest.approx(
        [0.47e-3, 4.7e-6, 10e-6, 1.0]
    )
    resistor = [g.name for g in problem.space.genes].index("R1")
    assert len(problem.space.options[resistor].parts) == 1


def test_a_network_from_elsewhere_is_priced_as_the_search_prices_it(tmp_path: Path) -> None:
    """Figures of any network count its changes against the board."""
    problem = make(tmp_path, 0.3)
    rng = np.random.default_rng(1)
    networks = list_networks(problem)
    for k in rng.integers(len(networks), size=20):
        genome = networks[int(k)]
        network = problem.space.network(genome)
        assert network_economy(problem, network) == pytest.approx(problem.space.economy(genome))
        candidate = build_candidate(problem, network)
        assert candidate.cost == pytest.approx(problem.cost([genome])[0])
    kept = [p for w in problem.space.network(networks[0]).ways for s in w.slots for p in s.parts]
    assert all(isinstance(part, Part) for part in kept)


@pytest.mark.thorough
def test_a_front_counts_changes_against_the_board(tmp_path: Path) -> None:
    """Each point between on axis and changes has as many changes as a look at the board finds, and
    fewer changes cost ripple."""
    problem = make(tmp_path, 0.1)
    board = {
        (way.name, slot.name): slot.kept[0].value
        for way in problem.topology.ways
        for slot in way.slots
        if slot.kept
    }
    assert len(board) == 4
    front = search_trade(problem, ("on_axis", "changes"), points=3, seconds=None).points
    assert len(front) >= 3
    for point in front:
        built = {
            (way.name, slot.name): slot.parts[0].value
            for way in point.candidate.network.ways
            for slot in way.slots
        }
        # All that is in the line stays there: another value is one off and one on, what is across
        # the line comes off or goes on alone.
        changed = sum(
            (place in built) + 1 for place, value in board.items() if built.get(place) != value
        )
        changed += len(built.keys() - board.keys())
        figures = {goal.name: goal for goal in point.candidate.goals}
        assert board.keys() - built.keys() <= {("woofer", "C1")}
        assert built.keys() - board.keys() <= {("tweeter", "L1")}
        assert point.b == figures["changes"].value == changed
        assert figures["changes"].cost == pytest.approx(figures["changes"].weight * changed)
        assert point.a == pytest.approx(figures["on_axis"].value)
        assert point.candidate.cost == pytest.approx(sum(g.cost for g in figures.values()))
    assert [p.b for p in front] == sorted((p.b for p in front), reverse=True)
    assert min(p.b for p in front) == 0


def test_changes_of_no_board_are_no_front(tmp_path: Path) -> None:
    """Where nothing is kept no network changes anything: the front is refused, with the reason."""
    text = re.sub(r"keep: [^,}]*, (dcr: [^,]*, )?", "", DESIGN.format(each=0.1))
    text = re.sub(r"      - .*(alter: yes|keep: 1 ohm).*\n", "", text)
    make(tmp_path, 0.1)
    path = tmp_path / "new.yaml"
    path.write_text(text.replace("{{", "{").replace("}}", "}"), encoding="utf-8")
    problem = build_problem(load_design(path))
    with pytest.raises(InputError, match="differ in both goals, got changes"):
        search_trade(problem, ("on_axis", "changes"), points=3, seconds=5.0)
