"""What tolerances do to a network: drawn at random, and foretold by derivatives.

Every part deviates by itself, within its tolerance; so may the levels of the drivers. The bands say
what a finished speaker will measure like, the shares say which part is worth measuring or buying
closer.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.bench.tolerance.board import Board, Slopes
from optimizer.bench.tolerance.spread import (
    CurveBand,
    Distribution,
    GoalSpread,
    PairSpread,
    PartShare,
    ToleranceReport,
    YieldShare,
)
from optimizer.errors import InputError, Subject
from optimizer.network.network import Network
from optimizer.problem.problem import Problem

DRAWS = 1000

PERCENTILES = (5.0, 95.0)

SIGMA_OF_LIMIT: dict[Distribution, float] = {"uniform": 1.0 / np.sqrt(3.0), "normal": 0.5}
"""Standard deviation of a part against its tolerance. Uniform: all that is known is the limit.
Normal: the limit is taken as two standard deviations (common practice, no source)."""


def spread_network(
    problem: Problem,
    network: Network,
    *,
    draws: int = DRAWS,
    rng: np.random.Generator,
    distribution: Distribution = "uniform",
    driver_level_db: float = 0.0,
    limits: Mapping[str, float] | None = None,
    tolerances: Mapping[str, float] | None = None,
) -> ToleranceReport:
    """Draw speakers at random and say how they spread.

    Parameters
    ----------
    problem, network, tolerances
        As `optimizer.bench.tolerance.board.Board` takes them.
    draws : int
        Speakers drawn, at least 20.
    rng : numpy.random.Generator
        Source of the draws.
    distribution : {"uniform", "normal"}
        How parts deviate within their tolerance, see `SIGMA_OF_LIMIT`.
    driver_level_db : float
        Limit of each driver's deviation in level; 0 leaves the drivers as measured.
    limits : mapping of str to float, optional
        Largest figure allowed by goal, or "cost"; hard goals are limits anyway.

    Returns
    -------
    ToleranceReport

    Raises
    ------
    InputError
        When a limit or a tolerance names something that is not there, or draws are too few.

    Notes
    -----
    In the cost a broken hard limit counts by its size alone; how often it is kept is told apart.

    Values deviate, losses stay: the resistance of a coil is that of its wire. A joined part
    deviates as a whole by its own tolerance, see `optimizer.stock.combine.join_pieces`.
    """
    if draws < 20:
        raise InputError(
            "a spread needs at least 20 draws", subject=Subject("spread", part="draws"), value=draws
        )
    board = Board(problem, network, tolerances or {})
    limits = dict(limits or {})
    known = [goal.name for goal in problem.evaluator.goals]
    for name in limits:
        if name not in (*known, "cost"):
            raise InputError(
                "a limit must name a goal of the design",
                subject=Subject("spread", part="limits"),
                value=name,
                remedy=f"use one of {', '.join((*known, 'cost'))}",
            )
    count = len(board.labels)
    deviation = _draw(rng, (draws, count), distribution) * board.tolerance
    # A tolerance of 100 % must not give a part of no value.
    factor = np.maximum(1.0 + deviation, 1e-3)
    level_db = _draw(rng, (draws, len(board.bank.topology.ways)), distribution) * driver_level_db
    levels, figures = board.evaluate(factor, level_db)
    nominal_levels, nominal_figures = board.evaluate(
        np.ones((1, count)), np.zeros((1, len(board.bank.topology.ways)))
    )
    sigma = SIGMA_OF_LIMIT[distribution]
    slopes = board.differentiate()
    spread = np.concatenate(
        [board.tolerance * sigma, np.full(len(board.bank.topology.ways), driver_level_db * sigma)]
    )
    curves = tuple(
        _band(
            name,
            nominal_levels[name][0],
            levels[name],
            np.sqrt(((slopes.level[name] * spread[:, None]) ** 2).sum(axis=0)),
        )
        for name in levels
    )
    inside = board.inside
    kept, all_kept = _count_kept(problem, figures, limits)
    return ToleranceReport(
        frequency_hz=problem.frequency_hz,
        band_hz=(float(problem.frequency_hz[inside][0]), float(problem.frequency_hz[inside][-1])),
        draws=draws,
        distribution=distribution,
        curves=curves,
        goals=tuple(
            _figure(problem, name, nominal_figures[name][0], figures[name]) for name in figures
        ),
        parts=_share_out(board, slopes, spread, driver_level_db),
        limits=kept,
        all_limits=all_kept,
        pair=_compare_sides(levels["on_axis"], inside),
        driver_level_db=driver_level_db,
    )


def _draw(rng: np.random.Generator, shape: tuple[int, int], kind: Distribution) -> Real:
    """Draw deviations with the limit as the unit."""
    if kind == "uniform":
        return rng.uniform(-1.0, 1.0, shape)
    return np.asarray(rng.normal(0.0, SIGMA_OF_LIMIT[kind], shape))


def _band(name: str, nominal_db: Real, levels: Real, foretold_db: Real) -> CurveBand:
    # Sorting runs along contiguous memory this way round, five times as fast.
    low, high = np.percentile(np.ascontiguousarray(levels.T), PERCENTILES, axis=1)
    return CurveBand(
        name=name,
        nominal_db=nominal_db,
        low_db=low,
        high_db=high,
        deviation_db=levels.std(axis=0),
        foretold_db=foretold_db,
    )


def _figure(problem: Problem, name: str, nominal: float, values: Real) -> GoalSpread:
    unit = next((g.unit for g in problem.evaluator.goals if g.name == name), "")
    low, high = np.percentile(values, PERCENTILES)
    return GoalSpread(
        name=name,
        unit=unit,
        nominal=float(nominal),
        mean=float(values.mean()),
        low=float(low),
        high=float(high),
    )


def _share_out(
    board: Board, slopes: Slopes, spread: Real, driver_level_db: float
) -> tuple[PartShare, ...]:
    """Share of each source in the variance of the on-axis level, the largest first."""
    moved = slopes.level["on_axis"][:, board.inside] * spread[:, None]
    variance = (moved**2).mean(axis=1)
    total = float(variance.sum()) or 1.0
    names = [*board.labels, *(f"{w.name} (level)" for w in board.bank.topology.ways)]
    limits = [*board.tolerance, *[driver_level_db] * len(board.bank.topology.ways)]
    order = [
        k
        for k in np.argsort(-variance, kind="stable")
        if k < len(board.labels) or driver_level_db > 0.0
    ]
    return tuple(
        PartShare(
            label=names[k],
            tolerance=float(limits[k]),
            share=float(variance[k]) / total,
            rms_db=float(np.sqrt(variance[k])),
            cost_slope=float(slopes.cost[k]) * (0.01 if k < len(board.labels) else 1.0),
        )
        for k in order
    )


def _count_kept(
    problem: Problem, figures: Mapping[str, Real], limits: Mapping[str, float]
) -> tuple[tuple[YieldShare, ...], float]:
    """Count the draws that keep each limit and all of them; hard goals must stay at 0."""
    every = {goal.name: 0.0 for goal in problem.evaluator.goals if goal.hard} | dict(limits)
    good = np.ones(len(figures["cost"]), dtype=bool)
    kept = []
    for name, limit in every.items():
        met = figures[name] <= limit + 1e-9
        good &= met
        kept.append(YieldShare(name=name, limit=limit, share=float(met.mean())))
    return tuple(kept), float(good.mean())


def _compare_sides(levels: Real, inside: Flags) -> PairSpread:
    """Take the first half of the draws as left speakers and the second as right ones."""
    half = len(levels) // 2
    difference = levels[:half] - levels[half : 2 * half]
    rms = np.sqrt((difference[:, inside] ** 2).mean(axis=1))
    return PairSpread(
        median_rms_db=float(np.median(rms)),
        high_rms_db=float(np.percentile(rms, PERCENTILES[1])),
        high_db=np.percentile(np.abs(difference.T), PERCENTILES[1], axis=1),
    )
