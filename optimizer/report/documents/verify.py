"""What `verify` found: a finished speaker against prediction, and what is likely wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.diagnosis import EXPLAINED_DB, Diagnosis, Suspect
from optimizer.bench.verify.distinguish import SAFETY
from optimizer.bench.verify.verifying import PairVerdict, ToleranceCheck, VerifyResult, list_shown
from optimizer.problem.problem import Problem
from optimizer.report.document import Document, Listing, Note, Passage, Section, Table
from optimizer.report.documents.octaves import tabulate_octaves
from optimizer.report.render.json import SCHEMA
from optimizer.report.words import say_frequency
from optimizer.text.units import format_quantity

_SURE = 0.9
_NEAREST = 3


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
    lead: list[Section] = []
    if remarks:
        lead.append(Section(title="", key="lead", parts=(Listing(items=tuple(remarks)),)))
    sections = [*lead, _judge(problem, first, verdict)]
    if other is not None:
        sections.append(_judge(problem, "The other speaker", other))
    if pair is not None:
        title = f"The {pair.which} speaker with its partner taken for good"
        sections.append(_judge(problem, title, pair.verdict, against="the other speaker"))
    return Document(
        title=f"{problem.title}: {network_name}",
        sections=tuple(sections),
        data=lambda: verify_to_json(problem, verdict, design_name, network_name, other, pair),
    )


def _judge(
    problem: Problem, title: str, verdict: VerifyResult, *, against: str = "prediction"
) -> Section:
    diagnosis = verdict.diagnosis
    parts: list[Passage] = [Note(text=say_verdict(diagnosis))]
    if verdict.tolerance is not None:
        parts.append(Note(text=say_tolerance(verdict.tolerance, against)))
    parts += tabulate_deviation(problem, diagnosis)
    if not diagnosis.healthy:
        parts.append(tabulate_suspects(diagnosis))
        if verdict.tests:
            tests = Listing(items=tuple(test.says for test in verdict.tests))
            parts += [Note(text=SAFETY, tone="strong"), tests]
    elif against == "prediction" and diagnosis.parts:
        parts.append(tabulate_parts(diagnosis))
    return Section(title=title, parts=tuple(parts))


def tabulate_deviation(problem: Problem, diagnosis: Diagnosis) -> list[Passage]:
    """Show measured less predicted by octaves; responses are level aligned."""
    tables: list[Passage] = []
    for o, deviation in diagnosis.deviation:
        if o.kind == "angle":
            continue
        name = "impedance" if o.kind == "modulus" else f"response {problem.directions[o.row]}"
        name = name.replace("response 0", "response on axis")
        tables.append(tabulate_octaves({name: deviation}, problem.frequency_hz[o.index]))
    return tables


def say_verdict(diagnosis: Diagnosis) -> str:
    """Say in a sentence or two what the measurement means."""
    first = diagnosis.suspects[0]
    level = f"Measured against predicted, level aligned: {diagnosis.residual_db:.2f} dB rms."
    if not diagnosis.explained:
        near = min(diagnosis.suspects, key=lambda s: s.residual_db)
        best = (
            "the design with parts anywhere within tolerance"
            if near.fault.what == "none"
            else f"the nearest, {near.fault.says},"
        )
        return (
            f"{level} No single mistake explains this: {best} leaves {near.residual_db:.1f} "
            f"dB rms, and {EXPLAINED_DB:g} dB would be the most to expect. Look for two "
            "mistakes at once, another driver, or a measurement taken in another way than the "
            "drivers'."
        )
    if diagnosis.healthy:
        well = next(s for s in diagnosis.suspects if s.fault.what == "none")
        unseen = "; ".join(fault.says for fault in well.same_as)
        return (
            f"{level} Nothing is wrong: parts within tolerance explain it down to "
            f"{well.residual_db:.2f} dB rms ({_percent(well.likelihood)})."
            + (f" It would not show: {unseen}." if unseen else "")
        )
    all_well = next(s for s in diagnosis.suspects if s.fault.what == "none").likelihood
    if first.fault.what == "none":
        return (
            f"{level} Unclear: all may be well ({_percent(all_well)}), but the mistakes below "
            "would explain the measurement about as well."
        )
    if first.likelihood < _SURE:
        return (
            f"{level} Perhaps something is wrong, most likely: {_say_suspect(first)} "
            f"({_percent(first.likelihood)}); that all is well: {_percent(all_well)}."
        )
    return (
        f"{level} Something is wrong, most likely: {_say_suspect(first)} "
        f"({_percent(first.likelihood)})."
    )


def _say_suspect(suspect: Suspect) -> str:
    """Name a mistake, and that others cannot be told from it."""
    others = len(suspect.same_as)
    if not others:
        return suspect.fault.says
    alike = (
        f"{suspect.same_as[0].says}, which measures just the same"
        if others == 1
        else f"one of {others} others that measure just the same"
    )
    return f"{suspect.fault.says}, or {alike}"


def _percent(share: float) -> str:
    return "over 99%" if share > 0.99 else f"{share:.0%}" if share >= 0.01 else "under 1%"


def tabulate_suspects(diagnosis: Diagnosis) -> Table:
    """Set the mistakes in question in a table, likeliest first, or nearest when none explains."""
    shown = list_shown(diagnosis.suspects)
    if not diagnosis.explained:
        shown = sorted(
            (s for s in diagnosis.suspects if s.fault.what != "none"), key=lambda s: s.residual_db
        )[:_NEAREST]
    rows = []
    for suspect in shown:
        says = suspect.fault.says
        if suspect.same_as:
            alike = "; ".join(fault.says for fault in suspect.same_as)
            says += f" (measures just the same: {alike})"
        left = f"{suspect.residual_db:.2f}" if np.isfinite(suspect.residual_db) else "-"
        likelihood = [_percent(suspect.likelihood)] if diagnosis.explained else []
        rows.append((*likelihood, says, left))
    heads = ("likelihood", "mistake") if diagnosis.explained else ("nearest mistake",)
    return Table(
        heads=(*heads, "leaves, dB"),
        rows=tuple(rows),
        align="rlr" if diagnosis.explained else "lr",
    )


def tabulate_parts(diagnosis: Diagnosis) -> Table:
    """Set the part values in a table, as designed and as estimated."""
    rows = []
    for part in diagnosis.parts:
        told = part.spread < 0.8 * part.prior_spread
        off = part.estimate / part.value - 1.0
        rows.append(
            (
                part.label,
                format_quantity(part.value, part.unit),
                format_quantity(part.estimate, part.unit) if told else "-",
                f"{off:+.1%}" if told else "-",
                f"{2.0 * part.spread:.1%}" if told else "its tolerance only",
            )
        )
    heads = ("part", "designed", "estimated", "off by", "known within")
    return Table(heads=heads, rows=tuple(rows), align="lrrrr")


def say_tolerance(check: ToleranceCheck, against: str) -> str:
    """Say whether a tolerance band is kept."""
    word = "PASS" if check.passed else "FAIL"
    return (
        f"{word}: within {check.limit_db:g} dB of {against} wanted, largest deviation "
        f"{check.worst_db:+.1f} dB at {say_frequency(check.worst_hz)} (averaged over 1/3 "
        "octave)."
    )


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
        "network": network_name,
        **_verdict_to_json(problem, verdict),
    }
    if other is not None:
        data["other"] = _verdict_to_json(problem, other)
    if pair is not None:
        data["pair"] = {"which": pair.which, **_verdict_to_json(problem, pair.verdict)}
    return data


def _verdict_to_json(problem: Problem, verdict: VerifyResult) -> dict[str, Any]:
    diagnosis = verdict.diagnosis
    data: dict[str, Any] = {
        "residual_db": round(diagnosis.residual_db, 4),
        "noise_db": round(diagnosis.noise_db, 4),
        "healthy": diagnosis.healthy,
        "explained": diagnosis.explained,
        "faults": [_suspect_to_json(s) for s in list_shown(diagnosis.suspects, most=10)],
        "tests": [test.says for test in verdict.tests],
        "parts": [
            {
                "slot": p.label,
                "value": p.value,
                "estimate": float(f"{p.estimate:.6g}"),
                "spread": round(p.spread, 5),
            }
            for p in diagnosis.parts
        ],
        "deviation": [
            {
                "kind": o.kind,
                "direction": str(problem.directions[o.row]) if o.row >= 0 else None,
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
            "worst_db": round(check.worst_db, 4),
            "worst_hz": round(check.worst_hz, 2),
            "pass": check.passed,
        }
    return data


def _suspect_to_json(suspect: Suspect) -> dict[str, Any]:
    data: dict[str, Any] = {
        "what": suspect.fault.what,
        "where": suspect.fault.where,
        "says": suspect.fault.says,
        "likelihood": round(suspect.likelihood, 6),
    }
    if np.isfinite(suspect.residual_db):
        data["residual_db"] = round(suspect.residual_db, 4)
    if suspect.same_as:
        data["same_as"] = [
            {"what": f.what, "where": f.where, "says": f.says} for f in suspect.same_as
        ]
    return data


def _rounded(values: Real) -> list[float]:
    return [float(v) for v in np.round(values, 4)]
