"""Exact effect of every change of one or two branches of a network, without solving it again.

Every voltage and current of a linear network is a ratio of two functions that are linear in any one
immittance (Bode, Network Analysis and Feedback Amplifier Design, 1945, from memory) and bilinear in
any two. One pass up and one down give all coefficients.

Let port k carry the current J_k (a branch of a series step, x its impedance) or have the voltage
J_k across it (of a parallel step, x its admittance), and let n be the step or junction where the
ways to ports k and m part, with state S and row a (series) or b (parallel) as in
`optimizer.network.expression.walk`. Then

    d log J_m / dx_k = -g_km,   g_km = e_k (a or b) J_k^2 / S,

with e_k = 1 where k is of the kind of n, else -1; so also for the voltage of a driver m, and
s_k = g_kk. A change D of x_k divides J_k by 1 + s_k D, and changes D, E of two divide by

    (1 + s_k D)(1 + s_m E) - g_km g_mk D E.

At a parallel junction on an ideal source b = 0: what hangs there is independent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Index, Real
from optimizer.network.expression.bank import Bank
from optimizer.network.expression.plan import Junction, NetworkPlan, Port, Step, part_ways
from optimizer.network.expression.walk import (
    Above,
    Number,
    Visitor,
    Walk,
    mul,
)

Drives = dict[int, Complex]
"""Transfer of each driver that moves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moebius:
    """Transfers and admittance as functions of one immittance x, all over one denominator.

    Parameters
    ----------
    denominator : tuple of Number
        ``d0 + d1 x``.
    drives : tuple of (int, Number, Number)
        For each driver that moves n0 and n1 of ``(n0 + n1 x) / (d0 + d1 x)``.
    current : tuple of Number
        The same for the source current.
    output_ohm : float
        Output resistance of the amplifier: the load it sees is less than the whole.
    unit : int or None
        Driver whose numerator is a plain 1, if there is one.
    """

    denominator: tuple[Number, Number]
    drives: tuple[tuple[int, Number, Number], ...]
    current: tuple[Number, Number]
    output_ohm: float = 0.0
    unit: int | None = None

    @classmethod
    def stacked(cls, parts: Sequence[tuple[int, Moebius]], transfer: Sequence[Complex]) -> Moebius:
        """Put functions one after the other.

        Parameters
        ----------
        parts : sequence of (int, Moebius)
            Number of rows of each, and its coefficients: plain, of shape (F,) or (rows, F).
        transfer : sequence of ndarray (F,)
            Of each driver where it does not move.

        Returns
        -------
        Moebius
            Coefficients that are plain and alike in all parts stay so; others have all rows.
        """
        counts = [count for count, _ in parts]
        points = len(transfer[0])

        def join(numbers: Sequence[Number]) -> Number:
            first = numbers[0]
            if isinstance(first, float) and all(
                isinstance(n, float) and n == first for n in numbers
            ):
                return first
            out = np.empty((sum(counts), points), dtype=np.complex128)
            start = 0
            for n, count in zip(numbers, counts, strict=True):
                out[start : start + count] = n
                start += count
            return out

        def of_driver(one: Moebius, w: int) -> tuple[Number, Number]:
            for v, n0, n1 in one.drives:
                if v == w:
                    return n0, n1
            d0, d1 = one.denominator
            return mul(d0, transfer[w]), mul(d1, transfer[w])

        found = [one for _, one in parts]
        moved = sorted({w for one in found for w, *_ in one.drives})
        drives = []
        for w in moved:
            below, above = zip(*(of_driver(one, w) for one in found), strict=True)
            drives.append((w, join(below), join(above)))
        return cls(
            denominator=(
                join([one.denominator[0] for one in found]),
                join([one.denominator[1] for one in found]),
            ),
            drives=tuple(drives),
            current=(
                join([one.current[0] for one in found]),
                join([one.current[1] for one in found]),
            ),
            output_ohm=found[0].output_ohm,
        )

    def __getitem__(self, index: Index | slice) -> Moebius:
        """Take some of the rows of coefficients (rows, F)."""

        def pick(x: Number) -> Number:
            return x if isinstance(x, float) else x[index]

        return Moebius(
            denominator=(pick(self.denominator[0]), pick(self.denominator[1])),
            drives=tuple((w, pick(n0), pick(n1)) for w, n0, n1 in self.drives),
            current=(pick(self.current[0]), pick(self.current[1])),
            output_ohm=self.output_ohm,
            unit=self.unit,
        )

    def at(self, x: Complex) -> tuple[Drives, Complex]:
        """Transfer of each driver that moves, and admittance, for immittances x.

        Parameters
        ----------
        x : ndarray, shape (..., F)
            ohm in a series step, siemens in a parallel one, 0 for nothing there; broadcast.

        Returns
        -------
        dict of int to ndarray, ndarray
        """
        below = _line(*self.denominator, x)
        share: Number
        if isinstance(below, float):
            share = 1.0 / below
        else:
            share = np.reciprocal(below, out=None if below is self.denominator[0] else below)
        drives = {w: _ratio(n0, n1, x, share) for w, n0, n1 in self.drives}
        return drives, self._load(_ratio(*self.current, x, share))

    def write(self, x: Complex, drives: Drives, admittance: Complex) -> None:
        """Write what `at` returns where it is wanted.

        Parameters
        ----------
        x : ndarray, shape (rows, F)
        drives : dict of int to ndarray, shape (rows, F)
            Gets the transfers of drivers that move; others stay as they are.
        admittance : ndarray, shape (rows, F)
        """
        # One driver costs nothing more than the denominator: made in its place.
        unit = self.unit
        if unit is None or isinstance(self.denominator[1], float):
            moved, admittance[...] = self.at(x)
            for w, h in moved.items():
                drives[w][...] = h
            return
        share = drives[unit]
        for (start, slope), out in ((self.denominator, share), (self.current, admittance)):
            np.multiply(slope, x, out=out)
            out += start
        np.reciprocal(share, out=share)
        for w, n0, n1 in self.drives:
            if w != unit:
                drives[w][...] = _ratio(n0, n1, x, share)
        admittance *= share
        if self.output_ohm:
            admittance[...] = self._load(admittance)

    def _load(self, current: Complex) -> Complex:
        """Admittance that the amplifier sees, of the source current."""
        return current / (1.0 - self.output_ohm * current) if self.output_ohm else current


def _line(a: Number, b: Number, x: Complex) -> Number:
    """Return ``a + b x`` as a new array, or `a` itself where b is a plain zero."""
    if _is_zero(b):
        return a
    out = np.asarray(b * x)
    if isinstance(a, float) or a.ndim <= 1 or a.shape == out.shape:
        out += a
        return out
    return out + a


def _ratio(a: Number, b: Number, x: Complex, share: Number) -> Complex:
    """Return ``(a + b x) share``."""
    over = _line(a, b, x)
    if over is a or isinstance(over, float) or share is over or np.shape(share) != over.shape:
        return np.asarray(mul(share, over))
    return np.multiply(over, share, out=over)


class NetworkScan:
    """One network, and what every change of its branches does to it.

    Parameters
    ----------
    bank : Bank
        The expression on a grid with its loads.
    immittance : sequence of ndarray (F,) or None
        Immittance of every port of the plan: ohm in a series step, siemens in a parallel one; None
        where nothing is there.
    polarity : ndarray, shape (W,)
        1.0 or -1.0.

    Attributes
    ----------
    transfer : list of ndarray (F,)
        Of the network as it is.
    admittance : ndarray (F,)
        Of the load that the amplifier sees.
    """

    def __init__(self, bank: Bank, immittance: Sequence[Complex | None], polarity: Real) -> None:
        self.bank = bank
        self.plan = bank.plan
        self.immittance = list(immittance)
        shape = (len(bank.omega),)
        walked = Walk(
            bank.plan,
            _PortFeed(bank.plan, self.immittance),
            bank.load_admittance,
            bank.source,
            shape,
            [float(sign) for sign in polarity],
            keep=True,
        )
        self.transfer = [_row(h, shape) for h in walked.transfer]
        self.admittance = _row(walked.admittance, shape)
        self.current = _row(walked.current, shape)
        visitor = _Collector()
        walked.down(visitor)
        self._state = visitor.state
        self._row = visitor.row
        self._known: dict[int, list[tuple[int, Number]]] = {}
        self._inverse: dict[int, Complex] = {}
        self._current_over: dict[int, Complex] = {}
        self._singles: dict[int, Moebius] = {}

    # Where things are

    def _coupling(self, k: Port, at: Step | Junction) -> Number:
        """g_km for whatever parts from port k at a step or junction."""
        row, state = self._row[at], self._state[k.step]
        if _is_zero(row):
            return 0.0
        out = mul(row, state)
        if at is not k.step:
            out = mul(out, state) / self._state[at]
        # The row of a parallel one has the sign of -b, so that this holds wherever they part.
        return out if k.step.kind == "series" else -out

    def _beside(self, k: int) -> list[tuple[int, Number]]:
        """Drivers that a port moves though they do not hang below it: number and g."""
        port = self.plan.ports[k]
        known = self._known.get(port.step.index)
        if known is None:
            known = self._known[port.step.index] = []
            for at, drivers in self.plan.partings[k].items():
                if not _is_zero(self._row[at]):
                    g = self._coupling(port, at)
                    known += [(w, g) for w in drivers]
        return known

    def _scale(self, w: int, drive: Number) -> Number:
        """1 over the drive of a way, which most often is that of the network as it is."""
        if drive is not self.transfer[w]:
            return 1.0 / drive
        if w not in self._inverse:
            self._inverse[w] = 1.0 / self.transfer[w]
        return self._inverse[w]

    def _pulled(self, k: Port) -> Number:
        """Return dI/dx, what the immittance of a port does to the source current."""
        square = mul(self._state[k.step], self._state[k.step])
        return -square if k.step.kind == "series" else square

    def _present(self, k: int) -> Number:
        x = self.immittance[k]
        return 0.0 if x is None else x

    # Changes

    def single(self, k: int) -> Moebius:
        """Everything as a function of the immittance of one port.

        Parameters
        ----------
        k : int
            Number of the port.

        Returns
        -------
        Moebius
            Coefficients of shape (F,).
        """
        if k not in self._singles:
            self._singles[k] = self._single(k)
        return self._singles[k]

    def _single(self, k: int) -> Moebius:
        step, x0 = self.plan.ports[k].step, self.immittance[k]
        state, row = self._state[step], self._row[step]
        # Everything is scaled so that the numerator of a driver below is 1: that one then costs
        # nothing more than the denominator.
        unit = None if _is_zero(row) else step.below[0]
        scale = 1.0 if unit is None else self._scale(unit, self.transfer[unit])
        over = mul(state, scale)
        if step.kind == "parallel":
            over = -over
        scaled = mul(row, over)  # s
        drives: list[tuple[int, Number, Number]] = []
        if unit is not None:
            drives = [
                (w, 1.0 if w == unit else mul(self.transfer[w], scale), 0.0) for w in step.below
            ]
        for w, g in self._beside(k):
            slope = mul(self.transfer[w], scaled - mul(g, scale))
            drives.append((w, _start(mul(self.transfer[w], scale), slope, x0), slope))
        # The slope of the current is I s + dI/dx with dI/dx = -J^2 or J^2, all of it scaled.
        slope = mul(mul(self.current, row) - state, over)
        return Moebius(
            denominator=(_start(scale, scaled, x0), scaled),
            drives=tuple(drives),
            current=(_start(self._scaled_current(unit), slope, x0), slope),
            output_ohm=self.bank.source.output_ohm,
            unit=unit,
        )

    def write_singles(
        self, changes: Sequence[tuple[int, Complex]], drives: Drives, admittance: Complex
    ) -> None:
        """Write transfers and admittance for alternatives of one port after the other.

        Parameters
        ----------
        changes : sequence of (int, ndarray)
            Number of each port, and its immittances, of shape (rows, F).
        drives : dict of int to ndarray, shape (all rows, F)
            Get the transfers, also of drivers that do not move.
        admittance : ndarray, shape (all rows, F)
        """
        if len(drives) == 1 and all(self._is_alone(k) for k, _ in changes):
            self._write_alone(changes, next(iter(drives.items())), admittance)
            return
        end = 0
        for k, x in changes:
            one = self.single(k)
            start, end = end, end + len(x)
            there = {w: h[start:end] for w, h in drives.items()}
            one.write(x, there, admittance[start:end])
            for w in there.keys() - {w for w, *_ in one.drives}:
                there[w][...] = self.transfer[w]

    def _is_alone(self, k: int) -> bool:
        """Whether a port moves one driver and no more, that below it, as in a way by itself."""
        step = self.plan.ports[k].step
        return (
            len(step.below) == 1
            and not _is_zero(self._row[step])
            and not self._beside(k)
            and not self.bank.source.output_ohm
        )

    def _write_alone(
        self,
        changes: Sequence[tuple[int, Complex]],
        drive: tuple[int, Complex],
        admittance: Complex,
    ) -> None:
        """Do the same as `single` does for ports that move one driver alone, all at once."""
        unit, share = drive
        ports = list(dict.fromkeys(k for k, _ in changes))
        state, row, present = np.empty((3, len(ports), len(self.current)), dtype=np.complex128)
        signed = np.ones((len(ports), 1))
        for n, k in enumerate(ports):
            step, x0 = self.plan.ports[k].step, self.immittance[k]
            state[n], row[n] = self._state[step], self._row[step]
            present[n] = 0.0 if x0 is None else x0
            if step.kind == "parallel":
                signed[n] = -1.0
        scale = self._scale(unit, self.transfer[unit])
        over = state * scale
        over *= signed
        below = row * over
        row *= self.current
        row -= state
        pulled = np.multiply(row, over, out=over)
        d0 = np.multiply(below, present, out=row)
        np.subtract(scale, d0, out=d0)
        n0 = np.multiply(pulled, present, out=present)
        np.subtract(self._scaled_current(unit), n0, out=n0)
        end = 0
        for k, x in changes:
            n = ports.index(k)
            start, end = end, end + len(x)
            for slope, value, out in ((below, d0, share), (pulled, n0, admittance)):
                rows = np.multiply(slope[n], x, out=out[start:end])
                rows += value[n]
        np.reciprocal(share, out=share)
        admittance *= share

    def _scaled_current(self, unit: int | None) -> Complex:
        """Source current over the drive of a way; the current itself without one."""
        if unit is None:
            return self.current
        if unit not in self._current_over:
            self._current_over[unit] = self.current * self._scale(unit, self.transfer[unit])
        return self._current_over[unit]

    def _between(self, k: int, m: int) -> Number:
        a, b = self.plan.ports[k], self.plan.ports[m]
        return self._coupling(a, part_ways(a, b.spines, b.step))

    def pair(self, k: int, m: int) -> PairScan:
        """Everything as a function of the immittances of two ports.

        Parameters
        ----------
        k, m : int
            Numbers of two different ports.
        """
        return PairScan(self, k, m)


class PairScan:
    """Everything as a function of the immittances x and y of two ports.

    Parameters
    ----------
    scan : NetworkScan
        The network.
    k, m : int
        Numbers of the ports of x and y.
    """

    def __init__(self, scan: NetworkScan, k: int, m: int) -> None:
        self.scan = scan
        self.ports = scan.plan.ports[k], scan.plan.ports[m]
        self.x0, self.y0 = scan._present(k), scan._present(m)
        first, second = self.ports
        self.s = (
            scan._coupling(first, first.step),
            scan._coupling(second, second.step),
        )
        self.g = (scan._between(k, m), scan._between(m, k))
        moved: dict[int, list[Number]] = {}
        for i, (number, port) in enumerate(zip((k, m), self.ports, strict=True)):
            own = [] if _is_zero(self.s[i]) else [(w, self.s[i]) for w in port.step.below]
            for w, g in own + scan._beside(number):
                moved.setdefault(w, [0.0, 0.0])[i] = g
        self.below = set() if _is_zero(self.s[0]) else set(first.step.below)
        self.moved = {w: (g[0], g[1]) for w, g in sorted(moved.items())}

    def given(self, y: Complex) -> Moebius:
        """Everything as a function of x for given y.

        Parameters
        ----------
        y : ndarray, shape (..., F)

        Returns
        -------
        Moebius
            Coefficients of shape (..., F).
        """
        scan, (s, t), (g, back) = self.scan, self.s, self.g
        e = y - self.y0
        d0 = 1.0 + mul(t, e)
        d1 = s + mul(mul(s, t) - mul(g, back), e)
        own = 1.0 + mul(t - back, e)  # J_k as y leaves it, over d0 + d1 D
        other = mul(s - g, e)

        def figure(value: Complex, by_x: Number, by_y: Number) -> tuple[Number, Number]:
            """Numerator of a figure with these derivatives, in x."""
            n1 = mul(d1, value) + mul(by_x, own) + mul(by_y, other)
            n0 = mul(d0, value) + mul(by_y, e)
            return n0 - mul(n1, self.x0), n1

        drives: list[tuple[int, Number, Number]] = []
        for w, (by_x, by_y) in self.moved.items():
            h = scan.transfer[w]
            if w in self.below:
                # x acts through the denominator alone, and so does y where the driver is below it.
                both = w in self.ports[1].step.below
                drives.append((w, h if both else mul(h, 1.0 + mul(t - by_y, e)), 0.0))
            else:
                drives.append((w, *figure(h, -mul(by_x, h), -mul(by_y, h))))
        first, second = self.ports
        current = figure(scan.current, scan._pulled(first), scan._pulled(second))
        return _normalised(scan, (d0 - mul(d1, self.x0), d1), drives, current)


def _normalised(
    scan: NetworkScan,
    denominator: tuple[Number, Number],
    drives: list[tuple[int, Number, Number]],
    current: tuple[Number, Number],
) -> Moebius:
    """Scale everything so that one numerator is 1: that driver costs nothing more."""
    unit = None
    for at, (w, n0, n1) in enumerate(drives):
        if _is_zero(n1):
            scale = scan._scale(w, n0)
            denominator = (mul(denominator[0], scale), mul(denominator[1], scale))
            current = (mul(current[0], scale), mul(current[1], scale))
            drives = [(v, mul(a, scale), mul(b, scale)) for v, a, b in drives]
            drives[at] = (w, 1.0, 0.0)
            unit = w
            break
    return Moebius(
        denominator=denominator,
        drives=tuple(drives),
        current=current,
        output_ohm=scan.bank.source.output_ohm,
        unit=unit,
    )


def _start(value: Number, slope: Number, x0: Complex | None) -> Number:
    """Value at x = 0 of what has this value at x0, and this slope; a new array, or the value."""
    if x0 is None or _is_zero(slope):
        return value
    out = slope * x0
    return np.subtract(value, out, out=out)


def _is_zero(x: Number) -> bool:
    return isinstance(x, float) and x == 0.0


def _row(x: Number, shape: tuple[int, ...]) -> Complex:
    if isinstance(x, np.ndarray) and x.shape == shape and x.dtype.kind == "c":
        return x
    return np.ascontiguousarray(np.broadcast_to(np.asarray(x, dtype=np.complex128), shape))


class _PortFeed:
    """Steps of one network from the immittances of its ports."""

    def __init__(self, plan: NetworkPlan, immittance: Sequence[Complex | None]) -> None:
        self.total: dict[int, Complex] = {}
        for port, x in zip(plan.ports, immittance, strict=True):
            if x is not None:
                known = self.total.get(port.step.index)
                self.total[port.step.index] = x if known is None else known + x

    def step(self, step: Step) -> Complex | None:
        return self.total.get(step.index)

    def begin(self, step: Step, driver: int) -> None:
        return None


class _Collector(Visitor):
    """State and row of every step and junction; of parallel ones -b, as it is walked with."""

    def __init__(self) -> None:
        self.state: dict[Step | Junction, Number] = {}
        self.row: dict[Step | Junction, Number] = {}

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        self.state[step] = state
        self.row[step] = row

    def junction(self, junction: Junction, state: Number, row: Number) -> None:
        self.state[junction] = state
        self.row[junction] = row
