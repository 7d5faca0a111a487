"""A network with its drivers as SPICE text that a circuit simulator runs unchanged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from optimizer.network.deck import MeasuredLoad, Sweep
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.expression.circuit import DriverNodes, find_drivers, top_of, write_spice
from optimizer.network.expression.ladders import from_network
from optimizer.network.network import FittedWay, Network

__all__ = ["DriverNodes", "MeasuredLoad", "Sweep", "name_nodes", "write_netlist"]


def write_netlist(
    network: Network,
    loads: Mapping[str, DriverEquivalent | MeasuredLoad],
    *,
    title: str = "Passive crossover network",
    sweep: Sweep | None = None,
    volts: float = 1.0,
    curves_file: str | None = None,
    notes: Sequence[str] = (),
) -> str:
    """Write a network as SPICE text with an AC analysis.

    Parameters
    ----------
    network : Network
        Every way and group with its parts, and what feeds them.
    loads, title, sweep, volts, curves_file
        As `optimizer.network.expression.circuit.write_spice` takes them.
    notes : sequence of str
        Comment lines below the title; what each way and group consists of follows them.

    Returns
    -------
    str
        See `write_spice`. Nodes of the drivers are those of `name_nodes`.

    Raises
    ------
    InputError
        See `write_spice`.
    """
    ladders = [
        f"{'way' if isinstance(one, FittedWay) else 'group'} {line}"
        for one, line in zip(network.ladders, network.say_ladders(), strict=True)
    ]
    return write_spice(
        from_network(network),
        loads,
        source=network.source,
        title=title,
        sweep=sweep,
        volts=volts,
        curves_file=curves_file,
        notes=(*notes, *ladders),
    )


def name_nodes(network: Network) -> tuple[DriverNodes, ...]:
    """Say between which nodes of `write_netlist` each driver lies.

    Parameters
    ----------
    network : Network
        The network.

    Returns
    -------
    tuple of DriverNodes
        One per way, in order.
    """
    found = find_drivers(from_network(network), top=top_of(network.source))
    return tuple(found[way.name] for way in network.ways)
