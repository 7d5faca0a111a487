"""One trial: a speaker, what was planted, what was measured, and what `verify` said."""

from __future__ import annotations

import copy
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.verify import plant
from benchmarks.verify.measuring import (
    Rig,
    draw_rig,
    hear,
    measure_impedance,
    measure_response,
    smooth_noise,
)
from benchmarks.verify.plant import Circuit, Planted
from benchmarks.verify.speakers import AHEAD, GRID_HZ, Draw, Speaker, Towards, draw_speaker
from optimizer.arrays import Complex
from optimizer.bench.verify.diagnosis import Levels, is_known
from optimizer.bench.verify.faults import HEALTHY
from optimizer.bench.verify.inference import Sight
from optimizer.bench.verify.noise import SAME_SLOPE_DB, Noise, whiten
from optimizer.bench.verify.prediction import FaultBank, Observation
from optimizer.bench.verify.verifying import VerifyResult, verify_speaker
from optimizer.measure.curve import Direction
from optimizer.measure.driver import Driver
from optimizer.network.network import Network
from optimizer.network.slots import (
    series_capacitor,
    series_inductor,
    series_resistor,
    shunt_capacitor,
    shunt_inductor,
    shunt_resistor,
)
from optimizer.network.topology import Topology
from optimizer.problem.problem import Problem
from optimizer.testing.networks import across, capacitor, coil, in_line, network, resistor
from optimizer.testing.problems import small_problem

GROUPS = (
    "healthy", "listed", "pair", "unlisted", "alone", "trusted", "ways", "sound", "sound ways",
    "around", "sound around",
)  # fmt: skip
"""Nothing; one listed kind; two; one that is not listed; one listed, the response alone measured; a
driver's level, with a level that is trusted within 0.15 dB, or with that and each way measured alone;
nothing, measured in these two ways; one of any kind, with responses in six directions; nothing, with
these."""

AROUND: tuple[Towards, ...] = (AHEAD, (15, 0), (30, 0), (45, 0), (0, 15), (0, -15))

_KINDS = {
    "healthy": (), "listed": (plant.LISTED,), "pair": (plant.LISTED, plant.LISTED),
    "unlisted": (plant.UNLISTED,), "alone": (plant.LISTED,),
    "trusted": ((plant.weak,),), "ways": ((plant.weak,),), "sound": (), "sound ways": (),
    "around": ((*plant.LISTED, *plant.UNLISTED, *plant.UNLISTED),), "sound around": (),
}  # fmt: skip

STATED_DB, STATED_OHM_DB, TRUSTED_DB = 0.3, 0.3, 0.15
_SAME_SLOPE = 0.25
"""How much of a microphone's slope is left where drivers and speaker were measured with the same one,
as they are when a level is trusted: what its place and the weather change."""

_SLOTS = {
    ("series", "C"): series_capacitor, ("series", "L"): series_inductor,
    ("series", "R"): series_resistor, ("shunt", "C"): shunt_capacitor,
    ("shunt", "L"): shunt_inductor, ("shunt", "R"): shunt_resistor,
}  # fmt: skip


@dataclass
class Trial:
    """A speaker with a fault in it, and what `verify` is given."""

    planted: tuple[Planted, ...]
    problem: Problem
    built: Network
    observations: list[Observation]
    strengths: tuple[float, ...]
    """How far each fault stands out, by the tool's own linear model of all that may differ; of two,
    how far each stands out beside the other."""
    truth: dict[tuple[str, str], float]
    """True values by label and what."""
    levels: Levels = "free"


def draw_trial(seed: int, group: str) -> Trial:
    """Draw a trial of one of `GROUPS`."""
    rng = np.random.default_rng([seed, GROUPS.index(group)])
    measured = rng.random() < 0.4
    speaker = draw_speaker(rng, measured=measured)
    plant.connect_well(speaker)
    low_hz = 320.0 if measured or rng.random() < 0.3 else 20.0
    rough = rng.random() < 0.5 if group == "healthy" else rng.random() < 0.3
    rig = draw_rig(rng, low_hz=low_hz, rough=rough)
    known = group in ("trusted", "ways", "sound", "sound ways")
    if known:
        rig = replace(rig, slope_db=_SAME_SLOPE * rig.slope_db)
    levels: Levels = TRUSTED_DB if known else "free"
    directions = AROUND if group in ("around", "sound around") else (AHEAD,)
    problem, built = _design(speaker, rig, rng, directions)
    sound = plant.lay_out(speaker)
    plant.scatter(sound, rng)
    faulty = copy.deepcopy(sound)
    planted = []
    circuits = [sound]
    for kinds in _KINDS[group]:
        one = copy.deepcopy(sound)
        how = kinds[int(rng.integers(len(kinds)))]
        state = rng.bit_generator.state
        said = how(one, rng)
        rng.bit_generator.state = state
        how(faulty, rng)
        planted.append(said)
        circuits.append(one)
    pressures, z = plant.simulate_around(faulty, directions)
    curves = [*(plant.simulate(one) for one in circuits), (pressures[0], z)]
    # What each of two adds to the other: a tweeter that is silent has no polarity to see.
    before = {0: [], 1: [0], 2: [2, 1]}[len(planted)]
    strengths = tuple(
        _strength(problem, built, curves[i], curves[-1], rig, levels, alone=group == "alone")
        for i in before
    )
    offset = rng.normal(0, 0.1) if known else rng.uniform(-4, 4)
    observed = _observe(pressures[0], z, rig, rng, offset)
    around = [_observe(one, z, rig, rng, offset)[0] for one in pressures[1:]]
    observed[1:1] = [replace(one, row=row) for row, one in enumerate(around, 1)]
    if group in ("ways", "sound ways"):
        for w, way in enumerate(faulty.hangs):
            heard = plant.play_alone(faulty, way)
            level = _observe(heard, z, rig, rng, offset + rng.normal(0, 0.05))[0]
            observed.append(_play_alone(level, w))
    return Trial(
        planted=tuple(planted), problem=problem, built=built,
        observations=observed[: 1 if group == "alone" else None],
        strengths=strengths, truth=_truth(faulty),
        levels=levels,
    )  # fmt: skip


def _truth(circuit: Circuit) -> dict[tuple[str, str], float]:
    return {(label, "value"): one.value for label, one in circuit.elements.items() if "." in label}


def _design(
    speaker: Speaker, rig: Rig, rng: Draw, directions: Sequence[Towards]
) -> tuple[Problem, Network]:
    """What the tool knows: drivers measured one by one, and what was meant to be built."""
    drivers = []
    for name, unit in speaker.units.items():
        p, z = plant.drive_alone(unit)
        error = 10 ** (rig.shape_db * smooth_noise(rng, 1 / 3) / 20)
        around = np.stack([hear(p * unit.beam(towards), rig) * error for towards in directions])
        z = z * np.exp(rng.normal(0, 0.002, len(z)) + 1j * rng.normal(0, 0.002, len(z)))
        drivers.append(
            Driver(
                name=name,
                frequency_hz=GRID_HZ,
                directions=tuple(
                    Direction(horizontal_deg=h, vertical_deg=v) for h, v in directions
                ),
                pressure=around,
                impedance=z,
                place_m=(unit.up_m, 0.0, 0.0),
            )
        )
    make = {"L": coil, "C": capacitor, "R": lambda v, loss: resistor(v)}
    ways = {
        way: [
            (in_line if place == "series" else across)(
                name, replace(make[kind](v, loss), tolerance=0.05)
            )
            for name, (place, kind, v, loss) in parts.items()
        ]
        for way, parts in speaker.parts.items()
    }
    slots = {
        way: [
            _SLOTS[place, kind](name, v / 2, v * 2) for name, (place, kind, v, _) in parts.items()
        ]
        for way, parts in speaker.parts.items()
    }
    turned = [way for way, sign in speaker.sign.items() if sign < 0]
    topology = Topology.of(free_polarity=list(speaker.sign), **slots)
    return small_problem(drivers=drivers, topology=topology), network(ways, inverted=turned)


def _play_alone(o: Observation, way: int) -> Observation:
    loud = o.value > o.value.max() - 25.0  # as somebody does who looks at the curve
    return replace(o, way=way, index=o.index[loud], value=o.value[loud])


def _observe(
    pressure: Complex, z: Complex, rig: Rig, rng: Draw, offset_db: float
) -> list[Observation]:
    level = measure_response(pressure, rig, rng) + offset_db
    ohm = measure_impedance(z, rig, rng)
    heard = np.flatnonzero(rig.low_hz <= GRID_HZ)
    low = 25.0 if rig.low_hz < 100 else 320.0
    metered = np.flatnonzero(low <= GRID_HZ)
    db, turn = 20 * np.log10(np.abs(ohm)), np.degrees(np.angle(ohm))
    return [
        Observation(kind="level", row=0, index=heard, value=level[heard], noise=STATED_DB),
        Observation(kind="modulus", row=-1, index=metered, value=db[metered], noise=STATED_OHM_DB),
        Observation(
            kind="angle", row=-1, index=metered, value=turn[metered], noise=6.6 * STATED_OHM_DB
        ),
    ]


def _strength(
    problem: Problem, built: Network, clean: tuple[Complex, Complex],
    faulty: tuple[Complex, Complex], rig: Rig, levels: Levels, *, alone: bool,
) -> float:  # fmt: skip
    """By the tool's linear model, with the noise that the bench really has, of the whole speaker."""
    curves = []
    for p, z in (clean, faulty):
        curves.append(
            (20 * np.log10(np.abs(p) + 1e-9), 20 * np.log10(np.abs(z)), np.degrees(np.angle(z)))
        )
    heard = np.flatnonzero(rig.low_hz <= GRID_HZ)
    noise = (rig.white_db, max(rig.ohm_db, 0.03), 6.6 * max(rig.ohm_db, 0.03))
    kinds = ("level", "modulus", "angle")
    seen = [
        Observation(kind=kind, row=0 if kind == "level" else -1, index=heard,
                    value=b[heard] - a[heard], noise=n)
        for kind, a, b, n in zip(kinds, *curves, noise, strict=True)
    ]  # fmt: skip
    seen = seen[:1] if alone else seen
    known = is_known(levels)
    bank = FaultBank(problem, built, (HEALTHY,), seen, known_level=known)
    trusted = {"level_db": TRUSTED_DB, "slope_db": SAME_SLOPE_DB} if known else {}
    whitening = whiten(problem.frequency_hz, seen, Noise(ripple_db=rig.ripple_db, **trusted))
    change = whitening(np.concatenate([o.value for o in seen])[None])
    return float(Sight.of(bank, whitening).strength(change)[0])


def run(trial: Trial) -> tuple[VerifyResult, float]:
    """Let `verify` judge, with the processor time it took."""
    start = time.process_time()
    result = verify_speaker(trial.problem, trial.built, trial.observations, levels=trial.levels)
    return result, time.process_time() - start
