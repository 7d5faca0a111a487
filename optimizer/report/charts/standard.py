"""The charts of the trade, of one network: composed of its curves, nothing is computed here.

Layouts are those of the standards as they are known: averages and indices as ANSI/CTA-2034-A (2015)
shows them, over 50 dB with the indices below on an axis of their own; lengths of a decade and of a
decibel by IEC 60263. Neither text was at hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from optimizer.acoustics.averages import spread_band
from optimizer.arrays import Real
from optimizer.bench.response import InputLoad, Response
from optimizer.bench.tolerance.spread import CurveBand
from optimizer.goals import CrossoverRange
from optimizer.problem.candidate import Candidate, CurveSet
from optimizer.report.charts.plot import (
    AnyPlot,
    Axis,
    Curve,
    Mark,
    Plot,
    Polar,
    Ray,
    Region,
    Shade,
    Surface,
    dash_of,
    frequency_axis,
    level_axis,
    linear_axis,
    ohm_axis,
    tall_of,
)
from optimizer.report.words import say_frequency

Bands = Mapping[str, CurveBand]
"""Where curves of speakers built lie, by name of the curve."""

STEPS_DB = (-25.5, -22.5, -19.5, -16.5, -13.5, -10.5, -7.5, -4.5, -1.5, 1.5)
"""Steps of 3 dB around the level of the axis."""

POLAR_HZ = (500.0, 1000.0, 2000.0, 4000.0, 8000.0)

_AVERAGES = (
    ("on_axis", "on axis"),
    ("listening_window", "listening window"),
    ("early_reflections", "early reflections"),
    ("sound_power", "sound power"),
)
_INDICES = (
    ("directivity_index", "index of sound power"),
    ("early_reflections_index", "index of early reflections"),
)
_BUILT = "9 in 10 built"
_COMPLETED = "8 in 10, as completed"
_SPAN_DB = 50.0
_FAMILY_DEG = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 75.0, 90.0, 120.0, 150.0, 180.0)
_MOST_IN_FAMILY = 9
_FEWEST_IN_FAMILY = 2
_SIDES = {"horizontal": ("right", "left"), "vertical": ("up", "down")}
_MOSTLY = "mostly completed"


def list_plots(
    candidate: Candidate,
    response: Response,
    *,
    bands: Bands | None = None,
    crossings: Sequence[CrossoverRange] = (),
    floor_ohm: float | None = None,
    polar_hz: Sequence[float] = POLAR_HZ,
) -> tuple[AnyPlot, ...]:
    """Compose every chart that the data of a network allow.

    Parameters
    ----------
    candidate : Candidate
        Its levels and its load.
    response : Response
        Phase, time and directions.
    bands : mapping of str to CurveBand, optional
        Tolerance bands of levels and of the impedance.
    crossings : sequence of CrossoverRange
        Where ways may meet.
    floor_ohm : float, optional
        Smallest impedance that is asked for.
    polar_hz : sequence of float
        Frequencies of the polar charts.

    Returns
    -------
    tuple of Plot or Polar
    """
    known = bands or {}
    around = _Around(candidate, response)
    return (
        plot_axis(candidate, known, crossings),
        *plot_averages(candidate, known),
        *around.families(),
        *around.maps(),
        *around.polars(polar_hz),
        plot_impedance(candidate, response.load, known, floor_ohm),
        plot_phase(candidate, response),
        plot_delay(candidate, response),
        plot_step(candidate, response),
    )


def say_left_out(plots: Sequence[AnyPlot]) -> str:
    """Say which charts the data did not allow, and why; empty where all are there."""
    drawn = {one.key for one in plots}
    if "averages" not in drawn:
        return (
            "Not drawn, since the axis alone was measured: averages over directions, curves off the "
            "axis, level over angle, polar."
        )
    sides = [
        side for plane, both in _SIDES.items() for side in both if f"{plane}-{side}" not in drawn
    ]
    if not sides:
        return ""
    return f"Not drawn, since no direction was measured there: curves off the axis, {', '.join(sides)}."


# --- over frequency, on the axis ----------------------------------------------------------------


def plot_axis(
    candidate: Candidate,
    bands: Bands,
    crossings: Sequence[CrossoverRange] = (),
    *,
    span_db: float = _SPAN_DB,
) -> Plot:
    """Sum, target and every way on the axis."""
    curves, across = candidate.curves, frequency_axis()
    f, total = curves.frequency_hz, curves.named_db["on_axis"]
    lines = [
        Curve(name=way.name, x=f, y=curves.way_db[k], role=f"way {k + 1}", dash=dash_of(k + 1))
        for k, way in enumerate(candidate.network.ways)
    ]
    regions = []
    if curves.target_db is not None:
        lines.append(Curve(name="target", x=f, y=curves.target_db, role="target", dash=(6, 5)))
        low, high = curves.target_band_hz or (f[0], f[-1])
        regions = [
            Region(name="outside the goal", low=across.low, high=float(low), outside=True),
            Region(name="", low=float(high), high=across.high, outside=True),
        ]
        regions = [one for one in regions if one.high > one.low * 1.001]
    lines.append(Curve(name="sum", x=f, y=total, role="sum", width=2.6))
    up = level_axis([total], span_db)
    return Plot(
        key="response",
        title="Response on the axis",
        text="Level at 1 m for 2.83 V, with every way alone and where ways meet.",
        across=across,
        up=up,
        tall=tall_of(up, across),
        curves=tuple(lines),
        bands=_built(bands, "on_axis", f),
        marks=mark_crossovers(candidate),
        regions=(*regions, *_corridors(crossings)),
    )


def mark_crossovers(candidate: Candidate) -> tuple[Mark, ...]:
    """Mark where neighbouring ways meet in level."""
    found = sorted({round(hz, 3) for _, hz in candidate.crossovers_hz if hz is not None})
    return tuple(Mark(name=say_frequency(hz), at=hz) for hz in found)


def _corridors(crossings: Sequence[CrossoverRange]) -> tuple[Region, ...]:
    across = frequency_axis()
    stated = [c for c in crossings if c.low_hz is not None or c.high_hz is not None]
    return tuple(
        Region(
            name="" if k else "where ways may meet",
            low=max(one.low_hz or across.low, across.low),
            high=min(one.high_hz or across.high, across.high),
        )
        for k, one in enumerate(stated)
    )


def _built(bands: Bands, name: str, f: Real, said: str = _BUILT) -> tuple[Shade, ...]:
    """Make the tolerance band of a level."""
    if name not in bands:
        return ()
    one = bands[name]
    return (Shade(name=said, x=f, low=one.low_db, high=one.high_db),)


def plot_averages(candidate: Candidate, bands: Bands) -> tuple[Plot, ...]:
    """Draw averages over directions, and both directivity indices on an axis of their own."""
    curves = candidate.curves
    if "listening_window" not in curves.named_db:
        return ()
    f, across = curves.frequency_hz, frequency_axis()
    lines: list[Curve] = []
    for k, (name, said) in enumerate(_AVERAGES):
        lines.append(
            Curve(
                name=_name_completed(curves, name, said),
                x=f,
                y=curves.named_db[name],
                role="sum" if k == 0 else f"average {k}",
                dash=dash_of(k),
                width=2.4 if k == 0 else 1.8,
            )
        )
    for k, (name, said) in enumerate(_INDICES):
        if name not in curves.directivity_db:
            continue
        lines.append(
            Curve(
                name=_name_completed(curves, name, said),
                x=f,
                y=curves.directivity_db[name],
                role=f"average {3 - k}",
                dash=dash_of(3 - k),
                width=1.4,
                right=True,
            )
        )
    shades = list(_built(bands, "on_axis", f))
    shades += [
        Shade(name=_BUILT if not shades and not k else "", x=f, low=one.low_db, high=one.high_db)
        for k, one in enumerate(bands[n] for n, _ in _AVERAGES[1:] if n in bands)
    ]
    shades += _completed_bands(curves)
    up = level_axis([curves.named_db["on_axis"]], _SPAN_DB)
    low = -5.0
    indices = linear_axis("index", "dB", low, low + _SPAN_DB, 5.0)
    shown = tuple(
        t if v <= 20.0 else "" for v, t in zip(indices.ticks, indices.labels, strict=True)
    )
    right = Axis(
        name="directivity index",
        unit="index, dB",
        low=indices.low,
        high=indices.high,
        ticks=indices.ticks,
        labels=shown,
    )
    return (
        Plot(
            key="averages",
            title="Averages over directions and directivity indices",
            text="Level at 1 m for 2.83 V on the left axis; below, on the right axis, listening "
            "window less sound power and less early reflections.",
            across=across,
            up=up,
            right=right,
            tall=tall_of(up, across),
            curves=tuple(lines),
            bands=tuple(shades),
            marks=mark_crossovers(candidate),
        ),
    )


def _name_completed(curves: CurveSet, name: str, said: str) -> str:
    mostly = curves.completed is not None and name in curves.completed.mostly
    return f"{said}, {_MOSTLY}" if mostly else said


def _completed_bands(curves: CurveSet) -> list[Shade]:
    """Bands within which completed averages are known."""
    if curves.completed is None:
        return []
    f = curves.frequency_hz
    shades: list[Shade] = []
    for name, right in (("sound_power", False), ("directivity_index", True)):
        band = curves.completed.band_db.get(name)
        level = (curves.directivity_db if right else curves.named_db).get(name)
        if band is None or level is None:
            continue
        half = spread_band(band, f)
        said = "" if shades else _COMPLETED
        shades.append(
            Shade(name=said, x=f, low=level - half, high=level + half, right=right, faint=True)
        )
    return shades


# --- in every direction -------------------------------------------------------------------------


class _Around:
    """Charts over angle."""

    def __init__(self, candidate: Candidate, response: Response) -> None:
        self.curves = candidate.curves
        self.candidate = candidate
        self.around = response.around
        self.f = self.curves.frequency_hz
        self.drawn = "listening_window" in self.curves.named_db

    def _plane(self, plane: str) -> dict[float, int]:
        """Rows by angle, from -180 to 180; straight behind is at both ends."""
        rows: dict[float, int] = {}
        other = "vertical_deg" if plane == "horizontal" else "horizontal_deg"
        for row, one in enumerate(self.around.directions):
            if getattr(one, other) == 0.0:
                rows.setdefault(getattr(one, f"{plane}_deg"), row)
        behind = [
            row
            for row, one in enumerate(self.around.directions)
            if 180.0 in (abs(one.horizontal_deg), abs(one.vertical_deg))
        ]
        for row in behind[:1]:
            rows.setdefault(180.0, row)
            rows.setdefault(-180.0, row)
        return dict(sorted(rows.items()))

    def families(self) -> list[Plot]:
        """Measured curves of one side each, raw and against the axis."""
        if not self.drawn:
            return []
        plots = []
        for plane, sides in _SIDES.items():
            for sign, side in zip((1.0, -1.0), sides, strict=True):
                plots += self._family(plane, sign, side)
        return plots

    def _family(self, plane: str, sign: float, side: str) -> list[Plot]:
        measured = {
            abs(angle): row
            for angle, row in self._plane(plane).items()
            if self.around.measured[row] and (sign * angle >= 0.0)
        }
        if plane == "vertical" or set(measured) == {0.0, 180.0}:
            measured.pop(180.0, None)  # straight behind is no side of its own
        chosen = _choose(list(measured))
        if len(chosen) < _FEWEST_IN_FAMILY:
            return []
        across, axis_db = frequency_axis(), self.curves.named_db["on_axis"]
        plots = []
        for normalised in (False, True):
            lines = tuple(
                Curve(
                    name=f"{angle:g}° {side}" if angle else "on axis",
                    x=self.f,
                    y=self.around.level_db[measured[angle]] - (axis_db if normalised else 0.0),
                    role="sum" if not angle else f"average {1 + (k - 1) % 4}",
                    dash=dash_of(k),
                    width=2.4 if not angle else 1.5,
                    at_end=f"{angle:g}°",
                )
                for k, angle in enumerate(chosen)
            )
            up = (
                linear_axis("level", "dB", -40.0, 10.0, 10.0)
                if normalised
                else level_axis([axis_db], _SPAN_DB)
            )
            against = ", against the axis" if normalised else ""
            plots.append(
                Plot(
                    key=f"{plane}-{side}{'-against-axis' if normalised else ''}",
                    title=f"Off the axis, {side}{against}",
                    text="Measured directions, in dB"
                    + (" against the axis." if normalised else " at 1 m for 2.83 V."),
                    across=across,
                    up=up,
                    tall=tall_of(up, across),
                    curves=lines,
                    marks=mark_crossovers(self.candidate),
                )
            )
        return plots

    def maps(self) -> list[Plot]:
        """Level over angle and frequency, against the axis."""
        if not self.drawn:
            return []
        plots = []
        for plane, ends in (("horizontal", "left to right"), ("vertical", "down to up")):
            rows = self._plane(plane)
            index = list(rows.values())
            level = self.around.level_db[index] - self.curves.named_db["on_axis"]
            angle = np.array(list(rows))
            plots.append(
                Plot(
                    key=f"map-{plane}",
                    title=f"Level over angle, {plane}",
                    text=f"In dB against the axis, {ends}, with lines at −3 and −6. Hatched: "
                    "completed, neither measured nor between measured angles.",
                    across=frequency_axis(),
                    up=linear_axis("angle", "°", -180.0, 180.0, 30.0),
                    tall=0.62,
                    surface=Surface(
                        x=self.f,
                        y=angle,
                        z=level,
                        unit="dB",
                        steps=STEPS_DB,
                        lines=((-3.0, ()), (-6.0, (5, 3))),
                        doubted=~self.around.told[index],
                    ),
                    marks=mark_crossovers(self.candidate),
                )
            )
        return plots

    def polars(self, polar_hz: Sequence[float]) -> list[Polar]:
        """Levels around the speaker at some frequencies, against the axis."""
        if not self.drawn:
            return []
        charts = []
        wanted = [hz for hz in polar_hz if self.f[0] <= hz <= self.f[-1]]
        for plane, ends in (
            ("horizontal", ("0°", "90° right", "180°", "90° left")),
            ("vertical", ("0°", "90° up", "180°", "90° down")),
        ):
            rows = self._plane(plane)
            index = list(rows.values())
            level = self.around.level_db[index] - self.curves.named_db["on_axis"]
            rays = tuple(
                Ray(
                    name=say_frequency(hz),
                    angle_deg=np.array(list(rows)),
                    level_db=level[:, int(np.argmin(np.abs(np.log(self.f / hz))))],
                    told=self.around.measured[index],
                    role=f"average {k + 1}",
                    dash=dash_of(k),
                )
                for k, hz in enumerate(wanted)
            )
            charts.append(
                Polar(
                    key=f"polar-{plane}",
                    title=f"Polar, {plane}",
                    text="Level around the loudspeaker in dB against the axis. Dots: measured; the "
                    "rest is completed.",
                    rays=rays,
                    ends=ends,
                )
            )
        return charts


def _choose(angles: list[float]) -> list[float]:
    """Choose angles for a family: the round ones, not too many."""
    if len(angles) <= _MOST_IN_FAMILY:
        return sorted(angles)
    chosen = [a for a in _FAMILY_DEG if a in angles]
    if len(chosen) < _FEWEST_IN_FAMILY + 1:
        chosen = sorted(angles)
    return [chosen[k] for k in np.unique(np.linspace(0, len(chosen) - 1, _MOST_IN_FAMILY).round())
            .astype(int).tolist()]  # fmt: skip


# --- load, phase and time -----------------------------------------------------------------------


def plot_impedance(
    candidate: Candidate, load: InputLoad, bands: Bands, floor_ohm: float | None = None
) -> Plot:
    """Modulus, phase, and the resistance that would heat an output stage as much."""
    f, across = candidate.curves.frequency_hz, frequency_axis()
    ohm = np.abs(candidate.curves.impedance)
    shades = []
    if "impedance" in bands:
        one = bands["impedance"]
        low, high = 10.0 ** (one.low_db / 20.0), 10.0 ** (one.high_db / 20.0)
        shades.append(Shade(name=_BUILT, x=f, low=low, high=high))
    for name, right in (("epdr_ohm", False), ("phase_deg", True)):
        if name in load.bands:
            low, high = load.bands[name]
            said = "" if shades else _BUILT
            shades.append(Shade(name=said, x=f, low=low, high=high, right=right, faint=right))
    marks = mark_crossovers(candidate)
    if floor_ohm:
        marks = (*marks, Mark(name=f"floor {floor_ohm:g} Ω", at=floor_ohm, along="up"))
    return Plot(
        key="load",
        title="Impedance, its phase, and EPDR",
        text="Ohms on the left axis, degrees on the right one. EPDR is the resistance that would "
        "heat a class-B output stage as much at its peak.",
        across=across,
        up=ohm_axis(min(float(load.epdr_ohm.min()), floor_ohm or np.inf), float(ohm.max())),
        right=linear_axis("phase", "phase, °", -90.0, 90.0, 30.0),
        tall=0.6,
        curves=(
            Curve(
                name="phase",
                x=f,
                y=load.phase_deg,
                role="average 1",
                dash=(7, 4),
                width=1.4,
                right=True,
            ),
            Curve(name="EPDR", x=f, y=load.epdr_ohm, role="average 2", dash=(2, 3)),
            Curve(name="impedance", x=f, y=ohm, role="sum", width=2.4),
        ),
        bands=tuple(shades),
        marks=marks,
    )


def plot_phase(candidate: Candidate, response: Response) -> Plot:
    """Phase of the sum and of each way on the axis."""
    f = response.frequency_hz
    lines = [
        Curve(
            name=way.name,
            x=f,
            y=_break_turns(response.way_phase_deg[k]),
            role=f"way {k + 1}",
            dash=dash_of(k + 1),
        )
        for k, way in enumerate(candidate.network.ways)
    ]
    lines.append(Curve(name="sum", x=f, y=_break_turns(response.phase_deg), role="sum", width=2.4))
    shades: tuple[Shade, ...] = ()
    if "phase_deg" in response.bands:
        low, high = response.bands["phase_deg"]
        gaps = np.isnan(_break_turns(response.phase_deg))
        low, high = np.where(gaps, np.nan, low), np.where(gaps, np.nan, high)
        shades = (Shade(name=_BUILT, x=f, low=low, high=high),)
    return Plot(
        key="phase-axis",
        title="Phase on the axis",
        text=f"Of the sum and of each way, {1e3 * response.arrival_s:.2f} ms of delay taken out.",
        across=frequency_axis(),
        up=linear_axis("phase", "°", -180.0, 180.0, 45.0),
        tall=0.5,
        curves=tuple(lines),
        bands=shades,
        marks=mark_crossovers(candidate),
    )


def _break_turns(phase_deg: Real) -> Real:
    """Leave a gap where a phase goes on at the other edge."""
    broken = phase_deg.copy()
    broken[1:][np.abs(np.diff(phase_deg)) > 180.0] = np.nan
    return broken


def plot_delay(candidate: Candidate, response: Response) -> Plot:
    """Group delay of the sum on the axis."""
    f, delay = response.frequency_hz, 1e3 * response.delay_s
    shown = delay[f >= 100.0] if (f >= 100.0).any() else delay
    high = float(np.clip(np.percentile(shown, 98.0) * 1.25, 1.0, 50.0))
    step = next(s for s in (0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if high / s <= 10.0)
    high = step * np.ceil(high / step)
    shades: tuple[Shade, ...] = ()
    if "delay_s" in response.bands:
        low_s, high_s = response.bands["delay_s"]
        shades = (Shade(name=_BUILT, x=f, low=1e3 * low_s, high=1e3 * high_s),)
    return Plot(
        key="delay",
        title="Group delay on the axis",
        text=f"Of the sum, {1e3 * response.arrival_s:.2f} ms of delay taken out. Below 100 Hz it "
        "may leave the chart.",
        across=frequency_axis(),
        up=linear_axis("group delay", "ms", -2.0 * step, float(high), step),
        tall=0.42,
        curves=(Curve(name="sum", x=f, y=delay, role="sum", width=2.2),),
        bands=shades,
        marks=mark_crossovers(candidate),
    )


def plot_step(candidate: Candidate, response: Response) -> Plot:
    """Answer to a step on the axis, of the sum and of each way."""
    t = 1e3 * response.time_s
    lines = [
        Curve(
            name=way.name,
            x=t,
            y=response.way_step[k],
            role=f"way {k + 1}",
            dash=dash_of(k + 1),
            width=1.5,
        )
        for k, way in enumerate(candidate.network.ways)
    ]
    lines.append(Curve(name="sum", x=t, y=response.step, role="sum", width=2.4))
    shades: tuple[Shade, ...] = ()
    if "step" in response.bands:
        low, high = response.bands["step"]
        shades = (Shade(name=_BUILT, x=t, low=low, high=high),)
    low_end = 0.5 * np.floor(min(float(line.y.min()) for line in lines) / 0.5 - 0.1)
    high_end = 0.5 * np.ceil(max(float(line.y.max()) for line in lines) / 0.5 + 0.1)
    return Plot(
        key="step",
        title="Step response on the axis",
        text="Answer to a jump of the voltage; 1 is the mean level from 300 Hz to 3 kHz. Below and "
        "above what was measured, level and phase go on as they are at the ends.",
        across=linear_axis("time", "ms", float(t[0]), float(t[-1]), 0.5),
        up=linear_axis("answer", "", float(low_end), float(high_end), 0.5),
        tall=0.5,
        curves=tuple(lines),
        bands=shades,
    )
