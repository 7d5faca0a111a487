"""Parts that shall be used: what is at hand, by the place it is to go to."""

from __future__ import annotations

from optimizer.bench.networks.stated_part import settle_part
from optimizer.design.read.built import StatedPart
from optimizer.errors import InputError, Subject
from optimizer.network.network import Network
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.problem.problem import Problem
from optimizer.text.suggest import suggest
from optimizer.text.units import parse_quantity


def find_use(problem: Problem, network: Network, place: str, value: str) -> Part:
    """Find the part of a value for a place of a network.

    Parameters
    ----------
    problem : Problem
        Its stock tells losses and origin.
    network : Network
        As it stands.
    place : str
        "tweeter.R1", "tweeter.P1.Rs".
    value : str
        "2.7 ohm".

    Returns
    -------
    Part

    Raises
    ------
    InputError
        When there is no such place, or the value cannot be read.
    """
    space = problem.around(network).space
    places = [space.label(g) for g in range(len(space.genes))]
    if place not in places:
        raise InputError(
            "a part to use needs a place of the network",
            subject=Subject("part to use"),
            value=repr(place),
            remedy=suggest(place, places),
        )
    kind = space.genes[places.index(place)].kind
    try:
        number = parse_quantity(value, UNIT_OF_KIND[kind])
        if number <= 0.0:
            raise InputError("a value is above 0", value=value)
        part, _ = settle_part(StatedPart(kind=kind, value=number), problem, place)
    except InputError as error:
        raise error.about(Subject("part to use", place)) from None
    return part
