"""Named averages over directions, from whatever directions were measured.

Angle sets and weights follow ANSI/CTA-2034-A (2015). The printed standard was not at hand: sets and
definitions are those that reproduce published curves (see tests/reference). Early reflections are
read in two ways in the trade, see `Reading`; whichever is used is said beside the curve.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curve import Direction

Angle = tuple[str, float]  # ("h" or "v", degrees)

Reading = Literal["bounces", "pooled"]
"""How early reflections are averaged.

bounces: the mean of the five bounce curves, the rear wall heard from 19 horizontal directions
between 90 and 180 degrees; pooled: the mean over 26 single directions, the rear wall heard from 90
left, 90 right and 180. Published curves of both kinds exist; they differ by about 0.5 dB.
"""

LARGEST_GAP_DEG = 45.0
"""Measured angles further apart than this are not interpolated between."""

LISTENING_WINDOW: tuple[Angle, ...] = (
    ("h", 0.0),
    *(("h", s * a) for a in (10.0, 20.0, 30.0) for s in (1, -1)),
    ("v", 10.0),
    ("v", -10.0),
)
FLOOR: tuple[Angle, ...] = (("v", -20.0), ("v", -30.0), ("v", -40.0))
CEILING: tuple[Angle, ...] = (("v", 40.0), ("v", 50.0), ("v", 60.0))
FRONT: tuple[Angle, ...] = (
    ("h", 0.0),
    *(("h", s * a) for a in (10.0, 20.0, 30.0) for s in (1, -1)),
)
SIDE: tuple[Angle, ...] = tuple(
    ("h", s * a) for a in (40.0, 50.0, 60.0, 70.0, 80.0) for s in (1, -1)
)
REAR: tuple[Angle, ...] = (
    *(("h", s * a) for a in range(90, 180, 10) for s in (1, -1)),
    ("h", 180.0),
)
REAR_THREE: tuple[Angle, ...] = (("h", 90.0), ("h", -90.0), ("h", 180.0))
BOUNCES: dict[str, tuple[Angle, ...]] = {
    "floor": FLOOR,
    "ceiling": CEILING,
    "front": FRONT,
    "side": SIDE,
    "rear": REAR,
}
POOLED: tuple[Angle, ...] = FLOOR + CEILING + FRONT + SIDE + REAR_THREE
IN_ROOM_SHARES = {"listening_window": 0.12, "early_reflections": 0.44, "sound_power": 0.44}

CURVE_NAMES = (
    "on_axis",
    "listening_window",
    "early_reflections",
    "sound_power",
    "in_room",
    "off_axis",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Average:
    """A named energy average.

    Parameters
    ----------
    name : str
        Name of the curve.
    weights : ndarray, shape (A,)
        Weight of each measured direction; they sum to 1.
    assumed : tuple of str
        What had to be assumed, in plain sentences.
    gap_deg : float
        Widest gap between measured angles that was interpolated across.
    """

    name: str
    weights: Real
    assumed: tuple[str, ...] = ()
    gap_deg: float = 0.0


def sound_power_weight(angle_deg: float) -> float:
    """Share of the sphere that one point of a 10-degree orbit stands for.

    Parameters
    ----------
    angle_deg : float
        0 to 180.

    Returns
    -------
    float
        Weight of each of the four arms of two orbits.

    References
    ----------
    Closed form for the weights of ANSI/CTA-2034-A, Appendix C: w = [S(t+5) - S(t-5)] / 16 pi with
    S(a) = 4 asin(sin^2 a), the solid angle of a square pyramid bounded by four great circles.
    """

    def solid(a: float) -> float:
        if a <= 0.0:
            return 0.0
        if a >= 180.0:
            return 4.0 * np.pi
        if a > 90.0:
            return float(4.0 * np.pi - solid(180.0 - a))
        return float(4.0 * np.arcsin(np.sin(np.radians(a)) ** 2))

    return (solid(angle_deg + 5.0) - solid(angle_deg - 5.0)) / (16.0 * np.pi)


class Orbits:
    """The measured directions sorted into a horizontal and a vertical orbit.

    Parameters
    ----------
    directions : sequence of Direction, length A
        Measured directions.
    mirror : bool
        Whether the user states left-right symmetry.
    """

    def __init__(self, directions: Sequence[Direction], mirror: bool = False) -> None:
        self.count = len(directions)
        self.assumed: list[str] = []
        self.orbit: dict[str, list[tuple[float, int]]] = {"h": [], "v": []}
        for i, d in enumerate(directions):
            self._sort_in(d, i)
        self._complete_sides(mirror)
        self._close_behind()

    def _sort_in(self, d: Direction, i: int) -> None:
        if not d.vertical_deg:
            self.orbit["h"].append((d.horizontal_deg, i))
        if not d.horizontal_deg or abs(d.horizontal_deg) == 180.0:
            self.orbit["v"].append((d.vertical_deg or d.horizontal_deg, i))
        if abs(d.vertical_deg) == 180.0:
            self.orbit["h"].append((d.vertical_deg, i))

    def _complete_sides(self, mirror: bool) -> None:
        """Mirror left and right where that is stated or needed; say what is not there."""
        across = self._sides("h")
        if across == 1:
            self.assumed.append(
                "left and right taken as mirror images"
                + (", as stated" if mirror else " because one side only was measured")
            )
        if across == 1 or (mirror and across):
            self._mirror("h")
        upright = self._sides("v")
        if upright == 0:
            self.orbit["v"] = []
            self.assumed.append("no vertical directions: vertical angles left out of the averages")
        elif upright == 1:
            self.assumed.append("one vertical side only was measured: the other is left out")

    def _sides(self, key: str) -> int:
        """Count the sides of an orbit that were measured."""
        return len({np.sign(a) for a, _ in self.orbit[key] if 0.0 < abs(a) < 180.0})

    def _close_behind(self) -> None:
        """Let 180 and -180 degrees be one direction, and order both orbits."""
        for key in "hv":
            points = dict(self.orbit[key])
            for a in (180.0, -180.0):
                if a in points:
                    points[-a] = points[a]
            self.orbit[key] = sorted(points.items())

    def _mirror(self, key: str) -> None:
        have = {a for a, _ in self.orbit[key]}
        self.orbit[key] += [
            (-a, i) for a, i in self.orbit[key] if a and abs(a) < 180.0 and -a not in have
        ]

    def weights_at(self, angle: Angle) -> tuple[Real, float] | None:
        """Weights that interpolate the energy at one angle.

        Parameters
        ----------
        angle : tuple
            Orbit and degrees.

        Returns
        -------
        weights : ndarray, shape (A,)
        gap_deg : float
            Distance of the two angles interpolated between, 0 for a measured angle.
            None instead of both when the angle lies outside what was measured.
        """
        key, wanted = angle
        points = self.orbit[key]
        if wanted == 0.0 and not points:
            points = self.orbit["h"]
        out = np.zeros(self.count)
        for a, i in points:
            if a == wanted:
                out[i] = 1.0
                return out, 0.0
        for (a, i), (b, j) in pairwise(points):
            if a < wanted < b and b - a <= LARGEST_GAP_DEG:
                share = (wanted - a) / (b - a)
                out[i] += 1.0 - share
                out[j] += share
                return out, b - a
        return None

    def mean(
        self, angles: Iterable[Angle], shares: Iterable[float] | None = None
    ) -> tuple[Real | None, list[Angle], float]:
        """Weighted mean over the covered ones of some angles.

        Parameters
        ----------
        angles : iterable of Angle
            Wanted angles.
        shares : iterable of float, optional
            Weight of each; equal when absent.

        Returns
        -------
        weights : ndarray, shape (A,), or None
            None when no angle is covered.
        missing : list of Angle
            Those left out.
        gap_deg : float
            Widest gap interpolated across.
        """
        angles = list(angles)
        total = np.zeros(self.count)
        missing: list[Angle] = []
        widest = 0.0
        for angle, share in zip(angles, shares or [1.0] * len(angles), strict=True):
            found = self.weights_at(angle)
            if found is None:
                missing.append(angle)
            else:
                total += share * found[0]
                widest = max(widest, found[1])
        return (total / total.sum() if total.sum() else None), missing, widest


def direction_curve(direction: Direction) -> str:
    """Name the curve of a single direction: "at 30 right"."""
    return f"at {direction}"


def direction_averages(directions: Sequence[Direction]) -> dict[str, Average]:
    """List every single direction as a curve of its own, by `direction_curve`.

    Parameters
    ----------
    directions : sequence of Direction, length A
    """
    rows = np.eye(len(directions))
    return {
        direction_curve(d): Average(name=direction_curve(d), weights=row)
        for d, row in zip(directions, rows, strict=True)
    }


def named_averages(
    directions: Sequence[Direction], mirror: bool = False, *, reading: Reading = "bounces"
) -> dict[str, Average]:
    """Build every named average that the measured directions allow.

    Parameters
    ----------
    directions : sequence of Direction, length A
        The reference axis must be among them.
    mirror : bool
        Whether the user states left-right symmetry.
    reading : {"bounces", "pooled"}
        How early reflections are averaged.

    Returns
    -------
    dict of str to Average
        "on_axis" always; the other names of `CURVE_NAMES` when off-axis directions exist, and the
        five bounces ("floor", "ceiling", "front", "side", "rear") as far as they are covered.
    """
    orbits = Orbits(directions, mirror)
    axis = np.array([1.0 if d == Direction() else 0.0 for d in directions])
    out = {"on_axis": Average(name="on_axis", weights=axis)}
    if len(directions) < 2:
        return out
    out |= _average_over(orbits, "listening_window", LISTENING_WINDOW)
    for name, angles in BOUNCES.items():
        pooled_rear = name == "rear" and reading == "pooled"
        out |= _average_over(orbits, name, REAR_THREE if pooled_rear else angles)
    if reading == "pooled":
        said = _SAID_OF_READING[reading]
        out |= _average_over(orbits, "early_reflections", POOLED, said=(said,))
    else:
        out["early_reflections"] = _average_bounces(out)
    out |= _average_over(orbits, "sound_power", *_list_sphere())
    out["in_room"] = _predict_in_room(out)
    return out | _average_off_axis(directions)


def _average_over(
    orbits: Orbits,
    name: str,
    angles: Sequence[Angle],
    shares: Sequence[float] | None = None,
    said: Sequence[str] = (),
) -> dict[str, Average]:
    """Average the covered ones of some angles, under its name; empty when none is covered."""
    weights, missing, gap = orbits.mean(angles, shares)
    if weights is None:
        return {}
    assumed = [*orbits.assumed, *said]
    # Bounces are not drawn alone: what they interpolate is said of their mean.
    if gap and name not in BOUNCES:
        assumed.append(_say_gap(name, gap))
    if missing:
        assumed.append(_say_missing(name, missing))
    return {name: Average(name=name, weights=weights, gap_deg=gap, assumed=tuple(assumed))}


def _average_bounces(found: Mapping[str, Average]) -> Average:
    """Take the mean of the bounce curves that are there."""
    name = "early_reflections"
    present = [found[bounce] for bounce in BOUNCES if bounce in found]
    absent = [bounce for bounce in BOUNCES if bounce not in found]
    said = dict.fromkeys([_SAID_OF_READING["bounces"], *(s for a in present for s in a.assumed)])
    if widest := max(a.gap_deg for a in present):
        said[_say_gap(name, widest)] = None
    if absent:
        said[f"early reflections without {', '.join(absent)}"] = None
    return Average(
        name=name,
        weights=np.mean([a.weights for a in present], axis=0),
        gap_deg=widest,
        assumed=tuple(said),
    )


def _list_sphere() -> tuple[list[Angle], list[float]]:
    """Angles of both orbits in steps of 10 degrees, and the share of the sphere of each."""
    # Straight ahead and straight behind count as one arm, not four: so do published curves.
    angles: list[Angle] = [("h", 0.0), ("h", 180.0)]
    angles += [(key, sign * a) for key in "hv" for a in range(10, 180, 10) for sign in (1.0, -1.0)]
    ends = [sound_power_weight(0.0)] * 2
    return angles, ends + [sound_power_weight(abs(a)) for _, a in angles[2:]]


def _predict_in_room(found: Mapping[str, Average]) -> Average:
    parts = [(share, found[name]) for name, share in IN_ROOM_SHARES.items()]
    return Average(
        name="in_room",
        weights=np.sum([share * average.weights for share, average in parts], axis=0),
        assumed=tuple(dict.fromkeys(s for _, average in parts for s in average.assumed)),
    )


def _average_off_axis(directions: Sequence[Direction]) -> dict[str, Average]:
    """Average the directions in front of the cabinet but the axis, as far as there are any."""
    angles = [max(abs(d.horizontal_deg), abs(d.vertical_deg)) for d in directions]
    front = np.array([1.0 if 0.0 < angle <= 90.0 else 0.0 for angle in angles])
    if not front.any():
        return {}
    return {"off_axis": Average(name="off_axis", weights=front / front.sum())}


_SAID_OF_READING: dict[Reading, str] = {
    "bounces": "early reflections: mean of five bounces, rear wall from 90 to 180 degrees",
    "pooled": "early reflections: mean of 26 directions, rear wall at 90 and 180 degrees only",
}


def _say_gap(name: str, gap_deg: float) -> str:
    return (
        f"{name.replace('_', ' ')}: energy interpolated between angles up to {gap_deg:g} "
        "degrees apart"
    )


def _say_missing(name: str, missing: Sequence[Angle]) -> str:
    words = {"h": "horizontal", "v": "vertical"}
    said = []
    for key in "hv":
        angles = sorted({abs(a) for k, a in missing if k == key})
        if angles:
            span = f"{angles[0]:g}" if len(angles) == 1 else f"{angles[0]:g} to {angles[-1]:g}"
            said.append(f"{words[key]} {span}")
    return f"{name.replace('_', ' ')} without {' and '.join(said)} degrees (not measured)"
