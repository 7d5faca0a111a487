"""Results as JSON, and files that are written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from optimizer.bench.loads.ratings import PartRating, Ratings, rate_network, state_amplifier
from optimizer.bench.tolerance.tracking import track_ways
from optimizer.errors import InputError
from optimizer.network.ladder import FittedSlot, FittedWay
from optimizer.parts import UNIT_OF_KIND
from optimizer.problem.candidate import Candidate, CurveSet, SearchResult
from optimizer.problem.problem import Problem
from optimizer.report.ladder_text import name_parts

SCHEMA = 1
PART_DIGITS = 12
"""Digits of what a part is: read back, a network costs what it did to 1e-9."""


class DescribedProblem(Protocol):
    """What an export asks of a problem."""

    @property
    def title(self) -> str:
        """Title of the speaker."""


def result_to_json(
    result: SearchResult, problem: DescribedProblem, design_name: str
) -> dict[str, Any]:
    """Turn a search result into plain data for JSON.

    Parameters
    ----------
    result : SearchResult
        What the search found.
    problem : Problem
        The problem it was found for.
    design_name : str
        Name of the design file, as the user gave it.

    Returns
    -------
    dict
        Plain data in SI units without NaN or infinity. Candidates that break a hard limit are
        never listed: the nearest miss stands under ``nearest_miss``.
    """
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "design": design_name,
        "speaker": problem.title,
        "seed": result.seed,
        "seconds": _rounded(result.seconds, 4),
        "evaluations": result.evaluations,
        "stopped": result.stopped,
        "cost_relaxed_best": _rounded(result.cost_relaxed_best),
        "candidates": [rated_to_json(c, problem) for c in result.candidates if c.feasible],
    }
    misses = [c for c in result.candidates if not c.feasible]
    if misses and not data["candidates"]:
        data["nearest_miss"] = rated_to_json(misses[0], problem)
    if result.notes:
        data["notes"] = list(result.notes)
    assumed = list_assumptions(problem)
    if assumed:
        data["assumed"] = assumed
    return data


def rated_to_json(candidate: Candidate, problem: DescribedProblem) -> dict[str, Any]:
    """Turn one candidate into plain data with the loads of its parts, see `candidate_to_json`."""
    if not isinstance(problem, Problem):
        return candidate_to_json(candidate)
    ratings = rate_network(candidate.network, problem.drivers, state_amplifier(problem.goals))
    return candidate_to_json(candidate, ratings, currency=problem.stock.currency)


def list_assumptions(problem: DescribedProblem) -> list[str]:
    """List what a problem assumes about directions, averages and data, each sentence once."""
    return list(dict.fromkeys(getattr(problem, "notes", ())))


def candidate_to_json(
    candidate: Candidate, ratings: Ratings | None = None, *, currency: str = ""
) -> dict[str, Any]:
    """Turn one candidate into plain data.

    Parameters
    ----------
    candidate : Candidate
        Any candidate.
    ratings : Ratings, optional
        Its loads, which are then listed with every part.
    currency : str
        Currency of its price.

    Returns
    -------
    dict
        See `result_to_json`.
    """
    data: dict[str, Any] = {
        "rank": candidate.rank,
        # Networks are told apart, and promises kept, by less than six digits hold.
        "cost": _rounded(candidate.cost, 10),
        "feasible": candidate.feasible,
        "parts": candidate.parts,
        "no_better_change_of": candidate.no_better_change_of,
        "cost_relaxed": _rounded(candidate.relaxed_cost),
        "cost_expected": _rounded(candidate.expected_cost),
    }
    if candidate.price is not None:
        data["price"] = _rounded(candidate.price)
        if currency:
            data["currency"] = currency
    if ratings is not None:
        amplifier = ratings.amplifier
        data["amplifier"] = {
            "watt": amplifier.watts,
            "ohm": amplifier.ohm,
            "volt": _rounded(amplifier.volts),
            "stated": amplifier.stated,
        }
    data["goals"] = {
        goal.name: {
            "value": _rounded(goal.value),
            "unit": goal.unit,
            "weight": _rounded(goal.weight),
            "cost": _rounded(goal.cost),
            "met": goal.met,
            "detail": goal.detail,
            "counted": goal.counted,
        }
        for goal in candidate.goals
    }
    data["impedance_min"] = _point(candidate.impedance_min_ohm, candidate.impedance_min_hz)
    data["epdr_min"] = _point(candidate.epdr_min_ohm, candidate.epdr_min_hz)
    data["sensitivity_db"] = _rounded(candidate.sensitivity_db)
    if candidate.preference is not None:
        data["preference"] = _rounded(candidate.preference.score, 3)
    data["ways"] = {
        way.name: _way_to_json(way, crossover, ratings)
        for way, crossover in zip(candidate.network.ways, candidate.crossovers_hz, strict=True)
    }
    if candidate.notes:
        data["notes"] = list(candidate.notes)
    names = [way.name for way in candidate.network.ways]
    data["curves"] = {**curves_to_json(candidate.curves, names), **tracking_to_json(candidate)}
    return data


def curves_to_json(curves: CurveSet, way_names: Sequence[str]) -> dict[str, Any]:
    """Turn curves into lists of numbers with four decimals; a value that is not finite is null."""
    data: dict[str, Any] = {"frequency_hz": _curve(curves.frequency_hz)}
    for name, level in curves.named_db.items():
        data[f"{name}_db"] = _curve(level)
    for name, level in curves.directivity_db.items():
        data[f"{name}_db"] = _curve(level)
    data["impedance_ohm"] = _curve(np.abs(curves.impedance))
    data["impedance_phase_deg"] = _curve(np.degrees(np.angle(curves.impedance)))
    if curves.target_db is not None:
        data["target_db"] = _curve(curves.target_db)
    data["ways_db"] = {
        name: _curve(level) for name, level in zip(way_names, curves.way_db, strict=True)
    }
    data["drive_db"] = {
        name: _curve(level) for name, level in zip(way_names, curves.drive_db, strict=True)
    }
    return data


def tracking_to_json(candidate: Candidate) -> dict[str, Any]:
    """List how neighbouring ways work together, by "lower/upper" from the lowest pair up."""
    pairs = {
        f"{pair.lower}/{pair.upper}": {
            "lower": pair.lower,
            "upper": pair.upper,
            "null_db": _rounded(pair.null_db),
            "null_hz": _rounded(pair.null_hz),
            "phase_deg": _curve(pair.phase_deg),
            "inverted_db": _curve(pair.inverted_db),
        }
        for pair in track_ways(candidate)
    }
    return {"pairs": pairs} if pairs else {}


def _way_to_json(
    way: FittedWay, crossover: tuple[float | None, float | None], ratings: Ratings | None
) -> dict[str, Any]:
    return {
        "driver": way.driver,
        "polarity": int(way.polarity),
        "crossover_hz": [_rounded(frequency) for frequency in crossover],
        "slots": [entry for slot in way.slots for entry in _slot_to_json(slot, way.name, ratings)],
    }


def _slot_to_json(slot: FittedSlot, way: str, ratings: Ratings | None) -> Iterable[dict[str, Any]]:
    for name, place, part in name_parts(slot):
        entry: dict[str, Any] = {"name": name, "at": place, "kind": part.kind}
        if len(slot.parts) > 1:
            entry["form"] = slot.form
        entry["value"] = _rounded(part.value, PART_DIGITS)
        entry["unit"] = UNIT_OF_KIND[part.kind]
        if part.kind == "inductor":
            entry["dcr_ohm"] = _rounded(part.loss_ohm, PART_DIGITS)
        elif part.kind == "capacitor":
            entry["esr_ohm"] = _rounded(part.loss_ohm, PART_DIGITS)
        entry["pieces"] = [_rounded(piece, PART_DIGITS) for piece in part.pieces or (part.value,)]
        if part.joined:
            entry["joined"] = part.joined
        entry["origin"] = part.origin
        entry["tolerance"] = _rounded(part.tolerance, PART_DIGITS)
        if part.price is not None:
            entry["price"] = _rounded(part.price, PART_DIGITS)
        if part.rating is not None:
            entry["rating"] = _rounded(part.rating, PART_DIGITS)
        if part.note:
            entry["note"] = part.note
        if ratings is not None:
            entry.update(_load_to_json(ratings.find(way, name)))
        yield entry


def _load_to_json(load: PartRating) -> dict[str, Any]:
    """List what one part must stand: heat and load on programme, worst sine, rating to ask for."""
    unit = {"W": "watt", "V": "volt", "A": "ampere"}[load.unit]
    data = {"watt": _rounded(load.heat_w, 4)}
    if unit != "watt":
        data[unit] = _rounded(load.programme, 4)
    data[f"sine_{unit}"] = _rounded(load.sine, 4)
    data["sine_hz"] = _rounded(load.sine_hz)
    data["rating_needed"] = _rounded(load.needed, 4)
    return data


def _point(ohm: float, hz: float) -> dict[str, float | None]:
    return {"ohm": _rounded(ohm), "hz": _rounded(hz)}


def _rounded(value: float | None, digits: int = 6) -> float | None:
    """Round to significant digits; None for what is missing or not finite."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{float(value):.{digits}g}")


def _curve(values: np.ndarray[Any, np.dtype[np.float64]]) -> list[float | None]:
    return [
        value if math.isfinite(value) else None
        for value in np.round(values.astype(np.float64), 4).tolist()
    ]


def check_writable(path: Path, *, key: str | None = None) -> None:
    """Refuse early, before any long work, a file that could not be written later.

    Parameters
    ----------
    path : Path
        The file to be written.
    key : str, optional
        The option that named it ("--json").

    Raises
    ------
    InputError
        When the folder is missing or not writable, or the path is a folder.
    """
    folder = path.resolve().parent
    if path.is_dir():
        raise InputError(
            "a file name is needed, this is a folder",
            file=path,
            key=key,
            remedy="add a file name to it",
        )
    if not folder.is_dir():
        raise InputError(
            "the folder to write into must exist",
            key=key,
            value=str(folder),
            remedy="create it or name another one",
        )
    target_exists = path.exists()
    if not os.access(path if target_exists and not path.is_file() else folder, os.W_OK):
        raise InputError(
            "the folder to write into must be writable",
            key=key,
            value=str(folder),
            remedy="change its permissions or name another one",
        )


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all.

    The text goes to a temporary file in the same folder, which then takes the place of `path`;
    a failure leaves an older file untouched.

    Parameters
    ----------
    path : Path
        The file; a symbolic link is followed.
    text : str
        Its content, written as UTF-8.

    Raises
    ------
    InputError
        When the system refuses (no such folder, no permission, disk full).
    """
    path = path.resolve()
    try:
        if path.exists() and not path.is_file():
            # A pipe or a device cannot be replaced, only written to.
            path.write_text(text, encoding="utf-8")
            return
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(name, path.stat().st_mode & 0o7777 if path.exists() else _default_mode())
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as problem:
        raise InputError(
            f"the file could not be written ({problem.strerror or problem})",
            file=path,
            remedy="check the folder, its permissions and the free space",
        ) from problem


def _default_mode() -> int:
    # The umask can only be read by setting it.
    mask = os.umask(0o022)
    os.umask(mask)
    return 0o666 & ~mask


def write_json(path: Path | str, data: dict[str, Any]) -> None:
    """Write data as JSON, whole or not at all; ``-`` writes to standard output.

    Parameters
    ----------
    path : path-like
        The file, or "-".
    data : dict
        Plain data; NaN and infinity are refused.

    Raises
    ------
    InputError
        When the file cannot be written.
    ValueError
        When `data` holds NaN or infinity.
    """
    text = json.dumps(data, allow_nan=False, ensure_ascii=False, indent=1) + "\n"
    if str(path) == "-":
        sys.stdout.write(text)
        sys.stdout.flush()
        return
    write_text(Path(path), text)
