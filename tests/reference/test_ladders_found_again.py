"""The search finds known networks from nothing: handbook ladders and planted ones."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.arrays import Complex
from optimizer.goals import OnAxis
from optimizer.measure.curve import ON_AXIS
from optimizer.measure.driver import Driver
from optimizer.network.equivalent import DriverEquivalent, Resonance
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import solve_network
from optimizer.network.topology import Slot, Topology, ValueRange, Way
from optimizer.parts import KINDS, Kind
from optimizer.problem.problem import Problem
from optimizer.search.descend.relax import relax
from optimizer.search.fit import search
from optimizer.stock.lots import PowerLaw
from optimizer.stock.stock import SeriesRule, assemble_stock, series_stock
from tests.conftest import cases

GRID_HZ = np.geomspace(200.0, 20_000.0, 97)
CROSSOVER_HZ = 2000.0
LOAD_OHM = 8.0
RANGE: dict[Kind, ValueRange] = {
    "inductor": ValueRange(low=1e-5, high=1e-2),
    "capacitor": ValueRange(low=1e-7, high=1e-3),
    "resistor": ValueRange(low=1.0, high=100.0),
}

# Low-pass elements for 1 ohm and 1 rad/s, source first: singly terminated Butterworth tables, and
# Linkwitz-Riley (JAES 24(1), 1976) as the squared Butterworth; the high-pass has the reciprocals.
TABLES = {
    ("B", 1): [1.0],
    ("B", 2): [1.414214, 0.707107],
    ("B", 3): [1.5, 1.333333, 0.5],
    ("B", 4): [1.530734, 1.577161, 1.082392, 0.382683],
    ("LR", 2): [2.0, 0.5],
    ("LR", 4): [1.885618, 1.590990, 0.942809, 0.353553],
}


def handbook_problem(alignment: str, order: int, high: bool) -> tuple[Problem, list[float]]:
    """One ladder on 8 ohm, a driver that is the filter's inverse, a flat target at 0 dB.

    The filter comes from the poles of its polynomial, so only the tabled ladder is flat.
    """
    s = 1j * GRID_HZ / CROSSOVER_HZ
    if high:
        s = 1.0 / s
    half = order if alignment == "B" else order // 2
    poles = np.exp(1j * np.pi * (2 * np.arange(1, half + 1) + half - 1) / (2 * half))
    inverse = np.prod(s[:, None] - poles, axis=1) ** (order // half)
    slots, values = [], []
    for i, g in enumerate(TABLES[alignment, order]):
        inductor = (i % 2 == 0) != high
        kind: Kind = "inductor" if inductor else "capacitor"
        place = "series" if i % 2 == 0 else "shunt"
        slots.append(Slot(name=f"E{i}", place=place, form=kind, ranges=(RANGE[kind],)))
        g = 1.0 / g if high else g
        radian = 2 * np.pi * CROSSOVER_HZ
        values.append(g * LOAD_OHM / radian if inductor else g / (LOAD_OHM * radian))
    driver = Driver(
        name="driver",
        frequency_hz=GRID_HZ,
        directions=(ON_AXIS,),
        pressure=inverse[None],
        impedance=np.full(GRID_HZ.shape, LOAD_OHM + 0j),
    )
    ideal = [SeriesRule(kind=kind, series="E24", loss=PowerLaw()) for kind in KINDS]
    problem = Problem(
        title="handbook",
        drivers=[driver],
        stock=assemble_stock(rules=ideal),
        topology=Topology(ways=(Way(name="way", driver="driver", slots=tuple(slots)),)),
        goals={"on_axis": OnAxis(band_hz=(200.0, 20_000.0), level_db=(0.0, 0.0))},
    )
    return problem, values


@pytest.mark.parametrize(("alignment", "order"), list(TABLES))
@pytest.mark.parametrize("high", [False, True], ids=["low-pass", "high-pass"])
def test_relaxation_finds_handbook_values_from_random_starts(
    alignment: str, order: int, high: bool
) -> None:
    """Values spread over three decades relax to the handbook's within 1 %."""
    problem, expected = handbook_problem(alignment, order, high)
    space = problem.space
    starts = np.random.default_rng(5).uniform(space.log_low, space.log_high, (32, order))
    relaxed = relax(
        problem.evaluator,
        space,
        problem.loss_laws,
        starts,
        np.ones((32, order), dtype=bool),
        np.ones((32, 1)),
        schedule=((20, 1.0), (60, 0.25)),
    )
    best = int(np.argmin(relaxed.cost))
    np.testing.assert_allclose(np.exp(relaxed.log_values[best]), expected, rtol=0.01)
    assert relaxed.cost[best] < 1e-3


@pytest.mark.parametrize(("alignment", "order"), cases(TABLES, routine=1))
@pytest.mark.parametrize("high", [False, True], ids=["low-pass", "high-pass"])
def test_search_snaps_to_within_a_step_of_the_handbook(
    alignment: str, order: int, high: bool
) -> None:
    """Every part found lies within one E24 step of the handbook value."""
    problem, expected = handbook_problem(alignment, order, high)
    result = search(problem, seconds=None, seed=1, top=1, evaluations=5_000, by="cost")
    way = result.candidates[0].network.ways[0]
    found = [part.value for slot in way.slots for part in slot.parts]
    ratio = np.asarray(found) / expected
    # IEC 60063: the widest step of E24 is from 1.3 to 1.5.
    assert np.all(np.maximum(ratio, 1 / ratio) <= 1.5 / 1.3)


# Planted networks: 8 values in a two-way with a free polarity and an optional equaliser.
DRIVERS = {
    "low": DriverEquivalent(
        re_ohm=5.8, le_h=0.5e-3, resonances=(Resonance(r_ohm=58.0, l_h=57.7e-3, c_f=274e-6),)
    ),
    "high": DriverEquivalent(
        re_ohm=5.0, le_h=0.05e-3, resonances=(Resonance(r_ohm=10.4, l_h=0.947e-3, c_f=54.6e-6),)
    ),
}
COIL = ValueRange(low=1e-4, high=1e-2)
CAPACITOR = ValueRange(low=1e-6, high=1e-4)
RESISTOR = ValueRange(low=1.0, high=100.0)
TOPOLOGY = Topology(
    ways=(
        Way(
            name="low",
            driver="low",
            slots=(
                Slot(name="L1", place="series", form="inductor", ranges=(COIL,)),
                Slot(name="C1", place="shunt", form="capacitor", ranges=(CAPACITOR,)),
                Slot(
                    name="E1",
                    place="shunt",
                    form="equaliser",
                    ranges=(RESISTOR, CAPACITOR),
                    optional=True,
                ),
            ),
        ),
        Way(
            name="high",
            driver="high",
            polarity="free",
            slots=(
                Slot(name="C2", place="series", form="capacitor", ranges=(CAPACITOR,)),
                Slot(name="L2", place="shunt", form="inductor", ranges=(COIL,)),
                Slot(name="P1", place="series", form="pad", ranges=(RESISTOR, RESISTOR)),
            ),
        ),
    )
)
MIDDLE = {
    "L1": (1.2e-3,),
    "C1": (10e-6,),
    "E1": (8.0, 12e-6),
    "C2": (6.8e-6,),
    "L2": (0.4e-3,),
    "P1": (2.5, 12.0),
}
STOCK = series_stock("E12")


def plant(seed: int) -> Network:
    """Draw a network from stock, each value within a factor 2.3 of a usual one."""
    rng = np.random.default_rng([7, seed])
    ways = []
    for way in TOPOLOGY.ways:
        slots = []
        for slot in way.slots:
            if slot.optional and rng.random() < 0.4:
                continue
            parts = []
            for kind, span, middle in zip(slot.kinds, slot.ranges, MIDDLE[slot.name], strict=True):
                options = [
                    p
                    for p in STOCK.options(kind, span.low, span.high)
                    if middle / 2.3 < p.value < middle * 2.3
                ]
                parts.append(options[rng.integers(len(options))])
            slots.append(
                FittedSlot(name=slot.name, place=slot.place, form=slot.form, parts=tuple(parts))
            )
        inverted = way.polarity == "free" and rng.random() < 0.5
        ways.append(
            FittedWay(
                name=way.name, driver=way.driver, slots=tuple(slots), polarity=-1 if inverted else 1
            )
        )
    return Network(ways=tuple(ways))


def planted_problem(network: Network) -> Problem:
    """Give the high driver the response that makes the planted network exactly flat."""
    loads = {name: driver.impedance(GRID_HZ) for name, driver in DRIVERS.items()}
    low_drive, high_drive = solve_network(network, GRID_HZ, loads).transfer
    low = np.exp(-2j * np.pi * GRID_HZ * 1e-4) / (1.0 + 1j * GRID_HZ / 4000.0)
    pressure: dict[str, Complex] = {"low": low, "high": (1.0 - low_drive * low) / high_drive}
    drivers = [
        Driver(
            name=name,
            frequency_hz=GRID_HZ,
            directions=(ON_AXIS,),
            pressure=pressure[name][None],
            impedance=loads[name],
        )
        for name in DRIVERS
    ]
    return Problem(
        title="planted",
        drivers=drivers,
        topology=TOPOLOGY,
        stock=STOCK,
        goals={"on_axis": OnAxis(band_hz=(200.0, 20_000.0))},
    )


def describe(network: Network) -> list[tuple[int, list[tuple[str, tuple[float, ...]]]]]:
    return [
        (way.polarity, [(slot.name, tuple(p.value for p in slot.parts)) for slot in way.slots])
        for way in network.ways
    ]


@pytest.mark.routine(1)
@pytest.mark.parametrize("seed", range(20))
def test_planted_network_is_found_again(seed: int) -> None:
    """A network from stock is found again among 1e11: values, equaliser or none, polarity."""
    planted = plant(seed)
    problem = planted_problem(planted)
    assert problem.space.size_log10() > 11.0
    # Without a limit the search would look on for as long again before it is content.
    best = search(
        problem, seconds=None, seed=seed, top=1, evaluations=12_000, by="cost"
    ).candidates[0]
    assert best.cost < 1e-6
    assert describe(best.network) == describe(planted)
