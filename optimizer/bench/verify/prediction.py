"""Predicted measurements of many faulty networks at once, with their slopes for part values."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import Any, Literal

import numpy as np

from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.bench.verify.driver_model import (
    DRIVER_QUANTITIES,
    DriverModel,
    DriverQuantity,
    model_driver,
)
from optimizer.bench.verify.faults import Fault, list_connected, list_parts
from optimizer.bench.verify.slopes import BranchCurrents, BranchSlopes, is_plain
from optimizer.errors import InputError, Subject
from optimizer.measure.geometry import SOUND_SPEED_M_S
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
RESISTANCE_SPREAD = 0.12
"""Spread of the winding resistance of coils around what is stated (common practice, no source)."""

JOINT_OHM = 0.03
"""What joints, clips and leads of a sound speaker may add, standard deviation in ohm (common
practice, no source)."""

_DRIVER_SPREADS: dict[DriverQuantity, float] = {
    "re": 0.03, "f0": 0.03, "rms": 0.12, "bl": 0.03, "le": 0.08,
}  # fmt: skip
"""By how much a driver differs from itself on another day and in its final place, standard
deviations of logarithms (common practice, no source)."""

_GAIN_SPREAD_DB = 0.3
_SAME_DRIVER: dict[str, float] = {"bl": 0.02, "gain": 0.2}
"""The same where levels are known, because drivers and speaker were measured alike (common practice,
no source)."""

_TIME_SPREAD_S = 4e-6
_HEIGHT_SPREAD_M = 0.01
_LEAST_SPREAD = 0.005

SESSION_SPREAD_DB = 20.0
"""How far the common level of responses may be off that were measured one after the other."""

_LISTED_ALONE = 1e-6  # spread of what no sound speaker has: it floats only where it is the matter
_NOTICED = 1e-4

UnknownKind = (
    Literal["value", "loss", "sag", "coupling", "gain", "time", "height", "session", "source"]
    | DriverQuantity
)
"""What an unknown is: of a part its value or loss, or by how much the value is another one at the
level of the responses; of two coils their coupling; of a way the level in dB, the delay in s or a
quantity of its driver; the height of the microphone in m, the level that responses have in common
in dB, the resistance before the network."""


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
    way : int
        The way that played alone, all others off; -1 for the whole speaker.
    """

    kind: Literal["level", "modulus", "angle"]
    row: int
    index: Index
    value: Real
    noise: float
    source: str = ""
    way: int = -1

    __repr__ = brief


def place(observations: Sequence[Observation]) -> Iterator[tuple[Observation, slice]]:
    """Yield each observation and where it lies when all stand in one row."""
    start = 0
    for o in observations:
        end = start + len(o.value)
        yield o, slice(start, end)
        start = end


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """One number that may differ from what was designed and measured.

    Parameters
    ----------
    what : str
        What it is, see `UnknownKind`. Values, losses of coils and quantities of drivers are
        logarithms; losses of capacitors and the source are what is added, in ohm.
    index : int
        Number of its part or way; -1 where it has neither.
    where : str
        Name of that part or way.
    spread : float
        Standard deviation before measuring.
    lowest : float
        What it cannot be below: no resistance is negative.
    """

    what: UnknownKind
    index: int
    where: str
    spread: float
    lowest: float = -np.inf


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
    def rising(self) -> Real:
        """Whether the reactance rises with the value (1) or falls (-1), shape (P, 1)."""
        return np.array([-1.0 if kind == "capacitor" else 1.0 for kind in self.kinds])[:, None]

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


@dataclass(frozen=True, kw_only=True)
class _WayLoad:
    """What hangs on one way in each network.

    Parameters
    ----------
    names : tuple of str
        Driver of each network.
    models : mapping of str to DriverModel
        On the grid of the bank.
    pressure : ndarray, shape (P, A, F)
        In the observed directions, sign of the connection included.
    """

    names: tuple[str, ...]
    models: Mapping[str, DriverModel]
    pressure: Complex

    def chosen(self, rows: Index) -> _WayLoad:
        """Return the same way in some of the networks."""
        names = tuple(self.names[i] for i in rows)
        return replace(self, names=names, pressure=self.pressure[rows])

    @cached_property
    def rows_of_driver(self) -> Mapping[str, Index]:
        """Which networks have which driver here."""
        names = np.array(self.names)
        return {name: np.flatnonzero(names == name) for name in dict.fromkeys(self.names)}

    def differ(self, shift: Mapping[DriverQuantity, Real]) -> tuple[Complex, Complex]:
        """Admittance and factor of sound, each (P, F), of drivers that differ by (P,) each."""
        shape = (len(self.names), self.pressure.shape[-1])
        load, factor = (np.empty(shape, dtype=np.complex128) for _ in range(2))
        for name, rows in self.rows_of_driver.items():
            own = {what: value[rows, None] for what, value in shift.items()}
            z, factor[rows] = self.models[name].differ(own)
            load[rows] = 1.0 / z
        return load, factor

    def slopes(
        self, shift: Mapping[DriverQuantity, Real], load: Complex
    ) -> dict[DriverQuantity, tuple[Complex, Complex]]:
        """Slopes of the logarithms of impedance and factor of sound, each (P, F)."""
        out: dict[DriverQuantity, tuple[Complex, Complex]] = {
            what: (np.empty_like(load), np.empty_like(load)) for what in shift
        }
        for name, rows in self.rows_of_driver.items():
            own = {what: value[rows, None] for what, value in shift.items()}
            for what, *both in self.models[name].slopes(own, 1.0 / load[rows]):
                for array, one in zip(out[what], both, strict=True):
                    array[rows] = one
        return out


_HEARD: frozenset[UnknownKind] = frozenset(("gain", "time", "height", "session"))


@dataclass(frozen=True, kw_only=True)
class _Solved:
    """Networks with all unknowns at some shifts, each array (P, F) but for `per_volt` (P, A, F).

    Impedances of parts as they are and with what other coils induce; of each way admittance and
    factor of sound of its driver, its sound for a volt, and its voltage without sign.
    """

    shift: Real
    plain: Sequence[Complex]
    impedance: Sequence[Complex]
    drivers: Sequence[tuple[Complex, Complex]]
    walks: Sequence[Walk]
    per_volt: Sequence[Complex]
    transfer: Mapping[int, Complex]


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
    spread_factor : float
        How much wider all other unknowns spread than in one speaker against its design: the square
        root of 2 for one speaker against another.
    same_level : bool
        Whether responses were measured one after the other with nothing turned in between: then
        their common level floats.
    known_level : bool
        Whether their levels are those of the drivers' own measurements: then these spread less.
    """

    def __init__(
        self,
        problem: Problem,
        network: Network,
        faults: Sequence[Fault],
        observations: Sequence[Observation],
        *,
        tolerance_sigmas: float = 2.0,
        spread_factor: float = 1.0,
        same_level: bool = False,
        known_level: bool = False,
    ) -> None:
        self.same_level, self.known_level = same_level, known_level
        self.problem, self.network = problem, network
        self.tolerance_sigmas, self.spread_factor = tolerance_sigmas, spread_factor
        self.listed = list_parts(network)
        self.keys = list(self.listed)
        self._by_name = list_connected(problem.drivers)
        self._models: dict[str, DriverModel] = {}
        designed = [self._by_name[w.driver] for w in network.ways]
        self.rises_m = [driver.place_m[0] for driver in designed]
        self._plans: list[tuple[NetworkPlan, tuple[int, ...]]] = []
        names = [way.name for way in network.ways]
        for top in network.branches:
            plan = NetworkPlan(from_network(network, top.name), names)
            self._plans.append((plan, tuple(names.index(leaf.name) for leaf in plan.drivers)))
        self.branch_of = [b for b, (plan, _) in enumerate(self._plans) for _ in plan.leaves]
        self.branch_of_way = {w: b for b, (_, own) in enumerate(self._plans) for w in own}
        self.pairs = list(combinations(self._list_coils(), 2))
        self._see(observations)
        self._take(faults)
        self.unknowns = [*self._list_parts(), *self._list_drivers()]
        self.count = len(self.unknowns)
        self.of = {(u.what, u.index): k for k, u in enumerate(self.unknowns)}

    def _see(self, observations: Sequence[Observation]) -> None:
        """Predict these observations, at their frequencies alone."""
        self.observations = tuple(observations)
        self.grid = np.unique(np.concatenate([o.index for o in observations]))
        self.frequency_hz = self.problem.frequency_hz[self.grid]
        self.omega = 2.0 * np.pi * self.frequency_hz
        self.rows = sorted({o.row for o in observations if o.kind == "level"})
        self.points = [_points(np.searchsorted(self.grid, o.index)) for o in observations]
        count = sum(len(o.value) for o in observations)
        for way in {o.way for o in observations} - {-1}:
            self._refuse_shared(way)
        self.heard = np.zeros(count, dtype=bool)
        self.of_mix: dict[int, Flags] = {}
        for o, here in place(observations):
            self.heard[here] = o.kind == "level"
            self.of_mix.setdefault(o.way, np.zeros(count, dtype=bool))[here] = True

    def _refuse_shared(self, way: int) -> None:
        """Refuse a way that cannot play alone as it plays with others."""
        own = self._plans[self.branch_of_way[way]][1]
        if len(own) > 1:
            names = [self.network.ways[w].name for w in own]
            raise InputError(
                "a way that is measured alone shares no part with others",
                subject=Subject("way", names[own.index(way)]),
                value=f"parts shared by {' and '.join(names)}",
                remedy="measure the whole speaker, or leave that file out",
            )

    def _take(self, faults: Sequence[Fault]) -> None:
        """Predict networks with these faults."""
        self.faults = tuple(faults)
        self.loads = [self._load(w) for w in range(len(self.network.ways))]
        self.branches: list[_Branch] = []
        first = 0
        for plan, own in self._plans:
            ratios = self._ratios(plan)
            self.branches.append(_Branch(plan=plan, ways=own, first=first, ratios=ratios))
            first += len(plan.leaves)
        self.columns = [
            _Column.of([f.parts.get(key, self.listed[key][1]) for f in faults]) for key in self.keys
        ]

    def with_faults(self, faults: Sequence[Fault]) -> FaultBank:
        """Return the bank of the same network with other faults."""
        some = copy.copy(self)
        some._take(faults)
        return some

    def seeing(self, observations: Sequence[Observation]) -> FaultBank:
        """Return the bank of the same faults for other observations of the same curves."""
        some = copy.copy(self)
        some._see(observations)
        some._take(self.faults)
        return some

    def _load(self, w: int) -> _WayLoad:
        """Gather what hangs on one way; models of drivers are made when first needed."""
        way = self.network.ways[w]
        names = tuple(dict(f.drivers).get(way.name, way.driver) for f in self.faults)
        distinct = dict.fromkeys(names)
        for name in (way.driver, *distinct):
            if name not in self._models:
                self._models[name] = model_driver(self._by_name[name])
        sign = [-way.polarity if way.name in f.turned else way.polarity for f in self.faults]
        heard = {name: self._by_name[name].pressure[self.rows][:, self.grid] for name in distinct}
        pressure = np.array([s * heard[name] for s, name in zip(sign, names, strict=True)])
        models = {name: self._models[name].at(self.grid) for name in distinct}
        return _WayLoad(names=names, models=models, pressure=pressure)

    def _list_coils(self) -> Iterator[int]:
        """List the coils whose current is known, by number of the part."""
        first = 0
        for plan, _ in self._plans:
            for port in plan.ports:
                if is_plain(port.step, port.branch):
                    some = (first + leaf for leaf in port.branch.leaves)
                    yield from (g for g in some if self._part(g).kind == "inductor")
            first += len(plan.leaves)

    def _part(self, g: int) -> Part:
        return self.listed[self.keys[g]][1]

    def _list_parts(self) -> Iterator[Unknown]:
        for g, (label, part) in enumerate(self.listed.values()):
            spread = max(_LEAST_SPREAD, part.tolerance / self.tolerance_sigmas)
            yield Unknown(what="value", index=g, where=label, spread=spread)
            if part.kind == "capacitor" or (part.kind == "inductor" and part.loss_ohm > 0.0):
                added = part.kind == "capacitor"
                yield Unknown(
                    what="loss",
                    index=g,
                    where=label,
                    spread=(JOINT_OHM if added else RESISTANCE_SPREAD) * self.spread_factor,
                    lowest=-part.loss_ohm - JOINT_OHM if added else -np.inf,
                )
            if part.kind == "inductor" and self.rows:
                yield Unknown(what="sag", index=g, where=label, spread=_LISTED_ALONE)
        labels = [label for label, _ in self.listed.values()]
        for n, (i, j) in enumerate(self.pairs):
            where = f"{labels[i]} and {labels[j]}"
            yield Unknown(what="coupling", index=n, where=where, spread=_LISTED_ALONE)

    def _list_drivers(self) -> Iterator[Unknown]:
        wider = self.spread_factor
        for w, way in enumerate(self.network.ways):
            own = _SAME_DRIVER if self.known_level else {}
            for what, usual in _DRIVER_SPREADS.items():
                spread = own.get(what, usual)
                if self._models[way.driver].moves or what in ("re", "le"):
                    yield Unknown(what=what, index=w, where=way.name, spread=spread * wider)
            if self.rows:
                spread = own.get("gain", _GAIN_SPREAD_DB) * wider
                yield Unknown(what="gain", index=w, where=way.name, spread=spread)
                yield Unknown(what="time", index=w, where=way.name, spread=_TIME_SPREAD_S * wider)
        if self.rows and len(set(self.rises_m)) > 1:
            yield Unknown(what="height", index=-1, where="", spread=_HEIGHT_SPREAD_M * wider)
        if self.rows and self.same_level:
            yield Unknown(what="session", index=-1, where="", spread=SESSION_SPREAD_DB)
        yield Unknown(
            what="source", index=-1, where="", spread=JOINT_OHM * wider, lowest=-2.0 * JOINT_OHM
        )

    def _ratios(self, plan: NetworkPlan) -> dict[int, Real]:
        """Ratios of the transformers that a fault rewires, by number of their step."""
        gains = [{".".join(at): gain for at, gain in f.gains.items()} for f in self.faults]
        return {
            step.index: 1.0 / np.array([[own.get(step.tap.name, step.tap.gain)] for own in gains])
            for step in plan.steps
            if step.tap is not None and any(step.tap.name in own for own in gains)
        }

    def model_of(self, w: int) -> DriverModel:
        """Model of the driver that a way should have."""
        return self._models[self.network.ways[w].driver]

    def chosen(self, index: Sequence[int] | Index) -> FaultBank:
        """Return the bank with some of its faults only, each as often as it is named."""
        rows = np.asarray(index, dtype=np.intp)
        some = copy.copy(self)  # the network and what floats are the same
        some.faults = tuple(self.faults[i] for i in rows)
        some.loads = [load.chosen(rows) for load in self.loads]
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
            By how much the unknowns are off.
        slopes : bool
            False leaves the derivatives out, at a fraction of the time.

        Returns
        -------
        value : ndarray, shape (P, N)
            All observations one after the other.
        slope : ndarray, shape (P, K, N)
            Derivatives with respect to the shifts.
        """
        value, slope = self._predict(shift, slopes=slopes)
        sags = {
            k: self.of["value", u.index] for k, u in enumerate(self.unknowns) if u.what == "sag"
        }
        sag, own = list(sags), list(sags.values())
        rows = np.flatnonzero((np.abs(shift[:, sag]) > _NOTICED).any(axis=1))
        if len(rows):  # with the values that coils have at the level of the responses
            loud = shift[rows]
            loud[:, own] += loud[:, sag]
            heard, moved = self.chosen(rows)._predict(loud, slopes=slopes)
            value[np.ix_(rows, self.heard)] = heard[:, self.heard]
            if slopes:
                slope[np.ix_(rows, np.arange(self.count), self.heard)] = moved[:, :, self.heard]
        if slopes:
            slope[:, sag] = slope[:, own] * self.heard
        return value, slope

    def _predict(self, shift: Real, *, slopes: bool) -> tuple[Real, Real]:
        """Predict with one value for each coil."""
        solved = self._solve(shift)
        if len(self.of_mix) == 1:
            (way,) = self.of_mix
            return self._mix(solved, way, slopes=slopes)
        value = np.empty((len(shift), len(self.heard)))
        slope = np.empty((len(shift), self.count if slopes else 0, len(self.heard)))
        for way, mine in self.of_mix.items():
            value[:, mine], slope[:, :, mine] = self._mix(solved, way, slopes=slopes)
        return value, slope

    def _solve(self, shift: Real) -> _Solved:
        ways = range(len(self.loads))
        plain = [self._part_impedances(g, shift) for g in range(len(self.keys))]
        drivers = [self.loads[w].differ(self._own(w, shift)) for w in ways]
        impedance = self._couple(shift, plain, drivers)
        walks = [self._walk(b, impedance, drivers) for b in range(len(self.branches))]
        return _Solved(
            shift=shift,
            plain=plain,
            impedance=impedance,
            drivers=drivers,
            walks=walks,
            per_volt=[
                (drivers[w][1] * self._said(w, shift))[:, None] * self.loads[w].pressure
                for w in ways
            ],
            transfer={
                w: np.broadcast_to(np.asarray(h), drivers[w][0].shape)
                for branch, walk in zip(self.branches, walks, strict=True)
                for w, h in zip(branch.ways, walk.transfer, strict=True)
            },
        )

    def _couple(
        self, shift: Real, plain: list[Complex], drivers: Sequence[tuple[Complex, Complex]]
    ) -> list[Complex]:
        """Add to the impedances of coils what the currents of others induce in them.

        Exact for one pair of coils that is coupled; several are taken one after the other.
        """
        out = list(plain)
        for n, (i, j) in enumerate(self.pairs):
            k = self._shift("coupling", n, shift)
            rows = np.flatnonzero(np.abs(k) > _NOTICED)
            if not len(rows):
                continue
            some, own = self.chosen(rows), [(y[rows], factor[rows]) for y, factor in drivers]
            mutual = k[rows, None] * some._mutual(n, shift[rows])
            first, second = some._coupled_currents(n, mutual, [z[rows] for z in out], own)
            for a, ratio in ((i, second / _safe(first)), (j, first / _safe(second))):
                out[a] = out[a].copy()
                out[a][rows] += mutual * ratio
        return out

    def _coupled_currents(
        self,
        n: int,
        mutual: Complex,
        impedance: list[Complex],
        drivers: Sequence[tuple[Complex, Complex]],
    ) -> tuple[Complex, Complex]:
        """Currents of two coils that are coupled.

        A voltage in line with one changes both; by how much is seen by doubling its impedance.
        """
        before = self._currents(impedance, drivers)
        own: list[Complex] = []
        across: Complex = np.zeros_like(mutual)
        for a, b in (self.pairs[n], self.pairs[n][::-1]):
            doubled = list(impedance)
            doubled[a] = 2.0 * impedance[a]
            after = self._currents(doubled, drivers)
            voltage = _safe(impedance[a] * after[a])
            own.append((before[a] - after[a]) / voltage)
            across = (before[b] - after[b]) / voltage
        x, y = (before[g] for g in self.pairs[n])
        onto = 1.0 + across * mutual
        whole = onto**2 - own[0] * own[1] * mutual**2
        return (onto * x - own[0] * mutual * y) / whole, (onto * y - own[1] * mutual * x) / whole

    def _mutual(self, n: int, shift: Real) -> Complex:
        """Impedance of the mutual inductance of a pair of coils for a coupling of one."""
        product = np.ones(len(shift))
        for g in self.pairs[n]:
            column = self.columns[g]
            coil = np.array([kind == "inductor" for kind in column.kinds])
            product *= np.where(coil, column.value * np.exp(self._shift("value", g, shift)), 0.0)
        return np.asarray(1j * np.sqrt(product)[:, None] * self.omega)

    def _currents(
        self, impedance: Sequence[Complex], drivers: Sequence[tuple[Complex, Complex]]
    ) -> dict[int, Complex]:
        out = {}
        for b, branch in enumerate(self.branches):
            seen = BranchCurrents(self._parts_of(branch, impedance))
            self._walk(b, impedance, drivers).down(seen)
            out.update({branch.first + leaf: x for leaf, x in seen.current.items()})
        return out

    @staticmethod
    def _parts_of(branch: _Branch, impedance: Sequence[Complex]) -> Sequence[Complex]:
        return impedance[branch.first : branch.first + len(branch.plan.leaves)]

    def _mix(self, solved: _Solved, way: int, *, slopes: bool) -> tuple[Real, Real]:
        """Predict what is observed of the whole, or of one way alone."""
        shift = solved.shift
        own = range(len(self.branches)) if way < 0 else [self.branch_of_way[way]]
        ways = [w for b in own for w in self.branches[b].ways]
        total: Complex = np.sum([np.asarray(solved.walks[b].admittance) for b in own], axis=0)
        voices = {w: solved.per_volt[w] * solved.transfer[w][:, None] for w in ways}
        pressure = _safe(np.sum(list(voices.values()), axis=0))
        more = self._shift("source", -1, shift)[:, None]
        level = np.exp(self._shift("session", -1, shift) / DB)[:, None]
        # A source with resistance scales all drives alike, and the amplifier sees the cable too.
        drive = 1.0 + (self.network.source.ohm + more) * total
        metered = 1.0 + (self.network.source.cable_ohm + more) * total
        value = self._observe(
            way, np.log(_safe(pressure * (level / drive)[:, None])), np.log(metered / _safe(total))
        )
        if not slopes:
            return value, np.zeros((len(value), 0, value.shape[1]))
        sound = np.zeros((len(shift), self.count, *pressure.shape[1:]), dtype=np.complex128)
        current = np.zeros((len(shift), self.count, len(self.omega)), dtype=np.complex128)
        per_ohm: dict[int, tuple[Complex, Complex]] = {}
        through: dict[int, Complex] = {}
        for branch, walk in ((self.branches[b], solved.walks[b]) for b in own):
            seen = BranchSlopes(
                self._parts_of(branch, solved.impedance),
                [solved.per_volt[w] / pressure for w in branch.ways],
                [solved.transfer[w] for w in branch.ways],
            )
            walk.down(seen)
            per_ohm.update({branch.first + leaf: one for leaf, one in seen.of_part.items()})
            through.update({branch.first + leaf: one for leaf, one in seen.current.items()})
            for driver, one in seen.of_driver.items():
                w = branch.ways[driver]
                heard = voices[w] / pressure
                self._move_driver(w, shift, solved.drivers[w][0], heard, one, (sound, current))
        for g, one in per_ohm.items():
            self._move_part(g, shift, solved.plain, one, (sound, current))
        for n, pair in enumerate(self.pairs):
            if all(g in per_ohm for g in pair):
                self._move_pair(n, self._mutual(n, shift), through, per_ohm, (sound, current))
        sound -= ((drive - 1.0) / _safe(total) / drive)[:, None, None] * current[:, :, None]
        for what, index in self.of:
            if what in _HEARD:
                sound[:, self.of[what, index]] = self._heard(what, index, voices) / pressure
        # What is in the line before the network takes from all, and is seen as it is.
        last = self.of["source", -1]
        sound[:, last] = (-total / drive)[:, None]
        current[:, last] = -(total**2)
        return value, self._observe(way, sound, -current / (_safe(total) * metered)[:, None])

    def _move_pair(
        self, n: int, mutual: Complex, through: Mapping[int, Complex],
        per_ohm: Mapping[int, tuple[Complex, Complex]], out: tuple[Complex, Complex],
    ) -> None:  # fmt: skip
        """Set slopes for the coupling of two coils: each is moved by what the other induces."""
        k, (i, j) = self.of["coupling", n], self.pairs[n]
        for a, b in ((i, j), (j, i)):
            ohm = mutual * through[b] / _safe(through[a])
            out[0][:, k] += per_ohm[a][0] * ohm[:, None]
            out[1][:, k] += per_ohm[a][1] * ohm

    def _move_part(
        self, g: int, shift: Real, impedance: Sequence[Complex], per_ohm: tuple[Complex, Complex],
        out: tuple[Complex, Complex],
    ) -> None:  # fmt: skip
        """Set slopes for value and loss of a part from those for its impedance."""
        column = self.columns[g]
        for what in ("value", "loss"):
            k = self.of.get((what, g))
            if k is None:
                continue
            loss, slope = self._loss(g, shift)
            ohm: Complex = np.asarray(slope[:, None])
            if what == "value":
                # The reactance of a capacitor falls as its value rises.
                ohm = column.rising * (impedance[g] - loss[:, None])
            for array, one in zip(out, per_ohm, strict=True):
                array[:, k] = one * (ohm[:, None] if one.ndim == 3 else ohm)

    def _move_driver(
        self, w: int, shift: Real, admittance: Complex, heard: Complex,
        per_siemens: tuple[Complex, Complex], out: tuple[Complex, Complex],
    ) -> None:  # fmt: skip
        """Set slopes for the quantities of a driver from those for its admittance."""
        sound, current = out
        moved = self.loads[w].slopes(self._own(w, shift), admittance)
        for what, (of_impedance, of_factor) in moved.items():
            k = self.of.get((what, w))
            if k is not None:
                change = -admittance * of_impedance
                sound[:, k] = per_siemens[0] * change[:, None] + heard * of_factor[:, None]
                current[:, k] = per_siemens[1] * change

    def _shift(self, what: UnknownKind, index: int, shift: Real) -> Real:
        """Shifts of one unknown, shape (P,); none where it is not among those that float."""
        k = self.of.get((what, index))
        return np.zeros(len(shift)) if k is None else np.asarray(shift[:, k])

    def _own(self, w: int, shift: Real) -> dict[DriverQuantity, Real]:
        """Shifts of the driver of a way."""
        return {what: self._shift(what, w, shift) for what in DRIVER_QUANTITIES}

    def _heard(self, what: UnknownKind, w: int, voices: Mapping[int, Complex]) -> Complex | float:
        """Slope of the pressure for what changes no voltage."""
        if what == "session":
            return np.asarray(sum(voices.values()) / DB)
        if what in ("gain", "time") and w not in voices:
            return 0.0
        if what == "gain":
            return np.asarray(voices[w] / DB)
        if what == "time":
            return np.asarray(-1j * self.omega * voices[w])
        return np.asarray(
            sum(
                1j * self.omega * self.rises_m[one] / SOUND_SPEED_M_S * voice
                for one, voice in voices.items()
            )
        )

    def _part_impedances(self, g: int, shift: Real) -> Complex:
        """Impedance of one part in each network, shape (P, F)."""
        column = self.columns[g]
        value = column.value * np.exp(self._shift("value", g, shift))
        loss, _ = self._loss(g, shift)
        if len(column.rows_of_kind) == 1:
            (kind,) = column.rows_of_kind
            return part_impedance(kind, value, loss, self.omega)
        out = np.empty((len(value), len(self.omega)), dtype=np.complex128)
        for kind, mine in column.rows_of_kind.items():
            out[mine] = part_impedance(kind, value[mine], loss[mine], self.omega)
        return out

    def _loss(self, g: int, shift: Real) -> tuple[Real, Real]:
        """Loss of one part in each network, and its slope, each (P,)."""
        column, more = self.columns[g], self._shift("loss", g, shift)
        if self.listed[self.keys[g]][1].kind == "capacitor":
            return column.loss_ohm + more, np.ones(len(more))
        loss = column.loss_ohm * np.exp(more)
        return loss, loss

    def _said(self, w: int, shift: Real) -> Complex:
        """Factor of one way's sound for its level and path, shape (P, F)."""
        late = self._shift("time", w, shift) - (
            self.rises_m[w] / SOUND_SPEED_M_S * self._shift("height", -1, shift)
        )
        gain = self._shift("gain", w, shift) / DB
        return np.asarray(np.exp(gain[:, None] - 1j * late[:, None] * self.omega))

    def _walk(
        self, b: int, impedance: Sequence[Complex], drivers: Sequence[tuple[Complex, Complex]]
    ) -> Walk:
        """Walk one branch: transfers are without sign."""
        branch = self.branches[b]
        own = self._parts_of(branch, impedance)
        load = [drivers[w][0] for w in branch.ways]
        return _FaultyWalk(
            branch.ratios,
            branch.plan,
            _Feed(own),
            load,
            IDEAL,
            load[0].shape,
            [1.0] * len(load),
            keep=True,  # the loads are read again
        )

    def _observe(self, way: int, pressure: Complex, impedance: Complex) -> Real:
        """Pick what is observed of a way or the whole out of logarithms (or their derivatives)."""
        out = []
        for o, points in zip(self.observations, self.points, strict=True):
            if o.way != way:
                continue
            if o.kind == "level":
                out.append(DB * pressure[..., self.rows.index(o.row), :].real[..., points])
            elif o.kind == "modulus":
                out.append(DB * impedance.real[..., points])
            else:
                out.append(np.degrees(impedance.imag[..., points]))
        return np.concatenate(out, axis=-1)


def _points(index: Index) -> Index | slice:
    """Points as a slice where they follow one another: that picks without a copy."""
    first, last = int(index[0]), int(index[-1])
    return slice(first, last + 1) if np.array_equal(index, np.arange(first, last + 1)) else index


def _safe(value: Complex) -> Complex:
    """Keep a logarithm finite where a network is silent."""
    return np.asarray(np.where(np.abs(value) < 1e-12, 1e-12, value))
