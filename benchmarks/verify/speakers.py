"""Speakers to plant faults in: drivers as circuits, and networks around them.

A driver is a voice coil (a resistance and three lossy inductances in series, unlike the fractional
power that the tool fits), a resonance with a second, small one beside it (unlike its one), and a
response in which the voltage across the resonance plays the part of the velocity. Responses and
impedances of measured drivers are those of shared/data; their circuits are fitted to the impedance.
"""

from __future__ import annotations

import copy
import os
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.special import j1

from optimizer.arrays import Complex, Real
from optimizer.measure.files import open_curve
from optimizer.network.equivalent import fit_driver_equivalent

GRID_HZ = 20.0 * 2.0 ** (np.arange(200) / 20.0)
"""20 points per octave from 20 Hz, as ngspice computes them."""

Draw = np.random.Generator

Towards = tuple[float, float]
"""Horizontal and vertical angle in degrees."""

AHEAD: Towards = (0.0, 0.0)

RADIUS_M = {"woofer": 0.08, "midrange": 0.04, "tweeter": 0.0127}


@dataclass
class Branch:
    """An element between two nodes of a netlist: R, L or C with its value and a series loss."""

    kind: str
    value: float
    plus: str
    minus: str
    loss: float = 0.0


@dataclass
class Unit:
    """A driver: elements by name between its terminals `P` and `N`, the last of which moves.

    The voltage between `A` and `N` is that of the motional branch.
    """

    elements: dict[str, Branch]
    shape: Complex
    relative: bool
    """Whether `shape` is the pressure for volts at the terminals (measured) or for the velocity."""
    nominal: dict[str, Branch] = field(default_factory=dict)
    """Elements as they were when the response was measured."""
    up_m: float = 0.0
    radius_m: float = 0.0
    gain_db: float = 0.0
    today_db: float = 0.0
    """How much louder it is for the same volts than when its response was measured."""
    late_s: float = 0.0

    def beam(self, towards: Towards) -> Complex:
        """Pressure in a direction over that on axis: a piston's, from its place (Beranek, Acoustics,
        1954: 2 J1(x) / x with x = ka sin of the angle; from memory)."""
        across, up = np.radians(towards)
        sine = float(np.sqrt(1.0 - (np.cos(across) * np.cos(up)) ** 2))
        k = 2 * np.pi * GRID_HZ / 343.0
        x = np.maximum(k * self.radius_m * sine, 1e-6)
        return np.asarray(2 * j1(x) / x * np.exp(1j * k * self.up_m * np.sin(up)))


@dataclass
class Speaker:
    """Ways by name: their driver, the sign of its connection and their parts by label."""

    units: dict[str, Unit]
    sign: dict[str, int]
    parts: dict[str, dict[str, tuple[str, str, float, float]]] = field(default_factory=dict)
    """By way and name: place ("series" or "shunt"), kind, value, loss; source first."""


def draw_unit(rng: Draw, role: str) -> Unit:
    """Draw a driver of another form than the tool's."""
    re = rng.uniform(3.2, 6.4)
    f0 = {"woofer": rng.uniform(35, 60), "midrange": rng.uniform(90, 180),
          "tweeter": rng.uniform(550, 1100)}[role]  # fmt: skip
    coil = {"woofer": 0.7e-3, "midrange": 0.25e-3, "tweeter": 0.04e-3}[role] * rng.uniform(0.6, 1.5)
    elements = {"Re": Branch("R", re, "P", "k0")}
    for i, share in enumerate((0.25, 0.3, 0.45)):
        a, b = f"k{i}", f"k{i + 1}" if i < 2 else "A"
        elements[f"Lk{i}"] = Branch("L", coil * share, a, b)
        if i:
            corner = rng.uniform(600, 1500) * (1 if i == 1 else 8)
            elements[f"Rk{i}"] = Branch("R", 2 * np.pi * corner * coil * share, a, b)
    qms, qes = rng.uniform(2.0, 5.0), rng.uniform(0.4, 1.1)
    w0 = 2 * np.pi * f0
    elements["Res"] = Branch("R", re * qms / qes, "A", "N")
    elements["Lm"] = Branch("L", re / (w0 * qes), "A", "N")
    elements["Cm"] = Branch("C", qes / (w0 * re), "A", "N")
    # The edge or the air behind the cone: a small second resonance, coupled to the first.
    f1 = f0 * rng.uniform(5, 12)
    c1 = qes / (w0 * re) * rng.uniform(0.004, 0.015)
    elements["C2"] = Branch("C", c1, "A", "s1")
    elements["L2"] = Branch("L", 1 / ((2 * np.pi * f1) ** 2 * c1), "s1", "s2")
    elements["R2"] = Branch("R", rng.uniform(0.1, 0.3) / (2 * np.pi * f1 * c1), "s2", "N")
    s = 1j * GRID_HZ
    top = {"woofer": rng.uniform(2500, 4500), "midrange": rng.uniform(5e3, 9e3), "tweeter": 28e3}[
        role
    ]
    shape = (s / f0) / (1 + s / (top * 0.9) + (s / top) ** 2)
    for _ in range(3):
        hz, height, q = rng.uniform(3 * f0, top), rng.uniform(-2, 2), rng.uniform(1.5, 4.0)
        a = 10 ** (height / 40)
        x = s / hz
        shape = shape * (x * x + x * a / q + 1) / (x * x + x / (a * q) + 1)
    level = {"woofer": 87.0, "midrange": 89.0, "tweeter": 91.0}[role] + rng.uniform(-1.5, 1.5)
    up = {"woofer": -rng.uniform(0.15, 0.4), "midrange": -0.12, "tweeter": 0.0}[role]
    back = {"woofer": 0.03, "midrange": 0.02, "tweeter": 0.0}[role] * rng.uniform(0.5, 1.5)
    shape = shape * 10 ** (level / 20) * np.exp(-2j * np.pi * GRID_HZ * back / 343.0)
    return Unit(elements=elements, shape=shape, relative=False, up_m=up, radius_m=RADIUS_M[role])


def read_unit(which: str, role: str, up_m: float) -> Unit:
    """Take a measured driver: its response, and a circuit for its impedance."""
    folder = Path(os.environ.get("LADDERSMITH_DATA", "../shared/data")) / f"real-two-way-{which}"
    z = open_curve(folder / f"{role}_impedance.txt", "impedance")
    circuit, _ = fit_driver_equivalent(z.frequency_hz, z.value)
    elements = {"Re": Branch("R", circuit.re_ohm, "P", "k0")}
    at = "k0"
    if circuit.le_h:
        elements["Lk0"] = Branch("L", circuit.le_h, at, "k1")
        at = "k1"
    for i, section in enumerate(circuit.sections):
        elements[f"Lk{i + 1}"] = Branch("L", section.l_h, at, f"m{i}")
        elements[f"Rk{i + 1}"] = Branch("R", section.r_ohm, at, f"m{i}")
        at = f"m{i}"
    rename = {at: "A"}
    for branch in elements.values():
        branch.plus, branch.minus = (rename.get(n, n) for n in (branch.plus, branch.minus))
    first, *others = sorted(circuit.resonances, key=lambda r: -r.r_ohm)
    node = "A"
    for i, one in enumerate((first, *others)):
        below = "N" if i == len(others) else f"r{i}"
        elements[f"Res{i}" if i else "Res"] = Branch("R", one.r_ohm, node, below)
        elements[f"Lm{i}" if i else "Lm"] = Branch("L", one.l_h, node, below)
        elements[f"Cm{i}" if i else "Cm"] = Branch("C", one.c_f, node, below)
        node = below
    p = open_curve(folder / f"{role}.txt", "pressure")  # the grid of the trial ends inside it
    level = np.interp(np.log(GRID_HZ), np.log(p.frequency_hz), p.level_db)
    phase = np.interp(np.log(GRID_HZ), np.log(p.frequency_hz), np.unwrap(np.angle(p.value)))
    return Unit(
        elements=elements, shape=10 ** (level / 20) * np.exp(1j * phase), relative=True, up_m=up_m,
        radius_m=RADIUS_M[role], nominal=copy.deepcopy(elements),
    )  # fmt: skip


def draw_speaker(rng: Draw, *, measured: bool) -> Speaker:
    """Draw drivers and a network that suits them."""
    if measured:
        which = "abc"[rng.integers(3)]
        units = {
            "woofer": read_unit(which, "woofer", -0.2),
            "tweeter": read_unit(which, "tweeter", 0.0),
        }
        crossings = [rng.uniform(1500, 3000)]
    else:
        roles = ("woofer", "midrange", "tweeter") if rng.random() < 0.5 else ("woofer", "tweeter")
        units = {role: draw_unit(rng, role) for role in roles}
        crossings = [rng.uniform(1700, 2800)]
        if len(roles) == 3:
            crossings = [rng.uniform(280, 500), rng.uniform(2200, 3500)]
    return Speaker(
        units=units, sign=dict.fromkeys(units, 1), parts=_draw_parts(rng, list(units), crossings)
    )


def _draw_parts(
    rng: Draw, ways: list[str], crossings: list[float]
) -> dict[str, dict[str, tuple[str, str, float, float]]]:
    def near(value: float) -> float:
        return float(f"{value * np.exp(rng.uniform(-0.25, 0.25)):.2g}")

    def coil(place: str, value: float) -> tuple[str, str, float, float]:
        henry = near(value)
        return place, "L", henry, float(0.45 * (henry / 1e-3) ** 0.6 * rng.uniform(0.6, 1.3))

    ohm = 6.0
    out: dict[str, dict[str, tuple[str, str, float, float]]] = {}
    for i, way in enumerate(ways):
        parts: dict[str, tuple[str, str, float, float]] = {}
        if i > 0:
            w = 2 * np.pi * crossings[i - 1]
            parts["C1"] = ("series", "C", near(1 / (w * ohm * 1.3)), 0.02)
            if rng.random() < 0.85 or i == 1:
                parts["L1"] = coil("shunt", ohm / w)
        if i < len(ways) - 1:
            w = 2 * np.pi * crossings[i]
            parts["L2" if i else "L1"] = coil("series", ohm * 1.2 / w)
            parts["C2" if i else "C1"] = ("shunt", "C", near(0.8 / (w * ohm)), 0.05)
            if i == 0 and rng.random() < 0.3:
                parts["R1"] = ("series", "R", near(0.6), 0.0)
        if i > 0:
            parts["R1"] = ("series", "R", near(2.7), 0.0)
            parts["R2"] = ("shunt", "R", near(12.0), 0.0)
        out[way] = parts
    return out


def frequencies(low: float, high: float) -> Real:
    """Points of the grid in a band."""
    return GRID_HZ[(low <= GRID_HZ) & (high >= GRID_HZ)]
