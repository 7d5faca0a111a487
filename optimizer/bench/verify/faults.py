"""Every single mistake that soldering can make, as a change of the network."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Literal

from optimizer.measure.driver import Driver, Leads
from optimizer.measure.wired import OPEN_OHM, SHORT_OHM, connect_driver
from optimizer.network.expression.forms import form_of_tap
from optimizer.network.expression.nodes import say_gain
from optimizer.network.network import FittedSlot, FittedWay, Network, PartKey
from optimizer.network.variable_pad import find_nominal, pad_resistances
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.stock.series import series_values
from optimizer.text.brief import brief
from optimizer.text.units import format_quantity

What = Literal[
    "none",
    "polarity",
    "open",
    "short",
    "decade",
    "factor two",
    "swapped parts",
    "exchanged parts",
    "swapped drivers",
    "driver turned",
    "driver open",
    "driver shorted",
    "wrong pad resistor",
    "missing piece",
    "wrong position",
    "wrong tap",
    "two mistakes",
    "value",
    "loss",
    "coil",
    "saturated",
    "coupled",
    "level",
    "lead",
    "resonance",
    "voice coil",
    "another driver",
    "path",
    "microphone",
    "source",
]

WEIGHTS: dict[What, float] = {
    "polarity": 4.0,
    "open": 2.0,
    "swapped parts": 2.0,
    "swapped drivers": 2.0,
    "driver turned": 2.0,
}
"""How much likelier than others each kind of mistake is before anything is measured: wires are
crossed and joints forgotten more often than decades misread (common practice, no source)."""

TOLD_AS_ONE: frozenset[What] = frozenset(("wrong pad resistor", "wrong position", "wrong tap"))
"""Kinds of mistakes of which one place can have many that are told as one: any other value,
position or tap."""

POSITIONS_DB = (0.0, -1.0, -2.0, -3.0, -4.0, -5.0, -6.0, -7.0, -8.0, -10.0, -12.0, -15.0, -20.0)
"""Where a variable pad may stand instead."""

TAPS_DB = (-1.0, -2.0, -3.0, -4.0, -5.0, -6.0, -7.0, -8.0, -9.0, -10.0, -12.0, -15.0)
"""Taps that a driver may hang on instead, as an autotransformer has them (common practice, no
source)."""

SlotKey = tuple[str, str]
"""Names of a ladder and a slot of it."""

_SHORT: dict[str, float] = {"inductor": 1e-12, "capacitor": 1e3, "resistor": SHORT_OHM}
_DIFFERENT = 1.25  # values closer than this factor are no mistake worth looking for


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One mistake.

    Parameters
    ----------
    what : str
        Kind of mistake; "none" for a healthy network.
    where : str
        Way, part or parts ("tweeter", "tweeter.C1", "tweeter.P1.Rs and tweeter.P1.Rp").
    says : str
        The mistake in words.
    parts : mapping of PartKey to Part
        Parts that are not what they should be; their kind may differ from that of their place.
    turned : tuple of str
        Ways whose driver is connected the other way round.
    drivers : tuple of (str, str)
        Ways with the driver that is connected to them instead; one that is connected wrongly has
        the name that `list_connected` gives it.
    gains : mapping of (str, str) to float
        Volts after over volts before transformers that are wired otherwise, by ladder and slot.
    weight : float
        How likely before measuring, relative to the others.
    """

    what: What
    where: str
    says: str
    parts: Mapping[PartKey, Part] = field(default_factory=dict)
    turned: tuple[str, ...] = ()
    drivers: tuple[tuple[str, str], ...] = ()
    gains: Mapping[SlotKey, float] = field(default_factory=dict)
    weight: float = 1.0

    __repr__ = brief


HEALTHY = Fault(what="none", where="", says="everything as designed")


def list_parts(network: Network) -> dict[PartKey, tuple[str, Part]]:
    """List all parts of a network with the names reports give them."""
    out: dict[PartKey, tuple[str, Part]] = {}
    for ladder in network.ladders:
        for slot in ladder.slots:
            for i, (name, _, part) in enumerate(slot.named_parts):
                out[ladder.name, slot.name, i] = (f"{ladder.name}.{name}", part)
    return out


def list_faults(
    network: Network,
    controls: Mapping[SlotKey, str] | None = None,
    drivers: Sequence[Driver] = (),
) -> tuple[Fault, ...]:
    """List every single fault of a network, without the healthy case.

    Parameters
    ----------
    network : Network
        As designed.
    controls : mapping of (str, str) to str, optional
        Slots that are the position of a variable pad, by ladder and name, with the name of that.
        One that stands at 0 dB has no slot, and no fault.
    drivers : sequence of Driver, optional
        Those of the ways: of these there are faults of their leads, too.

    Returns
    -------
    tuple of Fault
        The sum of the weights of a family (a pad resistor of any wrong value) is that of one
        fault.
    """
    parts = list_parts(network)
    pads = {
        (ladder.name, slot.name, i)
        for ladder in network.ladders
        for slot in ladder.slots
        for i, part in enumerate(slot.parts)
        if slot.circuit.spans_both and part.kind == "resistor"
    }
    found: list[Fault] = []
    found += (
        [
            Fault(
                what="polarity",
                where=way.name,
                says=f"{way.name} connected the wrong way round",
                turned=(way.name,),
            )
            for way in network.ways
        ]
        if len(network.ways) > 1
        else []
    )
    for key, (label, part) in parts.items():
        found += _spoil(key, label, part)
        found += _misread(key, label, part) if key not in pads else _mistake_pad(key, label, part)
        found += _lose_piece(key, label, part)
    for ladder in network.ladders:
        for slot in ladder.slots:
            place = ladder.name, slot.name
            if slot.circuit.gain is not None:
                found += _rewire(place, slot.circuit.gain)
            if controls and place in controls:
                found += _turn(place, slot, f"{ladder.name}.{controls[place]}")
    found += _swap_like(parts)
    found += _exchange(parts)
    found += _swap_drivers(network.ways)
    by_name = {driver.name: driver for driver in drivers}
    for way in network.ways:
        if way.driver in by_name:
            found += _connect_wrongly(way.name, by_name[way.driver])
    return tuple(replace(f, weight=f.weight * WEIGHTS.get(f.what, 1.0)) for f in found)


def _spoil(key: PartKey, label: str, part: Part) -> Iterator[Fault]:
    yield Fault(
        what="open",
        where=label,
        says=f"{label} not connected",
        parts={key: replace(part, loss_ohm=OPEN_OHM)},
    )
    yield Fault(
        what="short",
        where=label,
        says=f"{label} shorted or bridged",
        parts={key: replace(part, value=_SHORT[part.kind], loss_ohm=0.0)},
    )


def _misread(key: PartKey, label: str, part: Part) -> Iterator[Fault]:
    kinds: tuple[tuple[What, float], ...] = (
        ("decade", 10.0),
        ("decade", 0.1),
        ("factor two", 2.0),
        ("factor two", 0.5),
    )
    for what, factor in kinds:
        yield Fault(
            what=what,
            where=label,
            says=_say_instead(label, part, part.value * factor),
            parts={key: _scaled(part, part.value * factor)},
        )


def _mistake_pad(key: PartKey, label: str, part: Part) -> Iterator[Fault]:
    """Any other preferred value, a decade either way."""
    values = [float(v) for v in series_values("E12", part.value / 10.5, part.value * 10.5)]
    values += [part.value * factor for factor in (10.0, 0.1, 2.0, 0.5)]
    wrong = sorted(
        {float(f"{v:.6g}") for v in values if max(v / part.value, part.value / v) >= _DIFFERENT}
    )
    for value in wrong:
        yield Fault(
            what="wrong pad resistor",
            where=label,
            says=_say_instead(label, part, value),
            parts={key: _scaled(part, value)},
            weight=2.0 / len(wrong),
        )


def _lose_piece(key: PartKey, label: str, part: Part) -> Iterator[Fault]:
    """One of several joined pieces left out: a parallel one unsoldered, a series one bridged."""
    if len(part.pieces) < 2:
        return
    added = (part.joined == "parallel") == (part.kind == "capacitor")
    for piece in dict.fromkeys(part.pieces):
        rest = list(part.pieces)
        rest.remove(piece)
        value = sum(rest) if added else 1.0 / sum(1.0 / p for p in rest)
        lost = format_quantity(piece, UNIT_OF_KIND[part.kind])
        yield Fault(
            what="missing piece",
            where=label,
            says=f"{label} without its piece of {lost}",
            parts={key: _scaled(part, value)},
        )


def _rewire(place: SlotKey, gain: float) -> Iterator[Fault]:
    """Another tap of a transformer, or its ends exchanged.

    With the fraction k of its turns between tap and common end it gives k of what is across all of
    them; with input and output exchanged 1 / k, with end and common end exchanged 1 - k of it
    (ideal transformer; upside down where it steps up).
    """
    label = ".".join(place)

    def wired(value: float, says: str, weight: float = 1.0) -> Fault:
        return Fault(what="wrong tap", where=label, says=says, gains={place: value}, weight=weight)

    up = gain > 1.0
    k = 1.0 / gain if up else gain
    taps = [x for x in (10.0 ** (level / 20.0) for level in TAPS_DB) if _differ(x, k)]
    for x in taps:
        value = 1.0 / x if up else x
        said = f"{label} on its tap of {say_gain(value)} instead of {say_gain(gain)}"
        yield wired(value, said, 1.0 / len(taps))
    if _differ(k, 1.0):
        yield wired(1.0 / gain, f"{label} with input and output exchanged", 0.5)
    if k < 1.0 and _differ(1.0 - k, k):
        turned = 1.0 / (1.0 - k) if up else 1.0 - k
        yield wired(turned, f"{label} with its end and its common end exchanged", 0.5)


def _differ(a: float, b: float) -> bool:
    """Whether two gains are half a decibel apart: closer ones are no mistake worth looking for."""
    return abs(math.log10(a / b)) > 0.5 / 20.0


def _turn(place: SlotKey, slot: FittedSlot, label: str) -> Iterator[Fault]:
    """Turn a variable pad to another position: both resistances are others then."""
    series, shunt = slot.parts
    ohm = find_nominal(series.value, shunt.value)
    k = shunt.value * ohm / (shunt.value + ohm) / ohm
    levels = [x for x in POSITIONS_DB if _differ(10.0 ** (x / 20.0), k)]
    for level in levels:
        rs, rp = pad_resistances(ohm, level) if level else (SHORT_OHM, OPEN_OHM)
        yield Fault(
            what="wrong position",
            where=label,
            says=f"{label} at {level:g} dB instead of {20.0 * math.log10(k):.3g} dB",
            parts={
                (*place, 0): replace(series, value=rs, pieces=(rs,)),
                (*place, 1): replace(shunt, value=rp, pieces=(rp,)),
            },
            weight=2.0 / len(levels),
        )


def _swap_like(parts: Mapping[PartKey, tuple[str, Part]]) -> Iterator[Fault]:
    for (a, (label_a, one)), (b, (label_b, two)) in combinations(parts.items(), 2):
        if one.kind == two.kind and max(one.value / two.value, two.value / one.value) > _DIFFERENT:
            yield Fault(
                what="swapped parts",
                where=f"{label_a} and {label_b}",
                says=f"{label_a} and {label_b} in each other's place",
                parts={a: two, b: one},
            )


def _exchange(parts: Mapping[PartKey, tuple[str, Part]]) -> Iterator[Fault]:
    """Coil and capacitor of one way in each other's place."""
    for (a, (label_a, one)), (b, (label_b, two)) in combinations(parts.items(), 2):
        if a[0] != b[0] or a[:2] == b[:2]:
            continue  # in one notch or trap the order does not matter
        if {one.kind, two.kind} == {"inductor", "capacitor"}:
            yield Fault(
                what="exchanged parts",
                where=f"{label_a} and {label_b}",
                says=f"coil and capacitor exchanged: {label_a} and {label_b}",
                parts={a: two, b: one},
            )


def _swap_drivers(ways: Sequence[FittedWay]) -> Iterator[Fault]:
    for one, two in combinations(ways, 2):
        if one.driver != two.driver:
            yield Fault(
                what="swapped drivers",
                where=f"{one.name} and {two.name}",
                says=f"drivers of {one.name} and {two.name} on each other's branch",
                drivers=((one.name, two.driver), (two.name, one.driver)),
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Connection:
    """A wrong connection of a driver, or of one of several wired together."""

    what: What
    leads: tuple[Leads, ...]
    member: str = ""
    says: str = ""


_HOW: dict[Leads, tuple[What, str]] = {
    "turned": ("driver turned", "connected the wrong way round"),
    "open": ("driver open", "not connected, or its coil open"),
    "shorted": ("driver shorted", "shorted, or its leads bridged"),
}
_WHICH: dict[Leads, str] = {
    "turned": "only their + marks tell which",
    "open": "an ohmmeter across each of them, its lead lifted, tells which",
    "shorted": "an ohmmeter across each of them, its lead lifted, tells which",
}


def _connections(driver: Driver) -> Iterator[_Connection]:
    """Every wrong connection of one driver, those that do the same but once.

    Of all together turned is a way turned. In series one that is open silences all, and in parallel
    one that is shorted, so these are faults of all.
    """
    wired = driver.wired
    count = 1 if wired is None else len(wired.names)
    for lead in ("open", "shorted"):
        what, how = _HOW[lead]
        if count == 1:
            yield _Connection(what=what, leads=(lead,), says=f"its driver {how}")
        elif wired is not None and (wired.wired == "series") == (lead == "open"):
            says = f"one of its drivers {how}, which silences all: {_WHICH[lead]}"
            yield _Connection(what=what, leads=(lead,) * count, says=says)
        else:
            how = {"open": "not connected", "shorted": "shorted"}[lead]
            yield _Connection(what=what, leads=(lead,) * count, says=f"all its drivers {how}")
    if wired is None:
        return
    singles: tuple[Leads, ...] = ("turned", "shorted" if wired.wired == "series" else "open")
    for lead in singles:
        what, how = _HOW[lead]
        for name in dict.fromkeys(wired.names):
            at, alike = wired.names.index(name), wired.names.count(name)
            leads: list[Leads] = ["well"] * count
            leads[at] = lead
            says = f"{name} {how}"
            if alike > 1:
                says = f"one {name} of {alike} {how}; they measure alike, {_WHICH[lead]}"
            yield _Connection(what=what, leads=tuple(leads), member=name, says=says)


def _name_connected(driver: Driver, leads: Sequence[Leads]) -> str:
    """Name a driver and how its leads are: once for all where all are alike."""
    return f"{driver.name} ({', '.join(leads if len(set(leads)) > 1 else leads[:1])})"


def is_whole(fault: Fault) -> bool:
    """Whether a fault is none of drivers, or of all drivers of a way alike: not of one of several."""
    return not fault.drivers or fault.where in dict(fault.drivers)


def exchange_also(swap: Fault, other: Fault) -> tuple[tuple[str, str], ...]:
    """Drivers of ways where two are on each other's branch and the leads of a branch are wrong too.

    Parameters
    ----------
    swap : Fault
        Of swapped drivers.
    other : Fault
        Of leads, see `is_whole`; or of no driver.
    """
    (one, _), (two, _) = swap.drivers
    now = dict(swap.drivers)
    before = {one: now[two], two: now[one]}
    for way, name in other.drivers:
        how = name.removeprefix(before.get(way, name))
        now[way] = now[way] + how if way in now else name
    return tuple(now.items())


def list_connected(drivers: Sequence[Driver]) -> dict[str, Driver]:
    """List drivers by name, as they should be connected and in every wrong way.

    Parameters
    ----------
    drivers : sequence of Driver
        Single ones, or several wired together.
    """
    out = {driver.name: driver for driver in drivers}
    for driver in drivers:
        for one in _connections(driver):
            name = _name_connected(driver, one.leads)
            out[name] = connect_driver(driver, name, one.leads)
    return out


def _connect_wrongly(way: str, driver: Driver) -> Iterator[Fault]:
    for one in _connections(driver):
        yield Fault(
            what=one.what,
            where=f"{way}.{one.member}" if one.member else way,
            says=f"{way}: {one.says}",
            drivers=((way, _name_connected(driver, one.leads)),),
        )


def _scaled(part: Part, value: float) -> Part:
    """Part of another value; a coil's resistance follows roughly with the wire it needs."""
    loss = part.loss_ohm
    if part.kind == "inductor":
        loss *= (value / part.value) ** 0.6
    elif part.kind == "capacitor":
        loss *= part.value / value
    return replace(part, value=value, loss_ohm=loss, pieces=(value,), joined="")


def _say_instead(label: str, part: Part, value: float) -> str:
    unit = UNIT_OF_KIND[part.kind]
    return (
        f"{label} is {format_quantity(value, unit)} instead of {format_quantity(part.value, unit)}"
    )


def apply_fault(network: Network, fault: Fault) -> Network:
    """Return a network with a fault.

    Parameters
    ----------
    network : Network
        As designed.
    fault : Fault
        The mistake.

    Returns
    -------
    Network
        A part may be of another kind than its place says: solvers go by the part.
    """
    drivers = dict(fault.drivers)
    faulty = network.replace_parts(fault.parts)
    if fault.gains:
        faulty = faulty.map_slots(
            lambda ladder: tuple(
                replace(slot, form=form_of_tap(repr(gain)).name)
                if (gain := fault.gains.get((ladder.name, slot.name))) is not None
                else slot
                for slot in ladder.slots
            )
        )
    return replace(
        faulty,
        ways=tuple(
            replace(
                way,
                polarity=-way.polarity if way.name in fault.turned else way.polarity,
                driver=drivers.get(way.name, way.driver),
            )
            for way in faulty.ways
        ),
    )
