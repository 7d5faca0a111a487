"""An expression on a frequency grid, for whole populations: values in, transfers and slopes out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.network.expression.nodes import Node, Source
from optimizer.network.expression.plan import Branch, Junction, Plan, Spine, Step
from optimizer.network.expression.walk import Above, Number, Visitor, Walk, mul
from optimizer.parts import KINDS, Kind

LossLaw = Callable[[Real], Real]

IDEAL = Source()

_BLOCK = 1 << 12  # numbers worked on at once on the way down
_AT_ONCE = 1 << 14  # numbers up to which several cells are computed in one go


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """Networks of one expression as arrays; leading axes broadcast against each other.

    Parameters
    ----------
    values, loss_ohm : ndarray, shape (..., G)
        Value (SI) and series loss of every part.
    present : ndarray of bool, shape (..., K)
        Whether each place is filled.
    polarity : ndarray, shape (..., W)
        1.0 or -1.0.
    """

    values: Real
    loss_ohm: Real
    present: Flags
    polarity: Real

    def __len__(self) -> int:
        return len(self.values)

    def __getitem__(self, index: Any) -> Population:
        return Population(
            values=self.values[index],
            loss_ohm=self.loss_ohm[index],
            present=self.present[index],
            polarity=self.polarity[index],
        )


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
class Slopes:
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


def part_impedance(kind: Kind, value: Real, loss_ohm: Real, omega: Real) -> Complex:
    """Impedance of parts of one kind.

    Parameters
    ----------
    kind : {"inductor", "capacitor", "resistor"}
        Law to apply: ``r + jwL``, ``r + 1/(jwC)`` or ``R + r``.
    value, loss_ohm : ndarray, shape (...)
        Values in H, F or ohm and their series losses in ohm.
    omega : ndarray, shape (F,)
        Angular frequency in rad/s.

    Returns
    -------
    ndarray, shape (..., F), complex
        Impedance in ohm.
    """
    value = np.asarray(value, dtype=np.float64)[..., None]
    loss = np.asarray(loss_ohm, dtype=np.float64)[..., None]
    shape = np.broadcast_shapes(value.shape, loss.shape, omega.shape)
    out = np.empty(shape, dtype=np.complex128)
    if kind == "inductor":
        out.real = loss
        np.multiply(value, omega, out=out.imag)
    elif kind == "capacitor":
        out.real = loss
        np.divide(-1.0 / value, omega, out=out.imag)
    else:
        out.real = value + loss
        out.imag = 0.0
    return out


def loss_slopes(laws: Mapping[Kind, LossLaw], kinds: tuple[Kind, ...], values: Real) -> Real:
    """Differentiate losses with respect to log values.

    Parameters
    ----------
    laws : mapping of kind to callable
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
    for kind in KINDS:
        at = [g for g, k in enumerate(kinds) if k == kind]
        if at:
            law, value = laws[kind], values[..., at]
            out[..., at] = (law(value * (1.0 + step)) - law(value * (1.0 - step))) / (2.0 * step)
    return out


class Bank:
    """An expression on a frequency grid with its loads, ready to be solved many times.

    Parameters
    ----------
    network : Node or Plan
        The expression.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz; above 0.
    load_ohm : mapping of str to ndarray (F,)
        Impedance of each driver, by name of the driver.
    source : Source
        Amplifier and cable.

    Raises
    ------
    InputError
        When a driver has no load.
    """

    def __init__(
        self,
        network: Node | Plan,
        frequency_hz: Real,
        load_ohm: Mapping[str, Complex],
        source: Source = IDEAL,
    ) -> None:
        self.plan = network if isinstance(network, Plan) else Plan(network)
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
        self.kinds = tuple(leaf.kind for leaf in self.plan.leaves)
        self.free: Flags = np.array([not leaf.fixed for leaf in self.plan.leaves], dtype=bool)
        self._compile()

    def thinned(self, index: Index) -> Bank:
        """Return the same bank on a subset of its frequencies.

        Parameters
        ----------
        index : ndarray of int
            Grid points to keep.
        """
        loads = {name: np.asarray(z)[index] for name, z in self.load_ohm.items()}
        return Bank(self.plan, self.frequency_hz[index], loads, self.source)

    def _compile(self) -> None:
        """Turn branches into cells of parts in series, each a row of one matrix."""
        g = len(self.kinds)
        self.cells: list[_Cell] = []
        self.programs = [self._program(step) for step in self.plan.steps]
        n = len(self.cells)
        # Coefficients of 1/(jw), 1 and jw in the impedance of each cell, from those of the parts.
        self.gather = np.zeros((2 * g, 3 * n))
        self.member = np.zeros((g, n))
        for k, cell in enumerate(self.cells):
            for leaf in cell.leaves:
                self.member[leaf, k] = 1.0
                self.gather[leaf, 3 * k + 1] = 1.0
                if self.kinds[leaf] == "capacitor":
                    self.gather[g + leaf, 3 * k] = 1.0
                elif self.kinds[leaf] == "inductor":
                    self.gather[g + leaf, 3 * k + 2] = 1.0
        self.resistive = [k for k, cell in enumerate(self.cells) if cell.resistive]
        w = self.omega
        basis = np.zeros((3, len(w), 2))
        basis[0, :, 1], basis[1, :, 0], basis[2, :, 1] = -1.0 / w, 1.0, w
        self.basis = basis.reshape(3, -1)
        self.conjugate = (basis * np.array([1.0, -1.0])).reshape(3, -1)
        self.squares = np.repeat(np.stack([1.0 / w**2, np.ones_like(w), w**2]), 2, axis=1)
        self.at = {k: np.flatnonzero([kind == k for kind in self.kinds]) for k in KINDS}
        self.moved = _find_moved(self.plan, self.source)

    def _program(self, step: Step) -> tuple[_Program, ...]:
        """Programs of the branches of a step; parts in the line are one cell."""
        if step.kind == "tap":
            return ()
        want: Literal["z", "y"] = "z" if step.kind == "series" else "y"
        programs: list[_Program] = []
        alone = [b for b in step.branches if b.kind == "part"]
        if step.kind == "series" and alone:
            programs.append(self._cell(tuple(b.leaves[0] for b in alone), want))
        programs += [
            self._compiled(b, want)
            for b in step.branches
            if step.kind == "parallel" or b.kind != "part"
        ]
        return tuple(programs)

    def _cell(self, leaves: tuple[int, ...], want: Literal["z", "y"]) -> _Cell:
        kinds = {self.kinds[leaf] for leaf in leaves}
        columns = slice(0 if "capacitor" in kinds else 1, 3 if "inductor" in kinds else 2)
        batch: Any = "impedance" if want == "z" else "admittance"
        if kinds == {"resistor"}:
            batch = "resistance"
        elif want == "y" and {"inductor", "capacitor"} <= kinds:
            batch = "resonance"
        cell = _Cell(want=want, leaves=leaves, index=len(self.cells), columns=columns, batch=batch)
        self.cells.append(cell)
        return cell

    def _compiled(self, branch: Branch, want: Literal["z", "y"]) -> _Program:
        if branch.kind == "part":
            return self._cell(branch.leaves, want)
        if branch.kind == "tap":
            items = (self._compiled(branch.items[0], want),)
            return _Group(
                want=want, have=want, leaves=branch.leaves, items=items, ratio=branch.ratio
            )
        have: Literal["z", "y"] = "z" if branch.kind == "series" else "y"
        alone = [b for b in branch.items if b.kind == "part"]
        if have == "z" and len(alone) == len(branch.items):
            return self._cell(branch.leaves, want)
        programs: list[_Program] = []
        if have == "z" and alone:
            programs.append(self._cell(tuple(b.leaves[0] for b in alone), "z"))
        programs += [
            self._compiled(b, have) for b in branch.items if have == "y" or b.kind != "part"
        ]
        return _Group(want=want, have=have, leaves=branch.leaves, items=tuple(programs))

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
        lead, flat = _flatten(population)
        walked = self._walk(_Values(self, flat), flat.polarity, keep=False)
        return self._solution(walked, (*lead, len(self.omega)))

    def _walk(self, values: _Values, polarity: Real, *, keep: bool) -> Walk:
        signs: list[Number] = [
            polarity[:, w, None] if (polarity[:, w] < 0.0).any() else 1.0
            for w in range(polarity.shape[1])
        ]
        shape = (len(polarity), len(self.omega))
        return Walk(
            self.plan, values.step, self.load_admittance, self.source, shape, signs, keep=keep
        )

    def _solution(self, walked: Walk, shape: tuple[int, ...]) -> Solution:
        return Solution(
            transfer=[_shaped(h, shape) for h in walked.transfer],
            admittance=_shaped(walked.admittance, shape),
        )

    # Slopes

    def solve_with_slopes(
        self, population: Population, loss_slope: Real
    ) -> tuple[Solution, Slopes]:
        """Solve a population and differentiate it with respect to log values.

        Parameters
        ----------
        population : Population
            Leading axis P only.
        loss_slope : ndarray, shape (P, G)
            How losses follow the log values, see `loss_slopes`.

        Returns
        -------
        Solution, Slopes
        """
        p, f = len(population), len(self.omega)
        free = np.flatnonzero(self.free)
        leaves = [np.flatnonzero(moved & self.free) for moved in self.moved]
        slopes = Slopes(
            leaves=leaves,
            transfer=[np.empty((p, len(own), f), dtype=np.complex128) for own in leaves],
            free=free,
            admittance=np.empty((p, len(free), f), dtype=np.complex128),
        )
        solutions = []
        # A few networks at a time: what is kept on the way up is read again while it is in cache.
        rows = max(1, _BLOCK // f)
        for start in range(0, p, rows):
            part = slice(start, start + rows)
            solutions.append(
                self._slopes(
                    population[part],
                    loss_slope[part],
                    Slopes(
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

    def _slopes(self, population: Population, loss_slope: Real, out: Slopes) -> Solution:
        """Solve a block and fill in its derivatives."""
        values = _Values(self, population, keep=True)
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

        Returns
        -------
        Phasors
        """
        lead, flat = _flatten(population)
        p, f = len(flat), len(self.omega)
        values = _Values(self, flat, keep=True)
        walked = self._walk(values, np.ones_like(flat.polarity), keep=True)
        visitor = _PhasorVisitor(self, values)
        walked.down(visitor)
        drive = np.stack([_shaped(h, (p, f)) for h in walked.transfer], axis=1)
        impedance = (
            np.stack(
                [
                    part_impedance(kind, flat.values[:, g], flat.loss_ohm[:, g], self.omega)
                    for g, kind in enumerate(self.kinds)
                ],
                axis=1,
            )
            if self.kinds
            else np.empty((p, 0, f), dtype=np.complex128)
        )
        return Phasors(
            part_voltage=(visitor.current * impedance).reshape(*lead, -1, f),
            part_current=visitor.current.reshape(*lead, -1, f),
            driver_voltage=drive.reshape(*lead, -1, f),
            driver_current=(drive * np.stack(self.load_admittance)).reshape(*lead, -1, f),
            current=_shaped(walked.current, (*lead, f)),
        )


def _flatten(population: Population) -> tuple[tuple[int, ...], Population]:
    """Leading axes, and the population with one such axis."""
    fields = (population.values, population.loss_ohm, population.present, population.polarity)
    if population.values.ndim == 2 and all(x.shape[:-1] == fields[0].shape[:-1] for x in fields):
        return (len(population),), population
    lead = np.broadcast_shapes(*(x.shape[:-1] for x in fields))

    def flat(x: NDArray[Any]) -> NDArray[Any]:
        return np.broadcast_to(x, (*lead, x.shape[-1])).reshape(-1, x.shape[-1])

    values, loss, present, polarity = map(flat, fields)
    return lead, Population(values=values, loss_ohm=loss, present=present, polarity=polarity)


def _shaped(x: Number, shape: tuple[int, ...]) -> Complex:
    """Bring a number to its full shape (P, F), then to one with other leading axes."""
    flat = (int(np.prod(shape[:-1])), shape[-1])
    if isinstance(x, np.ndarray) and x.dtype.kind == "c" and x.shape == flat:
        return x.reshape(shape)
    out = np.empty(flat, dtype=np.complex128)
    out[...] = x
    return out.reshape(shape)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cell:
    """Parts in series: ``z = s0/(jw) + s1 + s2 jw``, wanted as an impedance or an admittance.

    `columns` are those of s0, s1, s2 that are not zero; `batch` is what is computed alike.
    """

    want: Literal["z", "y"]
    leaves: tuple[int, ...]
    index: int
    columns: slice
    batch: Literal["impedance", "admittance", "resonance", "resistance"]

    @property
    def resistive(self) -> bool:
        """Whether it holds resistors alone: then it is a column, the same at all frequencies."""
        return self.batch == "resistance"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Group:
    """Programs whose impedances or admittances add, wanted as one or the other."""

    want: Literal["z", "y"]
    have: Literal["z", "y"]
    leaves: tuple[int, ...]
    items: tuple[_Program, ...]
    ratio: float = 1.0


_Program = _Cell | _Group


class _Values:
    """Immittances of the steps of a population, computed when asked for."""

    def __init__(self, bank: Bank, population: Population, *, keep: bool = False) -> None:
        self.bank = bank
        self.population = population
        self.keep = keep
        self.kept: dict[_Program, NDArray[Any] | None] = {}
        self.ready: dict[int, Complex] = {}
        values, loss = population.values, population.loss_ohm
        p, g = values.shape
        self.shape = (p, len(bank.omega))
        parts = np.zeros((p, 2 * g))
        parts[:, :g] = loss
        coils, caps, resistors = bank.at["inductor"], bank.at["capacitor"], bank.at["resistor"]
        parts[:, resistors] += values[:, resistors]
        parts[:, g + coils] = values[:, coils]
        parts[:, g + caps] = 1.0 / values[:, caps]
        self.parts = parts
        self.mask: Flags | None = None
        self.absent: Real | None = None
        if not population.present.all():
            self.mask = mask = bank.plan.mask(population.present)
            parts.reshape(p, 2, g)[...] *= mask[:, None]
            self.absent = 1.0 - np.minimum(mask @ bank.member, 1.0).T
            self.alive = (self.absent.min(axis=1) == 0.0).tolist()
        self.cells = np.ascontiguousarray(
            (parts @ bank.gather).reshape(p, len(bank.cells), 3).transpose(1, 0, 2)
        )
        self.squares = self.cells * self.cells
        if self.absent is not None:
            self.squares[:, :, 1] += self.absent
        # Some cells at once while blocks are small, where each call costs more than its work.
        self.at_once = max(1, _AT_ONCE // (p * len(bank.omega)))

    def _there(self, leaves: tuple[int, ...]) -> Real | None:
        """1.0 where any of some parts is there, as a column; None when that is everywhere."""
        if self.mask is None:
            return None
        there = np.logical_or.reduce(self.mask[:, leaves], axis=1)
        return None if there.all() else there[:, None].astype(np.float64)

    def step(self, step: Step) -> NDArray[Any] | None:
        """Immittance of a step, None when no network has anything there."""
        return self._sum(self.bank.programs[step.index])

    def _sum(self, programs: tuple[_Program, ...]) -> NDArray[Any] | None:
        total: NDArray[Any] | None = None
        own = not self.keep
        for program in programs:
            x = self._immittance(program)
            if x is None:
                continue
            if total is None:
                total = x
            elif own and total.dtype.kind == "c":
                total += x
            elif not self.keep and x.dtype.kind == "c":
                x += total
                total = x
            else:
                total, own = total + x, True
        return total

    def _immittance(self, program: _Program) -> NDArray[Any] | None:
        x = self._cell(program) if isinstance(program, _Cell) else self._group(program)
        if self.keep:
            self.kept[program] = x
        return x

    def _resistance(self, cell: _Cell) -> Real:
        """Resistance or conductance of a cell of resistors, as a column."""
        r = self.cells[cell.index, :, 1, None]
        if cell.want == "z":
            return r
        if self.absent is None:
            return np.asarray(1.0 / r)
        absent = self.absent[cell.index, :, None]
        return np.asarray((1.0 - absent) / (r + absent))

    def _cell(self, cell: _Cell) -> NDArray[Any] | None:
        """Impedance or admittance of a cell; None when no network has it."""
        if self.absent is not None and not self.alive[cell.index]:
            return None
        if cell.resistive:
            return self._resistance(cell)
        if cell.index not in self.ready:
            self._fill(cell)
        return self.ready.pop(cell.index)

    def _fill(self, cell: _Cell) -> None:
        """Compute a cell, and with it some that come next."""
        bank = self.bank
        alike = [c for c in bank.cells[cell.index :] if c.batch == cell.batch][: self.at_once]
        rows: Any
        if len(alike) == 1:
            rows, columns = slice(cell.index, cell.index + 1), cell.columns
        else:
            rows, columns = [c.index for c in alike], slice(0, 3)
        coefficients = self.cells[rows, :, columns].reshape(-1, columns.stop - columns.start)
        out = np.empty((len(alike), *self.shape), dtype=np.complex128)
        view = out.view(np.float64).reshape(-1, 2 * self.shape[1])
        # As products of matrices, real and imaginary parts side by side: one pass over memory.
        if cell.batch == "admittance":
            # y = conj(z)/|z|^2; with a coil or a capacitor alone |z|^2 is a sum of two squares.
            np.matmul(coefficients, bank.conjugate[columns], out=view)
            squares = self.squares[rows, :, columns].reshape(coefficients.shape)
            np.divide(view, squares @ bank.squares[columns], out=view)
        else:
            np.matmul(coefficients, bank.basis[columns], out=view)
        for c, x in zip(alike, out, strict=True):
            self.ready[c.index] = x
            if cell.batch == "resonance":
                _invert(x, self._there(c.leaves))

    def _group(self, group: _Group) -> NDArray[Any] | None:
        x = self._sum(group.items)
        if x is None:
            return None
        if group.ratio != 1.0:
            return np.asarray(x * (group.ratio**2 if group.want == "z" else group.ratio**-2))
        if group.want == group.have:
            return x
        if self.keep or x.dtype.kind != "c":
            x = x.copy()
        return _invert(x, self._there(group.leaves))

    def shares(self, programs: tuple[_Program, ...]) -> Iterator[tuple[_Cell, Number]]:
        """Every cell that somebody has, with its current over the state of the step."""
        for program in programs:
            yield from self._shares(program, 1.0)

    def _shares(self, program: _Program, share: Number) -> Iterator[tuple[_Cell, Number]]:
        """`share` is the current (an impedance is wanted) or voltage over the step's state."""
        x = self.kept[program]
        if x is None:
            return
        if isinstance(program, _Cell):
            yield program, share if program.want == "z" else mul(x, share)
            return
        if program.ratio != 1.0:
            share = share * (program.ratio if program.want == "z" else 1.0 / program.ratio)
        elif program.want != program.have:
            share = mul(x, share)
        for item in program.items:
            yield from self._shares(item, share)


def _invert(x: NDArray[Any], there: Real | None) -> NDArray[Any]:
    """1/x in place, zero where nothing is there."""
    if there is not None:
        x += 1.0 - there
    np.reciprocal(x, out=x)
    if there is not None:
        x *= there
    return x


class _SlopeVisitor(Visitor):
    """Collects the derivatives of all results on the way down."""

    def __init__(
        self, bank: Bank, values: _Values, walked: Walk, loss_slope: Real, out: Slopes
    ) -> None:
        self.values = values
        self.programs = bank.programs
        self.drive = walked.transfer
        self.out = out
        self.row = _rows(out.free, len(bank.kinds))
        self.row_of_driver = [_rows(leaves, len(bank.kinds)) for leaves in out.leaves]
        slope = _impedance_slopes(bank, values, out.free, loss_slope)
        # Begins as -dz by the log value of each part, its loss included.
        if out.admittance.size:
            np.matmul(slope, bank.basis, out=out.admittance.view(np.float64))
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


def _impedance_slopes(bank: Bank, values: _Values, free: Index, loss_slope: Real) -> Real:
    """Coefficients of 1/(jw), 1 and jw in -dz by log value, zero where empty, (P, S, 3)."""
    g = len(bank.kinds)
    out = np.zeros((values.shape[0], len(free), 3))
    out[:, :, 1] = -loss_slope[:, free]
    for kind, column in (("inductor", 2), ("resistor", 1), ("capacitor", 0)):
        rows = [s for s, leaf in enumerate(free) if bank.kinds[leaf] == kind]
        leaves = free[rows]
        if kind == "capacitor":
            out[:, rows, column] += values.parts[:, g + leaves]
        else:
            out[:, rows, column] -= values.population.values[:, leaves]
    if values.mask is not None:
        out *= values.mask[:, free, None]
    return out


class _PhasorVisitor(Visitor):
    """Collects the current through every part on the way down."""

    def __init__(self, bank: Bank, values: _Values) -> None:
        self.values = values
        self.programs = bank.programs
        p, f = values.shape
        self.current: Complex = np.zeros((p, len(bank.kinds), f), dtype=np.complex128)

    def step(self, step: Step, state: Number, row: Number, above: Above) -> None:
        for cell, share in self.values.shares(self.programs[step.index]):
            for g in cell.leaves:
                self.current[:, g] = mul(share, state)
        if self.values.mask is not None:
            leaves = list(step.leaves)
            self.current[:, leaves] *= self.values.mask[:, leaves, None]


def _find_moved(plan: Plan, source: Source) -> list[Flags]:
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
