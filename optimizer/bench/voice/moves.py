"""What a changed network moves: each wished band against the points that were held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.bench.voice.wish_goals import MoveLimits, find_rest
from optimizer.bench.voice.wishes import Band, Wish
from optimizer.problem.candidate import CurveSet
from optimizer.text.brief import brief
from optimizer.text.units import say_hz

SERVED_SHARE = 0.5
"""A wished change counts as served when its mean, and rms over the band, are within this share."""

IDLE_SHARE = 0.25
"""Where less than this share of a wished change arrives, hardly anything moves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PointMove:
    """A change at one frequency."""

    hz: float
    db: float

    def __str__(self) -> str:
        return f"{self.db:+z.2f} dB at {say_hz(self.hz)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RestMove:
    """What the held points of one curve do.

    Parameters
    ----------
    curve : str
        Its name.
    mean_db : float
        Mean change over them, in dB over log frequency.
    worst : PointMove
        The held point whose change is farthest from that mean, and how far.
    ranges_hz : tuple of (float, float)
        First and last held point of each stretch.
    """

    curve: str
    mean_db: float
    worst: PointMove
    ranges_hz: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandMove:
    """What becomes of one wished band.

    Parameters
    ----------
    curve : str
        The curve wished about.
    band : Band
        The band and the wished change.
    band_db : float
        Mean change over the band, in dB over log frequency.
    rest_db : float or None
        Mean change over what was held of this curve; None where nothing was.
    error_db : float
        Rms over the band of what is left of the wish.
    worst : PointMove
        The point of the band that is farthest from the wish, and its change re `rest_db`.
    most, least : PointMove
        The points that move most and least in the wished direction, re `rest_db`.
    idle_hz : tuple of float or None
        The longest stretch of two points or more where less than `IDLE_SHARE` of the wish arrives.
    """

    curve: str
    band: Band
    band_db: float
    rest_db: float | None
    error_db: float
    worst: PointMove
    most: PointMove
    least: PointMove
    idle_hz: tuple[float, float] | None

    __repr__ = brief

    @property
    def moved_db(self) -> float:
        """How far the band moved: its mean change less that of what was held."""
        return self.band_db - (self.rest_db or 0.0)

    @property
    def served(self) -> bool:
        """Whether its mean comes near the wish."""
        wished = self.band.change_db
        return abs(self.moved_db - wished) <= SERVED_SHARE * abs(wished)

    @property
    def even(self) -> bool:
        """Whether the whole band moves about as wished, and not a narrow part of it."""
        return self.error_db <= SERVED_SHARE * abs(self.band.change_db)

    @property
    def shape(self) -> str:
        """Where it moves and where it does not."""
        if self.idle_hz is None:
            return f"{self.most}, {self.least}"
        low, high = (say_hz(hz) for hz in self.idle_hz)
        lowest = self.idle_hz[0] <= self.band.low_hz * _NEXT
        highest = self.idle_hz[1] >= self.band.high_hz / _NEXT
        if lowest and highest:
            return f"at most {self.most}"
        if highest:
            return f"{self.most}, hardly any from {low} up"
        where = f"up to {high}" if lowest else f"from {low} to {high}"
        return f"{self.most}, hardly any {where}"


_NEXT = 1.08  # nearer to the end of a band there is no grid point, or one that does not matter


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """Everything that is said of a changed network against the one before.

    Parameters
    ----------
    bands : tuple of BandMove
        In the order of the wishes.
    rest : tuple of RestMove
        The curve on axis first, then others that are wished about; none where nothing is held.
    """

    bands: tuple[BandMove, ...]
    rest: tuple[RestMove, ...]

    __repr__ = brief


def measure_moves(
    before: CurveSet, after: CurveSet, wishes: Sequence[Wish], limits: MoveLimits
) -> Moves:
    """Compare the curves of two networks as the wishes look at them.

    Parameters
    ----------
    before, after : CurveSet
        On one grid, evenly spaced in log frequency.
    wishes : sequence of Wish
        What was wished.
    limits : MoveLimits
        What was held.

    Returns
    -------
    Moves
    """
    f = before.frequency_hz
    held = find_rest(f, wishes, limits)
    names = dict.fromkeys(["on_axis", *(wish.curve for wish in wishes if wish.bands)])
    moved = {name: after.named_db[name] - before.named_db[name] for name in names}
    rest = {name: float(one[held].mean()) for name, one in moved.items()} if held.any() else {}
    ranges = tuple((float(f[first]), float(f[end - 1])) for first, end in _find_runs(held))
    return Moves(
        bands=tuple(
            _measure_band(f, moved[wish.curve], wish.curve, band, rest.get(wish.curve))
            for wish in wishes
            for band in wish.bands
        ),
        rest=tuple(
            RestMove(
                curve=name,
                mean_db=mean,
                worst=_farthest(f, moved[name] - mean, held, 0.0),
                ranges_hz=ranges,
            )
            for name, mean in rest.items()
        ),
    )


def _measure_band(f: Real, moved: Real, curve: str, band: Band, rest_db: float | None) -> BandMove:
    inside = band.holds(f)
    change = moved - (rest_db or 0.0)
    sign = float(np.sign(band.change_db))
    points = np.flatnonzero(inside)
    most, least = (int(points[find(sign * change[points])]) for find in (np.argmax, np.argmin))
    return BandMove(
        curve=curve,
        band=band,
        band_db=float(moved[inside].mean()),
        rest_db=rest_db,
        error_db=float(np.sqrt(np.mean((change[inside] - band.change_db) ** 2))),
        worst=_farthest(f, change, inside, band.change_db),
        most=PointMove(hz=float(f[most]), db=float(change[most])),
        least=PointMove(hz=float(f[least]), db=float(change[least])),
        idle_hz=_find_idle(f, inside & (sign * change < IDLE_SHARE * abs(band.change_db))),
    )


def _farthest(f: Real, change: Real, where: Flags, wanted: float) -> PointMove:
    at = int(np.argmax(np.where(where, np.abs(change - wanted), -1.0)))
    return PointMove(hz=float(f[at]), db=float(change[at]))


def _find_runs(where: Flags) -> Index:
    """First point, and the one after the last, of each stretch without a gap; shape (R, 2)."""
    edges = np.diff(np.concatenate([[False], where, [False]]).astype(np.int8))
    return np.flatnonzero(edges).reshape(-1, 2)


def _find_idle(f: Real, idle: Flags) -> tuple[float, float] | None:
    """Find the ends of the longest run of points."""
    runs = _find_runs(idle)
    runs = runs[runs[:, 1] - runs[:, 0] > 1]
    if not len(runs):
        return None
    first, end = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    return float(f[first]), float(f[end - 1])
