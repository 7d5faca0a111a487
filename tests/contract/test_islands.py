"""Portions are pure, hauls decide what comes next, budgets repeat, and agreement is counted."""

from __future__ import annotations

import csv
import pickle
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from optimizer.problem.agreement import WITHIN, Agreement
from optimizer.problem.problem import Problem
from optimizer.problem.structures import Structures
from optimizer.search import fit
from optimizer.search.budget import Stopwatch
from optimizer.search.fit import AGREEING, search
from optimizer.search.islands import ISLANDS, STARTS_FAIL, Islands
from optimizer.search.portions import Climb, Finish, FirstPass, Haul, Portion, Wander, work
from optimizer.search.progress import SearchProgress
from optimizer.search.task import Deadline
from tests.conftest import cases

ROOT = Path(__file__).resolve().parents[2]
Tiny = Callable[..., Problem]
DRAWN = {"seed": 26, "most": 1e9, "series": "E12"}  # 58 000 networks in three ways


def do(problem: Problem, portion: Portion) -> Haul:
    return work(problem, portion, Deadline(None))


def play(problem: Problem, rounds: int, seed: int = 3) -> list[tuple[Portion, Haul]]:
    """Deal and do some rounds, as if parts stood on a board: then networks are disturbed as well."""
    islands, done = Islands(problem, seed, board=True), []
    for _ in range(rounds):
        for portion in islands.deal():
            haul = do(problem, portion)
            islands.tell(portion, haul)
            done.append((portion, haul))
        islands.end_round()
    return done


@pytest.fixture(scope="module")
def played(tiny: Tiny) -> list[tuple[Portion, Haul]]:
    """Return three rounds of a problem."""
    return play(tiny(**DRAWN), 3)


def test_every_kind_of_portion_is_dealt(played: list[tuple[Portion, Haul]]) -> None:
    """What is tested below covers all that a search hands out."""
    assert {type(portion) for portion, _ in played} == {FirstPass, Climb, Finish, Wander}


def test_a_portion_is_pure(tiny: Tiny, played: list[tuple[Portion, Haul]]) -> None:
    """Done again in another order, on another copy of the problem, each brings the same."""
    again = pickle.loads(pickle.dumps(tiny(**DRAWN)))
    for portion, haul in reversed(played):
        repeated = do(again, pickle.loads(pickle.dumps(portion)))
        assert repeated.evaluations == haul.evaluations
        assert [c for _, c in repeated.genomes] == [c for _, c in haul.genomes]
        assert [m.cost for m in repeated.met] == [m.cost for m in haul.met]
        assert all(
            (a.point.log_values == b.point.log_values).all()
            for a, b in zip(repeated.met, haul.met, strict=True)
        )


def test_costs_of_a_haul_are_those_of_the_problem(
    tiny: Tiny, played: list[tuple[Portion, Haul]]
) -> None:
    """Every network comes back with what the problem itself says it costs."""
    problem = tiny(**DRAWN)
    found = [item for _, haul in played for item in haul.genomes]
    assert found
    said = problem.cost([genome for genome, _ in found])
    assert said == pytest.approx([cost for _, cost in found], abs=1e-9)


def test_a_portion_out_of_time_ends_at_once(tiny: Tiny) -> None:
    """A first pass that has no time left relaxes nothing, but says where it stands."""
    problem = tiny(**DRAWN)
    portion = Islands(problem, 1).deal()[0]
    short, whole = work(problem, portion, Deadline(0.0)), do(problem, portion)
    assert short.met
    assert short.evaluations < 0.2 * whole.evaluations


def test_starts_are_independent(tiny: Tiny) -> None:
    """A new start knows nothing of the last one, and draws other numbers."""
    islands = Islands(tiny(**DRAWN), 3)
    first = islands.deal()
    for portion in first:
        islands.tell(portion, do(tiny(**DRAWN), portion))
    assert islands.best_structures(1)
    islands.start_anew()
    assert not islands.best_structures(1)
    assert not islands.networks()
    second = islands.deal()
    assert [type(p) for p in second] == [type(p) for p in first]
    assert not {p.seed for p in first} & {p.seed for p in second}


@pytest.mark.parametrize("budget", cases([3_000, 1, 6_000], routine=1))
def test_a_budget_of_networks_ends_with_the_portion_that_uses_it(tiny: Tiny, budget: int) -> None:
    """The count passes the budget by less than one portion, and says that it repeats."""
    told: list[SearchProgress] = []
    result = search(
        tiny(**DRAWN), seconds=None, evaluations=budget, seed=2, top=1, progress=told.append
    )
    counts = [t.evaluations for t in told if t.phase == "searching"]
    assert counts[-1] >= budget
    assert all(count < budget for count in counts[:-1])
    assert result.stopped == "budget"
    assert result.repeatable
    assert result.candidates  # however small the budget


def test_hardly_any_time_still_gives_a_network(tiny: Tiny) -> None:
    """What was relaxed is brought to a network before a search ends."""
    result = search(tiny(**DRAWN), seconds=1e-6, seed=2, top=3)
    assert result.candidates
    assert not result.repeatable


@pytest.mark.thorough
def test_converged_means_that_starts_agree(tiny: Tiny, monkeypatch: pytest.MonkeyPatch) -> None:
    """A search ends by itself when enough independent starts came to the same best cost."""
    monkeypatch.setattr(fit, "SMALL_LOG10", 0.0)  # so that it is not gone through as a whole
    ends: list[float] = []
    anew = Islands.start_anew

    def listen(self: Islands) -> None:
        if hasattr(self, "best"):
            ends.append(self.best)
        anew(self)

    monkeypatch.setattr(Islands, "start_anew", listen)
    result = search(tiny(2), seconds=None, seed=3, top=1)
    assert result.stopped == "converged"
    assert result.agreement.starts == len(ends) + 1  # the last one is not followed by another
    assert result.agreement.met == AGREEING
    near = sum(end <= result.best.cost * (1.0 + WITHIN) for end in ends)
    assert near == AGREEING - 1


def test_what_is_proven_names_no_chance(tiny: Tiny) -> None:
    """Where every network was gone through, nothing can have been missed."""
    result = search(tiny(2), seconds=None, seed=3, top=1)
    assert any(note.startswith("proven best") for note in result.notes)
    assert result.agreement.missed is None


def test_agreement_is_counted() -> None:
    """Starts within a thousandth have met the best, those within a hundredth are near it."""
    ends = (2.0, 2.0 * (1.0 + 0.5 * WITHIN), 2.1, 2.0 * (1.0 + 2.0 * WITHIN))
    agreement = Agreement(ends=ends, best=2.0)
    assert (agreement.starts, agreement.met, agreement.near) == (4, 2, 3)
    assert Agreement(ends=(), best=1.0).missed is None
    # One start of which nothing is known fails as often as not; a counted one as was counted.
    assert Agreement(ends=(1.0,), best=1.0).missed == pytest.approx(0.5)
    assert Agreement(ends=(1.0,), best=1.0, fails=0.03).missed == pytest.approx(0.03)
    # A best cost that no start has ended at is one of a further start, which is not ended.
    apart = Agreement(ends=(1.0, 1.2), best=1.0, fails=0.03).missed
    assert Agreement(ends=(1.2,), best=1.0, fails=0.03).missed == apart


@pytest.mark.parametrize("fails", [0.03, 0.2, 0.5])
@pytest.mark.parametrize("starts", [1, 2, 4])
def test_the_chance_of_a_miss_is_that_of_problems_drawn_at_random(
    fails: float, starts: int
) -> None:
    """Judge: half a million problems whose starts fail by a beta law, those that fail alike.

    All starts then agree where none or all have failed, and the share of the latter is the chance.
    """
    rng = np.random.default_rng(4)
    chance = rng.beta(fails, 1.0 - fails, 500_000)
    failed = rng.binomial(starts, chance)
    missed, agree = int((failed == starts).sum()), int(np.isin(failed, (0, starts)).sum())
    said = Agreement(ends=(1.0,) * starts, best=1.0, fails=fails).missed
    assert said == pytest.approx(missed / agree, abs=4.0 * np.sqrt(missed) / agree)


def test_starts_that_end_apart_raise_the_chance() -> None:
    """The more starts agree the smaller it is, the more end elsewhere the larger."""

    def said(near: int, far: int) -> float:
        ends = (1.0,) * near + (1.2,) * far
        missed = Agreement(ends=ends, best=1.0, fails=STARTS_FAIL).missed
        assert missed is not None
        return missed

    agreeing = [said(k, 0) for k in (1, 2, 4, 8)]
    assert agreeing == sorted(agreeing, reverse=True)
    apart = [said(4 - k, k) for k in (0, 1, 2, 3)]
    assert apart == sorted(apart)
    assert said(1, 1) > 0.3


def test_how_often_starts_fail_is_what_was_counted() -> None:
    """The constant is the rule of succession over the problems of the newest recorded count."""
    newest = max((ROOT / "benchmarks" / "results").glob("starts-*.csv"))
    with newest.open(encoding="utf-8", newline="") as stream:
        counted = [row for row in csv.DictReader(stream) if row["counts"] == "1"]
    assert {int(row["islands"]) for row in counted} == {ISLANDS}
    failed = sum(int(row["first failed"]) for row in counted)
    assert pytest.approx((failed + 1) / (len(counted) + 2), abs=0.005) == STARTS_FAIL


def test_the_clock_stands_still_while_something_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seconds of a block that does not count are not spent."""
    now = [100.0]
    monkeypatch.setattr("optimizer.search.budget.time.monotonic", lambda: now[0])
    clock = Stopwatch(10.0)
    now[0] += 3.0
    with clock.stopped():
        now[0] += 50.0
    assert clock.spent() == pytest.approx(3.0)
    assert clock.left() == pytest.approx(7.0)
    assert clock.until(0.5) == pytest.approx(6.5)
    assert Stopwatch(None).left() is None


@pytest.mark.parametrize("seed", [2, 16, 26])
def test_twins_are_one_structure(tiny: Tiny, seed: int) -> None:
    """Structures of one name give the same curves for the same values, others do not.

    The judge is the solver: parts of equal value in slots side by side are exchanged.
    """
    problem = tiny(seed, most=1e9, series="E12")
    space, structures = problem.space, Structures(problem.space, kept=True)
    rng = np.random.default_rng(seed)
    values = {"inductor": 1e-3, "capacitor": 1e-5, "resistor": 6.0}
    log_values = np.log([values[gene.kind] for gene in space.genes])
    levels: dict[bytes, np.ndarray] = {}
    drawn = 0
    for _ in range(200):
        present = ~space.optional | (rng.random(len(space.slots)) < 0.5)
        if not space.alternatives.fits(present):
            continue
        drawn += 1
        population = fit_population(problem, log_values, present)
        level = problem.evaluator.curves(population).level_db(problem.evaluator.field.names[0])[0]
        key = structures.key(present, space.polarity_start)
        assert levels.setdefault(key, level) == pytest.approx(level, abs=1e-9)
    assert drawn > 20


def fit_population(problem: Problem, log_values: np.ndarray, present: np.ndarray):  # type: ignore[no-untyped-def]
    from optimizer.search.descend.relax import relaxed_population

    return relaxed_population(
        problem.space,
        problem.loss_laws,
        log_values[None],
        present[None],
        problem.space.polarity_start[None],
    )
