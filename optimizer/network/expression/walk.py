"""Up a compiled expression for voltages and currents, and down it for what each change does.

Upwards a spine carries (v, i), the voltage and current at its top in a unit of its own: v = 1 at a
driver's terminals. A junction turns each of its spines into an admittance (parallel) or impedance
(series), and takes its own voltage or current as the unit. At the source everything is divided by
the source voltage.

Downwards everything above a point is a row (a, b) with ``a V + b I = 1`` for the actual voltage and
current there and a source of 1 V: ``b += a z`` past a series step, ``a += b y`` past a parallel one.
Then, for a change dz of a part that carries the current J (exact to first order, a ladder or not):

* the source current changes by ``q = -J^2 dz`` (the network is reciprocal: adjoint-network theorem,
  Director and Rohrer, IEEE Trans. Circuit Theory 16, 1969),
* drivers below a step with state S (current of a series, voltage of a parallel step) change by
  ``dH/H = -a J (J/S) dz`` in a series step and ``+b J (J/S) dz`` in a parallel one,
* drivers that meet it at a junction change by ``dH/H = (a/I) q`` when that is a series and by
  ``-(b/V) q`` when it is a parallel one: where b = 0, as for ways on an ideal source, not at all.

A plain 1.0 or 0.0 stands for what is the same for all networks and frequencies and costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Complex
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.expression.plan import Junction, NetworkPlan, Spine, Step

Number = float | NDArray[Any]
"""A plain number, a row (F,), a column (P, 1), or an array of the full shape."""


class Feed(Protocol):
    """What gives the steps their immittances."""

    def step(self, step: Step) -> NDArray[Any] | None:
        """Impedance of a series step, admittance of a parallel one; None when it is empty."""

    def begin(self, step: Step, driver: int) -> tuple[Number, Number, bool] | None:
        """Voltage and current at the top of a step right above a driver, if known at once.

        Returns
        -------
        tuple of (voltage, current, turned) or None
            In series ``1 + z / Z`` and ``1 / Z``, in parallel 1 and ``1 / Z + y`` for a driver of
            impedance Z; `turned` tells that both carry the driver's polarity already.
        """


Above = tuple[tuple[int, Number], ...]
"""Drivers that hang elsewhere, each with what a change of the source current does to it."""


@dataclass(slots=True)
class _Kept:
    """What the way down needs of a step: its immittance, and the state that it shares."""

    immittance: NDArray[Any] | None
    shared: Number


@dataclass(slots=True)
class _KeptJunction:
    """What the way down needs of a junction.

    Immittance and unit of each spine, and the voltage of each driver below in the junction's unit.
    """

    immittance: list[Number]
    unit: list[Number]
    drive: dict[int, Number]


class Visitor:
    """What to do with steps, junctions and drivers on the way down."""

    sees_drivers = False
    """Whether `driver` is called: that costs one more row for each driver."""

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        """See a step.

        Parameters
        ----------
        step : Step
        state : Number
            Actual current through a series step, voltage across a parallel one, for 1 V.
        row : Number
            ``a`` of a series step, ``-b`` of a parallel one.
        above : tuple of (int, Number)
            For each driver elsewhere the factor f with ``dH = f dY``.
        """

    def junction(self, junction: Junction, state: Number, row: Number) -> None:
        """See a junction: its actual current (series) or voltage (parallel), and ``a`` or ``-b``."""

    def driver(self, driver: int, state: Number, row: Number, above: Above) -> None:
        """See a driver as if it were a parallel step: its voltage without sign, and ``-b``."""


class Walk:
    """One pass up, and on demand one down.

    Parameters
    ----------
    plan : NetworkPlan
        The compiled expression.
    feed : Feed
        Gives each step its immittance. What it gives is overwritten unless `keep` is set.
    load_admittance : list of ndarray (F,)
        Admittance of each driver.
    source : SourceResistance
        What feeds the network.
    shape : tuple of int
        Full shape of all results, (P, F) or (F,).
    polarity : list of float or ndarray (P, 1)
        Sign of each driver.
    keep : bool
        Whether `down` will be called.

    Attributes
    ----------
    transfer : list of Number
        Voltage at each driver over the source voltage, sign included.
    admittance : Number
        Of the load that the amplifier sees: cable and network.
    current : Number
        Source current for 1 V: the same, except when the amplifier has an output resistance.
    """

    def __init__(
        self,
        plan: NetworkPlan,
        feed: Feed,
        load_admittance: list[Complex],
        source: SourceResistance,
        shape: tuple[int, ...],
        polarity: list[Number],
        *,
        keep: bool = False,
    ) -> None:
        self.plan = plan
        self.feed = feed
        self.load_admittance = load_admittance
        self.source = source
        self.shape = shape
        self.polarity = polarity
        self.keep = keep
        self.kept: dict[int, _Kept] = {}
        self.junctions: dict[int, _KeptJunction] = {}

        v, i, drive = self._up(plan.root)
        at_terminals = self._plus(i * source.cable_ohm, v) if source.cable_ohm else v
        behind = self._plus(i * source.output_ohm, at_terminals) if source.output_ohm else None
        self.unit = self._reciprocal(at_terminals if behind is None else behind, spare=True)
        self.current = mul(i, self.unit)
        self.admittance = self.current
        if behind is not None:
            self.admittance = mul(i, self._reciprocal(at_terminals, spare=True))
        # Drivers in parallel with each other share one array.
        shared = [id(t) for t in drive.values()]
        self.transfer = [
            self._mul(drive[w], self.unit)
            if shared.count(id(drive[w])) == 1
            else drive[w] * self.unit
            for w in range(len(plan.drivers))
        ]

    # Arithmetic. Full arrays that nobody else holds are overwritten: fresh ones cost more than
    # what is done to them.

    def _full(self, x: Number) -> bool:
        return isinstance(x, np.ndarray) and x.dtype.kind == "c" and x.shape == self.shape

    def _mul(self, a: Number, b: Number) -> Number:
        """Product; overwrites `a` where that is allowed."""
        if not self.keep and self._full(a) and isinstance(b, np.ndarray):
            return mul(a, b, out=a)
        return mul(a, b)

    def _plus(self, fresh: Number, other: Number) -> Number:
        """Sum; overwrites `fresh`."""
        if isinstance(fresh, np.ndarray) and self._full(fresh):
            fresh += other
            return fresh
        return fresh + other

    def _reciprocal(self, x: Number, *, spare: bool) -> Number:
        """1/x; may overwrite x where nothing is kept and it is spare."""
        if isinstance(x, float):
            return 1.0 / x
        return np.reciprocal(x, out=x if spare and not self.keep and self._full(x) else None)

    def ratio_of(self, step: Step) -> Number:
        """Volts before a transformer over volts after it; networks may have ratios of their own."""
        return step.ratio

    # Up

    def _up(self, spine: Spine) -> tuple[Number, Number, dict[int, Number]]:
        """Voltage and current at the top of a spine, and each driver's voltage in its unit."""
        v: Number
        i: Number
        if isinstance(spine.foot, int):
            v, i = 1.0, self.load_admittance[spine.foot]
            drive: dict[int, Number] = {spine.foot: self.polarity[spine.foot]}
        else:
            v, i, drive = self._join(spine.foot)
        steps = spine.steps
        if steps and isinstance(spine.foot, int) and not self.keep:
            begun = self.feed.begin(steps[-1], spine.foot)
            if begun is not None:
                steps = steps[:-1]
                v, i, turned = begun
                if turned:
                    drive = {spine.foot: 1.0}
        for step in reversed(steps):
            if step.kind == "tap":
                ratio = self.ratio_of(step)
                v, i = v * ratio, i / ratio
                continue
            series = step.kind == "series"
            x = self.feed.step(step)
            shared, moved = (i, v) if series else (v, i)
            if self.keep:
                self.kept[step.index] = _Kept(x, shared)
            if x is None:
                continue
            moved = self._add(x, shared, moved)
            v, i = (moved, i) if series else (v, moved)
        return v, i, drive

    def _add(self, x: NDArray[Any], shared: Number, moved: Number) -> Number:
        """Return ``moved + x shared`` as a new array, or in `x` where nothing is kept."""
        spare = not self.keep and self._full(x)
        if isinstance(shared, float):
            if shared != 1.0:
                return self._plus(x * shared, moved)
            if spare:
                return self._plus(x, moved)
            return x + moved
        return self._plus(np.multiply(x, shared, out=x) if spare else x * shared, moved)

    def _join(self, junction: Junction) -> tuple[Number, Number, dict[int, Number]]:
        parallel = junction.kind == "parallel"
        kept = _KeptJunction([], [], {})
        total: Number = 0.0
        spare = False
        for spine in junction.spines:
            v, i, drive = self._up(spine)
            across, through = (v, i) if parallel else (i, v)
            unit = self._reciprocal(across, spare=across is not through)
            own = self._mul(through, unit)
            kept.unit.append(unit)
            kept.immittance.append(own)
            if len(kept.immittance) == 1:
                total, spare = own, not self.keep and own is not unit
            else:
                total, spare = (self._plus(total, own) if spare else total + own), True
            for w, t in drive.items():
                kept.drive[w] = mul(t, unit)
        if self.keep:
            self.junctions[junction.index] = kept
        return (1.0, total, kept.drive) if parallel else (total, 1.0, kept.drive)

    # Down

    def down(self, visitor: Visitor) -> None:
        """Show a visitor every step and junction, source first.

        Parameters
        ----------
        visitor : Visitor
        """
        self._down(self.plan.root, self.unit, 1.0, -self.source.ohm, (), visitor)

    def _down(
        self, spine: Spine, unit: Number, a: Number, b: Number, above: Above, visitor: Visitor
    ) -> None:
        """Go down a spine; `b` is negative here, which saves many a change of sign."""
        last = spine.steps[-1] if spine.steps and isinstance(spine.foot, int) else None
        for step in spine.steps:
            if step.kind == "tap":
                ratio = self.ratio_of(step)
                a, b = a * ratio, b / ratio
                continue
            kept = self.kept[step.index]
            series = step.kind == "series"
            visitor.step(step, mul(unit, kept.shared), a if series else b, above)
            x = kept.immittance
            if x is None or (step is last and not visitor.sees_drivers):
                continue
            if series:
                b = minus(b, mul(x, a))
            else:
                a = minus(a, mul(x, b))
        if isinstance(spine.foot, int):
            if visitor.sees_drivers:
                visitor.driver(spine.foot, unit, b, above)
            return
        junction, series = spine.foot, spine.foot.kind == "series"
        kept_here = self.junctions[junction.index]
        row = a if series else b
        visitor.junction(junction, unit, row)
        factor = {w: mul(row, t) for w, t in kept_here.drive.items()}
        nothing = isinstance(row, float) and row == 0.0  # of what the other spines do
        for j, child in enumerate(junction.spines):
            rest: Number = 0.0
            for k, other in enumerate(() if nothing else kept_here.immittance):
                if k != j:
                    rest = other if isinstance(rest, float) else rest + other
            others = tuple((w, f) for w, f in factor.items() if w not in child.drivers)
            self._down(
                child,
                mul(unit, kept_here.unit[j]),
                a if series else minus(a, mul(rest, b)),
                minus(b, mul(rest, a)) if series else b,
                above + others,
                visitor,
            )


def mul(a: Number, b: Number, out: Any = None) -> Number:
    """Product of two numbers; plain ones cost nothing and plain zeros and ones stay plain.

    Parameters
    ----------
    a, b : Number
    out : ndarray, optional
        Where to put the product when both are arrays; full and complex.
    """
    if isinstance(a, float):
        if isinstance(b, float):
            return a * b
        a, b = b, a
    if isinstance(b, float):
        if b == 1.0:
            return a
        return b if b == 0.0 else a * b
    return a * b if out is None else np.multiply(a, b, out=out)


def minus(a: Number, b: Number) -> Number:
    """Return ``a - b`` as a new number; a plain zero for `b` leaves `a` as it is."""
    return a if isinstance(b, float) and b == 0.0 else a - b
