"""Two parts that must agree: coil and capacitor of a notch, whose frequency is stated."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.network.topology import Slot
from optimizer.parts import Part


def resonance_hz(inductance_h: float | Real, capacitance_f: float | Real) -> float | Real:
    """Return where a coil and a capacitor resonate, 1 / (2 pi sqrt(LC)); losses hardly move it."""
    return 1.0 / (2.0 * math.pi * np.sqrt(inductance_h * capacitance_f))


@dataclass(frozen=True, eq=False)
class Tie:
    """What two genes of one slot may be together.

    Parameters
    ----------
    slot : int
        Their slot.
    genes : tuple of int
        The two.
    excess : ndarray, shape (O_1 + 1, O_2 + 1)
        0 where two options agree; else 1 and by how many percent their resonance lies outside. The last
        row and column stand for an empty slot.
    """

    slot: int
    genes: tuple[int, int]
    excess: Real

    def of(self, filled: Flags, choice: Index) -> Real:
        """Return the excess of several networks, shape (P,).

        Parameters
        ----------
        filled : ndarray of bool, shape (P, G)
        choice : ndarray of int, shape (P, G)
        """
        first, second = (np.where(filled[:, g], choice[:, g], -1) for g in self.genes)
        return np.asarray(self.excess[first, second])

    def beside(self, g: int, other: Index | int) -> Flags:
        """Tell which options of one gene agree with options of the other.

        Parameters
        ----------
        g : int
            One of its genes.
        other : int or ndarray of int, shape (N,)
            Options of the other one.

        Returns
        -------
        ndarray of bool, shape (O + 1,) or (N, O + 1)
        """
        excess = self.excess.T if g == self.genes[0] else self.excess
        return np.asarray(excess[other] == 0.0)

    def partner(self, g: int) -> int:
        """Return the other gene."""
        return self.genes[1] if g == self.genes[0] else self.genes[0]


def list_ties(
    slots: Sequence[Slot], gene_slot: Index, options: Sequence[Sequence[Part]]
) -> Iterator[Tie]:
    """List what slots with a stated notch ask of their coil and capacitor.

    Parameters
    ----------
    slots : sequence of Slot, length K
    gene_slot : ndarray of int, shape (G,)
    options : sequence of sequence of Part
        Options of each gene.
    """
    for k, slot in enumerate(slots):
        if slot.notch_hz is None:
            continue
        genes = np.flatnonzero(gene_slot == k)
        coil, capacitor = (
            int(next(g for g, kind in zip(genes, slot.kinds, strict=True) if kind == wanted))
            for wanted in ("inductor", "capacitor")
        )
        henry, farad = (np.array([p.value for p in options[g]]) for g in (coil, capacitor))
        f = resonance_hz(henry[:, None], farad)
        excess = excess_of(slot.notch_hz, f)
        # Where no pair will do, the nearest stands in: a network with it is told to be a miss.
        excess = np.pad(np.maximum(excess - excess.min(), 0.0), ((0, 1), (0, 1)))
        yield Tie(slot=k, genes=(coil, capacitor), excess=excess)


def excess_of(band_hz: tuple[float, float], resonance: float | Real) -> Real:
    """Return 0 within a band, beyond it 1 and the distance to it in percent."""
    low, high = band_hz
    outside = np.maximum(np.maximum(low / resonance, resonance / high) - 1.0, 0.0)
    return np.asarray(np.where(outside > 1e-9, 1.0 + 100.0 * outside, 0.0))
