"""What is limited stays limited: every search against plain loops over all networks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

import optimizer
from optimizer.arrays import Real
from optimizer.network.network import Network
from optimizer.network.slots import (
    make_slot,
    series_capacitor,
    series_inductor,
    shunt_capacitor,
    shunt_resistor,
)
from optimizer.network.topology import Topology
from optimizer.parts import Part
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.limits import Budgets, NetworkLimits
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.search.descend.local import pick_options
from optimizer.search.descend.rounding import expand_around, filled_genes
from optimizer.search.fit import search
from optimizer.search.trade.explore import search_trade
from optimizer.stock.lots import PowerLaw
from optimizer.stock.stock import series_stock
from optimizer.testing import small_problem

PRICES = {
    "capacitor": PowerLaw(scale=3e4, exponent=0.8),
    "inductor": PowerLaw(scale=2000.0, exponent=0.8),
    "resistor": PowerLaw(offset=0.5),
}
NOTCH_HZ = (2200.0, 2600.0)


def make_problem(limits: NetworkLimits, *, notch: tuple[float, float] | None = None) -> Problem:
    """Make a two-way of two thousand networks with a notch."""
    trap = make_slot(
        "N1",
        "shunt",
        "L + C",
        {"L": ("0.33 mH", "1 mH"), "C": ("4.7 uF", "15 uF")},
    )
    object.__setattr__(trap, "notch_hz", notch)
    topology = Topology.of(
        woofer=[
            series_inductor("L1", "0.68 mH", "1.5 mH"),
            shunt_capacitor("C1", "10 uF", "15 uF", optional=True),
        ],
        tweeter=[
            series_capacitor("C1", "3.3 uF", "6.8 uF"),
            trap,
            shunt_resistor("R1", "10 ohm", "15 ohm", optional=True),
        ],
        free_polarity=["tweeter"],
    )
    goals = {
        "on_axis": {"tilt": "0 dB/oct", "band": "150 .. 15k"},
        "low_drive": 0.1,
        "parts": {"each": 0.003},
    }
    stock = series_stock("E6", prices=PRICES, currency="EUR")
    return small_problem(goals=goals, topology=topology, stock=stock).replace(limits=limits)


def price_of(network: Network) -> float:
    """Sum of the prices by the law that the stock was made of."""
    return float(sum(PRICES[part.kind](part.value) for part in network.parts))


def keeps(network: Network, limits: NetworkLimits, notch: tuple[float, float] | None) -> bool:
    """Whether a network keeps the limits, told from its parts alone."""
    value = {
        part.kind: part.value
        for way in network.ways
        for slot in way.slots
        if slot.name == "N1"
        for part in slot.parts
    }
    f = 1.0 / (2.0 * np.pi * np.sqrt(value["inductor"] * value["capacitor"])) if value else None
    return (
        (limits.price is None or price_of(network) <= limits.price + 5e-4)
        and (limits.pieces is None or len(network.parts) <= limits.pieces)
        and (notch is None or f is None or notch[0] <= f <= notch[1])
    )


CASES: dict[str, tuple[tuple[str, ...], tuple[float, float] | None]] = {
    "price": (("price",), None),
    "pieces": (("pieces",), None),
    "both and a notch": (("price", "pieces"), NOTCH_HZ),
}
"""What is limited, to a little less than the best of all networks has."""


def tighten(best: Network, what: Sequence[str]) -> NetworkLimits:
    """Make limits that the best of all networks just breaks."""
    return NetworkLimits(
        price=0.95 * price_of(best) if "price" in what else None,
        pieces=len(best.parts) - 1 if "pieces" in what else None,
    )


@pytest.fixture(scope="module")
def everything(
    list_all: Callable[[Problem], list[Genome]],
) -> tuple[list[Genome], list[Network], Real]:
    """Networks of the problem without limits, as built, and their costs."""
    problem = make_problem(NetworkLimits())
    networks = list_all(problem)
    built = [problem.space.network(genome) for genome in networks]
    return networks, built, problem.cost(networks)


@pytest.mark.parametrize("case", CASES)
def test_limited_searches_find_the_best_allowed_network(
    case: str, everything: tuple[list[Genome], list[Network], Real]
) -> None:
    """The best is that of all networks whose parts keep the limits, and the rules say so too."""
    what, notch = CASES[case]
    networks, built, costs = everything
    limits = tighten(built[int(np.argmin(costs))], what)
    problem = make_problem(limits, notch=notch)
    allowed = np.array([keeps(network, limits, notch) for network in built])
    assert not allowed[np.argmin(costs)], "the limit must bind"
    fits = np.array([problem.space.rules.breaches(genome) == 0.0 for genome in networks])
    assert (fits == allowed).all()
    found = search(problem, seconds=None, evaluations=800, seed=1, top=3, workers=1, by="cost")
    assert found.candidates[0].cost == pytest.approx(costs[allowed].min(), abs=1e-9)
    for candidate in found.candidates:
        assert candidate.feasible
        assert keeps(candidate.network, limits, notch)


@pytest.mark.parametrize("case", CASES)
def test_changes_and_roundings_keep_limits(
    case: str, everything: tuple[list[Genome], list[Network], Real]
) -> None:
    """Of all changes of one and two parts those are allowed that leave a network within limits."""
    what, notch = CASES[case]
    networks, built, costs = everything
    problem = make_problem(tighten(built[int(np.argmin(costs))], what), notch=notch)
    rng = np.random.default_rng(3)
    for genome in (networks[int(k)] for k in rng.integers(len(networks), size=4)):
        _compare_singles(problem, genome, rng)
        _compare_pairs(problem, genome, rng)
        _compare_roundings(problem, genome)


def _compare_singles(problem: Problem, genome: Genome, rng: np.random.Generator) -> None:
    rules = problem.space.rules
    hood = Neighbourhood(problem.landscape, genome)
    rows = hood.singles().rows
    fits = rules.fitting_singles(genome, rows)
    for k in rng.integers(len(rows.gene), size=40):
        changed = hood.move(rows.change(int(k))).apply(genome)
        assert fits[k] == (rules.breaches(changed) == 0.0)


def _compare_pairs(problem: Problem, genome: Genome, rng: np.random.Generator) -> None:
    space, rules = problem.space, problem.space.rules
    tied = {g for tie in problem.supply.ties for g in tie.genes}
    g, h = (int(x) for x in rng.choice(len(space.genes), size=2, replace=False))
    if space.gene_slot[g] == space.gene_slot[h] and {g, h} != tied:
        return
    own, other = (np.arange(len(space.options[x].values)) for x in (g, h))
    filled = genome.present.copy()
    filled[space.gene_slot[[g, h]]] = True
    whole = Genome(choice=genome.choice, present=filled, polarity=genome.polarity)
    two = rules.fitting_two(whole, g, own, h, other)
    for a in own:
        for b in other:
            choice = genome.choice.copy()
            choice[[g, h]] = a, b
            changed = Genome(choice=choice, present=filled, polarity=genome.polarity)
            assert two[a, b] == (rules.breaches(changed) == 0.0)


def _compare_roundings(problem: Problem, genome: Genome) -> None:
    space = problem.space
    genes = filled_genes(problem, genome.present)
    model, steps = expand_around(problem, space.population([genome]), genes)
    for picks in pick_options(model, steps, space.supply, breadth=20, restraint=0.1):
        choice = genome.choice.copy()
        choice[genes] = picks
        rounded = Genome(choice=choice, present=genome.present, polarity=genome.polarity)
        assert space.rules.breaches(rounded) == 0.0


def test_every_verb_keeps_a_price() -> None:
    """Front, answers to a wish and a robust choice stay within the purse that one without exceeds."""
    most = 18.0
    problem = make_problem(NetworkLimits(price=most))
    start = search(problem, seconds=None, evaluations=300, top=1, workers=1).candidates[0].network
    free = problem.replace(limits=NetworkLimits())
    for wish, dear in (("3k..10k -1dB", True), ("3k..10k +1dB", False)):
        answers = optimizer.voice(free, start, wish, changes=2, top=2).answers
        assert any(price_of(one.candidate.network) > most for one in answers) == dear
        answers = optimizer.voice(problem, start, wish, changes=2, top=2).answers
        assert all(price_of(one.candidate.network) <= most + 5e-4 for one in answers)
        assert dear or answers
    front = search_trade(problem, ("on_axis", "low_drive"), points=3, seconds=0.5, workers=1)
    steady = search(problem, seconds=None, evaluations=300, top=1, workers=1, robust=True)
    assert front.points
    for candidate in (*(p.candidate for p in front.points), *steady.candidates):
        assert candidate.feasible
        assert price_of(candidate.network) <= most + 5e-4


def test_a_network_over_its_limits_is_told_to_be_and_may_stay() -> None:
    """On the bench it may stay what it is; the verdict says by how much it is over, and what is least."""
    free = make_problem(NetworkLimits())
    network = free.space.network(
        Genome(
            choice=np.array([len(o.values) - 1 for o in free.space.options]),
            present=np.ones(len(free.space.slots), dtype=bool),
            polarity=free.space.polarity_start.copy(),
        )
    )
    problem = free.replace(limits=NetworkLimits(price=1.0))
    around = problem.around(network)
    assert around.space.rules.breaches(around.space.locate(network)) == 0.0
    candidate = build_candidate(problem, network)
    assert not candidate.feasible
    verdict = next(v for v in candidate.verdicts if v.name == "limit")
    assert verdict.figure == pytest.approx(price_of(network))
    least = sum(
        min(float(PRICES[part.kind](part.value)) for part in options.parts)
        for gene, options in zip(free.space.genes, free.space.options, strict=True)
        if not free.space.slots[gene.slot].optional
    )
    assert f"has less than {least:.2f} EUR" in verdict.remedy


def test_unknown_prices_count_as_the_dearest() -> None:
    """Not to know a price is no way round a limit."""
    parts = [
        Part(kind="resistor", value=1.0, price=2.0, origin="stock"),
        Part(kind="resistor", value=2.0, price=5.0, origin="stock"),
        Part(kind="resistor", value=3.0, price=None, origin="stock"),
    ]
    budgets = Budgets(NetworkLimits(price=4.0), [parts], np.array([0]))
    assert budgets.amounts[0].tolist() == [[2.0, 5.0, 5.0]]
    over = [
        budgets.excess(np.array([[True]]), np.array([[choice]]))[0] > 0.0 for choice in range(3)
    ]
    assert over == [False, True, True]
