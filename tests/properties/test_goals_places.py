"""Up and down told from how high the drivers sit: figures and slopes of the goal on lobes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.goals import LobeDepth
from optimizer.goals.reflections import turn_upwards
from optimizer.measure.driver import Driver
from optimizer.problem.problem import Problem
from optimizer.search.descend.relax import relaxed_population
from optimizer.testing.drivers import ideal_driver
from optimizer.testing.problems import small_problem


def column(woofer_up_m: float) -> list[Driver]:
    """A woofer at a height below its tweeter; nothing was measured off the axis."""
    woofer = ideal_driver("woofer", band_hz=(60.0, 4000.0), ohm=6.0)
    tweeter = ideal_driver("tweeter", band_hz=(900.0, None), ohm=6.0, resonance_hz=900.0)
    return [replace(woofer, place_m=(woofer_up_m, 0.0, 0.0)), tweeter]


def test_two_points_cancel_where_their_paths_differ_by_half_a_wave() -> None:
    """Two equal sources 0.2 m apart, 30 degrees up: 0.1 m of path, the first null at 1715 Hz for
    343 m/s (two-point interference, any textbook of acoustics)."""
    drivers = column(-0.2)
    ways = [("woofer", drivers[0]), ("tweeter", drivers[1])]
    f = drivers[0].frequency_hz
    turned = turn_upwards(ways, f, 30.0)
    assert turned is not None
    same = turned / np.array([d.pressure[0] for d in drivers])
    hz = f[int(np.argmin(np.abs(same.sum(axis=0))[f < 3000.0]))]
    assert hz == pytest.approx(1715.0, rel=0.03)
    assert turn_upwards([ways[1]], f, 30.0) is None


def test_slopes_are_those_of_the_figure() -> None:
    """Derivatives of the residuals against central differences, 1e-5 of the largest."""
    base = small_problem()
    problem = Problem(
        drivers=column(-0.18), topology=base.topology, stock=base.stock,
        goals={"on_axis": 1.0, "lobe_depth": LobeDepth(allowed_db=-0.5)},
    )  # fmt: skip
    goal = next(g for g in problem.prepared if g.name == "lobe_depth")
    space, bank, rng = problem.space, problem.bank, np.random.default_rng(5)
    log_values = rng.uniform(space.log_low, space.log_high, (3, len(space.log_low)))
    present = np.ones((3, len(space.optional)), dtype=bool)
    polarity = np.array([[1.0, 1.0], [1.0, -1.0], [1.0, 1.0]])

    def draw(values: np.ndarray) -> Curves:
        population = relaxed_population(space, problem.loss_laws, values, present, polarity)
        solved = bank.solve(population)
        return Curves(problem.evaluator.field, solved.transfer, solved.admittance)

    population = relaxed_population(space, problem.loss_laws, log_values, present, polarity)
    solved, tangents = bank.solve_with_tangents(population, problem.loss_laws)
    curves = Curves(problem.evaluator.field, solved.transfer, solved.admittance)
    place = np.full(len(bank.genes), -1)
    place[space.free_genes] = np.arange(len(space.free_genes))
    slopes = goal.tangents(
        curves, CurveTangents(curves, len(space.free_genes), *tangents.into(place))
    )
    assert np.any(goal.residuals(curves) > 0.0)
    step = 1e-6
    for k, gene in enumerate(space.free_genes):
        moved = [log_values.copy() for _ in range(2)]
        moved[0][:, gene] += step
        moved[1][:, gene] -= step
        central = (goal.residuals(draw(moved[0])) - goal.residuals(draw(moved[1]))) / (2 * step)
        middle = goal.residuals(curves) > 1e-4
        error = np.where(middle, np.abs(slopes[:, k] - central), 0.0)
        assert error.max() < 1e-5 * (np.abs(slopes).max() + 1e-6)
