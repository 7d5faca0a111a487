"""Tolerances against closed forms: one resistor before a resistive load, and small deviations.

With a load Z and a resistor R before it the level is 20 log10 (Z / (Z + R)), so it moves by
-(20 / ln 10) R / (R + Z) dB per neper of R. A deviation that is uniform within a limit t has the
standard deviation t / sqrt(3), its 5th and 95th percentiles lie at -0.9 t and +0.9 t, and the
difference of two of them is triangular: its size stays below 2 t (1 - sqrt(0.05)) in 95 of 100
cases (elementary probability).
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.bench.tolerance.tolerance import spread_network
from optimizer.errors import InputError
from optimizer.goals import OnAxis, Sensitivity
from optimizer.measure.curve import Direction
from optimizer.measure.driver import Driver
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.topology import Slot, Topology, ValueRange, Way
from optimizer.parts import Part
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.stock.stock import series_stock

OHM, LOAD = 3.0, 6.0
SOURCE = 2e4  # re 20 uPa: 86 dB
SLOPE_DB = 20.0 / np.log(10.0) * OHM / (OHM + LOAD)
"""dB per neper of the resistor."""


def make_divider(goals: dict[str, object]) -> Problem:
    f = np.geomspace(50.0, 15_000.0, 30)
    driver = Driver(
        name="d",
        frequency_hz=f,
        directions=(Direction(),),
        pressure=np.full((1, 30), SOURCE, dtype=np.complex128),
        impedance=np.full(30, LOAD + 0.0j),
    )
    slot = Slot(
        name="R1", place="series", form="resistor", ranges=(ValueRange(low=1.0, high=10.0),)
    )
    return Problem(
        title="divider",
        drivers=[driver],
        stock=series_stock("E12"),
        topology=Topology(ways=(Way(name="d", driver="d", slots=(slot,)),)),
        goals=goals,
    )  # type: ignore[arg-type]


def fill(tolerance: float) -> Network:
    part = Part(kind="resistor", value=OHM, tolerance=tolerance, pieces=(OHM,))
    return Network(
        ways=(
            FittedWay(
                name="d",
                driver="d",
                polarity=1,
                slots=(FittedSlot(name="R1", place="series", form="resistor", parts=(part,)),),
            ),
        )
    )


@pytest.fixture(scope="module")
def divider() -> Problem:
    return make_divider({"on_axis": OnAxis(band_hz=(100.0, 10_000.0))})


def test_one_resistor_spreads_as_foretold(divider: Problem) -> None:
    """Band, deviation, first-order share and left-right difference are the closed forms."""
    t = 0.02
    report = spread_network(divider, fill(t), draws=20_000, rng=np.random.default_rng(1))
    curve = report.curves[0]
    assert curve.name == "on_axis"
    assert curve.foretold_db == pytest.approx(np.full(30, SLOPE_DB * t / np.sqrt(3.0)), rel=1e-9)
    assert curve.deviation_db == pytest.approx(curve.foretold_db, rel=0.02)
    assert curve.high_db - curve.nominal_db == pytest.approx(
        np.full(30, 0.9 * t * SLOPE_DB), rel=0.02
    )
    assert curve.nominal_db - curve.low_db == pytest.approx(
        np.full(30, 0.9 * t * SLOPE_DB), rel=0.02
    )
    assert curve.nominal_db == pytest.approx(
        np.full(30, 20 * np.log10(SOURCE * LOAD / (LOAD + OHM))), abs=1e-9
    )
    (part,) = report.parts
    assert (part.label, part.share) == ("d.R1", 1.0)
    assert part.rms_db == pytest.approx(SLOPE_DB * t / np.sqrt(3.0), rel=1e-9)
    high = 2.0 * t * (1.0 - np.sqrt(0.05)) * SLOPE_DB
    assert report.pair.high_rms_db == pytest.approx(high, rel=0.02)
    assert report.pair.high_db == pytest.approx(np.full(30, high), rel=0.02)


def test_normal_deviations_have_half_the_limit_as_sigma(divider: Problem) -> None:
    """Stated: the limit is two standard deviations."""
    report = spread_network(
        divider, fill(0.02), draws=20_000, rng=np.random.default_rng(2), distribution="normal"
    )
    assert report.curves[0].deviation_db == pytest.approx(np.full(30, SLOPE_DB * 0.01), rel=0.02)


def test_yield_is_the_share_of_the_range_that_keeps_the_limit() -> None:
    """A floor 0.4 of the way to the lower end of the level is kept by 0.7 of the resistors."""
    t = 0.05
    edge = 20 * np.log10(SOURCE * LOAD / (LOAD + OHM * (1 + 0.4 * t)))
    problem = make_divider({"sensitivity": Sensitivity(floor_db=float(edge), hard=True)})
    report = spread_network(problem, fill(t), draws=20_000, rng=np.random.default_rng(3))
    # R is uniform in 1 +- t and keeps the floor up to 1 + 0.4 t: (1 + 0.4) / 2 of the range.
    (kept,) = report.limits
    assert kept.name == "sensitivity"
    assert kept.share == pytest.approx(0.7, abs=0.01)
    assert report.all_limits == kept.share


def test_a_driver_spreads_by_its_own_level(divider: Problem) -> None:
    """One driver within 1 dB gives 1 / sqrt(3) dB everywhere, and counts as a source."""
    report = spread_network(
        divider, fill(0.0), draws=20_000, rng=np.random.default_rng(4), driver_level_db=1.0
    )
    assert report.curves[0].deviation_db == pytest.approx(np.full(30, 3**-0.5), rel=0.02)
    assert report.curves[0].foretold_db == pytest.approx(np.full(30, 3**-0.5), rel=1e-9)
    assert report.parts[0].label == "d (level)"
    assert report.parts[0].share == pytest.approx(1.0)
    assert report.curves[-1].name == "impedance"
    assert report.curves[-1].deviation_db == pytest.approx(np.zeros(30), abs=1e-9)


@pytest.fixture(scope="module")
def three_way(coarse_demo_problem: Problem) -> tuple[Problem, Candidate]:
    return coarse_demo_problem, search(
        coarse_demo_problem, seconds=None, evaluations=1_000, seed=1, top=1
    ).candidates[0]


def test_small_deviations_have_the_variance_that_derivatives_foretell(
    three_way: tuple[Problem, Candidate],
) -> None:
    """With 1 % parts the drawn variance of every curve lies within 5 % of the first-order one."""
    problem, best = three_way
    some = spread_network(problem, best.network, draws=20, rng=np.random.default_rng(5))
    report = spread_network(
        problem,
        best.network,
        draws=8000,
        rng=np.random.default_rng(5),
        tolerances={part.label: 0.01 for part in some.parts},
    )
    for curve in report.curves:
        drawn, foretold = curve.deviation_db**2, curve.foretold_db**2
        assert drawn.sum() == pytest.approx(foretold.sum(), rel=0.05), curve.name
        # Point by point, wherever a first order is all there is: not in the bottom of a null.
        plain = foretold > 0.05 * foretold.max()
        assert drawn[plain] == pytest.approx(foretold[plain], rel=0.08), curve.name


def test_the_part_named_first_is_the_one_whose_own_draws_spread_most(
    three_way: tuple[Problem, Candidate],
) -> None:
    """Shares agree with drawing one part at a time, the others as printed."""
    problem, best = three_way
    report = spread_network(problem, best.network, rng=np.random.default_rng(6))
    labels = [part.label for part in report.parts]
    inside = (report.frequency_hz >= report.band_hz[0]) & (report.frequency_hz <= report.band_hz[1])
    alone = []
    for label in labels:
        only = dict.fromkeys(labels, 0.0) | {label: 0.02}
        one = spread_network(
            problem, best.network, rng=np.random.default_rng(7), draws=400, tolerances=only
        )
        alone.append(float((one.curves[0].deviation_db[inside] ** 2).mean()))
    shares = np.array(alone) / sum(alone)
    assert [part.share for part in report.parts] == pytest.approx(shares, abs=0.03)
    assert report.parts[0].share >= report.parts[-1].share
    assert sum(part.share for part in report.parts) == pytest.approx(1.0)


def test_draws_are_those_of_networks_built_from_deviating_parts(
    three_way: tuple[Problem, Candidate],
) -> None:
    """One drawn speaker computed as a network of its own has the same figures."""
    problem, best = three_way
    rng = np.random.default_rng(8)
    parts = {
        (way.name, slot.name, i): part
        for way in best.network.ways
        for slot in way.slots
        for i, part in enumerate(slot.parts)
    }
    factor = 1.0 + np.random.default_rng(8).uniform(-1.0, 1.0, (20, len(parts))) * 0.05
    built = []
    for row in factor:
        other = best.network.replace_parts(
            {
                key: Part(
                    kind=part.kind,
                    value=part.value * x,
                    loss_ohm=part.loss_ohm,
                    price=part.price,
                    pieces=part.pieces,
                    joined=part.joined,
                    origin=part.origin,
                )
                for (key, part), x in zip(parts.items(), row, strict=True)
            },
        )
        built.append(build_candidate(problem, other))
    report = spread_network(problem, best.network, draws=20, rng=rng)
    cost = report.goals[-1]
    # A hard limit counts at its price per dB here, without the step that keeps it in a ranking.
    costs = [
        sum(100.0 * g.value if g.name == "impedance" else g.cost for g in c.goals) for c in built
    ]
    assert cost.name == "cost"
    assert cost.mean == pytest.approx(np.mean(costs), rel=1e-9)
    assert cost.high == pytest.approx(np.percentile(costs, 95), rel=1e-9)
    assert cost.nominal == pytest.approx(best.cost, rel=1e-9)
    levels = np.stack([c.curves.named_db["in_room"] for c in built])
    band = next(c for c in report.curves if c.name == "in_room")
    assert band.low_db == pytest.approx(np.percentile(levels, 5, axis=0), abs=1e-9)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"limits": {"flatness": 1.0}}, "use one of"),
        ({"tolerances": {"d.R2": 0.1}}, "d.R1"),
        ({"draws": 5}, "at least 20"),
    ],
)
def test_what_is_not_there_is_refused(
    divider: Problem, options: dict[str, object], said: str
) -> None:
    """Unknown goals, unknown parts and too few draws are said so."""
    with pytest.raises(InputError, match=said):
        spread_network(divider, fill(0.05), rng=np.random.default_rng(1), **options)  # type: ignore[arg-type]
