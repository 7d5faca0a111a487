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
from optimizer.network.expression.plan import Junction, NetworkPlan, Port, Step
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
    """

    denominator: tuple[Number, Number]
    drives: tuple[tuple[int, Number, Number], ...]
    current: tuple[Number, Number]
    output_ohm: float = 0.0

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
        d0, d1 = self.denominator
        # One driver costs nothing more than the denominator, see `_normalised`: made in its place.
        unit = next((w for w, n0, n1 in self.drives if _is_zero(n1) and _is_one(n0)), None)
        if unit is None or isinstance(d1, float):
            moved, admittance[...] = self.at(x)
            for w, h in moved.items():
                drives[w][...] = h
            return
        share = np.multiply(d1, x, out=drives[unit])
        share += d0
        np.reciprocal(share, out=share)
        for w, n0, n1 in self.drives:
            if w != unit:
                drives[w][...] = _ratio(n0, n1, x, share)
        n0, n1 = self.current
        np.multiply(n1, x, out=admittance)
        admittance += n0
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
        self._known: dict[int, list[tuple[int, Number, bool]]] = {}
        self._inverse: dict[int, Complex] = {}
        self._current_over: dict[int, Complex] = {}
        self._singles: dict[int, Moebius] = {}

    # Where things are

    def _meeting(self, k: Port, spines: tuple[int, ...], step: Step | None) -> Step | Junction:
        """Where the ways to a port and to another port or driver part."""
        shared = 0
        for a, b in zip(k.spines, spines, strict=False):
            if a != b:
                return k.junctions[shared - 1]
            shared += 1
        if len(spines) > shared or step is None:
            return k.step
        if len(k.spines) > shared:
            return step
        return min(k.step, step, key=lambda s: s.index)

    def _coupling(self, k: Port, at: Step | Junction) -> Number:
        """g_km for whatever parts from port k at a step or junction."""
        row, state = self._row[at], self._state[k.step]
        if isinstance(row, float) and row == 0.0:
            return 0.0
        alike = k.step.kind == at.kind
        if at is k.step:
            return mul(row, state)
        out = mul(row, mul(state, state)) / self._state[at]
        return out if alike else -out

    def _of_drivers(self, k: Port) -> list[tuple[int, Number, bool]]:
        """Drivers that a port moves: number, g, and whether they hang below its step."""
        if k.step.index in self._known:
            return self._known[k.step.index]
        out = self._known[k.step.index] = []
        for w in range(len(self.plan.drivers)):
            below = w in k.step.below
            g = self._coupling(k, self._meeting(k, self.plan.path[w], None))
            if not (isinstance(g, float) and g == 0.0):
                out.append((w, g, below))
        return out

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
        port, x0 = self.plan.ports[k], self._present(k)
        s = self._coupling(port, port.step)
        moved = self._of_drivers(port)
        # Everything is scaled so that the numerator of a driver below is 1: that one then costs
        # nothing more than the denominator.
        unit = next((w for w, _, below in moved if below), None)
        scale = 1.0 if unit is None else self._scale(unit, self.transfer[unit])
        scaled = mul(s, scale)
        drives: list[tuple[int, Number, Number]] = []
        for w, g, below in moved:
            if below:
                drives.append((w, 1.0 if w == unit else mul(self.transfer[w], scale), 0.0))
            else:
                slope = mul(self.transfer[w], scaled - mul(g, scale))
                drives.append((w, mul(self.transfer[w], scale) - mul(slope, x0), slope))
        slope = mul(self.current, scaled) + mul(self._pulled(port), scale)
        return Moebius(
            denominator=(scale - mul(scaled, x0), scaled),
            drives=tuple(drives),
            current=(self._scaled_current(unit) - mul(slope, x0), slope),
            output_ohm=self.bank.source.output_ohm,
        )

    def _scaled_current(self, unit: int | None) -> Complex:
        """Source current over the drive of a way; the current itself without one."""
        if unit is None:
            return self.current
        if unit not in self._current_over:
            self._current_over[unit] = self.current * self._scale(unit, self.transfer[unit])
        return self._current_over[unit]

    def _between(self, k: int, m: int) -> Number:
        a, b = self.plan.ports[k], self.plan.ports[m]
        return self._coupling(a, self._meeting(a, b.spines, b.step))

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
        self.below: set[int] = set()
        for i, port in enumerate(self.ports):
            for w, g, below in scan._of_drivers(port):
                moved.setdefault(w, [0.0, 0.0])[i] = g
                if below and i == 0:
                    self.below.add(w)
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
    for at, (w, n0, n1) in enumerate(drives):
        if _is_zero(n1):
            scale = scan._scale(w, n0)
            denominator = (mul(denominator[0], scale), mul(denominator[1], scale))
            current = (mul(current[0], scale), mul(current[1], scale))
            drives = [(v, mul(a, scale), mul(b, scale)) for v, a, b in drives]
            drives[at] = (w, 1.0, 0.0)
            break
    return Moebius(
        denominator=denominator,
        drives=tuple(drives),
        current=current,
        output_ohm=scan.bank.source.output_ohm,
    )


def _is_zero(x: Number) -> bool:
    return isinstance(x, float) and x == 0.0


def _is_one(x: Number) -> bool:
    return isinstance(x, float) and x == 1.0


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
    """State and row of every step and junction; b with its own sign."""

    def __init__(self) -> None:
        self.state: dict[Step | Junction, Number] = {}
        self.row: dict[Step | Junction, Number] = {}

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        self.state[step] = state
        self.row[step] = row if step.kind == "series" else _negative(row)

    def junction(self, junction: Junction, state: Number, row: Number) -> None:
        self.state[junction] = state
        self.row[junction] = row if junction.kind == "series" else _negative(row)


def _negative(x: Number) -> Number:
    return 0.0 if _is_zero(x) else -x
