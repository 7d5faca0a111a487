"""Predicted measurements of many faulty networks at once, with their slopes for part values."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np

from optimizer.arrays import Complex, Index, Real
from optimizer.bench.verify.faults import Fault, list_connected, list_parts
from optimizer.network.expression.immittance import branch_immittance, part_impedance
from optimizer.network.expression.ladders import from_network
from optimizer.network.expression.nodes import IDEAL
from optimizer.network.expression.plan import NetworkPlan, Step
from optimizer.network.expression.walk import Number, Walk
from optimizer.network.network import Network
from optimizer.parts import Kind, Part
from optimizer.problem.problem import Problem
from optimizer.text.brief import brief

DB = 20.0 / np.log(10.0)
RESISTANCE_SPREAD = 0.10
"""Spread of the winding resistance of coils around what is stated (common practice, no source)."""

_LEAST_SPREAD = 0.005
_STEP = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One measured curve, aligned to the grid of the problem.

    Parameters
    ----------
    kind : {"level", "modulus", "angle"}
        dB of a response, dB of an impedance (20 log10 of ohm), degrees of an impedance.
    row : int
        Direction of a response among those of the problem; -1 for an impedance.
    index : ndarray of int, shape (N,)
        Grid points that were measured.
    value : ndarray, shape (N,)
        What was measured there.
    noise : float
        Expected error of each point, in the unit of `value`.
    source : str
        File it came from.
    """

    kind: Literal["level", "modulus", "angle"]
    row: int
    index: Index
    value: Real
    noise: float
    source: str = ""

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """One number that no measurement is exact about: a value or a winding resistance.

    Parameters
    ----------
    part : int
        Index of the part.
    of_loss : bool
        Whether it is the loss rather than the value.
    spread : float
        Standard deviation of its logarithm.
    """

    part: int
    of_loss: bool
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Branch:
    """What hangs on the amplifier by itself: its plan, its ways, and its first part of all.

    `ratios` are those of transformers that not all networks have alike, see `_FaultyWalk`.
    """

    plan: NetworkPlan
    ways: tuple[int, ...]
    first: int
    ratios: Mapping[int, Real]


@dataclass(frozen=True, kw_only=True)
class _Column:
    """One part in each network: values and losses, shape (P,), and kinds."""

    value: Real
    loss_ohm: Real
    kinds: tuple[Kind, ...]

    @classmethod
    def of(cls, parts: Sequence[Part]) -> _Column:
        return cls(
            value=np.array([part.value for part in parts]),
            loss_ohm=np.array([part.loss_ohm for part in parts]),
            kinds=tuple(part.kind for part in parts),
        )

    def chosen(self, rows: Index) -> _Column:
        """Return the same part in some of the networks."""
        kinds = tuple(self.kinds[i] for i in rows)
        return _Column(value=self.value[rows], loss_ohm=self.loss_ohm[rows], kinds=kinds)

    @cached_property
    def rows_of_kind(self) -> Mapping[Kind, Index]:
        """Which networks have which kind here."""
        kinds = np.array(self.kinds)
        return {kind: np.flatnonzero(kinds == kind) for kind in set(self.kinds)}


class _FaultyWalk(Walk):
    """A walk of networks whose transformers are not all wired alike.

    Parameters
    ----------
    ratios : mapping of int to ndarray, shape (P, 1)
        Volts before over volts after those, by number of their step.
    """

    def __init__(self, ratios: Mapping[int, Real], *args: Any, **options: Any) -> None:
        self.ratios = ratios
        super().__init__(*args, **options)

    def ratio_of(self, step: Step) -> Number:
        return self.ratios.get(step.index, step.ratio)


class _Feed:
    """Immittances of steps from the impedances of their parts, each (P, F)."""

    def __init__(self, impedance: Sequence[Complex]) -> None:
        self.impedance = impedance

    def step(self, step: Step) -> Complex:
        want: Literal["z", "y"] = "z" if step.kind == "series" else "y"
        first, *others = (
            branch_immittance(b, self.impedance.__getitem__, want) for b in step.branches
        )
        assert first is not None
        for x in others:
            assert x is not None
            first = first + x
        return first

    def begin(self, step: Step, driver: int) -> None:
        return None


class FaultBank:
    """A network with each of some faults, ready to predict what is measured.

    Parameters
    ----------
    problem, network
        The design.
    faults : sequence of Fault
        One for each member P.
    observations : sequence of Observation
        What is predicted.
    tolerance_sigmas : float
        How many standard deviations the stated tolerance of a part is.
    """

    def __init__(
        self,
        problem: Problem,
        network: Network,
        faults: Sequence[Fault],
        observations: Sequence[Observation],
        *,
        tolerance_sigmas: float = 2.0,
    ) -> None:
        self.problem, self.network = problem, network
        self.tolerance_sigmas = tolerance_sigmas
        self.faults, self.observations = tuple(faults), tuple(observations)
        self.omega = 2.0 * np.pi * problem.frequency_hz
        self.listed = list_parts(network)
        self.keys = list(self.listed)
        by_name = list_connected(problem.drivers)
        drivers = [[dict(f.drivers).get(w.name, w.driver) for w in network.ways] for f in faults]
        rows = [o.row for o in observations if o.kind == "level"]
        self.rows = sorted(set(rows))
        self.points = [_points(o.index) for o in observations]
        self.load = [
            np.array([1.0 / by_name[names[w]].impedance for names in drivers])
            for w in range(len(network.ways))
        ]
        self.pressure = [
            np.array([by_name[names[w]].pressure[self.rows] for names in drivers])
            for w in range(len(network.ways))
        ]
        self.sign = np.array(
            [
                [
                    -float(w.polarity) if w.name in f.turned else float(w.polarity)
                    for w in network.ways
                ]
                for f in faults
            ]
        )
        self.branches: list[_Branch] = []
        names = [way.name for way in network.ways]
        first = 0
        for top in network.branches:
            plan = NetworkPlan(from_network(network, top.name), names)
            own = tuple(names.index(leaf.name) for leaf in plan.drivers)
            ratios = self._ratios(plan)
            self.branches.append(_Branch(plan=plan, ways=own, first=first, ratios=ratios))
            first += len(plan.leaves)
        self.branch_of = [b for b, one in enumerate(self.branches) for _ in one.plan.leaves]
        self.columns = [
            _Column.of([f.parts.get(key, self.listed[key][1]) for f in faults]) for key in self.keys
        ]
        self.unknowns: list[Unknown] = []
        for g, (_, part) in enumerate(self.listed.values()):
            spread = max(_LEAST_SPREAD, part.tolerance / tolerance_sigmas)
            self.unknowns.append(Unknown(part=g, of_loss=False, spread=spread))
            if part.kind == "inductor" and part.loss_ohm > 0.0:
                self.unknowns.append(Unknown(part=g, of_loss=True, spread=RESISTANCE_SPREAD))
        self.count = len(self.unknowns)
        self.unknowns_of = [
            {u.of_loss: k for k, u in enumerate(self.unknowns) if u.part == g}
            for g in range(len(self.keys))
        ]

    def _ratios(self, plan: NetworkPlan) -> dict[int, Real]:
        """Ratios of the transformers that a fault rewires, by number of their step."""
        gains = [{".".join(at): gain for at, gain in f.gains.items()} for f in self.faults]
        return {
            step.index: 1.0 / np.array([[own.get(step.tap.name, step.tap.gain)] for own in gains])
            for step in plan.steps
            if step.tap is not None and any(step.tap.name in own for own in gains)
        }

    def chosen(self, index: Sequence[int]) -> FaultBank:
        """Return the bank with some of its faults only, each as often as it is named."""
        rows = np.asarray(index, dtype=np.intp)
        some = copy.copy(self)  # the network and what floats are the same
        some.faults = tuple(self.faults[i] for i in rows)
        some.load = [load[rows] for load in self.load]
        some.pressure = [pressure[rows] for pressure in self.pressure]
        some.sign = self.sign[rows]
        some.columns = [column.chosen(rows) for column in self.columns]
        some.branches = [
            replace(one, ratios={at: ratio[rows] for at, ratio in one.ratios.items()})
            for one in self.branches
        ]
        return some

    def predict(self, shift: Real, *, slopes: bool = True) -> tuple[Real, Real]:
        """Predict all observations.

        Parameters
        ----------
        shift : ndarray, shape (P, K)
            Logarithms by which the unknowns are off.
        slopes : bool
            False leaves the derivatives out, at a fraction of the time.

        Returns
        -------
        value : ndarray, shape (P, N)
            All observations one after the other.
        slope : ndarray, shape (P, K, N)
            Derivatives with respect to the shifts.
        """
        impedance = self._impedances(shift)
        branches = [self._walk(b, impedance) for b in range(len(self.branches))]
        total: Complex = np.sum([y for _, y in branches], axis=0)
        voice = [self._voices(b, transfer) for b, (transfer, _) in enumerate(branches)]
        source = self.network.source
        # A source with resistance scales all drives alike, and the amplifier sees the cable too.
        drive, seen = 1.0 + source.ohm * total, total / (1.0 + source.cable_ohm * total)
        pressure: Complex = np.sum(voice, axis=0)
        value = self._observe(np.log(_safe(pressure / drive[:, None])), -np.log(_safe(seen)))
        slope = np.zeros((len(self.faults), self.count if slopes else 0, value.shape[1]))
        per_pressure = 1.0 / (_safe(pressure) * _STEP)
        per_admittance = -1.0 / (_safe(total) * (1.0 + source.cable_ohm * total) * _STEP)
        for k, unknown in enumerate(self.unknowns if slopes else ()):
            b = self.branch_of[unknown.part]
            step = np.zeros(self.count)
            step[k] = _STEP
            moved = list(impedance)
            moved[unknown.part] = self._part_impedances(unknown.part, shift + step)
            transfer, y = self._walk(b, moved)
            change = y - branches[b][1]
            d_pressure = (self._voices(b, transfer) - voice[b]) * per_pressure
            if source.ohm:
                d_pressure = d_pressure - (source.ohm / _STEP * change / drive)[:, None]
            slope[:, k] = self._observe(d_pressure, change * per_admittance)
        return value, slope

    def _impedances(self, shift: Real) -> list[Complex]:
        return [self._part_impedances(g, shift) for g in range(len(self.keys))]

    def _part_impedances(self, g: int, shift: Real) -> Complex:
        """Impedance of one part in each network, shape (P, F)."""
        column, moved = self.columns[g], self.unknowns_of[g]
        value = column.value * np.exp(shift[:, moved[False]])
        loss = column.loss_ohm
        if True in moved:
            loss = loss * np.exp(shift[:, moved[True]])
        if len(column.rows_of_kind) == 1:
            (kind,) = column.rows_of_kind
            return part_impedance(kind, value, loss, self.omega)
        out = np.empty((len(value), len(self.omega)), dtype=np.complex128)
        for kind, mine in column.rows_of_kind.items():
            out[mine] = part_impedance(kind, value[mine], loss[mine], self.omega)
        return out

    def _walk(self, b: int, impedance: Sequence[Complex]) -> tuple[list[Complex], Complex]:
        """Transfers without sign, and the admittance, of one branch in each network, each (P, F)."""
        branch = self.branches[b]
        own = impedance[branch.first : branch.first + len(branch.plan.leaves)]
        load = [self.load[w] for w in branch.ways]
        walked = _FaultyWalk(
            branch.ratios,
            branch.plan,
            _Feed(own),
            load,
            IDEAL,
            load[0].shape,
            [1.0] * len(load),
            keep=True,  # the loads are read again
        )
        return [np.asarray(h) for h in walked.transfer], np.asarray(walked.admittance)

    def _voices(self, b: int, transfer: Sequence[Complex]) -> Complex:
        """Pressure of a branch in the observed directions, shape (P, A, F)."""
        heard = [
            (self.sign[:, w, None] * h)[:, None] * self.pressure[w]
            for w, h in zip(self.branches[b].ways, transfer, strict=True)
        ]
        return heard[0] if len(heard) == 1 else np.asarray(np.sum(heard, axis=0))

    def _observe(self, pressure: Complex, impedance: Complex) -> Real:
        """Pick what is observed out of logarithms (or their derivatives)."""
        out = []
        for o, points in zip(self.observations, self.points, strict=True):
            if o.kind == "level":
                out.append(DB * pressure[:, self.rows.index(o.row)].real[:, points])
            elif o.kind == "modulus":
                out.append(DB * impedance.real[:, points])
            else:
                out.append(np.degrees(impedance.imag[:, points]))
        return np.concatenate(out, axis=-1)


def _points(index: Index) -> Index | slice:
    """Points as a slice where they follow one another: that picks without a copy."""
    first, last = int(index[0]), int(index[-1])
    return slice(first, last + 1) if np.array_equal(index, np.arange(first, last + 1)) else index


def _safe(value: Complex) -> Complex:
    """Keep a logarithm finite where a network is silent."""
    return np.asarray(np.where(np.abs(value) < 1e-12, 1e-12, value))
