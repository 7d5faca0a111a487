"""True values that a verification found: noted in the diary, and put in place of those designed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from optimizer.bench.diary.file import Diary, DiaryEntry, FoundValue, Side
from optimizer.bench.networks.file import read_kept
from optimizer.bench.verify.diagnosis import Diagnosis
from optimizer.bench.verify.faults import list_parts
from optimizer.errors import InputError
from optimizer.network.network import Network
from optimizer.parts import GIVEN, KEPT, LOSS_OF_KIND, UNIT_OF_KIND, Part
from optimizer.problem.fingerprint import fingerprint
from optimizer.problem.problem import Problem
from optimizer.stock.stock import DEFAULT_TOLERANCE
from optimizer.text.stamp import say_date
from optimizer.text.units import format_quantity

DETERMINED = 2.0 / 3.0
"""A value counts as measured where its interval is at most so wide, of what it was before."""

_TELLING = 0.95
"""Wider than this a measurement says nothing of a value, and it is not noted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AsMeasured:
    """A network with the values it was measured to have.

    Parameters
    ----------
    network : Network
        Parts that the measurement determined have their true values; the others are as designed.
    says : str
        Where they come from and which they are.
    """

    network: Network
    says: str


def list_values(diagnosis: Diagnosis) -> tuple[FoundValue, ...]:
    """List what a verification found of parts, as far as it says more than their tolerance.

    Parameters
    ----------
    diagnosis : Diagnosis
        Its estimates of values and losses.
    """
    return tuple(
        FoundValue(
            slot=one.label, of=one.what, designed=one.value, found=one.estimate, low=one.low,
            high=one.high, narrowed=one.narrowed,
        )
        for one in diagnosis.estimates
        if one.what in ("value", "loss") and one.narrowed < _TELLING and one.low > 0.0
    )  # fmt: skip


def find_sides(diary: Diary, problem: Problem, network: Network) -> tuple[Side, ...]:
    """Find the cabinets that hold a network."""
    mark = fingerprint(network)
    return tuple(
        side
        for side, builds in diary.built.items()
        if builds and fingerprint(read_kept(builds[-1].networks[0], problem, [])) == mark
    )


def use_measured(
    diary: Diary, problem: Problem, network: Network, side: Side | None = None
) -> AsMeasured:
    """Put the true values of the newest verification in place of those designed.

    Parameters
    ----------
    diary : Diary
        Holds the verification.
    problem : Problem
        Its ways tell what the networks in it mean.
    network : Network
        As designed; it is known by its parts, whatever it was called.
    side : {"left", "right"}, optional
        The cabinet that was measured; any by default.

    Returns
    -------
    AsMeasured

    Raises
    ------
    InputError
        This network was not verified, or nothing of it was determined.
    """
    entry = _find_verified(diary, problem, network, side)
    known = {(one.slot, one.of): one for one in entry.values if one.narrowed <= DETERMINED}
    changes, said = {}, []
    for place, (label, part) in list_parts(network).items():
        value, loss = (known.get((label, of)) for of in ("value", "loss"))
        if value or loss:
            changes[place] = _put(part, value, loss)
            said.append(_say(label, part, changes[place]))
    if not changes:
        raise InputError(
            "that verification determined no value of a part",
            file=diary.path,
            line=entry.line,
            remedy="verify with response and impedance, or leave --as-measured out",
        )
    cabinet = f" of the {' and '.join(entry.cabinets)} cabinet" if entry.cabinets else ""
    others = sum(1 for _ in network.parts) - len(changes)
    rest = f"; {others} others as designed" if others else ""
    return AsMeasured(
        network=network.replace_parts(changes),
        says=f"As measured in the verification{cabinet} of {say_date(entry.date)} (entry "
        f"{entry.number} of {diary.path.name}): {', '.join(said)}{rest}",
    )


def _find_verified(
    diary: Diary, problem: Problem, network: Network, side: Side | None
) -> DiaryEntry:
    mark = fingerprint(network)
    for entry in reversed(diary.entries):
        if entry.did != "verified" or (side is not None and side not in entry.cabinets):
            continue
        if any(fingerprint(read_kept(one, problem, [])) == mark for one in entry.networks):
            return entry
    where = f" in the {side} cabinet" if side else ""
    raise InputError(
        f"no verification of this network{where} stands in the diary",
        file=diary.path,
        remedy="measure the finished speaker and run laddersmith verify",
    )


def _put(part: Part, value: FoundValue | None, loss: FoundValue | None) -> Part:
    """Return the part with what was found of it."""
    if value is not None:
        tolerance = min(0.5 * (value.high - value.low) / value.found, DEFAULT_TOLERANCE)
        ratio = value.found / part.value
        # As many pieces as before, and no longer those that a list may hold.
        part = replace(
            part,
            value=value.found,
            pieces=tuple(piece * ratio for piece in part.pieces),
            tolerance=tolerance,
            origin=part.origin if part.origin == KEPT else GIVEN,
        )
    return part if loss is None else replace(part, loss_ohm=loss.found)


def _say(label: str, before: Part, after: Part) -> str:
    unit = UNIT_OF_KIND[before.kind]
    told = []
    if after.value != before.value:
        told.append(
            f"{format_quantity(after.value, unit, 3)} for {format_quantity(before.value, unit, 3)}"
        )
    if after.loss_ohm != before.loss_ohm:
        told.append(f"{LOSS_OF_KIND[before.kind]} {format_quantity(after.loss_ohm, 'ohm', 2)}")
    return f"{label} {', '.join(told)}"


def gather_sides(sides: Sequence[Side], chosen: Side | None) -> tuple[Side, ...]:
    """Return the cabinet a measurement is of: the one that is said, else the only one it can be."""
    return (chosen,) if chosen is not None else tuple(sides) if len(sides) == 1 else ()
