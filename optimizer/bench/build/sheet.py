"""Everything needed to buy, solder and check one network, gathered once for every kind of sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.bench.build.meter import (
    CoilResistance,
    MeterReading,
    find_coil_resistances,
    join_readings,
    read_meter,
)
from optimizer.bench.build.placement import Placement, place_coils
from optimizer.bench.build.polarity import PolarityTest, list_polarity_tests
from optimizer.bench.build.rework import ReworkPlan, plan_rework
from optimizer.bench.build.sides import Sides, share_out
from optimizer.bench.build.wiring import Wiring, split_pieces, wire_network
from optimizer.bench.loads.ratings import (
    Ratings,
    list_warnings,
    next_size,
    rate_network,
    share_pieces,
    state_amplifier,
)
from optimizer.bench.response import InputLoad, study_load
from optimizer.bench.tolerance.spread import ToleranceReport
from optimizer.bench.tolerance.tolerance import spread_network
from optimizer.measure.driver import WiredDrivers
from optimizer.network.amplifier import Amplifier
from optimizer.parts import BOARD, KEPT, UNIT_OF_KIND, Kind, Part
from optimizer.problem.candidate import Candidate
from optimizer.problem.fingerprint import fingerprint
from optimizer.problem.problem import Problem
from optimizer.stock.ledger import Ledger
from optimizer.stock.lots import SHELF
from optimizer.stock.stock import Stock
from optimizer.text.brief import brief
from optimizer.text.stamp import tell_date
from optimizer.text.units import format_quantity, say_hz

SWEEP_HZ = (
    20.0,
    30.0,
    50.0,
    80.0,
    100.0,
    200.0,
    300.0,
    500.0,
    800.0,
    1000.0,
    2000.0,
    3000.0,
    5000.0,
    8000.0,
    10_000.0,
    15_000.0,
    20_000.0,
)
"""Frequencies at which the expected impedance is listed."""


SAME_VALUE = 1e-8
"""Values in files have nine digits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetItem:
    """Like pieces: one row of a shopping or a pick list.

    Parameters
    ----------
    kind : str
        Kind of part.
    value, loss_ohm, tolerance : float
        Of one piece, in SI units; the loss is what the network was computed with.
    origin : str
        Series, "stock", "shelf" or "kept".
    needed : float
        Largest rating asked for among its uses (W, V or A).
    rating : float or None
        Rating the piece has, where it is known.
    count : int
        Pieces for one speaker.
    uses : tuple of str
        Their reference names, for one speaker.
    places : tuple of str
        Where these stand in the design ("tweeter.P1.Rs"); pieces of one part share one.
    price : float or None
        Price of one piece.
    note : str
        Free text of the part.
    """

    kind: Kind
    value: float
    loss_ohm: float
    tolerance: float
    origin: str
    needed: float
    rating: float | None
    count: int
    uses: tuple[str, ...]
    places: tuple[str, ...]
    price: float | None
    note: str

    @property
    def unit(self) -> str:
        """Unit of its value."""
        return UNIT_OF_KIND[self.kind]

    @property
    def size(self) -> float:
        """The next rating that is sold."""
        return next_size(self.kind, self.needed)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSheet:
    """Everything a build sheet says.

    Parameters
    ----------
    title, network : str
        The speaker, and where the network came from.
    speakers : int
        Speakers to build alike.
    candidate : Candidate
        The network with its figures.
    items : tuple of SheetItem
        What is bought, then what is picked from the shelf, then what stays on the board.
    wiring : Wiring
    wired : mapping of str to WiredDrivers
        Drivers that one way feeds together, by what they are called together.
    ratings : Ratings
    warnings : tuple of str
    placement : Placement
    resistances : tuple of CoilResistance
    readings : tuple of MeterReading
    total_ohm : float
        Resistance at the cabinet's terminals.
    sweep : tuple of (float, float, float)
        Expected impedance: Hz, ohm, degrees.
    polarity : tuple of PolarityTest
        How the polarity of each way can be checked.
    spread : ToleranceReport
        What the parts' tolerances do.
    load : InputLoad
        EPDR and phase of the impedance.
    sides : Sides or None
        Which measured piece goes left and which right; None where there is nothing to choose.
    rework : ReworkPlan or None
        How an old board becomes the network; None where there is none.
    short : tuple of str
        What the shelf has too few of for so many speakers.
    currency : str
    date, fingerprint : str
        When it was composed, and of which network, see `optimizer.text.stamp` and
        `optimizer.problem.fingerprint`.
    assumed : tuple of str
        Everything assumed or estimated on the way.
    """

    title: str
    network: str
    speakers: int
    candidate: Candidate
    items: tuple[SheetItem, ...]
    wiring: Wiring
    wired: Mapping[str, WiredDrivers]
    ratings: Ratings
    warnings: tuple[str, ...]
    placement: Placement
    resistances: tuple[CoilResistance, ...]
    readings: tuple[MeterReading, ...]
    total_ohm: float
    sweep: tuple[tuple[float, float, float], ...]
    polarity: tuple[PolarityTest, ...]
    spread: ToleranceReport
    load: InputLoad
    sides: Sides | None
    rework: ReworkPlan | None
    short: tuple[str, ...]
    currency: str
    date: str
    fingerprint: str
    assumed: tuple[str, ...]

    __repr__ = brief

    def bought(self) -> tuple[SheetItem, ...]:
        """Return what must be bought."""
        return tuple(i for i in self.items if i.origin not in (SHELF, KEPT, BOARD))

    def picked(self) -> tuple[SheetItem, ...]:
        """Return what lies on the shelf."""
        return tuple(i for i in self.items if i.origin == SHELF)

    def moved(self) -> tuple[SheetItem, ...]:
        """Return what comes off the board and serves elsewhere on it."""
        return tuple(i for i in self.items if i.origin == BOARD)

    def kept(self) -> tuple[SheetItem, ...]:
        """Return what stays on the board."""
        return tuple(i for i in self.items if i.origin == KEPT)


def build_sheet(
    problem: Problem,
    candidate: Candidate,
    *,
    network: str,
    amplifier: Amplifier | None = None,
    speakers: int = 2,
    limits: Mapping[str, float] | None = None,
    driver_level_db: float = 0.0,
    notes: Sequence[str] = (),
) -> BuildSheet:
    """Gather everything a build sheet says.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    candidate : Candidate
        The network with its figures.
    network : str
        Where it came from, for the head of the sheet.
    amplifier : Amplifier, optional
        For the ratings; that of the goals, or 50 W into 8 ohm, when left out.
    speakers : int
        Speakers to build alike.
    limits : mapping of str to float, optional
        Largest figure by goal, or "cost", that a finished speaker may have: the share of speakers
        that keep them is told.
    driver_level_db : float
        How far the level of a driver may be from the measured one, for the same.
    notes : sequence of str
        More that was assumed, for instance while reading the network.

    Returns
    -------
    BuildSheet
    """
    ratings = rate_network(
        candidate.network,
        problem.drivers,
        amplifier or state_amplifier(problem.goals, problem.amplifier),
    )
    used = {way.driver for way in candidate.network.ways}
    drivers = [driver for driver in problem.drivers if driver.name in used]
    resistances = find_coil_resistances(drivers)
    readings = read_meter(candidate.network, {r.driver: r.ohm for r in resistances})
    placement = place_coils(candidate.network, problem.drivers)
    wiring = wire_network(candidate.network)
    return BuildSheet(
        title=problem.title,
        network=network,
        speakers=speakers,
        candidate=candidate,
        items=list_items(candidate, ratings, problem.stock),
        wiring=wiring,
        wired={driver.name: driver.wired for driver in drivers if driver.wired is not None},
        ratings=ratings,
        warnings=list_warnings(ratings),
        placement=placement,
        resistances=resistances,
        readings=readings,
        total_ohm=join_readings(readings),
        sweep=_sample_impedance(candidate),
        polarity=list_polarity_tests(candidate),
        # The same sheet for the same network: hence a seed of its own.
        spread=spread_network(
            problem,
            candidate.network,
            rng=np.random.default_rng(1),
            limits=limits,
            driver_level_db=driver_level_db,
        ),
        load=study_load(candidate),
        sides=share_out(problem, candidate.network) if speakers == 2 else None,
        rework=plan_rework(problem.topology, candidate.network, wiring),
        short=_find_short(problem, candidate, speakers),
        currency=problem.stock.currency,
        date=tell_date(),
        fingerprint=fingerprint(candidate.network),
        assumed=tuple(
            dict.fromkeys(
                [
                    *list_assumptions(problem, candidate),
                    *notes,
                    *_own_assumptions(ratings, placement, resistances),
                ]
            )
        ),
    )


def list_items(candidate: Candidate, ratings: Ratings, stock: Stock) -> tuple[SheetItem, ...]:
    """List the pieces of a network, like ones together.

    Parameters
    ----------
    candidate : Candidate
        The network.
    ratings : Ratings
        Its loads.
    stock : Stock
        Knows what the pieces of a joined part are one by one.

    Returns
    -------
    tuple of SheetItem
        Bought pieces first, then those of the shelf, then those kept; within, coils, capacitors,
        resistors by value.
    """
    rows: dict[tuple[object, ...], SheetItem] = {}
    for load in ratings.parts:
        part = load.part
        shares = share_pieces(part)
        for (name, piece), share in zip(split_pieces(load.reference, part), shares, strict=True):
            piece = _look_up(piece, stock)
            # Nine digits, as results are saved: pieces of one series must fall together.
            key = (
                piece.kind,
                float(f"{piece.value:.9g}"),
                part.origin,
                piece.note,
                piece.rating,
                float(f"{piece.loss_ohm:.6g}"),
            )
            old = rows.get(key)
            needed = load.needed * share
            rows[key] = SheetItem(
                kind=piece.kind,
                value=piece.value,
                loss_ohm=piece.loss_ohm,
                tolerance=piece.tolerance,
                origin=part.origin,
                needed=max(needed, old.needed if old else 0.0),
                rating=piece.rating,
                count=1 + (old.count if old else 0),
                uses=(*(old.uses if old else ()), name),
                places=(*(old.places if old else ()), f"{load.way}.{load.name}"),
                price=piece.price,
                note=piece.note or _say_make(piece),
            )
    order = {"inductor": 0, "capacitor": 1, "resistor": 2}
    place = {SHELF: 1, BOARD: 2, KEPT: 3}
    return tuple(
        sorted(rows.values(), key=lambda i: (place.get(i.origin, 0), order[i.kind], i.value))
    )


def _say_make(part: Part) -> str:
    """Say what a part is made of, where it is known and worth a word: buy this one."""
    wire = "" if part.wire_m is None else f"{1e3 * part.wire_m:.3g} mm wire"
    return ", ".join(filter(None, (part.made_of, wire)))


def _look_up(piece: Part, stock: Stock) -> Part:
    """Describe a piece as its lot does: a joined part knows no more than the values."""
    lot = min(
        (
            lot
            for lot in stock.lots
            if (lot.part.kind, lot.part.origin) == (piece.kind, piece.origin)
            and abs(lot.part.value / piece.value - 1.0) < SAME_VALUE
        ),
        key=lambda lot: abs(lot.part.value - piece.value),
        default=None,
    )
    if lot is None or (lot.part.note != piece.note and piece.note):
        return piece
    note = lot.part.note
    if len(lot.measured) > 1:
        printed = format_quantity(lot.nominal, UNIT_OF_KIND[piece.kind])
        note = ", ".join(filter(None, (f"{printed} printed, measured one by one", note)))
    return replace(lot.part, note=note)


def list_assumptions(problem: Problem, candidate: Candidate) -> tuple[str, ...]:
    """List everything that was assumed or estimated before and while a network was computed.

    Parameters
    ----------
    problem : Problem
        Drivers and notes.
    candidate : Candidate
        Its own notes, and where its parts' losses come from.

    Returns
    -------
    tuple of str
    """
    said = [*problem.notes]
    for driver in problem.drivers:
        said += [f"{driver.name}: {note}" for note in driver.notes]
        for one in driver.coverage:
            low, high = one.slope_low_db_per_octave, one.slope_high_db_per_octave
            if low or high:
                said.append(
                    f"{driver.name}: {one.source} is measured from {one.low_hz:.4g} to "
                    f"{one.high_hz:.5g} Hz and goes on with {low:+z.0f} dB/octave below and "
                    f"{high:+z.0f} dB/octave above"
                )
    said += candidate.notes
    parts = candidate.network.parts
    if any(p.kind == "inductor" and p.origin.startswith("E") for p in parts):
        said.append(
            "resistance of coils of a series is that of an air-core coil of Brooks' "
            "proportions with the wire chosen under stock; check it on the coils you buy"
        )
    if any(p.kind == "capacitor" and p.origin.startswith("E") for p in parts):
        said.append(
            "series resistance of capacitors of a series follows from a typical loss "
            "tangent of their dielectric"
        )
    said.append("figures and curves are for parts of exactly the values printed on them")
    return tuple(dict.fromkeys(said))


def _find_short(problem: Problem, candidate: Candidate, speakers: int) -> tuple[str, ...]:
    """Say which pieces of the shelf do not suffice for all speakers."""
    parts = [part for part in candidate.network.parts if part.origin == SHELF]
    stock = problem.stock
    found = Ledger(replace(stock, speakers=speakers)).overdrawn(parts)
    return tuple(
        f"the shelf holds too few pieces of {format_quantity(o.value, UNIT_OF_KIND[o.kind], 4)}: "
        f"{o.wanted} for each of {speakers}, {o.available} there for each"
        + (
            " (the design asks for one speaker; pair: yes under stock asks for two)"
            if speakers == 2 and stock.speakers == 1 and o.available
            else ""
        )
        for o in found
    )


def _own_assumptions(
    ratings: Ratings, placement: Placement, resistances: Sequence[CoilResistance]
) -> list[str]:
    amplifier = ratings.amplifier
    said = [
        f"ratings are for {amplifier.watts:g} W into {amplifier.ohm:g} ohm"
        + ("" if amplifier.stated else ", which nobody stated")
    ]
    if ratings.programme_share < 0.99:
        low, high = ratings.band_hz
        said.append(
            f"{100 * (1 - ratings.programme_share):.0f} % of the programme's power lies "
            f"outside the grid ({say_hz(low)} to {say_hz(high)}) and is not counted"
        )
    guessed = [r.driver for r in resistances if not r.stated]
    if guessed:
        said.append(
            f"voice coil resistance of {', '.join(guessed)} is estimated from the impedance curve"
        )
    if placement.pairs:
        said.append(
            "sizes of coils are estimated from their inductance and resistance, wound in "
            "air to Brooks' proportions"
        )
    cored = [coil.label for coil in placement.coils if coil.size is None]
    said += _say_cores(ratings)
    if cored:
        said.append(
            f"{', '.join(cored)}: stated to have a core, or too little resistance for one of air; "
            "its stray field cannot be estimated from its values"
        )
    return said


def _say_cores(ratings: Ratings) -> list[str]:
    """Say of each coil with a core what is known of its limits, and what is not."""
    said = []
    for load in ratings.parts:
        if load.part.kind != "inductor" or load.part.made_of in ("", "air"):
            continue
        rating = load.part.rating
        limit = (
            "no list says at which current it saturates, so ask for one that does not up to "
            f"{load.needed:.3g} A"
            if rating is None
            else f"its list says that it takes {rating:.3g} A; the highest peak is {load.peak:.3g} A"
        )
        said.append(
            f"{load.reference} has a core ({load.part.made_of}): {limit}. Losses in the core "
            "are not known and not counted: only its resistance is"
        )
    return said


def _sample_impedance(candidate: Candidate) -> tuple[tuple[float, float, float], ...]:
    """Interpolate the impedance at round frequencies inside the grid."""
    curves = candidate.curves
    x = np.log(curves.frequency_hz)
    modulus = np.log(np.abs(curves.impedance))
    phase = np.unwrap(np.angle(curves.impedance))
    low, high = curves.frequency_hz[0] * (1 - 1e-9), curves.frequency_hz[-1] * (1 + 1e-9)
    return tuple(
        (
            hz,
            float(np.exp(np.interp(np.log(hz), x, modulus))),
            float(np.degrees(np.interp(np.log(hz), x, phase))),
        )
        for hz in SWEEP_HZ
        if low <= hz <= high
    )
