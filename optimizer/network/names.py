"""Names of the parts inside a slot, as reports and files write them."""

from __future__ import annotations

from optimizer.network.ladder import FittedSlot, Place
from optimizer.parts import LETTER_OF_KIND, Part


def name_parts(slot: FittedSlot) -> tuple[tuple[str, Place, Part], ...]:
    """Name every part of a filled slot as reports and files call it.

    Parameters
    ----------
    slot : FittedSlot
        A filled slot.

    Returns
    -------
    tuple of (name, place, part)
        ``L1`` for a single part; ``N1.L``, ``N1.C``, ``N1.R`` for the parts of a compound and
        ``P1.Rs``, ``P1.Rp`` for the two resistors of a pad, the second one across the line.
    """
    if len(slot.parts) == 1:
        return ((slot.name, slot.place, slot.parts[0]),)
    if slot.form == "pad":
        in_line, across = slot.parts
        return (
            (f"{slot.name}.Rs", "series", in_line),
            (f"{slot.name}.Rp", "shunt", across),
        )
    return tuple(
        (f"{slot.name}.{LETTER_OF_KIND[part.kind]}", slot.place, part) for part in slot.parts
    )
