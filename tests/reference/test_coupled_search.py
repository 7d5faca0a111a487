"""Tables, scans and slopes of speakers whose parts move several ways at once, against nodal solutions.

The oracle builds the circuit from the slots themselves, node by node (nodal analysis: e.g. L. O.
Chua, P.-M. Lin, Computer-Aided Analysis of Electronic Circuits, 1975, ch. 4, from memory), and knows
nothing of expressions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Real
from optimizer.goals.prepared import HARD_COST_PER_DB
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.network import FittedGroup, FittedSlot, FittedWay, Network, PartKey
from optimizer.network.slots import (
    equaliser,
    notch,
    pad,
    series_capacitor,
    series_inductor,
    series_resistor,
    shunt_capacitor,
    shunt_inductor,
    shunt_resistor,
    trap,
)
from optimizer.network.solve import solve_network
from optimizer.network.topology import Group, Slot, Topology, Way
from optimizer.parts import Part
from optimizer.problem.evaluator import SMOOTH_DB, SMOOTH_HARD_DB
from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.problem.scan import PairBlock
from optimizer.stock.stock import Stock
from optimizer.testing.drivers import ideal_driver

CASES = 12
SINGLES, DOUBLES = 100, 100
NAMES = ("woofer", "midrange", "tweeter")

PARTED = (
    lambda name, may: series_inductor(name, "0.47 mH", "3.3 mH", optional=may),
    lambda name, may: series_capacitor(name, "4.7 uF", "47 uF", optional=may),
    lambda name, may: series_resistor(name, "0.68 ohm", "6.8 ohm", optional=may),
    lambda name, may: shunt_inductor(name, "0.47 mH", "3.3 mH", optional=may),
    lambda name, may: shunt_capacitor(name, "4.7 uF", "47 uF", optional=may),
    lambda name, may: shunt_resistor(name, "4.7 ohm", "47 ohm", optional=may),
    lambda name, may: pad(
        name, series_resistor="1 .. 4.7 ohm", shunt_resistor="4.7 .. 22 ohm", optional=may
    ),
    lambda name, may: trap(
        name, inductor="0.22 .. 0.68 mH", capacitor="2.2 .. 6.8 uF", resistor="10 .. 33 ohm",
        optional=may,
    ),
    lambda name, may: notch(
        name, inductor="0.22 .. 0.68 mH", capacitor="2.2 .. 6.8 uF", resistor="2.2 .. 6.8 ohm",
        optional=may,
    ),
    lambda name, may: equaliser(
        name, resistor="4.7 .. 15 ohm", capacitor="6.8 .. 22 uF", optional=may
    ),
)  # fmt: skip


def impedance_of(part: Part, omega: Real) -> Complex:
    """Textbook impedances with a loss in series."""
    if part.kind == "inductor":
        return part.loss_ohm + 1j * omega * part.value
    if part.kind == "capacitor":
        return part.loss_ohm + 1.0 / (1j * omega * part.value)
    return part.loss_ohm + part.value + 0j * omega


class Nodes:
    """A circuit as admittances between numbered nodes; 0 is ground and 1 the source's emf."""

    def __init__(self, network: Network, loads: Mapping[str, Complex], f: Real) -> None:
        self.omega = 2.0 * np.pi * f
        self.count = 2
        self.between: list[tuple[int, int, Complex]] = []
        self.terminals: dict[str, tuple[int, int]] = {}
        self.loads = loads
        self.ladders = {one.name: one for one in network.ladders}
        self.amplifier = self.resist(1, network.source.output_ohm)
        top = self.resist(self.amplifier, network.source.cable_ohm)
        inside = {member for group in network.groups for member in group.members}
        for one in (*network.ways, *network.groups):
            if one.name not in inside:
                self.put(one, top, 0)

    def new(self) -> int:
        self.count += 1
        return self.count - 1

    def resist(self, start: int, ohm: float) -> int:
        if not ohm:
            return start
        end = self.new()
        self.between.append((start, end, 1.0 / ohm + 0j * self.omega))
        return end

    def part(self, part: Part, a: int, b: int) -> None:
        self.between.append((a, b, 1.0 / impedance_of(part, self.omega)))

    def slot(self, slot: FittedSlot, a: int, bottom: int) -> int:
        """Wire a slot in from node `a`; return where the line goes on."""
        if slot.form == "pad":
            after = self.new()
            self.part(slot.parts[0], a, after)
            self.part(slot.parts[1], after, bottom)
            return after
        after = self.new() if slot.place == "series" else a
        end = after if slot.place == "series" else bottom
        if slot.form == "trap":
            for part in slot.parts:
                self.part(part, a, end)
            return after
        at = a
        for number, part in enumerate(slot.parts, start=1):
            stop = end if number == len(slot.parts) else self.new()
            self.part(part, at, stop)
            at = stop
        return after

    def put(self, ladder: FittedWay | FittedGroup, a: int, bottom: int) -> None:
        for slot in ladder.slots:
            a = self.slot(slot, a, bottom)
        if isinstance(ladder, FittedWay):
            self.between.append((a, bottom, 1.0 / self.loads[ladder.driver]))
            self.terminals[ladder.name] = (a, bottom)
        elif ladder.joint == "parallel":
            for member in ladder.members:
                self.put(self.ladders[member], a, bottom)
        else:
            for member in ladder.members[:-1]:
                b = self.new()
                self.put(self.ladders[member], a, b)
                a = b
            self.put(self.ladders[ladder.members[-1]], a, bottom)

    def solve(self) -> tuple[Complex, Complex]:
        """Voltage of every node for 1 V of the source, (N, F), and the current out of it."""
        y = np.zeros((len(self.omega), self.count, self.count), dtype=np.complex128)
        for a, b, x in self.between:
            y[:, a, a] += x
            y[:, b, b] += x
            y[:, a, b] -= x
            y[:, b, a] -= x
        v = np.zeros((len(self.omega), self.count), dtype=np.complex128)
        v[:, 1] = 1.0
        v[:, 2:] = np.linalg.solve(y[:, 2:, 2:], -y[:, 2:, 1:2])[..., 0]
        return v.T, np.einsum("fn,fn->f", y[:, 1], v)


def solve_nodes(network: Network, problem: Problem) -> tuple[list[Complex], Complex]:
    """Transfer of each way and the admittance that the amplifier sees."""
    loads = {d.name: d.impedance for d in problem.drivers}
    nodes = Nodes(network, loads, problem.frequency_hz)
    v, current = nodes.solve()
    ends = [nodes.terminals[way.name] for way in network.ways]
    transfer = [
        way.polarity * (v[a] - v[b]) for way, (a, b) in zip(network.ways, ends, strict=True)
    ]
    return transfer, current / v[nodes.amplifier]


def cost_by_nodes(problem: Problem, genome: Genome) -> float:
    """Cost without economy."""
    evaluator = problem.evaluator
    curves = Curves(evaluator.field, *solve_nodes(problem.space.network(genome), problem))
    return float(evaluator.cost_of_curves(curves))


def draw_slots(rng: np.random.Generator, count: int) -> tuple[Slot, ...]:
    made = []
    for n in range(count):
        make = PARTED[int(rng.integers(len(PARTED)))]
        made.append(make(f"S{n}", bool(rng.random() < 0.4)))
    return tuple(made)


def draw_groups(rng: np.random.Generator) -> tuple[Group, ...]:
    """Draw one to two groups, within each other or not."""
    names = [NAMES[int(i)] for i in rng.permutation(3)]
    joints = [("parallel", "series")[int(rng.integers(2))] for _ in range(2)]
    own = draw_slots(rng, int(rng.integers(0, 3))), draw_slots(rng, int(rng.integers(1, 3)))
    first = Group(name="both", members=tuple(names[:2]), joint=joints[0], slots=own[0])
    kind = int(rng.integers(3))
    if kind == 0:
        return (first,)
    members = ("both", names[2]) if rng.random() < 0.5 else (names[2], "both")
    whole = Group(name="whole", members=members, joint=joints[1], slots=own[1])
    return (first, whole) if kind == 1 else (whole, first)


def draw_problem(seed: int) -> Problem:
    rng = np.random.default_rng(seed)
    ways = tuple(
        Way(name=name, driver=name, slots=draw_slots(rng, int(rng.integers(1, 4))), polarity="free")
        for name in NAMES
    )
    ohms = [(0.0, 0.0), (0.3, 0.0), (0.0, 0.2), (0.5, 0.1)][seed % 4]
    return Problem(
        drivers=[
            ideal_driver("woofer", band_hz=(60.0, 4000.0), ohm=6.0, coil_h=0.3e-3),
            ideal_driver("midrange", band_hz=(200.0, 8000.0), ohm=5.0, resonance_hz=200.0),
            ideal_driver("tweeter", band_hz=(900.0, None), ohm=6.0, resonance_hz=900.0),
        ],
        topology=Topology(
            ways=ways,
            groups=draw_groups(rng) if seed % 4 or seed % 8 == 0 else (),
            source=SourceResistance(output_ohm=ohms[0], cable_ohm=ohms[1]),
        ),
        stock=Stock.of("E6"),
        goals={
            "on_axis": {"tilt": "0 dB/oct", "band": "100 .. 15k"},
            "impedance": {"floor": "4 ohm", "hard": True},
        },
    )


def draw_genome(problem: Problem, rng: np.random.Generator) -> Genome:
    space = problem.space
    return Genome(
        choice=np.array([rng.integers(len(o.values)) for o in space.options], dtype=np.intp),
        present=~space.optional | (rng.random(len(space.slots)) < 0.6),
        polarity=rng.choice([-1.0, 1.0], len(space.polarity_free)),
    )


@pytest.fixture(scope="module", params=range(CASES))
def case(request: pytest.FixtureRequest) -> tuple[Problem, Genome, np.random.Generator]:
    problem = draw_problem(request.param)
    rng = np.random.default_rng(1000 + request.param)
    return problem, draw_genome(problem, rng), rng


Case = tuple[Problem, Genome, np.random.Generator]


def test_networks_solved_one_by_one(case: Case) -> None:
    """`solve_network` gives the nodal transfers and admittance within 1e-9."""
    problem, _, rng = case
    for _ in range(5):
        network = problem.space.network(draw_genome(problem, rng))
        loads = {d.name: d.impedance for d in problem.drivers}
        mine = solve_network(network, problem.frequency_hz, loads)
        transfer, admittance = solve_nodes(network, problem)
        np.testing.assert_allclose(mine.admittance, admittance, rtol=1e-9)
        for h, want in zip(mine.transfer, transfer, strict=True):
            np.testing.assert_allclose(h, want, rtol=1e-9, atol=1e-13)


def test_costs_looked_up(case: Case) -> None:
    """Costs of a population from tables and by the bank equal those of nodal solutions."""
    problem, _, rng = case
    genomes = [draw_genome(problem, rng) for _ in range(20)]
    wanted = [cost_by_nodes(problem, g) for g in genomes]
    economy = problem.space.economies(genomes)
    np.testing.assert_allclose(problem.cost(genomes) - economy, wanted, rtol=1e-9)
    by_bank = problem.evaluator.cost(problem.space.population(genomes))
    np.testing.assert_allclose(by_bank, wanted, rtol=1e-9)


def test_single_changes(case: Case) -> None:
    """100 changes of one part, shared and not, cost what solving anew says."""
    problem, genome, rng = case
    hood = Neighbourhood(problem.landscape, genome)
    assert hood.scan.cost() == pytest.approx(cost_by_nodes(problem, genome), rel=1e-9)
    singles = hood.singles()
    picked = rng.integers(len(singles.cost), size=SINGLES)
    rows = singles.rows[picked]
    mine = singles.cost[picked] - rows.price - hood.economy
    changed = [hood.move(rows.change(k)).apply(genome) for k in range(SINGLES)]
    wanted = [cost_by_nodes(problem, g) for g in changed]
    np.testing.assert_allclose(mine, wanted, rtol=1e-9)


def test_double_changes(case: Case) -> None:
    """100 changes of two parts, in every kind of block, cost what solving anew says."""
    problem, genome, rng = case
    hood = Neighbourhood(problem.landscape, genome)
    keys = list(hood.scan.block_keys())
    shares = np.array([float(np.prod(PairBlock(hood.scan, k).shape)) for k in keys])
    for number in rng.choice(len(keys), size=DOUBLES // 5, p=shares / shares.sum()):
        block = PairBlock(hood.scan, keys[number])
        first, second = hood.scan.rows(keys[number].first), hood.scan.rows(keys[number].second)
        i, j = (np.sort(rng.integers(n, size=5)) for n in block.shape)
        changed = [
            hood.move(first.change(a), second.change(b)).apply(genome)
            for a, b in zip(i, j, strict=True)
        ]
        wanted = [cost_by_nodes(problem, g) for g in changed]
        np.testing.assert_allclose(block.some(i, j), wanted, rtol=1e-9)
        np.testing.assert_allclose(block.all()[i, j], wanted, rtol=1e-9)


def test_every_pair_of_parts_is_in_one_block(case: Case) -> None:
    """Blocks hold each two scannable parts once."""
    problem, genome, _ = case
    scan = Neighbourhood(problem.landscape, genome).scan
    found = [frozenset((g, h)) for key in scan.block_keys() for g in key.first for h in key.second]
    parts = problem.tables.scannable(genome)
    assert len(found) == len(set(found)) == len(parts) * (len(parts) - 1) // 2


def test_bounds_lie_below(case: Case) -> None:
    """Costs on fewer frequencies never exceed the full cost, for shared parts too."""
    problem, _, rng = case
    genomes = [draw_genome(problem, rng) for _ in range(10)]
    arrays = (
        np.array([g.choice for g in genomes]),
        np.array([g.present for g in genomes]),
        np.array([g.polarity for g in genomes]),
    )
    full = problem.landscape.full.costs(*arrays)
    for tables in problem.landscape.levels[:-1]:
        assert np.all(tables.costs(*arrays) <= full + 1e-9)


def test_slopes(case: Case) -> None:
    """Gradients of the cost equal differences of nodal costs: shared parts move several ways."""
    problem, genome, _ = case
    space, evaluator, h = problem.space, problem.evaluator, 1e-5
    laws = dict.fromkeys(("inductor", "capacitor", "resistor"), np.zeros_like)
    population = space.population([genome])
    _, gradient, _ = evaluator.linearise(population, laws, space.free_genes)  # type: ignore[arg-type]
    network = space.network(genome)

    def cost(key: PartKey, factor: float) -> float:
        part = network.places[key]
        moved = network.replace_parts({key: replace(part, value=part.value * factor)})
        curves = Curves(evaluator.field, *solve_nodes(moved, problem))
        total = 0.0
        for goal in evaluator.goals:
            residual = goal.residuals(curves)
            smooth = SMOOTH_HARD_DB if goal.hard else SMOOTH_DB
            weight = HARD_COST_PER_DB if goal.hard else goal.weight
            total += weight * float(np.sqrt(residual @ residual + smooth**2))
        return total

    for column, g in enumerate(space.free_genes):
        if space.part(genome, int(g)) is None:
            continue
        key = space.place(int(g))
        slope = (cost(key, np.exp(h)) - cost(key, np.exp(-h))) / (2.0 * h)
        assert gradient[0, column] == pytest.approx(slope, rel=1e-4, abs=1e-4)
