"""Drivers x topology x stock x goals, frozen, all arrays prepared: the only place they meet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.acoustics.averages import Average, Reading, direction_averages, named_averages
from optimizer.acoustics.curves import Curves, CurveTangents, Field
from optimizer.arrays import Complex, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.goals import GoalSet, PreparedGoal, Scene
from optimizer.goals.economy import removal_cost
from optimizer.goals.goal import Wanted
from optimizer.goals.prepared import HARD_COST_PER_DB, goal_cost
from optimizer.network.bank import LadderBank, LossLaw, Population
from optimizer.network.ladder import Slot, Topology
from optimizer.parts import KINDS, Kind
from optimizer.problem.space import Genome, Space, gene_options
from optimizer.text.brief import clip

if TYPE_CHECKING:
    from optimizer.measure.driver import Driver
    from optimizer.problem.tables import Tables
    from optimizer.stock.stock import Stock


_BLOCK = 64  # networks evaluated at once: their arrays stay in a second-level cache
SMOOTH_DB = 0.01
SMOOTH_HARD_DB = 0.3


class Evaluator:
    """From part values to costs on one frequency grid.

    Parameters
    ----------
    bank : LadderBank
        Electrical side.
    field : Field
        Acoustic side: the curves that the goals use.
    goals : sequence of PreparedGoal
        Prepared on the same grid.
    """

    def __init__(self, bank: LadderBank, field: Field, goals: Sequence[PreparedGoal]) -> None:
        self.bank = bank
        self.field = field
        self.goals = tuple(goals)

    def thinned(self, index: Index, *, bound: bool) -> Evaluator:
        """Return the evaluator on a subset of the grid, see `PreparedGoal.thinned`."""
        return Evaluator(
            self.bank.thinned(index),
            self.field.thinned(index),
            [g.thinned(index, bound=bound) for g in self.goals],
        )

    def curves(self, population: Population) -> Curves:
        """Curves of a population."""
        solved = self.bank.solve(population)
        return Curves(self.field, solved.transfer, solved.admittance)

    def cost_of_curves(self, curves: Curves) -> Real:
        """Sum of the goals' costs, shape (...)."""
        total: Real | None = None
        for goal in self.goals:
            cost = goal_cost(goal, goal.residuals(curves))
            total = cost if total is None else total + cost
        assert total is not None
        # A network so far off that its numbers overflow is simply a bad one.
        return np.where(np.isfinite(total), total, np.inf)

    def cost(self, population: Population) -> Real:
        """Cost of a population without its economy, shape (P,)."""
        return np.concatenate(
            [
                self.cost_of_curves(self.curves(population[s : s + _BLOCK]))
                for s in range(0, len(population), _BLOCK)
            ]
        )

    def linearise(
        self,
        population: Population,
        loss_laws: dict[Kind, LossLaw],
        columns: Index,
        *,
        limits_curve: bool = True,
    ) -> tuple[Real, Real, Real]:
        """Cost, gradient and Gauss-Newton matrix with respect to log values.

        Parameters
        ----------
        population : Population
            Leading axis P.
        loss_laws : dict
            See `LadderBank.solve_with_tangents`.
        columns : ndarray of int, shape (S,)
            Free genes, in the order of the result's axes.
        limits_curve : bool
            Whether hard limits count in the matrix; they always count in the gradient.

        Returns
        -------
        cost : ndarray, shape (P,)
            Smoothed: a figure s counts as sqrt(s^2 + e^2) - e with a small e, or its kink at zero
            would hold a search that touches a limit.
        gradient : ndarray, shape (P, S)
        matrix : ndarray, shape (P, S, S)
            Of the majorising quadratic: w sqrt(m) lies below w (m + s^2) / (2 s) and touches it
            at m = s^2, so each goal counts as least squares with weight w / s.
        """
        solved, tangents = self.bank.solve_with_tangents(population, loss_laws)
        curves = Curves(self.field, solved.transfer, solved.admittance)
        place = np.full(len(self.bank.genes), -1, dtype=np.intp)
        place[columns] = np.arange(len(columns))
        slopes = CurveTangents(
            curves,
            [place[g] for g in tangents.genes],
            len(columns),
            tangents.transfer,
            tangents.admittance,
        )
        p, s = len(population), len(columns)
        cost, gradient = np.zeros(p), np.zeros((p, s))
        matrix = np.zeros((p, s, s))
        for goal in self.goals:
            weight = HARD_COST_PER_DB if goal.hard else goal.weight
            residual = goal.residuals(curves)
            square = np.einsum("pn,pn->p", residual, residual)
            smooth = SMOOTH_HARD_DB if goal.hard else SMOOTH_DB
            figure = np.sqrt(square + smooth**2)
            cost += weight * (figure - smooth)
            if weight == 0.0 or not square.any():
                continue
            jacobian = goal.tangents(curves, slopes)
            scaled = jacobian * (weight / figure)[:, None, None]
            own = np.einsum("psn,pn->ps", scaled, residual)
            gradient += own
            if goal.hard and not limits_curve:
                continue
            matrix += scaled @ jacobian.transpose(0, 2, 1)
            matrix -= own[:, :, None] * own[:, None, :] / (weight * figure)[:, None, None]
        return cost, gradient, matrix


class Problem:
    """A prepared problem; treat as frozen.

    Parameters
    ----------
    title : str
        The speaker.
    drivers : sequence of Driver
        On one grid with the same directions.
    topology : Topology
        Ways name their drivers.
    stock : Stock
        What may fill a slot.
    goals : GoalSet, or mapping of str to Goal, mapping or float
        What is wanted, see `GoalSet.stated`.
    mirror : bool
        Whether the user states left-right symmetry.
    reading : {"bounces", "pooled"}
        How early reflections are averaged.
    notes : sequence of str
        Assumptions made before this point.

    Raises
    ------
    InputError
        When the stock is empty in a range, a goal cannot be computed, or names do not match.
    """

    def __init__(
        self,
        *,
        title: str = "speaker",
        drivers: Sequence[Driver],
        topology: Topology,
        stock: Stock,
        goals: Mapping[str, Wanted],
        mirror: bool = False,
        reading: Reading = "bounces",
        notes: Sequence[str] = (),
    ) -> None:
        self.title = title
        self.drivers = tuple(drivers)
        self.topology = topology
        self.stock = stock
        self.specs = GoalSet.stated(goals)
        by_name = {d.name: d for d in self.drivers}
        for way in topology.ways:
            if way.driver not in by_name:
                raise InputError(
                    "a way must name a driver",
                    subject=Subject("way", way.name, "driver"),
                    value=way.driver,
                    remedy=f"use one of {', '.join(by_name)}",
                )
        of_way = [by_name[w.driver] for w in topology.ways]
        self.frequency_hz = of_way[0].frequency_hz
        self.directions = of_way[0].directions
        self.averages: dict[str, Average] = named_averages(self.directions, mirror, reading=reading)
        self.single_directions = direction_averages(self.directions)
        prepared = self.specs.prepare(
            Scene(
                frequency_hz=self.frequency_hz,
                curves={**self.averages, **self.single_directions},
                ways=[(w.name, d) for w, d in zip(topology.ways, of_way, strict=True)],
            )
        )
        pressure = np.stack([d.pressure for d in of_way])
        used = tuple(dict.fromkeys(n for g in prepared for n in g.curve_names))
        bank = LadderBank(topology, self.frequency_hz, [d.impedance for d in of_way])
        self.evaluator = Evaluator(bank, self._field(used or ("on_axis",), pressure), prepared)
        self.report_field = self._field(tuple(self.averages), pressure)
        self.space = Space(
            topology,
            bank,
            [
                gene_options(
                    g,
                    () if g.kept else stock.options(g.kind, g.low, g.high),
                    self.specs,
                    topology.ways[g.way].name,
                )
                for g in bank.genes
            ],
            stock,
            self._removal_costs(bank.slots),
        )
        self.loss_laws: dict[Kind, LossLaw] = {k: stock.loss_law(k) for k in KINDS}
        self.notes = tuple(notes) + tuple(
            dict.fromkeys(s for n in used if n in self.averages for s in self.averages[n].assumed)
        )

    def __repr__(self) -> str:
        return clip(
            f"<Problem {self.title}: {len(self.drivers)} drivers, {len(self.space.genes)} parts, "
            f"about 10^{self.space.size_log10():.1f} networks, goals {', '.join(self.specs)}>"
        )

    def _removal_costs(self, slots: Sequence[Slot]) -> list[float]:
        return [removal_cost(self.specs, len(slot.kept or ())) for slot in slots]

    def _field(self, names: tuple[str, ...], pressure: Complex) -> Field:
        curves = {**self.single_directions, **self.averages}
        return Field(names, pressure, np.stack([curves[n].weights for n in names]))

    @property
    def estimated(self) -> bool:
        """Whether some directions were estimated from geometry instead of measured."""
        return any(d.estimated for d in self.drivers)

    def thinned(self, points: int, *, bound: bool = False) -> Evaluator:
        """Return the evaluator on about `points` evenly spread grid points.

        Parameters
        ----------
        points : int
            Wanted number.
        bound : bool
            See `PreparedGoal.thinned`.
        """
        f = len(self.frequency_hz)
        if points >= f:
            return self.evaluator
        index = np.unique(np.linspace(0, f - 1, points).round().astype(np.intp))
        return self.evaluator.thinned(index, bound=bound)

    def cost(self, genomes: Sequence[Genome]) -> Real:
        """Full cost of buildable networks, economy included, shape (P,)."""
        economy = self.space.economies(genomes) + self.space.supply.penalties(genomes)
        costs = self.tables.costs(
            np.array([g.choice for g in genomes]),
            np.array([g.present for g in genomes]),
            np.array([g.polarity for g in genomes]),
        )
        return np.asarray(costs + economy)

    @cached_property
    def tables(self) -> Tables:
        """Immittances of every option on the full grid, made when first needed."""
        from optimizer.problem.tables import Tables  # it builds on this module

        return Tables(self.evaluator, self.space)
