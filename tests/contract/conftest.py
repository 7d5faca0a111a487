"""Tiny random problems whose networks can all be computed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from optimizer.arrays import Flags, Real
from optimizer.goals import Directivity, Goal, Impedance, InRoom, OnAxis, Parts, Price
from optimizer.measure.curve import Direction
from optimizer.measure.driver import Driver
from optimizer.network.expression.forms import NAMED_FORMS, form_of
from optimizer.network.ladder import Form, Place
from optimizer.network.slots import autotransformer
from optimizer.network.topology import Slot, Topology, ValueRange, Way
from optimizer.parts import Kind, Part
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.stock.lots import SHELF, Lot, PowerLaw
from optimizer.stock.series import series_values
from optimizer.stock.stock import Stock, assemble_stock, series_stock

DIRECTIONS = (
    Direction(),
    Direction(horizontal_deg=30.0),
    Direction(horizontal_deg=90.0),
    Direction(horizontal_deg=180.0),
    Direction(vertical_deg=30.0),
    Direction(vertical_deg=-30.0),
    Direction(vertical_deg=90.0),
    Direction(vertical_deg=-90.0),
)
START: dict[Kind, float] = {"inductor": 3e-4, "capacitor": 4e-6, "resistor": 3.0}
SERIES = "E6"
PRICES: dict[Kind, PowerLaw] = {
    "inductor": PowerLaw(scale=400.0, exponent=0.6),
    "capacitor": PowerLaw(scale=5e5, offset=1.0),
    "resistor": PowerLaw(offset=1.0),
}


def make_driver(rng: np.random.Generator, name: str, centre_hz: float) -> Driver:
    """Band-pass with a bump, a delay by direction, and a coil with a resonance."""
    f = np.geomspace(50.0, 15_000.0, 36)
    s = 1j * f / centre_hz
    q, at, height = rng.uniform(0.5, 1.0), rng.uniform(0.5, 2.0), rng.uniform(0.7, 1.6)
    band = 4.0 * s**2 / ((s / 0.3) ** 2 * 0.3 + s / q + 1.0) / (1.0 + 0.3 * s)
    bump = (s**2 + height * s * at + at**2) / (s**2 + s * at + at**2)
    paths = rng.uniform(-0.15, 0.15, len(DIRECTIONS))
    fade = 1.0 / (1.0 + rng.uniform(0.0, 3.0, (len(DIRECTIONS), 1)) * (f / 1e4) ** 2)
    delay = np.exp(-2j * np.pi * f * paths[:, None] / 343.0)
    z = (
        rng.uniform(4.0, 7.0)
        + 2j * np.pi * f * rng.uniform(1e-4, 6e-4)
        + 15.0 * (s / 3) / (s**2 + s / 3 + 1.0)
    )
    return Driver(
        name=name,
        frequency_hz=f,
        directions=DIRECTIONS,
        pressure=3e3 * band * bump * fade * delay,
        impedance=z,
    )


FORMS: list[Form] = ["inductor", "capacitor", "resistor", "notch", "trap", "equaliser", "pad"]
JOINED: list[Form] = ["bypassed pad", "contour", "R || (L + C)", "L + R"]


def draw_slot(rng: np.random.Generator, name: str, form: Form, series: str, *, keep: bool) -> Slot:
    places: list[Place] = [p for p, name in NAMED_FORMS if name == form] or ["series"]
    place = places[int(rng.integers(len(places)))]
    kinds = form_of(form, place).kinds
    count = 2 if len(kinds) > 1 else int(rng.integers(2, 5))
    ranges, kept = [], []
    for kind in kinds:
        low = START[kind] * float(rng.uniform(0.7, 4.0))
        values = series_values(series, low, low * 100.0)[:count]
        ranges.append(ValueRange(low=float(values[0]), high=float(values[-1])))
        kept.append(Part(kind=kind, value=float(values[0]), loss_ohm=0.1, origin="kept"))
    return Slot(
        name=name,
        place=place,
        form=form,
        ranges=tuple(ranges),
        optional=bool(rng.random() < 0.6),
        kept=tuple(kept) if keep else None,
    )


def draw_goals(rng: np.random.Generator) -> dict[str, Goal]:
    return {
        "on_axis": OnAxis(
            tilt_db_per_octave=None if rng.random() < 0.3 else -0.5,
            band_hz=(100.0, 12_000.0),
            level_db=(70.0, 74.0) if rng.random() < 0.3 else None,
        ),
        "in_room": InRoom(band_hz=(200.0, 10_000.0), weight=0.7),
        "directivity": Directivity(band_hz=(300.0, 8000.0), weight=0.5),
        "impedance": Impedance(
            floor_ohm=float(rng.uniform(1.5, 4.0)),
            hard=bool(rng.random() < 0.7),
            band_hz=(60.0, 14_000.0),
        ),
        "parts": Parts(weight=0.05),
        "price": Price(weight=0.02),
    }


def draw_problem(
    seed: int,
    *,
    most: float = 3000.0,
    goals: dict[str, Goal] | None = None,
    series: str = SERIES,
    stock: Stock | None = None,
    beside: bool = False,
) -> Problem:
    """One to three ways, every form of slot, kept parts, free polarity: at most `most` networks.

    With `beside`, places hold joined parts too, each way that can has a part across another place,
    and some have a transformer.
    """
    rng = np.random.default_rng([7, seed])
    forms: list[Form] = [*FORMS, *JOINED] if beside else FORMS
    while True:
        count = int(rng.integers(1, 4))
        drivers = [
            make_driver(rng, f"d{w}", hz) for w, hz in enumerate(np.geomspace(300.0, 5000.0, count))
        ]
        ways = []
        for w in range(count):
            slots = tuple(
                draw_slot(
                    rng,
                    f"S{k}",
                    forms[int(rng.integers(len(forms)))],
                    series,
                    keep=bool(rng.random() < 0.15),
                )
                for k in range(int(rng.integers(0 if w else 1, 4)))
            )
            hosts = [s for s in slots if not s.optional and "series" in s.circuit.places]
            if hosts and beside:
                form = "capacitor" if rng.random() < 0.7 else "R + C"
                own = draw_slot(rng, "A", form, series, keep=False)
                slots = (*slots, replace(own, place="series", across=hosts[0].name))
            if beside and rng.random() < 0.5:
                k = int(rng.integers(len(slots) + 1))
                gain = float(rng.uniform(0.6, 1.2))
                slots = (*slots[:k], autotransformer("T", gain), *slots[k:])
            ways.append(
                Way(
                    name=f"w{w}",
                    driver=f"d{w}",
                    slots=slots,
                    polarity="free" if rng.random() < 0.6 else "inverted",
                )
            )
        problem = Problem(
            title=f"tiny {seed}",
            drivers=drivers,
            topology=Topology(ways=tuple(ways)),
            stock=stock or series_stock(series, prices=PRICES),
            goals=goals or draw_goals(rng),
            mirror=True,
        )
        if 30.0 <= 10.0 ** problem.space.size_log10() <= most:
            return problem


def one_of_each() -> Stock:
    """A shelf with one piece of each value of the series."""
    return assemble_stock(
        lots=[
            Lot(
                part=Part(kind=kind, value=float(v), origin=SHELF, price=0.0, loss_ohm=0.1),
                count=1,
                nominal=float(v),
            )
            for kind, low in START.items()
            for v in series_values(SERIES, low / 2, low * 1000)
        ]
    )


def list_networks(problem: Problem) -> list[Genome]:
    """Every network of a problem, by plain loops."""
    space = problem.space
    found = []
    signs = [
        (1.0, -1.0) if free else (start,)
        for free, start in zip(space.polarity_free, space.polarity_start, strict=True)
    ]
    for present in product(*((True, False) if o else (True,) for o in space.optional)):
        rows = [
            range(len(o.values)) if present[space.gene_slot[g]] else (0,)
            for g, o in enumerate(space.options)
        ]
        for choice in product(*rows):
            found += [
                Genome(
                    choice=np.array(choice, dtype=np.intp),
                    present=np.array(present),
                    polarity=np.array(polarity),
                )
                for polarity in product(*signs)
            ]
    return found


@pytest.fixture(scope="session")
def tiny() -> Callable[..., Problem]:
    """Return a function from a number to a tiny random problem, the same on every call.

    Its keywords replace the goals, the series or the stock.
    """
    made: dict[tuple[int, str], Problem] = {}

    def make(seed: int, **changed: Any) -> Problem:
        key = seed, repr(changed)
        if key not in made:
            made[key] = draw_problem(seed, **changed)
        return made[key]

    return make


@pytest.fixture(scope="session")
def shelf() -> Stock:
    """Return a shelf that slots must share."""
    return one_of_each()


@pytest.fixture(scope="session")
def list_all() -> Callable[[Problem], list[Genome]]:
    """Return a function that lists every network of a problem."""
    return list_networks


@dataclass(frozen=True, kw_only=True)
class Everything:
    """All networks of a problem, their costs, and which keep every hard limit."""

    networks: list[Genome]
    costs: Real
    feasible: Flags

    @property
    def best(self) -> float:
        """Least cost among those that keep the limits, or among all when none does."""
        return float(self.costs[self.feasible if self.feasible.any() else slice(None)].min())


@pytest.fixture(scope="session")
def brute(tiny: Callable[[int], Problem]) -> Callable[[int], Everything]:
    """Return a function from a number to everything that a tiny problem holds."""
    made: dict[int, Everything] = {}

    def compute(seed: int) -> Everything:
        if seed not in made:
            problem = tiny(seed)
            networks = list_networks(problem)
            curves = problem.evaluator.curves(problem.space.population(networks))
            feasible = np.ones(len(networks), dtype=bool)
            for goal in problem.evaluator.goals:
                if goal.hard:
                    feasible &= np.abs(goal.residuals(curves)).max(axis=-1) < 1e-9
            made[seed] = Everything(
                networks=networks, costs=problem.cost(networks), feasible=feasible
            )
        return made[seed]

    return compute
