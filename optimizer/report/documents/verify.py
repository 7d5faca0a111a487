"""What `verify` found: a finished speaker against prediction, and what is likely wrong with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.diagnosis import Diagnosis, Estimate, Possibility
from optimizer.bench.verify.distinguish import SAFETY
from optimizer.bench.verify.verifying import PairVerdict, ToleranceCheck, VerifyResult, list_shown
from optimizer.problem.problem import Problem
from optimizer.report.charts.plot import (
    Curve,
    Plot,
    Shade,
    dash_of,
    frequency_axis,
    linear_axis,
)
from optimizer.report.document import (
    Document,
    Graphs,
    Listing,
    Note,
    OnPage,
    Passage,
    Remarks,
    Section,
    Table,
)
from optimizer.report.documents.octaves import tabulate_octaves
from optimizer.report.render.json import SCHEMA, made_to_json
from optimizer.report.words import say_foot, say_frequency
from optimizer.text.units import format_quantity

_TOLD, _SURE = 0.8, 0.9
_MOST_ALIKE = 3
_SPANS_DB = ((3.0, 1.0), (6.0, 2.0), (12.0, 3.0), (24.0, 6.0))
"""How far a chart of differences reaches either way, and its steps."""
_PARTNER = "the other speaker"


def document_verify(
    problem: Problem,
    verdict: VerifyResult,
    *,
    design_name: str,
    network_name: str,
    other: VerifyResult | None = None,
    pair: PairVerdict | None = None,
    notes: Sequence[str] = (),
) -> Document:
    """Say what measurements of a finished speaker, or of a pair, mean.

    Parameters
    ----------
    problem : Problem
        What was predicted.
    verdict : VerifyResult
        On the speaker, or the first of a pair.
    design_name, network_name : str
        As the user gave them.
    other : VerifyResult, optional
        On the other speaker of a pair.
    pair : PairVerdict, optional
        On the one against the other.
    notes : sequence of str
        What was assumed in reading network and measurements.

    Returns
    -------
    Document
    """
    remarks = list(dict.fromkeys(notes))
    first = "The finished speaker" if other is None else "The first speaker"
    sections = [_judge(problem, first, verdict)]
    if other is not None:
        sections.append(_judge(problem, "The other speaker", other))
    if pair is not None:
        title = f"The {pair.which} speaker with its partner taken for good"
        section = _judge(problem, title, pair.verdict, against=_PARTNER)
        if pair.match is not None:
            section = replace(section, parts=(*section.parts, Note(text=pair.match.says)))
        sections.append(section)
    if remarks:
        assumed = Remarks(parts=(Listing(items=tuple(remarks)),))
        sections.append(Section(title="How it was read", key="read", parts=(assumed,)))
    return Document(
        title=f"{problem.title}: {network_name}",
        sections=tuple(sections),
        footer=partial(say_foot, problem, design_name),
        data=lambda: verify_to_json(problem, verdict, design_name, network_name, other, pair),
    )


def _judge(
    problem: Problem, title: str, verdict: VerifyResult, *, against: str = "prediction"
) -> Section:
    diagnosis = verdict.diagnosis
    parts: list[Passage] = [Note(text=say_verdict(verdict, against), tone="strong")]
    parts += show_deviation(problem, verdict, against)
    if not verdict.passed:
        parts += [Note(text="What may be the matter:"), tabulate_possibilities(diagnosis)]
    if against == "prediction":
        parts += tabulate_estimates(diagnosis)
    if verdict.passed:
        parts += list_unseen(diagnosis)
    elif verdict.tests:
        tests = Listing(items=tuple(test.says for test in verdict.tests))
        parts += [
            Note(text="What to do next, the least effort first:"),
            Note(text=SAFETY, tone="strong"),
            tests,
        ]
    return Section(title=title, parts=tuple(parts))


def show_deviation(
    problem: Problem, verdict: VerifyResult, against: str = "prediction"
) -> list[Passage]:
    """Show the difference by octaves, and on a page as curves; responses are level aligned."""
    curves, f = collect_deviation(problem, verdict.diagnosis), problem.frequency_hz
    if not curves:
        return []

    def draw() -> list[Passage]:
        return [Graphs(items=(plot_deviation(curves, f, verdict.tolerance, against),))]

    return [tabulate_octaves(curves, f), OnPage(compose=draw)]


def plot_deviation(
    curves_db: Mapping[str, Real],
    frequency_hz: Real,
    tolerance: ToleranceCheck | None,
    against: str = "prediction",
) -> Plot:
    """Draw how far what was measured is from what it is held against, with the tolerance.

    Parameters
    ----------
    curves_db : mapping of str to ndarray (F,)
        By name; NaN where nothing was measured.
    frequency_hz : ndarray, shape (F,)
    tolerance : ToleranceCheck or None
        Of the responses.
    against : str
        What it is held against.
    """
    most = max(float(np.nanmax(np.abs(curve))) for curve in curves_db.values())
    # What goes farther than the last is cut off.
    span, step = next((one for one in _SPANS_DB if most <= one[0]), _SPANS_DB[-1])
    bands: tuple[Shade, ...] = ()
    if tolerance is not None:
        limit = np.full(len(frequency_hz), tolerance.limit_db)
        name = f"allowed to the response, averaged over 1/3 octave: {tolerance.limit_db:g} dB"
        bands = (Shade(name=name, x=frequency_hz, low=-limit, high=limit),)
    return Plot(
        key="deviation",
        title=f"Measured against {against}",
        text=f"Measured less {against}, in dB; responses without a difference of level alone.",
        across=frequency_axis(),
        up=linear_axis("difference", "dB", -span, span, step),
        tall=0.36,
        curves=tuple(
            Curve(
                name=name,
                x=frequency_hz,
                y=np.where(np.abs(curve) <= span, curve, np.nan),
                role="other" if name == "impedance" else "sum" if k == 0 else f"way {k}",
                dash=dash_of(k),
            )
            for k, (name, curve) in enumerate(curves_db.items())
        ),
        bands=bands,
    )


def collect_deviation(problem: Problem, diagnosis: Diagnosis) -> dict[str, Real]:
    """Collect measured less predicted, by the name of each curve; NaN where nothing was measured."""
    curves: dict[str, Real] = {}
    for o, deviation in diagnosis.deviation:
        if o.kind == "angle":
            continue
        name = "impedance" if o.kind == "modulus" else f"response {problem.directions[o.row]}"
        name = name.replace("response 0", "response on axis")
        if o.way >= 0:
            name += f", {problem.topology.ways[o.way].name} alone"
        curves[name] = np.full(len(problem.frequency_hz), np.nan)
        curves[name][o.index] = deviation
    return curves


def say_verdict(verdict: VerifyResult, against: str = "prediction") -> str:
    """Say in one sentence whether a speaker passes, and why."""
    kept = say_tolerance(verdict.tolerance, against)
    if verdict.passed:
        well = _percent(find_share(verdict))
        joined = f", and {kept}" if kept else ""
        return f"PASS: nothing that this measurement can see is the matter ({well}){joined}."
    # A speaker that keeps its tolerance fails all the same when something in it is wrong.
    joint = ", although " if verdict.tolerance is not None and verdict.tolerance.passed else "; "
    return f"FAIL: {_say_cause(verdict)}" + (f"{joint}{kept}." if kept else ".")


def find_share(verdict: VerifyResult) -> float | None:
    """Find the probability that the verdict says; None where it says none."""
    diagnosis = verdict.diagnosis
    if verdict.passed:
        return diagnosis.probability_of("healthy")
    if verdict.cause == "unlisted":
        return diagnosis.probability_of("unlisted")
    listed = [e for e in diagnosis.possibilities if e.kind in ("listed", "partly")]
    if verdict.cause == "named":
        return diagnosis.probability_with_alike(listed[0])
    return listed[0].probability if verdict.cause == "several" else None


def _say_cause(verdict: VerifyResult) -> str:
    diagnosis = verdict.diagnosis
    listed = [e for e in diagnosis.possibilities if e.kind in ("listed", "partly")]
    if verdict.cause == "named":
        return _say_named(listed[0], _percent(find_share(verdict)))
    if verdict.cause == "several":
        odds = f"the likeliest is that {listed[0].says} ({_percent(find_share(verdict))})"
        faulty = 1.0 - diagnosis.probability_of("healthy")
        surely = "" if faulty > _SURE else "probably "
        return (
            f"something is {surely}the matter ({_percent(faulty)}), and this measurement cannot tell "
            f"which of several; {odds}"
        )
    if verdict.cause == "unlisted":
        odd = next(e for e in diagnosis.possibilities if e.kind == "unlisted")
        like = f", most like: {odd.says}" if odd.faults else ""
        return (
            "something is the matter that is none of the causes known here "
            f"({_percent(find_share(verdict))}){like}; its cause is not identified"
        )
    if verdict.cause == "tolerances":
        return "no single cause is seen; values within their tolerances add up to it"
    return "its cause cannot be identified from this measurement"


def _say_named(lead: Possibility, likely: str) -> str:
    more = ", and something else besides, which is not identified" if lead.kind == "partly" else ""
    if not lead.same_as:
        return f"{lead.says} ({likely}){more}"
    others = list(dict.fromkeys(fault.says for fault in lead.same_as))
    alike = f"or {others[0]}" if len(others) == 1 else f"or one of {len(others)} others"
    return f"{lead.says}, {alike}, which this measurement cannot tell apart ({likely}){more}"


def _percent(share: float | None) -> str:
    if share is None:
        return "-"
    return "over 99%" if share > 0.99 else f"{share:.0%}" if share >= 0.01 else "under 1%"


_KINDS = {"healthy": "nothing", "unlisted": "none of the causes known here"}


def tabulate_possibilities(diagnosis: Diagnosis) -> Table:
    """Set what may be the matter in a table: likeliest first, with what cannot be told from it."""
    rows = []
    for one in list_shown(diagnosis):
        says = _KINDS.get(one.kind, one.says)
        if one.kind == "unlisted" and one.faults:
            says += f", most like: {one.says}"
        if one.kind == "partly":
            says += ", and something else besides"
        if one.same_as and one.kind != "healthy":
            alike = list(dict.fromkeys(fault.says for fault in one.same_as))
            more = len(alike) - _MOST_ALIKE
            rest = f"; or one of {more} more" if more > 0 else ""
            says += f" (cannot be told apart: {'; '.join(alike[:_MOST_ALIKE])}{rest})"
        left = f"{one.residual_db:.2f}" if np.isfinite(one.residual_db) else "-"
        rows.append((_percent(one.probability), says, left))
    return Table(
        heads=("probability", "what is the matter", "leaves, dB"), rows=tuple(rows), align="rlr"
    )


_OF_DRIVER = {
    "re": "coil resistance", "f0": "resonance", "rms": "losses",
    "bl": "force factor", "le": "inductance", "gain": "level", "time": "delay",
    "height": "height",
}  # fmt: skip


def tabulate_estimates(diagnosis: Diagnosis) -> list[Passage]:
    """Set true values in tables with their intervals: parts, then drivers."""
    parts = [e for e in diagnosis.estimates if e.what in ("value", "loss")]
    drivers = [e for e in diagnosis.estimates if e.what not in ("value", "loss")]
    tables: list[Table] = []
    for title, some in (("part", parts), ("driver", drivers)):
        told = [e for e in some if e.narrowed < _TOLD or _is_off(e)]
        if told:
            off = tuple(_say_estimate(e) for e in told if _is_off(e))
            heads = (title, "of which", "designed", "found", "from", "to")
            rows = tuple(_say_estimate(e) for e in told)
            tables.append(Table(heads=heads, rows=rows, align="llrrrr", brief=off))
    if not tables:
        return []
    lead = Note(text="True values, each between its ends with 90%:")
    rest = "Of values that are not listed this measurement says no more than their tolerance."
    if any(table.brief for table in tables):
        return [lead, *tables, Remarks(parts=(Note(text=rest),))]
    every = (replace(table, brief=None) for table in tables)
    return [Remarks(parts=(lead, *every, Note(text=rest)))]


def _is_off(e: Estimate) -> bool:
    """Whether the interval does not hold the value designed."""
    return not e.low <= e.value <= e.high


def _say_estimate(e: Estimate) -> tuple[str, ...]:
    of = {"value": "value", "loss": "resistance"}.get(e.what) or _OF_DRIVER[e.what]
    numbers = (e.value, e.estimate, e.low, e.high)
    if e.unit:
        return e.label, of, *(format_quantity(x, e.unit, 3) if x else "0" for x in numbers)
    # What has no unit is a ratio to the driver's own measurement.
    return e.label, of, *("as it was" if x == 1.0 else f"{x - 1.0:+z.1%}" for x in numbers)


def list_unseen(diagnosis: Diagnosis) -> list[Passage]:
    """Say what a measurement like this would not show, were it there."""
    if not diagnosis.unseen:
        return []
    return [
        Note(text="What this measurement cannot see, were it so:"),
        Listing(items=tuple(one.says for one in diagnosis.unseen)),
    ]


def say_tolerance(check: ToleranceCheck | None, against: str) -> str:
    """Say how a response keeps to its tolerance; nothing without one."""
    if check is None:
        return ""
    where = (
        f"largest deviation {check.worst_db:+z.1f} dB at {say_frequency(check.worst_hz)}, averaged "
        "over 1/3 octave"
    )
    if check.passed and abs(check.worst_db) > check.limit_db:
        where += (
            f", of which the measurement itself, with its ripple, may be {check.doubt_db:.1f} dB"
        )
    word = "keeps within" if check.passed else "does not keep within"
    return f"the response {word} {check.limit_db:g} dB of {against} ({where})"


def verify_to_json(
    problem: Problem,
    verdict: VerifyResult,
    design_name: str,
    network_name: str,
    other: VerifyResult | None = None,
    pair: PairVerdict | None = None,
) -> dict[str, Any]:
    """Turn verdicts into plain data for JSON; SI units, no NaN or infinity."""
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "design": design_name,
        **made_to_json(problem),
        "network": network_name,
        **_verdict_to_json(problem, verdict),
    }
    if other is not None:
        data["other"] = _verdict_to_json(problem, other)
    if pair is not None:
        said = _verdict_to_json(problem, pair.verdict, _PARTNER)
        data["pair"] = {"which": pair.which, **said}
        if pair.match is not None:
            match = pair.match
            data["pair"]["match"] = {
                "says": match.says, "ohm": match.ohm, "left_db": round(match.left_db, 4),
            }  # fmt: skip
    return data


def _verdict_to_json(
    problem: Problem, verdict: VerifyResult, against: str = "prediction"
) -> dict[str, Any]:
    diagnosis = verdict.diagnosis
    share = find_share(verdict)
    shown = list_shown(diagnosis, most=10)
    data: dict[str, Any] = {
        "verdict": "pass" if verdict.passed else "fail",
        "cause": verdict.cause,
        "says": say_verdict(verdict, against),
        "probability": None if share is None else round(share, 6),
        "residual_db": round(diagnosis.residual_db, 4),
        "noise_db": round(diagnosis.noise_db, 4),
        "ripple_db": diagnosis.ripple_db,
        "healthy": not verdict.seen_faulty,
        "hypotheses": [_possibility_to_json(e) for e in shown],
        "faults": [_fault_to_json(e) for e in shown if e.kind in ("listed", "partly")]
        if verdict.seen_faulty
        else [],
        "tests": [test.says for test in verdict.tests],
        "parts": [_estimate_to_json(e) for e in diagnosis.estimates if e.what in ("value", "loss")],
        "drivers": [
            _estimate_to_json(e) for e in diagnosis.estimates if e.what not in ("value", "loss")
        ],
        "unseen": [one.says for one in diagnosis.unseen],
        "deviation": [
            {
                "kind": o.kind,
                "direction": str(problem.directions[o.row]) if o.row >= 0 else None,
                "way": problem.topology.ways[o.way].name if o.way >= 0 else None,
                "frequency_hz": _rounded(problem.frequency_hz[o.index]),
                "value": _rounded(deviation),
            }
            for o, deviation in diagnosis.deviation
        ],
    }
    if verdict.tolerance is not None:
        check = verdict.tolerance
        data["tolerance"] = {
            "limit_db": check.limit_db,
            "doubt_db": check.doubt_db,
            "worst_db": round(check.worst_db, 4),
            "worst_hz": round(check.worst_hz, 2),
            "pass": check.passed,
        }
    return data


def _possibility_to_json(one: Possibility) -> dict[str, Any]:
    data: dict[str, Any] = {
        "kind": one.kind,
        "says": _KINDS.get(one.kind, one.says),
        "causes": [{"what": f.what, "where": f.where, "says": f.says} for f in one.faults],
        "probability": round(one.probability, 6),
    }
    if np.isfinite(one.residual_db):
        data["residual_db"] = round(one.residual_db, 4)
    return data


def _fault_to_json(one: Possibility) -> dict[str, Any]:
    data: dict[str, Any] = {
        "what": " + ".join(f.what for f in one.faults),
        "where": " and ".join(f.where for f in one.faults),
        "says": one.says,
        "likelihood": round(one.probability, 6),
    }
    if np.isfinite(one.residual_db):
        data["residual_db"] = round(one.residual_db, 4)
    if one.same_as:
        data["same_as"] = [{"what": f.what, "where": f.where, "says": f.says} for f in one.same_as]
    return data


def _estimate_to_json(e: Estimate) -> dict[str, Any]:
    return {
        "slot": e.label,
        "what": e.what,
        "unit": e.unit,
        "value": float(f"{e.value:.6g}"),
        "estimate": float(f"{e.estimate:.6g}"),
        "interval_90": [float(f"{e.low:.6g}"), float(f"{e.high:.6g}")],
    }


def _rounded(values: Real) -> list[float]:
    return [float(v) for v in np.round(values, 4)]
