"""Whether an answer is right, and what many answers come to, held against what is wanted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from benchmarks.verify.plant import Planted
from benchmarks.verify.trials import Trial
from optimizer.bench.verify.diagnosis import Diagnosis, Possibility
from optimizer.bench.verify.verifying import VerifyResult

SURE = 0.9


@dataclass(frozen=True)
class Row:
    """One trial as it is recorded."""

    group: str
    seed: int
    kinds: str
    says: str
    listed: bool
    strengths: str
    seconds: float
    verdict: str
    cause: str
    healthy: float
    unlisted: float
    leading: str
    probability: float
    named: int
    """How many of what was planted the leading possibility or its twins name."""
    planted: int
    wrong_and_sure: bool
    """Whether a part or driver that is sound is named with over 90 %."""
    accused: bool
    contradiction: str
    inside: int
    intervals: int
    z2: float
    ripple_db: float


def judge(trial: Trial, result: VerifyResult, group: str, seed: int, seconds: float) -> Row:
    """Hold an answer against what was planted."""
    diagnosis = result.diagnosis
    leading = diagnosis.leading
    wrong = [
        e for e in diagnosis.possibilities
        if e.probability > SURE and e.kind in ("listed", "partly") and not any(
            _names(e, one) or _is_of_way(e, one) for one in trial.planted)
        and not _is_turned_twin(e, trial)
    ]  # fmt: skip
    inside, count, z2 = _check_intervals(trial, diagnosis)
    return Row(
        group=group, seed=seed,
        kinds=" + ".join(one.kind for one in trial.planted) or "healthy",
        says=" + ".join(one.says for one in trial.planted),
        listed=all(one.listed for one in trial.planted),
        strengths=" ".join(f"{x:.1f}" for x in trial.strengths),
        seconds=round(seconds, 2), verdict="pass" if result.passed else "fail", cause=result.cause,
        healthy=round(diagnosis.probability_of("healthy"), 4),
        unlisted=round(diagnosis.probability_of("unlisted"), 4),
        leading=f"{leading.kind}: {leading.says}", probability=round(leading.probability, 4),
        named=_count_named(leading, trial), planted=len(trial.planted),
        wrong_and_sure=bool(wrong), accused=result.cause == "named",
        contradiction=_contradicts(result), inside=inside, intervals=count, z2=round(z2, 3),
        ripple_db=diagnosis.ripple_db,
    )  # fmt: skip


def _names(possibility: Possibility, planted: Planted) -> bool:
    """Whether what was planted is among what is named, twins included."""
    if possibility.kind not in ("listed", "partly"):
        return False  # what a sound speaker cannot be told from is not named
    named = {
        word.split(".")[0] if "." not in one else word
        for fault in (*possibility.faults, *possibility.same_as)
        for one in [fault.where]
        for word in one.split(" and ")
    }
    kinds = {fault.what for fault in (*possibility.faults, *possibility.same_as)}
    if planted.kind == "height":
        return "microphone" in named or "path" in kinds
    if planted.kind == "polarity":
        return "polarity" in kinds and planted.where[0] in named
    return bool(set(planted.where) & named)


def _count_named(possibility: Possibility, trial: Trial) -> int:
    if _is_turned_twin(possibility, trial):
        return len(trial.planted)
    return sum(_names(possibility, one) for one in trial.planted)


def _is_turned_twin(possibility: Possibility, trial: Trial) -> bool:
    """Whether just those ways are called turned that were not: no measurement of levels tells."""
    if not trial.planted or any(one.kind != "polarity" for one in trial.planted):
        return False
    turned = {way for one in trial.planted for way in one.where}
    said = {fault.where for fault in possibility.faults if fault.what == "polarity"}
    return said == {way.name for way in trial.built.ways} - turned


def _is_of_way(possibility: Possibility, planted: Planted) -> bool:
    """Whether a way is named as such, and what was planted is in it: not a wrong part."""
    ways = {f.where for f in possibility.faults if f.what == "another driver"}
    return any(where.split(".")[0] in ways for where in planted.where)


def _contradicts(result: VerifyResult) -> str:
    """What in an answer speaks against itself."""
    out = []
    check = result.tolerance
    if result.passed and check is not None and not check.passed:
        out.append("passes beside a tolerance that is broken")
    if result.passed != (result.cause == "none"):
        out.append("verdict and cause differ")
    if result.cause == "named" and result.diagnosis.leading.kind not in ("listed", "partly"):
        out.append("names what does not lead")
    if result.passed and result.diagnosis.probability_of("healthy") < 0.5 and result.seen_faulty:
        out.append("passes though something is the matter")
    return "; ".join(out)


def _check_intervals(trial: Trial, diagnosis: Diagnosis) -> tuple[int, int, float]:
    inside, count, squares = 0, 0, 0.0
    for estimate in diagnosis.estimates:
        true = trial.truth.get((estimate.label, estimate.what))
        if (
            true is None
            or estimate.what != "value"
            or any(estimate.label in one.where for one in trial.planted)
        ):
            continue
        count += 1
        inside += estimate.low <= true <= estimate.high
        width = np.log(estimate.high / estimate.low) / (2 * 1.645)
        squares += float((np.log(true / estimate.estimate) / max(width, 1e-9)) ** 2)
    return inside, count, squares


Rows = Sequence[dict[str, str]]


def summarise(rows: Rows) -> Iterator[str]:
    """Say every bar with its figure."""
    yield f"trials: {len(rows)}"
    planted = [r for r in rows if r["planted"] != "0"]
    yield _say("of kinds that are not listed", planted, lambda r: r["listed"] == "False")
    yield _say("contradictions", rows, lambda r: bool(r["contradiction"]))
    healthy = _of(rows, "healthy")
    yield _say("healthy accused", healthy, lambda r: r["accused"] == "True")
    yield _say("healthy failed", healthy, lambda r: r["verdict"] == "fail")
    sound = (
        ("sound", "level trusted"),
        ("sound ways", "each way alone too"),
        ("sound around", "six directions"),
    )
    for group, how in sound:
        accused = _of(rows, group)
        yield _say(f"healthy, {how}: accused", accused, lambda r: r["accused"] == "True")
    yield from _summarise_listed(_of(rows, "listed"))
    alone = _of(rows, "alone")
    yield _say("listed, response alone, d of 5 or more: named first",
               [r for r in alone if _strengths(r)[0] >= 5], lambda r: r["named"] == "1")  # fmt: skip
    yield _say("  said with over 90 %: right", [r for r in alone if _is_sure(r)], _is_right)
    pairs = [r for r in _of(rows, "pair") if min(_strengths(r)) >= 7]
    yield _say("pairs, both d of 7 or more: one named", pairs, lambda r: int(r["named"]) >= 1)
    yield _say("  both named", pairs, lambda r: r["named"] == "2")
    yield _say("  sure of one only", pairs, _is_sure_of_one)
    unlisted = _of(rows, "unlisted")
    yield _say(
        "unlisted, over 90 % on a wrong part", unlisted, lambda r: r["wrong_and_sure"] == "True"
    )
    for low, high in ((5, 7), (7, 12), (12, np.inf), (5, np.inf)):
        some = [r for r in unlisted if low < _strengths(r)[0] <= high]
        title = f"unlisted, d {low} to {high:g}: passed"
        yield _say(title, some, lambda r: r["verdict"] == "pass")
    around = [r for r in _of(rows, "around") if _strengths(r)[0] >= 5]
    yield _say("six directions, listed, d of 5 or more: named first",
               [r for r in around if r["listed"] == "True"], lambda r: r["named"] == "1")  # fmt: skip
    yield _say("six directions, d of 5 or more: over 90 % on a wrong part", around,
               lambda r: r["wrong_and_sure"] == "True")  # fmt: skip
    yield from _summarise_levels(rows)
    sure = [
        r for r in rows if r["group"] not in ("pair", "unlisted", "alone", "around") and _is_sure(r)
    ]
    yield _say("said with over 90 %, of what can be seen: right", sure, _is_right)
    yield from _summarise_intervals([r for r in rows if r["group"] in ("healthy", "listed")])
    seconds = [float(r["seconds"]) for r in rows]
    yield f"seconds of processor: median {np.median(seconds):.1f}, longest {max(seconds):.1f}"


def _summarise_listed(listed: Rows) -> Iterator[str]:
    def is_named(row: dict[str, str]) -> bool:
        return row["named"] == "1"

    for low, high in ((0, 3), (3, 5), (5, 7), (7, 12), (12, np.inf)):
        some = [r for r in listed if low <= _strengths(r)[0] < high]
        yield _say(f"listed, d {low} to {high:g}: named first", some, is_named)
    strong = [r for r in listed if _strengths(r)[0] >= 5]
    yield _say("listed, d of 5 or more: named first", strong, is_named)
    for kind in sorted({r["kinds"] for r in listed}):
        yield _say(f"  {kind}: all", [r for r in listed if r["kinds"] == kind], is_named)
        yield _say("    d of 5 or more", [r for r in strong if r["kinds"] == kind], is_named)


def _summarise_levels(rows: Rows) -> Iterator[str]:
    for group, how in (
        ("listed", "free"),
        ("trusted", "trusted"),
        ("ways", "trusted, each way alone"),
    ):
        for db in ("3.0", "1.5"):
            some = [
                r for r in _of(rows, group)
                if r["kinds"] == "level" and r["says"].endswith(f"{db} dB")
            ]  # fmt: skip
            yield _say(
                f"driver off by {db} dB, level {how}: named first",
                some,
                lambda r: r["named"] == "1",
            )


def _summarise_intervals(rows: Rows) -> Iterator[str]:
    count = sum(int(r["intervals"]) for r in rows)
    inside = sum(int(r["inside"]) for r in rows)
    yield f"90 % intervals of sound parts hold {inside} of {count} ({inside / max(count, 1):.1%})"
    z = np.sqrt(sum(float(r["z2"]) for r in rows) / max(count, 1))
    yield f"rms z of sound parts: {z:.2f}"


def _say(title: str, rows: Rows, good: Callable[[dict[str, str]], bool]) -> str:
    count = sum(map(good, rows))
    return f"{title}: {count} of {len(rows)}" + (f" ({count / len(rows):.1%})" if rows else "")


def _of(rows: Rows, group: str) -> Rows:
    return [r for r in rows if r["group"] == group]


def _strengths(row: dict[str, str]) -> list[float]:
    return [float(x) for x in row["strengths"].split()]


def _is_sure_of_one(row: dict[str, str]) -> bool:
    only = row["leading"].startswith("listed")
    return row["named"] == "1" and only and float(row["probability"]) > SURE


def _is_sure(row: dict[str, str]) -> bool:
    """Whether a cause is said with over 90 %, or health where what is planted can be seen."""
    blind = bool(row["strengths"]) and _strengths(row)[0] < 4
    return float(row["probability"]) > SURE and not (blind and row["leading"].startswith("healthy"))


def _is_right(row: dict[str, str]) -> bool:
    if row["planted"] == "0":
        return row["leading"].startswith("healthy")
    return int(row["named"]) >= 1


def as_dict(row: Row) -> dict[str, str]:
    """The row as it is written."""
    return {name: str(value) for name, value in asdict(row).items()}
