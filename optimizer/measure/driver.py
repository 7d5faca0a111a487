"""A driver: one response per direction and one impedance on one shared grid."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.measure.curve import (
    ON_AXIS,
    Coverage,
    Direction,
    MeasuredCurve,
    parse_direction,
)
from optimizer.measure.curves.grid import Resampled, log_grid, resample
from optimizer.measure.curves.phase import minimum_phase
from optimizer.measure.files.open import open_curve
from optimizer.text.brief import clip
from optimizer.text.units import db_to_ratio, format_quantity, ratio_to_db

REFERENCE_VOLTS = 2.83
"""Voltage that sensitivity is stated for: 1 W into 8 ohm, rounded as the trade does."""

STANDARD_GRID_HZ = log_grid(20.0, 20000.0, 20.0)
"""Grid of problems that state none."""
STANDARD_GRID_HZ.setflags(write=False)

File = str | os.PathLike[str]
"""Name of a file or folder."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a driver stands.

    Parameters
    ----------
    watts : float or None
        Rated programme-noise power in W.
    lowest_hz : float or None
        Lowest frequency it should be asked to play, in Hz.
    highest_hz : float or None
        Highest frequency it should be asked to play, in Hz.
    excursion_m : float or None
        Excursion to one side that it stands, in m (peak).
    force_factor_tm : float or None
        Force factor Bl in T m, for estimates of excursion.
    resistance_ohm : float or None
        Resistance of the voice coil at direct current, for the same.
    """

    watts: float | None = None
    lowest_hz: float | None = None
    highest_hz: float | None = None
    excursion_m: float | None = None
    force_factor_tm: float | None = None
    resistance_ohm: float | None = None


Wired = Literal["parallel", "series"]

Leads = Literal["well", "turned", "open", "shorted"]
"""How a driver is connected: as it should be, plus and minus exchanged, not at all (or its coil is
burnt), or with both leads bridged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WiredDrivers:
    """Which drivers one way feeds together.

    Parameters
    ----------
    names : tuple of str
        At least two; one may stand there twice.
    wired : {"parallel", "series"}
        How they are wired together.
    """

    names: tuple[str, ...]
    wired: Wired = "parallel"

    @property
    def together(self) -> str:
        """What they are called together: "upper&lower" in parallel, "upper+lower" in series."""
        return ("+" if self.wired == "series" else "&").join(self.names)


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """A driver mounted in its cabinet, raw, on the grid of the problem.

    Parameters
    ----------
    name : str
        The user's name for it ("woofer").
    frequency_hz : ndarray, shape (F,)
        The shared grid in Hz.
    directions : tuple of Direction, length A
        Directions of the rows of `pressure`; the reference axis comes first.
    pressure : ndarray, shape (A, F), complex
        Pressure at 1 m for 2.83 V at the terminals, re 20 uPa.
    impedance : ndarray, shape (F,), complex
        Impedance in ohm.
    place_m : tuple of float
        (up, right, back) from the reference axis in m.
    diaphragm_m : float or None
        Effective diameter in m.
    limits : Limits
        What it stands.
    coverage : tuple of Coverage
        One for each response, then one for the impedance.
    notes : tuple of str
        Everything assumed on the way ("phase from minimum phase").
    estimated : tuple of Direction
        Directions that were not measured but estimated from geometry.
    wired : WiredDrivers or None
        The drivers it stands for, where one way feeds several.
    members : tuple of Driver
        These drivers themselves, in the same order.
    leads : tuple of {"well", "turned", "open", "shorted"}
        How each of these, or itself, is connected; all well when empty.
    """

    name: str
    frequency_hz: Real
    directions: tuple[Direction, ...]
    pressure: Complex
    impedance: Complex
    place_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    diaphragm_m: float | None = None
    limits: Limits = Limits()
    coverage: tuple[Coverage, ...] = ()
    notes: tuple[str, ...] = ()
    estimated: tuple[Direction, ...] = ()
    wired: WiredDrivers | None = None
    # What they do together is in the other fields: these add nothing that two could differ in.
    members: tuple[Driver, ...] = field(default=(), compare=False)
    leads: tuple[Leads, ...] = field(default=(), compare=False)

    @classmethod
    def from_curves(
        cls,
        name: str,
        responses: Mapping[Direction, MeasuredCurve],
        impedance: MeasuredCurve,
        *,
        grid_hz: Real | None = None,
        volts: float = REFERENCE_VOLTS,
        metres: float = 1.0,
        level_db: float = 0.0,
        delay_s: float = 0.0,
        place_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
        diaphragm_m: float | None = None,
        limits: Limits | None = None,
        notes: Sequence[str] = (),
    ) -> Driver:
        """Bring measured curves onto one grid, at 1 m for 2.83 V.

        Parameters
        ----------
        name : str
            The user's name for it.
        responses : mapping of Direction to MeasuredCurve
            Sound pressures, reference axis first; one without phase gets its minimum phase.
        impedance : MeasuredCurve
            Its impedance.
        grid_hz : ndarray, shape (F,), optional
            The shared grid; 20 points per octave from 20 Hz to 20 kHz by default.
        volts, metres : float
            Voltage and distance the responses were taken with.
        level_db, delay_s : float
            Added by hand: to all levels, and how much later it arrives.
        place_m, diaphragm_m, limits
            As in `Driver`.
        notes : sequence of str
            What was assumed before this point.

        Returns
        -------
        Driver

        Raises
        ------
        InputError
            About its response or its impedance, when a curve does not meet the grid.
        """
        grid = STANDARD_GRID_HZ if grid_hz is None else grid_hz
        said = list(notes)
        moved_db = ratio_to_db(REFERENCE_VOLTS / volts) + ratio_to_db(metres)
        factor = db_to_ratio(moved_db + level_db) * np.exp(-2j * np.pi * grid * delay_s)
        rows = [
            _resample(r, grid, Subject("driver", name, "response"), said)
            for r in responses.values()
        ]
        load = _resample(impedance, grid, Subject("driver", name, "impedance"), said)
        if delay_s:
            said.append(f"{format_quantity(delay_s, 's')} of delay added by hand")
        if level_db:
            said.append(f"{level_db:+g} dB added by hand")
        if abs(moved_db) > 1e-9:
            said.append(f"levels moved by {moved_db:+z.2f} dB to {REFERENCE_VOLTS} V and 1 m")
        pressure = np.array([row.value * factor for row in rows])
        pressure.setflags(write=False)
        return cls(
            name=name,
            frequency_hz=grid,
            directions=tuple(responses),
            pressure=pressure,
            impedance=load.value,
            place_m=place_m,
            diaphragm_m=diaphragm_m,
            limits=limits or Limits(),
            coverage=tuple(one.coverage for one in (*rows, load)),
            notes=gather_notes(said),
        )

    @classmethod
    def from_files(
        cls,
        name: str,
        *,
        response: File | Mapping[str | float | Direction, File],
        impedance: File,
        gate_s: float | None = None,
        grid_hz: Real | None = None,
        volts: float = REFERENCE_VOLTS,
        metres: float = 1.0,
        level_db: float = 0.0,
        delay_s: float = 0.0,
        place_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
        diaphragm_m: float | None = None,
        limits: Limits | None = None,
    ) -> Driver:
        """Read the measurements of one driver.

        Parameters
        ----------
        name : str
            The user's name for it.
        response : path-like or mapping
            The response on axis, or one for each direction: ``{0: FILE, "30 right": FILE}``. All
            drivers of a speaker need the same directions, and files that share one time zero.
        impedance : path-like
            Its impedance.
        gate_s : float, optional
            Gate of impulse responses; found from their first reflection by default.
        grid_hz, volts, metres, level_db, delay_s, place_m, diaphragm_m, limits
            As in `from_curves`.

        Returns
        -------
        Driver

        Raises
        ------
        InputError
            A file that is missing or damaged, or no response on the reference axis.
        """
        files = response if isinstance(response, Mapping) else {0: response}
        directed = {
            angle if isinstance(angle, Direction) else parse_direction(_say_angle(angle)): file
            for angle, file in files.items()
        }
        if ON_AXIS not in directed:
            raise InputError(
                "a response on the reference axis is needed",
                subject=Subject("driver", name, "directions"),
                value=", ".join(map(str, directed)) or "none",
            )
        order = sorted(directed, key=lambda direction: direction != ON_AXIS)
        curves = {
            direction: open_curve(
                Path(directed[direction]), "pressure", direction=direction, gate_s=gate_s
            )
            for direction in order
        }
        load = open_curve(Path(impedance), "impedance")
        return cls.from_curves(
            name,
            curves,
            load,
            grid_hz=grid_hz,
            volts=volts,
            metres=metres,
            level_db=level_db,
            delay_s=delay_s,
            place_m=place_m,
            diaphragm_m=diaphragm_m,
            limits=limits,
            notes=[
                f"{Path(curve.source).name}: {note}"
                for curve in (*curves.values(), load)
                for note in curve.notes
            ],
        )

    def __repr__(self) -> str:
        low, high = self.frequency_hz[0], self.frequency_hz[-1]
        return clip(
            f"<Driver {self.name}: {len(self.directions)} directions at "
            f"{len(self.frequency_hz)} frequencies, {low:.4g} to {high:.4g} Hz>"
        )


def gather_notes(notes: Iterable[str]) -> tuple[str, ...]:
    """Gather notes that differ in file names and numbers only into one with a count."""
    groups: dict[str, list[str]] = {}
    for note in notes:
        shape = re.sub(r"\d+(?:\.\d+)?", "#", re.sub(r"^\S+: ", "", note))
        groups.setdefault(shape, []).append(note)
    return tuple(
        group[0] + (f" (and {len(group) - 1} more like it)" if len(group) > 1 else "")
        for group in groups.values()
    )


def _say_angle(angle: str | float) -> str:
    return angle if isinstance(angle, str) else f"{angle:g}"


def _resample(curve: MeasuredCurve, grid: Real, subject: Subject, notes: list[str]) -> Resampled:
    """Bring one curve onto the grid; without phase it gets its minimum phase."""
    name = Path(curve.source).name
    try:
        if not curve.has_phase:
            phase = minimum_phase(curve.frequency_hz, curve.level_db)
            curve = replace(curve, value=np.abs(curve.value) * np.exp(1j * phase), has_phase=True)
            notes.append(f"{name}: no phase in the file, minimum phase taken")
        done = resample(curve, grid)
    except InputError as error:
        raise error.about(subject) from None
    # Where a file ends and how it goes on stands in `Coverage`, which every report shows.
    notes += [f"{name}: {note}" for note in done.notes if not note.startswith("not measured")]
    return done
