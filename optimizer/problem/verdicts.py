"""What an experienced eye asks of a network before the iron is hot, answered with figures.

Goals say how good a network is in sum; a verdict says of one thing whether it is in order, with the
limit, where the limit comes from and what would change it. Limits without a source beside them are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from optimizer.acoustics.averages import MOSTLY
from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.goals import BreakUp, CrossoverRange, Epdr, GridGoal, Impedance, Loudness, LowDrive
from optimizer.goals.crossover import null_depth_db
from optimizer.goals.protection import PreparedTops, own_drive_db
from optimizer.goals.reflections import turn_upwards
from optimizer.measure.curve import Direction
from optimizer.network.amplifier import equivalent_peak_dissipation_resistance
from optimizer.network.expression.nodes import IDEAL
from optimizer.network.network import FittedGroup, Network
from optimizer.network.solve import SolvedNetwork, solve_network
from optimizer.parts import KEPT, NO_TERMS, UNIT_OF_KIND
from optimizer.problem.crossovers import find_crossing
from optimizer.problem.problem import Problem
from optimizer.problem.ties import excess_of, resonance_hz
from optimizer.problem.verdict import Verdict, VerdictState
from optimizer.text.units import format_quantity, say_hz

IN_STEP_DEG = (30.0, 60.0)
"""Phase between ways where they meet: 30 degrees cost 0.3 dB of their sum, 60 cost 1.2 dB and leave a
null of 5 dB, too shallow to be told from ripple."""
HOLE_DB = (4.0, 6.0)
"""Fall of the sum within `HOLE_ANGLE_DEG` up or down: what is half gone is a hole."""
HOLE_ANGLE_DEG = 15.0
HOLE_BAND_HZ = (200.0, 10000.0)
LOUDNESS_DB = (1.5, 3.0)
"""Loss of every driver: coils alone take up to 1 dB or so."""
DRIVE_DB = 3.0
"""How far a drive may exceed its limit before it is bad."""
BREAK_UP_DB = 10.0
"""How far a driver above its range may come up from its limit before it is bad."""
BAD_IMPEDANCE_SHARE = 0.8
"""Share of the floor below which an impedance is bad: 64 % of the rated one."""
BAD_EPDR_SHARE = 0.75
"""Share of the floor below which the EPDR is bad."""
LIMIT_ROUNDING = 0.5
"""Of the step in which a limit is counted."""
LARGEST_NAMED = 4
"""More parts at the end of their range are counted, not named."""


def judge_network(
    problem: Problem, network: Network, solved: SolvedNetwork | None = None
) -> tuple[Verdict, ...]:
    """Judge a network.

    Parameters
    ----------
    problem : Problem
        Drivers, ranges and goals; limits are taken from its goals where it has them.
    network : Network
        With the ways of the problem.
    solved : SolvedNetwork, optional
        Its solution, where it is known already.

    Returns
    -------
    tuple of Verdict
        In the order of `JUDGES`.
    """
    evidence = Evidence(problem, network, solved)
    return tuple(verdict for judged in JUDGES for verdict in judged(evidence))


def is_bad(problem: Problem, network: Network) -> bool:
    """Whether some verdict of a network is bad."""
    evidence = Evidence(problem, network)
    return any(verdict.state == "bad" for judged in JUDGES for verdict in judged(evidence))


class Evidence:
    """What verdicts look at, computed when first asked for.

    Parameters
    ----------
    problem : Problem
    network : Network
    solved : SolvedNetwork, optional
        See `judge_network`.
    """

    def __init__(
        self, problem: Problem, network: Network, solved: SolvedNetwork | None = None
    ) -> None:
        self.problem = problem
        self.network = network
        self.frequency_hz: Real = problem.frequency_hz
        self.solved = self.solve(network) if solved is None else solved

    def solve(self, network: Network) -> SolvedNetwork:
        """Solve the network, or a part of it."""
        loads = {driver.name: driver.impedance for driver in self.problem.drivers}
        return solve_network(network, self.frequency_hz, loads)

    @cached_property
    def curves(self) -> Curves:
        """Every curve of the network."""
        solved = self.solved
        return Curves(self.problem.report_field, list(solved.transfer), solved.admittance)

    @cached_property
    def pressure(self) -> Complex:
        """Pressure of each way in each direction, shape (W, A, F)."""
        raw: Complex = self.problem.report_field.pressure
        return np.asarray(self.solved.transfer[:, None, :] * raw)

    @cached_property
    def way_db(self) -> Real:
        """Level of each way alone on the axis, shape (W, F)."""
        return level_db(self.pressure[:, self.problem.axis])

    @cached_property
    def on_axis_db(self) -> Real:
        """Level of the sum on the axis, shape (F,)."""
        return level_db(self.pressure[:, self.problem.axis].sum(axis=0))

    @cached_property
    def branch_currents(self) -> dict[str, Real]:
        """Current that each branch on the amplifier's terminals takes, A per V, each (F,)."""
        network = self.network
        return {
            branch.name: np.abs(self.solve(_alone(network, branch.name)).admittance)
            for branch in network.branches
        }

    def band(self, low_hz: float, high_hz: float) -> slice:
        """Part of the grid that lies in a band."""
        f = self.frequency_hz
        return slice(int(np.searchsorted(f, low_hz)), int(np.searchsorted(f, high_hz, "right")))

    @cached_property
    def meetings(self) -> tuple[tuple[CrossoverRange, int, int, float | None], ...]:
        """Where each pair of ways may meet, its ways, and where it does in Hz."""
        names = self.problem.scene.way_names
        found = []
        for one in self.problem.scene.meetings():
            lower, upper = names.index(one.lower), names.index(one.upper)
            hz = find_crossing(self.frequency_hz, self.way_db[lower], self.way_db[upper])
            found.append((one, lower, upper, hz))
        return tuple(found)


Goals = TypeVar("Goals", bound=GridGoal)


def _goal(problem: Problem, kind: type[Goals]) -> tuple[Goals, str]:
    """Take the goal that a problem has of a kind, or its defaults, and where it is from."""
    own = problem.goals.get(kind.name)
    return (own, f"goal {kind.name}") if isinstance(own, kind) else (kind(), "common practice")


def _on_grid(problem: Problem, kind: type[GridGoal]) -> tuple[Any, str]:
    """Take a goal as it is prepared already, or prepare its defaults; None where nothing serves it."""
    goal, source = _goal(problem, kind)
    own = next((on for on in problem.prepared if on.name == goal.name), None)
    if own is not None:
        return own, source
    try:
        return goal.prepare(problem.scene), source
    except InputError:
        return None, source


def level_db(pressure: Complex) -> Real:
    """Level of a pressure in dB, shape as given."""
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(pressure), 1e-15)))


def _grade(short: float, allowed: float) -> VerdictState:
    """Grade by how far a figure is beyond its limit: not at all, by less than allowed, by more."""
    return "ok" if short <= 1e-6 else "look" if short <= allowed else "bad"


def judge_crossovers(evidence: Evidence) -> Iterator[Verdict]:
    """Where two ways meet against the range that is known for them."""
    for one, _, _, hz in evidence.meetings:
        low, high = one.low_hz, one.high_hz
        if low is None and high is None:
            state: VerdictState = "look"
        elif hz is None:
            state = "bad"
        else:
            inside = (low is None or hz >= low) and (high is None or hz <= high)
            state = "ok" if inside else "bad"
        yield Verdict(
            name="crossover", where=one.pair, state=state, figure=hz, limit=(low, high), unit="Hz",
            source=one.source,
            says="they never meet in level" if hz is None else f"they meet at {say_hz(hz)}",
            remedy=_mend_crossover(one, hz) if state != "ok" else "",
        )  # fmt: skip


def _mend_crossover(one: CrossoverRange, hz: float | None) -> str:
    if one.low_hz is None and one.high_hz is None:
        return "state where they may meet"
    if hz is None:
        return "let one of them give way to the other"
    if one.low_hz is not None and hz < one.low_hz:
        return (
            f"smaller parts towards {one.upper} and {one.lower}, or a lower range if it stands it"
        )
    return f"larger parts towards {one.upper} and {one.lower}, or a higher range if it reaches up"


def judge_low_drive(evidence: Evidence) -> Iterator[Verdict]:
    """Drive of upper drivers at their resonance and below their lowest frequency."""
    on, source = _on_grid(evidence.problem, LowDrive)
    if on is None:
        return
    for row, way in enumerate(on.tops):
        yield _judge_drive(evidence, on, row, way, source)


def _judge_drive(evidence: Evidence, on: PreparedTops, row: int, way: int, source: str) -> Verdict:
    drive = level_db(evidence.solved.transfer[way])
    drive = drive - float(own_drive_db(on, evidence.curves, row)[0])
    at = int(np.argmax(drive - on.allowed_db[row]))
    allowed = float(on.allowed_db[row, at])
    state = _grade(float(drive[at]) - allowed, DRIVE_DB)
    return Verdict(
        name="low_drive", where=on.ways[way], state=state, figure=float(drive[at]),
        limit=(None, allowed), unit="dB", source=source,
        says=f"driven {drive[at]:+z.2f} dB against its own band at "
        f"{say_hz(float(evidence.frequency_hz[at]))}",
        remedy="cross higher, or a steeper high-pass" if state != "ok" else "",
    )  # fmt: skip


def judge_step(evidence: Evidence) -> Iterator[Verdict]:
    """Phase between two ways where they meet, and the null when one is turned round."""
    for one, lower, upper, hz in evidence.meetings:
        if hz is None:
            continue
        axis = evidence.pressure[:, evidence.problem.axis]
        product = axis[lower] * axis[upper].conj()
        x, at = np.log(evidence.frequency_hz), float(np.log(hz))
        # Interpolating the product keeps a phase near 180 degrees whole.
        turn = complex(np.interp(at, x, product.real), np.interp(at, x, product.imag))
        phase = np.asarray(np.angle(turn))
        degrees, null = abs(float(np.degrees(phase))), float(null_depth_db(phase))
        state = _grade(degrees - IN_STEP_DEG[0], IN_STEP_DEG[1] - IN_STEP_DEG[0])
        yield Verdict(
            name="in_step", where=one.pair, state=state, figure=degrees,
            limit=(None, IN_STEP_DEG[0]), unit="deg",
            says=f"{degrees:.0f} degree{'s' * (f'{degrees:.0f}' != '1')} apart at {say_hz(hz)}; "
            + (f"with one turned round they cancel there by {null:.0f} dB" if null > 0.5
               else "with one turned round it is louder there"),
            remedy="turn one of them, or another order on one side" if state != "ok" else "",
        )  # fmt: skip


def judge_holes(evidence: Evidence) -> Iterator[Verdict]:
    """Deepest fall of the sum when one stands up or sits low."""
    found = list(_vertical(evidence))
    if not found and len(evidence.problem.topology.ways) > 1:
        yield Verdict(
            name="hole", state="look", figure=None, limit=(None, HOLE_DB[1]), unit="dB",
            says="up and down was neither measured nor can it be told from places of the drivers",
            remedy=f"measure every driver {HOLE_ANGLE_DEG:g} degrees up and down, or state how high "
            "each of them sits",
        )  # fmt: skip
    for where, level, how in found:
        band = evidence.band(*HOLE_BAND_HZ)
        fall = (evidence.on_axis_db - level)[band]
        if not len(fall):
            continue
        at = int(np.argmax(fall))
        depth = float(fall[at])
        state = _grade(depth - HOLE_DB[0], HOLE_DB[1] - HOLE_DB[0])
        yield Verdict(
            name="hole", where=where, state=state, figure=depth, limit=(None, HOLE_DB[0]), unit="dB",
            source=f"common practice; {how}",
            says=f"{max(depth, 0.0):.1f} dB below the axis at "
            f"{say_hz(float(evidence.frequency_hz[band][at]))}",
            remedy="cross lower, or bring the ways in step" if state != "ok" else "",
        )  # fmt: skip


def _vertical(evidence: Evidence) -> Iterator[tuple[str, Real, str]]:
    """Level up and down: measured, or estimated from how high each driver sits."""
    directions = evidence.problem.directions
    for sign in (1.0, -1.0):
        wanted = Direction(vertical_deg=sign * HOLE_ANGLE_DEG)
        if wanted in directions:
            estimated = any(wanted in d.estimated for d in evidence.problem.drivers)
            total = evidence.pressure[:, directions.index(wanted)].sum(axis=0)
            yield str(wanted), level_db(total), "estimated" if estimated else "measured"
            continue
        raw = turn_upwards(evidence.problem.scene.ways, evidence.frequency_hz, wanted.vertical_deg)
        if raw is not None:
            total = (evidence.solved.transfer * raw).sum(axis=0)
            yield str(wanted), level_db(total), "told from the places of the drivers alone"


def judge_break_up(evidence: Evidence) -> Iterator[Verdict]:
    """Output of a driver above its highest frequency, against the sum."""
    goal, source = _goal(evidence.problem, BreakUp)
    for way, (name, driver) in enumerate(evidence.problem.scene.ways):
        top = driver.limits.highest_hz
        above = slice(0, 0) if top is None else evidence.band(top, np.inf)
        margin = (evidence.on_axis_db - evidence.way_db[way])[above]
        if not len(margin):
            continue
        at = int(np.argmin(margin))
        below = float(margin[at])
        state = _grade(goal.down_db - below, BREAK_UP_DB)
        yield Verdict(
            name="break_up", where=name, state=state, figure=below, limit=(goal.down_db, None),
            unit="dB", source=source,
            says=f"{below:.0f} dB below the sum at {say_hz(float(evidence.frequency_hz[above][at]))}",
            remedy="a steeper low-pass, or a notch there" if state != "ok" else "",
        )  # fmt: skip


def judge_impedance(evidence: Evidence) -> Iterator[Verdict]:
    """Lowest impedance that the amplifier sees."""
    goal, source = _goal(evidence.problem, Impedance)
    band = evidence.band(*goal.band_hz)
    modulus = np.abs(evidence.solved.input_impedance)[band]
    if not len(modulus):
        return
    at = int(np.argmin(modulus))
    lowest = float(modulus[at])
    state = _grade(goal.floor_ohm - lowest, (1.0 - BAD_IMPEDANCE_SHARE) * goal.floor_ohm)
    hz = float(evidence.frequency_hz[band][at])
    yield Verdict(
        name="impedance", state=state, figure=lowest, limit=(goal.floor_ohm, None), unit="ohm",
        source=source, says=f"lowest {lowest:.2f} ohm{_within(evidence, goal)}, at {say_hz(hz)}",
        remedy=f"an amplifier for less, or more in front of {_branch_at(evidence, hz)}"
        if state != "ok" else "",
    )  # fmt: skip


def judge_epdr(evidence: Evidence) -> Iterator[Verdict]:
    """Hardest load for an output stage, and which branch makes it."""
    goal, source = _goal(evidence.problem, Epdr)
    band = evidence.band(*goal.band_hz)
    epdr = equivalent_peak_dissipation_resistance(evidence.solved.input_impedance)[band]
    if not len(epdr):
        return
    at = int(np.argmin(epdr))
    lowest = float(epdr[at])
    hz = float(evidence.frequency_hz[band][at])
    state = _grade(goal.floor_ohm - lowest, (1.0 - BAD_EPDR_SHARE) * goal.floor_ohm)
    branch = _branch_at(evidence, hz)
    yield Verdict(
        name="epdr", where=branch, state=state, figure=lowest, limit=(goal.floor_ohm, None),
        unit="ohm", source=source,
        says=f"heats an output stage as {lowest:.2f} ohm would{_within(evidence, goal)}, at {say_hz(hz)}",
        remedy=f"flatten the phase of {branch} there, or an amplifier for less"
        if state != "ok" else "",
    )  # fmt: skip


def _within(evidence: Evidence, goal: Impedance | Epdr) -> str:
    """Say where was looked, when that is not everywhere."""
    f = evidence.frequency_hz
    low, high = goal.band_hz
    everywhere = low <= f[0] * 1.01 and high >= f[-1] * 0.99
    return "" if everywhere else f" between {say_hz(low)} and {say_hz(high)}"


def _branch_at(evidence: Evidence, hz: float) -> str:
    """Name of the branch on the amplifier's terminals that takes the most current."""
    network = evidence.network
    if len(network.branches) == 1:
        return network.branches[0].name
    at = int(np.argmin(np.abs(evidence.frequency_hz - hz)))
    taken = evidence.branch_currents
    return max(taken, key=lambda name: float(taken[name][at]))


def _alone(network: Network, branch: str) -> Network:
    """Keep one branch of a network, on an ideal source."""
    kept = {branch}
    for ladder in network.ladders:  # each group comes before its members
        if ladder.name in kept and isinstance(ladder, FittedGroup):
            kept.update(ladder.members)
    return replace(
        network,
        ways=tuple(way for way in network.ways if way.name in kept),
        groups=tuple(group for group in network.groups if group.name in kept),
        source=IDEAL,
    )


def judge_loudness(evidence: Evidence) -> Iterator[Verdict]:
    """Loudness that no driver makes use of."""
    on, _ = _on_grid(evidence.problem, Loudness)
    if on is None:
        return
    losses = on.goal.losses_db(on, evidence.curves)
    least = int(np.argmin(losses))
    loss = float(losses[least])
    state = _grade(loss - LOUDNESS_DB[0], LOUDNESS_DB[1] - LOUDNESS_DB[0])
    yield Verdict(
        name="loudness", where=on.ways[on.wayside[least]], state=state, figure=loss,
        limit=(None, LOUDNESS_DB[0]), unit="dB",
        says=f"every driver is turned down by {loss:.1f} dB or more, this one the least"
        if loss > 0.05 else "nothing is given away",
        remedy="less in front of the least sensitive driver" if state != "ok" else "",
    )  # fmt: skip


def judge_ends(evidence: Evidence) -> Iterator[Verdict]:
    """Parts whose value lies at the end of what was allowed: the range may hold the answer back."""
    space = evidence.problem.space
    parts = evidence.network.places
    found = []
    for g, options in enumerate(space.options):
        part = parts.get(space.place(g))
        if part is None or part.kind != space.genes[g].kind:
            continue
        if options.values[-1] < options.values[0] * (1.0 + 1e-6):
            continue  # there is no choice of values
        for end, word in ((options.values[0], "smallest"), (options.values[-1], "largest")):
            if abs(part.value / float(end) - 1.0) < 1e-6:
                value = format_quantity(part.value, UNIT_OF_KIND[part.kind])
                found.append(f"{space.label(g)} {value} is the {word} allowed")
    said = "; ".join(found[:LARGEST_NAMED])
    if len(found) > LARGEST_NAMED:
        said += f"; {len(found) - LARGEST_NAMED} more"
    yield Verdict(
        name="range_ends", state="look" if found else "ok", figure=float(len(found)),
        limit=(None, 0.0), source="ranges of the design",
        says=said or "no part is at the end of its range",
        remedy="widen those ranges and search again" if found else "",
    )  # fmt: skip


def judge_estimates(evidence: Evidence) -> Iterator[Verdict]:
    """Directions that were not measured, as far as goals rest on them."""
    problem = evidence.problem
    estimated = {d for driver in problem.drivers for d in driver.estimated}
    if estimated:
        yield Verdict(
            name="estimated", state="look", figure=float(len(estimated)), limit=(None, 0.0),
            source="the measurements",
            says=f"{len(estimated)} of {len(problem.directions)} directions are estimated from geometry",
            remedy="measure them before soldering",
        )  # fmt: skip
    used = [problem.averages[n] for n in problem.evaluator.field.names if n in problem.averages]
    completed = [average for average in used if average.mostly_completed]
    if completed:
        worst = max(completed, key=lambda average: average.completed)
        names = " and ".join(average.name.replace("_", " ") for average in completed)
        yield Verdict(
            name="completed", state="look", figure=100.0 * worst.completed,
            limit=(None, 100.0 * MOSTLY), unit="%", source="the measurements",
            says=f"{names}: up to {100.0 * worst.completed:.0f} % completed, not measured",
            remedy="measure 20 and 50 degrees up and down, or wider aside",
        )  # fmt: skip


def judge_limits(evidence: Evidence) -> Iterator[Verdict]:
    """Judge what adds up over the parts by what it may be at most."""
    problem, places = evidence.problem, evidence.network.places
    space, budgets = problem.space, problem.supply.budgets
    if not budgets:
        return
    had = np.zeros(len(budgets.stated))
    for g, (options, amounts) in enumerate(zip(space.options, budgets.amounts, strict=True)):
        part = places.pop(space.place(g), None)
        row = None if part is None else options.find(part)
        if row is not None:
            had += amounts[:, row]
        elif part is not None:
            had += budgets.measure(part)
    had += sum((budgets.measure(part) for part in places.values()), np.zeros(len(had)))
    for (limited, most), value, least in zip(budgets.stated, had, budgets.least, strict=True):
        unit = limited.goal.unit_in(problem.stock.currency)
        over = value - most
        broken = over > limited.step * LIMIT_ROUNDING
        figure, limit = (limited.say(float(x), unit) for x in (value, most))
        says = f"{figure}, {limit} at most"
        remedy = ""
        if broken:
            says += f": {limited.say(float(over), unit)} over"
            remedy = f"allow {figure}, or other parts"
            if least > most + limited.step * LIMIT_ROUNDING:
                remedy = (
                    f"no network of these places has less than {limited.say(float(least), unit)}: "
                    "allow that, or let places stay empty"
                )
        yield Verdict(
            name="limit",
            where=limited.name,
            state="bad" if broken else "ok",
            figure=float(value),
            limit=(None, most),
            unit=unit,
            source="design",
            says=says,
            remedy=remedy,
            hard=True,
        )


def judge_terms(evidence: Evidence) -> Iterator[Verdict]:
    """Parts that are not what their places ask for; those on the board may be anything."""
    problem = evidence.problem
    terms = {
        (ladder.name, slot.name): slot.terms
        for ladder in problem.topology.ladders
        for slot in ladder.slots
    }
    for (ladder, slot, _), part in evidence.network.places.items():
        asked = problem.stock.terms & terms.get((ladder, slot), NO_TERMS)
        if part.origin == KEPT or asked.accepts(part):
            continue
        value = format_quantity(part.value, UNIT_OF_KIND[part.kind], 3)
        yield Verdict(
            name="limit",
            where=f"{ladder}.{slot}",
            state="bad",
            figure=None,
            source="design",
            says=f"the {part.kind} of {value} " + "; it ".join(asked.faults(part)),
            remedy="allow it, widen the range of the place, or give other parts to choose from",
            hard=True,
        )


def judge_notches(evidence: Evidence) -> Iterator[Verdict]:
    """Judge where notches resonate whose frequency is stated."""
    built = {(one.name, s.name): s for one in evidence.network.ladders for s in one.slots}
    for ladder in evidence.problem.topology.ladders:
        for slot in ladder.slots:
            fitted = built.get((ladder.name, slot.name))
            if slot.notch_hz is None or fitted is None or fitted.form != slot.form:
                continue
            value = {part.kind: part.value for part in fitted.parts}
            f = float(resonance_hz(value["inductor"], value["capacitor"]))
            broken = bool(excess_of(slot.notch_hz, f) > 0.0)
            yield Verdict(
                name="limit",
                where=f"{ladder.name}.{slot.name}",
                state="bad" if broken else "ok",
                figure=f,
                limit=slot.notch_hz,
                unit="Hz",
                source="design",
                says=f"coil and capacitor resonate at {say_hz(f)}"
                + (
                    f", outside {say_hz(slot.notch_hz[0])} to {say_hz(slot.notch_hz[1])}"
                    if broken
                    else ""
                ),
                remedy="widen the ranges of its parts or its frequencies" if broken else "",
                hard=True,
            )


JUDGES: tuple[Callable[[Evidence], Iterator[Verdict]], ...] = (
    judge_crossovers,
    judge_low_drive,
    judge_step,
    judge_holes,
    judge_break_up,
    judge_impedance,
    judge_epdr,
    judge_loudness,
    judge_ends,
    judge_estimates,
    judge_limits,
    judge_terms,
    judge_notches,
)
"""What is looked at, in the order in which it is told."""
