"""Counts inside the search: masks, overdrafts and choices against plain counting."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from optimizer.goals import Impedance, OnAxis, Parts
from optimizer.measure.curve import Direction
from optimizer.measure.driver import Driver
from optimizer.network.topology import Slot, Topology, ValueRange, Way
from optimizer.parts import Part
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.supply import OVERDRAWN_COST, Supply
from optimizer.search.descend.exchange import Descent
from optimizer.search.descend.likely import best_chain, best_likely_pair
from optimizer.search.descend.local import LocalModel, OptionSteps, expand_cost, pick_options
from optimizer.search.descend.rounding import choose_anew, filled_genes
from optimizer.stock.assign import Assignment
from optimizer.stock.lots import SHELF, Lot
from optimizer.stock.stock import Stock, assemble_stock, series_stock

CAPACITORS = (2e-6, 3e-6, 5e-6, 8e-6, 12e-6)
COILS = (0.3e-3, 0.5e-3, 0.9e-3, 1.4e-3)


def make_lot(kind: str, value: float, count: int) -> Lot:
    part = Part(
        kind=kind,
        value=value,
        loss_ohm=0.2 if kind == "inductor" else 0.02,  # type: ignore[arg-type]
        origin=SHELF,
        price=0.0,
        pieces=(value,),
    )
    return Lot(part=part, count=count, nominal=value)


def make_stock(*, join: int = 2, speakers: int = 2, count: int = 2) -> Stock:
    lots = [make_lot("capacitor", v, count + k % 2) for k, v in enumerate(CAPACITORS)]
    lots += [make_lot("inductor", v, count) for v in COILS]
    lots += [make_lot("resistor", v, 2 * count) for v in (2.0, 4.0, 6.0)]
    return assemble_stock(lots=lots, join=join, speakers=speakers)


def make_problem(stock: Stock) -> Problem:
    """Two invented drivers with flat sources behind six slots that want the same few parts."""
    f = np.geomspace(50.0, 15_000.0, 40)
    s = 1j * f / 1500.0
    drivers = [
        Driver(
            name=name,
            frequency_hz=f,
            directions=(Direction(),),
            pressure=(0.1 * shape)[None].astype(np.complex128),
            impedance=ohm + 2j * np.pi * f * 2e-4,
        )
        for name, shape, ohm in (("low", 1.0 / (1.0 + 0.5 * s), 6.0), ("high", s / (1.0 + s), 5.0))
    ]
    coil = ValueRange(low=0.2e-3, high=3e-3)
    cap = ValueRange(low=1e-6, high=25e-6)
    ohm = ValueRange(low=1.0, high=12.0)
    ways = (
        Way(
            name="low",
            driver="low",
            slots=(
                Slot(name="L1", place="series", form="inductor", ranges=(coil,)),
                Slot(name="C1", place="shunt", form="capacitor", ranges=(cap,), optional=True),
                Slot(name="Z1", place="shunt", form="equaliser", ranges=(ohm, cap), optional=True),
            ),
        ),
        Way(
            name="high",
            driver="high",
            polarity="free",
            slots=(
                Slot(name="C1", place="series", form="capacitor", ranges=(cap,)),
                Slot(name="L1", place="shunt", form="inductor", ranges=(coil,), optional=True),
                Slot(name="R1", place="series", form="resistor", ranges=(ohm,), optional=True),
            ),
        ),
    )
    return Problem(
        title="six slots",
        drivers=drivers,
        topology=Topology(ways=ways),
        stock=stock,
        goals={
            "on_axis": OnAxis(band_hz=(100.0, 12_000.0)),
            "impedance": Impedance(floor_ohm=2.5),
            "parts": Parts(weight=0.02),
        },
    )


@pytest.fixture(scope="module")
def problem() -> Problem:
    return make_problem(make_stock())


def draw_genome(problem: Problem, rng: np.random.Generator) -> Genome:
    space = problem.space
    present = ~space.optional | (rng.random(len(space.slots)) < 0.6)
    return Genome(
        choice=np.array([rng.integers(len(o.values)) for o in space.options]),
        present=present,
        polarity=np.array([1.0, rng.choice([-1.0, 1.0])]),
    )


def draw_buildable(problem: Problem, rng: np.random.Generator) -> Genome:
    while True:
        genome = draw_genome(problem, rng)
        if problem.space.supply.overdraft(genome) == 0.0:
            return genome


def count_missing(problem: Problem, genome: Genome) -> int:
    """Pieces that are not there for two speakers, counted from the parts one by one."""
    wanted: Counter[tuple[str, float]] = Counter()
    for g, option in enumerate(problem.space.options):
        if genome.present[problem.space.gene_slot[g]]:
            part = option.parts[genome.choice[g]]
            wanted.update((part.kind, piece) for piece in part.pieces)
    have = {
        (lot.part.kind, lot.part.value): lot.count // 2  # type: ignore[operator]
        for lot in problem.stock.lots
    }
    return sum(max(0, count - have[key]) for key, count in wanted.items())


def test_overdraft_counts_the_pieces_that_are_not_there(problem: Problem) -> None:
    """Overdraft and penalty are those of counting every piece of both speakers."""
    rng = np.random.default_rng(1)
    genomes = [draw_genome(problem, rng) for _ in range(300)]
    missing = [count_missing(problem, genome) for genome in genomes]
    assert min(missing) == 0 < max(missing)
    assert [problem.space.supply.overdraft(g) for g in genomes] == missing
    extra = problem.cost(genomes) - problem.evaluator.cost(problem.space.population(genomes))
    plain = np.array([problem.space.economy(g) for g in genomes])
    assert extra == pytest.approx(plain + OVERDRAWN_COST * np.array(missing), abs=1e-8)


def test_nothing_is_booked_when_nothing_can_run_short() -> None:
    """With a series, or with pieces enough for every slot, there is no count to keep."""
    assert not make_problem(series_stock("E6")).space.supply.counted
    plenty = make_problem(make_stock(count=40, join=1))
    assert not plenty.space.supply.counted
    assert plenty.space.supply.overdraft(draw_genome(plenty, np.random.default_rng(2))) == 0.0


def test_single_and_pair_masks_are_those_of_trying_each(problem: Problem) -> None:
    """What the masks let through, and nothing else, can be built: tried one change at a time."""
    descent = Descent(problem)
    rng = np.random.default_rng(3)
    for _ in range(4):
        genome = draw_buildable(problem, rng)
        hood = descent.around(genome)
        singles = hood.singles().rows
        mask = problem.space.supply.fitting_singles(genome, singles)
        tried = [
            problem.space.supply.overdraft(hood.move((int(g), int(r))).apply(genome)) == 0.0
            for g, r in zip(singles.gene, singles.row, strict=True)
        ]
        assert mask.tolist() == tried
        assert 0 < mask.sum() < len(mask)
        low, high = singles[singles.gene < 4], singles[singles.gene >= 4]
        pairs = problem.space.supply.fitting_pairs(genome, low, high)
        for i, j in zip(
            rng.integers(len(low.gene), size=400),
            rng.integers(len(high.gene), size=400),
            strict=True,
        ):
            both = hood.move(low.change(i), high.change(j)).apply(genome)
            assert pairs[i, j] == (count_missing(problem, both) == 0)


def test_every_descent_ends_with_parts_that_are_there(problem: Problem) -> None:
    """Single changes, pairs and whole descents never overdraw, and report their true cost."""
    descent = Descent(problem)
    rng = np.random.default_rng(4)
    for _ in range(5):
        start = draw_buildable(problem, rng)
        cost = float(problem.cost([start])[0])
        for done in (
            descent.descend_singles(start),
            descent.descend(start, cost),
            descent.descend_likely(start, cost),
            descent.descend_pairs(start, cost),
        ):
            assert count_missing(problem, done.genome) == 0
            assert done.cost <= cost
            assert problem.cost([done.genome])[0] == pytest.approx(done.cost, abs=1e-9)


def test_the_certificate_of_two_changes_counts_the_pieces(problem: Problem) -> None:
    """After the proof no change of two parts that can be built is better, tried one by one."""
    descent = Descent(problem)
    start = draw_buildable(problem, np.random.default_rng(5))
    done = descent.descend_pairs(start, float(problem.cost([start])[0]))
    assert done.no_better_change_of == 2
    hood = descent.around(done.genome)
    rows = hood.singles().rows
    tried = [
        hood.move(rows.change(i), rows.change(j)).apply(done.genome)
        for i, j in product(range(len(rows.gene)), repeat=2)
        if rows.gene[i] < rows.gene[j]
    ]
    assert problem.cost(tried).min() >= done.cost - 1e-9


def test_slopes_by_value_and_by_loss_are_those_of_finite_differences(problem: Problem) -> None:
    """The gradient of the local model agrees with central differences of the cost."""
    soft = replace(problem.goals["impedance"], hard=False, weight=0.0)  # type: ignore[type-var]
    smooth = Problem(
        title="soft",
        drivers=problem.drivers,
        topology=problem.topology,
        stock=problem.stock,
        goals={**problem.goals, "impedance": soft},
    )
    genome = Genome(
        choice=np.array([3, 4, 2, 3, 2, 4, 1]),
        present=np.ones(6, dtype=bool),
        polarity=np.array([1.0, -1.0]),
    )
    population = smooth.space.population([genome])
    genes = filled_genes(smooth, genome.present)
    model = expand_cost(smooth.evaluator, population, genes)
    for k, g in enumerate(genes):
        for place, step in ((k, 1e-5), (k + len(genes), 1e-5)):
            costs = []
            for sign in (1.0, -1.0):
                values, loss = population.values.copy(), population.loss_ohm.copy()
                if place < len(genes):
                    values[0, g] *= np.exp(sign * step)
                else:
                    loss[0, g] += sign * step
                costs.append(
                    smooth.evaluator.cost(replace(population, values=values, loss_ohm=loss))[0]
                )
            slope = (costs[0] - costs[1]) / (2.0 * step)
            if place >= len(genes) and smooth.space.genes[g].kind == "resistor":
                continue  # its loss is its value
            # The model's cost is smoothed near zero, by 0.01 dB: a part in 1e4 here.
            assert model.gradient[place] == pytest.approx(slope, rel=2e-3, abs=1e-6)


def test_choice_in_the_local_model_is_that_of_plain_loops() -> None:
    """With breadth enough, the least value of a drawn quadratic under the counts is found."""
    rng = np.random.default_rng(6)
    for _ in range(5):
        lots = [make_lot("capacitor", v, int(rng.integers(1, 3))) for v in CAPACITORS]
        stock = assemble_stock(lots=lots, join=2)
        parts = stock.options("capacitor", 1e-6, 30e-6)
        count = 3
        supply = Supply(stock, [parts] * count, np.arange(count))
        root = rng.normal(size=(2 * count, 2 * count))
        model = LocalModel(
            genes=np.arange(count), gradient=rng.normal(size=2 * count), matrix=root @ root.T
        )
        options = [
            OptionSteps(
                steps=np.column_stack(
                    [np.log([p.value / 5e-6 for p in parts]), rng.uniform(0.0, 0.3, len(parts))]
                ),
                price=rng.uniform(0.0, 0.2, len(parts)),
            )
            for _ in range(count)
        ]
        usage = np.zeros((count, len(parts), len(supply.available)), dtype=np.int64)
        for g in range(count):
            row, lot, pieces = supply.taken(g, np.arange(len(parts)))
            usage[g, row, lot] = pieces
        best = np.inf
        for picks in product(range(len(parts)), repeat=count):
            used = sum(usage[g][pick] for g, pick in enumerate(picks))
            if (used > supply.available).any():
                continue
            z = np.concatenate(
                [[options[g].steps[p, side] for g, p in enumerate(picks)] for side in (0, 1)]
            )
            best = min(
                best,
                model.gradient @ z
                + 0.5 * z @ model.matrix @ z
                + sum(options[g].price[p] for g, p in enumerate(picks)),
            )
        rows = pick_options(model, options, supply, breadth=len(parts) ** 2, restraint=0.0)
        z = np.concatenate(
            [[options[g].steps[p, side] for g, p in enumerate(rows[0])] for side in (0, 1)]
        )
        found = (
            model.gradient @ z
            + 0.5 * z @ model.matrix @ z
            + sum(options[g].price[p] for g, p in enumerate(rows[0]))
        )
        assert found == pytest.approx(best, abs=1e-9)


def test_assignment_changes_no_more_slots_than_allowed() -> None:
    """With a limit on departures the optimum is that of plain loops over so few changes."""
    rng = np.random.default_rng(7)
    for _ in range(50):
        costs = [rng.normal(size=5) for _ in range(4)]
        usage = [rng.integers(0, 2, size=(5, 3)) for _ in range(4)]
        for rows in usage:
            rows[0] = 0
        available = rng.integers(1, 3, size=3)
        drawn = [(*np.nonzero(rows), rows[np.nonzero(rows)]) for rows in usage]
        program = Assignment(costs, drawn, available)
        picks, proved = program.solve(kept=([0, 0, 0, 0], 2))
        assert proved
        assert picks is not None
        best = min(
            sum(costs[j][k] for j, k in enumerate(way))
            for way in product(range(5), repeat=4)
            if sum(k > 0 for k in way) <= 2
            and (sum(usage[j][k] for j, k in enumerate(way)) <= available).all()
        )
        got = sum(costs[j][k] for j, k in enumerate(picks) if k is not None)
        assert got == pytest.approx(best, abs=1e-6)


def test_pieces_change_places_in_a_ring() -> None:
    """Three slots that each hold what another wants are set right by one exchange."""
    stock = assemble_stock(lots=[make_lot("capacitor", v, 1) for v in (2e-6, 5e-6, 12e-6)])
    f = np.geomspace(50.0, 15_000.0, 40)
    driver = Driver(
        name="d",
        frequency_hz=f,
        directions=(Direction(),),
        pressure=np.full((1, 40), 0.1, dtype=np.complex128),
        impedance=np.full(40, 8.0 + 0.0j),
    )
    cap = ValueRange(low=1e-6, high=20e-6)
    ways = tuple(
        Way(
            name=f"w{k}",
            driver="d",
            slots=(Slot(name="C1", place="series", form="capacitor", ranges=(cap,)),),
        )
        for k in range(3)
    )
    problem = Problem(
        title="ring",
        drivers=[driver],
        topology=Topology(ways=ways),
        stock=stock,
        goals={"on_axis": OnAxis(band_hz=(100.0, 12_000.0))},
    )
    descent = Descent(problem)
    present, polarity = np.ones(3, dtype=bool), np.ones(3)
    start = Genome(choice=np.array([1, 2, 0]), present=present, polarity=polarity)
    hood = descent.around(start)
    singles = hood.singles()
    # The sum of the three does not care which is which, so a wish is put in by hand.
    wanted = {(0, 0): -0.3, (1, 1): -0.3, (2, 2): -0.3}
    cost = np.array(
        [
            1.0 + wanted.get((int(g), int(r)), 0.0)
            for g, r in zip(singles.rows.gene, singles.rows.row, strict=True)
        ]
    )
    supply = problem.space.supply
    assert not any(supply.fitting_singles(start, singles.rows)[cost < 1.0])
    true = float(problem.cost([start])[0])
    before = descent.evaluations
    chain = best_chain(problem, hood, true + 1.0, replace(singles, cost=cost + true))
    assert descent.evaluations > before
    assert chain is not None
    assert chain[0].choice.tolist() == [0, 1, 2]


def test_likely_pairs_are_real_improvements(problem: Problem) -> None:
    """What is proposed is better by its true cost, and a proved network offers nothing."""
    descent = Descent(problem)
    rng = np.random.default_rng(8)
    helped = 0
    for _ in range(5):
        genome = draw_buildable(problem, rng)
        cost = float(problem.cost([genome])[0])
        hood = descent.around(genome)
        better = best_likely_pair(problem, hood, cost, hood.singles())
        if better is not None:
            helped += 1
            assert problem.cost([better[0]])[0] == pytest.approx(better[1])
            assert better[1] < cost
            assert count_missing(problem, better[0]) == 0
        anew, anew_cost, _ = choose_anew(problem, genome, cost)
        assert anew_cost <= cost
        assert count_missing(problem, anew) == 0
    assert helped
    done = descent.descend_pairs(genome, cost)
    hood = descent.around(done.genome)
    assert best_likely_pair(problem, hood, done.cost, hood.singles()) is None
