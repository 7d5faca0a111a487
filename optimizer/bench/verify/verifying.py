"""A finished speaker, or a pair of them, against prediction: one verdict, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.diagnosis import (
    Diagnosis,
    Levels,
    Possibility,
    compare_raw,
    diagnose,
)
from optimizer.bench.verify.distinguish import BenchTest, tell_apart, tell_by_impedance
from optimizer.bench.verify.faults import HEALTHY, Fault
from optimizer.bench.verify.matching import Match, match_level
from optimizer.bench.verify.measured import relate
from optimizer.bench.verify.prediction import Observation
from optimizer.network.network import Network
from optimizer.problem.problem import Problem
from optimizer.text.brief import brief

TOLERANCE_DB = 1.5
"""Largest deviation from prediction that passes, averaged over 1/3 octave (common practice, no
source: about what part tolerances of 5 % and a careful home measurement allow)."""

PAIR_TOLERANCE_DB = 1.0
"""The same for one speaker of a pair against the other (common practice, no source)."""

_THIRD_OCTAVE = 1.0 / 3.0
_WORTH_NAMING = 0.03
_MOST_TESTS = 3
_LIKELY = 0.5
_WITHIN = 2.5

FailureCause = Literal["none", "named", "several", "unlisted", "tolerances", "unknown"]
"""Why a speaker fails: it does not; one cause is likely; several are; none that is listed; parts
within tolerance add up; or nobody can say."""

_EFFORT = ("resistance", "look", "part", "impedance", "response")


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceCheck:
    """Pass or fail against a tolerance band.

    Parameters
    ----------
    limit_db : float
        Half the width of the band.
    doubt_db : float
        What the measurement itself may be off by: twice its ripple, the limit at most.
    worst_db, worst_hz : float
        Largest deviation, averaged over 1/3 octave, and where.
    passed : bool
        Whether it is inside, or outside by no more than the doubt.
    """

    limit_db: float
    doubt_db: float
    worst_db: float
    worst_hz: float
    passed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyResult:
    """What is to be said of one speaker.

    Parameters
    ----------
    diagnosis : Diagnosis
        Residuals and possibilities.
    tests : tuple of BenchTest
        What tells the leading possibilities apart, the least effort first.
    tolerance : ToleranceCheck or None
        Of its responses; None without any of the whole speaker.
    """

    diagnosis: Diagnosis
    tests: tuple[BenchTest, ...]
    tolerance: ToleranceCheck | None

    __repr__ = brief

    @property
    def seen_faulty(self) -> bool:
        """Whether something is likelier the matter than not."""
        return self.diagnosis.probability_of("healthy") < _LIKELY

    @property
    def passed(self) -> bool:
        """Whether nothing is seen to be the matter, and the tolerance is kept."""
        kept = self.tolerance is None or self.tolerance.passed
        return kept and not self.seen_faulty

    @property
    def cause(self) -> FailureCause:
        """Why it fails; "none" where it passes."""
        diagnosis = self.diagnosis
        if self.passed:
            return "none"
        if not self.seen_faulty:
            return "tolerances" if diagnosis.pull <= _WITHIN else "unknown"
        if diagnosis.probability_of("unlisted") >= _LIKELY:
            return "unlisted"
        lead = next(e for e in diagnosis.possibilities if e.kind in ("listed", "partly"))
        if lead is diagnosis.leading and diagnosis.probability_with_alike(lead) >= _LIKELY:
            return "named"
        listed = diagnosis.probability_of("listed") + diagnosis.probability_of("partly")
        return "several" if listed >= _LIKELY else "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class PairVerdict:
    """What is to be said of one speaker against the other.

    Parameters
    ----------
    verdict : VerifyResult
        The speaker in question with the other taken for good.
    which : {"first", "second"}
        The speaker in question: the one that a mistake explains better.
    match : Match or None
        The resistor that would bring both to the same level, where a driver's level differs.
    """

    verdict: VerifyResult
    which: str
    match: Match | None = None

    __repr__ = brief


def verify_speaker(
    problem: Problem,
    network: Network,
    observations: Sequence[Observation],
    *,
    tolerance_db: float | None = None,
    levels: Levels = "free",
    pair: bool = False,
) -> VerifyResult:
    """Compare one speaker with its prediction.

    Parameters
    ----------
    problem, network, observations, levels, pair
        As `diagnose` takes them.
    tolerance_db : float, optional
        Instead of `TOLERANCE_DB`, or of `PAIR_TOLERANCE_DB`.

    Returns
    -------
    VerifyResult
    """
    diagnosis = diagnose(problem, network, observations, levels=levels, pair=pair)
    limit = tolerance_db or (PAIR_TOLERANCE_DB if pair else TOLERANCE_DB)
    return VerifyResult(
        diagnosis=diagnosis,
        tests=_choose_tests(problem, network, diagnosis, observations),
        tolerance=_check_tolerance(problem, diagnosis, limit),
    )


def verify_pair(
    problem: Problem,
    network: Network,
    first: VerifyResult,
    second: VerifyResult,
    *,
    tolerance_db: float | None = None,
) -> PairVerdict:
    """Compare two speakers of one design with each other.

    Parameters
    ----------
    problem, network
        The design of both.
    first, second : VerifyResult
        Each against prediction.
    tolerance_db : float, optional
        Instead of `PAIR_TOLERANCE_DB`.

    Returns
    -------
    PairVerdict
        What both share, drivers, room and microphone, cancels.

    Raises
    ------
    InputError
        When they have no curve in common.
    """
    sides = []
    for good, doubtful, which in ((first, second, "second"), (second, first, "first")):
        observed, partner = ([o for o, _ in one.diagnosis.deviation] for one in (doubtful, good))
        related = relate(observed, compare_raw(problem, network, partner))
        sides.append(
            PairVerdict(
                which=which,
                verdict=verify_speaker(
                    problem, network, related, tolerance_db=tolerance_db, pair=True
                ),
            )
        )
    # A mistake in one looks like an odd, not like the opposite mistake in the other.
    chosen = max(sides, key=lambda s: _how_well_named(s.verdict.diagnosis))
    lead = chosen.verdict.diagnosis.leading
    if chosen.verdict.cause == "named" and lead.faults[0].what == "level":
        gain_db = next(
            e.estimate
            for e in chosen.verdict.diagnosis.estimates
            if e.what == "gain" and e.label == lead.faults[0].where
        )
        match = match_level(problem, network, lead.faults[0].where, gain_db)
        chosen = PairVerdict(verdict=chosen.verdict, which=chosen.which, match=match)
    return chosen


def _how_well_named(diagnosis: Diagnosis) -> float:
    return -diagnosis.leading.residual_db - 10.0 * diagnosis.probability_of("unlisted")


def _choose_tests(
    problem: Problem, network: Network, diagnosis: Diagnosis, observations: Sequence[Observation]
) -> tuple[BenchTest, ...]:
    """Choose tests between the leading possibility and the others worth naming."""
    cases = _list_cases(diagnosis)
    if not cases:
        return ()
    # Even what is sure deserves a test before the iron is heated; of two, each for itself.
    others = cases[1:] if HEALTHY in cases else [HEALTHY, *cases[1:]]
    both = diagnosis.leading.faults
    if len(both) > 1:
        tests = [tell_apart(problem, network, one, HEALTHY) for one in both]
    else:
        tests = [tell_apart(problem, network, cases[0], other) for other in others[:_MOST_TESTS]]
    if all(o.kind == "level" for o in observations):
        found = (tell_by_impedance(problem, network, cases[0], other) for other in others)
        tests += [test for test in found if test is not None][:1]
    tests.sort(key=lambda test: _EFFORT.index(test.method))
    said: dict[str, BenchTest] = {test.says: test for test in tests}
    return tuple(said.values())


def _list_cases(diagnosis: Diagnosis) -> list[Fault]:
    """Faults between which a test decides, the likeliest first; none where all is likely well."""
    cases: list[Fault] = []
    for one in diagnosis.possibilities:
        if one.probability >= _WORTH_NAMING and one.kind != "unlisted":
            cases += one.faults or (HEALTHY,)
            cases += one.same_as
    if diagnosis.probability_of("healthy") >= _LIKELY:
        return []
    # That all is well is never what a test sets out from.
    cases.sort(key=lambda fault: fault is HEALTHY)
    return list({fault.says: fault for fault in cases}.values()) if cases[:1] != [HEALTHY] else []


def _check_tolerance(
    problem: Problem, diagnosis: Diagnosis, limit_db: float
) -> ToleranceCheck | None:
    worst: tuple[float, float] | None = None
    for o, deviation in diagnosis.deviation:
        if o.kind != "level" or o.way >= 0:
            continue  # of one way alone nobody promises where it is hardly heard
        f = problem.frequency_hz[o.index]
        smooth = smooth_thirds(f, deviation)
        at = int(np.argmax(np.abs(smooth)))
        if worst is None or abs(smooth[at]) > abs(worst[0]):
            worst = (float(smooth[at]), float(f[at]))
    if worst is None:
        return None
    doubt_db = min(2.0 * diagnosis.ripple_db, limit_db)
    return ToleranceCheck(
        limit_db=limit_db,
        doubt_db=doubt_db,
        worst_db=worst[0],
        worst_hz=worst[1],
        passed=abs(worst[0]) <= limit_db + doubt_db,
    )


def smooth_thirds(frequency_hz: Real, value_db: Real) -> Real:
    """Average dB over 1/3 octave around each point.

    Parameters
    ----------
    frequency_hz, value_db : ndarray, shape (N,)
        A curve.

    Returns
    -------
    ndarray, shape (N,)
    """
    octaves = np.log2(frequency_hz)
    near = np.abs(octaves[:, None] - octaves) <= 0.5 * _THIRD_OCTAVE + 1e-9
    return np.asarray(np.einsum("ij,j->i", near.astype(float), value_db) / near.sum(axis=1))


def list_shown(diagnosis: Diagnosis, *, most: int = 6) -> list[Possibility]:
    """Explanations worth showing, those of a sound speaker and of nothing listed among them."""
    return [e for e in diagnosis.possibilities if e.probability >= _WORTH_NAMING][:most]
