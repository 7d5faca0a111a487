"""Turning a network by hand: steps through the stock, undo and redo, what it is set against."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.bench.turning.bargains import find_bargains
from optimizer.bench.turning.laid import LaidOut
from optimizer.bench.turning.sitting import MOST_STATES, Offered, Sitting
from optimizer.errors import InputError
from optimizer.network.network import Network
from optimizer.network.slots import (
    keep,
    series_capacitor,
    series_inductor,
    shunt_capacitor,
    shunt_inductor,
)
from optimizer.network.topology import OneOf, Topology
from optimizer.network.variable_pad import variable_pad
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.stock.lots import SHELF, Lot
from optimizer.stock.stock import assemble_stock
from optimizer.testing import capacitor, coil, in_line, network, small_problem
from optimizer.testing.networks import across

E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
"""IEC 60063, series E6."""


@pytest.fixture(scope="module")
def problem() -> Problem:
    return small_problem()


def middle(problem: Problem) -> Network:
    """Every place filled with the middle of what it may be."""
    space = problem.space
    genome = space.snap(
        (space.log_low + space.log_high) / 2.0, space.optional | True, space.polarity_start
    )
    return space.network(genome)


@pytest.fixture(scope="module")
def sitting(problem: Problem) -> Sitting:
    return Sitting.begin(
        problem,
        [
            Offered(
                name="mine", parent="mine.yaml", candidate=build_candidate(problem, middle(problem))
            )
        ],
    )


def value(sitting: Sitting, label: str) -> float:
    knob = next(k for k in sitting.shown.laid.knobs if k.label == label)
    assert knob.part is not None
    return knob.part.value


def test_steps_are_those_of_the_series(sitting: Sitting) -> None:
    """From one end of its range to the other a value meets every value of the series once."""
    turned = sitting.step("tweeter.C1", -99)
    met = [value(turned, "tweeter.C1")]
    for _ in range(3):
        turned = turned.step("tweeter.C1", 1)
        met.append(value(turned, "tweeter.C1"))
    assert met == pytest.approx([3.3e-6, 4.7e-6, 6.8e-6, 10e-6])
    assert {round(v * 1e6 / (10 if v > 9e-6 else 1), 1) for v in met} <= set(E6)
    with pytest.raises(InputError, match=r"tweeter\.C1.*no larger value"):
        turned.step("tweeter.C1", 1)
    assert (
        turned.put("tweeter.C1", 0).shown.laid.knobs
        == sitting.put("tweeter.C1", 0).shown.laid.knobs
    )


def test_figures_are_those_of_check(sitting: Sitting, problem: Problem) -> None:
    """A turned network has the figures that its parts have wherever they come from."""
    turned = sitting.step("woofer.L1", 1).turn("tweeter").toggle("tweeter.P1.Rp")
    by_hand = turned.shown.laid.network
    assert turned.candidate().cost == build_candidate(problem, by_hand).cost
    assert by_hand.ways[1].polarity == -middle(problem).ways[1].polarity
    assert [slot.name for slot in by_hand.ways[1].slots] == ["C1", "L1"]


def test_a_compound_comes_back_as_it_was(sitting: Sitting) -> None:
    """Left out and put in again, a pad has the values that it had, and counts as a whole."""
    turned = sitting.step("tweeter.P1.Rs", 1)
    out = turned.toggle("tweeter.P1.Rs")
    states = {k.label: k.filling for k in out.shown.laid.knobs}
    assert states["tweeter.P1.Rs"] == states["tweeter.P1.Rp"] == "can come"
    assert states["woofer.C1"] == "can go"
    assert states["woofer.L1"] == "stays"
    assert out.toggle("tweeter.P1.Rp").shown.laid.network == turned.shown.laid.network
    with pytest.raises(InputError, match="put the part in first"):
        out.step("tweeter.P1.Rs", 1)


def test_what_stays_stays(sitting: Sitting) -> None:
    """What the design does not leave open is refused, with what would open it."""
    with pytest.raises(InputError, match="make it optional"):
        sitting.toggle("woofer.L1")
    with pytest.raises(InputError, match="polarity"):
        sitting.turn("woofer")
    with pytest.raises(InputError, match=r"no such place.*supertweeter\.C1"):
        sitting.step("supertweeter.C1", 1)


def test_undo_and_redo_walk_the_same_way(sitting: Sitting) -> None:
    """Every state is met again backwards and forwards; a new one forgets what was undone."""
    done = sitting.step("woofer.L1", 1).step("woofer.L1", 1).turn("tweeter").toggle("woofer.C1")
    networks = [s.laid.network for s in done.states]
    back = done
    for expected in networks[-2::-1]:
        back = back.undo()
        assert back.shown.laid.network == expected
    with pytest.raises(InputError, match="nothing has been done"):
        back.undo()
    forward = back.redo().redo()
    assert forward.shown.laid.network == networks[2]
    other = forward.step("tweeter.L1", 1)
    assert len(other.states) == 4
    with pytest.raises(InputError, match="nothing was undone"):
        other.redo()


def test_a_sitting_is_a_value(sitting: Sitting) -> None:
    """Nothing that is done changes what was there."""
    before = sitting.shown.laid.genome.choice.copy()
    sitting.step("woofer.L1", 1).turn("tweeter").hold()
    assert (sitting.shown.laid.genome.choice == before).all()
    assert sitting.at == 0
    assert len(sitting.states) == 1


def test_it_is_set_against_what_was_held(sitting: Sitting) -> None:
    """Before is the network that one began with, until another is held."""
    turned = sitting.step("woofer.L1", 1)
    assert turned.shown.before is sitting.offered[0].candidate
    held = turned.hold().step("woofer.L1", 1)
    assert held.shown.before.network == turned.shown.laid.network
    assert held.undo().undo().shown.before is sitting.offered[0].candidate


def test_a_board_of_its_own_is_laid_out_too(problem: Problem) -> None:
    """Parts that no stock has are where one begins, and can be gone back to."""
    odd = network(
        {
            "woofer": [in_line("L1", coil(1.234e-3, 0.41)), across("X9", capacitor(3.21e-6))],
            "tweeter": [in_line("C1", capacitor(5.55e-6)), across("L1", coil(0.5e-3, 0.2))],
        }
    )
    laid = LaidOut.of(problem, odd)
    assert laid.network == odd
    label = "woofer.X9"
    assert laid.step(label, 1).step(label, -1).network == odd
    larger = next(k.part for k in laid.step("woofer.L1", 1).knobs if k.label == "woofer.L1")
    assert larger is not None
    assert larger.value == pytest.approx(1.5e-3)


def test_pieces_in_use_are_passed_over() -> None:
    """A coil of which there is one can be in one place only: a step passes over it."""
    coils = (0.4e-3, 0.5e-3, 0.7e-3, 1e-3, 1.5e-3)
    lots = [
        Lot(
            part=coil(v, 0.2, origin=SHELF, price=0.0, pieces=(v,)),
            count=1 if v == 0.7e-3 else 9,
            nominal=v,
        )
        for v in coils
    ]
    lots += [
        Lot(part=capacitor(v, origin=SHELF, price=0.0, pieces=(v,)), count=9, nominal=v)
        for v in (4e-6, 8e-6, 16e-6)
    ]
    shelf = assemble_stock(lots=lots, join=1, speakers=1)
    topology = Topology.of(
        woofer=[series_inductor("L1", "0.5 mH", "1.5 mH")],
        tweeter=[
            series_capacitor("C1", "4 uF", "16 uF"),
            shunt_inductor("L1", "0.4 mH", "1 mH"),
        ],
    )
    problem = small_problem(topology=topology, stock=shelf)
    genome = problem.space.snap(np.log([0.7e-3, 8e-6, 0.5e-3]), np.ones(3, dtype=bool), np.ones(2))
    laid = LaidOut(problem=problem, genome=genome)
    label = "tweeter.L1"
    stepped = next(k.part for k in laid.step(label, 1).knobs if k.label == label)
    assert stepped is not None
    assert stepped.value == pytest.approx(1e-3)
    freed = laid.step("woofer.L1", 1).step(label, 1)
    assert {k.label: k.part.value for k in freed.knobs if k.part}[label] == pytest.approx(0.7e-3)


def test_alternatives_are_taken_as_a_whole() -> None:
    """Of two alternatives one is built, a control has one position, and both can be gone back to."""
    topology = Topology.of(
        woofer=[
            series_inductor("L1", "0.68 mH", "2.2 mH"),
            OneOf({"first order": [], "second order": [shunt_capacitor("C1", "6.8 uF", "22 uF")]}),
        ],
        tweeter=[
            series_capacitor("C1", "3.3 uF", "10 uF"),
            variable_pad("level", 8.0, [0.0, -2.0, -4.0]),
        ],
    )
    problem = small_problem(topology=topology)
    alternatives = problem.space.alternatives
    wanted = np.zeros(len(problem.space.slots), dtype=bool)
    present = alternatives.settle(wanted | ~problem.space.optional, np.full(len(wanted), 0.1))
    genome = problem.space.snap(problem.space.log_low, present, problem.space.polarity_start)
    laid = LaidOut(problem=problem, genome=genome)
    order, level = laid.switches
    assert order.names == ("first order", "second order")
    assert level.control == "level"
    assert not any(knob.filling == "can go" for knob in laid.knobs)
    for k, name in enumerate(level.names):
        turned = laid.take(1, k)
        assert turned.switches[1].taken == k
        assert build_candidate(problem, turned.network).taken[1].name == name
    second = laid.take(0, 1)
    assert [slot.name for slot in second.network.ways[0].slots] == ["L1", "C1"]
    assert second.switches[1].taken == level.taken
    assert second.take(0, order.taken).network == laid.network
    with pytest.raises(InputError, match="no such alternative"):
        laid.take(0, 2)


def test_the_oldest_states_are_forgotten(sitting: Sitting) -> None:
    """A long sitting keeps the newest states."""
    long = sitting
    for k in range(MOST_STATES + 5):
        long = long.turn("tweeter") if k % 2 else long.toggle("woofer.C1")
    assert len(long.states) == MOST_STATES
    assert long.at == MOST_STATES - 1


def test_more_networks_are_offered_once(sitting: Sitting) -> None:
    """What is there already is not offered again, nor is what comes twice."""
    first = sitting.offered[0]
    other = Offered(name="other", parent="", candidate=sitting.turn("tweeter").candidate())
    assert [one.name for one in sitting.add([first, other, other]).offered] == ["mine", "other"]
    chosen = sitting.add([other]).choose(1)
    assert chosen.shown.before is other.candidate
    assert chosen.candidate() is other.candidate
    with pytest.raises(InputError, match="no such network"):
        sitting.choose(7)


def test_what_was_saved_is_the_parent_of_what_follows(sitting: Sitting) -> None:
    """Once saved, a network is one to begin from; what is set against it stays as it was."""
    turned = sitting.step("woofer.L1", 1)
    saved = Offered(name="a.yaml", parent="a.yaml", candidate=turned.candidate())
    after = turned.adopt(saved)
    assert after.start.parent == "a.yaml"
    assert after.shown.laid is turned.shown.laid
    assert after.shown.before is turned.shown.before
    assert after.step("woofer.L1", -1).start.parent == "a.yaml"
    assert after.undo().start.parent == "mine.yaml"
    first = sitting.offered[0]
    assert (
        sitting.adopt(Offered(name="b.yaml", parent="b.yaml", candidate=first.candidate)) is sitting
    )


def test_what_was_made_of_a_network_is_set_against_it(sitting: Sitting) -> None:
    """An answer to a wish shows at once what it changes, and against what."""
    made = Offered(
        name="wish 1.1",
        parent="mine.yaml",
        candidate=sitting.step("woofer.L1", 1).candidate(),
        against=sitting.candidate(),
    )
    chosen = sitting.add([made]).choose(1)
    assert chosen.shown.before is made.against
    assert chosen.candidate() is made.candidate


def reweighed(problem: Problem, network: Network, **weights: float) -> float:
    """Cost of a network by the engine, under other weights."""
    other = problem.replace(goals=problem.goals.weighted(**weights))
    return float(build_candidate(other, network).cost)


def test_weights_cost_networks_as_the_engine_does(problem: Problem, sitting: Sitting) -> None:
    """What is shown, what is offered and what it is set against cost what the engine says under the
    weights that are set; the weights of the design bring everything back as it was."""
    goals = list(problem.goals)
    weights = {goals[0]: 2.0 * problem.goals[goals[0]].weight, goals[-1]: 0.0}
    turned = sitting.step("tweeter.C1", -1)
    weighed = turned.weigh(weights)
    for seen, built in (
        (weighed.candidate(), turned.shown.laid.network),
        (weighed.weighed(sitting.offered[0].candidate), sitting.offered[0].candidate.network),
    ):
        assert seen.cost == pytest.approx(reweighed(problem, built, **weights), rel=1e-12)
        assert seen.certificate.state == "never sought"
    cost = weighed.wanted.cost([weighed.shown.laid.genome])[0]
    assert cost == pytest.approx(weighed.candidate().cost, rel=1e-9)
    assert weighed.candidate().cost != turned.candidate().cost
    # What is kept is costed as the design has it, whichever weights it was found under.
    found = Offered(name="found", parent="", candidate=weighed.candidate())
    kept = weighed.add([found]).offered[-1].candidate
    assert kept.cost == pytest.approx(turned.candidate().cost, rel=1e-12)
    back = weighed.weigh({name: problem.goals[name].weight for name in weights})
    assert back.candidate().cost == turned.candidate().cost
    assert back.wanted is problem
    for wrong in ({"no_such": 1.0}, {goals[0]: -1.0}):
        with pytest.raises(InputError):
            sitting.weigh(wrong)


def test_a_bargain_is_the_best_of_what_is_allowed(problem: Problem) -> None:
    """Found again by looking at every network: as good as any whose given goal is bad enough."""
    harder = replace(problem.goals["impedance"], floor_ohm=12.0)  # which no network keeps
    problem = problem.replace(goals=problem.goals.replace(impedance=harder))
    space = problem.space
    rng = np.random.default_rng(3)
    known = [
        build_candidate(
            problem,
            space.snap(
                rng.uniform(space.log_low, space.log_high),
                space.optional | True,
                space.polarity_start,
            ),
        )
        for _ in range(12)
    ]
    # From the flattest on the axis, so that whatever betters something else costs ripple there.
    known.sort(key=lambda one: one.goals[0].value)
    shown = known[0]
    figures = [{goal.name: goal.value for goal in one.goals} for one in known]
    goal = shown.goals[0].name
    give = figures[-3][goal] - figures[0][goal]
    bargains = find_bargains(shown, known, goal=goal, give=give)
    within = [
        k
        for k, one in enumerate(known)
        if figures[k][goal] <= figures[0][goal] + give and one.feasible >= shown.feasible
    ]
    expected = {
        name: figures[0][name] - min(figures[k][name] for k in within)
        for name in figures[0]
        if name != goal
    }
    assert {b.bought.name: b.gained for b in bargains} == pytest.approx(
        {name: gained for name, gained in expected.items() if gained >= 0.005}
    )
    assert bargains
    for one in bargains:
        assert figures[one.number][goal] - figures[0][goal] == pytest.approx(one.given)
        assert one.given <= give + 1e-9
    with pytest.raises(InputError):
        find_bargains(shown, known, goal="no_such", give=0.2)
    with pytest.raises(InputError):
        find_bargains(shown, known, goal=goal, give=-0.1)


def test_a_part_that_stays_is_changed_when_asked() -> None:
    """It cannot be turned until it is let go; then it steps through the stock and back to what it was,
    what is computed is the changed network, and undo makes it stay again."""
    stays = keep(series_inductor("L1"), "1.2 mH", loss="0.3 ohm")
    topology = Topology.of(
        woofer=[stays, shunt_capacitor("C1", "6.8 uF", "22 uF", optional=True)],
        tweeter=[series_capacitor("C1", "3.3 uF", "10 uF")],
    )
    problem = small_problem(topology=topology)
    candidate = build_candidate(problem, middle(problem))
    begun = Sitting.begin(problem, [Offered(name="board", parent="", candidate=candidate)])
    knobs = {knob.label: knob for knob in begun.shown.laid.knobs}
    assert [label for label, knob in knobs.items() if knob.kept] == ["woofer.L1"]
    with pytest.raises(InputError):
        begun.step("woofer.L1", 1)
    with pytest.raises(InputError, match="stays on the board"):
        begun.free("woofer.C1")
    free = begun.free("woofer.L1")
    assert free.shown.laid.network == begun.shown.laid.network
    assert free.candidate().cost == candidate.cost
    turned = free.step("woofer.L1", 1)
    assert value(turned, "woofer.L1") == pytest.approx(1.5e-3)
    assert turned.candidate().cost == build_candidate(problem, turned.shown.laid.network).cost
    assert turned.candidate().cost != candidate.cost
    back = turned.step("woofer.L1", -1)
    assert back.shown.laid.network == begun.shown.laid.network
    assert turned.undo().undo().shown is begun.shown
    with pytest.raises(InputError):
        free.free("woofer.L1")
