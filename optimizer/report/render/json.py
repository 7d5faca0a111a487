"""Results as plain data for JSON: SI units, no NaN or infinity."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Protocol

import numpy as np

from optimizer.acoustics.averages import BAND_EDGES_HZ
from optimizer.bench.check import Comparison, Improvement, PartChange
from optimizer.bench.loads.ratings import PartRating, Ratings, rate_network, state_amplifier
from optimizer.bench.tolerance.tracking import track_ways
from optimizer.network.network import FittedLadder, FittedSlot, FittedWay, Network
from optimizer.network.references import References
from optimizer.network.rework import Rework
from optimizer.parts import LOSS_OF_KIND, UNIT_OF_KIND, Part
from optimizer.problem.candidate import Candidate, Completed, CurveSet, SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.problem.problem import Problem
from optimizer.problem.provenance import Provenance
from optimizer.problem.verdict import Verdict
from optimizer.report.columns import Column, own_columns
from optimizer.report.document import Document
from optimizer.search.trade.result import TradeResult
from optimizer.text.units import ratio_to_db

SCHEMA = 1
PART_DIGITS = 12
"""Digits of what a part is: read back, a network costs what it did to 1e-9."""
FIGURE_DIGITS = 10
"""Digits of figures: networks are told apart, and promises kept, by less than six digits hold."""


class DescribedProblem(Protocol):
    """What an export asks of a problem."""

    @property
    def title(self) -> str:
        """Title of the speaker."""


def render_json(document: Document) -> dict[str, Any]:
    """Return the plain data of a document.

    Raises
    ------
    ValueError
        When it has none.
    """
    if document.data is None:
        raise ValueError(f"{document.title!r} has no data to write as JSON")
    return dict(document.data())


def search_to_json(
    problem: DescribedProblem, design_name: str, result: SearchResult | TradeResult
) -> dict[str, Any]:
    """Say what was searched, for how long, and why that ended: the head of results."""
    head: dict[str, Any] = {
        "schema": SCHEMA,
        "design": design_name,
        **made_to_json(problem),
        "speaker": problem.title,
        "seed": result.seed,
        "seconds": round_figure(result.seconds, 4),
        "evaluations": result.evaluations,
        "stopped": result.stopped,
    }
    if isinstance(result, SearchResult):
        head["repeatable"] = result.repeatable
        if result.agreement.missed is not None:
            head["starts"] = {
                "ended": result.agreement.starts,
                "met": result.agreement.met,
                "near": result.agreement.near,
                "fails": result.agreement.fails,
                "missed": round_figure(result.agreement.missed),
            }
    return head


def made_to_json(problem: DescribedProblem) -> dict[str, Any]:
    """Say when, by which version and with what results were computed, under "made"."""
    if not isinstance(problem, Problem):
        return {}
    made = Provenance.made_now(problem)
    return {
        "made": {
            "date": made.date,
            "version": made.version,
            "of": dict(made.of),
            "files": dict(made.files),
        }
    }


def rated_to_json(candidate: Candidate, problem: DescribedProblem) -> dict[str, Any]:
    """Turn one candidate into plain data with the loads of its parts, see `candidate_to_json`."""
    if not isinstance(problem, Problem):
        return candidate_to_json(candidate)
    ratings = rate_network(
        candidate.network, problem.drivers, state_amplifier(problem.goals, problem.amplifier)
    )
    return candidate_to_json(candidate, ratings, currency=problem.stock.currency)


def problem_assumptions(problem: DescribedProblem) -> list[str]:
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
        Its figures are those of `optimizer.report.columns`, each under the column's name.
    """
    data: dict[str, Any] = {
        "rank": candidate.rank,
        "feasible": candidate.feasible,
        "cost_relaxed": round_figure(candidate.relaxed_cost),
    }
    for column in own_columns():
        figure = _figure_to_json(column, candidate)
        if figure is not None:
            data[column.name] = figure
    data["certificate"] = certificate_to_json(candidate.certificate)
    if candidate.price is not None and currency:
        data["currency"] = currency
    if ratings is not None:
        amplifier = ratings.amplifier
        data["amplifier"] = {
            "watt": amplifier.watts,
            "ohm": amplifier.ohm,
            "volt": round_figure(amplifier.volts),
            "stated": amplifier.stated,
        }
    data["goals"] = {
        goal.name: {
            "value": round_figure(goal.value, FIGURE_DIGITS),
            "unit": goal.unit,
            "weight": round_figure(goal.weight, FIGURE_DIGITS),
            "cost": round_figure(goal.cost, FIGURE_DIGITS),
            "met": goal.met,
            "detail": goal.told,
            "counted": goal.counted,
        }
        for goal in candidate.goals
    }
    data["verdicts"] = [_verdict_to_json(verdict) for verdict in candidate.verdicts]
    references = candidate.network.references
    data["ways"] = {
        way.name: _way_to_json(way, crossover, ratings, references)
        for way, crossover in zip(candidate.network.ways, candidate.crossovers_hz, strict=True)
    }
    if candidate.network.groups:
        data["shared"] = {
            group.name: {
                "feeds": list(group.members),
                "joined": group.joint,
                "slots": _slots_to_json(group, ratings, references),
            }
            for group in candidate.network.groups
        }
    if candidate.notes:
        data["notes"] = list(candidate.notes)
    names = [way.name for way in candidate.network.ways]
    if candidate.curves.completed is not None:
        data["completed"] = _completed_to_json(candidate.curves.completed)
    data["curves"] = {**curves_to_json(candidate.curves, names), **tracking_to_json(candidate)}
    return data


def certificate_to_json(certificate: Certificate) -> dict[str, Any]:
    """Turn what is known of better networks into plain data."""
    data: dict[str, Any] = {"state": certificate.state, "changes": certificate.changes}
    if certificate.state != "never sought":
        data |= {"measure": certificate.measure, "of": dict(certificate.of)}
    return data | ({"why": certificate.why} if certificate.why else {})


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
    data["vertical_db"] = {
        str(direction): _curve(level)
        for direction, level in zip(curves.directions, curves.direction_db, strict=True)
        if direction.vertical_deg
    }
    data["ways_db"] = {
        name: _curve(level) for name, level in zip(way_names, curves.way_db, strict=True)
    }
    data["drive_db"] = {
        name: _curve(level) for name, level in zip(way_names, curves.drive_db, strict=True)
    }
    return data


def _completed_to_json(completed: Completed) -> dict[str, Any]:
    return {
        "directions": completed.directions,
        "of": completed.of,
        "mostly": list(completed.mostly),
        "edges_hz": list(BAND_EDGES_HZ),
        "band_db": {
            name: [round_figure(half) for half in band] for name, band in completed.band_db.items()
        },
    }


def tracking_to_json(candidate: Candidate) -> dict[str, Any]:
    """List how neighbouring ways work together, by "lower/upper" from the lowest pair up."""
    pairs = {
        f"{pair.lower}/{pair.upper}": {
            "lower": pair.lower,
            "upper": pair.upper,
            "null_db": round_figure(pair.null_db),
            "null_hz": round_figure(pair.null_hz),
            "phase_deg": _curve(pair.phase_deg),
            "inverted_db": _curve(pair.inverted_db),
        }
        for pair in track_ways(candidate)
    }
    return {"pairs": pairs} if pairs else {}


def _verdict_to_json(verdict: Verdict) -> dict[str, Any]:
    """Turn a verdict into plain data."""
    return {
        "name": verdict.name,
        "where": verdict.where,
        "state": verdict.state,
        "figure": round_figure(verdict.figure, FIGURE_DIGITS),
        "limit": [round_figure(end, FIGURE_DIGITS) for end in verdict.limit],
        "unit": verdict.unit,
        "from": verdict.source,
        "says": verdict.says,
        "remedy": verdict.remedy,
    }


def _way_to_json(
    way: FittedWay,
    crossover: tuple[float | None, float | None],
    ratings: Ratings | None,
    references: References,
) -> dict[str, Any]:
    return {
        "driver": way.driver,
        "polarity": int(way.polarity),
        "crossover_hz": [round_figure(frequency) for frequency in crossover],
        "slots": _slots_to_json(way, ratings, references),
    }


def _slots_to_json(
    ladder: FittedLadder, ratings: Ratings | None, references: References
) -> list[dict[str, Any]]:
    return [
        {"name": entry.pop("name"), "reference": references[ladder.name, name], **entry}
        for slot in ladder.slots
        for entry in _slot_to_json(slot, ladder.name, ratings)
        for name in (entry["name"],)
    ]


def _slot_to_json(slot: FittedSlot, way: str, ratings: Ratings | None) -> Iterable[dict[str, Any]]:
    gain = slot.circuit.gain
    if gain is not None:
        yield {
            "name": slot.name,
            "at": slot.place,
            "kind": "tap",
            "form": slot.form,
            "gain_db": round_figure(ratio_to_db(gain)),
        }
    for name, place, part in slot.named_parts:
        entry: dict[str, Any] = {"name": name, "at": place, "kind": part.kind}
        entry |= {"across": slot.across} if slot.across else {}
        if len(slot.parts) > 1:
            entry["form"] = slot.form
        entry["value"] = round_figure(part.value, PART_DIGITS)
        entry["unit"] = UNIT_OF_KIND[part.kind]
        if LOSS_OF_KIND[part.kind]:
            entry[f"{LOSS_OF_KIND[part.kind]}_ohm"] = round_figure(part.loss_ohm, PART_DIGITS)
        entry["pieces"] = [
            round_figure(piece, PART_DIGITS) for piece in part.pieces or (part.value,)
        ]
        if part.joined:
            entry["joined"] = part.joined
        entry["origin"] = part.origin
        entry["tolerance"] = round_figure(part.tolerance, PART_DIGITS)
        if part.price is not None:
            entry["price"] = round_figure(part.price, PART_DIGITS)
        if part.rating is not None:
            entry["rating"] = round_figure(part.rating, PART_DIGITS)
        entry |= _sort_to_json(part)
        if part.note:
            entry["note"] = part.note
        if ratings is not None:
            entry.update(_load_to_json(ratings.find(way, name)))
        yield entry


def _sort_to_json(part: Part) -> dict[str, Any]:
    """List what is known of how a part is made."""
    known = {
        "made_of": part.made_of or None,
        "wire_m": round_figure(part.wire_m, PART_DIGITS),
        "height_m": round_figure(part.height_m, PART_DIGITS),
    }
    return {name: value for name, value in known.items() if value is not None}


def _load_to_json(load: PartRating) -> dict[str, Any]:
    """List what one part must stand: heat and load on programme, worst sine, rating to ask for."""
    unit = {"W": "watt", "V": "volt", "A": "ampere"}[load.unit]
    data = {"watt": round_figure(load.heat_w, 4)}
    if unit != "watt":
        data[unit] = round_figure(load.programme, 4)
    data[f"sine_{unit}"] = round_figure(load.sine, 4)
    data["sine_hz"] = round_figure(load.sine_hz)
    data["rating_needed"] = round_figure(load.needed, 4)
    return data


def _figure_to_json(column: Column, candidate: Candidate) -> Any:
    """Write one figure, with its frequency where it has one; None where there is no figure."""
    value = column.value(candidate)
    if isinstance(value, float):
        value = round_figure(value, FIGURE_DIGITS)
    if column.at is None or value is None:
        return value
    return {column.unit or "value": value, "hz": round_figure(column.at(candidate))}


def round_figure(value: float | None, digits: int = 6) -> float | None:
    """Round to significant digits; None for what is missing or not finite."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{float(value):.{digits}g}")


def _curve(values: np.ndarray[Any, np.dtype[np.float64]]) -> list[float | None]:
    return [
        value if math.isfinite(value) else None
        for value in np.round(values.astype(np.float64), 4).tolist()
    ]


def comparison_to_json(comparison: Comparison) -> dict[str, Any]:
    """Turn two networks set side by side into plain data: what was changed, and how far curves moved."""
    return {
        "polarity_turned": list(comparison.polarity),
        "taps": list(comparison.taps),
        "changes": [change_to_json(change) for change in comparison.parts],
        "curves": {
            c.name: {
                "rms_db": round(c.rms_db, 4),
                "worst_db": round(c.worst_db, 4),
                "worst_hz": round(c.worst_hz, 2),
            }
            for c in comparison.curves
        },
    }


def change_to_json(change: PartChange) -> dict[str, Any]:
    """Turn one change into plain data: values in SI units, None for an empty place.

    Of the new part it tells what a network file needs to say of it: value, loss, origin, and the
    pieces of a joined one. Of a control it tells the positions in words.
    """
    if change.positions:
        return {"slot": change.label, "from": change.positions[0], "to": change.positions[1]}
    data: dict[str, Any] = {
        "slot": change.label,
        "from": None if change.before is None else change.before.value,
        "to": None if change.after is None else change.after.value,
    }
    part = change.after
    if part is None:
        return data
    loss = {"inductor": "to_dcr_ohm", "capacitor": "to_esr_ohm"}.get(part.kind)
    if loss:
        data[loss] = part.loss_ohm
    data["to_origin"] = part.origin
    if part.piece_count > 1:
        data |= {"to_pieces": list(part.pieces), "to_joined": part.joined}
    return data


def work_to_json(work: Rework) -> dict[str, int]:
    """Turn work at the iron into plain data: pieces off, pieces on, jumpers, re-routes, all."""
    return {
        "off": work.off,
        "on": work.on,
        "jumpers": work.jumpers,
        "reroutes": work.reroutes,
        "operations": work.count,
    }


def improvement_to_json(one: Improvement, network: Network) -> dict[str, Any]:
    """Turn a move that lowers the cost into plain data: each change of it, a turn included.

    A move of one part stands in the object itself too.
    """
    now = {way.name: int(way.polarity) for way in network.ways}
    changes = [change_to_json(change) for change in one.changes]
    changes += [
        {"slot": f"{way}.polarity", "from": now[way], "to": -now[way]} for way in one.turned
    ]
    alone = changes[0] if len(changes) == 1 else {}
    return {**alone, "changes": changes, "cost": round(one.cost, 9)}
