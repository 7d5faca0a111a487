"""From what a file states of a part to the part: the stock fills in what is left out."""

from __future__ import annotations

from dataclasses import replace

from optimizer.design.read.built import Settle, StatedPart
from optimizer.errors import InputError
from optimizer.parts import (
    BOARD,
    GIVEN,
    KEPT,
    LOSS_OF_KIND,
    NO_TERMS,
    UNIT_OF_KIND,
    Part,
    Terms,
)
from optimizer.problem.problem import Problem
from optimizer.stock.lots import BOUGHT, SHELF
from optimizer.stock.stock import DEFAULT_TOLERANCE
from optimizer.text.units import format_quantity

_SAID = ("tolerance", "price", "rating", "note")
_SAME_VALUE = 1e-6
_SAME_LOSS = 1e-4


def settle_part(
    stated: StatedPart,
    problem: Problem,
    label: str,
    kept: Part | None = None,
    terms: Terms = NO_TERMS,
) -> tuple[Part, str]:
    """Find the part that is meant.

    Parameters
    ----------
    stated : StatedPart
        What a file says.
    problem : Problem
        Its stock is looked through first.
    label : str
        Name of the part, for the note.
    kept : Part, optional
        The part that the design keeps in this place.
    terms : Terms
        What the place asks for: parts bought by series are made as it does.

    Returns
    -------
    Part
        A part of the stock or of the board where one agrees with everything stated, else one made
        from the statements. A loss that is not stated follows the law of bought parts.
    str
        What was assumed; empty when nothing.

    Raises
    ------
    InputError
        When pieces are stated that do not make the value.
    """
    _check_pieces(stated)
    offered = _look_through(stated, problem, kept, terms)
    # What sits in its place on the board, with its value and loss, is what is on the board, wherever
    # it once came from; a piece at hand is another one.
    once = stated if stated.origin in (SHELF, BOUGHT, BOARD) else replace(stated, origin=None)
    agreeing = [part for part in offered if _agrees(part, once if part.origin == KEPT else stated)]
    if agreeing:
        found = min(agreeing, key=lambda part: (part is not kept, *_distance(part, stated)))
        return _overrule(found, stated), ""
    note = ""
    loss = stated.loss_ohm
    if loss is None:
        loss = float(problem.stock.loss_law(stated.kind)(stated.value))
        key = LOSS_OF_KIND[stated.kind]
        if key and loss > 0.0:
            note = f"{label}: no {key} stated, {format_quantity(loss, 'ohm', 2)} taken"
    part = Part(
        kind=stated.kind,
        value=stated.value,
        loss_ohm=loss,
        tolerance=DEFAULT_TOLERANCE,
        origin=stated.origin or GIVEN,
        pieces=stated.pieces or (stated.value,),
        joined=stated.joined or ("parallel" if len(stated.pieces or ()) > 1 else ""),
        made_of=stated.made_of or "",
        wire_m=stated.wire_m,
        height_m=stated.height_m,
    )
    return _overrule(part, stated), note


def settle_for(problem: Problem) -> Settle:
    """Return what completes the parts of a network file for a problem, see `settle_part`."""

    def settle(stated: StatedPart, label: str, kept: Part | None, terms: Terms) -> tuple[Part, str]:
        return settle_part(stated, problem, label, kept, terms)

    return settle


def _look_through(
    stated: StatedPart, problem: Problem, kept: Part | None, terms: Terms
) -> list[Part]:
    span = (stated.value * (1.0 - _SAME_VALUE), stated.value * (1.0 + _SAME_VALUE))
    own = [kept] if kept is not None else []
    # A part counts as kept, and so costs nothing, only where the design or the file says so.
    if stated.origin == KEPT:
        return own
    stock = problem.stock
    offered = stock.options(stated.kind, *span, terms)
    return [*own, *(offered or stock.nearest(stated.kind, *span, terms))]


def _agrees(part: Part, stated: StatedPart) -> bool:
    pieces = part.pieces or (part.value,)
    return (
        _near(part.value, stated.value, _SAME_VALUE)
        and stated.origin in (None, part.origin)
        and (stated.loss_ohm is None or _near(part.loss_ohm, stated.loss_ohm, _SAME_LOSS))
        and (stated.joined is None or stated.joined == part.joined)
        and (
            stated.pieces is None
            or (
                len(stated.pieces) == len(pieces)
                and all(
                    _near(a, b, _SAME_VALUE)
                    for a, b in zip(sorted(stated.pieces), sorted(pieces), strict=True)
                )
            )
        )
    )


def _distance(part: Part, stated: StatedPart) -> tuple[float, ...]:
    """How far a part that agrees is from the statements: two pieces of a shelf may look alike."""
    loss = part.loss_ohm if stated.loss_ohm is None else stated.loss_ohm
    said = [(getattr(stated, name), getattr(part, name)) for name in _SAID]
    return (
        abs(part.value / stated.value - 1.0),
        abs(part.loss_ohm - loss),
        float(sum(wanted is not None and wanted != own for wanted, own in said)),
    )


def _overrule(part: Part, stated: StatedPart) -> Part:
    said = {name: value for name in _SAID if (value := getattr(stated, name)) is not None}
    return replace(part, **said) if said else part


def _check_pieces(stated: StatedPart) -> None:
    pieces = stated.pieces or ()
    if len(pieces) < 2:
        if pieces and not _near(pieces[0], stated.value, 1e-3):
            raise _misfit(stated, pieces[0])
        return
    joined = stated.joined or "parallel"
    added = (joined == "parallel") == (stated.kind == "capacitor")
    total = sum(pieces) if added else 1.0 / sum(1.0 / piece for piece in pieces)
    if not _near(total, stated.value, 1e-3):
        raise _misfit(stated, total)


def _misfit(stated: StatedPart, total: float) -> InputError:
    unit = UNIT_OF_KIND[stated.kind]
    return InputError(
        "joined pieces must make the value of the part",
        value=f"{format_quantity(total, unit, 4)} from the pieces, "
        f"{format_quantity(stated.value, unit, 4)} stated",
        remedy='correct "value", "pieces" or "joined"',
    )


def _near(a: float, b: float, relative: float) -> bool:
    return abs(a - b) <= relative * max(abs(a), abs(b))
