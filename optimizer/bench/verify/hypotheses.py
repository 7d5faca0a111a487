"""What may be the matter: a mistake of the list, or something that differs by an unknown amount.

A cause changes the network (a `Fault`), or lets some of the unknowns of the model differ by far
more than in a sound speaker (`Wide`); two causes make a hypothesis of two. What a cause of unknown
amount amounts to is read from the fit, and said as a fault with that value.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.faults import HEALTHY, Fault, What, exchange_also, is_whole
from optimizer.bench.verify.prediction import FaultBank, Unknown, UnknownKind
from optimizer.measure.geometry import SOUND_SPEED_M_S
from optimizer.parts import UNIT_OF_KIND
from optimizer.text.units import format_quantity

HEALTHY_PRIOR = 0.7
UNLISTED_PRIOR = 0.06
CONTINUOUS_SHARE = 0.5
"""Probability before measuring that nothing is wrong, that something is which is not listed, and,
of the rest, how much is of unknown amount (common practice, no source)."""

PAIR_PRIOR = 0.1
"""How probable a second cause is where there is one already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wide:
    """An unknown that may differ by much.

    Parameters
    ----------
    unknown : int
        Its number.
    mean, spread : float
        Before measuring.
    starts : tuple of float
        Where to begin to look.
    """

    unknown: int
    mean: float
    spread: float
    starts: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One thing that may be the matter.

    Parameters
    ----------
    what : str
        Kind.
    where : str
        Part, way, or parts.
    fault : Fault
        The change of the network; healthy where there is none.
    wide : tuple of Wide
        What may differ by much.
    weight : float
        How likely before measuring; of all causes together 1.
    """

    what: What
    where: str
    fault: Fault = HEALTHY
    wide: tuple[Wide, ...] = ()
    weight: float = 1.0

    @property
    def components(self) -> frozenset[str]:
        """Names of the parts or drivers that it is about."""
        return frozenset(self.where.split(" and ")) if self.where else frozenset()


Hypothesis = tuple[Cause, ...]
"""None, one or two causes."""

_JOINT = (1.0, 0.8, (0.7,))
"""The same of the loss of a capacitor, in ohm."""

_WIDE: Mapping[UnknownKind, tuple[float, float, tuple[float, ...]]] = {
    "value": (0.0, 0.3, (-0.25, 0.25)),
    "loss": (0.5, 0.8, (0.6, 1.8)),
    "sag": (-0.3, 0.2, (-0.3,)),
    "coupling": (0.0, 0.15, (-0.15, 0.15)),
    "gain": (0.0, 2.5, (-2.5, 2.5)),
    "re": (0.0, 0.3, (-0.2, 0.3)),
    "f0": (0.0, 0.2, (-0.15, 0.15)),
    "rms": (0.0, 0.7, (0.0,)),
    "bl": (0.0, 0.15, (0.0,)),
    "le": (0.0, 0.5, (-0.3, 0.3)),
    "time": (0.0, 6e-5, (-5e-5, 5e-5)),
    "height": (0.0, 0.07, (-0.06, 0.06)),
    "source": (0.8, 0.6, (0.6,)),
}
"""Mean, spread and starts of each unknown when it is what is the matter (common practice, no
source)."""

_WIDE_LEVEL = (0.0, 1.5, (-1.5, 1.5))
"""The same of a driver's level where levels are known: whoever sees to that looks for little."""

_OF_PART: tuple[tuple[What, tuple[UnknownKind, ...], float], ...] = (
    ("value", ("value",), 1.0),
    ("loss", ("loss",), 0.5),
    ("coil", ("value", "loss"), 0.5),
    ("saturated", ("sag",), 0.5),
)
_OF_WAY: tuple[tuple[What, tuple[UnknownKind, ...], float], ...] = (
    ("level", ("gain",), 20.0),
    ("lead", ("re",), 1.0),
    ("resonance", ("f0", "rms"), 1.0),
    ("voice coil", ("re", "le"), 0.5),
    ("another driver", ("re", "f0", "rms", "bl", "le", "gain"), 1.0),
    ("path", ("time",), 1.0),
)
"""What floats together in a part or way, and how likely it is beside others: a driver that plays
louder or weaker than it did is the likeliest of all (common practice, no source)."""


def list_causes(bank: FaultBank, faults: Sequence[Fault]) -> tuple[Cause, ...]:
    """List all single causes, their weights adding up to 1.

    Parameters
    ----------
    bank : FaultBank
        Gives the unknowns.
    faults : sequence of Fault
        The mistakes.
    """
    mistakes = [Cause(what=f.what, where=f.where, fault=f, weight=f.weight) for f in faults]
    amounts = list(_list_amounts(bank))
    out: list[Cause] = []
    for causes, share in ((mistakes, 1.0 - CONTINUOUS_SHARE), (amounts, CONTINUOUS_SHARE)):
        total = sum(c.weight for c in causes)
        out += [replace(c, weight=c.weight / total * share) for c in causes]
    return tuple(out)


def _list_amounts(bank: FaultBank) -> Iterator[Cause]:
    for g, (label, part) in enumerate(bank.listed.values()):
        for what, quantities, weight in _OF_PART:
            if what == "coil" and part.kind != "inductor":
                continue
            yield from _widen(bank, what, label, g, quantities, weight)
    for w, way in enumerate(bank.network.ways):
        for what, quantities, weight in _OF_WAY:
            yield from _widen(bank, what, way.name, w, quantities, weight)
    for n, (i, j) in enumerate(bank.pairs):
        labels = [bank.listed[bank.keys[g]][0] for g in (i, j)]
        yield from _widen(bank, "coupled", " and ".join(labels), n, ("coupling",), 0.5)
    yield from _widen(bank, "microphone", "microphone", -1, ("height",), 2.0)
    yield from _widen(bank, "source", "input", -1, ("source",), 2.0)


def _widen(
    bank: FaultBank,
    what: What,
    where: str,
    index: int,
    quantities: Sequence[UnknownKind],
    weight: float,
) -> Iterator[Cause]:
    wide = []
    for quantity in quantities:
        k = bank.of.get((quantity, index))
        if k is None:
            if quantity == "gain":
                continue  # nothing was heard
            return
        mean, spread, starts = _WIDE[quantity]
        if what == "level" and bank.known_level:
            mean, spread, starts = _WIDE_LEVEL
        if quantity == "loss" and bank.listed[bank.keys[index]][1].kind == "capacitor":
            mean, spread, starts = _JOINT
        if what == "coil":
            starts = (-0.35, -0.15) if quantity == "value" else (0.6,)
        if what == "another driver":
            starts = starts if quantity == "f0" else (0.0,)
        wide.append(Wide(unknown=k, mean=float(mean), spread=spread, starts=starts))
    if wide:
        yield Cause(what=what, where=where, wide=tuple(wide), weight=weight)


def starts_of(hypothesis: Hypothesis) -> Iterator[dict[int, float]]:
    """Values of wide unknowns to begin from, one mapping for each start."""
    wide = [w for cause in hypothesis for w in cause.wide]
    for chosen in product(*(w.starts for w in wide)):
        yield {w.unknown: start for w, start in zip(wide, chosen, strict=True)}


def fault_of(hypothesis: Hypothesis) -> Fault:
    """Return the change of the network that a hypothesis makes: of two mistakes, both."""
    faults = [cause.fault for cause in hypothesis if cause.fault is not HEALTHY]
    if not faults:
        return HEALTHY
    if len(faults) == 1:
        return faults[0]
    one, two = faults
    turned = tuple(sorted(set(one.turned) ^ set(two.turned)))
    return Fault(
        what="two mistakes",
        where=f"{one.where} and {two.where}",
        says=f"{one.says}, and {two.says}",
        parts={**one.parts, **two.parts},
        turned=turned,
        drivers=_connect_both(one, two),
        gains={**one.gains, **two.gains},
    )


def _connect_both(one: Fault, two: Fault) -> tuple[tuple[str, str], ...]:
    """Drivers of ways with two mistakes."""
    for swap, other in ((one, two), (two, one)):
        if swap.what == "swapped drivers":
            return exchange_also(swap, other)
    return (*one.drivers, *two.drivers)


_ON_EXCHANGED: frozenset[What] = frozenset(("polarity", "driver open", "driver shorted"))
"""What can be the matter with a branch besides that another's driver hangs on it."""


def may_be_both(one: Cause, two: Cause) -> bool:
    """Whether two causes can be there at once: not two about the same thing.

    Drivers on each other's branches can still be turned, or not be connected.
    """
    for swap, other in ((one, two), (two, one)):
        if swap.what == "swapped drivers" and other.what != "swapped drivers":
            if not is_whole(other.fault):
                return False
            if other.what in _ON_EXCHANGED:
                return True
    return not one.components & two.components


def prior_of(hypothesis: Hypothesis) -> float:
    """Probability before measuring."""
    if not hypothesis:
        return HEALTHY_PRIOR
    listed = 1.0 - HEALTHY_PRIOR - UNLISTED_PRIOR
    share = 1.0 - PAIR_PRIOR if len(hypothesis) == 1 else 2.0 * PAIR_PRIOR
    return float(listed * share * np.prod([cause.weight for cause in hypothesis]))


def say_cause(bank: FaultBank, cause: Cause, shift: Real) -> Fault:
    """Say what a cause amounts to, as a fault with the values found.

    Parameters
    ----------
    bank : FaultBank
        Gives parts and unknowns.
    cause : Cause
        The cause.
    shift : ndarray, shape (K,)
        Values of all unknowns.

    Returns
    -------
    Fault
        With the part as it turned out, so that readings can be computed of it.
    """
    if not cause.wide:
        return cause.fault
    if cause.what in ("value", "loss", "coil"):
        return _say_part(bank, cause, shift)
    if cause.what == "saturated":
        return _say_saturated(bank, cause, float(shift[cause.wide[0].unknown]))
    own = {bank.unknowns[w.unknown].what: float(shift[w.unknown]) for w in cause.wide}
    rise = None
    if "re" in own:
        w = bank.unknowns[cause.wide[0].unknown].index
        rise = bank.model_of(w).re_ohm * float(np.expm1(own["re"]))
    return Fault(what=cause.what, where=cause.where, says=_say_way(cause, own, rise))


def _say_part(bank: FaultBank, cause: Cause, shift: Real) -> Fault:
    index = bank.unknowns[cause.wide[0].unknown].index
    key = bank.keys[index]
    label, part = bank.listed[key]
    value, loss = part.value, part.loss_ohm
    for w in cause.wide:
        u: Unknown = bank.unknowns[w.unknown]
        if u.what == "value":
            value *= float(np.exp(shift[w.unknown]))
        elif part.kind == "capacitor":
            loss += float(shift[w.unknown])
        else:
            loss *= float(np.exp(shift[w.unknown]))
    unit = UNIT_OF_KIND[part.kind]
    found, meant = format_quantity(value, unit, 3), format_quantity(part.value, unit, 3)
    off = f"{value / part.value - 1.0:+z.0%}"
    ohm = format_quantity(loss, "ohm", 2)
    if cause.what == "value":
        says = f"{label} is about {found} instead of {meant} ({off})"
    elif cause.what == "coil":
        says = (
            f"{label} is another coil than meant: about {found} and {ohm} instead of {meant} and "
            f"{format_quantity(part.loss_ohm, 'ohm', 2)} (shorted turns, a saturated core, or the "
            "wrong one)"
        )
    elif part.kind == "capacitor":
        says = f"{label} has about {ohm} in series (a bad joint, or a dried-out capacitor)"
    else:
        says = (
            f"{label} has a resistance of about {ohm} instead of "
            f"{format_quantity(part.loss_ohm, 'ohm', 2)} (thinner wire, or a bad joint)"
        )
    changed = replace(part, value=value, loss_ohm=loss, pieces=(value,), joined="")
    return Fault(what=cause.what, where=label, says=says, parts={key: changed})


def _say_saturated(bank: FaultBank, cause: Cause, sag: float) -> Fault:
    _, part = bank.listed[bank.keys[bank.unknowns[cause.wide[0].unknown].index]]
    value = format_quantity(part.value * float(np.exp(sag)), "H", 2)
    says = f"{cause.where} has only about {value} at the level of the response (a saturated core)"
    return Fault(what=cause.what, where=cause.where, says=says)


def _say_way(cause: Cause, own: Mapping[UnknownKind, float], rise_ohm: float | None) -> str:
    where = cause.where
    if cause.what == "level":
        side = "weaker" if own["gain"] < 0.0 else "louder"
        return f"{where} plays {abs(own['gain']):.1f} dB {side} than measured by itself"
    if cause.what == "lead":
        assert rise_ohm is not None
        more = "more" if rise_ohm > 0.0 else "less"
        return (
            f"the driver of {where} has {format_quantity(abs(rise_ohm), 'ohm', 2)} {more} than "
            "measured (its lead, a joint, or its coil)"
        )
    if cause.what == "resonance":
        return (
            f"the resonance of {where} lies {np.expm1(own['f0']):+z.0%} from where it was, its losses "
            f"{np.expm1(own['rms']):+z.0%} (a leak, damping, another volume)"
        )
    if cause.what == "voice coil":
        return f"the voice coil of {where} is not as it was measured"
    if cause.what == "another driver":
        return (
            f"what hangs at the end of {where} is not the driver that was measured (another one, a "
            "damaged one, or something else across its terminals)"
        )
    if cause.what == "path":
        mm = 1000.0 * SOUND_SPEED_M_S * own["time"]
        side = "further away" if mm > 0.0 else "nearer"
        return f"{where} is {abs(mm):.0f} mm {side} than measured"
    if cause.what == "coupled":
        return (
            f"{where} are coupled by about {abs(own['coupling']):.2f} (too close together, or their "
            "axes in line)"
        )
    if cause.what == "microphone":
        side = "above" if own["height"] > 0.0 else "below"
        return f"the microphone stood about {100.0 * abs(own['height']):.0f} cm {side} the axis"
    ohm = own["source"]
    return f"about {format_quantity(ohm, 'ohm', 2)} between amplifier and network (cable, joint)"
