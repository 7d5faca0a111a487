"""How far `verify` can be believed: speakers with faults that ngspice made, 55 before a release.

The circuits, the noise and the gate are those of `benchmarks/verify`, which knows nothing of the
tool's model; 600 of them are recorded there with every bar. Here the bars that hold in few trials.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchmarks.verify.judging import Row, judge
from benchmarks.verify.trials import draw_trial, run

pytestmark = [pytest.mark.ngspice, pytest.mark.data, pytest.mark.slow]

TRIALS = {
    "healthy": (5, 12), "listed": (5, 10), "pair": (1, 2), "unlisted": (5, 16),
    "around": (1, 10), "sound around": (1, 5),
}  # fmt: skip
"""How many of each group are tried routinely, and before a release."""


@pytest.fixture(scope="module")
def rows(ngspice: str, measured_data: object, trials: Callable[..., int]) -> list[Row]:
    """The trials, numbers from 0 of each group: none of those that are recorded."""
    out = []
    for group, (routine, full) in TRIALS.items():
        for seed in range(trials(routine=routine, full=full)):
            trial = draw_trial(seed, group)
            result, seconds = run(trial)
            out.append(judge(trial, result, group, seed, seconds))
    return out


def of(rows: list[Row], group: str) -> list[Row]:
    return [row for row in rows if row.group == group]


def test_six_directions_name_no_sound_part(rows: list[Row]) -> None:
    """Responses in six directions say more than one, so nothing that is sound is accused."""
    assert not [row.leading for row in of(rows, "around") if row.wrong_and_sure]
    assert not [row.leading for row in of(rows, "sound around") if row.accused]


def test_no_answer_speaks_against_itself(rows: list[Row]) -> None:
    """Verdict, cause, probabilities and tolerance agree in every one."""
    assert len(rows) in (18, 55)
    assert not [row.contradiction for row in rows if row.contradiction]


def test_no_healthy_speaker_is_accused(rows: list[Row]) -> None:
    """Half of them measured with two and a half times the ripple that is usual."""
    assert not [row.leading for row in of(rows, "healthy") if row.accused]


def test_listed_faults_that_stand_out_are_named(rows: list[Row]) -> None:
    """Those of five units of noise or more, or their exact twins; one of these few may be missed."""
    clear = [row for row in of(rows, "listed") if float(row.strengths) >= 5.0]
    missed = [f"{row.says}: {row.leading}" for row in clear if not row.named]
    assert len(clear) >= len(of(rows, "listed")) / 2
    assert len(missed) <= 1, missed


def test_unlisted_faults_are_not_blamed_on_sound_parts(rows: list[Row]) -> None:
    """With over 90 %: of these few two may be (95 % each would give one)."""
    blamed = [f"{row.says}: {row.leading}" for row in of(rows, "unlisted") if row.wrong_and_sure]
    assert len(blamed) <= 2, blamed


def test_intervals_hold_the_true_values(rows: list[Row]) -> None:
    """At least 85 % of those that are said to hold with 90 %."""
    some = [*of(rows, "healthy"), *of(rows, "listed")]
    assert sum(row.inside for row in some) >= 0.85 * sum(row.intervals for row in some)
