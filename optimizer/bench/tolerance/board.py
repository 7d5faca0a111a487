"""A finished network on the bench: every part may deviate from what is printed on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.acoustics.averages import INDICES
from optimizer.acoustics.curves import Curves, CurveTangents, Field
from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.goals.goal import Prepared
from optimizer.goals.prepared import HARD_COST_PER_DB
from optimizer.network.bank import LadderBank, LossLaws, Population
from optimizer.network.network import FittedGroup, FittedWay, Network
from optimizer.network.topology import Group, Slot, Topology, ValueRange, Way
from optimizer.parts import KINDS
from optimizer.problem.figures import network_economy
from optimizer.problem.problem import Problem

IMPEDANCE = "impedance"
"""Name of the input impedance among the curves; its level is 20 log10 of the ohms."""

_BLOCK = 64  # networks worked on at once: their arrays stay in a second-level cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Slopes:
    """Derivatives by the log value of each part, then by each driver's level in dB.

    Parameters
    ----------
    level : dict of str to ndarray, shape (N, F)
        Of each curve in dB.
    cost : ndarray, shape (N,)
    """

    level: dict[str, Real]
    cost: Real


def _free(network: Network) -> Topology:
    """Topology of a network all of whose parts may change."""

    def slots(ladder: FittedWay | FittedGroup) -> tuple[Slot, ...]:
        return tuple(
            Slot(
                name=slot.name,
                place=slot.place,
                form=slot.form,
                across=slot.across,
                ranges=tuple(ValueRange(low=p.value, high=p.value) for p in slot.parts),
            )
            for slot in ladder.slots
        )

    return Topology(
        ways=tuple(Way(name=w.name, driver=w.driver, slots=slots(w)) for w in network.ways),
        groups=tuple(
            Group(name=g.name, members=g.members, joint=g.joint, slots=slots(g))
            for g in network.groups
        ),
        source=network.source,
    )


def _still(values: Real) -> Real:
    return np.zeros_like(values)


_LAWS: LossLaws = dict.fromkeys(KINDS, _still)


class Board:
    """A network with all its parts free, on the problem's grid.

    Parameters
    ----------
    problem : Problem
        Drivers and goals.
    network : Network
        Any network with the problem's ways.
    tolerances : mapping of str to float
        Tolerance by part label, in place of that of the part.

    Attributes
    ----------
    labels : list of str
        "tweeter.C1", one for each part.
    parts : list of Part
    tolerance : ndarray, shape (N,)
    inside : ndarray of bool, shape (F,)
        Band of the on-axis goal; everything where there is none.

    Raises
    ------
    InputError
        When a tolerance names a part that is not there.
    """

    def __init__(self, problem: Problem, network: Network, tolerances: Mapping[str, float]) -> None:
        self.problem = problem
        parts = list(network.parts)
        free = _free(network)
        loads = {d.name: d.impedance for d in problem.drivers}
        self.bank = LadderBank(
            free, problem.frequency_hz, [loads[way.driver] for way in network.ways]
        )
        self.labels = [f"{free.ladders[g.ladder].name}.{g.name}" for g in self.bank.genes]
        for label in tolerances:
            if label not in self.labels:
                raise InputError(
                    "a tolerance must name a part of the network",
                    value=label,
                    subject=Subject("spread", part="tolerances"),
                    remedy=f"use one of {', '.join(self.labels)}",
                )
        self.tolerance: Real = np.array(
            [
                tolerances.get(label, part.tolerance)
                for label, part in zip(self.labels, parts, strict=True)
            ]
        )
        self.nominal = Population(
            values=np.array([[p.value for p in parts]]).reshape(1, len(parts)),
            loss_ohm=np.array([[p.loss_ohm for p in parts]]).reshape(1, len(parts)),
            present=np.ones((1, len(self.bank.slots)), dtype=bool),
            polarity=np.array([[float(w.polarity) for w in network.ways]]),
        )
        self.parts = parts
        self.economy = network_economy(problem, network)
        goal = next((g for g in problem.evaluator.goals if g.name == "on_axis"), None)
        f = problem.frequency_hz
        inside = np.ones(len(f), dtype=bool)
        if isinstance(goal, Prepared):
            inside[:] = False
            inside[goal.index] = True
        self.inside = inside

    def evaluate(self, factor: Real, level_db: Real) -> tuple[dict[str, Real], dict[str, Real]]:
        """Level of every curve, (N, F), and figure of every goal, (N,), of some speakers.

        Parameters
        ----------
        factor : ndarray, shape (N, parts)
            Value of each part relative to the nominal one.
        level_db : ndarray, shape (N, ways)
            Deviation of each driver in level.
        """
        levels: dict[str, list[Real]] = {}
        figures: dict[str, list[Real]] = {}
        for start in range(0, len(factor), _BLOCK):
            part = slice(start, start + _BLOCK)
            count = len(factor[part])
            solved = self.bank.solve(self._vary(factor[part]))
            gain = 10.0 ** (level_db[part] / 20.0)
            transfer = [
                h * gain[:, d, None] if level_db.any() else h for d, h in enumerate(solved.transfer)
            ]
            shown = Curves(self.problem.report_field, transfer, solved.admittance)
            for name in shown.field.names:
                levels.setdefault(name, []).append(shown.level_db(name))
            levels.setdefault(IMPEDANCE, []).append(shown.impedance_db)
            wanted = Curves(self.problem.evaluator.field, transfer, solved.admittance)
            # What the drivers stand depends on the voltage, not on how loud they play.
            driven = (
                Curves(self.problem.evaluator.field, solved.transfer, solved.admittance)
                if level_db.any()
                else wanted
            )
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
            for index, other in INDICES.items():
                joined[index] = joined["listening_window"] - joined[other]
        joined[IMPEDANCE] = joined.pop(IMPEDANCE)
        return joined, {name: np.concatenate(rows) for name, rows in figures.items()}

    def _vary(self, factor: Real) -> Population:
        """Speakers whose parts have these values relative to the nominal ones."""
        count = len(factor)
        return Population(
            values=self.nominal.values * factor,
            loss_ohm=self.nominal.loss_ohm.repeat(count, axis=0),
            present=self.nominal.present.repeat(count, axis=0),
            polarity=self.nominal.polarity.repeat(count, axis=0),
        )

    def respond(self, factor: Real) -> tuple[Complex, Complex]:
        """Pressure on the axis and input impedance of some speakers.

        Parameters
        ----------
        factor : ndarray, shape (N, parts)
            Value of each part relative to the nominal one.

        Returns
        -------
        pressure, impedance : ndarray, shape (N, F), complex
        """
        solved = self.bank.solve(self._vary(factor))
        axis = self.problem.axis
        pressure = sum(h * self.problem.pressure[d, axis] for d, h in enumerate(solved.transfer))
        return np.asarray(pressure), np.asarray(1.0 / solved.admittance)

    def differentiate(self) -> Slopes:
        """Exact first derivatives of every curve and of the cost."""
        solved, tangents = self.bank.solve_with_tangents(self.nominal, _LAWS)
        count, ways = len(self.labels), len(self.bank.topology.ways)
        # One dB of a driver's level multiplies its pressure by 10^(1/20).
        per_db = np.log(10.0) / 20.0
        by_part, load = tangents.into(np.arange(count))
        transfer = [
            (np.append(own, count + w), np.concatenate([dh, per_db * h[:, None]], axis=1))
            for w, ((own, dh), h) in enumerate(zip(by_part, solved.transfer, strict=True))
        ]

        def derive(field: Field) -> tuple[Curves, CurveTangents]:
            curves = Curves(field, solved.transfer, solved.admittance)
            return curves, CurveTangents(curves, count + ways, transfer, load)

        _, shown = derive(self.problem.report_field)
        level = {name: shown.level_db(name)[0] for name in self.problem.report_field.names}
        if "listening_window" in level:
            for index, other in INDICES.items():
                level[index] = level["listening_window"] - level[other]
        level[IMPEDANCE] = shown.impedance_db[0]
        curves, wanted = derive(self.problem.evaluator.field)
        cost = np.zeros(count + ways)
        for goal in self.problem.evaluator.goals:
            residual = goal.residuals(curves)[0]
            figure = float(np.sqrt(residual @ residual))
            if figure > 0.0:
                weight = HARD_COST_PER_DB if goal.hard else goal.weight
                cost += weight * (goal.tangents(curves, wanted)[0] @ residual) / figure
        return Slopes(level=level, cost=cost)
