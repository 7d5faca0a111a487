"""Netlists of speakers as they should be and as they are, and ngspice's answer.

A planted fault changes the netlist, with elements that no model of the tool has: a resistor as a bad
joint, coils coupled by their fields, a port for a leak, a shorted turn, a part on the wrong node.
"""

from __future__ import annotations

import copy
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path

import numpy as np

from benchmarks.verify.speakers import AHEAD, GRID_HZ, Branch, Draw, Speaker, Towards, Unit
from optimizer.arrays import Complex

OPEN, SHORT = 1e9, 1e-6


@dataclass
class Circuit:
    """Elements by label, what couples coils, and which way's terminals a unit hangs on."""

    speaker: Speaker
    elements: dict[str, Branch]
    couplings: list[tuple[str, str, float]] = field(default_factory=list)
    sign: dict[str, int] = field(default_factory=dict)
    hangs: dict[str, str] = field(default_factory=dict)
    """Unit by way."""
    saturated: dict[str, float] = field(default_factory=dict)
    """Coils whose value is another one at the level of the response."""
    height_m: float = 0.0
    reflection: tuple[float, float] | None = None
    """Share and delay in s of a reflection in the response."""


@dataclass(frozen=True)
class Planted:
    """What was done: its kind, the components to name, and whether the tool lists it."""

    kind: str
    where: tuple[str, ...]
    listed: bool
    says: str


HEALTHY = Planted("healthy", (), True, "nothing")


def lay_out(speaker: Speaker) -> Circuit:
    """Put parts and units on nodes."""
    elements: dict[str, Branch] = {}
    for way, parts in speaker.parts.items():
        node = "in"
        for name, (place, kind, value, loss) in parts.items():
            behind = f"{way}_part_{name}"
            ends = (node, behind) if place == "series" else (node, "0")
            elements[f"{way}.{name}"] = Branch(kind, value, *ends, loss)
            node = behind if place == "series" else node
        elements[f"{way} terminals"] = Branch("-", 0.0, node, "0")
    ways = dict.fromkeys(speaker.parts)
    return Circuit(
        speaker=copy.deepcopy(speaker), elements=elements, sign=dict(speaker.sign),
        hangs={way: way for way in ways},
    )  # fmt: skip


def connect_well(speaker: Speaker) -> None:
    """Turn ways so that their sum has no null: as somebody who designs a speaker does."""
    ways = list(speaker.parts)
    inside = (GRID_HZ > 200.0) & (GRID_HZ < 10e3)
    found: tuple[float, dict[str, int]] | None = None
    for signs in product((1, -1), repeat=len(ways) - 1):
        speaker.sign = dict(zip(ways, (1, *signs), strict=True))
        lowest = float(np.abs(simulate(lay_out(speaker))[0])[inside].min())
        if found is None or lowest > found[0]:
            found = lowest, speaker.sign
    assert found is not None
    speaker.sign = found[1]


def scatter(circuit: Circuit, rng: Draw) -> None:
    """Values as good 5 % parts and the same drivers on another day have them."""
    for one in circuit.elements.values():
        one.value *= float(np.exp(rng.normal(0, 0.025)))
        if one.kind == "L":
            one.loss *= float(np.exp(rng.normal(0, 0.08)))
    for unit in circuit.speaker.units.values():
        before = copy.deepcopy(unit)
        move_unit(
            unit, re=rng.normal(0, 0.02), f0=rng.normal(0, 0.02), rms=rng.normal(0, 0.08),
            bl=rng.normal(0, 0.02), le=rng.normal(0, 0.05),
        )  # fmt: skip
        unit.gain_db += rng.normal(0, 0.2)
        unit.today_db = _compare_level(before, unit)
        unit.late_s += rng.normal(0, 3e-6)
    circuit.height_m += rng.normal(0, 0.007)


def _compare_level(before: Unit, after: Unit) -> float:
    """How much louder a driver is for the same volts, in dB where it is loud."""
    old, new = (_play(unit) for unit in (before, after))
    loud = np.abs(old) > np.abs(old).max() / 2
    return float(np.mean(20 * np.log10(np.abs(new[loud] / old[loud]))))


def move_unit(
    unit: Unit,
    *,
    re: float = 0.0,
    f0: float = 0.0,
    rms: float = 0.0,
    bl: float = 0.0,
    le: float = 0.0,
) -> None:
    """Change a driver: logarithms of coil, resonance, losses, force factor and inductance."""
    e = unit.elements
    e["Re"].value *= np.exp(re)
    for name, one in e.items():
        if name.startswith(("Lk", "Rk")):
            one.value *= np.exp(le)
    e["Res"].value *= np.exp(2 * bl - rms)
    e["Lm"].value *= np.exp(2 * bl - 2 * f0)
    e["Cm"].value *= np.exp(-2 * bl)
    unit.gain_db -= 20 * bl / np.log(10)  # sound is the motional voltage over Bl


def simulate(circuit: Circuit, height: bool = True) -> tuple[Complex, Complex]:
    """Pressure on axis and impedance, from two analyses where a coil saturates."""
    pressures, z = simulate_around(circuit, (AHEAD,), height)
    return pressures[0], z


def simulate_around(
    circuit: Circuit, directions: Sequence[Towards], height: bool = True
) -> tuple[list[Complex], Complex]:
    """The same, pressure in some directions."""
    v, z = _run(circuit, {})
    if circuit.saturated:
        v, _ = _run(circuit, circuit.saturated)
    return [_add_up(circuit, v, towards, height) for towards in directions], z


def _add_up(circuit: Circuit, v: dict[str, Complex], towards: Towards, height: bool) -> Complex:
    total = np.zeros(len(GRID_HZ), complex)
    for way, name in circuit.hangs.items():
        unit = circuit.speaker.units[name]
        path = circuit.height_m * unit.up_m / 343.0 if height else 0.0
        late = np.exp(-2j * np.pi * GRID_HZ * (unit.late_s - path))
        shape = unit.shape * unit.beam(towards)
        total += circuit.sign[way] * v[way] * shape * 10 ** (unit.gain_db / 20) * late
    if circuit.reflection:
        share, delay = circuit.reflection
        total = total * (1 + share * np.exp(-2j * np.pi * GRID_HZ * delay))
    return total


def play_alone(circuit: Circuit, way: str) -> Complex:
    """Pressure on axis of one way through the network, all others disconnected."""
    alone = copy.deepcopy(circuit)
    alone.hangs = {way: circuit.hangs[way]}
    alone.elements = {
        label: one for label, one in alone.elements.items()
        if label.startswith(f"{way}.") or label in (f"{way} terminals", "cable")
    }  # fmt: skip
    alone.couplings = []
    return simulate(alone)[0]


def drive_alone(unit: Unit) -> tuple[Complex, Complex]:
    """What a survey of one driver measures: pressure for the same volts, and impedance."""
    alone = Speaker(units={"one": copy.deepcopy(unit)}, sign={"one": 1}, parts={"one": {}})
    circuit = lay_out(alone)
    if unit.relative:
        _, z = _run(circuit, {})
        return unit.shape, z
    return simulate(circuit, height=False)


def _play(unit: Unit) -> Complex:
    """Pressure of a driver for the same volts as it is now, whatever day its response is of."""
    alone = Speaker(units={"one": copy.deepcopy(unit)}, sign={"one": 1}, parts={"one": {}})
    return simulate(lay_out(alone), height=False)[0]


def _run(circuit: Circuit, saturated: dict[str, float]) -> tuple[dict[str, Complex], Complex]:
    """Motional voltage of each way (relative to that of its unit alone, if so), impedance."""
    lines, couple = ["* planted", "V1 in 0 dc 0 ac 1"], []
    for label, one in circuit.elements.items():
        if one.kind != "-":
            factor = saturated.get(label, 1.0)
            lines += _lines(label.replace(".", "_"), one, factor)
    for i, (a, b, k) in enumerate(circuit.couplings):
        couple.append(f"K{i} L{a.replace('.', '_')} L{b.replace('.', '_')} {k:.9g}")
    alone = []
    for way, name in circuit.hangs.items():
        unit = circuit.speaker.units[name]
        ends = circuit.elements[f"{way} terminals"]
        lines += _unit_lines(unit.elements, way, ends.plus, ends.minus)
        if unit.relative:
            alone.append(way)
            lines += [f"V{way}n {way}nom 0 dc 0 ac 1"]
            lines += _unit_lines(unit.nominal, f"{way}nom_", f"{way}nom", "0")
    saves = ["i(v1)"]
    for way in circuit.hangs:
        saves += [f"v({way}_a)", f"v({way}_n)"]
    for way in alone:
        saves += [f"v({way}nom__a)", f"v({way}nom__n)"]
    lines += [*couple, ".options reltol=1e-9", ".ac oct 20 20 20k", ".end"]
    with tempfile.TemporaryDirectory() as folder:
        deck, raw = Path(folder) / "n.cir", Path(folder) / "n.txt"
        text = "\n".join(lines[:-1])
        names = " ".join(saves)
        text += (
            f"\n.control\nset filetype=ascii\nset wr_singlescale\nset numdgt=12\nrun\n"
            f"wrdata {raw} {names}\nquit\n.endc\n.end\n"
        )
        deck.write_text(text)
        done = subprocess.run(
            ["ngspice", "-b", str(deck)], capture_output=True, timeout=60, check=False
        )
        if not raw.exists():
            raise RuntimeError(done.stdout.decode() + done.stderr.decode() + text)
        table = np.loadtxt(raw).T[:, : len(GRID_HZ)]
    values = {name: table[1 + 2 * i] + 1j * table[2 + 2 * i] for i, name in enumerate(saves)}
    out = {}
    for way in circuit.hangs:
        moves = values[f"v({way}_a)"] - values[f"v({way}_n)"]
        out[way] = (
            moves / (values[f"v({way}nom__a)"] - values[f"v({way}nom__n)"])
            if way in alone
            else moves
        )
    return out, -1.0 / values["i(v1)"]


def _lines(name: str, one: Branch, factor: float = 1.0) -> list[str]:
    if one.loss > 0.0:
        return [
            f"{one.kind}{name} {one.plus} x{name} {one.value * factor:.12g}",
            f"Rl{name} x{name} {one.minus} {one.loss:.12g}",
        ]
    return [f"{one.kind}{name} {one.plus} {one.minus} {one.value * factor:.12g}"]


def _unit_lines(elements: dict[str, Branch], way: str, plus: str, minus: str) -> list[str]:
    rename = {"P": plus, "N": f"{way}_n"}
    lines = [f"Rn{way} {way}_n {minus} 1u"]
    for name, one in elements.items():
        ends = [rename.get(n, f"{way}_{n.lower()}") for n in (one.plus, one.minus)]
        lines += _lines(f"{way}{name}", Branch(one.kind, one.value, *ends, one.loss))
    return lines


# ---- faults -------------------------------------------------------------------------------------

Plant = Callable[[Circuit, Draw], Planted]


def _pick(rng: Draw, items: list[str]) -> str:
    return items[int(rng.integers(len(items)))]


def _parts(circuit: Circuit, kinds: str = "RLC") -> list[str]:
    return [n for n, b in circuit.elements.items() if b.kind in kinds and "." in n]


def polarity(circuit: Circuit, rng: Draw) -> Planted:
    way = _pick(rng, list(circuit.sign))
    circuit.sign[way] *= -1
    return Planted("polarity", (way,), True, f"{way} turned")


def opened(circuit: Circuit, rng: Draw) -> Planted:
    part = _pick(rng, _parts(circuit))
    circuit.elements[part].loss = OPEN
    return Planted("open", (part,), True, f"{part} open")


def shorted(circuit: Circuit, rng: Draw) -> Planted:
    part = _pick(rng, _parts(circuit))
    one = circuit.elements[part]
    one.kind, one.value, one.loss = "R", SHORT, 0.0
    return Planted("short", (part,), True, f"{part} shorted")


def misread(circuit: Circuit, rng: Draw) -> Planted:
    part = _pick(rng, _parts(circuit))
    factor = float(rng.choice([10.0, 0.1, 2.0, 0.5]))
    one = circuit.elements[part]
    one.value *= factor
    if one.kind == "L":
        one.loss *= factor**0.6
    return Planted("misread", (part,), True, f"{part} times {factor:g}")


def swapped(circuit: Circuit, rng: Draw) -> Planted:
    pairs = [
        (a, b) for a in _parts(circuit) for b in _parts(circuit)
        if a < b and circuit.elements[a].kind == circuit.elements[b].kind
        and abs(np.log(circuit.elements[a].value / circuit.elements[b].value)) > 0.3
    ]  # fmt: skip
    if not pairs:
        return polarity(circuit, rng)
    a, b = pairs[int(rng.integers(len(pairs)))]
    one, two = circuit.elements[a], circuit.elements[b]
    one.value, two.value, one.loss, two.loss = two.value, one.value, two.loss, one.loss
    return Planted("swapped", (a, b), True, f"{a} and {b} swapped")


def crossed(circuit: Circuit, rng: Draw) -> Planted:
    ways = list(circuit.hangs)
    a, b = rng.choice(len(ways), 2, replace=False)
    one, two = ways[a], ways[b]
    circuit.hangs[one], circuit.hangs[two] = circuit.hangs[two], circuit.hangs[one]
    return Planted("crossed", (one, two), True, f"drivers of {one} and {two} crossed")


def lost(circuit: Circuit, rng: Draw) -> Planted:
    way = _pick(rng, list(circuit.hangs))
    circuit.speaker.units[circuit.hangs[way]].elements["Re"].value = OPEN
    return Planted("driver open", (way,), True, f"driver of {way} not connected")


def drifted(circuit: Circuit, rng: Draw) -> Planted:
    part = _pick(rng, _parts(circuit))
    off = rng.uniform(0.18, 0.4) * rng.choice([-1, 1])
    circuit.elements[part].value *= 1 + off
    return Planted("drift", (part,), True, f"{part} {off:+.0%}")


def joint(circuit: Circuit, rng: Draw) -> Planted:
    part = _pick(rng, _parts(circuit, "LC"))
    ohm = float(np.exp(rng.uniform(np.log(0.7), np.log(4))))
    circuit.elements[part].loss += ohm
    return Planted("joint", (part,), True, f"{part} with {ohm:.1f} ohm in series")


def weak(circuit: Circuit, rng: Draw) -> Planted:
    way = _pick(rng, list(circuit.hangs))
    db = float(rng.choice([1.5, 3.0]) * rng.choice([-1, 1]))
    unit = circuit.speaker.units[way]
    unit.gain_db += db - unit.today_db  # all in all: what it does from day to day is in it
    return Planted("level", (way,), True, f"{way} {db:+.1f} dB")


def lead(circuit: Circuit, rng: Draw) -> Planted:
    way = _pick(rng, list(circuit.hangs))
    ohm = rng.uniform(0.8, 3.0)
    circuit.speaker.units[way].elements["Re"].value += ohm
    return Planted("lead", (way,), True, f"{ohm:.1f} ohm in the lead of {way}")


def source(circuit: Circuit, rng: Draw) -> Planted:
    ohm = rng.uniform(0.4, 2.0)
    for one in circuit.elements.values():
        one.plus = "board" if one.plus == "in" else one.plus
    circuit.elements["cable"] = Branch("R", ohm, "in", "board")
    return Planted("source", ("input",), True, f"{ohm:.1f} ohm before the network")


def off_height(circuit: Circuit, rng: Draw) -> Planted:
    circuit.height_m += float(rng.uniform(0.05, 0.12) * rng.choice([-1, 1]))
    return Planted("height", ("microphone",), True, f"microphone {circuit.height_m * 100:+.0f} cm")


def coupled(circuit: Circuit, rng: Draw) -> Planted:
    coils = _parts(circuit, "L")
    if len(coils) < 2:
        return saturates(circuit, rng)
    a, b = (coils[int(i)] for i in rng.choice(len(coils), 2, replace=False))
    k = float(rng.uniform(0.08, 0.3) * rng.choice([-1, 1]))
    circuit.couplings.append((a, b, k))
    return Planted("coupled coils", (a, b), True, f"{a} and {b} coupled by {k:.2f}")


def shorted_turn(circuit: Circuit, rng: Draw) -> Planted:
    coil = _pick(rng, _parts(circuit, "L"))
    value = circuit.elements[coil].value
    w = 2 * np.pi * 800.0
    circuit.elements["turn"] = Branch("L", value * 0.01, "turn", "0", w * value * 0.01)
    circuit.couplings.append((coil, "turn", float(rng.uniform(0.4, 0.8))))
    return Planted("shorted turn", (coil,), False, f"a shorted turn in {coil}")


def saturates(circuit: Circuit, rng: Draw) -> Planted:
    coil = _pick(rng, _parts(circuit, "L"))
    factor = float(rng.uniform(0.6, 0.8))
    circuit.saturated[coil] = factor
    return Planted("saturation", (coil,), True, f"{coil} saturates to {factor:.2f} at level")


def leak(circuit: Circuit, rng: Draw) -> Planted:
    unit = circuit.speaker.units["woofer"]
    e = unit.elements
    f0 = 1 / (2 * np.pi * np.sqrt(e["Lm"].value * e["Cm"].value))
    fb, share = f0 * rng.uniform(0.3, 0.7), rng.uniform(0.8, 2.5)
    box = e["Lm"].value / share
    c = 1 / ((2 * np.pi * fb) ** 2 * box)
    e["Lb"] = Branch("L", box, "A", "b1")
    e["Cb"] = Branch("C", c, "b1", "b2")
    e["Rb"] = Branch("R", 2 * np.pi * fb * box / rng.uniform(1, 5), "b2", "N")
    return Planted("leak", ("woofer",), False, "a leak like a port in the box of woofer")


def leaky(circuit: Circuit, rng: Draw) -> Planted:
    part = _pick(rng, _parts(circuit, "C"))
    one = circuit.elements[part]
    ohm = float(np.exp(rng.uniform(np.log(3), np.log(40))))
    circuit.elements["leakage"] = Branch("R", ohm, one.plus, one.minus)
    return Planted("leaky capacitor", (part,), False, f"{part} with {ohm:.0f} ohm across it")


def misplaced(circuit: Circuit, rng: Draw) -> Planted:
    shunts = [n for n in _parts(circuit) if circuit.elements[n].minus == "0"
              and circuit.elements[n].plus != "in"]  # fmt: skip
    if not shunts:
        return leak(circuit, rng)
    part = _pick(rng, shunts)
    way = part.split(".")[0]
    one = circuit.elements[part]
    other = [b.plus for n, b in circuit.elements.items()
             if n.startswith(way) and b.plus not in (one.plus, "in")]  # fmt: skip
    one.plus = other[0] if other else "in"
    return Planted("wrong node", (part,), False, f"{part} soldered to another point")


def reflects(circuit: Circuit, rng: Draw) -> Planted:
    circuit.reflection = (float(rng.uniform(0.2, 0.5)), float(rng.uniform(2e-4, 9e-4)))
    return Planted("reflection", ("microphone",), False, "a reflection beside the microphone")


def turns_in_voice_coil(circuit: Circuit, rng: Draw) -> Planted:
    way = _pick(rng, list(circuit.hangs))
    e = circuit.speaker.units[way].elements
    ohm = float(rng.uniform(1.5, 6.0))
    e["turns"] = Branch("R", ohm, "k0", "A")
    return Planted("shorted voice coil", (way,), False, f"{ohm:.1f} ohm across the coil of {way}")


def common_return(circuit: Circuit, rng: Draw) -> Planted:
    ways = list(circuit.hangs)
    if len(ways) < 3:  # of one way it is the same as a joint
        return colours(circuit, rng)
    left_out = _pick(rng, ways)
    some = tuple(way for way in ways if way != left_out)
    for label, one in circuit.elements.items():
        if label.startswith(some) and one.minus == "0":
            one.minus = "return"
    ohm = float(rng.uniform(0.4, 1.5))
    circuit.elements["wire"] = Branch("R", ohm, "return", "0")
    return Planted("common return", some, False, f"{ohm:.1f} ohm where {' and '.join(some)} return")


def colours(circuit: Circuit, rng: Draw) -> Planted:
    way = _pick(rng, list(circuit.hangs))
    low, high = {"woofer": (200, 2000), "midrange": (500, 4000), "tweeter": (2500, 12e3)}[way]
    hz = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    db, q = float(rng.uniform(2.5, 6) * rng.choice([-1, 1])), rng.uniform(1.0, 3.0)
    x, a = 1j * GRID_HZ / hz, 10 ** (db / 40)
    unit = circuit.speaker.units[circuit.hangs[way]]
    unit.shape = unit.shape * (x * x + x * a / q + 1) / (x * x + x / (a * q) + 1)
    return Planted("cone", (way,), False, f"{db:+.1f} dB at {hz:.0f} Hz in the sound of {way}")


LISTED: tuple[Plant, ...] = (
    polarity, opened, shorted, misread, swapped, crossed, lost,
    drifted, drifted, drifted, joint, weak, weak, lead, source, off_height, coupled, saturates,
)  # fmt: skip
UNLISTED: tuple[Plant, ...] = (
    shorted_turn, leak, leaky, misplaced, reflects, turns_in_voice_coil, common_return, colours,
)  # fmt: skip
