"""A network with its drivers as SPICE text that a circuit simulator runs unchanged."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.network.equivalent import DriverEquivalent, fit_driver_equivalent
from optimizer.network.ladder import FittedSlot, FittedWay, Network
from optimizer.parts import LETTER_OF_KIND, Part

GROUND = "0"
AMPLIFIER = "amp"

_BLEED_OHM = 1e12
_LOOP_OHM = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredLoad:
    """A driver known by its measured impedance; the netlist gets a fitted circuit.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    impedance : ndarray, shape (F,), complex
        Impedance in ohm.
    """

    frequency_hz: Real
    impedance: Complex


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """The logarithmic frequency sweep of an AC analysis.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends in Hz; ``0 < low_hz < high_hz``.
    points_per_decade : int
        At least 1.
    """

    low_hz: float = 10.0
    high_hz: float = 40_000.0
    points_per_decade: int = 100


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


@dataclass(slots=True)
class _Deck:
    """Lines of a netlist, and what is needed to keep its DC solution unique."""

    lines: list[str] = field(default_factory=list)
    names: set[str] = field(default_factory=set)
    nodes: set[str] = field(default_factory=lambda: {GROUND})
    # Union-find parents: nodes joined by a path for direct current, and by zero ohm at DC.
    path: dict[str, str] = field(default_factory=dict)
    short: dict[str, str] = field(default_factory=dict)

    def note(self, text: str = "") -> None:
        self.lines.append(f"* {_ascii(text)}".rstrip())

    def unique(self, wanted: str) -> str:
        name, n = wanted, 2
        while name.lower() in self.names:
            name, n = f"{wanted}_{n}", n + 1
        self.names.add(name.lower())
        return name

    def add(self, name: str, a: str, b: str, value: str) -> None:
        self.lines.append(f"{self.unique(name)} {a} {b} {value}")
        self.nodes |= {a, b}

    def resistor(self, name: str, a: str, b: str, ohm: float) -> None:
        self.add(f"R{name}", a, b, _number(ohm))
        _join(self.path, a, b)

    def capacitor(self, name: str, a: str, b: str, farad: float) -> None:
        self.add(f"C{name}", a, b, _number(farad))

    def inductor(self, name: str, a: str, b: str, henry: float) -> None:
        if _root(self.short, a) == _root(self.short, b):
            # A loop of ideal coils and sources carries an undetermined direct current. A plain
            # resistor small enough not to matter would cost the solver six digits; one that acts
            # through the current of a sense source (an H element) costs none.
            sense, middle, end = f"V{name}__loop", f"{name}__m", f"{name}__n"
            self.add(sense, a, middle, "DC 0")
            self.add(f"H{name}__loop", middle, end, f"{sense} {_number(_LOOP_OHM)}")
            a = end
        self.add(f"L{name}", a, b, _number(henry))
        _join(self.short, a, b)
        _join(self.path, a, b)

    def source(self, name: str, a: str, b: str, value: str) -> None:
        self.add(name, a, b, value)
        _join(self.short, a, b)
        _join(self.path, a, b)

    def bleed(self) -> None:
        """Tie nodes that only capacitors reach to ground: SPICE solves for DC first."""
        for node in sorted(self.nodes):
            if _root(self.path, node) != _root(self.path, GROUND):
                self.resistor(f"bleed_{node}", node, GROUND, _BLEED_OHM)


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
    deck = _Deck(lines=[_ascii(title) or "network"])
    for note in notes:
        deck.note(note)
    deck.source("Vamp", AMPLIFIER, GROUND, f"DC 0 AC {_number(volts)}")
    subcircuits = _name_drivers(network)
    for way, nodes in zip(network.ways, name_nodes(network), strict=True):
        _write_way(deck, way, nodes, subcircuits)
    deck.bleed()
    for driver, subcircuit in subcircuits.items():
        if driver not in loads:
            raise InputError("every driver of the network needs a load", value=driver)
        _write_driver(deck, driver, subcircuit, loads[driver])
    deck.lines.append(
        f".ac dec {sweep.points_per_decade} {_number(sweep.low_hz)} {_number(sweep.high_hz)}"
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
        for name in _name_all(way.name for way in network.ways)
    )


def _write_way(
    deck: _Deck, way: FittedWay, nodes: WayNodes, subcircuits: Mapping[str, str]
) -> None:
    stem = nodes.output.removesuffix("_out")
    inverted = way.polarity < 0
    deck.note()
    deck.note(f"way {way.name}: driver {way.driver}, {'inverted' if inverted else 'normal'}")
    steps = [i for i, slot in enumerate(way.slots) if slot.place == "series"]
    node = f"{stem}_in" if steps else nodes.output
    deck.source(nodes.sense, AMPLIFIER, node, "DC 0")
    labels = _name_all(slot.name for slot in way.slots)
    for i, (slot, label) in enumerate(zip(way.slots, labels, strict=True)):
        after = node
        if slot.place == "series":
            after = nodes.output if i == steps[-1] else f"{stem}__{i + 1}"
        deck.note(_describe(slot))
        _write_slot(deck, slot, f"{stem}__{label}", node, after)
        node = after
    plus, minus = (GROUND, node) if inverted else (node, GROUND)
    deck.add(f"X{stem}", plus, minus, subcircuits[way.driver])
    _join(deck.path, plus, minus)


def _write_slot(deck: _Deck, slot: FittedSlot, name: str, before: str, after: str) -> None:
    far = after if slot.place == "series" else GROUND
    names = _part_names(slot, name)
    if slot.form == "trap":
        for part, part_name in zip(slot.parts, names, strict=True):
            _write_part(deck, part, part_name, before, far)
    elif slot.form == "pad":
        _write_part(deck, slot.parts[0], names[0], before, after)
        _write_part(deck, slot.parts[1], names[1], after, GROUND)
    else:
        node = before
        for i, (part, part_name) in enumerate(zip(slot.parts, names, strict=True)):
            end = far if i == len(slot.parts) - 1 else f"{name}__{i + 1}"
            _write_part(deck, part, part_name, node, end)
            node = end


def _write_part(deck: _Deck, part: Part, name: str, a: str, b: str) -> None:
    if part.kind == "resistor":
        deck.resistor(name, a, b, part.value + part.loss_ohm)
        return
    middle = b
    if part.loss_ohm > 0.0:
        middle = f"{name}__x"
        deck.resistor(f"{name}__loss", middle, b, part.loss_ohm)
    if part.kind == "inductor":
        deck.inductor(name, a, middle, part.value)
    else:
        deck.capacitor(name, a, middle, part.value)


def _write_driver(
    deck: _Deck, driver: str, subcircuit: str, load: DriverEquivalent | MeasuredLoad
) -> None:
    deck.note()
    if isinstance(load, MeasuredLoad):
        circuit, error = fit_driver_equivalent(load.frequency_hz, load.impedance)
        low, high = float(np.min(load.frequency_hz)), float(np.max(load.frequency_hz))
        deck.note(f"driver {driver}: circuit fitted to its measured impedance")
        deck.note(
            f"worst error {100 * error:.2f} % from {low:.6g} to {high:.6g} Hz; "
            "outside that range it is a guess"
        )
    else:
        circuit = load
        deck.note(f"driver {driver}: equivalent circuit")
    inner = _Deck(lines=deck.lines)
    deck.lines.append(f".subckt {subcircuit} plus minus")
    blocks = _driver_blocks(circuit)
    node = "plus"
    for i, block in enumerate(blocks):
        end = "minus" if i == len(blocks) - 1 else f"n{i + 1}"
        for name, value in block:
            inner.add(name, node, end, _number(value))
        node = end
    deck.lines.append(f".ends {subcircuit}")


def _driver_blocks(circuit: DriverEquivalent) -> list[list[tuple[str, float]]]:
    """Return the elements in parallel within each block; the blocks are in series."""
    blocks = [[("Re", circuit.re_ohm)]]
    if circuit.le_h > 0.0:
        blocks.append([("Le", circuit.le_h)])
    for i, section in enumerate(circuit.sections, 1):
        blocks.append([(f"Rs{i}", section.r_ohm), (f"Ls{i}", section.l_h)])
    for i, peak in enumerate(circuit.resonances, 1):
        blocks.append([(f"Rm{i}", peak.r_ohm), (f"Lm{i}", peak.l_h), (f"Cm{i}", peak.c_f)])
    return blocks


def _write_control(deck: _Deck, network: Network, curves_file: str) -> None:
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


def _part_names(slot: FittedSlot, name: str) -> list[str]:
    if slot.form == "pad":
        return [f"{name}__s", f"{name}__p"]
    if len(slot.parts) == 1:
        return [name]
    return [f"{name}__{LETTER_OF_KIND[part.kind]}" for part in slot.parts]


def _describe(slot: FittedSlot) -> str:
    where = "in the line" if slot.place == "series" else "across the line"
    return f"{slot.name}: {slot.form}, {where}"


def _name_drivers(network: Network) -> dict[str, str]:
    drivers = list(dict.fromkeys(way.driver for way in network.ways))
    return {d: f"driver_{n}" for d, n in zip(drivers, _name_all(drivers), strict=True)}


def _name_all(wanted: Iterable[str]) -> list[str]:
    """Turn names into distinct SPICE identifiers without double underscores; case is ignored."""
    names: list[str] = []
    seen: set[str] = set()
    for text in wanted:
        stem = re.sub(r"[^A-Za-z0-9]+", "_", text).strip("_") or "x"
        name, n = stem, 2
        while name.lower() in seen:
            name, n = f"{stem}_{n}", n + 1
        seen.add(name.lower())
        names.append(name)
    return names


def _number(value: float) -> str:
    """Shortest text that reads back as the same double."""
    return repr(float(value))


def _ascii(text: str) -> str:
    one_line = " ".join(text.split())
    return one_line.encode("ascii", "replace").decode("ascii")


def _root(parents: dict[str, str], node: str) -> str:
    while node in parents:
        node = parents[node]
    return node


def _join(parents: dict[str, str], a: str, b: str) -> None:
    a, b = _root(parents, a), _root(parents, b)
    if a != b:
        parents[a] = b
