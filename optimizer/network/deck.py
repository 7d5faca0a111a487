"""SPICE text line by line: parts, drivers as circuits, and a solution for direct current."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.equivalent import DriverEquivalent, fit_driver_equivalent
from optimizer.parts import Part
from optimizer.text.quoting import quote_comment

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
        Of the measurement, in Hz.
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


@dataclass(slots=True)
class Deck:
    """Lines of a netlist, and what is needed to keep its DC solution unique."""

    lines: list[str] = field(default_factory=list)
    names: set[str] = field(default_factory=set)
    nodes: set[str] = field(default_factory=lambda: {GROUND})
    # Union-find parents: nodes joined by a path for direct current, and by zero ohm at DC.
    path: dict[str, str] = field(default_factory=dict)
    short: dict[str, str] = field(default_factory=dict)

    def note(self, text: str = "") -> None:
        """Write a comment; the blank behind its mark keeps it one ("*#" is run by ngspice)."""
        self.lines.append(f"* {quote_comment(text)}".rstrip())

    def unique(self, wanted: str) -> str:
        """Make a name of an element unlike all before it."""
        name, n = wanted, 2
        while name.lower() in self.names:
            name, n = f"{wanted}_{n}", n + 1
        self.names.add(name.lower())
        return name

    def add(self, name: str, a: str, b: str, value: str) -> None:
        """Write an element between two nodes."""
        self.lines.append(f"{self.unique(name)} {a} {b} {value}")
        self.nodes |= {a, b}

    def resistor(self, name: str, a: str, b: str, ohm: float) -> None:
        """Write a resistor."""
        self.add(_with_letter("R", name), a, b, number(ohm))
        _join(self.path, a, b)

    def capacitor(self, name: str, a: str, b: str, farad: float) -> None:
        """Write an ideal capacitor."""
        self.add(_with_letter("C", name), a, b, number(farad))

    def inductor(self, name: str, a: str, b: str, henry: float) -> None:
        """Write an ideal coil."""
        if _root(self.short, a) == _root(self.short, b):
            # A loop of ideal coils and sources carries an undetermined direct current. A plain
            # resistor small enough not to matter would cost the solver six digits; one that acts
            # through the current of a sense source (an H element) costs none.
            sense, middle, end = f"V{name}__loop", f"{name}__m", f"{name}__n"
            self.add(sense, a, middle, "DC 0")
            self.add(f"H{name}__loop", middle, end, f"{sense} {number(_LOOP_OHM)}")
            a = end
        self.add(_with_letter("L", name), a, b, number(henry))
        _join(self.short, a, b)
        _join(self.path, a, b)

    def source(self, name: str, a: str, b: str, value: str) -> None:
        """Write a voltage source."""
        self.add(name, a, b, value)
        _join(self.short, a, b)
        _join(self.path, a, b)

    def driver(self, name: str, plus: str, minus: str, subcircuit: str) -> None:
        """Write a driver as one of the subcircuits of `write_load`."""
        self.add(f"X{name}", plus, minus, subcircuit)
        _join(self.path, plus, minus)

    def tap(self, name: str, a: str, common: str, c: str, ratio: float) -> None:
        """Write an ideal transformer from a to c, both against a common end.

        A voltage source sets what comes out, and a current source takes its current from before.
        """
        inner, gain = f"{name}__x", number(1.0 / ratio)
        self.lines.append(f"{self.unique(f'E{name}')} {inner} {common} {a} {common} {gain}")
        self.source(f"V{name}__tap", inner, c, "DC 0")
        self.lines.append(f"{self.unique(f'F{name}')} {a} {common} V{name}__tap {gain}")
        self.nodes |= {a, common, c}
        # For direct current the output is a voltage source, which no coil may short.
        _join(self.short, inner, common)
        _join(self.path, inner, common)

    def bleed(self) -> None:
        """Tie nodes that only capacitors reach to ground: SPICE solves for DC first."""
        for node in sorted(self.nodes):
            if _root(self.path, node) != _root(self.path, GROUND):
                self.resistor(f"bleed_{node}", node, GROUND, _BLEED_OHM)


def write_part(deck: Deck, part: Part, name: str, a: str, b: str) -> None:
    """Write a part with its series loss."""
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


def write_load(
    deck: Deck, driver: str, subcircuit: str, load: DriverEquivalent | MeasuredLoad
) -> None:
    """Write a driver's impedance as a subcircuit; to a measured one a circuit is fitted."""
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
    inner = Deck(lines=deck.lines)
    deck.lines.append(f".subckt {subcircuit} plus minus")
    blocks = _driver_blocks(circuit)
    node = "plus"
    for i, block in enumerate(blocks):
        end = "minus" if i == len(blocks) - 1 else f"n{i + 1}"
        for name, value in block:
            inner.add(name, node, end, number(value))
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


def name_all(wanted: Iterable[str]) -> list[str]:
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


def number(value: float) -> str:
    """Shortest text that reads back as the same double."""
    return repr(float(value))


def _with_letter(letter: str, name: str) -> str:
    """Begin the name of an element with the letter of its kind, as a reference ("L1") does already."""
    return name if re.fullmatch(rf"{letter}[0-9]+", name) else letter + name


def _root(parents: dict[str, str], node: str) -> str:
    while node in parents:
        node = parents[node]
    return node


def _join(parents: dict[str, str], a: str, b: str) -> None:
    a, b = _root(parents, a), _root(parents, b)
    if a != b:
        parents[a] = b
