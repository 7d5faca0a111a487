"""A network with its drivers as SPICE text that a circuit simulator runs unchanged."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from optimizer.errors import InputError
from optimizer.network.deck import (
    AMPLIFIER,
    GROUND,
    Deck,
    MeasuredLoad,
    Sweep,
    ascii_text,
    name_all,
    number,
    write_load,
    write_part,
)
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.expression.circuit import list_elements
from optimizer.network.expression.forms import REST
from optimizer.network.expression.nodes import DriverLeaf, PartLeaf
from optimizer.network.ladder import FittedSlot, FittedWay, Network

__all__ = ["MeasuredLoad", "Sweep", "WayNodes", "name_nodes", "write_netlist"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WayNodes:
    """Names by which a simulator's output refers to one way.

    Parameters
    ----------
    output : str
        Node at the end of the ladder. The driver's voltage is that of this node, times -1 when
        the way is inverted.
    sense : str
        Zero-volt source whose current is that into the way.
    """

    output: str
    sense: str


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
        Every way with its parts.
    loads : mapping of str to DriverEquivalent or MeasuredLoad
        The load of each driver, by driver name. To a measured one a circuit is fitted, and the
        text states its worst error.
    title : str
        First line.
    sweep : Sweep, optional
        Frequencies; 10 Hz to 40 kHz when left out.
    volts : float
        AC amplitude of the amplifier in V.
    curves_file : str, optional
        Adds an ngspice control section that writes drive levels in dB re the amplifier and the
        input impedance to this file. Other simulators need the text without it.
    notes : sequence of str
        Comment lines below the title.

    Returns
    -------
    str
        The netlist: pure ASCII, SI numbers with no prefixes, "* " comments on their own lines.

    Raises
    ------
    InputError
        When a driver has no load or the sweep is empty.

    Notes
    -----
    The amplifier is an ideal source at node ``amp``. Node names come from `name_nodes`. An
    inverted way has its driver's terminals exchanged. SPICE solves for direct current first, so
    nodes that only capacitors reach get 1 teraohm to ground, and an ideal coil that closes a loop
    of ideal coils and sources gets 1 nanoohm; both change curves by
    about 1e-6 at most for parts of this trade.
    """
    sweep = sweep or Sweep()
    if not 0.0 < sweep.low_hz < sweep.high_hz or sweep.points_per_decade < 1:
        raise InputError(
            "a sweep runs from a positive frequency to a higher one",
            value=f"{sweep.low_hz} to {sweep.high_hz} Hz",
        )
    deck = Deck(lines=[ascii_text(title) or "network"])
    for note in notes:
        deck.note(note)
    deck.source("Vamp", AMPLIFIER, GROUND, f"DC 0 AC {number(volts)}")
    subcircuits = _name_drivers(network)
    for way, nodes in zip(network.ways, name_nodes(network), strict=True):
        _write_way(deck, way, nodes, subcircuits)
    deck.bleed()
    for driver, subcircuit in subcircuits.items():
        if driver not in loads:
            raise InputError("every driver of the network needs a load", value=driver)
        write_load(deck, driver, subcircuit, loads[driver])
    deck.lines.append(
        f".ac dec {sweep.points_per_decade} {number(sweep.low_hz)} {number(sweep.high_hz)}"
    )
    if curves_file is not None:
        _write_control(deck, network, curves_file)
    deck.lines.append(".end")
    return "\n".join(deck.lines) + "\n"


def name_nodes(network: Network) -> tuple[WayNodes, ...]:
    """Return the names `write_netlist` uses for each way.

    Parameters
    ----------
    network : Network
        The network.

    Returns
    -------
    tuple of WayNodes
        One per way, in order.
    """
    return tuple(
        WayNodes(output=f"{name}_out", sense=f"Vsense_{name}")
        for name in name_all(way.name for way in network.ways)
    )


def _write_way(deck: Deck, way: FittedWay, nodes: WayNodes, subcircuits: Mapping[str, str]) -> None:
    stem = nodes.output.removesuffix("_out")
    inverted = way.polarity < 0
    deck.note()
    deck.note(f"way {way.name}: driver {way.driver}, {'inverted' if inverted else 'normal'}")
    steps = [i for i, slot in enumerate(way.slots) if slot.place == "series"]
    node = f"{stem}_in" if steps else nodes.output
    deck.source(nodes.sense, AMPLIFIER, node, "DC 0")
    labels = name_all(slot.name for slot in way.slots)
    for i, (slot, label) in enumerate(zip(way.slots, labels, strict=True)):
        after = node
        if slot.place == "series":
            after = nodes.output if i == steps[-1] else f"{stem}__{i + 1}"
        deck.note(_describe(slot))
        _write_slot(deck, slot, f"{stem}__{label}", node, after)
        node = after
    plus, minus = (GROUND, node) if inverted else (node, GROUND)
    deck.driver(stem, plus, minus, subcircuits[way.driver])


def _write_slot(deck: Deck, slot: FittedSlot, name: str, before: str, after: str) -> None:
    """Write what a place holds, on a line that comes in at one node and goes on at another."""
    single = len(slot.parts) == 1
    leaves = [
        PartLeaf(part.kind, name if single else f"{name}__{own}", part=part)
        for own, part in zip(slot.circuit.names, slot.parts, strict=True)
    ]
    elements = list_elements(
        slot.circuit.fill(DriverLeaf(REST), leaves), before, GROUND, f"{name}__"
    )
    goes_on = next(e.nodes[0] for e in elements if isinstance(e.what, DriverLeaf))
    for element in elements:
        if isinstance(element.what, PartLeaf) and element.what.part is not None:
            a, b = (after if node == goes_on else node for node in element.nodes)
            write_part(deck, element.what.part, element.what.name, a, b)


def _write_control(deck: Deck, network: Network, curves_file: str) -> None:
    # ngspice control language: names may not hold an operator, the file name may not hold blanks.
    if re.fullmatch(r"[\w./-]+", curves_file, re.ASCII) is None:
        raise InputError(
            "the curves file of a netlist uses letters, digits and ._-/ only",
            value=curves_file,
            remedy="choose another file name",
        )
    lines = [".control", "set wr_singlescale", "set wr_vecnames", "run"]
    columns = []
    for nodes in name_nodes(network):
        column = f"drive_db_{nodes.output.removesuffix('_out')}"
        lines.append(f"let {column} = db(v({nodes.output}) / v({AMPLIFIER}))")
        columns.append(column)
    lines.append(f"let impedance_ohm = mag(v({AMPLIFIER}) / i(Vamp))")
    lines.append(f"let impedance_phase_deg = 180 / pi * ph(-v({AMPLIFIER}) / i(Vamp))")
    columns += ["impedance_ohm", "impedance_phase_deg"]
    lines += [f"wrdata {curves_file} {' '.join(columns)}", ".endc"]
    deck.lines += lines


def _describe(slot: FittedSlot) -> str:
    where = "in the line" if slot.place == "series" else "across the line"
    return f"{slot.name}: {slot.form}, {where}"


def _name_drivers(network: Network) -> dict[str, str]:
    drivers = list(dict.fromkeys(way.driver for way in network.ways))
    return {d: f"driver_{n}" for d, n in zip(drivers, name_all(drivers), strict=True)}
