"""Where the coils of a network may sit: axes, distances, and the estimate that justifies them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.bench.build.coils import CoilSize, couple_flat, find_distance, size_coil
from optimizer.bench.build.wiring import split_pieces
from optimizer.bench.loads.stress import NetworkPhasors, solve_parts
from optimizer.measure.driver import Driver
from optimizer.network.network import Network, PartKey
from optimizer.text.brief import brief

STRAY_DB = -50.0
"""Largest change of a driver's voltage, re the amplifier's, that coupling may make: 0.3 %, which
moves the level of a way at full drive by 0.03 dB (our choice)."""

LEAN_DEG = 10.0
"""How far an axis meant to be at right angles is taken to lean."""

AXES = ("lying flat, axis upright", "on edge, axis along the board", "on edge, axis across it")
"""Three axes at right angles to each other."""

_BRUTE = 7  # coils up to which all assignments of axes are tried


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedCoil:
    """One physical coil of the network.

    Parameters
    ----------
    way, name : str
        Its way, and its reference name.
    henry, dcr_ohm : float
        Its values.
    size : CoilSize or None
        Estimated from them; None for a coil with a core, or of unknown resistance.
    axis : int
        Which of `AXES` is proposed.
    """

    way: str
    name: str
    henry: float
    dcr_ohm: float
    size: CoilSize | None
    axis: int = 0

    @property
    def label(self) -> str:
        """What it is called."""
        return self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilPair:
    """Two coils and how far apart they must be.

    Parameters
    ----------
    one, two : str
        Their labels.
    allowed : float
        Largest |k| that keeps the stray drive below `STRAY_DB`.
    crossed : bool
        Whether the axes proposed are at right angles.
    touching_m : float
        Distance of the centres when they touch.
    parallel_m : float
        Distance of the centres needed with both lying flat.
    crossed_m : float
        Distance needed with axes at right angles, one leaning by `LEAN_DEG`.
    k_close : float
        |k| of the two lying flat with a finger's breadth (15 mm) between them.
    stray_db : float
        The stray drive at `k_close`, in dB re the amplifier.
    """

    one: str
    two: str
    allowed: float
    crossed: bool
    touching_m: float
    parallel_m: float
    crossed_m: float
    k_close: float
    stray_db: float

    __repr__ = brief

    @property
    def distance_m(self) -> float:
        """Distance of the centres for the axes proposed."""
        return self.crossed_m if self.crossed else self.parallel_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Axes of all coils and distances of all pairs.

    Parameters
    ----------
    coils : tuple of PlacedCoil
        In the order of the network.
    pairs : tuple of CoilPair
        The widest distance first; only pairs of coils whose sizes could be estimated.
    """

    coils: tuple[PlacedCoil, ...]
    pairs: tuple[CoilPair, ...]

    __repr__ = brief


def place_coils(network: Network, drivers: Sequence[Driver]) -> Placement:
    """Propose axes and distances for the coils of one board.

    Parameters
    ----------
    network : Network
        What is to be built, all ways on one board.
    drivers : sequence of Driver
        Its loads.

    Returns
    -------
    Placement

    Notes
    -----
    Coil a carries the current I_a and induces j w M I_a in coil b. What that does to the drivers
    follows from how their voltages answer to a change of b's impedance, which equals a source in b.
    The largest answer of any driver over the grid, both directions together, is in proportion to k,
    so the k that keeps it at `STRAY_DB` is known, and from the coils' estimated sizes the distance.
    """
    frequency = drivers[0].frequency_hz
    loads = {driver.name: driver.impedance for driver in drivers}
    coils, current, answer = _list_coils(network, frequency, loads)
    omega = 2.0 * np.pi * frequency
    pairs: dict[tuple[int, int], CoilPair] = {}
    for a, b in combinations(range(len(coils)), 2):
        one, two = coils[a].size, coils[b].size
        if one is None or two is None:
            continue
        mutual = omega * np.sqrt(coils[a].henry * coils[b].henry)
        worst = float(np.max(mutual * np.abs(answer[b] * current[a] + answer[a] * current[b])))
        pairs[a, b] = _judge_pair(coils[a], coils[b], one, two, worst)
    axes = _choose_axes(len(coils), pairs)
    coils = [replace(coil, axis=axis) for coil, axis in zip(coils, axes, strict=True)]
    judged = [replace(pair, crossed=axes[a] != axes[b]) for (a, b), pair in pairs.items()]
    judged.sort(key=lambda pair: -pair.distance_m)
    return Placement(coils=tuple(coils), pairs=tuple(judged))


def _judge_pair(
    a: PlacedCoil, b: PlacedCoil, one: CoilSize, two: CoilSize, worst: float
) -> CoilPair:
    allowed = 10.0 ** (STRAY_DB / 20.0) / max(worst, 1e-12)
    touching = 0.5 * (one.outer_m + two.outer_m)
    close = abs(couple_flat(one, two, touching + 0.015))
    # A coil that leans by an angle couples as its part along the other's axis does.
    lean = float(np.sin(np.radians(LEAN_DEG)))
    return CoilPair(
        one=a.label,
        two=b.label,
        allowed=allowed,
        crossed=False,
        touching_m=touching,
        parallel_m=find_distance(one, two, allowed),
        crossed_m=find_distance(one, two, allowed / lean),
        k_close=close,
        stray_db=20.0 * float(np.log10(max(close * worst, 1e-12))),
    )


def _list_coils(
    network: Network, frequency: Real, loads: Mapping[str, Complex]
) -> tuple[list[PlacedCoil], list[Complex], list[Complex]]:
    """Every physical coil with its current and the answer of all drivers, (W, F), to 1 V in it."""
    coils: list[PlacedCoil] = []
    current: list[Complex] = []
    answer: list[Complex] = []
    solved = solve_parts(network, frequency, loads)
    references = network.references
    for index, (key, at) in enumerate(zip(network.places, solved.parts, strict=True)):
        if at.part.kind != "inductor":
            continue
        reply = _answer(network, key, index, solved, frequency, loads)
        for piece_name, piece in split_pieces(references[at.way, at.name], at.part):
            coils.append(
                PlacedCoil(
                    way=at.way,
                    name=piece_name,
                    henry=piece.value,
                    dcr_ohm=piece.loss_ohm,
                    # What is wound on a core is smaller than an air-core coil, by how much nobody says.
                    size=size_coil(piece.value, piece.loss_ohm)
                    if piece.made_of in ("", "air")
                    else None,
                )
            )
            current.append(at.current)
            answer.append(reply)
    return coils, current, answer


def _answer(
    network: Network,
    key: PartKey,
    index: int,
    before: NetworkPhasors,
    frequency: Real,
    loads: Mapping[str, Complex],
) -> Complex:
    """Compute what 1 V induced in a coil does to the drivers, shape (W, F).

    A change dz of the coil's impedance acts as a source -dz I in it, I being the current with the
    change made: the ratio is exact for any dz.
    """
    step = 1.0
    part = network.places[key]
    changed = network.replace_parts({key: replace(part, loss_ohm=part.loss_ohm + step)})
    after = solve_parts(changed, frequency, loads)
    moved = [a.voltage - b.voltage for a, b in zip(after.drivers, before.drivers, strict=True)]
    return np.array(moved) / (-step * after.parts[index].current)


def _choose_axes(count: int, pairs: Mapping[tuple[int, int], CoilPair]) -> list[int]:
    """Give each coil one of three axes so that the sum of needed distances is least."""

    def room(axes: Sequence[int], a: int, b: int) -> float:
        pair = pairs.get((a, b))
        if pair is None:
            return 0.0
        return (pair.crossed_m if axes[a] != axes[b] else pair.parallel_m) - pair.touching_m

    def total(axes: Sequence[int]) -> float:
        return sum(room(axes, a, b) for a, b in combinations(range(len(axes)), 2))

    if count <= _BRUTE:
        # The first coil may keep its axis: turning all of them changes nothing.
        tries = [[0, *rest] for rest in product(range(3), repeat=max(0, count - 1))]
        return min(tries, key=total)[:count]
    axes = [0] * count
    improved = True
    while improved:
        improved = False
        for k in range(count):
            for axis in range(3):
                other = [*axes[:k], axis, *axes[k + 1 :]]
                if total(other) < total(axes) - 1e-9:
                    axes, improved = other, True
    return axes
