"""An expression on a frequency grid, for whole populations: values in, transfers and slopes out."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.network.expression.immittance import Cells, Immittances, part_impedance
from optimizer.network.expression.nodes import IDEAL, Node, SourceResistance
from optimizer.network.expression.plan import Junction, NetworkPlan, Population, Spine, Step
from optimizer.network.expression.walk import Above, Feed, Number, Visitor, Walk, mul
from optimizer.parts import KINDS, Kind

LossLaw = Callable[[Real], Real]

LossLaws = Mapping[Kind | int, LossLaw]
"""Loss over value by kind of part, and by number for parts that have a law of their own."""

_BLOCK = 1 << 12  # numbers worked on at once on the way down


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Electrical answer of a population.

    Parameters
    ----------
    transfer : list of ndarray, each (..., F), complex
        One per driver leaf: driver voltage over source voltage, polarity included.
    admittance : ndarray, shape (..., F), complex
        Input admittance that the amplifier sees at its terminals, in siemens.
    """

    transfer: list[Complex]
    admittance: Complex


@dataclass(frozen=True, slots=True, kw_only=True)
class SolutionSlopes:
    """Derivatives of a `Solution` with respect to the logarithm of each free part's value.

    Parameters
    ----------
    leaves : list of ndarray of int
        For each driver, the free parts that move its voltage.
    transfer : list of ndarray, each (P, S_w, F), complex
        Derivative of the driver's transfer for those parts.
    free : ndarray of int, shape (S,)
        All free parts.
    admittance : ndarray, shape (P, S, F), complex
        Derivative of the input admittance.
    """

    leaves: list[Index]
    transfer: list[Complex]
    free: Index
    admittance: Complex

    def into(self, column: Index) -> tuple[list[tuple[Index, Complex]], tuple[Index, Complex]]:
        """Give the derivatives with the columns of a larger array that they go to.

        Parameters
        ----------
        column : ndarray of int, shape (G,)
            Column of each part.

        Returns
        -------
        list of (ndarray, ndarray), (ndarray, ndarray)
            Of each driver's transfer, and of the admittance, as
            `optimizer.acoustics.curves.CurveTangents` takes them.
        """
        transfer = [(column[own], dh) for own, dh in zip(self.leaves, self.transfer, strict=True)]
        return transfer, (column[self.free], self.admittance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Phasors:
    """Voltage and current of every part and driver for 1 V of the source.

    Parameters
    ----------
    part_voltage, part_current : ndarray, shape (..., G, F), complex
        Across and through each part with its loss; zero where it is left out.
    driver_voltage, driver_current : ndarray, shape (..., W, F), complex
        At the terminals of each driver, polarity left out.
    current : ndarray, shape (..., F), complex
        Out of the source.
    """

    part_voltage: Complex
    part_current: Complex
    driver_voltage: Complex
    driver_current: Complex
    current: Complex


def loss_slopes(laws: LossLaws, kinds: tuple[Kind, ...], values: Real) -> Real:
    """Differentiate losses with respect to log values.

    Parameters
    ----------
    laws : mapping of kind or number to callable
        Smooth loss in ohm as a function of value.
    kinds : tuple of Kind, length G
        Kind of each part.
    values : ndarray, shape (..., G)
        Values, SI.

    Returns
    -------
    ndarray, shape (..., G)
        ohm per neper of value.

    Notes
    -----
    Loss laws are smooth power-like functions: a central difference in log value is exact to 1e-9.
    """
    step = 1e-5
    out = np.zeros_like(values)
    together: dict[Kind | int, list[int]] = {}
    for g, kind in enumerate(kinds):
        together.setdefault(g if g in laws else kind, []).append(g)
    for which, at in together.items():
        law, value = laws[which], values[..., at]
        out[..., at] = (law(value * (1.0 + step)) - law(value * (1.0 - step))) / (2.0 * step)
    return out


class Bank:
    """An expression on a frequency grid with its loads, ready to be solved many times.

    Parameters
    ----------
    network : Node or NetworkPlan
        The expression.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz; above 0.
    load_ohm : mapping of str to ndarray (F,)
        Impedance of each driver, by name of the driver.
    source : SourceResistance
        Amplifier and cable.

    Raises
    ------
    InputError
        When a driver has no load.
    """

    def __init__(
        self,
        network: Node | NetworkPlan,
        frequency_hz: Real,
        load_ohm: Mapping[str, Complex],
        source: SourceResistance = IDEAL,
    ) -> None:
        self.plan = network if isinstance(network, NetworkPlan) else NetworkPlan(network)
        self.frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
        self.omega = 2.0 * np.pi * self.frequency_hz
        self.source = source
        self.load_ohm = dict(load_ohm)
        self.load_admittance: list[Complex] = []
        for leaf in self.plan.drivers:
            if leaf.driver not in load_ohm:
                raise InputError(
                    "every driver of a network needs a load", subject=Subject("driver", leaf.driver)
                )
            load = np.asarray(load_ohm[leaf.driver], dtype=np.complex128)
            self.load_admittance.append(1.0 / load)
        self.cells = Cells(self.plan, self.omega)
        self.free: Flags = np.array([not leaf.fixed for leaf in self.plan.leaves], dtype=bool)
        self.free_leaves: Index = np.flatnonzero(self.free)
        self.moving_leaves: list[Index] = [
            np.flatnonzero(moved & self.free) for moved in _find_moved(self.plan, source)
        ]
        self.kind_of_free = [
            np.array([self.cells.kinds[g] == kind for g in self.free_leaves], dtype=np.float64)
            for kind in KINDS
        ]
        count = len(self.plan.leaves)
        self.rows = (
            _rows(self.free_leaves, count),
            [_rows(leaves, count) for leaves in self.moving_leaves],
        )

    @property
    def independent(self) -> tuple[tuple[int, ...], ...]:
        """Drivers in sets that no part moves more than one of: those of each spine on the source.

        Where that has a resistance, or something is in series with all, they are one set.
        """
        root = self.plan.root
        stiff = self.source.ohm == 0.0 and all(step.kind != "series" for step in root.steps)
        if stiff and isinstance(root.foot, Junction) and root.foot.kind == "parallel":
            return tuple(spine.drivers for spine in root.foot.spines)
        return (root.drivers,)

    def thinned(self, index: Index) -> Bank:
        """Return the same bank on a subset of its frequencies.

        Parameters
        ----------
        index : ndarray of int
            Grid points to keep.
        """
        loads = {name: np.asarray(z)[index] for name, z in self.load_ohm.items()}
        return Bank(self.plan, self.frequency_hz[index], loads, self.source)

    # Values

    def solve(self, population: Population) -> Solution:
        """Solve every network of a population.

        Parameters
        ----------
        population : Population
            Leading axes of any shape.

        Returns
        -------
        Solution
        """
        lead, flat = population.flatten()
        walked = self._walk(Immittances(self.cells, flat), flat.polarity, keep=False)
        return self._solution(walked, (*lead, len(self.omega)))

    def solve_from(self, feed: Feed, polarity: Real) -> Solution:
        """Solve networks whose immittances come from elsewhere, as from tables.

        Parameters
        ----------
        feed : Feed
            Gives new arrays (P, F).
        polarity : ndarray, shape (P, W)
            1.0 or -1.0.
        """
        walked = self._walk(feed, polarity, keep=False)
        return self._solution(walked, (len(polarity), len(self.omega)))

    def _walk(self, values: Feed, polarity: Real, *, keep: bool) -> Walk:
        turned = np.logical_or.reduce(polarity < 0.0, axis=0)
        signs: list[Number] = [
            polarity[:, w, None] if any_turned else 1.0 for w, any_turned in enumerate(turned)
        ]
        shape = (len(polarity), len(self.omega))
        return Walk(self.plan, values, self.load_admittance, self.source, shape, signs, keep=keep)

    def _solution(self, walked: Walk, shape: tuple[int, ...]) -> Solution:
        return Solution(
            transfer=[_shaped(h, shape) for h in walked.transfer],
            admittance=_shaped(walked.admittance, shape),
        )

    # Slopes

    def solve_with_slopes(
        self, population: Population, loss_slope: Real
    ) -> tuple[Solution, SolutionSlopes]:
        """Solve a population and differentiate it with respect to log values.

        Parameters
        ----------
        population : Population
            Leading axis P only.
        loss_slope : ndarray, shape (P, G)
            How losses follow the log values, see `loss_slopes`.

        Returns
        -------
        Solution, SolutionSlopes
        """
        p, f = len(population), len(self.omega)
        free, leaves = self.free_leaves, self.moving_leaves
        slopes = SolutionSlopes(
            leaves=leaves,
            transfer=[np.empty((p, len(own), f), dtype=np.complex128) for own in leaves],
            free=free,
            admittance=np.empty((p, len(free), f), dtype=np.complex128),
        )
        solutions = []
        # A few networks at a time: what is kept on the way up is read again while it is in cache.
        rows = max(1, _BLOCK // f)
        for start in range(0, max(p, 1), rows):
            part = slice(start, start + rows)
            solutions.append(
                self._slopes(
                    population[part],
                    loss_slope[part],
                    SolutionSlopes(
                        leaves=leaves,
                        transfer=[dh[part] for dh in slopes.transfer],
                        free=free,
                        admittance=slopes.admittance[part],
                    ),
                )
            )
        if len(solutions) == 1:
            return solutions[0], slopes
        transfer = [np.concatenate(h) for h in zip(*(s.transfer for s in solutions), strict=True)]
        admittance = np.concatenate([s.admittance for s in solutions])
        return Solution(transfer=transfer, admittance=admittance), slopes

    def _slopes(self, population: Population, loss_slope: Real, out: SolutionSlopes) -> Solution:
        """Solve a block and fill in its derivatives."""
        values = Immittances(self.cells, population, keep=True)
        walked = self._walk(values, population.polarity, keep=True)
        visitor = _SlopeVisitor(self, values, walked, loss_slope, out)
        walked.down(visitor)
        visitor.finish()
        solution = self._solution(walked, values.shape)
        if self.source.output_ohm:
            # The source current runs through the output resistance too: Y = I / (1 - r I).
            back = (1.0 + self.source.output_ohm * solution.admittance) ** 2
            np.multiply(out.admittance, back[:, None], out=out.admittance)
        return solution

    # Voltages and currents

    def phasors(self, population: Population) -> Phasors:
        """Voltage and current of every part and driver.

        Parameters
        ----------
        population : Population
            Leading axes of any shape.

        """
        lead, flat = population.flatten()
        p, f = len(flat), len(self.omega)
        values = Immittances(self.cells, flat, keep=True)
        walked = self._walk(values, np.ones_like(flat.polarity), keep=True)
        visitor = _PhasorVisitor(self, values)
        walked.down(visitor)
        drive = np.stack([_shaped(h, (p, f)) for h in walked.transfer], axis=1)
        impedance = (
            np.stack(
                [
                    part_impedance(kind, flat.values[:, g], flat.loss_ohm[:, g], self.omega)
                    for g, kind in enumerate(self.cells.kinds)
                ],
                axis=1,
            )
            if self.cells.kinds
            else np.empty((p, 0, f), dtype=np.complex128)
        )
        of_parts, of_drivers = (*lead, len(self.cells.kinds), f), (*lead, len(self.plan.drivers), f)
        return Phasors(
            part_voltage=(visitor.current * impedance).reshape(of_parts),
            part_current=visitor.current.reshape(of_parts),
            driver_voltage=drive.reshape(of_drivers),
            driver_current=(drive * np.stack(self.load_admittance)).reshape(of_drivers),
            current=_shaped(walked.current, (*lead, f)),
        )


def _shaped(x: Number, shape: tuple[int, ...]) -> Complex:
    """Bring a number to its full shape (P, F), then to one with other leading axes."""
    if isinstance(x, np.ndarray) and x.dtype.kind == "c" and x.size == math.prod(shape):
        return x if x.shape == shape else x.reshape(shape)
    out = np.empty((math.prod(shape[:-1]), shape[-1]), dtype=np.complex128)
    out[...] = x
    return out.reshape(shape)


class _SlopeVisitor(Visitor):
    """Collects the derivatives of all results on the way down."""

    def __init__(
        self, bank: Bank, values: Immittances, walked: Walk, loss_slope: Real, out: SolutionSlopes
    ) -> None:
        self.values = values
        self.programs = bank.cells.programs
        self.drive = walked.transfer
        self.out = out
        self.row, self.row_of_driver = bank.rows
        slope = _impedance_slopes(bank, values, out.free, loss_slope)
        # Begins as -dz by the log value of each part, its loss included.
        if out.admittance.size:
            np.matmul(slope, bank.cells.basis, out=out.admittance.view(np.float64))
        self.seen: set[int] = set()

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        for cell, share in self.values.shares(self.programs[step.index]):
            leaves = [g for g in cell.leaves if self.row[g] >= 0]
            if not leaves:
                continue
            # J = share S; dY = J^2 (-dz); dH = H row share J (-dz) for the drivers below.
            through = mul(share, state)
            square = mul(through, through)
            below = mul(mul(row, share), through)
            factors = [(w, mul(below, self.drive[w])) for w in step.below]
            for g in leaves:
                slope = self.out.admittance[:, self.row[g]]
                for w, factor in factors:
                    self._put(w, g, factor, slope)
                np.multiply(square, slope, out=slope)
                for w, factor in above:
                    self._put(w, g, factor, slope)
                self.seen.add(g)

    def _put(self, w: int, g: int, factor: Number, slope: Complex) -> None:
        at = self.row_of_driver[w][g]
        if at >= 0:
            np.multiply(factor, slope, out=self.out.transfer[w][:, at])

    def finish(self) -> None:
        """Set to zero what no network has."""
        for w, leaves in enumerate(self.out.leaves):
            for at, g in enumerate(leaves):
                if int(g) not in self.seen:
                    self.out.transfer[w][:, at] = 0.0


def _rows(leaves: Index, count: int) -> list[int]:
    """Position of each part in a list of parts, -1 for those that are not in it."""
    rows = np.full(count, -1, dtype=np.intp)
    rows[leaves] = np.arange(len(leaves))
    return [int(row) for row in rows]


def _impedance_slopes(bank: Bank, values: Immittances, free: Index, loss_slope: Real) -> Real:
    """Coefficients of 1/(jw), 1 and jw in -dz by log value, zero where empty, (P, S, 3)."""
    coil, capacitor, resistor = bank.kind_of_free
    reactive = values.parts[:, len(bank.cells.kinds) + free]
    out = np.empty((*reactive.shape, 3))
    np.multiply(reactive, capacitor, out=out[:, :, 0])
    np.multiply(values.population.values[:, free], -resistor, out=out[:, :, 1])
    out[:, :, 1] -= loss_slope[:, free]
    np.multiply(reactive, -coil, out=out[:, :, 2])
    if values.mask is not None:
        out *= values.mask[:, free, None]
    return out


class _PhasorVisitor(Visitor):
    """Collects the current through every part on the way down."""

    def __init__(self, bank: Bank, values: Immittances) -> None:
        self.values = values
        self.programs = bank.cells.programs
        p, f = values.shape
        self.current: Complex = np.zeros((p, len(bank.cells.kinds), f), dtype=np.complex128)

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        for cell, share in self.values.shares(self.programs[step.index]):
            for g in cell.leaves:
                self.current[:, g] = mul(share, state)
        if self.values.mask is not None:
            leaves = list(step.leaves)
            self.current[:, leaves] *= self.values.mask[:, leaves, None]


def _find_moved(plan: NetworkPlan, source: SourceResistance) -> list[Flags]:
    """For each driver, which parts move it: those on its way, and more where a source is not ideal.

    An ideal voltage source (b = 0) keeps what is parallel to it apart.
    """
    moved = [np.zeros(len(plan.leaves), dtype=bool) for _ in plan.drivers]

    def visit(spine: Spine, stiff: bool, above: tuple[int, ...]) -> None:
        for step in spine.steps:
            leaves = list(step.leaves)
            for w in above:
                moved[w][leaves] = True
            if step.kind == "series" or not stiff:
                for w in step.below:
                    moved[w][leaves] = True
            stiff = stiff and step.kind != "series"
        if isinstance(spine.foot, Junction):
            apart = spine.foot.kind == "parallel" and stiff
            for child in spine.foot.spines:
                others = tuple(w for w in spine.drivers if w not in child.drivers)
                visit(child, apart, above if apart else above + others)

    visit(plan.root, source.ohm == 0.0, ())
    return moved
