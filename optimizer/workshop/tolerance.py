"""What tolerances do to a network: drawn at random, and foretold by derivatives.

Every part deviates by itself, within its tolerance; so may the levels of the drivers. The bands say
what a finished speaker will measure like, the shares say which part is worth measuring or buying
closer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.acoustics.curves import Curves, CurveTangents, Field
from optimizer.errors import InputError
from optimizer.goals.base import HARD_COST_PER_DB
from optimizer.network.bank import LadderBank, LossLaw, Population
from optimizer.network.ladder import Network, Slot, Topology, ValueRange, Way
from optimizer.parts import KINDS, Kind, Part
from optimizer.search.figures import network_economy
from optimizer.search.problem import Problem
from optimizer.workshop.spread import (
    CurveBand,
    Distribution,
    GoalSpread,
    PairSpread,
    PartShare,
    ToleranceReport,
    YieldShare,
)

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

DRAWS = 1000

PERCENTILES = (5.0, 95.0)

SIGMA_OF_LIMIT: dict[Distribution, float] = {"uniform": 1.0 / np.sqrt(3.0), "normal": 0.5}
"""Standard deviation of a part against its tolerance. Uniform: all that is known is the limit.
Normal: the limit is taken as two standard deviations (common practice, no source)."""

IMPEDANCE = "impedance"
"""Name of the input impedance among the curves; its level is 20 log10 of the ohms."""

_BLOCK = 64  # networks worked on at once: their arrays stay in a second-level cache


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
    problem : Problem
        Drivers and goals.
    network : Network
        Any network with the problem's ways.
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
    tolerances : mapping of str to float, optional
        Tolerance by part label, in place of that of the part.

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
        raise InputError("a spread needs at least 20 draws", key="draws", value=draws)
    board = _Board(problem, network, tolerances or {})
    limits = dict(limits or {})
    known = [goal.name for goal in problem.evaluator.goals]
    for name in limits:
        if name not in (*known, "cost"):
            raise InputError("a limit must name a goal of the design", key="limits", value=name,
                             remedy=f"use one of {', '.join((*known, 'cost'))}")
    count = len(board.labels)
    deviation = _draw(rng, (draws, count), distribution) * board.tolerance
    # A tolerance of 100 % must not give a part of no value.
    factor = np.maximum(1.0 + deviation, 1e-3)
    level_db = _draw(rng, (draws, len(board.bank.ways)), distribution) * driver_level_db
    levels, figures = board.evaluate(factor, level_db)
    nominal_levels, nominal_figures = board.evaluate(
        np.ones((1, count)), np.zeros((1, len(board.bank.ways))))
    sigma = SIGMA_OF_LIMIT[distribution]
    slopes = board.differentiate()
    spread = np.concatenate([board.tolerance * sigma,
                             np.full(len(board.bank.ways), driver_level_db * sigma)])
    curves = tuple(
        _band(name, nominal_levels[name][0], levels[name],
              np.sqrt(((slopes.level[name] * spread[:, None]) ** 2).sum(axis=0)))
        for name in levels)
    inside = board.inside
    kept, all_kept = _count_kept(problem, figures, limits)
    return ToleranceReport(
        frequency_hz=problem.frequency_hz,
        band_hz=(float(problem.frequency_hz[inside][0]), float(problem.frequency_hz[inside][-1])),
        draws=draws, distribution=distribution, curves=curves,
        goals=tuple(_figure(problem, name, nominal_figures[name][0], figures[name])
                    for name in figures),
        parts=_share_out(board, slopes, spread, driver_level_db),
        limits=kept, all_limits=all_kept,
        pair=_compare_sides(levels["on_axis"], inside),
    )


def _draw(rng: np.random.Generator, shape: tuple[int, int], kind: Distribution) -> Real:
    """Draw deviations with the limit as the unit."""
    if kind == "uniform":
        return rng.uniform(-1.0, 1.0, shape)
    return np.asarray(rng.normal(0.0, SIGMA_OF_LIMIT[kind], shape))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slopes:
    """Derivatives by the log value of each part, then by each driver's level in dB.

    Parameters
    ----------
    level : dict of str to ndarray, shape (N, F)
        Of each curve in dB.
    cost : ndarray, shape (N,)
    """

    level: dict[str, Real]
    cost: Real


def _still(values: Real) -> Real:
    return np.zeros_like(values)


_LAWS: dict[Kind, LossLaw] = dict.fromkeys(KINDS, _still)


class _Board:
    """A network with all its parts free, on the problem's grid."""

    def __init__(
        self, problem: Problem, network: Network, tolerances: Mapping[str, float]
    ) -> None:
        self.problem = problem
        parts: list[Part] = []
        ways = []
        for fitted in network.ways:
            slots = []
            for slot in fitted.slots:
                parts += slot.parts
                slots.append(Slot(
                    name=slot.name, place=slot.place, form=slot.form,
                    ranges=tuple(ValueRange(low=p.value, high=p.value) for p in slot.parts)))
            ways.append(Way(name=fitted.name, driver=fitted.driver, slots=tuple(slots)))
        loads = {d.name: d.impedance for d in problem.drivers}
        self.bank = LadderBank(Topology(ways=tuple(ways)), problem.frequency_hz,
                               [loads[way.driver] for way in ways])
        self.labels = [f"{ways[g.way].name}.{g.name}" for g in self.bank.genes]
        for label in tolerances:
            if label not in self.labels:
                raise InputError("a tolerance must name a part of the network", value=label,
                                 key="tolerances", remedy=f"use one of {', '.join(self.labels)}")
        self.tolerance: Real = np.array(
            [tolerances.get(label, part.tolerance)
             for label, part in zip(self.labels, parts, strict=True)])
        self.nominal = Population(
            values=np.array([[p.value for p in parts]]).reshape(1, len(parts)),
            loss_ohm=np.array([[p.loss_ohm for p in parts]]).reshape(1, len(parts)),
            present=np.ones((1, len(self.bank.slots)), dtype=bool),
            polarity=np.array([[float(w.polarity) for w in network.ways]]))
        self.parts = parts
        self.economy = network_economy(problem, network)
        goal = next((g for g in problem.evaluator.goals if g.name == "on_axis"), None)
        f = problem.frequency_hz
        inside = np.ones(len(f), dtype=bool)
        if goal is not None and hasattr(goal, "index"):
            inside[:] = False
            inside[goal.index] = True
        self.inside = inside

    def evaluate(self, factor: Real, level_db: Real) -> tuple[dict[str, Real], dict[str, Real]]:
        """Level of every curve, (N, F), and figure of every goal, (N,), of some draws."""
        levels: dict[str, list[Real]] = {}
        figures: dict[str, list[Real]] = {}
        for start in range(0, len(factor), _BLOCK):
            part = slice(start, start + _BLOCK)
            count = len(factor[part])
            population = Population(
                values=self.nominal.values * factor[part],
                loss_ohm=self.nominal.loss_ohm.repeat(count, axis=0),
                present=self.nominal.present.repeat(count, axis=0),
                polarity=self.nominal.polarity.repeat(count, axis=0))
            solved = self.bank.solve(population)
            gain = 10.0 ** (level_db[part] / 20.0)
            transfer = [h * gain[:, d, None] if level_db.any() else h
                        for d, h in enumerate(solved.transfer)]
            shown = Curves(self.problem.report_field, transfer, solved.admittance)
            for name in shown.field.names:
                levels.setdefault(name, []).append(shown.level_db(name))
            levels.setdefault(IMPEDANCE, []).append(shown.impedance_db)
            wanted = Curves(self.problem.evaluator.field, transfer, solved.admittance)
            # What the drivers stand depends on the voltage, not on how loud they play.
            driven = (Curves(self.problem.evaluator.field, solved.transfer, solved.admittance)
                      if level_db.any() else wanted)
            total = np.full(count, self.economy)
            for goal in self.problem.evaluator.goals:
                residual = goal.residuals(wanted if goal.curve_names else driven)
                figure = np.sqrt(np.einsum("...n,...n->...", residual, residual))
                figure = np.broadcast_to(figure, (count,))
                figures.setdefault(goal.name, []).append(figure)
                total = total + figure * (HARD_COST_PER_DB if goal.hard else goal.weight)
            figures.setdefault("cost", []).append(total)
        joined = {name: np.concatenate(rows) for name, rows in levels.items()}
        if "listening_window" in joined:
            for index, other in (("directivity_index", "sound_power"),
                                 ("early_reflections_index", "early_reflections")):
                joined[index] = joined["listening_window"] - joined[other]
        joined[IMPEDANCE] = joined.pop(IMPEDANCE)
        return joined, {name: np.concatenate(rows) for name, rows in figures.items()}

    def differentiate(self) -> _Slopes:
        """Exact first derivatives of every curve and of the cost."""
        solved, tangents = self.bank.solve_with_tangents(self.nominal, _LAWS)
        count, ways = len(self.labels), len(self.bank.ways)
        columns = [np.append(own, count + w) for w, own in enumerate(tangents.genes)]
        # One dB of a driver's level multiplies its pressure by 10^(1/20).
        per_db = np.log(10.0) / 20.0
        transfer = [np.concatenate([dh, per_db * h[:, None]], axis=1)
                    for dh, h in zip(tangents.transfer, solved.transfer, strict=True)]
        admittance = [np.concatenate([dy, np.zeros_like(dy[:, :1])], axis=1)
                      if dy.shape[1] else np.zeros_like(solved.admittance)[:, None]
                      for dy in tangents.admittance]

        def derive(field: Field) -> tuple[Curves, CurveTangents]:
            curves = Curves(field, solved.transfer, solved.admittance)
            return curves, CurveTangents(curves, columns, count + ways, transfer, admittance)

        _, shown = derive(self.problem.report_field)
        level = {name: shown.level_db(name)[0] for name in self.problem.report_field.names}
        if "listening_window" in level:
            level["directivity_index"] = level["listening_window"] - level["sound_power"]
            level["early_reflections_index"] = (
                level["listening_window"] - level["early_reflections"])
        level[IMPEDANCE] = shown.impedance_db[0]
        curves, wanted = derive(self.problem.evaluator.field)
        cost = np.zeros(count + ways)
        for goal in self.problem.evaluator.goals:
            residual = goal.residuals(curves)[0]
            figure = float(np.sqrt(residual @ residual))
            if figure > 0.0:
                weight = HARD_COST_PER_DB if goal.hard else goal.weight
                cost += weight * (goal.tangents(curves, wanted)[0] @ residual) / figure
        return _Slopes(level=level, cost=cost)


def _band(name: str, nominal_db: Real, levels: Real, foretold_db: Real) -> CurveBand:
    # Sorting runs along contiguous memory this way round, five times as fast.
    low, high = np.percentile(np.ascontiguousarray(levels.T), PERCENTILES, axis=1)
    return CurveBand(name=name, nominal_db=nominal_db, low_db=low, high_db=high,
                     deviation_db=levels.std(axis=0), foretold_db=foretold_db)


def _figure(problem: Problem, name: str, nominal: float, values: Real) -> GoalSpread:
    unit = next((g.unit for g in problem.evaluator.goals if g.name == name), "")
    low, high = np.percentile(values, PERCENTILES)
    return GoalSpread(name=name, unit=unit, nominal=float(nominal), mean=float(values.mean()),
                      low=float(low), high=float(high))


def _share_out(
    board: _Board, slopes: _Slopes, spread: Real, driver_level_db: float
) -> tuple[PartShare, ...]:
    """Share of each source in the variance of the on-axis level, the largest first."""
    moved = slopes.level["on_axis"][:, board.inside] * spread[:, None]
    variance = (moved**2).mean(axis=1)
    total = float(variance.sum()) or 1.0
    names = [*board.labels, *(f"{w.name} (level)" for w in board.bank.topology.ways)]
    limits = [*board.tolerance, *[driver_level_db] * len(board.bank.ways)]
    order = [k for k in np.argsort(-variance, kind="stable")
             if k < len(board.labels) or driver_level_db > 0.0]
    return tuple(
        PartShare(label=names[k], tolerance=float(limits[k]), share=float(variance[k]) / total,
                  rms_db=float(np.sqrt(variance[k])),
                  cost_slope=float(slopes.cost[k]) * (0.01 if k < len(board.labels) else 1.0))
        for k in order)


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


def _compare_sides(levels: Real, inside: NDArray[np.bool_]) -> PairSpread:
    """Take the first half of the draws as left speakers and the second as right ones."""
    half = len(levels) // 2
    difference = levels[:half] - levels[half:2 * half]
    rms = np.sqrt((difference[:, inside] ** 2).mean(axis=1))
    return PairSpread(
        median_rms_db=float(np.median(rms)), high_rms_db=float(np.percentile(rms, PERCENTILES[1])),
        high_db=np.percentile(np.abs(difference.T), PERCENTILES[1], axis=1))
