"""An expression as a circuit: what lies between which nodes, and the same as SPICE text."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from optimizer.errors import InputError, Subject
from optimizer.network.deck import (
    AMPLIFIER,
    GROUND,
    Deck,
    MeasuredLoad,
    Sweep,
    name_all,
    number,
    write_load,
    write_part,
)
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.expression.nodes import (
    IDEAL,
    DriverLeaf,
    Node,
    Parallel,
    PartLeaf,
    SourceResistance,
    Tap,
    driver_leaves,
    part_leaves,
    taps_of,
)

_Load = DriverEquivalent | MeasuredLoad


@dataclass(frozen=True, slots=True)
class Element:
    """One thing between nodes.

    Parameters
    ----------
    what : PartLeaf, DriverLeaf or Tap
        The thing.
    nodes : tuple of str
        Of a part or driver: towards the source, and away from it (a driver's first one is plus
        unless it is inverted). Of a tap: before it, after it, and the common end.
    """

    what: PartLeaf | DriverLeaf | Tap
    nodes: tuple[str, ...]


def list_elements(
    network: Node, top: str = AMPLIFIER, bottom: str = GROUND, prefix: str = "n"
) -> tuple[Element, ...]:
    """Say what lies between which nodes.

    Parameters
    ----------
    network : Node
        The expression; every place in it counts as filled.
    top, bottom : str
        Nodes that it is connected to.
    prefix : str
        Of the names of its own nodes, which are numbered from the source.

    Returns
    -------
    tuple of Element
        In the order in which the expression is written. Drawing, wiring and simulators read the
        same list.
    """
    count = itertools.count(1)
    return tuple(place_elements(network, top, bottom, lambda: f"{prefix}{next(count)}"))


def place_elements(node: Node, a: str, b: str, new: Callable[[], str]) -> Iterator[Element]:
    """Say what lies between which nodes, one thing after the other.

    Parameters
    ----------
    node : Node
        The expression; every place in it counts as filled.
    a, b : str
        Nodes that it is connected to.
    new : callable
        Gives the name of another node, when it is needed: who takes the elements one by one may ask
        it for nodes in between.

    Yields
    ------
    Element
        In the order in which the expression is written.
    """
    if isinstance(node, PartLeaf | DriverLeaf):
        yield Element(node, (a, b))
    elif isinstance(node, Tap):
        c = new()
        yield Element(node, (a, c, b))
        yield from place_elements(node.item, c, b, new)
    elif isinstance(node, Parallel):
        for item in node.items:
            yield from place_elements(item, a, b, new)
    else:
        start = a
        for item in node.items[:-1]:
            stop = new()
            yield from place_elements(item, start, stop, new)
            start = stop
        yield from place_elements(node.items[-1], start, b, new)


@dataclass(frozen=True, slots=True)
class DriverNodes:
    """How a simulator's output refers to a driver.

    Parameters
    ----------
    plus, minus : str
        Nodes of its terminals; its voltage is that of plus against minus.
    """

    plus: str
    minus: str


def write_circuit(
    deck: Deck,
    network: Node,
    subcircuits: Mapping[str, str],
    *,
    top: str = AMPLIFIER,
    prefix: str = "",
    called: Mapping[str, str] | None = None,
) -> dict[str, DriverNodes]:
    """Write parts, taps and drivers of a network into a netlist.

    Parameters
    ----------
    deck : Deck
        Where to.
    network : Node
        Every place filled and every polarity settled.
    subcircuits : mapping of str to str
        Subcircuit of each driver, by its name.
    top : str
        Node that feeds it.
    prefix : str
        Before all names, to keep several networks in one netlist apart.
    called : mapping of str to str, optional
        What parts and transformers are called, by their names in the network; as there when left
        out.

    Returns
    -------
    dict of str to DriverNodes
        By name of the driver leaf.

    Raises
    ------
    InputError
        When a place is empty or a polarity open.
    """
    own = [leaf.name for leaf in part_leaves(network)]
    names = dict(zip(own, name_all((called or {}).get(name, name) for name in own), strict=True))
    drivers = _identify(leaf.name for leaf in driver_leaves(network))
    found = find_drivers(network, top=top, prefix=prefix)
    taps = iter(
        name_all(
            (called or {}).get(tap.name) or (f"tap_{tap.name}" if tap.name else "tap")
            for tap in taps_of(network)
        )
    )
    for element in list_elements(network, top, prefix=f"{prefix}n"):
        what = element.what
        if isinstance(what, Tap):
            a, c, common = element.nodes
            deck.tap(f"{prefix}{next(taps)}", a, common, c, what.ratio)
            continue
        a, b = element.nodes
        if isinstance(what, PartLeaf):
            if what.part is None:
                raise InputError(
                    "every place of a netlist is filled", subject=Subject("place", what.name)
                )
            write_part(deck, what.part, prefix + names[what.name], a, b)
            continue
        if what.polarity == "free":
            raise InputError(
                "every polarity of a netlist is settled", subject=Subject("driver", what.name)
            )
        nodes = found[what.name]
        stem = f"{prefix}{drivers[what.name]}"
        deck.driver(stem, nodes.plus, nodes.minus, subcircuits[what.driver])
    return found


def find_drivers(
    network: Node, *, top: str = AMPLIFIER, prefix: str = ""
) -> dict[str, DriverNodes]:
    """Say between which nodes of `write_circuit` each driver lies.

    Parameters
    ----------
    network, top, prefix
        As there.

    Returns
    -------
    dict of str to DriverNodes
        By name of the driver leaf.
    """
    return {
        one.what.name: DriverNodes(*(one.nodes if one.what.sign > 0 else one.nodes[::-1]))
        for one in list_elements(network, top, prefix=f"{prefix}n")
        if isinstance(one.what, DriverLeaf)
    }


def _identify(names: Iterable[str]) -> dict[str, str]:
    """Give names distinct identifiers."""
    names = list(names)
    return dict(zip(names, name_all(names), strict=True))


def write_spice(
    network: Node,
    loads: Mapping[str, _Load],
    *,
    source: SourceResistance = IDEAL,
    title: str = "Passive crossover network",
    sweep: Sweep | None = None,
    volts: float = 1.0,
    curves_file: str | None = None,
    notes: Sequence[str] = (),
    called: Mapping[str, str] | None = None,
) -> str:
    """Write a network as SPICE text with an AC analysis.

    Parameters
    ----------
    network : Node
        Every place filled and every polarity settled.
    loads : mapping of str to DriverEquivalent or MeasuredLoad
        The load of each driver, by name of the driver. To a measured one a circuit is fitted, and
        the text states its worst error.
    source : SourceResistance
        Amplifier and cable.
    title : str
        First line.
    sweep : Sweep, optional
        Frequencies; 10 Hz to 40 kHz when left out.
    volts : float
        AC amplitude of the amplifier in V.
    curves_file : str, optional
        Adds an ngspice control section that writes to this file the levels of all drivers in dB re
        the source, and the impedance that the amplifier sees. Other simulators need the text
        without it.
    notes : sequence of str
        Comment lines below the title.
    called : mapping of str to str, optional
        See `write_circuit`.

    Returns
    -------
    str
        The netlist: pure ASCII, SI numbers with no prefixes, comments on their own lines. It runs
        as it is and prints the level of every driver.

    Raises
    ------
    InputError
        When a driver has no load, a place is empty, a polarity open or the sweep empty.

    Notes
    -----
    The source is at node ``emf``, the amplifier's terminals are at node ``amp``. SPICE solves for
    direct current first, see `optimizer.network.deck`.
    """
    sweep = sweep or Sweep()
    if not 0.0 < sweep.low_hz < sweep.high_hz or sweep.points_per_decade < 1:
        raise InputError(
            "a sweep runs from a positive frequency to a higher one",
            value=f"{sweep.low_hz} to {sweep.high_hz} Hz",
        )
    deck = Deck()
    # The first line is the title whatever it holds, but ngspice runs one that begins with a dot.
    deck.note(title or "network")
    for note in notes:
        deck.note(note)
    top = write_source(deck, source, volts=volts)
    kinds = list(dict.fromkeys(leaf.driver for leaf in driver_leaves(network)))
    for driver in kinds:
        if driver not in loads:
            raise InputError(
                "every driver of the network needs a load", subject=Subject("driver", driver)
            )
    subcircuits = {driver: f"driver_{name}" for driver, name in _identify(kinds).items()}
    nodes = write_circuit(deck, network, subcircuits, top=top, called=called)
    deck.bleed()
    for driver, subcircuit in subcircuits.items():
        write_load(deck, driver, subcircuit, loads[driver])
    deck.lines.append(
        f".ac dec {sweep.points_per_decade} {number(sweep.low_hz)} {number(sweep.high_hz)}"
    )
    # Printed where the text is run as it is: level of each driver, and the current of the source,
    # whose negative is what the amplifier gives.
    levels = (f"vdb({_ends(ends)})" for ends in nodes.values())
    deck.lines.append(f".print ac {' '.join(levels)} i(Vamp)")
    if curves_file is not None:
        _write_control(deck, nodes, curves_file)
    deck.lines.append(".end")
    return "\n".join(deck.lines) + "\n"


def write_source(
    deck: Deck, source: SourceResistance, *, volts: float = 1.0, prefix: str = ""
) -> str:
    """Write amplifier and cable into a netlist.

    Parameters
    ----------
    deck : Deck
        Where to.
    source : SourceResistance
        Amplifier and cable.
    volts : float
        AC amplitude in V.
    prefix : str
        Before all names.

    Returns
    -------
    str
        Node that feeds the network. The current out of the amplifier is that into the source
        ``Vamp`` times -1.
    """
    emf, amp, end = f"{prefix}emf", f"{prefix}{AMPLIFIER}", f"{prefix}{top_of(source)}"
    deck.source(f"V{prefix}amp", emf, GROUND, f"DC 0 AC {number(volts)}")
    if source.output_ohm:
        deck.resistor(f"{prefix}output", emf, amp, source.output_ohm)
    else:
        deck.source(f"V{prefix}ideal", emf, amp, "DC 0")
    if source.cable_ohm:
        deck.resistor(f"{prefix}cable", amp, end, source.cable_ohm)
    return end


def top_of(source: SourceResistance) -> str:
    """Name the node that feeds a network: the amplifier's, or the far end of the cable."""
    return "cable" if source.cable_ohm else AMPLIFIER


def _ends(nodes: DriverNodes) -> str:
    """Nodes of a voltage as SPICE writes them; its sign is lost where plus is grounded."""
    return ",".join(node for node in (nodes.plus, nodes.minus) if node != GROUND)


def _write_control(deck: Deck, nodes: Mapping[str, DriverNodes], curves_file: str) -> None:
    # ngspice control language: names may not hold an operator, the file name may not hold blanks.
    if re.fullmatch(r"[\w./-]+", curves_file, re.ASCII) is None:
        raise InputError(
            "the curves file of a netlist uses letters, digits and ._-/ only",
            value=curves_file,
            remedy="choose another file name",
        )
    lines = [".control", "set wr_singlescale", "set wr_vecnames", "run"]
    columns = []
    for name, driver in zip(name_all(nodes), nodes.values(), strict=True):
        lines.append(f"let drive_db_{name} = db(v({_ends(driver)}) / v(emf))")
        columns.append(f"drive_db_{name}")
    lines.append(f"let impedance_ohm = mag(v({AMPLIFIER}) / i(Vamp))")
    lines.append(f"let impedance_phase_deg = 180 / pi * ph(-v({AMPLIFIER}) / i(Vamp))")
    columns += ["impedance_ohm", "impedance_phase_deg"]
    lines += [f"wrdata {curves_file} {' '.join(columns)}", ".endc"]
    deck.lines += lines
