"""Impedances and admittances of the steps of an expression, for whole populations.

Parts in series with each other are one *cell*: three numbers (the coefficients of 1/(jw), 1 and jw)
whatever it holds, so that a place that is left out is a zero and costs nothing. All cells of a
population are one product of matrices, and each becomes a curve by another.

A product of matrices rounds in an order that depends on the row. So none here adds up anything but
zeros to a rounded number, nor more than two numbers: the answer of a network must not depend, not
even in its last bit, on its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.network.expression.plan import NetworkPlan, PartsBranch, Population, Step
from optimizer.network.expression.walk import Number, mul
from optimizer.parts import KINDS, Kind

_AT_ONCE = 1 << 14  # numbers up to which several cells are computed in one go


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


def branch_immittance(
    branch: PartsBranch,
    impedance: Callable[[int], Complex | None],
    want: Literal["z", "y"],
    *,
    gaps: bool = False,
) -> Complex | None:
    """Impedance or admittance of a branch from the impedances of its parts.

    Parameters
    ----------
    branch : PartsBranch
        The branch.
    impedance : callable
        Impedance of each part by its number, of any shapes that broadcast; None where it is left
        out.
    want : {"z", "y"}
        Which of the two.
    gaps : bool
        Whether some of the impedances stand for nothing there, see `invert`: what is joined of
        nothing but these is nothing too.

    Returns
    -------
    ndarray or None
        None when nothing is there.
    """
    if branch.kind == "part":
        z = impedance(branch.leaves[0])
        return z if z is None or want == "z" else 1.0 / z
    if branch.kind == "tap":
        x = branch_immittance(branch.items[0], impedance, want, gaps=gaps)
        return None if x is None else x * branch.ratio ** (2 if want == "z" else -2)
    have: Literal["z", "y"] = "z" if branch.kind == "series" else "y"
    total: Complex | None = None
    for item in branch.items:
        x = branch_immittance(item, impedance, have, gaps=gaps)
        if x is not None:
            total = x if total is None else total + x
    if total is None or have == want:
        return total
    if gaps:
        return np.divide(1.0, total, out=np.zeros_like(total), where=total != 0.0)
    return 1.0 / total


_BATCHES = ("impedance", "admittance", "resonance", "resistance")


@dataclass(slots=True, kw_only=True, eq=False)
class _Cell:
    """Parts in series: ``z = s0/(jw) + s1 + s2 jw``, wanted as an impedance or an admittance.

    `columns` are those of s0, s1, s2 that are not zero, s0 apart where there is s2 too; `batch` is
    what is computed alike.
    """

    want: Literal["z", "y"]
    leaves: tuple[int, ...]
    columns: slice
    batch: str
    index: int = -1

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


class Cells:
    """An expression compiled to cells on a frequency grid.

    Parameters
    ----------
    plan : NetworkPlan
        The expression.
    omega : ndarray, shape (F,)
        Angular frequency in rad/s.

    Attributes
    ----------
    programs : list of tuple
        What is to be added up in each step, by number of the step.
    basis : ndarray, shape (3, 2F)
        1/(jw), 1 and jw, real and imaginary parts side by side.
    """

    def __init__(self, plan: NetworkPlan, omega: Real) -> None:
        self.plan = plan
        self.omega = omega
        self.kinds = tuple(leaf.kind for leaf in plan.leaves)
        g = len(self.kinds)
        self.cells: list[_Cell] = []
        programs = {step.index: self._program(step) for step in plan.root.upward()}
        self.programs = [programs[k] for k in range(len(plan.steps))]
        # Cells that are computed alike stand together, in the order in which they are asked for.
        self.cells.sort(key=lambda cell: _BATCHES.index(cell.batch))
        for k, cell in enumerate(self.cells):
            cell.index = k
        self.ends = {
            batch: sum(_BATCHES.index(c.batch) <= at for c in self.cells)
            for at, batch in enumerate(_BATCHES)
        }
        n = len(self.cells)
        # Coefficients of 1/(jw), 1 and jw in the impedance of each cell, from those of the parts.
        self.gather = np.zeros((2 * g, 3 * n))
        self.member = np.zeros((g, n))
        self.sums: list[tuple[int, int, list[int]]] = []
        for k, cell in enumerate(self.cells):
            for leaf in cell.leaves:
                self.member[leaf, k] = 1.0
                self.gather[leaf, 3 * k + 1] = 1.0
                if self.kinds[leaf] == "capacitor":
                    self.gather[g + leaf, 3 * k] = 1.0
                elif self.kinds[leaf] == "inductor":
                    self.gather[g + leaf, 3 * k + 2] = 1.0
            for column in range(3):
                parts = np.flatnonzero(self.gather[:, 3 * k + column]).tolist()
                if len(parts) > 2:
                    self.sums.append((k, column, parts))
                    self.gather[:, 3 * k + column] = 0.0
        w = self.omega
        basis = np.zeros((3, len(w), 2))
        basis[0, :, 1], basis[1, :, 0], basis[2, :, 1] = -1.0 / w, 1.0, w
        self.basis = basis.reshape(3, -1)
        self.conjugate = (basis * np.array([1.0, -1.0])).reshape(3, -1)
        self.squares = np.repeat(np.stack([1.0 / w**2, w**2]), 2, axis=1)
        self.at: dict[Kind, Index] = {
            k: np.flatnonzero([kind == k for kind in self.kinds]) for k in KINDS
        }

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
        columns = slice(1, 3) if "inductor" in kinds else slice(0, 2)
        batch = "impedance" if want == "z" else "admittance"
        if kinds == {"resistor"}:
            batch = "resistance"
        elif {"inductor", "capacitor"} <= kinds:
            batch = "resonance"
        cell = _Cell(want=want, leaves=leaves, columns=columns, batch=batch)
        self.cells.append(cell)
        return cell

    def _compiled(self, branch: PartsBranch, want: Literal["z", "y"]) -> _Program:
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


class Immittances:
    """Immittances of the steps of a population, computed when asked for.

    Parameters
    ----------
    cells : Cells
        The expression on a grid.
    population : Population
        Leading axis P.
    keep : bool
        Whether what is computed is asked for again by `shares`, and must not be overwritten.

    Attributes
    ----------
    parts : ndarray, shape (P, 2G)
        Series resistance of each part, then L or 1/C; zero where it is left out.
    mask : ndarray of bool (P, G), or None
        Whether each part is there; None when all are.
    """

    def __init__(self, cells: Cells, population: Population, *, keep: bool = False) -> None:
        self.compiled = cells
        self.population = population
        self.keep = keep
        self.kept: dict[_Program, NDArray[Any] | None] = {}
        self.ready: dict[int, Complex] = {}
        values, loss = population.values, population.loss_ohm
        p, g = values.shape
        self.shape = (p, len(cells.omega))
        parts = np.zeros((p, 2 * g))
        parts[:, :g] = loss
        coils, caps, resistors = cells.at["inductor"], cells.at["capacitor"], cells.at["resistor"]
        parts[:, resistors] += values[:, resistors]
        parts[:, g + coils] = values[:, coils]
        parts[:, g + caps] = 1.0 / values[:, caps]
        self.parts = parts
        self.mask: Flags | None = None
        self.absent: Real | None = None
        if not population.present.all():
            self.mask = mask = cells.plan.mask(population.present)
            parts.reshape(p, 2, g)[...] *= mask[:, None]
            self.absent = 1.0 - np.minimum(mask @ cells.member, 1.0).T
            self.alive = (self.absent.min(axis=1) == 0.0).tolist()
        self.coefficients = np.ascontiguousarray(
            (parts @ cells.gather).reshape(p, len(cells.cells), 3).transpose(1, 0, 2)
        )
        for k, column, sources in cells.sums:
            self.coefficients[k, :, column] = sum(parts[:, source] for source in sources)
        self.reactive = np.ascontiguousarray(self.coefficients[:, :, ::2]) ** 2
        self.resistive = self.coefficients[:, :, 1] ** 2
        if self.absent is not None:
            self.resistive += self.absent
        # Some cells at once while blocks are small, where each call costs more than its work.
        self.at_once = max(1, _AT_ONCE // max(1, p * len(cells.omega)))

    def _there(self, leaves: tuple[int, ...]) -> Real | None:
        """1.0 where any of some parts is there, as a column; None when that is everywhere."""
        if self.mask is None:
            return None
        there = np.logical_or.reduce(self.mask[:, leaves], axis=1)
        return None if there.all() else there[:, None].astype(np.float64)

    def step(self, step: Step) -> NDArray[Any] | None:
        """Immittance of a step, None when no network has anything there."""
        return self._sum(self.compiled.programs[step.index])

    def begin(self, step: Step, driver: int) -> tuple[Number, Number, bool] | None:
        """Begin a spine as `Feed.begin` says: here never."""
        return None

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
        r = self.coefficients[cell.index, :, 1, None]
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
        compiled = self.compiled
        end = min(cell.index + self.at_once, compiled.ends[cell.batch])
        alike = compiled.cells[cell.index : end]
        coefficients = self.coefficients[cell.index : end]
        resonant = cell.batch == "resonance"
        columns = cell.columns if len(alike) == 1 or resonant else slice(0, 3)
        own = coefficients[:, :, columns].reshape(-1, columns.stop - columns.start)
        out = np.empty((len(alike), *self.shape), dtype=np.complex128)
        view = out.view(np.float64).reshape(-1, 2 * self.shape[1])
        # As products of matrices, real and imaginary parts side by side: one pass over memory.
        if cell.batch == "admittance":
            # y = conj(z)/|z|^2; with a coil or a capacitor alone |z|^2 is a sum of two squares.
            np.matmul(own, compiled.conjugate[columns], out=view)
            size = self.reactive[cell.index : end].reshape(-1, 2) @ compiled.squares
            size += self.resistive[cell.index : end].reshape(-1, 1)
            np.divide(view, size, out=view)
        else:
            np.matmul(own, compiled.basis[columns], out=view)
        if resonant:
            out.imag += coefficients[:, :, 0, None] * compiled.basis[0, 1::2]
        for c, x in zip(alike, out, strict=True):
            self.ready[c.index] = x
            if resonant and c.want == "y":
                invert(x, self._there(c.leaves))

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
        return invert(x, self._there(group.leaves))

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


def invert(x: NDArray[Any], there: Real | None) -> NDArray[Any]:
    """1/x in place, zero where nothing is there."""
    if there is not None:
        x += 1.0 - there
    np.reciprocal(x, out=x)
    if there is not None:
        x *= there
    return x
