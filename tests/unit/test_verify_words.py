"""What is said of a finished speaker: one verdict, and nothing below it that speaks against it."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from optimizer.bench.verify.diagnosis import Diagnosis, Possibility
from optimizer.bench.verify.faults import Fault
from optimizer.bench.verify.prediction import Observation
from optimizer.bench.verify.verifying import ToleranceCheck, VerifyResult
from optimizer.report.documents.verify import say_verdict, tabulate_possibilities
from optimizer.report.render.terminal import print_text

ONE = Fault(what="open", where="tweeter.C1", says="tweeter.C1 not connected")
TWO = Fault(what="open", where="tweeter.R1", says="tweeter.R1 not connected")
THREE = Fault(what="short", where="tweeter.L1", says="tweeter.L1 shorted or bridged")


def explain(kind, probability, *faults, same_as=(), residual_db=0.3):
    return Possibility(
        kind=kind, faults=faults, probability=probability, residual_db=residual_db, same_as=same_as
    )


def judge(*possibilities, worst_db=0.5, pull=1.0):
    """A verdict of these possibilities, likeliest first, with a deviation against 1.5 dB."""
    index = np.arange(3)
    seen = Observation(kind="level", row=0, index=index, value=np.zeros(3), noise=0.3)
    diagnosis = Diagnosis(
        residual_db=4.0,
        deviation=((seen, np.zeros(3)),),
        possibilities=tuple(sorted(possibilities, key=lambda e: -e.probability)),
        estimates=(),
        unseen=(),
        noise_db=0.3,
        ripple_db=0.2,
        pull=pull,
    )
    tolerance = ToleranceCheck(
        limit_db=1.5, doubt_db=0.4, worst_db=worst_db, worst_hz=3e3, passed=abs(worst_db) < 1.9
    )
    return VerifyResult(diagnosis=diagnosis, tests=(), tolerance=tolerance)


@pytest.mark.parametrize(
    ("same", "said"),
    [
        ((), "FAIL: tweeter.C1 not connected (over 99%), although"),
        ((TWO,), "tweeter.C1 not connected, or tweeter.R1 not connected, which this measurement"),
        ((TWO, THREE), "tweeter.C1 not connected, or one of 2 others, which this measurement"),
    ],
)
def test_likeness_is_no_certainty(same, said):
    """A probability that several causes share is not given to the first of them."""
    found = judge(explain("listed", 0.995, ONE, same_as=same), explain("healthy", 0.005))
    assert said in say_verdict(found)
    for other in same:
        table = print_text([tabulate_possibilities(found.diagnosis)])
        assert other.says in " ".join(table.split())


@pytest.mark.parametrize(
    ("possibilities", "worst_db", "pull", "cause", "said"),
    [
        ([explain("healthy", 0.95)], 0.5, 1.0, "none", "PASS: nothing that this measurement"),
        ([explain("healthy", 0.95)], 1.8, 1.0, "none", "ripple, may be 0.4 dB"),
        ([explain("healthy", 0.95)], 3.0, 1.0, "tolerances", "within their tolerances add up"),
        ([explain("healthy", 0.95)], 3.0, 5.0, "unknown", "cannot be identified"),
        ([explain("listed", 0.9, ONE)], 0.5, 1.0, "named", ", although the response keeps"),
        ([explain("partly", 0.9, ONE)], 3.0, 1.0, "named", "and something else besides"),
        ([explain("listed", 0.4, ONE), explain("listed", 0.3, TWO), explain("healthy", 0.3)],
         3.0, 1.0, "several", "cannot tell which of several"),
        ([explain("unlisted", 0.9, ONE)], 3.0, 1.0, "unlisted", "none of the causes known here"),
    ],
)  # fmt: skip
def test_every_outcome_has_its_sentence(possibilities, worst_db, pull, cause, said):
    """Each reason to pass or fail is said in one sentence."""
    found = judge(*possibilities, worst_db=worst_db, pull=pull)
    assert found.cause == cause
    assert said in say_verdict(found)
    assert say_verdict(found).count("PASS") + say_verdict(found).count("FAIL") == 1


def test_no_verdict_contradicts_itself():
    """Over all mixtures of probabilities and deviations: passes only what is kept and not seen."""
    shares = [0.0, 0.3, 0.5, 0.7, 1.0]
    for healthy, unlisted, worst in itertools.product(shares, shares, (0.2, 1.7, 4.0)):
        if healthy + unlisted > 1.0:
            continue
        found = judge(
            explain("healthy", healthy),
            explain("unlisted", unlisted, ONE),
            explain("listed", 1.0 - healthy - unlisted, TWO),
            worst_db=worst,
        )
        says = say_verdict(found)
        assert found.passed == (found.cause == "none") == says.startswith("PASS")
        assert found.passed == (healthy >= 0.5 and worst < 1.9)
        assert ("does not keep" in says) == (worst > 1.9)
        if found.cause == "named":
            assert TWO.says in says
