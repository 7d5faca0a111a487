"""One network of a space as indices into its options, and the one place that changes it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Flags, Index, Real


@dataclass(frozen=True, slots=True, kw_only=True)
class Genome:
    """One buildable network in the space.

    Parameters
    ----------
    choice : ndarray of int, shape (G,)
        Index of the chosen option of every gene (also of those in empty slots).
    present : ndarray of bool, shape (K,)
        Which slots are filled.
    polarity : ndarray, shape (W,)
        1.0 or -1.0.
    """

    choice: Index
    present: Flags
    polarity: Real

    def key(self, gene_slot: Index) -> bytes:
        """Identity of the network: empty slots do not count.

        Parameters
        ----------
        gene_slot : ndarray of int, shape (G,)
            Slot of each gene.
        """
        choice = np.where(self.present[gene_slot], self.choice, -1)
        return choice.tobytes() + self.polarity.tobytes()

    @property
    def structure(self) -> bytes:
        """Identity of filled slots and polarities, whatever the values."""
        return structure_key(self.present, self.polarity)


def structure_key(present: Flags, polarity: Real) -> bytes:
    """Identity of filled slots and polarities.

    Parameters
    ----------
    present : ndarray of bool, shape (K,)
    polarity : ndarray, shape (W,)
    """
    return present.tobytes() + polarity.tobytes()


def slots_between(before: Flags, after: Flags) -> tuple[tuple[int, bool], ...]:
    """Slots that are filled or emptied between two states, as a `Move` names them.

    Parameters
    ----------
    before, after : ndarray of bool, shape (K,)
    """
    return tuple((int(k), bool(after[k])) for k in np.flatnonzero(before != after))


@dataclass(frozen=True, slots=True)
class Move:
    """A change of a network: some genes take other options, some slots fill or empty, some ways turn.

    A move from one network to another says all that sets them apart, so moves of different places
    can be added.

    Parameters
    ----------
    options : tuple of (int, int)
        Gene and the option it takes.
    slots : tuple of (int, bool)
        Slot, and whether it is filled afterwards.
    turned : tuple of int
        Ways connected the other way round.
    """

    options: tuple[tuple[int, int], ...] = ()
    slots: tuple[tuple[int, bool], ...] = ()
    turned: tuple[int, ...] = ()

    def __add__(self, other: Move) -> Move:
        """Both moves at once."""
        return Move(
            self.options + other.options, self.slots + other.slots, self.turned + other.turned
        )

    def apply(self, genome: Genome) -> Genome:
        """Return the changed network; nothing else in the package sets a choice.

        Parameters
        ----------
        genome : Genome
            It stays as it is.

        Returns
        -------
        Genome
        """
        choice, present = genome.choice.copy(), genome.present.copy()
        polarity = genome.polarity.copy()
        for g, row in self.options:
            choice[g] = row
        for slot, filled in self.slots:
            present[slot] = filled
        for way in self.turned:
            polarity[way] = -polarity[way]
        return Genome(choice=choice, present=present, polarity=polarity)
