"""A part that is on the board already: its value and its loss."""

from __future__ import annotations

from collections.abc import Mapping

from optimizer.parts import KEPT, LOSS_OF_KIND, UNIT_OF_KIND, Kind, Part
from optimizer.text.keys import Key, QuantityForm
from optimizer.text.yamltext import Entry

LOSS_KEYS = (
    Key(
        name="dcr", field="loss_ohm", form=QuantityForm("ohm", least=0.0), example="0.2 ohm",
        meaning="resistance of a kept inductor",
    ),
    Key(
        name="esr", field="loss_ohm", form=QuantityForm("ohm", least=0.0), example="0.05 ohm",
        meaning="series resistance of a kept capacitor",
    ),
)  # fmt: skip
"""What may be said of a kept part beside its value."""


def read_kept_part(kind: Kind, value: Entry, losses: Mapping[str, Entry]) -> Part:
    """Read a part that is kept.

    Parameters
    ----------
    kind : Kind
        What it is.
    value : Entry
        Its value.
    losses : mapping of str to Entry
        Its loss by key, none where it is not stated; other keys are passed over.

    Raises
    ------
    InputError
        With the line, for a value or a loss that no part has.
    """
    number = value.quantity(UNIT_OF_KIND[kind], above=0.0)
    key = LOSS_OF_KIND[kind]
    loss = losses[key].quantity("ohm", least=0.0) if key in losses else 0.0
    return Part(kind=kind, value=number, loss_ohm=loss, origin=KEPT, pieces=(number,))


def note_missing_loss(label: str) -> str:
    """Say what is taken for the resistance of a kept coil that is not stated."""
    return f"{label}: no dcr stated for the kept inductor, taken as 0 ohm"
