"""Answers of `voice` up to two changes against brute force through the plain circuit solver.

Every network with one or two changes is built part by part and solved by `solve_network`; curves
are summed direction by direction; the score is written out from its definition. Nothing here uses
scans, bounds or goals.
"""

from __future__ import annotations

import math
from itertools import combinations, product

import numpy as np
import pytest

from optimizer.bench.voice.voicing import LOOKED_AT, voice_network
from optimizer.bench.voice.wish_goals import MoveLimits
from optimizer.bench.voice.wishes import Band, Wish
from optimizer.goals import OnAxis
from optimizer.network.expression.forms import form_of
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import SolvedNetwork, solve_network
from optimizer.network.topology import Slot, Topology, ValueRange, Way
from optimizer.problem.problem import Problem
from optimizer.stock.stock import series_stock

CASES = 50
CHANGE_DB = 0.1
SPAN = {"inductor": (0.2e-3, 3e-3), "capacitor": (3e-6, 60e-6), "resistor": (1.0, 15.0)}


@pytest.fixture(scope="module")
def drivers(demo_problem):
    """Three drivers with 18 directions each on 200 frequencies."""
    return demo_problem.drivers


def draw_problem(drivers, rng) -> Problem:
    """Two of the ways, each with two to four slots of few values."""
    ways = []
    for driver, forms in (
        (
            drivers[1],
            [
                ("series", "inductor"),
                ("shunt", "capacitor"),
                ("shunt", "equaliser"),
                ("shunt", "notch"),
            ],
        ),
        (
            drivers[2],
            [
                ("series", "capacitor"),
                ("shunt", "inductor"),
                ("series", "pad"),
                ("series", "trap"),
                ("series", "resistor"),
            ],
        ),
    ):
        chosen = [
            0,
            *sorted(rng.choice(np.arange(1, len(forms)), size=rng.integers(1, 3), replace=False)),
        ]
        slots = []
        for number in chosen:
            place, form = forms[number]
            ranges = []
            for kind in form_of(form, place).kinds:
                low, high = np.log(SPAN[kind])
                start = math.exp(rng.uniform(low, high - 1.1))
                ranges.append(ValueRange(low=start, high=start * 3.0))
            slots.append(
                Slot(
                    name=f"S{number}",
                    place=place,
                    form=form,
                    ranges=tuple(ranges),
                    optional=bool(number and rng.random() < 0.6),
                )
            )
        ways.append(
            Way(
                name=driver.name,
                driver=driver.name,
                slots=tuple(slots),
                polarity="inverted" if rng.random() < 0.5 else "normal",
            )
        )
    return Problem(
        title="drawn",
        drivers=drivers[1:],
        topology=Topology(ways=tuple(ways)),
        stock=series_stock("E12"),
        mirror=True,
        goals={"on_axis": OnAxis(band_hz=(300.0, 16000.0), tilt_db_per_octave=0.0)},
    )


def draw_wishes(rng) -> list[Wish]:
    low = math.exp(rng.uniform(math.log(300.0), math.log(6000.0)))
    band = Band(
        low_hz=low,
        high_hz=low * rng.uniform(1.6, 4.0),
        change_db=float(rng.choice([-2.0, -1.0, 1.0])),
    )
    wishes = [Wish(text="drawn", curve=str(rng.choice(["on_axis", "in_room"])), bands=(band,))]
    if rng.random() < 0.3:
        wishes.append(Wish(text="floor", floor_ohm=float(rng.uniform(4.0, 7.0))))
    if rng.random() < 0.2:
        wishes.append(Wish(text="level", level_change_db=float(rng.choice([-1.0, 1.0]))))
    return wishes


def reachable_wish(brute, rng) -> Wish | None:
    """What two drawn changes do in the octave and a half where they do most."""
    moves = brute.moves()
    pick = [moves[k] for k in rng.choice(len(moves), size=2, replace=False)]
    if pick[0][1] == pick[1][1]:
        pick = pick[:1]
    moved = brute.curves(brute.apply(*pick))["on_axis"] - brute.now["on_axis"]
    f = brute.f
    centre = float(f[np.argmax(np.abs(moved) * ((f > 400.0) & (f < 9000.0)))])
    band = (centre * 2**-0.75, centre * 2**0.75)
    change = float(moved[(f >= band[0]) & (f <= band[1])].mean())
    if not 0.3 < abs(change) < 8.0:
        return None
    return Wish(text="reachable", bands=(Band(low_hz=band[0], high_hz=band[1], change_db=change),))


State = dict[tuple[str, str], tuple | None]


class Brute:
    """All changes, one network at a time."""

    def __init__(self, problem: Problem, start: State, wishes: list[Wish]) -> None:
        self.problem, self.start, self.wishes = problem, start, wishes
        self.loads = {d.name: d.impedance for d in problem.drivers}
        self.f = problem.frequency_hz
        self.weights = {n: problem.averages[n].weights for n in problem.averages}
        # Ways do not load each other, so each way as built is solved once.
        self.solved: dict[FittedWay, SolvedNetwork] = {}
        self.now = self.curves(start)

    def network(self, state: State) -> Network:
        return Network(
            ways=tuple(
                FittedWay(
                    name=w.name,
                    driver=w.driver,
                    polarity=-1 if w.polarity == "inverted" else 1,
                    slots=tuple(
                        FittedSlot(
                            name=s.name, place=s.place, form=s.form, parts=state[w.name, s.name]
                        )
                        for s in w.slots
                        if state[w.name, s.name]
                    ),
                )
                for w in self.problem.topology.ways
            )
        )

    def curves(self, state: State) -> dict[str, np.ndarray]:
        ways = [self.solve(way) for way in self.network(state).ways]
        total = sum(
            way.transfer[0] * heard for way, heard in zip(ways, self.problem.pressure, strict=True)
        )
        out = {
            n: 10 * np.log10(w @ np.abs(total) ** 2)
            for n, w in self.weights.items()
            if n in ("on_axis", "in_room", "listening_window", "sound_power")
        }
        out["ohm"] = np.abs(1.0 / sum(way.admittance for way in ways))
        return out

    def solve(self, way: FittedWay) -> SolvedNetwork:
        if way not in self.solved:
            self.solved[way] = solve_network(Network(ways=(way,)), self.f, self.loads)
        return self.solved[way]

    def score(self, state: State) -> float:
        new, old, limits = self.curves(state), self.now, MoveLimits()
        wanted = [w.level_change_db for w in self.wishes if w.level_change_db is not None]
        level, reach = (wanted[0], 0.25) if wanted else (0.0, limits.level_db)
        names = dict.fromkeys(["on_axis", *(w.curve for w in self.wishes if w.bands)])
        score = sum(self.tone(n, new[n] - old[n], level, reach, limits) for n in names)
        inside = (self.f >= limits.band_hz[0]) & (self.f <= limits.band_hz[1])
        moved = (
            new["listening_window"]
            - new["sound_power"]
            - old["listening_window"]
            + old["sound_power"]
        )[inside]
        over = np.maximum(np.abs(moved) - limits.directivity_db, 0.0)
        score += math.sqrt(0.25**2 * np.mean(moved**2) + 10.0**2 * np.mean(over**2))
        floors = [limits.impedance * float(old["ohm"].min())]
        floors += [w.floor_ohm for w in self.wishes if w.floor_ohm]
        per_point = math.log2(self.f[1] / self.f[0])
        for floor in floors:
            under = np.maximum(20 * np.log10(floor / new["ohm"]), 0.0)
            score += 10.0 * math.sqrt(per_point * np.sum(under**2))
        return score

    def tone(self, name, moved, level, reach, limits) -> float:
        """Mean squares in the wished band and outside re what is held, and the limits."""
        square, beyond, best = self.split(name, moved, level, reach, limits)
        astray = max(abs(best - level) - reach, 0.0)
        return math.sqrt(square + 100.0 * np.mean(beyond**2) + 100.0 * astray**2)

    def split(self, name, moved, level, reach, limits):
        """The mean squares together, what lies beyond the limits at each point, the level."""
        f = self.f
        band, curve = next((w.bands[0], w.curve) for w in self.wishes if w.bands)
        wished = (f >= band.low_hz) & (f <= band.high_hz) & (curve == name)
        near = (f > band.low_hz * 2**-0.5) & (f < band.high_hz * 2**0.5)
        inside = (f >= limits.band_hz[0]) & (f <= limits.band_hz[1])
        free = inside & near & ~wished
        rest = inside & ~near
        error_in, error_out = moved[wished] - band.change_db, moved[rest]
        groups = [e for e in (error_in, error_out) if len(e)]
        # Everything is told against the mean change of what is held.
        best = float(error_out.mean()) if len(error_out) else level
        square = sum(np.mean((e - best) ** 2) for e in groups) + 0.25 * (best - level) ** 2
        half = 0.5 * band.change_db
        beyond = np.concatenate(
            [
                np.maximum(np.abs(moved[rest] - best) - limits.hold_db, 0.0),
                np.maximum(np.abs(moved[free] - half - best) - limits.hold_db - abs(half), 0.0),
            ]
        )
        return square, beyond, best

    def kept(self, state: State) -> bool:
        """Whether all limits are kept to within 0.05 dB and the wishes on load and level met."""
        new, old, limits, f = self.curves(state), self.now, MoveLimits(), self.f
        wanted = [w.level_change_db for w in self.wishes if w.level_change_db is not None]
        level, reach = (wanted[0], 0.25) if wanted else (0.0, limits.level_db)
        over, served = [0.0], True
        band, curve = next((w.bands[0], w.curve) for w in self.wishes if w.bands)
        for name in dict.fromkeys(["on_axis", curve]):
            moved = new[name] - old[name]
            _, beyond, best = self.split(name, moved, level, reach, limits)
            over += list(beyond)
            if not wanted:
                over.append(abs(best) - reach)
            if name == curve:
                # The mean over the band, and the band as a whole.
                left = moved[(f >= band.low_hz) & (f <= band.high_hz)] - best - band.change_db
                served = max(abs(left.mean()), math.sqrt(np.mean(left**2))) <= 0.5 * abs(
                    band.change_db
                )
        inside = (f >= limits.band_hz[0]) & (f <= limits.band_hz[1])
        index = [c["listening_window"] - c["sound_power"] for c in (new, old)]
        over += list(np.abs(index[0] - index[1])[inside] - limits.directivity_db)
        floors = [limits.impedance * float(old["ohm"].min())]
        floors += [w.floor_ohm for w in self.wishes if w.floor_ohm]
        middle = (f >= 300.0) & (f <= 3000.0)
        got = float((new["on_axis"] - old["on_axis"])[middle].mean())
        return (
            served
            and max(over) <= 0.05
            and new["ohm"].min() >= max(floors) - 1e-9
            and all(abs(got - w) <= 0.5 for w in wanted)
        )

    def moves(self):
        """Every single change as (places, slot, part index, part); index None empties the slot."""
        out = []
        for way in self.problem.topology.ways:
            for slot in way.slots:
                key, now = (way.name, slot.name), self.start[way.name, slot.name]
                offers = [
                    self.problem.stock.options(k, r.low, r.high)
                    for k, r in zip(slot.kinds, slot.ranges, strict=True)
                ]
                if now is not None:
                    out += [
                        (frozenset({(*key, i)}), key, i, part)
                        for i, offer in enumerate(offers)
                        for part in offer
                        if part != now[i]
                    ]
                    if slot.optional:
                        # A compound left out is as many parts changed as it has.
                        places = frozenset((*key, i) for i in range(len(offers)))
                        out.append((places, key, None, None))
                elif len(offers) == 1:
                    out += [(frozenset({(*key, 0)}), key, 0, part) for part in offers[0]]
        return out

    def apply(self, *moves) -> State:
        state = dict(self.start)
        for _, key, i, part in moves:
            if i is None:
                state[key] = None
                continue
            parts = list(state[key] or (None,))
            parts[i] = part
            state[key] = tuple(parts)
        return state

    def search(self) -> list[tuple[float, frozenset]]:
        base = self.score(self.start)
        best: dict[frozenset, float] = {}
        states: dict[frozenset, State] = {}

        def offer(places, state):
            score = self.score(state) + CHANGE_DB * len(places)
            if score < best.get(places, math.inf):
                best[places], states[places] = score, state

        moves = self.moves()
        for move in moves:
            if len(move[0]) <= 2:
                offer(move[0], self.apply(move))
        for a, b in combinations(moves, 2):
            clash = a[1] == b[1] and (a[2] is None or b[2] is None)
            if a[0].isdisjoint(b[0]) and len(a[0] | b[0]) == 2 and not clash:
                offer(a[0] | b[0], self.apply(a, b))
        for way in self.problem.topology.ways:
            for slot in way.slots:
                key = (way.name, slot.name)
                if self.start[key] is None and len(slot.kinds) == 2:
                    offers = [
                        self.problem.stock.options(k, r.low, r.high)
                        for k, r in zip(slot.kinds, slot.ranges, strict=True)
                    ]
                    for parts in product(*offers):
                        offer(frozenset({(*key, 0), (*key, 1)}), {**self.start, key: parts})
        good = []
        for places, score in best.items():
            smaller = [base] + [
                best[frozenset({p})] for p in places if len(places) > 1 and frozenset({p}) in best
            ]
            if score < min(smaller):
                good.append((score, places))
        # Of the best, those within all limits first.
        good = sorted(good, key=lambda item: item[0])[:LOOKED_AT]
        return sorted(good, key=lambda item: not self.kept(states[item[1]]))


@pytest.mark.routine(3)
@pytest.mark.parametrize("seed", range(CASES))
def test_equals_brute_force(drivers, seed):
    """The best answers, their scores and their parts are those of trying everything."""
    rng = np.random.default_rng(seed)
    problem = draw_problem(drivers, rng)
    start: State = {}
    for way in problem.topology.ways:
        for slot in way.slots:
            offers = [
                problem.stock.options(k, r.low, r.high)
                for k, r in zip(slot.kinds, slot.ranges, strict=True)
            ]
            parts = tuple(offer[rng.integers(len(offer))] for offer in offers)
            start[way.name, slot.name] = None if slot.optional and rng.random() < 0.6 else parts
    wishes = draw_wishes(rng)
    brute = Brute(problem, start, wishes)
    wish = reachable_wish(brute, rng)
    if wish is not None and rng.random() < 0.7:
        brute.wishes[0] = wish
    wanted = brute.search()[:5]
    found = voice_network(problem, brute.network(start), wishes, changes=2, top=5)
    assert found.base.score == pytest.approx(brute.score(start), abs=1e-9)
    assert [a.score for a in found.answers] == pytest.approx([s for s, _ in wanted], abs=1e-9)
    for answer, (_, places) in zip(found.answers, wanted, strict=True):
        state = {(w.name, s.name): s.parts for w in answer.candidate.network.ways for s in w.slots}
        full = {key: state.get(key) for key in start}
        assert brute.score(full) + CHANGE_DB * len(places) == pytest.approx(answer.score, abs=1e-9)
