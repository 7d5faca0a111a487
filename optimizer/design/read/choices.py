"""Alternatives within the ladder of a design file, and variable pads, whose positions are such."""

from __future__ import annotations

from collections.abc import Callable

from optimizer.errors import InputError
from optimizer.network.topology import OneOf, Slot
from optimizer.network.variable_pad import variable_pad
from optimizer.text.keys import Key, OwnForm, QuantityForm
from optimizer.text.yamltext import Entry

STEP_DB = 1.0
"""Steps between positions of a variable pad where none are written."""

_MOST_POSITIONS = 60
_ONE_OF = "one of"
_PAD = "variable pad"

_STEP = QuantityForm("dB", least=0.1)

CHOICE_KEYS = (
    Key(
        name=_ONE_OF, form=OwnForm("alternatives by name, each a list of places"),
        example="{damped: [{name: Z1, shunt: equaliser}], nothing: []}",
        meaning="instead of one place: alternatives, of which one is built as a whole",
    ),
    Key(
        name=_PAD, form=QuantityForm("ohm", above=0.0), example="8 ohm",
        meaning="instead of one place: a variable pad on the board, by its nominal resistance",
    ),
    Key(
        name="at", form=OwnForm("level, or range of levels"), example="-12 .. 0 dB",
        meaning="where a variable pad stands, or between which levels it may be turned",
    ),
    Key(
        name="step", form=_STEP, example="2 dB",
        meaning=f"steps in which it may be turned; {STEP_DB:g} dB when not written",
    ),
)  # fmt: skip
"""What an entry of a ladder may be instead of one place."""

ReadSlot = Callable[[Entry], Slot]


def read_choice(entry: Entry, read_slot: ReadSlot) -> OneOf | None:
    """Read an entry of a ladder that stands for several places; None for any other.

    Parameters
    ----------
    entry : Entry
        The entry.
    read_slot : callable
        Reads a place of an alternative.

    Raises
    ------
    InputError
        With the line.
    """
    fields = entry.fields()
    if _ONE_OF in fields:
        for key, inner in fields.items():
            if key != _ONE_OF:
                raise inner.error(
                    "alternatives stand alone in their entry", value=repr(key),
                    remedy='write it in the places under "one of:"',
                )  # fmt: skip
        return _read_one_of(fields[_ONE_OF], read_slot)
    if _PAD in fields:
        return _read_pad(entry)
    return None


def _read_one_of(entry: Entry, read_slot: ReadSlot) -> OneOf:
    if not entry.is_mapping:
        raise entry.error(
            "alternatives have names, each with a list of places",
            remedy='write for instance "first order: [...]" and "second order: [...]" below it',
        )
    alternatives = {
        name: tuple(_read_place(place, read_slot) for place in inner.items())
        for name, inner in entry.fields().items()
    }
    empty = [name for name, slots in alternatives.items() if not slots]
    if len(empty) > 1:
        raise entry.error("only one alternative is without any place", value=" and ".join(empty))
    if len(alternatives) < 2:
        raise entry.error(
            "there are at least two alternatives", value=", ".join(alternatives) or "none",
            remedy='add another one ("nothing: []" for none of it), or write its places by themselves',
        )  # fmt: skip
    return OneOf(alternatives)


def _read_place(entry: Entry, read_slot: ReadSlot) -> Slot:
    fields = entry.fields()
    for key in (_ONE_OF, _PAD):
        if key in fields:
            raise fields[key].error(
                "an alternative holds single places, no choice of its own", value=repr(key),
                remedy='write every case as one alternative under the outer "one of:" (A with B1, '
                "A with B2, C), or the choice in an entry beside this one",
            )  # fmt: skip
    return read_slot(entry)


def _read_pad(entry: Entry) -> OneOf:
    own = ("name", _PAD, "at", "step")
    fields = entry.fields(own, needed=("name", "at"))
    ohm = fields[_PAD].quantity("ohm", above=0.0)
    at = fields["at"]
    if ".." in at.text():
        low, high = at.range("dB")
        step = _STEP.read(fields["step"]) if "step" in fields else STEP_DB
        count = int((high - low) / step + 1e-9) + 1
        if count > _MOST_POSITIONS:
            raise at.error(
                f"a variable pad has at most {_MOST_POSITIONS} positions", value=count,
                remedy='narrow the range, or add "step: 2 dB"',
            )  # fmt: skip
        # Counted from the loudest: 0 dB is one of them whatever the step.
        levels = [round(high - k * step, 6) for k in range(count)]
    elif "step" in fields:
        raise fields["step"].error(
            "only a pad that may be turned has steps",
            remedy='write "at: LOW .. HIGH dB", or remove it',
        )
    else:
        levels = [at.quantity("dB")]
    try:
        return variable_pad(fields["name"].text(), ohm, levels)
    except InputError as error:
        raise at.where.locate(error) from None
