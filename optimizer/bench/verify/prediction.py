"""Predicted measurements of many faulty networks at once, with their slopes for part values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Index, Real
from optimizer.bench.verify.faults import Fault, list_parts
from optimizer.network.expression.immittance import part_impedance
from optimizer.network.ladder import Network
from optimizer.network.solve import LadderSection, sections_of
from optimizer.parts import Part
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
        by_name = {d.name: d for d in problem.drivers}
        drivers = [[dict(f.drivers).get(w.name, w.driver) for w in network.ways] for f in faults]
        rows = [o.row for o in observations if o.kind == "level"]
        self.rows = sorted(set(rows))
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
        self.sections: list[list[tuple[LadderSection, list[int]]]] = []
        for way in network.ways:
            steps = []
            for slot in way.slots:
                first = self.keys.index((way.name, slot.name, 0))
                steps += [
                    (section, [first + i for i in indices])
                    for section, indices in sections_of(slot.circuit)
                ]
            self.sections.append(steps)
        self.way_of = [
            next(w for w, way in enumerate(network.ways) if way.name == key[0]) for key in self.keys
        ]
        self.parts = [[f.parts.get(key, self.listed[key][1]) for key in self.keys] for f in faults]
        self.unknowns: list[Unknown] = []
        for g, (_, part) in enumerate(self.listed.values()):
            spread = max(_LEAST_SPREAD, part.tolerance / tolerance_sigmas)
            self.unknowns.append(Unknown(part=g, of_loss=False, spread=spread))
            if part.kind == "inductor" and part.loss_ohm > 0.0:
                self.unknowns.append(Unknown(part=g, of_loss=True, spread=RESISTANCE_SPREAD))
        self.count = len(self.unknowns)

    def chosen(self, index: Sequence[int]) -> FaultBank:
        """Return the bank with some of its faults only."""
        return FaultBank(
            self.problem,
            self.network,
            [self.faults[i] for i in index],
            self.observations,
            tolerance_sigmas=self.tolerance_sigmas,
        )

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
        ways = [self._walk(w, impedance) for w in range(len(self.load))]
        total: Complex = np.sum([y for _, y in ways], axis=0)
        voice = [self._voice(w, h) for w, (h, _) in enumerate(ways)]
        pressure: Complex = np.sum(voice, axis=0)
        value = self._observe(np.log(_safe(pressure)), -np.log(_safe(total)))
        slope = np.zeros((len(self.faults), self.count if slopes else 0, value.shape[1]))
        for k, unknown in enumerate(self.unknowns if slopes else ()):
            w = self.way_of[unknown.part]
            step = np.zeros(self.count)
            step[k] = _STEP
            moved = list(impedance)
            moved[unknown.part] = self._part_impedances(unknown.part, shift + step)
            h, y = self._walk(w, moved)
            d_pressure = (self._voice(w, h) - voice[w]) / _safe(pressure) / _STEP
            d_admittance = (y - ways[w][1]) / _safe(total) / _STEP
            slope[:, k] = self._observe(d_pressure, -d_admittance)
        return value, slope

    def _impedances(self, shift: Real) -> list[Complex]:
        return [self._part_impedances(g, shift) for g in range(len(self.keys))]

    def _part_impedances(self, g: int, shift: Real) -> Complex:
        """Impedance of one part in each network, shape (P, F)."""
        moves = {u.of_loss: shift[:, k] for k, u in enumerate(self.unknowns) if u.part == g}
        column: list[Part] = [parts[g] for parts in self.parts]
        value = np.array([p.value for p in column]) * np.exp(moves[False])
        loss = np.array([p.loss_ohm for p in column])
        if True in moves:
            loss = loss * np.exp(moves[True])
        out = np.empty((len(column), len(self.omega)), dtype=np.complex128)
        kinds = np.array([p.kind for p in column])
        for kind in set(kinds.tolist()):
            mine = kinds == kind
            out[mine] = part_impedance(kind, value[mine], loss[mine], self.omega)
        return out

    def _walk(self, w: int, impedance: Sequence[Complex]) -> tuple[Complex, Complex]:
        """Transfer without sign and admittance of one way in each network, each (P, F)."""
        current: Complex = self.load[w]
        voltage: Complex = np.ones_like(current)
        for section, parts in reversed(self.sections[w]):
            x = section.immittance([impedance[g] for g in parts])
            if section.place == "series":
                voltage = voltage + x * current
            else:
                current = current + x * voltage
        return 1.0 / voltage, current / voltage

    def _voice(self, w: int, transfer: Complex) -> Complex:
        """Pressure of one way in the observed directions, shape (P, A, F)."""
        return np.asarray((self.sign[:, w, None] * transfer)[:, None] * self.pressure[w])

    def _observe(self, pressure: Complex, impedance: Complex) -> Real:
        """Pick what is observed out of logarithms (or their derivatives)."""
        out = []
        for o in self.observations:
            if o.kind == "level":
                out.append(DB * pressure[:, self.rows.index(o.row)].real[:, o.index])
            elif o.kind == "modulus":
                out.append(DB * impedance.real[:, o.index])
            else:
                out.append(np.degrees(impedance.imag[:, o.index]))
        return np.concatenate(out, axis=-1)


def _safe(value: Complex) -> Complex:
    """Keep a logarithm finite where a network is silent."""
    return np.asarray(np.where(np.abs(value) < 1e-12, 1e-12, value))
