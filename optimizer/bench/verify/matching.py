"""The resistor that brings a driver of one speaker to the level of the other's."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.driver import Driver
from optimizer.network.network import FittedSlot, FittedWay, Network, PartKey
from optimizer.network.solve import solve_network
from optimizer.parts import Part
from optimizer.problem.problem import Problem
from optimizer.text.units import format_quantity

_WAY_BAND_DB = 6.0
_LEAST_OHM, _MOST_OHM = 0.1, 47.0
_WITHIN_DB = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A resistor to change or add.

    Parameters
    ----------
    says : str
        What to do, in which speaker.
    ohm : float
        Its value, one of the stock.
    left_db : float
        By how much the level still differs then.
    """

    says: str
    ohm: float
    left_db: float


def match_level(problem: Problem, network: Network, way: str, gain_db: float) -> Match | None:
    """Find the resistor from stock that makes the louder of two speakers as loud as the other.

    Parameters
    ----------
    problem, network
        The design of both.
    way : str
        The way that differs.
    gain_db : float
        How much louder it plays in the speaker in question than in its partner.

    Returns
    -------
    Match or None
        A resistor in the line of that way in place of the one there, or one more before its driver;
        None where the stock has none that comes within half a decibel.
    """
    offers = problem.stock.options("resistor", _LEAST_OHM, _MOST_OHM)
    key = _find_series(network, way)
    found: tuple[float, Part] | None = None
    for part in offers:
        left = abs(gain_db) + _move_db(problem, network, way, key, part)
        if found is None or abs(left) < abs(found[0]):
            found = (left, part)
    if found is None or abs(found[0]) > _WITHIN_DB:
        return None
    left, part = found
    which = "the speaker in question" if gain_db > 0.0 else "its partner"
    value = format_quantity(part.value, "ohm")
    if key is None:
        doing = f"add {value} in series before the driver of {way}"
    else:
        old = format_quantity(network.places[key].value, "ohm")
        doing = f"make the series resistor of {way} ({key[1]}) {value} instead of {old}"
    return Match(
        says=f"In {which} {doing}: {left:+z.1f} dB are left.", ohm=part.value, left_db=left
    )


def _find_series(network: Network, way: str) -> PartKey | None:
    """Find the last resistor in the line of a way."""
    for one in network.ways:
        if one.name != way:
            continue
        for slot in reversed(one.slots):
            for i, (_, place, part) in enumerate(slot.named_parts):
                if part.kind == "resistor" and place == "series":
                    return (way, slot.name, i)
    return None


def _move_db(
    problem: Problem, network: Network, way: str, key: PartKey | None, part: Part
) -> float:
    """By how much the way's level changes in its own band."""
    if key is not None:
        changed = network.replace_parts({key: part})
    else:
        changed = replace(network, ways=tuple(_with_series(one, way, part) for one in network.ways))
    before, after = (_drive(problem, n, way) for n in (network, changed))
    heard = _pressure(problem, network, way) * before
    inside = heard > heard.max() * 10.0 ** (-_WAY_BAND_DB / 20.0)
    return float(np.mean(20.0 * np.log10(after[inside] / before[inside])))


def _with_series(one: FittedWay, way: str, part: Part) -> FittedWay:
    if one.name != way:
        return one
    added = FittedSlot(name="Rm", place="series", form="resistor", parts=(part,))
    return replace(one, slots=(*one.slots, added))


def _drive(problem: Problem, network: Network, way: str) -> Real:
    loads = {d.name: d.impedance for d in problem.drivers}
    solved = solve_network(network, problem.frequency_hz, loads)
    index = [w.name for w in network.ways].index(way)
    return np.asarray(np.abs(solved.transfer[index]))


def _pressure(problem: Problem, network: Network, way: str) -> Real:
    by_name: dict[str, Driver] = {d.name: d for d in problem.drivers}
    driver = next(w.driver for w in network.ways if w.name == way)
    return np.asarray(np.abs(by_name[driver].pressure[0]))
