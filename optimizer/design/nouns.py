"""The design file as the user wrote it: one frozen noun for each of its blocks."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from optimizer.goals import Changes, Crossing, CrossoverRange, GoalSet
from optimizer.measure.curve import Direction
from optimizer.measure.curves.cabinet import Cabinet
from optimizer.measure.curves.nearfield import Join
from optimizer.measure.driver import Limits, WiredDrivers
from optimizer.network.amplifier import Amplifier
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.topology import Topology
from optimizer.parts import KINDS, Kind, Terms
from optimizer.problem.limits import NetworkLimits
from optimizer.stock.coil import DEFAULT_WIRE_M
from optimizer.text.brief import brief
from optimizer.text.yamltext import Where

DEFAULT_SERIES = "E12"
"""Bought where a design names neither series nor lists: the usual stock of parts for crossovers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringChoice:
    """How the responses were taken.

    Parameters
    ----------
    volts : float
        Voltage at the driver's terminals.
    metres : float
        Distance of the microphone.
    clock : {"shared", "none"}
        Whether the phases of different files have one time zero.
    mirror : {"", "left-right"}
        Whether the cabinet radiates alike to both sides.
    estimate : bool
        Whether all directions are estimated from geometry where the axis alone was measured.
    baffle_m : float or None
        Width of the baffle, for that estimate.
    gate_s : float or None
        Gate of impulse responses; found from their first reflection when None.
    columns : tuple of (str, str)
        Files by name, and what the columns of each are, where their headings do not say it.
    reflections : {"pooled", "bounces"}
        How early reflections are averaged, see `optimizer.acoustics.averages.Reading`.
    """

    volts: float = 2.83
    metres: float = 1.0
    clock: Literal["shared", "none"] = "shared"
    mirror: Literal["", "left-right"] = ""
    estimate: bool = False
    baffle_m: float | None = None
    gate_s: float | None = None
    columns: tuple[tuple[str, str], ...] = ()
    reflections: Literal["bounces", "pooled"] = "pooled"

    def columns_of(self, path: Path) -> str:
        """Tell what is said of the columns of a file; empty where nothing is."""
        said = dict(self.columns)
        return said.get(path.name, said.get(path.as_posix(), ""))


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseFile:
    """One response: its direction, its file, and the key it stands under in the design."""

    direction: Direction
    path: Path
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NearFieldFiles:
    """A driver's near field and what is needed to join it to the far field.

    Parameters
    ----------
    path : Path
        Near field of the diaphragm.
    front : Cabinet or None
        Size of the box, and the driver's centre on its front.
    join_hz : float or None
        Where to join; found by itself when None.
    port : Path or None
        Near field of the port.
    port_m : float or None
        Diameter of the port.
    """

    path: Path
    front: Cabinet | None = None
    join_hz: float | None = None
    port: Path | None = None
    port_m: float | None = None

    def join(self, diaphragm_m: float | None, far_m: float) -> Join:
        """Return what is known for joining it to a far field of that distance."""
        return Join(
            cabinet=self.front,
            diaphragm_m=diaphragm_m,
            port_m=self.port_m,
            at_hz=self.join_hz,
            far_m=far_m,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignDriver:
    """A driver's files and what is known of it.

    Parameters
    ----------
    name : str
        The user's name for it.
    responses : tuple of ResponseFile
        Reference axis first.
    impedance : Path
        Its impedance file.
    place_m : tuple of float
        (up, right, back) from the reference axis.
    diaphragm_m : float or None
        Effective diameter.
    limits : Limits
        What it stands.
    delay_s : float
        Given by hand: how much later than in its files it arrives.
    level_db : float
        Given by hand: added to its responses.
    near : NearFieldFiles or None
        Continues the responses below what the far field resolves.
    """

    name: str
    responses: tuple[ResponseFile, ...]
    impedance: Path
    place_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    diaphragm_m: float | None = None
    limits: Limits = field(default_factory=Limits)
    delay_s: float = 0.0
    level_db: float = 0.0
    near: NearFieldFiles | None = None

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardChoice:
    """What is soldered in before the work begins.

    Parameters
    ----------
    path : Path
        Network file of the board.
    add : bool
        Whether places that the board has not are offered too.
    """

    path: Path
    add: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalChoice:
    """What is wanted.

    Parameters
    ----------
    specs : GoalSet
        In the order of `GOALS`.
    preset : str
        Name of the preset they started from; empty for none.
    from_preset : frozenset of str
        Goals that the design file itself does not mention.
    from_base : frozenset of str
        Those of them that no preset but the one under all others asks for.
    spots : mapping of str to Where
        Where each option is written, in the design file or in the preset.
    """

    specs: GoalSet
    preset: str = ""
    from_preset: frozenset[str] = frozenset()
    from_base: frozenset[str] = frozenset()
    spots: Mapping[str, Where] = field(default_factory=dict, repr=False)

    __repr__ = brief

    def with_board(self) -> GoalChoice:
        """Let work at the iron cost something, unless the design says itself what it does."""
        if "changes" in self.specs or "goals.changes" in self.spots:
            return self
        return replace(
            self,
            specs=self.specs.replace(changes=Changes()),
            from_preset=self.from_preset | {"changes"},
        )

    def with_crossings(self, *, hard: bool) -> GoalChoice:
        """Ask for the ranges in which ways may meet, unless the design turned that goal off.

        Parameters
        ----------
        hard : bool
            Whether they must be kept.
        """
        if "crossing" not in self.specs and "goals.crossing" in self.spots:
            return self
        goal = self.specs.get("crossing", Crossing())
        specs = self.specs.replace(crossing=replace(goal, hard=hard or goal.hard))
        return replace(self, specs=specs, from_preset=self.from_preset - {"crossing"})


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplifierChoice:
    """What drives the speaker.

    Parameters
    ----------
    output_ohm, cable_ohm : float
        See `SourceResistance`.
    safe_to_ohm : float or None
        Rated impedance that it is safe with; not stated when None.
    watts : float or None
        Its power into that.
    """

    output_ohm: float = 0.0
    cable_ohm: float = 0.0
    safe_to_ohm: float | None = None
    watts: float | None = None

    @property
    def source(self) -> SourceResistance:
        """What the network is fed through."""
        return SourceResistance(output_ohm=self.output_ohm, cable_ohm=self.cable_ohm)

    @property
    def rated(self) -> Amplifier | None:
        """What ratings are computed for; None where its power is not stated."""
        if self.watts is None:
            return None
        return Amplifier(watts=self.watts, ohm=self.safe_to_ohm or Amplifier().ohm, stated=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class StockChoice:
    """Where parts come from.

    Parameters
    ----------
    series : mapping of kind to str
        Preferred-value series of each kind ("E12"); a kind left out is not bought by series.
    wire_m : float
        Bare wire diameter of coils bought by series.
    dielectric : str
        What capacitors bought by series are made of, see `optimizer.stock.stock.LOSS_TANGENTS`.
    join : int
        Most pieces joined to one part.
    shelf : tuple of Path
        Lists of pieces that are owned.
    bought : tuple of Path
        Lists of what a shop keeps.
    pair : bool
        Whether the pieces must serve two speakers built alike.
    counted : mapping of Path to str
        Texts that are read instead of lists of what is owned: with other counts, as pieces that are
        in the speaker already are at hand for it.
    """

    series: Mapping[Kind, str] = field(default_factory=lambda: dict.fromkeys(KINDS, DEFAULT_SERIES))
    wire_m: float = DEFAULT_WIRE_M
    dielectric: str = "polypropylene"
    join: int = 1
    shelf: tuple[Path, ...] = ()
    bought: tuple[Path, ...] = ()
    pair: bool = False
    counted: Mapping[Path, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsChoice:
    """What one speaker may have at most, or not at all.

    Parameters
    ----------
    price : tuple of (float, str) or None
        Amount and currency of its new parts; the currency is empty where none is named.
    pieces, copper_kg
        See `NetworkLimits`.
    height_m, only, without
        See `Terms`.
    """

    price: tuple[float, str] | None = None
    pieces: float | None = None
    copper_kg: float | None = None
    height_m: float | None = None
    only: tuple[str, ...] = ()
    without: tuple[str, ...] = ()

    @property
    def sums(self) -> NetworkLimits:
        """Those that add up over the parts."""
        return NetworkLimits(
            price=None if self.price is None else self.price[0],
            pieces=self.pieces,
            copper_kg=self.copper_kg,
        )

    @property
    def terms(self) -> Terms:
        """Those that each part keeps by itself."""
        return Terms(only=self.only, without=self.without, height_m=self.height_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchChoice:
    """How long to look and how much to show; the command line may override each."""

    seconds: float = 10.0
    seed: int = 1
    top: int = 5
    by: Literal["verdicts", "cost"] = "verdicts"


@dataclass(frozen=True, slots=True, kw_only=True)
class GridChoice:
    """The grid everything is computed on.

    Parameters
    ----------
    band_hz : tuple of float
        First and last frequency.
    per_octave : float
        Points per octave.
    """

    band_hz: tuple[float, float] = (20.0, 20000.0)
    per_octave: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A design file, read and checked as far as that goes without the measurements.

    Parameters
    ----------
    path : Path
        The file.
    title : str
        The speaker's name.
    measured : MeasuringChoice
        How the responses were taken.
    drivers : tuple of DesignDriver
        In the order of the file.
    topology : Topology
        The ways, in the order of the file.
    goals : GoalChoice
        What is wanted.
    wired : tuple of WiredDrivers
        Drivers that one way feeds together; the way names them as one.
    crossings : tuple of CrossoverRange
        Where ways may meet.
    amplifier : AmplifierChoice
        What drives the speaker.
    together : Path or None
        Response of all drivers driven at once.
    board : BoardChoice or None
        The old board that the network begins from.
    stock : StockChoice
        Where parts come from.
    limits : LimitsChoice
        What one speaker may have at most.
    search : SearchChoice
        Budget, seed, number of candidates.
    grid : GridChoice
        The shared grid.
    notes : tuple of str
        What was assumed because the file does not say it.
    spots : mapping of str to Where
        Where each dotted key stands, for errors found later.
    """

    path: Path
    title: str
    measured: MeasuringChoice = field(default_factory=MeasuringChoice)
    drivers: tuple[DesignDriver, ...]
    topology: Topology
    goals: GoalChoice
    wired: tuple[WiredDrivers, ...] = ()
    crossings: tuple[CrossoverRange, ...] = ()
    amplifier: AmplifierChoice = field(default_factory=AmplifierChoice)
    together: Path | None = None
    board: BoardChoice | None = None
    stock: StockChoice = field(default_factory=StockChoice)
    limits: LimitsChoice = field(default_factory=LimitsChoice)
    search: SearchChoice = field(default_factory=SearchChoice)
    grid: GridChoice = field(default_factory=GridChoice)
    notes: tuple[str, ...] = ()
    spots: Mapping[str, Where] = field(default_factory=dict, repr=False)

    __repr__ = brief

    def where(self, key: str) -> Where:
        """Find the spot of a dotted key, or of the closest block around it."""
        around = key
        while around and around not in self.spots:
            around = re.sub(r"(\.[^.]*|\[\d+\])$", "", around) if "." in around else ""
        spot = self.spots.get(around, self.spots.get("board"))
        if spot is None:
            return Where(file=str(self.path), line=1, key=key)
        return Where(file=spot.file, line=spot.line, key=key)
