"""No network anywhere mixes alternatives: drawn, searched, traded, voiced, proposed or proven."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest

import optimizer
from optimizer.arrays import Flags
from optimizer.bench.check import check_network
from optimizer.network.network import Network
from optimizer.network.slots import (
    keep,
    notch,
    pad,
    series_capacitor,
    series_inductor,
    series_resistor,
    shunt_capacitor,
    shunt_inductor,
)
from optimizer.network.topology import OneOf, Topology
from optimizer.network.variable_pad import variable_pad
from optimizer.problem.alternatives import Alternatives
from optimizer.problem.genome import Genome, Move
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.search.descend.exchange import Descent
from optimizer.search.descend.wander import wander
from optimizer.search.fit import search
from optimizer.search.found import Found
from optimizer.search.islands import Islands
from optimizer.search.portions import work
from optimizer.search.strategies import Strategy, Uniform
from optimizer.search.task import Deadline
from optimizer.search.trade import tasks
from optimizer.search.trade.archive import Archive
from optimizer.search.trade.explore import search_trade
from optimizer.testing import small_problem

ALLOWED = {
    "woofer": [{"L1"}, {"L1", "C1"}, {"L1", "Z1"}, {"L1", "C1", "Z1"}],
    "tweeter": [
        {*order, *control}
        for order in ({"C1"}, {"C2", "L2"}, {"C2", "L2", "R2"}, {"C4", "L4"})
        for control in (set(), {"P1-3dB"}, {"P1-6dB"})
    ],
}
"""What may be filled together, written out by hand; P2 besides, or not."""


def make_topology() -> Topology:
    return Topology.of(
        woofer=[
            series_inductor("L1", "0.68 mH", "2.2 mH"),
            OneOf({"nothing": [], "trap": [notch("Z1", optional=True)]}),
            shunt_capacitor("C1", "6.8 uF", "15 uF", optional=True),
        ],
        tweeter=[
            OneOf(
                {
                    "first order": [series_capacitor("C1", "3.3 uF", "10 uF")],
                    "second order": [
                        series_capacitor("C2", "3.3 uF", "10 uF"),
                        shunt_inductor("L2", "0.33 mH", "1 mH"),
                        series_resistor("R2", "1 ohm", "3.3 ohm", optional=True),
                    ],
                    "old board": [
                        keep(series_capacitor("C4"), "6.2 uF"),
                        keep(shunt_inductor("L4"), "0.5 mH", loss="0.3 ohm"),
                    ],
                }
            ),
            variable_pad("P1", 6.0, (0.0, -3.0, -6.0)),
            pad(
                "P2", series_resistor="1 .. 3.3 ohm", shunt_resistor="6.8 .. 22 ohm", optional=True
            ),
        ],
        free_polarity=["tweeter"],
    )


@pytest.fixture(scope="module")
def problem() -> Problem:
    return small_problem(topology=make_topology())


def obeys(network: Network) -> bool:
    """Whether a network is one of those written out by hand."""
    return all(
        {slot.name for slot in way.slots} - {"P2"} in ALLOWED[way.name] for way in network.ways
    )


def assert_legal(problem: Problem, present: np.ndarray[Any, Any]) -> None:
    """Check rows of filled slots."""
    names = [slot.name for slot in problem.space.slots]
    ladders = [problem.topology.ladders[k].name for k in problem.bank.slot_ladder]
    for row in np.atleast_2d(present):
        for ladder, allowed in ALLOWED.items():
            filled = {n for n, at, p in zip(names, ladders, row, strict=True) if p and at == ladder}
            assert filled - {"P2"} in allowed


def draw(problem: Problem, seed: int) -> Genome:
    """Draw a network."""
    rng, space = np.random.default_rng(seed), problem.space
    present = ~space.optional | (rng.random(len(space.slots)) < 0.5)
    return Genome(
        choice=np.array([rng.integers(len(o.values)) for o in space.options]),
        present=space.alternatives.draw(present, rng),
        polarity=np.array([1.0, 1.0]),
    )


def test_the_rule_is_that_written_out_by_hand(problem: Problem) -> None:
    """Of all sets of slots exactly those fit; the table of pairs says the same of two changes."""
    space = problem.space
    masks = np.array(list(product([True, False], repeat=len(space.slots))))
    masks = masks[(masks | space.optional).all(axis=1)]
    fits = space.alternatives.fits(masks)
    for mask, fit_ in zip(masks[::7], fits[::7], strict=True):
        genome = Genome(choice=draw(problem, 0).choice, present=mask, polarity=np.ones(2))
        assert obeys(space.network(genome)) == fit_
    assert fits.sum() == 2 * len(ALLOWED["woofer"]) * len(ALLOWED["tweeter"])
    assert problem.space.structures() == 2 * fits.sum()  # either polarity of the tweeter
    k, j = 3, 5
    before = masks[fits][10]
    table = space.alternatives.allowed(before)
    for f, g in product((False, True), repeat=2):
        after = before.copy()
        after[k], after[j] = f, g
        assert table[2 * k + f, 2 * j + g] == space.alternatives.fits(after)


@pytest.mark.parametrize("seed", range(5))
def test_flipping_leads_from_one_alternative_to_another(problem: Problem, seed: int) -> None:
    """Whatever is filled or emptied, what follows from it makes a network that can be built."""
    alternatives, rng = problem.space.alternatives, np.random.default_rng(seed)
    present = draw(problem, seed).present
    met = set()
    for _ in range(200):
        k = int(rng.choice(np.flatnonzero(problem.space.optional)))
        flipped = alternatives.flip(present, k)
        assert_legal(problem, flipped)
        assert flipped[k] != present[k]
        present = flipped
        met.add(present.tobytes())
    assert len(met) > 40  # of 96: it does not go round in circles


@pytest.mark.thorough
def test_every_proposal_is_legal(problem: Problem) -> None:
    """First passes, toggles, children, structures proposed from outside, changed copies."""
    space = problem.space
    met: list[Flags] = []
    islands = Islands(problem, 3, adviser=lambda seed: Strategy(space, "DE", seed))
    for _ in range(3):
        for portion in islands.deal():
            haul = work(problem, portion, Deadline(None))
            islands.tell(portion, haul)
            met += [one.point.present for one in haul.met]
            met += [genome.present for genome, _ in haul.genomes]
        islands.end_round()
    met += [present for present, _, _ in Strategy(space, "DE", 1).ask(32)]
    met += [present for present, _, _ in Uniform(space, 1).ask(32)]
    starts = tasks._list_starts(
        space, [draw(problem, s) for s in range(3)], np.random.default_rng(1)
    )
    met += [start.present for start in starts]
    assert_legal(problem, np.array(met))
    taken = {tuple(p[space.alternatives.member]) for p in met}
    assert len(taken) > 20  # of 2 x 4 x 3 x 2: all alternatives have their turn


@pytest.mark.parametrize("seed", range(3))
def test_every_move_is_legal_and_costs_what_it_says(problem: Problem, seed: int) -> None:
    """The best moves of a network, of each place and each pair, are networks of the space."""
    space = problem.space
    hood = Neighbourhood(problem.landscape, draw(problem, seed))
    for best in hood.best_per_place():
        changed = best.move.apply(hood.genome)
        assert_legal(problem, changed.present)
        assert problem.cost([changed])[0] == pytest.approx(best.cost, abs=1e-9)
        assert space.locate(space.network(changed)) is not None
    for move, cost in hood.switched():
        assert_legal(problem, move.apply(hood.genome).present)
        assert problem.cost([move.apply(hood.genome)])[0] == pytest.approx(cost, abs=1e-9)
    for key in hood.block_keys():
        found = hood.best_pair(key, np.inf)
        if found is not None:
            assert_legal(problem, found[0].present)
    for genome, _ in wander(Descent(problem), hood.genome, hood.cost, np.random.default_rng(1), 6):
        assert_legal(problem, genome.present)


def test_a_control_is_one_place(problem: Problem) -> None:
    """Turning it to another position changes one place, and none of its resistors moves alone."""
    hood = Neighbourhood(problem.landscape, draw(problem, 1))
    control = {int(k) for k in problem.space.alternatives.controls[0]}
    turns = [
        move for move in hood.switches(of_values=False) if control & {k for k, _ in move.slots}
    ]
    assert len(turns) == 2  # of three positions
    assert {hood.places_of(move) for move in turns} == {frozenset({-1})}
    for best in hood.best_per_place():
        touched = {k for k, _ in best.move.slots}
        touched |= {int(problem.space.gene_slot[g]) for g, _ in best.move.options}
        assert not touched & control or best.places == frozenset({-1})


@pytest.mark.thorough
def test_everything_a_search_meets_is_legal(
    problem: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The archive, what is ranked, and what a robust search arrives at."""
    met: list[Genome] = []
    add = Found.add

    def watch(found: Found, genome: Genome, cost: float) -> None:
        met.append(genome)
        add(found, genome, cost)

    monkeypatch.setattr(Found, "add", watch)
    result = search(problem, seconds=None, evaluations=6_000, top=8, robust=True)
    assert_legal(problem, np.array([genome.present for genome in met]))
    assert len(met) > 40
    assert all(obeys(candidate.network) for candidate in result.candidates)


@pytest.mark.usefixtures("ticking")
@pytest.mark.thorough
def test_a_front_holds_legal_networks(problem: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    """All networks met while a front is traced, and its points."""
    met: list[Genome] = []
    add = Archive.add

    def watch(archive: Archive, genomes: list[Genome]) -> None:
        met.extend(genomes)
        add(archive, genomes)

    monkeypatch.setattr(Archive, "add", watch)
    front = search_trade(problem, ("on_axis", "parts"), points=5, seconds=5.0)
    assert_legal(problem, np.array([genome.present for genome in met]))
    assert front.points
    assert all(obeys(point.candidate.network) for point in front.points)


@pytest.mark.parametrize("seed", range(2))
def test_check_and_voice_propose_legal_networks(problem: Problem, seed: int) -> None:
    """Whatever is proposed for a network of an alternative is a network of one alternative."""
    network = problem.space.network(draw(problem, 20 + seed))
    report = check_network(problem, network, best=20)
    laid = problem.around(network)
    start = laid.space.locate(network)
    hood = Neighbourhood(laid.landscape, start)
    proposals = [laid.space.network(b.move.apply(start)) for b in hood.best_per_place()]
    assert proposals
    assert report.improvements
    voiced = optimizer.voice(problem, network, ["4k..12k -2 dB"], changes=3)
    answers = [a.candidate.network for a in (*voiced.answers, *voiced.nearest)]
    assert answers
    assert all(obeys(one) for one in (*proposals, *answers))


def test_a_certificate_counts_alternatives(problem: Problem) -> None:
    """After the proof no pair of changes and no other alternative with any values is better."""
    descent = Descent(problem)
    start = draw(problem, 4)
    done = descent.descend_pairs(start, float(problem.cost([start])[0]))
    assert done.no_better_change_of == 2
    space, rng = problem.space, np.random.default_rng(0)
    hood = descent.around(done.genome)
    tried = []
    for _, changed in space.alternatives.others(done.genome.present):
        entered = np.flatnonzero(changed & ~done.genome.present)
        genes = [int(g) for k in entered for g in space.slot_genes[k]]
        slots = tuple(
            (int(k), bool(changed[k])) for k in np.flatnonzero(changed != hood.genome.present)
        )
        for rows in product(*(range(len(space.options[g].values)) for g in genes)):
            tried.append(Move(tuple(zip(genes, rows, strict=True)), slots).apply(done.genome))
    rows = hood.singles().rows
    for _ in range(4000):
        i, j = rng.integers(len(rows.gene), size=2)
        moved = hood.move(rows.change(i), rows.change(j)).apply(done.genome)
        if rows.gene[i] != rows.gene[j] and space.alternatives.fits(moved.present):
            tried.append(moved)
    assert len(tried) > 200
    assert problem.cost(tried).min() >= done.cost - 1e-9


def test_a_mixture_is_no_point_of_the_space(problem: Problem) -> None:
    """It is not found in the space, costs more than anything, and can still be checked as it is."""
    space = problem.space
    genome = draw(problem, 2)
    mixed = Genome(
        choice=genome.choice, present=np.ones(len(space.slots), dtype=bool), polarity=np.ones(2)
    )
    network = space.network(mixed)
    with pytest.raises(LookupError, match="alternatives"):
        space.locate(network)
    assert problem.cost([mixed])[0] > 1e5
    assert space.rules.breaches(mixed) == 2.0
    laid = problem.around(network)
    assert not laid.topology.choices or laid.topology.choices[0].ladder == "woofer"
    assert laid.space.network(laid.space.locate(network)) == network


def test_without_choices_nothing_is_asked() -> None:
    """A space of a plain ladder has no alternatives and no rule but that of its pieces."""
    space = small_problem().space
    assert not space.alternatives
    assert isinstance(space.alternatives, Alternatives)
    assert not space.rules.limited
