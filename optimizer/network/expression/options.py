"""Networks of parts from a stock: immittances are looked up, not computed.

Every part has a list of options. The immittance of a branch for every combination of its parts'
options, and for what is left out, is a table where that stays small, else the sum of tables. Of what
no table has room for, each option is computed when it is asked for: a shelf of any length needs no
more room than a short one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.network.expression.bank import Bank, Solution
from optimizer.network.expression.immittance import branch_immittance, invert, part_impedance
from optimizer.network.expression.plan import PartsBranch, Step
from optimizer.network.expression.walk import Number
from optimizer.parts import Kind

Want = Literal["z", "y"]

ROOM = 3 << 19
"""Numbers that all tables of a bank may hold: 24 MiB, more than lists of some hundred parts need."""

_ROWS = 1 << 13  # of all tables together: those of a coarse grid need not hold more of a long shelf

_OPEN_OHM = 1e30  # of what is not there, beside something that is


class OptionTables:
    """Immittances of every option of every part of a bank.

    Parameters
    ----------
    bank : Bank
        The expression on a grid.
    values, loss_ohm : sequence of ndarray (O,)
        Options of each part.
    joint_rows : int
        Combinations of a branch's parts up to which all of them are computed beforehand.
    room : int
        Numbers that all tables together may hold.

    Attributes
    ----------
    impedance : list of PartOptions
        Of every option of each part; of a part that may be left out alone beside others also of
        nothing there, the last.
    """

    def __init__(
        self,
        bank: Bank,
        values: Sequence[Real],
        loss_ohm: Sequence[Real],
        *,
        joint_rows: int = 1 << 11,
        room: int = ROOM,
    ) -> None:
        self.bank = bank
        self.joint_rows = joint_rows
        self.room = room
        self._rows = _ROWS
        self.plan = bank.plan
        self.counts = [len(v) for v in values]
        self.gaps = dict(self._find_gaps())
        # A part that is a branch of its own is looked up in the table of the branch.
        alone = {p.branch.leaves[0] for p in self.plan.ports if p.branch.kind == "part"}
        self.impedance = [
            PartOptions(
                leaf.kind,
                v,
                r,
                bank.omega,
                gap=self.gaps.get(g),
                keep=g not in alone and self._book(len(v) + (g in self.gaps)),
            )
            for g, (leaf, v, r) in enumerate(zip(self.plan.leaves, values, loss_ohm, strict=True))
        ]
        self.tables: dict[tuple[PartsBranch, Want], _Table] = {}
        self.starts: dict[int, _Start] = {}
        self.units: list[_Unit] = []
        for port in self.plan.ports:
            self._make(port.branch, _want(port.step))
        for spine in self.plan.spines:
            if isinstance(spine.foot, int) and spine.steps:
                self._start(spine.steps[-1], bank.load_admittance[spine.foot])
        self._weights = np.zeros((len(self.units), len(self.counts)))
        for u, unit in enumerate(self.units):
            for i, g in enumerate(unit.leaves):
                self._weights[u, g] = math.prod(unit.counts[i + 1 :])
        self._last = np.array([[unit.full] for unit in self.units], dtype=np.intp)
        # Most parts need one place; a place that is never left out is always filled.
        self._place = np.array([(unit.needs or (0,))[0] for unit in self.units], dtype=np.intp)
        self._always = np.array([[not unit.needs] for unit in self.units], dtype=bool)

    def _book(self, rows: int) -> bool:
        """Take room for the rows of a table; False where there is not enough left."""
        numbers = rows * len(self.bank.omega)
        if numbers > self.room or rows > self._rows:
            return False
        self.room -= numbers
        self._rows -= rows
        return True

    @property
    def table_bytes(self) -> int:
        """Memory of all tables."""
        arrays = [one.table for one in self.impedance if one.table is not None]
        arrays += [table.values for table in self.tables.values()]
        arrays += [values for start in self.starts.values() for _, values in start.tables]
        return sum(array.nbytes for array in arrays)

    def _find_gaps(self) -> Iterator[tuple[int, float]]:
        """Parts that may be left out alone beside others, and what stands for nothing there."""
        alone = np.bincount(self.plan.leaf_place, minlength=len(self.plan.places)) == 1
        for port in self.plan.ports:
            for g, joint in _joints(port.branch):
                place = self.plan.leaf_place[g]
                if alone[place] and self.plan.optional[place]:
                    yield g, _OPEN_OHM if joint == "parallel" else 0.0

    def digits(self, choice: Index, present: Flags) -> Index:
        """Digit of every unit for some networks, (U, P)."""
        there = present.T[self._place] | self._always
        for u, unit in enumerate(self.units):
            for k in unit.needs[1:]:
                there[u] &= present[:, k]
        # A product of small whole numbers, exact in floating point.
        return np.where(there, (self._weights @ choice.T).astype(np.intp), self._last)

    def _make(self, branch: PartsBranch, want: Want) -> None:
        table = _Table(self, branch)
        wanted = table.rows <= self.joint_rows or branch.kind == "part"
        if wanted and self._book(table.rows):
            table.fill(self, branch, want)
            table.digits = list(range(len(self.units), len(self.units) + len(table.units)))
            self.units += table.units
            self.tables[branch, want] = table
            return
        for item in branch.items:
            self._make(item, _have(branch, want))

    def _start(self, step: Step, load_admittance: Complex) -> None:
        """Tables of the state next to a driver, where every branch there has a table.

        Voltage and current turn with the driver, so there are two of each.
        """
        own = [self.tables.get((b, _want(step))) for b in step.branches]
        if step.kind == "tap" or None in own:
            return
        if not self._book(2 * sum(table.rows for table in own if table is not None)):
            return
        start = _Start(step.kind == "series", load_admittance)
        for table in own:
            assert table is not None
            x = table.values * load_admittance if start.series else table.values
            if not start.tables:
                x = x + (1.0 if start.series else load_admittance)
            start.tables.append((table, np.concatenate([x, -x])))
        self.starts[step.index] = start

    def solve(self, choice: Index, present: Flags, polarity: Real) -> Solution:
        """Solve networks of options.

        Parameters
        ----------
        choice : ndarray of int, shape (P, G)
            Option of each part, also of those left out.
        present : ndarray of bool, shape (P, K)
            Whether each place is filled.
        polarity : ndarray, shape (P, W)
            1.0 or -1.0.

        Returns
        -------
        Solution
        """
        return self.bank.solve_from(_Lookup(self, choice, present, polarity), polarity)

    def immittance(self, port: int, choice: Index, mask: Flags) -> Complex | None:
        """Immittance of a port of one network; None where nothing is there.

        Parameters
        ----------
        port : int
            Number of the port.
        choice : ndarray of int, shape (G,)
        mask : ndarray of bool, shape (G,)
            Whether each part is there, see `NetworkPlan.mask`.

        Returns
        -------
        ndarray (F,) or None
        """

        def impedance(g: int) -> Complex | None:
            return self.impedance[g][choice[g]] if mask[g] else None

        own = self.plan.ports[port]
        return branch_immittance(own.branch, impedance, _want(own.step))

    def alone(self, port: int, rows: Index | int | slice) -> Complex:
        """Immittance of a port of one part for some of its options.

        Parameters
        ----------
        port : int
            Number of the port.
        rows : int, ndarray of int, or slice with an end
            Options; one past the last stands for nothing there, where the place is optional.

        Returns
        -------
        ndarray, shape (..., F)
        """
        own = self.plan.ports[port]
        table = self.tables.get((own.branch, _want(own.step)))
        if table is not None:
            found: Complex = table.values[rows]
            return found
        return self._computed(own.branch.leaves[0], rows, _want(own.step))

    def _computed(self, g: int, rows: Index | int | slice, want: Want) -> Complex:
        """Immittance of some options of a part; one past the last stands for nothing there."""
        index = np.arange(self.counts[g] + 1)[rows] if isinstance(rows, slice) else np.asarray(rows)
        z = self.impedance[g][np.minimum(index, self.counts[g] - 1)]
        x = z if want == "z" else 1.0 / z
        gone = index == self.counts[g]
        if gone.any():
            x[gone] = 0.0
        return x

    def alternatives(
        self, port: int, rows: Mapping[int, Any], choice: Index, present: Flags
    ) -> Complex:
        """Immittance of a port when some of its parts are other options.

        Parameters
        ----------
        port : int
            Number of the port.
        rows : dict of int to index
            Options of each part that changes (an array of any shape, or a slice), by number of
            the part; their shapes broadcast. A part that may be left out alone beside others has
            one more option for that, the last.
        choice : ndarray of int, shape (G,)
        present : ndarray of bool, shape (K,)
            The network as it is; the parts in `rows` count as present.

        Returns
        -------
        ndarray, shape (..., F)
        """

        def impedance(g: int) -> Complex | None:
            if g in rows:
                return self.impedance[g][rows[g]]
            there = all(present[k] for k in self.plan.needs[g])
            return self.impedance[g][choice[g]] if there else None

        p = self.plan.ports[port]
        gaps = any(g in self.gaps for g in rows)
        x = branch_immittance(p.branch, impedance, _want(p.step), gaps=gaps)
        assert x is not None
        return x


class PartOptions:
    """Impedances of the options of one part: a table, or computed when they are asked for.

    Parameters
    ----------
    kind : {"inductor", "capacitor", "resistor"}
    values, loss_ohm : ndarray, shape (O,)
    omega : ndarray, shape (F,)
    gap : float, optional
        Impedance that stands for nothing there, in one more row.
    keep : bool
        Whether to keep a table.

    Attributes
    ----------
    table : ndarray (O, F) or (O + 1, F), or None
    """

    def __init__(
        self,
        kind: Kind,
        values: Real,
        loss_ohm: Real,
        omega: Real,
        *,
        gap: float | None,
        keep: bool,
    ) -> None:
        self.kind = kind
        self.omega = omega
        self.gap = gap
        # The row of the gap needs a value to begin with, whichever.
        self.values = values if gap is None else np.append(values, 1.0)
        self.loss_ohm = loss_ohm if gap is None else np.append(loss_ohm, 0.0)
        self.table: Complex | None = None
        if keep:
            self.table = self[slice(0, len(self.values))]

    def __getitem__(self, rows: Any) -> Complex:
        """Impedance of some options, shape (..., F)."""
        if self.table is not None:
            found: Complex = self.table[rows]
            return found
        z = part_impedance(self.kind, self.values[rows], self.loss_ohm[rows], self.omega)
        if self.gap is not None:
            z[np.arange(len(self.values))[rows] == len(self.values) - 1] = self.gap
        return z


@dataclass(frozen=True, slots=True)
class _Unit:
    """Parts of a branch that come and go together: one digit of the row of a table.

    `needs` are the places that they need where one of these is optional; then the last value of the
    digit, `size` - 1, is that they are left out.
    """

    leaves: tuple[int, ...]
    counts: tuple[int, ...]
    needs: tuple[int, ...]

    @property
    def full(self) -> int:
        return math.prod(self.counts)

    @property
    def size(self) -> int:
        return self.full + bool(self.needs)


class _Table:
    """Every combination of a branch's options, the last of each unit for leaving it out."""

    def __init__(self, tables: OptionTables, branch: PartsBranch) -> None:
        plan = tables.plan
        leaves: dict[tuple[int, ...], list[int]] = {}
        for g in branch.leaves:
            leaves.setdefault(plan.needs[g], []).append(g)
        self.units = [
            _Unit(
                tuple(own),
                tuple(tables.counts[g] for g in own),
                needs if any(plan.optional[k] for k in needs) else (),
            )
            for needs, own in leaves.items()
        ]
        self.rows = math.prod(unit.size for unit in self.units)
        self.digits: list[int] = []
        self.values: Complex = np.empty((0, 0), dtype=np.complex128)

    def fill(self, tables: OptionTables, branch: PartsBranch, want: Want) -> None:
        """Compute all rows."""
        f = len(tables.bank.omega)
        out = np.zeros((*(unit.size for unit in self.units), f), dtype=np.complex128)
        for gone in np.ndindex(*(2 if unit.needs else 1 for unit in self.units)):
            # Units that are left out have no axis of their own in this part of the table.
            here = [unit for unit, out_of_it in zip(self.units, gone, strict=True) if not out_of_it]
            impedance: dict[int, Complex] = {}
            for axis, unit in enumerate(here):
                shape = [1] * len(here)
                shape[axis] = -1
                picked = np.unravel_index(np.arange(unit.full), unit.counts)
                for g, rows in zip(unit.leaves, picked, strict=True):
                    impedance[g] = tables.impedance[g][rows].reshape(*shape, f)
            x = branch_immittance(branch, impedance.get, want)
            if x is not None:
                at = (
                    unit.full if no else slice(unit.full)
                    for unit, no in zip(self.units, gone, strict=True)
                )
                out[tuple(at)] = x
        self.values = out.reshape(-1, f)


class _Start:
    """State right above a driver: what moves as a sum of tables, and what does not."""

    def __init__(self, series: bool, load_admittance: Complex) -> None:
        self.series = series
        self.tables: list[tuple[_Table, Complex]] = []
        one = np.ones_like(load_admittance)
        self.rest = load_admittance if series else 1.0
        self.turned = np.stack([load_admittance, -load_admittance] if series else [one, -one])


class _Lookup:
    """Steps of some networks of options."""

    def __init__(self, tables: OptionTables, choice: Index, present: Flags, polarity: Real) -> None:
        self.tables = tables
        self.choice = choice
        self.present = present
        self.turned = polarity < 0.0
        self.some_turned = np.logical_or.reduce(self.turned, axis=0).tolist()
        self.digits = tables.digits(choice, present) if tables.units else None

    def step(self, step: Step) -> Complex:
        return self._sum(step.branches, _want(step))

    def begin(self, step: Step, driver: int) -> tuple[Number, Number, bool] | None:
        start = self.tables.starts.get(step.index)
        if start is None:
            return None
        turned, some = self.turned[:, driver], self.some_turned[driver]
        moved: Complex | None = None
        for table, values in start.tables:
            row = self._row(table)
            x = _take(values, row + turned * table.rows if some else row)
            moved = x if moved is None else np.add(moved, x, out=moved)
        assert moved is not None
        rest = _take(start.turned, turned.astype(np.intp)) if some else start.rest
        return (moved, rest, True) if start.series else (rest, moved, True)

    def _row(self, table: _Table) -> Index:
        assert self.digits is not None
        row: Index = self.digits[table.digits[0]]
        for digit, unit in zip(table.digits[1:], table.units[1:], strict=True):
            row = row * unit.size + self.digits[digit]
        return row

    def _sum(self, branches: Sequence[PartsBranch], want: Want) -> Complex:
        out = self._branch(branches[0], want)
        for branch in branches[1:]:
            out += self._branch(branch, want)
        return out

    def _branch(self, branch: PartsBranch, want: Want) -> Complex:
        table = self.tables.tables.get((branch, want))
        if table is not None:
            return _take(table.values, self._row(table))
        if branch.kind == "part":
            return self._part(branch.leaves[0], want)
        have = _have(branch, want)
        out = self._sum(branch.items, have)
        if branch.kind == "tap":
            out *= branch.ratio ** (2 if want == "z" else -2)
        elif have != want:
            mask = self.tables.plan.mask(self.present)
            there = np.logical_or.reduce(mask[:, list(branch.leaves)], axis=1)
            invert(out, None if there.all() else there[:, None].astype(np.float64))
        return out

    def _part(self, g: int, want: Want) -> Complex:
        """One part without a table, nothing where it is left out."""
        mask = self.tables.plan.mask(self.present)[:, g]
        return self.tables._computed(
            g, np.where(mask, self.choice[:, g], self.tables.counts[g]), want
        )


def _joints(branch: PartsBranch) -> Iterator[tuple[int, str]]:
    """Every part of a branch of several, and how it is joined with those beside it."""
    for item in branch.items:
        if item.kind == "part":
            yield item.leaves[0], branch.kind
        else:
            yield from _joints(item)


def _take(values: Complex, rows: Index) -> Complex:
    return values.take(rows, axis=0, mode="clip")


def _want(step: Step) -> Want:
    return "z" if step.kind == "series" else "y"


def _have(branch: PartsBranch, want: Want) -> Want:
    """Say what the items of a branch add up as."""
    if branch.kind == "tap":
        return want
    return "z" if branch.kind == "series" else "y"
