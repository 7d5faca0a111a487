"""A network with its drivers as SPICE text that a circuit simulator runs unchanged."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from optimizer.network.deck import MeasuredLoad, Sweep
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.expression.circuit import DriverNodes, find_drivers, top_of, write_spice
from optimizer.network.expression.ladders import from_network
from optimizer.network.network import FittedWay, Network
from optimizer.network.references import name_labels
from optimizer.parts import UNIT_OF_KIND
from optimizer.text.units import format_quantity

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
        Comment lines below the title; what each part is, and where in the design, follows them.

    Returns
    -------
    str
        See `write_spice`. Parts are called by `Network.references`, nodes of the drivers are those
        of `name_nodes`.

    Raises
    ------
    InputError
        See `write_spice`.
    """
    return write_spice(
        from_network(network),
        loads,
        source=network.source,
        title=title,
        sweep=sweep,
        volts=volts,
        curves_file=curves_file,
        notes=(*notes, *_list_parts(network)),
        called=name_labels(network.references),
    )


def _list_parts(network: Network) -> Iterator[str]:
    references = network.references
    for one in network.ladders:
        yield f"{'way' if isinstance(one, FittedWay) else 'group'} {one.title}:"
        for slot in one.slots:
            if slot.circuit.gain is not None:
                yield f"  {references[one.name, slot.name]} {slot.form} ({one.name}.{slot.name})"
            for name, place, part in slot.named_parts:
                value = format_quantity(part.value, UNIT_OF_KIND[part.kind], 4)
                yield f"  {references[one.name, name]} {value}, {place} ({one.name}.{name})"


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
