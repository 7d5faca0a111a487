"""Which slots are filled together where a ladder offers alternatives: one of each choice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.network.choices import LadderChoice

_TABLES = 8  # tables of pairs that are remembered: those of the networks looked at last


@dataclass(frozen=True, slots=True)
class _Alternative:
    """Slots by number: those it needs, those it may have, and those of all others of its choice."""

    needed: Index
    free: Index
    others: Index

    def fits(self, present: Flags) -> Flags:
        """Whether filled slots build it, shape (...,)."""
        whole = present[..., self.needed].all(axis=-1)
        return np.asarray(whole & ~present[..., self.others].any(axis=-1))

    def take(self, present: Flags) -> None:
        """Build it, in place; its free slots stay as they are."""
        present[self.others] = False
        present[self.needed] = True


class Alternatives:
    """The rule that of each choice exactly one alternative is built.

    Parameters
    ----------
    choices : sequence of LadderChoice
        Of all ladders.
    slots : sequence of (str, str)
        Ladder and name of every slot, length K.

    Attributes
    ----------
    member : ndarray of bool, shape (K,)
        Slots that belong to an alternative.
    controls : list of list of int
        Slots of each choice between the positions of a control.
    """

    def __init__(self, choices: Sequence[LadderChoice], slots: Sequence[tuple[str, str]]) -> None:
        number = {slot: k for k, slot in enumerate(slots)}
        self.choices: list[tuple[_Alternative, ...]] = []
        self.member: Flags = np.zeros(len(slots), dtype=bool)

        def numbers(choice: LadderChoice, names: Sequence[str]) -> Index:
            return np.array([number[choice.ladder, name] for name in names], dtype=np.intp)

        for choice in choices:
            everything = numbers(choice, choice.slots)
            self.member[everything] = True
            self.choices.append(
                tuple(
                    _Alternative(
                        needed=numbers(choice, one.needed),
                        free=numbers(choice, one.free),
                        others=np.setdiff1d(everything, numbers(choice, one.slots)),
                    )
                    for one in choice.alternatives
                )
            )
        self.controls = [
            [int(k) for one in choice for k in (*one.needed, *one.free)]
            for choice, said in zip(self.choices, choices, strict=True)
            if said.control
        ]
        self._tables: dict[bytes, Flags] = {}

    def __bool__(self) -> bool:
        """Whether there is any choice."""
        return bool(self.choices)

    def mixed(self, present: Flags) -> Index:
        """Count the choices of which no single alternative is built.

        Parameters
        ----------
        present : ndarray of bool, shape (..., K)
            Filled slots.

        Returns
        -------
        ndarray of int, shape (...,)
        """
        count: Index = np.zeros(present.shape[:-1], dtype=np.intp)
        for choice in self.choices:
            fits: Flags = np.zeros(present.shape[:-1], dtype=bool)
            for one in choice:
                fits |= one.fits(present)
            count += ~fits
        return count

    def fits(self, present: Flags) -> Flags:
        """Tell whether filled slots build one alternative of each choice, shape (...,)."""
        return np.asarray(self.mixed(present) == 0)

    def others(self, present: Flags) -> Iterator[tuple[int, Flags]]:
        """Yield what is filled when another alternative is taken as a whole.

        Parameters
        ----------
        present : ndarray of bool, shape (K,)
            Filled slots.

        Yields
        ------
        int, ndarray of bool, shape (K,)
            The choice, and what is filled then: of the alternative no more than it needs.
        """
        for c, choice in enumerate(self.choices):
            for one in choice:
                if not one.fits(present):
                    changed = present.copy()
                    one.take(changed)
                    yield c, changed

    def beside(self, k: int) -> Index:
        """Slots of the alternative that holds a slot; none for one of no choice."""
        for choice in self.choices:
            for one in choice:
                if k in one.needed or k in one.free:
                    return np.concatenate([one.needed, one.free])
        return np.empty(0, dtype=np.intp)

    def between(self, a: Flags, b: Flags) -> tuple[int, Flags]:
        """Compare what two networks take of each choice.

        Parameters
        ----------
        a, b : ndarray of bool, shape (K,)
            Filled slots of either.

        Returns
        -------
        int
            Choices of which they take another alternative.
        ndarray of bool, shape (K,)
            The slots of these.
        """
        within: Flags = np.zeros(len(a), dtype=bool)
        count = 0
        for choice in self.choices:
            if not any(one.fits(a) and one.fits(b) for one in choice):
                count += 1
                for one in choice:
                    within[one.needed] = within[one.free] = True
        return count, within

    def flip(self, present: Flags, k: int) -> Flags:
        """Fill an empty slot or empty a filled one, with all that follows from it.

        Parameters
        ----------
        present : ndarray of bool, shape (K,)
            Filled slots; they stay as they are.
        k : int
            An optional slot.

        Returns
        -------
        ndarray of bool, shape (K,)
            A slot of an alternative that is not taken brings all of that alternative with it, one
            that its alternative needs takes all of it along: nothing then takes its place where
            that is an alternative, else the next one.
        """
        changed = present.copy()
        changed[k] ^= True
        if not self.member[k] or self.fits(changed):
            return changed
        for choice in self.choices:
            home = next((i for i, a in enumerate(choice) if k in a.needed or k in a.free), None)
            if home is not None:
                following = [choice[(home + i) % len(choice)] for i in range(1, len(choice))]
                # The one that needs least: of equals the next one.
                instead = min(following, key=lambda one: len(one.needed) > 0, default=choice[home])
                (choice[home] if changed[k] else instead).take(changed)
        return changed

    def settle(self, present: Flags, liking: Real) -> Flags:
        """Take the alternative of each choice that is liked best.

        Parameters
        ----------
        present : ndarray of bool, shape (K,)
            Slots to fill; they stay as they are.
        liking : ndarray, shape (K,)
            From 0 to 1; the mean of what an alternative needs counts, one half where it needs
            nothing.
        """
        settled = present.copy()
        for choice in self.choices:
            likings = [float(liking[a.needed].mean()) if len(a.needed) else 0.5 for a in choice]
            choice[int(np.argmax(likings))].take(settled)
        return settled

    def draw(self, present: Flags, rng: np.random.Generator) -> Flags:
        """Take an alternative of each choice at random.

        Parameters
        ----------
        present : ndarray of bool, shape (K,)
            Slots to fill; they stay as they are.
        rng : numpy.random.Generator
        """
        drawn = present.copy()
        for choice in self.choices:
            choice[int(rng.integers(len(choice)))].take(drawn)
        return drawn

    def kept(self, present: Flags) -> Flags | None:
        """Take the first alternative of each choice whose slots are all filled.

        Parameters
        ----------
        present : ndarray of bool, shape (K,)
            What is on the board.

        Returns
        -------
        ndarray of bool, shape (K,), or None
            None where no alternative of a choice is there.
        """
        settled = present.copy()
        for choice in self.choices:
            whole = next((one for one in choice if present[one.needed].all()), None)
            if whole is None:
                return None
            whole.take(settled)
        return settled

    def counts(self, ways: Real, optional: Flags) -> Iterator[float]:
        """In how many ways each slot of no choice, and each choice, can be filled.

        Parameters
        ----------
        ways : ndarray, shape (K,)
            In how many ways each slot can be filled.
        optional : ndarray of bool, shape (K,)
            Which may stay empty.
        """
        yield from (ways + optional)[~self.member]
        for choice in self.choices:
            alike = sum(not len(one.needed) for one in choice)  # without any part they are the same
            filled = (np.prod(ways[a.needed]) * np.prod(ways[a.free] + 1.0) for a in choice)
            yield float(sum(filled)) - max(0, alike - 1)

    def allowed(self, present: Flags) -> Flags:
        """Tell which two slots may be filled or emptied at once.

        Parameters
        ----------
        present : ndarray of bool, shape (K,)
            Filled slots before.

        Returns
        -------
        ndarray of bool, shape (2 K, 2 K)
            Row and column 2 k stand for slot k empty, 2 k + 1 for it filled; on the diagonal one
            slot changes.
        """
        key = present.tobytes()
        if key not in self._tables:
            while len(self._tables) >= _TABLES:
                del self._tables[next(iter(self._tables))]
            n = 2 * len(present)
            changed = np.broadcast_to(present, (n, n, len(present))).copy()
            row, column = np.arange(n)[:, None], np.arange(n)
            changed[row, column, row // 2] = row % 2 == 1
            changed[row, column, column // 2] = column % 2 == 1
            self._tables[key] = self.fits(changed)
        return self._tables[key]
