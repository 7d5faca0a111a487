"""Structures: which slots are filled and which ways are turned, whatever the values.

Two structures may be the same network by other slots: with nothing in the line between them, two
shunt capacitors are the same place twice. Such twins share one name here.
"""

from __future__ import annotations

from hashlib import blake2b
from itertools import groupby

from optimizer.arrays import Flags, Real
from optimizer.network.topology import Slot
from optimizer.problem.genome import structure_key
from optimizer.problem.space import Space

_REMEMBERED = 50_000


class Structures:
    """Tells the structures of a space apart, twins not.

    Parameters
    ----------
    space : Space
    kept : bool
        Whether the values of kept parts tell structures apart too: to a search they are structure,
        since nothing else can change them.
    """

    def __init__(self, space: Space, *, kept: bool) -> None:
        self.space = space
        self.kept = kept
        self._keys: dict[bytes, bytes] = {}

    def key(self, present: Flags, polarity: Real) -> bytes:
        """Identity of a structure: each ladder's polarity and parts from source to driver.

        Parameters
        ----------
        present : ndarray of bool, shape (K,)
        polarity : ndarray, shape (W,)

        Returns
        -------
        bytes
            The same in every process. Neighbours of one place may change seats: two optional
            slots of a kind side by side make the same network whichever of them is filled.
        """
        own = structure_key(present, polarity)
        found = self._keys.get(own)
        if found is None:
            if len(self._keys) >= _REMEMBERED:
                self._keys.clear()
            said = repr(self._describe(present, polarity)).encode()
            found = self._keys[own] = blake2b(said, digest_size=16).digest()
        return found

    def _describe(self, present: Flags, polarity: Real) -> list[tuple[object, ...]]:
        topology = self.space.topology
        filled_of = iter(present.tolist())
        signs = {way.name: float(sign) for way, sign in zip(topology.ways, polarity, strict=True)}
        ladders = []
        for ladder in topology.ladders:
            filled = [slot for slot in ladder.slots if not slot.kinds or next(filled_of)]
            # What is both in the line and across it, as a pad, lets nothing pass.
            runs = groupby(filled, key=lambda s: s.form if s.circuit.spans_both else s.place)
            ladders.append(
                (
                    signs.get(ladder.name, 1.0),
                    *((place, *sorted(map(self._say, run))) for place, run in runs),
                )
            )
        return ladders

    def _say(self, slot: Slot) -> str:
        said = f"{slot.form} across" if slot.across else slot.form
        if self.kept and slot.kept is not None and slot.fixed:
            said += f" {[(part.value, part.loss_ohm) for part in slot.kept]}"
        return said
