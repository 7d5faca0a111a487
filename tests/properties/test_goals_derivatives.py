"""Every goal's derivatives against central differences, through the whole chain: part values ->
ladder -> curves -> goal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Real
from optimizer.goals import GOALS, EconomyGoal, GridGoal, Prepared, Scene
from optimizer.measure.driver import Limits
from optimizer.network.bank import Population
from optimizer.problem.problem import Problem
from optimizer.search.descend.relax import relaxed_population

LIMITS = {
    "woofer": Limits(
        watts=20.0,
        lowest_hz=30.0,
        highest_hz=900.0,
        excursion_m=1e-3,
        force_factor_tm=8.0,
        resistance_ohm=5.6,
    ),
    "midrange": Limits(watts=10.0, lowest_hz=250.0, highest_hz=4000.0),
    "tweeter": Limits(watts=2.0, excursion_m=1e-4, force_factor_tm=3.0, resistance_ohm=5.1),
}
"""Tight on purpose, so that every limit is broken somewhere."""

ASKED: dict[str, dict[str, object]] = {
    "on_axis": {"level_db": (79.0, 80.0), "shelf_db": -3.0},
    "in_room": {"tilt_db_per_octave": None},
    "sensitivity": {"floor_db": 95.0},
    "impedance": {"floor_ohm": 9.0},
    "impedance_phase": {"limit_deg": 10.0},
    "epdr": {"floor_ohm": 6.0},
    "inverted_null": {"wanted_db": 50.0},
    "break_up": {"down_db": 30.0},
    "low_drive": {"down_db": 40.0},
    "lobe_depth": {"allowed_db": -0.5},
}
"""Options that make a goal bite; the others stand at their defaults."""


@pytest.fixture(scope="module")
def problem(demo_problem: Problem) -> Problem:
    return demo_problem


def prepare(problem: Problem, name: str, spec: GridGoal | None = None) -> Prepared:
    """Prepare one goal of the demo with the tight limits."""
    by_name = {d.name: replace(d, limits=LIMITS[d.name]) for d in problem.drivers}
    ways = [(w.name, by_name[w.driver]) for w in problem.topology.ways]
    goal = spec or GOALS[name](**ASKED.get(name, {}))
    curves = {**problem.averages, **problem.single_directions}
    return goal.prepare(Scene(frequency_hz=problem.frequency_hz, curves=curves, ways=ways))


def draw(problem: Problem, seed: int, count: int = 4) -> tuple[Real, Population]:
    """Draw networks of the demo: log values, and the population they make."""
    space, rng = problem.space, np.random.default_rng(seed)
    log_values = rng.uniform(space.log_low, space.log_high, (count, len(space.log_low)))
    present = np.where(space.optional, rng.random((count, len(space.optional))) < 0.7, True)
    polarity = np.where(space.polarity_free, rng.choice([-1.0, 1.0], (count, 3)), 1.0)
    return log_values, relaxed_population(space, problem.loss_laws, log_values, present, polarity)


def with_curves(problem: Problem, goal: Prepared, population: Population) -> Curves:
    solved = problem.evaluator.bank.solve(population)
    field = problem.field_of(goal.curve_names or ("on_axis",))
    return Curves(field, solved.transfer, solved.admittance)


def exact_slopes(problem: Problem, goal: Prepared, population: Population) -> Real:
    """Derivatives of the residuals as the search uses them, shape (P, S, N)."""
    bank, columns = problem.evaluator.bank, problem.space.free_genes
    solved, tangents = bank.solve_with_tangents(population, problem.loss_laws)
    curves = with_curves(problem, goal, population)
    curves = Curves(curves.field, solved.transfer, solved.admittance)
    place = np.full(len(bank.genes), -1)
    place[columns] = np.arange(len(columns))
    slopes = CurveTangents(curves, len(columns), *tangents.into(place))
    return goal.tangents(curves, slopes)


VARIANTS: list[tuple[str, dict[str, object]]] = [
    ("on_axis", {"tilt_db_per_octave": None, "level_db": (70.0, 71.0)}),
    ("listening_window", {"tilt_db_per_octave": -0.5}),
    ("in_room", {"tilt_db_per_octave": -1.0, "level_db": (90.0, 91.0)}),
    ("early_reflections", {"tilt_db_per_octave": -1.0, "level_db": None}),
    ("impedance", {"floor_ohm": 9.0, "hard": True}),
    ("lobe_depth", {"angle_deg": 45.0, "allowed_db": 0.0}),
    ("similarity", {"angle_deg": 20.0, "band_hz": (500.0, 4000.0)}),
]
"""Other forms that a goal can take: slope and level given or free, on either side of a range."""

RESIDUAL_GOALS = [n for n, s in GOALS.items() if not issubclass(s, EconomyGoal)]


def test_no_goal_is_left_out() -> None:
    """Every goal that a design file may name either has residuals, tested here, or adds up over
    the parts, tested with the weights."""
    economy = {n for n, s in GOALS.items() if issubclass(s, EconomyGoal)}
    assert economy == {"parts", "price", "copper", "changes"}
    assert set(RESIDUAL_GOALS) | economy == set(GOALS)


@pytest.mark.parametrize(
    ("name", "asked"), [*((n, ASKED.get(n, {})) for n in RESIDUAL_GOALS), *VARIANTS]
)
def test_derivatives_are_exact(problem: Problem, name: str, asked: dict[str, object]) -> None:
    """Derivatives of every residual agree with central differences within 1e-5 of the largest
    one of that network, but where a step crosses a kink of a one-sided limit."""
    goal = prepare(problem, name, GOALS[name](**asked))
    step = 2e-6
    bitten = False
    for seed in (1, 2):
        log_values, population = draw(problem, seed)
        exact = exact_slopes(problem, goal, population)
        middle = goal.residuals(with_curves(problem, goal, population))
        bitten = bitten or bool(np.any(middle != 0.0))
        for column, gene in enumerate(problem.space.free_genes):
            sides = []
            for sign in (1.0, -1.0):
                moved = log_values.copy()
                moved[:, gene] += sign * step
                shifted = relaxed_population(
                    problem.space, problem.loss_laws, moved, population.present, population.polarity
                )
                sides.append(goal.residuals(with_curves(problem, goal, shifted)))
            central = (sides[0] - sides[1]) / (2.0 * step)
            forward, backward = (sides[0] - middle) / step, (middle - sides[1]) / step
            largest = np.abs(exact).max(axis=(1, 2))[:, None] + 1e-6
            smooth = np.abs(forward - backward) < 1e-3 * largest
            assert np.count_nonzero(~smooth) <= 0.01 * smooth.size
            error = np.where(smooth, np.abs(exact[:, column] - central), 0.0)
            assert (error / largest).max() < 1e-5, problem.space.genes[gene].name
    assert bitten, "the goal was met everywhere, so nothing was tested"


@pytest.mark.parametrize("name", RESIDUAL_GOALS)
def test_part_of_the_grid_is_a_lower_bound(problem: Problem, name: str) -> None:
    """On a part of the grid the figure never exceeds the full one: the exchange search relies on
    it to rule out networks."""
    goal = prepare(problem, name)
    bank = problem.evaluator.bank
    _, population = draw(problem, 5, count=24)
    curves = with_curves(problem, goal, population)
    full = np.linalg.norm(goal.residuals(curves), axis=-1)
    points = len(bank.omega)
    for kept in (9, 24, 72):
        index = np.unique(np.linspace(0, points - 1, kept).round().astype(np.intp))
        thin = goal.thinned(index, bound=True)
        solved = bank.thinned(index).solve(population)
        part = np.linalg.norm(
            thin.residuals(Curves(curves.field.thinned(index), solved.transfer, solved.admittance)),
            axis=-1,
        )
        assert np.all(part <= full * (1.0 + 1e-12) + 1e-12)


@pytest.mark.parametrize("name", RESIDUAL_GOALS)
def test_thinned_figure_estimates_the_full_one(problem: Problem, name: str) -> None:
    """On every third point the rescaled figure is close to the full one for most networks."""
    goal = prepare(problem, name)
    bank = problem.evaluator.bank
    _, population = draw(problem, 6, count=24)
    curves = with_curves(problem, goal, population)
    full = np.linalg.norm(goal.residuals(curves), axis=-1)
    index = np.arange(0, len(bank.omega), 3)
    solved = bank.thinned(index).solve(population)
    part = np.linalg.norm(
        goal.thinned(index, bound=False).residuals(
            Curves(curves.field.thinned(index), solved.transfer, solved.admittance)
        ),
        axis=-1,
    )
    assert np.median(np.abs(part - full)) <= 0.1 * np.median(full) + 1e-9


@pytest.mark.parametrize("name", RESIDUAL_GOALS)
def test_leading_axes_broadcast(problem: Problem, name: str) -> None:
    """Two ways with alternatives on two axes give the same residuals as one by one: the pair scan
    hands curves over in that shape."""
    goal = prepare(problem, name)
    _, population = draw(problem, 7, count=3)
    one = with_curves(problem, goal, population)
    h = one.transfer
    mixed = Curves(
        one.field,
        [h[0][0], h[1][:, None, :], h[2][None, :, :]],
        one.admittance[:, None, :] + 0.0 * one.admittance[None, :, :],
    )
    got = goal.residuals(mixed)
    for i in range(3):
        for j in range(3):
            single = goal.residuals(
                Curves(one.field, [h[0][0], h[1][i], h[2][j]], one.admittance[i])
            )
            np.testing.assert_allclose(
                np.broadcast_to(got, (3, 3, got.shape[-1]))[i, j], single, atol=1e-9
            )


@pytest.mark.parametrize("name", RESIDUAL_GOALS)
def test_every_goal_says_where_its_figure_comes_from(problem: Problem, name: str) -> None:
    """One plain sentence with a number, for a single network."""
    goal = prepare(problem, name)
    _, population = draw(problem, 8, count=2)
    for k in range(2):
        said = goal.describe(with_curves(problem, goal, population[k]))
        assert any(c.isdigit() for c in said) or "never" in said
        assert len(said) < 160
        assert "nan" not in said
