"""The curves of a survey as numbers on one grid, for the charts of its page."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.grid import log_grid
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.readings import DriverFiles
from optimizer.measure.survey.nouns import DriverSurvey, Survey
from optimizer.report.document import Chart, Charts, Drawn

PER_OCTAVE = 48
SHOWN_HZ = (5.0, 40000.0)
FEWEST_DIRECTIONS = 3


def collect_curves(
    survey: Survey, drawn: Drawn | None, grid: Real | None = None
) -> tuple[dict[str, Any], Charts]:
    """Collect what the charts of a survey draw.

    Parameters
    ----------
    survey : Survey
        What was found.
    drawn : callable or None
        The responses on axis for a terminal.
    grid : ndarray, shape (F,), optional
        Frequencies; else those that were measured.

    Returns
    -------
    numbers : dict
        Plain data on one grid over log frequency; None where a file has no data.
    charts : Charts
        The charts for which there are data; empty without any driver.
    """
    files = survey.folder.drivers
    grid = _choose_grid(survey) if grid is None else grid
    if grid is None:
        return {}, Charts(items=())
    drivers = [_list_curves(driver, files[driver.name], grid) for driver in survey.drivers]
    charts = [
        Chart(
            key="responses",
            title="Response on axis",
            wide=True,
            text="As measured, in dB; the highest 40 dB.",
            drawn=drawn,
        )
    ]
    if any("impedance_ohm" in one for one in drivers):
        charts += [
            Chart(key="impedances", title="Impedance", text="Modulus in ohm."),
            Chart(key="phases", title="Phase of the impedance", text="In degrees."),
        ]
    planes: dict[str, Any] = {}
    for driver in survey.drivers:
        for name in ("horizontal", "vertical"):
            plane = _list_plane(files[driver.name], name, grid)
            if plane is not None:
                key = f"plane-{len(planes)}"
                planes[key] = plane
                charts.append(
                    Chart(
                        key=key,
                        title=f"{driver.name} by angle, {name}",
                        text="In dB against the axis. Between measured angles the picture is "
                        "interpolated; numbers are those of the nearest measured angle.",
                    )
                )
    numbers = {"frequency_hz": np.round(grid, 4).tolist(), "drivers": drivers, "planes": planes}
    return numbers, Charts(items=tuple(charts))


def _choose_grid(survey: Survey) -> Real | None:
    """Grid over everything that was measured and can be heard."""
    ranges = [d.response.range_hz for d in survey.drivers if d.response is not None]
    for driver in survey.drivers:
        reading = survey.folder.drivers[driver.name].impedance
        if reading is not None and reading.curve is not None:
            ranges.append(reading.curve.range_hz)
    if not ranges:
        return None
    low = max(min(first for first, _ in ranges), SHOWN_HZ[0])
    high = min(max(last for _, last in ranges), SHOWN_HZ[1])
    return log_grid(low, high, PER_OCTAVE) if high > 1.1 * low else None


def _list_curves(driver: DriverSurvey, files: DriverFiles, grid: Real) -> dict[str, Any]:
    curves: dict[str, Any] = {"name": driver.name}
    if driver.response is not None:
        curves["response_db"] = _round(_on_grid(driver.response, grid)[0], 2)
    if driver.splice is not None and driver.splice.doubt_hz_db is not None:
        hz, half = driver.splice.doubt_hz_db
        known = np.interp(np.log(grid), np.log(hz), half, left=np.nan, right=np.nan)
        curves["below_join_db"] = _round(known, 2)
    if files.impedance is not None and files.impedance.curve is not None:
        level, phase = _on_grid(files.impedance.curve, grid)
        curves["impedance_ohm"] = _round(10.0 ** (level / 20.0), 3)
        if files.impedance.curve.has_phase:
            curves["impedance_phase_deg"] = _round(phase, 1)
    return curves


def _list_plane(files: DriverFiles, name: str, grid: Real) -> dict[str, Any] | None:
    rows: dict[float, Real] = {}
    for direction, reading in files.responses.items():
        other = direction.vertical_deg if name == "horizontal" else direction.horizontal_deg
        if other == 0.0 and reading.curve is not None:
            level, _ = _on_grid(reading.curve, grid)
            rows.setdefault(getattr(direction, f"{name}_deg"), level)
    if len(rows) < FEWEST_DIRECTIONS:
        return None
    angles = sorted(rows)
    return {"deg": angles, "level_db": [_round(rows[angle], 2) for angle in angles]}


def _on_grid(response: MeasuredCurve, grid: Real) -> tuple[Real, Real]:
    """Level in dB and phase in degrees; NaN where the file has no data."""
    thin = thin_response(response)
    low, high = thin.range_hz
    outside = (grid < low * (1.0 - 1e-6)) | (grid > high * (1.0 + 1e-6))
    level = interpolate_log(thin.frequency_hz, thin.level_db, grid)
    phase = np.rad2deg(interpolate_log(thin.frequency_hz, thin.phase_rad, grid))
    return np.where(outside, np.nan, level), np.where(outside, np.nan, phase)


def _round(values: Iterable[float], digits: int) -> list[float | None]:
    return [round(float(v), digits) if np.isfinite(v) else None for v in values]
