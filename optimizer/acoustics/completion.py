"""The standard directions of one driver, completed from those that were measured.

Averages of ANSI/CTA-2034-A need 70 directions; at a bench there are four to twelve. What is not
measured is completed for each driver alone, and the network adds the drivers up in every direction:
so the lobes between drivers are in the averages, though nobody measured them.

The shape of the rule is that of a study of 96 measured loudspeakers (not published), which has
between the outermost angle and straight behind a line in the angle, a corner at 200 Hz and no fall
of its own up and down. Where this module departs from it, the reason stands at the constant; the
constants themselves were chosen on the five loudspeakers that the reference test holds them against.
How far averages go wrong is said by `optimizer.acoustics.averages.Average.band_db`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.driver import Driver
from optimizer.measure.geometry import path_excess_m, travel_factor
from optimizer.measure.wired import share_voltage

STRAIGHT_BEHIND = Direction(horizontal_deg=180.0)

STANDARD_DIRECTIONS: tuple[Direction, ...] = (
    ON_AXIS,
    *(Direction(horizontal_deg=float(s * a)) for a in range(10, 180, 10) for s in (1, -1)),
    STRAIGHT_BEHIND,
    *(Direction(vertical_deg=float(s * a)) for a in range(10, 180, 10) for s in (1, -1)),
)
"""The 70 directions of ANSI/CTA-2034-A: two orbits in steps of 10 degrees."""

BEHIND_HZ = 250.0
"""Corner of the fall straight behind a closed cabinet: -10 lg(1 + (f / corner)^2) dB.

Levels go there as 1 - cos(angle), with no slope where they arrive: straight behind is the pole of
both orbits, and a smooth field has no cusp there. Corner and law belong together: the line in the
angle of the study, with its 200 Hz, removes as much behind the cabinet.
"""

VERTICAL_TO_HORIZONTAL = 1.2
"""Fall upwards and downwards over that aside, in dB, where nothing tells: fronts are taller than wide,
and so are the windows of waveguides. On the five loudspeakers the ratio is 1.1 to 1.4 from 0.3 to
1 kHz and above 6 kHz, where one driver plays, so it is not made of lobes between drivers."""

MIRRORED_SURPLUS = 0.5
"""Share of what was measured above that is taken for below, and the other way round: one part is
alike both ways, and one is a tilt that has the other sign there."""

SURPLUS_END_DEG = 120.0
"""Angle at which what is known of the front says nothing more of up and down."""

_TINY = 1e-30


def is_behind(direction: Direction) -> bool:
    """Whether a direction is straight behind, by whatever way one came there."""
    return 180.0 in (abs(direction.horizontal_deg), abs(direction.vertical_deg))


def settle(direction: Direction) -> Direction:
    """Give straight behind its one name; other directions stay."""
    return STRAIGHT_BEHIND if is_behind(direction) else direction


def all_directions(measured: Sequence[Direction]) -> tuple[Direction, ...]:
    """List the directions of a completed driver.

    Parameters
    ----------
    measured : sequence of Direction, length A
        Directions at hand.

    Returns
    -------
    tuple of Direction
        Those, then the standard ones that are not among them; nothing is completed from one.
    """
    if len(measured) < 2:
        return tuple(measured)
    have = {settle(d) for d in measured}
    return (*measured, *(d for d in STANDARD_DIRECTIONS if d not in have))


def complete_driver(driver: Driver, mirror: bool = False) -> Complex:
    """Complete a driver's response to the standard directions.

    Parameters
    ----------
    driver : Driver
        With at least one direction off the axis. Drivers that are wired together are completed
        one by one and added.
    mirror : bool
        Whether the cabinet radiates alike to both sides.

    Returns
    -------
    ndarray, shape (B, F), complex
        Rows for `all_directions` of its directions, the measured ones as they are.

    Notes
    -----
    Levels are relative to the axis, in dB. On a side of an orbit they are linear in
    1 - cos(angle) between measured angles, and on from the outermost to straight behind, where
    a closed cabinet leaves -10 lg(1 + (f / `BEHIND_HZ`)^2), or what the outermost has if that is
    less. A side that was not measured is that of the other. Up and down is the horizontal fall
    at the same angle times `VERTICAL_TO_HORIZONTAL`, plus the measured surplus over that, which is
    linear in the angle and ends at `SURPLUS_END_DEG`; the side that was not measured has
    `MIRRORED_SURPLUS` of it. The phase is that of the axis and of the path from the driver's
    place, with what measured neighbours have beyond that.
    """
    missing = all_directions(driver.directions)[len(driver.directions) :]
    if not missing:
        return driver.pressure
    if driver.members:
        each = np.array([complete_driver(one, mirror) for one in driver.members])
        return np.asarray(np.einsum("dbf,df->bf", each, share_voltage(driver)))
    rows = _Completion(driver, mirror)
    return np.concatenate([driver.pressure, np.array([rows.at(d) for d in missing])])


@dataclass(frozen=True, slots=True)
class _Ray:
    """One direction relative to the axis.

    Parameters
    ----------
    level_db : ndarray, shape (F,)
    turn : ndarray, shape (F,), complex
        Phase as a factor of modulus 1, the path of the driver's place taken out.
    """

    level_db: Real
    turn: Complex

    def towards(self, other: _Ray, share: float) -> _Ray:
        """Go a share of the way to another direction."""
        turn = (1.0 - share) * self.turn + share * other.turn
        size = np.abs(turn)
        return _Ray(
            (1.0 - share) * self.level_db + share * other.level_db,
            np.where(size > 1e-6, turn / np.maximum(size, 1e-6), self.turn),
        )


_Side = dict[float, _Ray]


@dataclass(slots=True)
class _Sides:
    """Both sides of one orbit, by angle from the axis."""

    of: dict[int, _Side] = field(default_factory=lambda: {1: {}, -1: {}})

    def put(self, angle_deg: float, ray: _Ray) -> None:
        self.of[1 if angle_deg > 0.0 else -1][abs(angle_deg)] = ray


class _Completion:
    """What is known of one driver, by orbit and side."""

    def __init__(self, driver: Driver, mirror: bool) -> None:
        self.driver = driver
        self.axis = driver.pressure[driver.directions.index(ON_AXIS)]
        f = driver.frequency_hz
        self.level_behind = -10.0 * np.log10(1.0 + (f / BEHIND_HZ) ** 2)
        self.ahead = _Ray(np.zeros(len(f)), np.ones(len(f), dtype=np.complex128))
        self.behind: _Ray | None = None
        self.horizontal, vertical = _Sides(), _Sides()
        self._found: _Side = {}
        for direction, pressure in zip(driver.directions, driver.pressure, strict=True):
            if direction == ON_AXIS:
                continue
            ray = self._relate(direction, pressure)
            if is_behind(direction):
                self.behind = ray
            elif not direction.vertical_deg:
                self.horizontal.put(direction.horizontal_deg, ray)
            elif not direction.horizontal_deg:
                vertical.put(direction.vertical_deg, ray)
        self._mirror_horizontal(mirror)
        self.surplus = self._find_surplus(vertical)

    def _path(self, direction: Direction) -> Complex:
        place = self.driver.place_m
        excess = path_excess_m(direction, place) - path_excess_m(ON_AXIS, place)
        return travel_factor(self.driver.frequency_hz, excess)

    def _relate(self, direction: Direction, pressure: Complex) -> _Ray:
        ratio = np.maximum(np.abs(pressure), _TINY) / np.maximum(np.abs(self.axis), _TINY)
        turn = pressure * self.axis.conj() * self._path(direction).conj()
        size = np.abs(turn)
        return _Ray(
            20.0 * np.log10(ratio),
            np.where(size > 0.0, turn / np.where(size > 0.0, size, 1.0), 1.0),
        )

    def _mirror_horizontal(self, mirror: bool) -> None:
        sides = self.horizontal.of
        for side in (1, -1):
            if mirror or not sides[side]:
                sides[side] = sides[-side] | sides[side]

    def _find_surplus(self, vertical: _Sides) -> dict[int, _Side]:
        """Say by how much the measured vertical angles are above what stands in for them."""
        found: dict[int, _Side] = {}
        for side in (1, -1):
            source = side if vertical.of[side] else -side
            share = 1.0 if source == side else MIRRORED_SURPLUS
            found[side] = {
                angle: _Ray(share * (ray.level_db - self._upright(angle)), ray.turn)
                for angle, ray in vertical.of[source].items()
            }
        return found

    def at(self, direction: Direction) -> Complex:
        """Pressure in a standard direction."""
        angle = direction.vertical_deg or direction.horizontal_deg
        ray = self._up_or_down(angle) if direction.vertical_deg else self._aside(angle)
        return np.asarray(
            self.axis * 10.0 ** (ray.level_db / 20.0) * ray.turn * self._path(direction)
        )

    def _aside(self, angle_deg: float) -> _Ray:
        if angle_deg not in self._found:
            self._found[angle_deg] = self._find_aside(angle_deg)
        return self._found[angle_deg]

    def _find_aside(self, angle_deg: float) -> _Ray:
        side, angle = (1 if angle_deg > 0.0 else -1), abs(angle_deg)
        known = {0.0: self.ahead, **self.horizontal.of[side]}
        last = max(known)
        known[180.0] = self.behind or _Ray(
            np.minimum(known[last].level_db, self.level_behind), known[last].turn
        )
        return _between(known, angle, _lean)

    def _upright(self, angle_deg: float) -> Real:
        """Level above and below where only the sides are known, shape (F,)."""
        sides = [self._aside(s * angle_deg).level_db for s in (1.0, -1.0)]
        mean = 10.0 * np.log10(np.mean([10.0 ** (level / 10.0) for level in sides], axis=0))
        return np.asarray(VERTICAL_TO_HORIZONTAL * mean)

    def _up_or_down(self, angle_deg: float) -> _Ray:
        side, angle = (1 if angle_deg > 0.0 else -1), abs(angle_deg)
        level = self._upright(angle)
        if not self.surplus[side]:
            return _Ray(level, self.ahead.turn)
        known = {0.0: self.ahead, **self.surplus[side]}
        last = max(known)
        for end in (SURPLUS_END_DEG, 180.0):
            if end > last:
                known[end] = _Ray(self.ahead.level_db, known[last].turn)
        more = _between(known, angle, _plain)
        return _Ray(level + more.level_db, more.turn)


def _lean(angle_deg: float) -> float:
    return float(1.0 - np.cos(np.radians(angle_deg)))


def _plain(angle_deg: float) -> float:
    return angle_deg


def _between(known: _Side, angle_deg: float, scale: Callable[[float], float]) -> _Ray:
    """Find a ray among known ones, linear in a scale of the angle."""
    if angle_deg in known:
        return known[angle_deg]
    for low, high in pairwise(sorted(known)):
        if low < angle_deg < high:
            place = (scale(angle_deg) - scale(low)) / (scale(high) - scale(low))
            return known[low].towards(known[high], place)
    raise AssertionError(angle_deg)  # straight behind is always known
