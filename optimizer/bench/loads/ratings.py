"""What every part must stand: watts, volts and amperes on programme noise and on a sine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.acoustics.programme import CREST, programme_weights
from optimizer.arrays import Real
from optimizer.bench.loads.stress import PartPhasors, find_open_minimum, solve_parts
from optimizer.goals import Goal
from optimizer.goals.protection import Stress
from optimizer.measure.driver import Driver
from optimizer.network.amplifier import Amplifier
from optimizer.network.network import Network
from optimizer.parts import RATING_UNIT_OF_KIND, Kind, Part
from optimizer.text.brief import brief
from optimizer.text.units import say_hz

MARGIN: dict[Kind, float] = {"resistor": 2.0, "capacitor": 1.25, "inductor": 1.25}
"""Rating over load that is asked for. Half the rated power for resistors, which lie warm in a
closed box: a usual starting point, the maker's derating curve rules (common practice, no standard).
A quarter more than the highest peak for capacitors and coils (our choice)."""

SIZES: dict[Kind, tuple[float, ...]] = {
    "resistor": (2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 50.0, 100.0, 200.0),
    "capacitor": (50.0, 63.0, 100.0, 160.0, 250.0, 400.0, 630.0),
    "inductor": (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0, 50.0),
}
"""Ratings that are sold (watts and volts common practice, no source; amperes a plain scale)."""


def next_size(kind: Kind, needed: float) -> float:
    """Return the next rating that is sold, or what is needed where none is."""
    return next((size for size in SIZES[kind] if size >= needed), needed)


RatingVerdict = Literal["fits", "too small", "not stated"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRating:
    """Load and rating of one part.

    Parameters
    ----------
    way, slot, name : str
        Where it is, and its own name.
    reference : str
        Its name that no other part of the network has, see `optimizer.network.references`.
    part : Part
        The part.
    programme : float
        On programme noise: W in a resistor, V rms across a capacitor, A rms through an inductor.
    heat_w : float
        Heat in the part on programme noise, in W: a resistor's power, what the DCR of a coil or
        the ESR of a capacitor turns into heat.
    sine, sine_hz : float
        The same quantity as `programme` for a full-power sine at the worst frequency, and that
        frequency.
    peak : float
        The load that is compared with the rating: W on programme (resistor), the highest peak of
        both signals in V or A (capacitor, inductor).
    needed : float
        Rating to ask for: `peak` with the margin of `MARGIN`.
    verdict : {"fits", "too small", "not stated"}
        The part's own rating against `needed`.
    """

    way: str
    slot: str
    name: str
    reference: str
    part: Part
    programme: float
    heat_w: float
    sine: float
    sine_hz: float
    peak: float
    needed: float
    verdict: RatingVerdict

    __repr__ = brief

    @property
    def unit(self) -> str:
        """Unit of its rating: W, V or A."""
        return RATING_UNIT_OF_KIND[self.part.kind]

    @property
    def size(self) -> float:
        """The next rating that is sold."""
        return next_size(self.part.kind, self.needed)

    @property
    def margin(self) -> float | None:
        """Rating over load; None when the rating is not stated or there is no load."""
        if self.part.rating is None or self.peak <= 0.0:
            return None
        return self.part.rating / self.peak

    @property
    def tone_overheats(self) -> bool:
        """Whether a lasting full-power tone would exceed a resistor's own rating."""
        rating = self.part.rating
        return self.part.kind == "resistor" and rating is not None and self.sine > rating


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverLoad:
    """What one driver takes on programme noise.

    Parameters
    ----------
    way, driver : str
        Names.
    watts : float
        Power into it.
    limit_w : float or None
        What the design file states that it stands.
    """

    way: str
    driver: str
    watts: float
    limit_w: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenLoad:
    """The load of one way whose driver is not connected.

    Parameters
    ----------
    way : str
        Its name.
    ohm, hz : float
        Smallest impedance and where.
    """

    way: str
    ohm: float
    hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratings:
    """What a network's parts and drivers must stand.

    Parameters
    ----------
    amplifier : Amplifier
        For which it was computed.
    parts : tuple of PartRating
        Way by way, source first.
    drivers : tuple of DriverLoad
        Way by way.
    open_loads : tuple of OpenLoad
        Way by way.
    programme_share : float
        Share of the programme's power inside the grid, 1 for a grid from 20 Hz to 20 kHz.
    band_hz : tuple of float
        Ends of the grid.
    """

    amplifier: Amplifier
    parts: tuple[PartRating, ...]
    drivers: tuple[DriverLoad, ...]
    open_loads: tuple[OpenLoad, ...]
    programme_share: float
    band_hz: tuple[float, float]

    __repr__ = brief

    def find(self, way: str, name: str) -> PartRating:
        """Return the rating of a part by its way and name."""
        return next(r for r in self.parts if (r.way, r.name) == (way, name))


def state_amplifier(goals: Mapping[str, Goal], stated: Amplifier | None = None) -> Amplifier:
    """Take the amplifier that is stated, else from the goals that name one, else a default.

    Parameters
    ----------
    goals : mapping of str to Goal
        Goals of a problem.
    stated : Amplifier, optional
        The problem's own.

    Returns
    -------
    Amplifier
        The strongest of those in the goals ``power`` and ``excursion``, where the problem has none.
    """
    if stated is not None:
        return stated
    named = [
        Amplifier(watts=g.amplifier_w, ohm=g.rated_ohm, stated=True)
        for g in goals.values()
        if isinstance(g, Stress)
    ]
    return max(named, key=lambda a: a.volts, default=Amplifier())


def rate_network(
    network: Network, drivers: Sequence[Driver], amplifier: Amplifier | None = None
) -> Ratings:
    """Compute what every part of a network must stand.

    Parameters
    ----------
    network : Network
        What is to be built.
    drivers : sequence of Driver
        All on one grid.
    amplifier : Amplifier, optional
        50 W into 8 ohm when left out.

    Returns
    -------
    Ratings

    Notes
    -----
    Programme: noise with the spectrum of IEC 60268-1 whose rms voltage is that of the amplifier's
    full power, as in a rated-noise-power test; squares are summed over the grid with the share of
    the spectrum each point stands for. Its peaks are taken as `CREST` times its rms. Sine: the
    same rms voltage at the one frequency of the grid that loads the part most.

    Ratings of capacitors are compared with the highest peak: a rating in volts is understood as
    for direct voltage. A rating for alternating voltage is lower and falls with frequency.
    """
    amplifier = amplifier or Amplifier()
    frequency = drivers[0].frequency_hz
    share = programme_weights(frequency)
    by_name = {driver.name: driver for driver in drivers}
    solved = solve_parts(network, frequency, {d.name: d.impedance for d in drivers})
    power = amplifier.volts**2
    references = network.references
    parts = [
        _rate_part(part, references[part.way, part.name], frequency, share, amplifier.volts)
        for part in solved.parts
    ]
    loads = []
    for one in solved.drivers:
        watts = power * float(share @ np.maximum((one.voltage * one.current.conj()).real, 0))
        loads.append(
            DriverLoad(
                way=one.way,
                driver=one.driver,
                watts=watts,
                limit_w=by_name[one.driver].limits.watts,
            )
        )
    opened = [(one.name, *find_open_minimum(network, one.name)) for one in network.branches]
    return Ratings(
        amplifier=amplifier,
        parts=tuple(parts),
        drivers=tuple(loads),
        open_loads=tuple(OpenLoad(way=w, ohm=ohm, hz=hz) for w, ohm, hz in opened),
        programme_share=float(share.sum()),
        band_hz=(float(frequency[0]), float(frequency[-1])),
    )


def _rate_part(
    phasors: PartPhasors, reference: str, frequency: Real, share: Real, volts: float
) -> PartRating:
    part = phasors.part
    current = volts * np.abs(phasors.current)
    amperes = float(np.sqrt(share @ current**2))
    resistance = part.loss_ohm + (part.value if part.kind == "resistor" else 0.0)
    heat = amperes**2 * resistance
    if part.kind == "resistor":
        load, programme = current**2 * resistance, heat
    else:
        load = current if part.kind == "inductor" else volts * np.abs(phasors.voltage)
        programme = float(np.sqrt(share @ load**2))
    worst = int(np.argmax(load))
    sine = float(load[worst])
    peak = programme if part.kind == "resistor" else max(CREST * programme, np.sqrt(2.0) * sine)
    needed = MARGIN[part.kind] * float(peak)
    verdict: RatingVerdict = "not stated"
    if part.rating is not None:
        # Rounding in the rating's text must not turn a part away.
        verdict = "fits" if part.rating >= needed * (1.0 - 1e-9) else "too small"
    return PartRating(
        way=phasors.way,
        slot=phasors.slot,
        name=phasors.name,
        reference=reference,
        part=part,
        programme=programme,
        heat_w=heat,
        sine=sine,
        sine_hz=float(frequency[worst]),
        peak=float(peak),
        needed=needed,
        verdict=verdict,
    )


def share_pieces(part: Part) -> tuple[float, ...]:
    """Split the load of a joined part over its pieces.

    Parameters
    ----------
    part : Part
        Single or joined.

    Returns
    -------
    tuple of float
        For each piece its share of the part's watts (resistor), volts (capacitor) or amperes
        (inductor), from the law of the join: parallel resistors share power as their conductance
        and series ones as their resistance, parallel capacitors each see the whole voltage and
        series ones share it as 1/C, coils in series carry the whole current.
    """
    values = np.array(part.pieces or (part.value,))
    parallel = part.joined == "parallel"
    if len(values) == 1:
        return (1.0,)
    if (part.kind == "capacitor" and parallel) or (part.kind == "inductor" and not parallel):
        return (1.0,) * len(values)
    divides = part.kind == "resistor" and not parallel
    weights = values if divides else 1.0 / values
    return tuple(float(w) for w in weights / weights.sum())


def list_warnings(ratings: Ratings) -> tuple[str, ...]:
    """Say what is too small, one sentence for each finding.

    Parameters
    ----------
    ratings : Ratings
        As `rate_network` returned them.

    Returns
    -------
    tuple of str
        Parts first, then drivers. Empty when nothing that is stated is too small.
    """
    said = []
    for rating in ratings.parts:
        if rating.verdict == "too small":
            said.append(
                f"{rating.reference} ({rating.way}): the chosen part stands {rating.part.rating:.4g} "
                f"{rating.unit}, at least {rating.needed:.3g} {rating.unit} are asked for; take "
                f"{rating.size:g} {rating.unit}."
            )
        elif rating.tone_overheats:
            said.append(
                f"{rating.reference} ({rating.way}): programme is within its {rating.part.rating:.4g} W, "
                f"but a lasting full-power tone near {say_hz(rating.sine_hz)} puts "
                f"{rating.sine:.3g} W into it; keep test tones low or short."
            )
    for load in ratings.drivers:
        if load.limit_w is not None and load.watts > load.limit_w:
            said.append(
                f"{load.way}: on programme at full power the driver {load.driver} takes "
                f"{load.watts:.3g} W and stands {load.limit_w:g} W; turn down or use a smaller "
                "amplifier."
            )
    return tuple(said)
