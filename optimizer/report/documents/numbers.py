"""The numbers behind the charts of a page: those of the results, and what only pictures need."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.loads.ratings import Ratings
from optimizer.bench.tolerance.spread import CurveBand, ToleranceReport
from optimizer.goals import Epdr, Impedance
from optimizer.problem.candidate import Candidate, CurveSet
from optimizer.problem.problem import Problem
from optimizer.report.columns import COSTS, LESS, Value, list_columns
from optimizer.report.render.json import candidate_to_json

_FEWEST_DIRECTIONS = 3


def collect_networks(
    problem: Problem,
    candidates: Sequence[Candidate],
    ratings: Sequence[Ratings],
    labels: Sequence[str],
    spreads: Sequence[ToleranceReport],
    *,
    front: tuple[str, str] | None = None,
) -> dict[str, Any]:
    """Collect everything the charts of some networks draw.

    Parameters
    ----------
    problem : Problem
        Drivers and goals.
    candidates : sequence of Candidate
        What the page shows.
    ratings : sequence of Ratings
        One for each.
    labels : sequence of str
        What to call each.
    spreads : sequence of ToleranceReport
        What tolerances do to each.
    front : tuple of str, optional
        Two goals between which the candidates are a front.

    Returns
    -------
    dict
        Plain data. ``candidates[k]["result"]`` is what results as JSON list for the candidate,
        ``candidates[k]["figures"]`` its columns by which it can be set against others.
    """
    entries = []
    columns = {
        column.name: column
        for column in reversed(
            list_columns(
                candidates,
                units={"price": problem.stock.currency},
                without=() if front is None else COSTS,
            )
        )
        if column.better is not None
    }
    for candidate, loads, label, spread in zip(candidates, ratings, labels, spreads, strict=True):
        entry: dict[str, Any] = {
            "label": label,
            "result": candidate_to_json(candidate, loads, currency=problem.stock.currency),
        }
        entry["figures"] = {
            name: _finite(column.value(candidate)) for name, column in columns.items()
        }
        entry["planes"] = list_planes(candidate.curves)
        bands = {band.name: band for band in spread.curves}
        entry["spread"] = {
            name: _band(bands[name], name == "impedance")
            for name in ("on_axis", "impedance")
            if name in bands
        }
        entries.append(entry)
    return {
        **frame_charts(problem, candidates[0]),
        "figures": [
            {
                "key": column.name,
                "name": column.title.strip(),
                "unit": column.unit,
                "less": column.better == LESS,
                "digits": column.digits and max(column.digits, 2),
            }
            for column in reversed(columns.values())
        ],
        "axes": list(front or [*(goal.name for goal in candidates[0].goals), *columns][:2]),
        "candidates": entries,
    }


def frame_charts(problem: Problem, candidate: Candidate) -> dict[str, Any]:
    """Collect what the charts of all networks of a problem share.

    Parameters
    ----------
    problem : Problem
        Drivers and goals.
    candidate : Candidate
        Any network of it.
    """
    target = candidate.curves.target_band_hz
    return {
        "frequency_hz": np.round(candidate.curves.frequency_hz, 4).tolist(),
        "ways": [way.name for way in problem.topology.ways],
        "floor_ohm": find_floor_ohm(problem),
        "epdr_floor_ohm": find_floor_ohm(problem, Epdr),
        "target_band_hz": None if target is None else [round(hz, 4) for hz in target],
        "estimated": problem.estimated,
    }


def find_floor_ohm(
    problem: Problem, kind: type[Impedance] | type[Epdr] = Impedance
) -> float | None:
    """Return the smallest impedance, or EPDR, that is asked for; None where nobody asks for one."""
    floors = [goal.floor_ohm for goal in problem.goals.values() if isinstance(goal, kind)]
    return max(floors, default=None)


def _finite(value: Value) -> float | None:
    return float(value) if isinstance(value, int | float) and np.isfinite(value) else None


def _band(band: CurveBand, to_ohm: bool) -> dict[str, list[float]]:
    low, high = band.low_db, band.high_db
    if to_ohm:
        low, high = 10.0 ** (low / 20.0), 10.0 ** (high / 20.0)
    return {"low": np.round(low, 3).tolist(), "high": np.round(high, 3).tolist()}


def list_planes(curves: CurveSet) -> dict[str, Any]:
    """List levels by angle in the horizontal and the vertical plane, where there are enough."""
    planes: dict[str, Any] = {}
    for name in ("horizontal", "vertical"):
        rows: dict[float, Real] = {}
        for direction, level in zip(curves.directions, curves.direction_db, strict=True):
            other = direction.vertical_deg if name == "horizontal" else direction.horizontal_deg
            if other == 0.0:
                rows.setdefault(getattr(direction, f"{name}_deg"), level)
        if len(rows) >= _FEWEST_DIRECTIONS:
            angles = sorted(rows)
            planes[name] = {
                "deg": angles,
                "level_db": [np.round(rows[a], 2).tolist() for a in angles],
            }
    return planes
