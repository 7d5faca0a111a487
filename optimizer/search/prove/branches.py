"""Trees over all the networks of one way, and bounds from below on the cost of whole branches.

A branch is a set of neighbouring choices of parts. It knows a centre of the transfers and
admittances of its members and how far, at each frequency, any member lies from it. The square
root of every direction average is a norm of the transfers, so the level of each curve stays within
a known distance of that of the centres; and every goal is a convex function of levels, so the
tangent at the centres bounds the cost of all members together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.goals import Impedance, Prepared, PreparedGoal, goal_cost
from optimizer.goals.prepared import HARD_COST_PER_DB
from optimizer.goals.response import Line
from optimizer.network.expression.bank import Bank
from optimizer.network.expression.ladders import from_topology
from optimizer.network.expression.options import OptionTables
from optimizer.network.topology import Topology
from optimizer.problem.evaluator import Evaluator
from optimizer.problem.problem import Problem

MISSED = 1e6
"""Added to the cost of a network that breaks a hard limit: it ranks below all that keep it."""

_BLOCK = 1 << 15  # complex numbers worked on at once: stays in a second-level cache
_LEAF_BYTES = 1 << 27  # a way's own networks are kept up to this size, else walked again


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Branches of one way that are equally fine.

    Parameters
    ----------
    transfer, admittance : ndarray, shape (N, F), complex
        Centres.
    transfer_radius, admittance_radius : ndarray, shape (N, F), or None
        Largest distance of a member from the centre; None for single networks.
    economy : ndarray, shape (N,)
        Least cost of parts of any member.
    first, last : ndarray of int, shape (N,)
        Branches of the next level, ``first`` up to but without ``last``.
    """

    transfer: Complex
    admittance: Complex
    transfer_radius: Real | None
    admittance_radius: Real | None
    economy: Real
    first: Index
    last: Index


class WayTree:
    """All networks of one way, ordered so that every branch is a contiguous run.

    Parameters
    ----------
    problem : Problem
        The problem.
    way : int
        Which way.

    Notes
    -----
    Options of a part are sorted by value; a branch holds blocks of 2^k neighbouring options of
    each part, from everything (level 0) to single networks (the last level). Which optional slots
    are filled is the same throughout a branch.
    """

    def __init__(self, problem: Problem, way: int) -> None:
        self.problem = problem
        self.way = way
        space, bank = problem.space, problem.evaluator.bank
        self.slots = [k for k, w in enumerate(bank.slot_ladder) if w == way]
        self.genes = [int(g) for k in self.slots for g in space.slot_genes[k]]
        counts = [len(space.options[g].values) for g in self.genes]
        top = max(counts, default=1)
        self.widths = [1 << k for k in range((top - 1).bit_length(), -1, -1)]
        choices: list[NDArray[np.int32]] = []
        masks: list[Flags] = []
        starts: list[list[Index]] = []
        whole = space.alternatives.settle(
            np.ones(len(space.slots), dtype=bool), np.ones(len(space.slots))
        )
        for mask in product(*([True, False] if space.optional[k] else [True] for k in self.slots)):
            whole[self.slots] = mask
            if not space.alternatives.fits(whole):
                continue
            filled = dict(zip(self.slots, mask, strict=True))
            sizes = [
                n if filled[int(space.gene_slot[g])] else 1
                for g, n in zip(self.genes, counts, strict=True)
            ]
            choice, begins = _ordered_choices(sizes, self.widths)
            starts.append([b + sum(len(c) for c in choices) for b in begins])
            choices.append(choice)
            masks.append(np.broadcast_to(np.array(mask), (len(choice), len(mask))))
        self.choice = np.concatenate(choices)
        self.present = np.concatenate(masks)
        self.starts = [np.concatenate([s[i] for s in starts]) for i in range(len(self.widths))]
        self.single_economy = self._economy()
        own = problem.topology.ways[way]
        alone = Bank(
            from_topology(Topology(ways=(own,))),
            bank.frequency_hz,
            {own.driver: bank.solver.load_ohm[own.driver]},
        )
        options = [space.options[g] for g in self.genes]
        self.lookup = OptionTables(
            alone, [o.values for o in options], [o.loss_ohm for o in options]
        )
        self.levels = self._build()

    def __len__(self) -> int:
        return len(self.choice)

    def _economy(self) -> Real:
        space = self.problem.space
        total = np.logical_not(self.present) @ space.absent_cost[self.slots]
        for i, g in enumerate(self.genes):
            column = self.slots.index(int(space.gene_slot[g]))
            total += space.options[g].cost[self.choice[:, i]] * self.present[:, column]
        return total

    def walk(self, rows: Index | slice) -> tuple[Complex, Complex]:
        """Transfer, polarity left out, and admittance of single networks, shape (len, F)."""
        choice = self.choice[rows].astype(np.intp)
        solved = self.lookup.solve(choice, self.present[rows], np.ones((len(choice), 1)))
        return solved.transfer[0], solved.admittance

    def _build(self) -> list[Level]:
        n, f = len(self), len(self.problem.frequency_hz)
        chunk = max(1, _BLOCK // f)
        edges = [np.append(s, n) for s in self.starts]
        branches = len(self.widths) - 1
        shape = [(len(s), f) for s in self.starts[:branches]]
        centre_h = [np.zeros(s, dtype=np.complex128) for s in shape]
        centre_y = [np.zeros(s, dtype=np.complex128) for s in shape]
        radius_h, radius_y = [np.zeros(s) for s in shape], [np.zeros(s) for s in shape]
        keep = n * f * 32 <= _LEAF_BYTES
        kept: list[tuple[Complex, Complex]] = []
        for turn in ("centre", "radius"):
            for start in range(0, n, chunk):
                stop = min(n, start + chunk)
                if turn == "radius" and keep:
                    h, y = kept[start // chunk]
                else:
                    h, y = self.walk(slice(start, stop))
                    if keep:
                        kept.append((h, y))
                for i in range(branches):
                    a = int(np.searchsorted(edges[i], start, side="right")) - 1
                    b = int(np.searchsorted(edges[i], stop, side="left"))
                    cut = np.maximum(edges[i][a:b] - start, 0)
                    if turn == "centre":
                        centre_h[i][a:b] += np.add.reduceat(h, cut, axis=0)
                        centre_y[i][a:b] += np.add.reduceat(y, cut, axis=0)
                        continue
                    _widen(radius_h[i][a:b], h, centre_h[i][a:b], cut)
                    _widen(radius_y[i][a:b], y, centre_y[i][a:b], cut)
            if turn == "centre":
                for i in range(branches):
                    members = np.diff(edges[i])[:, None]
                    centre_h[i] /= members
                    centre_y[i] /= members
        levels = []
        for i in range(branches):
            first = np.searchsorted(edges[i + 1], edges[i][:-1])
            last = np.searchsorted(edges[i + 1], edges[i][1:])
            levels.append(
                Level(
                    transfer=centre_h[i],
                    admittance=centre_y[i],
                    # Sums of rounding errors must not make a radius too small.
                    transfer_radius=radius_h[i] * (1 + 1e-9),
                    admittance_radius=radius_y[i] * (1 + 1e-9),
                    economy=np.minimum.reduceat(self.single_economy, self.starts[i]),
                    first=first,
                    last=last,
                )
            )
        none: Complex = np.empty((0, f), dtype=np.complex128)
        h = np.concatenate([a for a, _ in kept]) if keep else none
        y = np.concatenate([a for _, a in kept]) if keep else none
        empty = np.empty(0, dtype=np.intp)
        levels.append(
            Level(
                transfer=h,
                admittance=y,
                transfer_radius=None,
                admittance_radius=None,
                economy=self.single_economy,
                first=empty,
                last=empty,
            )
        )
        return levels

    def drive(self, level: int, rows: Index) -> tuple[Complex, Complex]:
        """Centres of transfer and admittance of some branches, shape (len(rows), F)."""
        at = self.levels[level]
        if level == len(self.levels) - 1 and not len(at.transfer):
            return self.walk(rows)
        return at.transfer[rows], at.admittance[rows]


def _ordered_choices(
    sizes: Sequence[int], widths: Sequence[int]
) -> tuple[NDArray[np.int32], list[Index]]:
    """All choices, those of one branch together, and where the branches of each level start."""
    n = int(np.prod(sizes, dtype=np.int64))
    flat = np.arange(n)
    digits = (
        np.stack(np.unravel_index(flat, tuple(sizes)), axis=1)
        if sizes
        else np.zeros((1, 0), dtype=np.intp)
    )
    keys = []
    for width in widths:
        blocks = [-(-size // width) for size in sizes]
        code = np.zeros(n, dtype=np.int64)
        for i, count in enumerate(blocks):
            code = code * count + digits[:, i] // width
        keys.append(code)
    order = np.lexsort(keys[::-1])
    # Blocks of one level lie within blocks of the level before, and so do the runs.
    starts = [np.flatnonzero(np.diff(key[order], prepend=-1)) for key in keys]
    return digits[order].astype(np.int32), starts


class Bounds:
    """Costs of networks and bounds on the costs of branches.

    Parameters
    ----------
    evaluator : Evaluator
        Goals and fields on the full grid.
    trees : sequence of WayTree
        One per way.
    """

    def __init__(self, evaluator: Evaluator, trees: Sequence[WayTree]) -> None:
        self.evaluator = evaluator
        self.trees = list(trees)
        field = evaluator.field
        # ||A dH|| <= sum_w sqrt(R_ww) |dH_w| for R = A^H A.
        self.strength = np.sqrt(np.maximum(field.diagonal, 0.0))
        # What a way's deviation means for the first curve, roughly.
        self.share = self.strength[0] / np.sqrt(np.maximum(field.diagonal[0].sum(axis=0), 1e-30))
        self.block = max(1, _BLOCK // 2 // len(evaluator.bank.omega))

    def widest(self, levels: Sequence[int], rows: Index) -> int:
        """Way that leaves most open in joint branches of these levels: the one to split."""

        def width(w: int) -> float:
            radius = self.trees[w].levels[levels[w]].transfer_radius
            return -1.0 if radius is None else float((radius[rows[:64, w]] * self.share[w]).sum())

        return max(range(len(self.trees)), key=width)

    def below(self, levels: Sequence[int], rows: Index, signs: Real) -> Real:
        """Bound from below on the cost of every member of joint branches.

        Parameters
        ----------
        levels : sequence of int
            Level of each way's tree.
        rows : ndarray of int, shape (M, W)
            One branch of each way.
        signs : ndarray, shape (W,)
            Polarity of each way.

        Returns
        -------
        ndarray, shape (M,)
            The cost itself, see `ranking_cost`, where all levels hold single networks.
        """
        out = np.empty(len(rows))
        for start in range(0, len(rows), self.block):
            stop = start + self.block
            out[start:stop] = self._block(levels, rows[start:stop], signs)
        return out

    def _block(self, levels: Sequence[int], rows: Index, signs: Real) -> Real:
        transfer: list[Complex] = []
        admittance: Complex | None = None
        economy = np.full(len(rows), float(self.trees[0].problem.space.turned_cost(signs)))
        radii: list[tuple[int, Real, Real]] = []
        for w, (tree, level) in enumerate(zip(self.trees, levels, strict=True)):
            h, y = tree.drive(level, rows[:, w])
            transfer.append(h * signs[w])
            admittance = y if admittance is None else admittance + y
            at = tree.levels[level]
            economy += at.economy[rows[:, w]]
            if at.transfer_radius is not None and at.admittance_radius is not None:
                radii.append((w, at.transfer_radius[rows[:, w]], at.admittance_radius[rows[:, w]]))
        assert admittance is not None
        curves = Curves(self.evaluator.field, transfer, admittance)
        if not radii:
            return np.asarray(ranking_cost(self.evaluator, curves) + economy)
        total = economy
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            slack = _Slack(curves, self.strength, radii)
            for goal in self.evaluator.goals:
                total = total + _goal_below(goal, curves, slack)
        return total


def ranking_cost(evaluator: Evaluator, curves: Curves) -> Real:
    """Sum of the goals' costs, with `MISSED` on top where a hard limit is broken.

    A small breach may cost less than it gains elsewhere, but no network that breaks a limit may
    stand before one that keeps it.
    """
    total: Real = np.zeros(curves.admittance.shape[:-1])
    for goal in evaluator.goals:
        cost = goal_cost(goal, goal.residuals(curves))
        total = total + cost
        if goal.hard:
            total = total + np.where(cost < 1e-9 * HARD_COST_PER_DB, 0.0, MISSED)
    return np.where(np.isfinite(total), total, np.inf)


class _Slack:
    """How far levels may fall or rise, in dB, as arrays (M, F) made when first asked for."""

    def __init__(
        self, curves: Curves, strength: Real, radii: Sequence[tuple[int, Real, Real]]
    ) -> None:
        self.curves = curves
        self.strength = strength
        self.radii = radii
        self._known: dict[str, tuple[Real, Real]] = {}

    def level(self, name: str) -> tuple[Real, Real]:
        """Largest fall and largest rise of a curve's level."""
        if name not in self._known:
            c = self.curves.field.index[name]
            away = sum(self.strength[c, w] * radius for w, radius, _ in self.radii)
            self._known[name] = _fall_and_rise(away / np.sqrt(self.curves.power(name)))
        return self._known[name]

    def impedance(self) -> tuple[Real, Real]:
        """Largest fall and largest rise of the impedance's level."""
        away = sum(radius for _, _, radius in self.radii)
        fall_of_y, rise_of_y = _fall_and_rise(away / np.abs(self.curves.admittance))
        return rise_of_y, fall_of_y


def _fall_and_rise(share: Real) -> tuple[Real, Real]:
    fall = -20.0 * np.log10(np.maximum(1.0 - share, 0.0))
    return fall, 20.0 * np.log10(1.0 + share)


def _goal_below(goal: PreparedGoal, curves: Curves, slack: _Slack) -> Real | float:
    """Bound on a goal's cost: the tangent of its figure, at the worst corner of all levels."""
    if not isinstance(goal, Prepared):
        return 0.0
    if isinstance(goal.goal, Line):
        fall, rise = (s[..., goal.index] for s in slack.level(goal.curve_names[0]))
        if len(goal.curve_names) == 2:
            other_fall, other_rise = (s[..., goal.index] for s in slack.level(goal.curve_names[1]))
            fall, rise = fall + other_rise, rise + other_fall
        scale = goal.scale
    elif isinstance(goal.goal, Impedance):
        # The residual grows when the impedance falls.
        rise, fall = (s[..., goal.index] for s in slack.impedance())
        scale = goal.scale
    else:
        return 0.0  # nothing is known of it but that it costs nothing or more
    residual = goal.residuals(curves)
    figure = np.sqrt(np.einsum("...n,...n->...", residual, residual))
    # A residual of zero does not move at first order, also where the level may fall without end.
    loss = np.where(residual > 0.0, residual * fall, 0.0) - np.where(
        residual < 0.0, residual * rise, 0.0
    )
    least = figure - scale * loss.sum(axis=-1) / np.where(figure > 0.0, figure, 1.0)
    weight = HARD_COST_PER_DB if goal.hard else goal.weight
    return np.asarray(weight * np.where(least > 0.0, least, 0.0))


def _widen(radius: Real, value: Complex, centre: Complex, cut: Index) -> None:
    """Widen the radius of each branch, in place, to reach all of its members.

    Parameters
    ----------
    radius : ndarray, shape (B, F)
    value : ndarray, shape (N, F), complex
        Members, those of a branch one after the other.
    centre : ndarray, shape (B, F), complex
    cut : ndarray of int, shape (B,)
        First member of each branch.
    """
    sizes = np.diff(np.append(cut, len(value)))
    away = np.abs(value - np.repeat(centre, sizes, axis=0))
    np.maximum(radius, np.maximum.reduceat(away, cut, axis=0), out=radius)
