"""A finished speaker, or a pair of them, against prediction: verdict, tests to make, tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.diagnosis import Diagnosis, Suspect, diagnose
from optimizer.bench.verify.distinguish import BenchTest, tell_apart
from optimizer.bench.verify.faults import HEALTHY, Fault
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
_WORTH_NAMING = 0.01
_MOST_TESTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceCheck:
    """Pass or fail against a tolerance band.

    Parameters
    ----------
    limit_db : float
        Half the width of the band.
    worst_db, worst_hz : float
        Largest deviation, averaged over 1/3 octave, and where.
    passed : bool
        Whether it is inside.
    """

    limit_db: float
    worst_db: float
    worst_hz: float
    passed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyResult:
    """What is to be said of one speaker.

    Parameters
    ----------
    diagnosis : Diagnosis
        Residuals and suspects.
    tests : tuple of BenchTest
        What tells the leading suspects apart.
    tolerance : ToleranceCheck or None
        Of its responses; None without any.
    """

    diagnosis: Diagnosis
    tests: tuple[BenchTest, ...]
    tolerance: ToleranceCheck | None

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class PairVerdict:
    """What is to be said of one speaker against the other.

    Parameters
    ----------
    verdict : VerifyResult
        The speaker in question with the other taken for good.
    which : {"first", "second"}
        The speaker in question: the one that a mistake explains better.
    """

    verdict: VerifyResult
    which: str

    __repr__ = brief


def verify_speaker(
    problem: Problem,
    network: Network,
    observations: Sequence[Observation],
    *,
    tolerance_db: float | None = None,
    pair: bool = False,
) -> VerifyResult:
    """Compare one speaker with its prediction.

    Parameters
    ----------
    problem, network, observations, pair
        As `diagnose` takes them.
    tolerance_db : float, optional
        Instead of `TOLERANCE_DB`, or of `PAIR_TOLERANCE_DB`.

    Returns
    -------
    VerifyResult
    """
    diagnosis = diagnose(problem, network, observations, pair=pair)
    limit = tolerance_db or (PAIR_TOLERANCE_DB if pair else TOLERANCE_DB)
    return VerifyResult(
        diagnosis=diagnosis,
        tests=_choose_tests(problem, network, diagnosis),
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
        observed = [o for o, _ in doubtful.diagnosis.deviation]
        related = relate(observed, good.diagnosis.deviation)
        sides.append(
            PairVerdict(
                which=which,
                verdict=verify_speaker(
                    problem, network, related, tolerance_db=tolerance_db, pair=True
                ),
            )
        )
    # A mistake in one looks like an odd, not like the opposite mistake in the other.
    return min(sides, key=lambda s: _least_residual(s.verdict))


def _least_residual(verdict: VerifyResult) -> float:
    return verdict.diagnosis.suspects[0].residual_db


def _choose_tests(
    problem: Problem, network: Network, diagnosis: Diagnosis
) -> tuple[BenchTest, ...]:
    """Choose tests between the first suspect and the others worth naming."""
    if diagnosis.healthy or not diagnosis.explained:
        return ()
    cases: list[Fault] = []
    for suspect in diagnosis.suspects:
        if suspect.likelihood >= _WORTH_NAMING:
            cases += [suspect.fault, *suspect.same_as]
    # Even a sure suspect deserves a test before the iron is heated.
    others = cases[1:] if HEALTHY in cases else [HEALTHY, *cases[1:]]
    tests = [tell_apart(problem, network, cases[0], other) for other in others[:_MOST_TESTS]]
    said: dict[str, BenchTest] = {test.says: test for test in tests}
    return tuple(said.values())


def _check_tolerance(
    problem: Problem, diagnosis: Diagnosis, limit_db: float
) -> ToleranceCheck | None:
    worst: tuple[float, float] | None = None
    for o, deviation in diagnosis.deviation:
        if o.kind != "level":
            continue
        f = problem.frequency_hz[o.index]
        smooth = smooth_thirds(f, deviation)
        at = int(np.argmax(np.abs(smooth)))
        if worst is None or abs(smooth[at]) > abs(worst[0]):
            worst = (float(smooth[at]), float(f[at]))
    if worst is None:
        return None
    return ToleranceCheck(
        limit_db=limit_db, worst_db=worst[0], worst_hz=worst[1], passed=abs(worst[0]) <= limit_db
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


def list_shown(suspects: Sequence[Suspect], *, most: int = 6) -> list[Suspect]:
    """Suspects worth showing, the healthy case left out."""
    return [s for s in suspects if s.fault.what != "none" and s.likelihood >= 0.1 * _WORTH_NAMING][
        :most
    ]
