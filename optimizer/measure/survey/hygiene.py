"""What looks wrong with measurements, said in plain words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from optimizer.arrays import Real
from optimizer.errors import Subject, explain
from optimizer.measure.curve import Direction, MeasuredCurve
from optimizer.measure.curves.excess import ExcessDelay, find_excess_delay
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.readings import DriverFiles, FileReading, Folder
from optimizer.measure.survey.impedance import ImpedanceSurvey
from optimizer.measure.survey.shape import Shape
from optimizer.text.brief import brief
from optimizer.text.units import say_hz

NOISY_DB = 0.6
LEVEL_STEP_DB = 1.5
PAIR_DB = 0.5
"""Impedances of a pair that differ by more, 6 %, are worth a word; drivers of one kind mostly lie
within 5 % of each other (common practice, no source)."""
PLAUSIBLE_DB = (60.0, 115.0)
_PER_OCTAVE = 12


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that looks wrong, or that should be known.

    Parameters
    ----------
    severity : {"error", "warning", "note"}
        Error: results will be wrong. Warning: they may be. Note: worth knowing.
    where : str
        File or driver.
    what : str
        The finding.
    remedy : str
        What to do.
    by_stating : tuple of Subject
        What the remedy asks to state, see `optimizer.errors.InputError`.
    """

    severity: Literal["error", "warning", "note"]
    where: str
    what: str
    remedy: str = ""
    by_stating: tuple[Subject, ...] = ()

    __repr__ = brief

    def explained(self, written: Callable[[Subject], str]) -> Finding:
        """Return the same finding, whose remedy says how it is written at an edge."""
        remedy, left = explain(self.remedy, self.by_stating, written)
        return replace(self, remedy=remedy, by_stating=left)


def inspect_reading(folder: Folder) -> Iterator[Finding]:
    """Say which files may have been read wrongly, or were refused, and what settles it.

    Parameters
    ----------
    folder : Folder
        The files.

    Yields
    ------
    Finding
    """
    for reading in folder.files:
        refusal = reading.refusal
        if refusal is not None and refusal.by_stating:
            yield Finding(
                "warning",
                reading.path,
                f"is not read: {'; '.join(reading.because)}",
                refusal.remedy or "",
                by_stating=refusal.by_stating,
            )
        if reading.rival:
            yield Finding(
                "note",
                reading.rival,
                f"is taken, not {reading.path}, which has the same place",
                "say so if the other one counts",
                by_stating=(Subject("file", f"{reading.rival}=ignore", "role"),),
            )
        name = reading.path.rsplit("/", 1)[-1]
        for doubt in reading.curve.doubts if reading.curve is not None else ():
            yield Finding(
                "warning" if doubt.serious else "note",
                reading.path,
                doubt.what,
                "say so if its columns are others",
                by_stating=(Subject("file", f"{name}={doubt.columns}", "columns"),),
            )


def inspect_driver(
    files: DriverFiles, shape: Shape, electrical: ImpedanceSurvey | None
) -> Iterator[Finding]:
    """Look at the files of one driver.

    Parameters
    ----------
    files : DriverFiles
        With at least one response.
    shape : Shape
        Of the response on axis.
    electrical : ImpedanceSurvey or None
        Of its impedance.

    Yields
    ------
    Finding
    """
    for reading in files.responses.values():
        if reading.curve is not None:
            yield from _inspect_curve(reading, reading.curve)
    first = next(iter(files.responses.values()))
    if first.curve is not None:
        yield from _inspect_phase(first, first.curve)
    yield from _inspect_noise(first, shape)
    yield from _inspect_smoothing(first, shape)
    yield from _inspect_gate(first)
    yield from _inspect_angles(files)
    yield from _inspect_pair(files, shape)
    if files.impedance is None:
        yield Finding(
            "warning",
            files.name,
            "has no impedance: a passive network cannot be computed without it",
            "measure its impedance, mounted",
        )
    elif electrical is not None:
        yield from _inspect_match(files, shape, electrical)


def _inspect_curve(reading: FileReading, response: MeasuredCurve) -> Iterator[Finding]:
    """Clipped tops, repeated values, implausible level."""
    level = response.level_db
    top = float(level.max())
    flat = np.flatnonzero(np.abs(level - top) < 1e-9)
    runs = np.split(flat, np.flatnonzero(np.diff(flat) > 1) + 1)
    run = max(runs, key=len)
    longest = len(run)
    # A level that only tends to a limit has no edge; one that was cut off has.
    beside = [level[i] for i in (run[0] - 1, run[-1] + 1) if 0 <= i < len(level)]
    edge = max((top - float(value) for value in beside), default=0.0)
    if longest >= 8 and edge > 0.01 and np.ptp(level) > 3.0:
        yield Finding(
            "warning",
            reading.path,
            f"stays at exactly {top:.1f} dB over {longest} points: clipped or cut off",
            "measure again at a lower level",
        )
    if any("clipped" in note for note in response.notes):
        yield Finding(
            "warning",
            reading.path,
            "has samples at full scale: probably clipped",
            "measure again at a lower level",
        )


def _inspect_phase(reading: FileReading, response: MeasuredCurve) -> Iterator[Finding]:
    """Phase too coarse to follow, or with the wrong sign."""
    if not response.has_phase:
        yield Finding(
            "note",
            reading.path,
            "has no phase: minimum phase is taken",
            "export the phase too, if it was measured",
        )
        return
    f = response.frequency_hz
    step = np.angle(response.value[1:] / response.value[:-1])
    loud = response.level_db[1:] > np.median(response.level_db) - 20.0
    inside = loud & (f[1:] < 15000.0)
    if np.count_nonzero(inside) and np.mean(np.abs(step[inside]) > 2.0) > 0.02:
        yield Finding(
            "warning",
            reading.path,
            "its phase turns too far from point to point to be followed",
            "remove the time of flight before exporting, or export more points",
        )
        return
    straight, mirrored = _both_signs(response)
    if mirrored.remainder_rad < 0.5 * straight.remainder_rad and straight.remainder_rad > 0.4:
        yield Finding(
            "error",
            reading.path,
            "its phase runs the wrong way: with the opposite sign it is the minimum "
            "phase of its level",
            "export the phase with lag negative",
        )
        return


def _both_signs(response: MeasuredCurve) -> tuple[ExcessDelay, ExcessDelay]:
    low, high = response.range_hz
    # The minimum phase is best known in the middle of the data.
    band = (max(low * 2.0, 100.0), min(high / 2.0, 8000.0))
    if band[1] < 2.0 * band[0]:
        band = (low, high)
    opposite = replace(response, value=np.conj(response.value))
    return (
        find_excess_delay(response, band_hz=band),
        find_excess_delay(opposite, band_hz=band),
    )


def _inspect_noise(reading: FileReading, shape: Shape) -> Iterator[Finding]:
    if shape.noise_db > NOISY_DB:
        yield Finding(
            "warning",
            reading.path,
            f"is noisy: neighbouring points scatter by {shape.noise_db:.1f} dB",
            "measure again, louder or with more averages; or smooth to 1/24 octave",
        )
    low, high = PLAUSIBLE_DB
    if not low <= shape.level_db <= high:
        yield Finding(
            "note",
            reading.path,
            f"lies at {shape.level_db:.0f} dB: the level is not that of a driver at "
            "2.83 V and 1 m, so sensitivity has no meaning",
            "state voltage and distance, or calibrate the level",
        )


def _inspect_smoothing(reading: FileReading, shape: Shape) -> Iterator[Finding]:
    """Compare the width of each peak with the smoothing a file states."""
    n = reading.smoothing
    if n is None:
        return
    hidden = [p for p in shape.peaks if p.height_db > 2.0 and 1.0 / n > 0.7 / p.q]
    if n < 12:
        yield Finding(
            "warning",
            reading.path,
            f"is smoothed to 1/{n:g} octave: peaks narrower than Q {0.7 * n:.0f} do not "
            "show, and a notch cannot be fitted to them",
            "export again with 1/24 octave or less",
        )
        return
    if hidden:
        p = hidden[0]
        yield Finding(
            "note",
            reading.path,
            f"is smoothed to 1/{n:g} octave, as wide as its peak at "
            f"{say_hz(p.frequency_hz)} (Q {p.q:.0f}): the true peak is higher and narrower",
            "export again with less smoothing before fitting a notch",
        )
        return


def _inspect_gate(reading: FileReading) -> Iterator[Finding]:
    if reading.gate_s is None or reading.curve is None:
        return
    limit = 1.0 / reading.gate_s
    if limit < 1.05 * reading.curve.range_hz[0]:
        return
    yield Finding(
        "warning",
        reading.path,
        f"was gated to {reading.gate_s * 1e3:.1f} ms: below {say_hz(limit)} it shows the "
        "window, not the driver",
        "join a near-field measurement, or set no goal below that frequency",
    )


def _inspect_angles(files: DriverFiles) -> Iterator[Finding]:
    """Directions that are copies, mixed up, or of another level."""
    readings = {d: r for d, r in files.responses.items() if r.curve is not None}
    if len(readings) < 2:
        return
    curves = _on_one_grid([r.curve for r in readings.values() if r.curve is not None])
    if curves is None:
        return
    grid, levels = curves
    order = list(readings)
    axis = levels[0]
    for index, direction in enumerate(order[1:], start=1):
        where = readings[direction].path
        mirror = Direction(
            horizontal_deg=-direction.horizontal_deg, vertical_deg=-direction.vertical_deg
        )
        if mirror in readings and mirror != direction:
            twin = order.index(mirror)
            if twin < index and np.abs(levels[twin] - levels[index]).max() < 1e-6:
                yield Finding(
                    "note",
                    where,
                    f"is a copy of {readings[mirror].path}: mirrored, not measured",
                    "state mirror symmetry instead, so that reports say so",
                )
        bottom = grid < 2.0 * grid[0]
        step = float(np.median((levels[index] - axis)[bottom]))
        near = abs(direction.horizontal_deg) + abs(direction.vertical_deg) <= 60.0
        if near and abs(step) > LEVEL_STEP_DB + 1.0 and grid[0] < 400.0:
            yield Finding(
                "warning",
                where,
                f"is {step:+z.1f} dB against the reference axis at low frequency, where "
                "all directions should meet",
                "measure all directions at one level and distance",
            )
    treble = levels[:, grid > 0.25 * grid[-1]].mean(axis=1)
    best = int(np.argmax(treble))
    if best != 0 and treble[best] > treble[0] + 2.0:
        yield Finding(
            "warning",
            readings[order[0]].path,
            f"is not the loudest direction in the treble: {order[best]} is "
            f"{treble[best] - treble[0]:.1f} dB louder",
            "check which file is on axis",
        )


def _inspect_pair(files: DriverFiles, shape: Shape) -> Iterator[Finding]:
    """Compare left and right cabinet."""
    for direction, other in files.other_side.items():
        this = files.responses.get(direction)
        if this is None or this.curve is None or other.curve is None:
            continue
        curves = _on_one_grid([this.curve, other.curve])
        if curves is None:
            continue
        grid, levels = curves
        inside = (grid >= shape.usable_hz[0]) & (grid <= shape.usable_hz[1])
        if np.count_nonzero(inside) < 6:
            continue
        difference = (levels[1] - levels[0])[inside]
        mean, rest = float(difference.mean()), float(difference.std())
        if abs(mean) > 1.0 or rest > 1.0:
            worst = int(np.argmax(np.abs(difference)))
            yield Finding(
                "warning",
                other.path,
                f"differs from {this.path} by {mean:+z.1f} dB and {rest:.1f} dB rms, most "
                f"at {say_hz(grid[inside][worst])} ({difference[worst]:+z.1f} dB)",
                "compare the drivers and the position of the microphone",
            )
    yield from _inspect_impedances(files)


def _inspect_impedances(files: DriverFiles) -> Iterator[Finding]:
    """Compare the impedances of left and right cabinet."""
    this, other = files.impedance, files.other_impedance
    if this is None or other is None or this.curve is None or other.curve is None:
        return
    curves = _on_one_grid([this.curve, other.curve])
    if curves is None:
        return
    grid, levels = curves
    difference = levels[1] - levels[0]
    worst = int(np.argmax(np.abs(difference)))
    if float(difference.std()) <= PAIR_DB and abs(float(difference.mean())) <= PAIR_DB:
        return
    share = 100.0 * (10.0 ** (difference[worst] / 20.0) - 1.0)
    yield Finding(
        "warning",
        other.path,
        f"differs from {this.path} most at {say_hz(grid[worst])}, by {share:+z.0f} %: one "
        "network will not do the same in both cabinets",
        "compare the drivers, the seal of the cabinets and the damping in them",
    )


def _inspect_match(
    files: DriverFiles, shape: Shape, electrical: ImpedanceSurvey
) -> Iterator[Finding]:
    """Whether the impedance can belong to the response: resonance against lower corner."""
    resonance, corner = electrical.resonance_hz, shape.low.corner_hz
    if resonance is None or corner is None or files.impedance is None:
        return
    if shape.low.order != 2 or electrical.box == "vented":
        return
    if 0.35 <= resonance / corner <= 2.8:
        return
    yield Finding(
        "warning",
        files.impedance.path,
        f"has its resonance at {say_hz(resonance)}, but the response of {files.name} "
        f"falls off at {say_hz(corner)}: it may belong to another driver or mounting",
        "measure impedance and response in the same cabinet, or correct the file names",
    )


def _on_one_grid(responses: list[MeasuredCurve]) -> tuple[Real, Real] | None:
    """Levels of several curves on their common range, shape (F,) and (N, F)."""
    low = max(r.range_hz[0] for r in responses)
    high = min(r.range_hz[1] for r in responses)
    if high < 2.0 * low:
        return None
    grid = np.geomspace(low, high, int(np.log2(high / low) * _PER_OCTAVE))
    thin = [thin_response(r) for r in responses]
    return grid, np.array([interpolate_log(r.frequency_hz, r.level_db, grid) for r in thin])
