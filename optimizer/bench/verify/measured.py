"""Measurements of a finished speaker, brought to the grid of its problem."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.prediction import Observation
from optimizer.errors import InputError, Subject
from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve, Quantity, parse_direction
from optimizer.measure.curves.grid import resample
from optimizer.measure.files import open_curve
from optimizer.measure.files.open import CALLED
from optimizer.measure.files.tables import NO_PHASE
from optimizer.problem.problem import Problem
from optimizer.text.units import say_hz

NOISE_DB = 0.3
"""Expected error of a home measurement at each frequency, in dB."""

DEGREES_PER_DB = float(np.degrees(np.log(10.0) / 20.0))
"""An error of 1 dB in modulus goes with one of this many degrees in angle."""

FEWEST_SHARED = 10

_ALONE_WITHIN_DB = 25.0
"""How far below its highest level a way that plays alone is compared: the rest is noise and room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSpeaker:
    """One speaker as measured.

    Parameters
    ----------
    observations : tuple of Observation
        On the grid of the problem.
    notes : tuple of str
        What was taken for granted.
    """

    observations: tuple[Observation, ...]
    notes: tuple[str, ...] = ()


def load_measured(
    problem: Problem,
    texts: Sequence[str],
    *,
    noise_db: float = NOISE_DB,
    band_hz: tuple[float, float] = (20.0, 20000.0),
    columns: Mapping[str, str] | None = None,
) -> MeasuredSpeaker:
    """Read the measurements of one finished speaker.

    Parameters
    ----------
    problem : Problem
        Gives grid and directions.
    texts : sequence of str
        File names; "30 right=FILE" and "impedance=FILE" say what a file is. Without that, a file
        is an impedance when it says so or its numbers look like ohm, else the response on axis.
        "tweeter=FILE" and "tweeter impedance=FILE" are one way alone through the network, the
        others disconnected.
    noise_db : float
        Expected error at each frequency.
    band_hz : tuple of float
        Frequencies that count.
    columns : mapping of str to str, optional
        What the columns of a file are, by its name.

    Returns
    -------
    MeasuredSpeaker

    Raises
    ------
    InputError
        When a file cannot be read, or does not meet the data of the design.
    """
    observations: list[Observation] = []
    notes: list[str] = []
    for text in texts:
        curve, way = _read(text, notes, dict(columns or {}), _names_of_ways(problem))
        observed = _observe(problem, curve, noise_db, band_hz)
        observations += observed if way < 0 else [_play_alone(o, way) for o in observed]
    names = [(o.kind, o.row, o.way) for o in observations]
    twice = next((o for o in observations if names.count((o.kind, o.row, o.way)) > 1), None)
    if twice is not None:
        raise InputError(
            "each curve of one speaker is measured once",
            file=twice.source,
            remedy='say what each file is ("30 right=FILE", "impedance=FILE"), '
            "or name the files of the second speaker as such",
            by_stating=(Subject("second speaker"),),
        )
    return MeasuredSpeaker(observations=tuple(observations), notes=tuple(notes))


def _names_of_ways(problem: Problem) -> list[str]:
    return [way.name for way in problem.topology.ways]


def _play_alone(o: Observation, way: int) -> Observation:
    """Make an observation that of one way alone."""
    if o.kind != "level":
        return replace(o, way=way)
    loud = o.value > o.value.max() - _ALONE_WITHIN_DB
    return replace(o, way=way, index=o.index[loud], value=o.value[loud])


def _read(
    text: str, notes: list[str], columns: Mapping[str, str], ways: Sequence[str]
) -> tuple[MeasuredCurve, int]:
    """Open one file as what it is said or seen to be, with the way that plays alone or -1."""
    what, mark, name = text.partition("=")
    if not mark or Path(text).exists():
        what, name = "", text
    way, what = _part_way(what.strip(), ways)
    path = Path(name)
    said = columns.get(path.name, columns.get(name, ""))
    if what:
        direction = _read_what(what)
        quantity: Quantity = "pressure" if direction else "impedance"
        curve = open_curve(path, quantity, direction=direction, columns=said)
        _refuse_other_kind(curve, what)
    else:
        curve = open_curve(path, columns=said)
        if curve.quantity == "pressure":
            curve = replace(curve, direction=ON_AXIS)
        taken = "impedance" if curve.direction is None else "response on the reference axis"
        notes.append(f"{path.name}: taken as the {taken}")
    # The phase of a response is not compared, so a file without it lacks nothing.
    notes += [f"{path.name}: {note}" for note in curve.notes if note != NO_PHASE]
    notes += [f"{path.name} {doubt.what}" for doubt in curve.doubts]
    return curve, way


def _part_way(what: str, ways: Sequence[str]) -> tuple[int, str]:
    """Take the way that plays alone off what a file is said to be."""
    for w, name in enumerate(ways):
        if what == name:
            return w, "0"
        if what.startswith(f"{name} "):
            return w, what.removeprefix(f"{name} ")
    return -1, what


def _read_what(what: str) -> Direction | None:
    """Read what a file is said to be: a direction, or none for the impedance."""
    if what.strip().lower() == "impedance":
        return None
    try:
        return parse_direction(what)
    except InputError as error:
        raise InputError(
            error.rule,
            value=repr(what),
            remedy='write for instance "30 right=FILE", "15 up=FILE" or "impedance=FILE", or, of '
            'one way alone, "tweeter=FILE" or "tweeter impedance=FILE"',
        ) from None


def _refuse_other_kind(curve: MeasuredCurve, what: str) -> None:
    """Refuse a file whose own heading says that it is not what it is called."""
    said = curve.heading.quantity
    if said is not None and said != curve.quantity:
        raise InputError(
            f"the file is called a measured {CALLED[curve.quantity]}, and says itself that it is "
            f"a measured {CALLED[said]}",
            file=curve.source,
            value=curve.heading.line,
            remedy=f'leave out "{what}=", or correct the heading of the file',
        )


def _observe(
    problem: Problem,
    response: MeasuredCurve,
    noise_db: float,
    band_hz: tuple[float, float],
) -> list[Observation]:
    f, direction = problem.frequency_hz, response.direction
    row = -1
    if direction is not None:
        if direction not in problem.directions:
            raise InputError(
                "the design must have responses in the direction measured",
                file=response.source,
                value=str(direction),
                remedy=f"it has {', '.join(map(str, problem.directions))}",
            )
        row = problem.directions.index(direction)
    # Where only one driver was measured, the others are continued and hardly play.
    kinds = [
        d.coverage[-1] if direction is None else d.coverage[min(row, len(d.coverage) - 2)]
        for d in problem.drivers
        if d.coverage
    ]
    low = max([band_hz[0], response.range_hz[0], min((c.low_hz for c in kinds), default=0.0)])
    high = min([band_hz[1], response.range_hz[1], max((c.high_hz for c in kinds), default=np.inf)])
    index = np.flatnonzero((f >= low * (1.0 - 1e-9)) & (f <= high * (1.0 + 1e-9)))
    if len(index) < FEWEST_SHARED:
        raise InputError(
            f"a measurement must share at least {FEWEST_SHARED} frequencies with the design",
            file=response.source,
            value=f"{say_hz(low)} to {say_hz(high)}",
            remedy="measure over a wider range, or widen the band that is compared",
            by_stating=(Subject("band compared"),),
        )
    value = resample(response, f).value[index]
    level = 20.0 * np.log10(np.abs(value))
    if direction is not None:
        return [
            Observation(
                kind="level",
                row=row,
                index=index,
                value=level,
                noise=noise_db,
                source=response.source,
            )
        ]
    out = [
        Observation(
            kind="modulus", row=-1, index=index, value=level, noise=noise_db, source=response.source
        )
    ]
    if response.has_phase:
        out.append(
            Observation(
                kind="angle",
                row=-1,
                index=index,
                value=np.degrees(np.angle(value)),
                noise=noise_db * DEGREES_PER_DB,
                source=response.source,
            )
        )
    return out


def relate(
    second: Sequence[Observation],
    deviation_of_first: Sequence[tuple[Observation, Real]],
) -> tuple[Observation, ...]:
    """Take one speaker as what the other should measure.

    Parameters
    ----------
    second : sequence of Observation
        The speaker in question.
    deviation_of_first : sequence of (Observation, ndarray)
        The speaker that counts as good: by what each observation deviates from its prediction.

    Returns
    -------
    tuple of Observation
        What `second` would measure if `first` met its prediction exactly: errors that both share
        (drivers, room, microphone) cancel. Two measurements have sqrt(2) times the noise of one.

    Raises
    ------
    InputError
        When the two speakers have no curve in common.
    """
    known = {(o.kind, o.row, o.way): (o, deviation) for o, deviation in deviation_of_first}
    out = []
    for o in second:
        if (o.kind, o.row, o.way) not in known:
            continue
        base, deviation = known[o.kind, o.row, o.way]
        shared, mine, theirs = np.intersect1d(o.index, base.index, return_indices=True)
        if len(shared) < FEWEST_SHARED:
            continue
        out.append(
            replace(
                o,
                index=shared,
                value=o.value[mine] - deviation[theirs],
                noise=o.noise * np.sqrt(2.0),
            )
        )
    if not out:
        raise InputError(
            "both speakers need a curve of the same kind",
            subject=Subject("second speaker"),
            value=second[0].source if second else None,
            remedy="measure the same curve of both, over the same range",
        )
    return tuple(out)
