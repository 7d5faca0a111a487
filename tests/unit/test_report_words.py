"""Sentences about results."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from optimizer.network.choices import Taken
from optimizer.problem.candidate import GoalFigure
from optimizer.problem.certificate import NEVER_SOUGHT, Certificate
from optimizer.report.words import say_band, say_certificate, say_figure, say_frequency


def make(**figures) -> SimpleNamespace:
    usual = {"cost": 2.0, "relaxed_cost": None, "certificate": NEVER_SOUGHT, "feasible": True}
    usual["taken"] = ()
    return SimpleNamespace(**{**usual, **figures})


@pytest.mark.parametrize(
    ("count", "words"),
    [(1, "any one part"), (2, "any one or two parts"), (4, "up to 4 parts")],
)
def test_certificate_claims_what_was_proved(count, words):
    """The sentence names the number of parts whose changes were all computed."""
    (sentence,) = say_certificate(make(certificate=Certificate.of_search(count)))
    assert f"Every change of {words} was computed" in sentence


def test_alternatives_are_claimed_where_they_were_tried():
    """A proof of two changes tells of other alternatives; one of one change, or a control, not."""
    order = Taken(ladder="tweeter", name="first", slots=("C1",), others=("second",))
    control = replace(order, control="P1")
    for taken, count, sentences in (
        (order, 2, 2), (order, 1, 1), (order, 0, 1), (control, 2, 1), (replace(order, others=()), 2, 1),
    ):  # fmt: skip
        made = make(certificate=Certificate.of_search(count), taken=(taken,))
        said = say_certificate(made)
        assert len(said) == sentences
    assert (
        "Each other alternative was tried as a whole"
        in say_certificate(make(certificate=Certificate.of_search(2), taken=(order,)))[1]
    )


def test_unproved_candidate_claims_nothing():
    """Without a proof the report says that a better neighbour may exist."""
    (sentence,) = say_certificate(make(certificate=Certificate.of_search(0)))
    assert "Every" not in sentence
    assert "may be better" in sentence
    (sentence,) = say_certificate(make(certificate=Certificate.of_search(0, why="A is better")))
    assert sentence == "It is not the best: A is better."


def test_nobody_looked():
    """Of a network that was given no search is told, and why no proof holds any more is."""
    (sentence,) = say_certificate(make())
    assert sentence == "A better one was never sought."
    (sentence,) = say_certificate(make(certificate=Certificate(why="the goals changed")))
    assert sentence == "A better one was never sought: the goals changed."


def test_what_a_robust_fit_proves():
    """The proof of a robust fit is about the expected cost, and says so."""
    proved = Certificate.of_search(1, measure="expected cost")
    (sentence,) = say_certificate(make(certificate=proved))
    assert sentence.endswith("none has a smaller expected cost.")


def test_gap_is_never_negative():
    """The price of real values is the difference to the relaxed cost, at least 0."""
    assert say_certificate(make(relaxed_cost=1.75))[-1].endswith("adds 0.250.")
    assert say_certificate(make(relaxed_cost=2.01))[-1].endswith("adds 0.000.")


@pytest.mark.parametrize(
    ("crossover", "words"),
    [((None, 410.0), "up to 410 Hz"), ((410.0, 2900.0), "410 Hz to 2.9 kHz"),
     ((2900.0, None), "from 2.9 kHz"), ((None, None), "")],
)  # fmt: skip
def test_bands(crossover, words):
    """A way's band is said by its crossovers; a full-range way has none."""
    assert say_band(make(crossovers_hz=(crossover,)), 0) == words


def test_missing_frequency_is_a_dash():
    """A crossover that does not exist is shown as a dash."""
    assert say_frequency(None) == "-"


@pytest.mark.parametrize(
    ("name", "text"), [("parts", "13"), ("changes", "13"), ("on_axis", "13.00")]
)
def test_counts_have_no_decimals(name, text):
    """Pieces and changes are counted, other figures have two decimals."""
    figure = GoalFigure(name=name, value=13.0, unit="", weight=1.0, cost=13.0)
    assert say_figure(figure) == text
