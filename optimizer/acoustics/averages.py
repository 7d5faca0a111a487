"""Named averages over directions: sets and weights of the standard, whatever was measured.

Angle sets and weights follow ANSI/CTA-2034-A (2015). The printed standard was not at hand: sets and
definitions are those that reproduce published curves (see tests/reference). Early reflections are
read in two ways in the trade, see `Reading`; whichever is used is said beside the curve.

Weights are never spread over the angles at hand: directions that were not measured are completed
(`optimizer.acoustics.completion`), and each average says how far that may be wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.acoustics.completion import all_directions, is_behind, settle
from optimizer.arrays import Flags, Real
from optimizer.measure.curve import Direction

Angle = tuple[str, float]  # ("h" or "v", degrees)

Reading = Literal["pooled", "bounces"]
"""How early reflections are averaged.

pooled: the mean over 26 single directions, the rear wall heard from 90 left, 90 right and 180, as
published curves have it; bounces: the mean of the five bounce curves, the rear wall heard from 19
horizontal directions between 90 and 180 degrees. They differ by about 0.5 dB.
"""

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

INDICES = {"directivity_index": "sound_power", "early_reflections_index": "early_reflections"}
"""What each index is the listening window less of."""

CURVE_NAMES = (
    "on_axis",
    "listening_window",
    "early_reflections",
    "sound_power",
    "in_room",
    "off_axis",
)


BAND_EDGES_HZ = (700.0, 6000.0)
"""Between these a band of `Average` has its middle figure."""

HalfWidths = tuple[float, float, float]
"""Half widths in dB below, between and above `BAND_EDGES_HZ`."""


def spread_band(band: HalfWidths, frequency_hz: Real) -> Real:
    """Return the half width of a band by frequency, shape (F,)."""
    return np.array(band)[np.searchsorted(BAND_EDGES_HZ, frequency_hz, side="right")]


LARGEST_GAP_DEG = 45.0
"""Between measured angles that are not further apart a level counts as told by them."""

MOSTLY = 0.5
"""Share of an average from where on it counts as mostly completed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Average:
    """A named energy average.

    Parameters
    ----------
    name : str
        Name of the curve.
    weights : ndarray, shape (B,)
        Weight of each of `all_directions`; they sum to 1.
    assumed : tuple of str
        What had to be assumed, in plain sentences; how good it is says `band_words`.
    completed : float
        Share of the weights on directions that are neither measured, nor mirror images of such,
        nor between such that are within `LARGEST_GAP_DEG` of each other.
    band_db : tuple of float, or None
        Half widths of the band that 8 of 10 values lie in, see `HalfWidths`; zeros where all was
        measured, None where nobody knows them.
    """

    name: str
    weights: Real
    assumed: tuple[str, ...] = ()
    completed: float = 0.0
    band_db: HalfWidths | None = None

    @property
    def mostly_completed(self) -> bool:
        """Whether more of it lies beyond the measured angles than within."""
        return self.completed > MOSTLY

    @property
    def band_words(self) -> str:
        """Say how much of it was completed and within what it is right; empty where nobody knows."""
        if self.band_db is None or not any(self.band_db):
            return ""
        low, middle, high = self.band_db
        return (
            f"{self.name.replace('_', ' ')}: {100.0 * self.completed:.0f} % of it is beyond what was "
            f"measured; 8 of 10 values within {low:g} dB below {BAND_EDGES_HZ[0]:g} Hz, {middle:g} dB "
            f"to {BAND_EDGES_HZ[1] / 1e3:g} kHz, {high:g} dB above"
        )


Upright = Literal["none", "near", "wide"]
"""What was measured up and down: nothing, something, or 20 and 50 degrees or the like both ways."""

BANDS_DB: dict[tuple[str, str], dict[str, HalfWidths]] = {
    (far, upright): dict(
        zip(("sound_power", "in_room", "early_reflections", "listening_window"), bands, strict=True)
    )
    for far, upright, bands in (
        ("front", "none", ((0.8, 1.4, 1.3), (0.4, 1.0, 0.8), (0.3, 0.85, 0.7), (0.1, 0.3, 0.45))),
        ("front", "near", ((0.7, 1.2, 1.0), (0.4, 0.8, 0.65), (0.3, 0.7, 0.6), (0.1, 0.25, 0.35))),
        ("front", "wide", ((0.65, 0.8, 0.6), (0.35, 0.45, 0.4), (0.25, 0.45, 0.5), (0.1, 0.2, 0.35))),
        ("side", "none", ((0.6, 1.1, 1.0), (0.3, 0.9, 0.8), (0.2, 0.8, 0.6), (0.1, 0.3, 0.45))),
        ("side", "near", ((0.6, 0.9, 0.8), (0.3, 0.7, 0.6), (0.2, 0.6, 0.5), (0.1, 0.25, 0.35))),
        ("side", "wide", ((0.5, 0.5, 0.4), (0.3, 0.3, 0.3), (0.15, 0.3, 0.35), (0.1, 0.2, 0.35))),
        ("round", "none", ((0.4, 0.95, 0.85), (0.2, 0.7, 0.6), (0.15, 0.8, 0.6), (0.1, 0.3, 0.45))),
        ("round", "near", ((0.35, 0.9, 0.6), (0.2, 0.55, 0.45), (0.15, 0.55, 0.5), (0.1, 0.25, 0.35))),
        ("round", "wide", ((0.3, 0.5, 0.45), (0.15, 0.3, 0.35), (0.1, 0.3, 0.4), (0.1, 0.2, 0.35))),
    )
}  # fmt: skip
"""Half widths by what was measured: aside to less than 50 degrees ("front"), to less than 150
("side") or beyond, and up and down.

From whole loudspeakers whose drivers were not measured apart, so lobes had to be told from few
angles too. Sound power and in room to 30 degrees, and to 60 or 90 with and without vertical angles:
from a study of 96 measured loudspeakers, not published. The rest: 80 % of the five of the reference
test, which lie within all of these in 8 of 10 values.
"""


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


def direction_curve(direction: Direction) -> str:
    """Name the curve of a single direction: "at 30 right"."""
    return f"at {direction}"


def direction_averages(directions: Sequence[Direction]) -> dict[str, Average]:
    """List every measured direction as a curve of its own, by `direction_curve`.

    Parameters
    ----------
    directions : sequence of Direction, length A
    """
    rows = np.eye(len(directions), len(all_directions(directions)))
    return {
        direction_curve(d): Average(name=direction_curve(d), weights=row)
        for d, row in zip(directions, rows, strict=True)
    }


def named_averages(
    directions: Sequence[Direction], mirror: bool = False, *, reading: Reading = "pooled"
) -> dict[str, Average]:
    """Build every named average.

    Parameters
    ----------
    directions : sequence of Direction, length A
        Measured directions; the reference axis must be among them.
    mirror : bool
        Whether the user states left-right symmetry.
    reading : {"pooled", "bounces"}
        How early reflections are averaged.

    Returns
    -------
    dict of str to Average
        "on_axis" always; the other names of `CURVE_NAMES` and the five bounces ("floor",
        "ceiling", "front", "side", "rear") when any direction off the axis was measured. From the
        axis alone nobody can tell what goes elsewhere.
    """
    grid = _Grid(directions, mirror)
    out = {"on_axis": grid.average("on_axis", [("h", 0.0)])}
    if len(directions) < 2:
        return out
    out["listening_window"] = grid.average("listening_window", LISTENING_WINDOW)
    for name, angles in BOUNCES.items():
        pooled_rear = name == "rear" and reading == "pooled"
        out[name] = grid.average(name, REAR_THREE if pooled_rear else angles)
    said = _SAID_OF_READING[reading]
    if reading == "pooled":
        early = grid.average("early_reflections", POOLED, said=said)
    else:
        bounces = [(1.0 / len(BOUNCES), out[name]) for name in BOUNCES]
        early = grid.mix("early_reflections", bounces, said=said)
    out["early_reflections"] = early
    out["sound_power"] = grid.average("sound_power", *_list_sphere())
    shares = [(share, out[name]) for name, share in IN_ROOM_SHARES.items()]
    out["in_room"] = grid.mix("in_room", shares, said=said)
    return out | grid.average_off_axis()


def list_told(directions: Sequence[Direction], mirror: bool = False) -> Flags:
    """Say which of `all_directions` were measured, or lie between measured ones near each other.

    Parameters
    ----------
    directions : sequence of Direction, length A
        Measured directions.
    mirror : bool
        Whether the user states left-right symmetry.

    Returns
    -------
    ndarray of bool, shape (B,)
        See `LARGEST_GAP_DEG`. Where one side alone was measured, the other counts as it does.
    """
    return np.asarray(_Grid(directions, mirror).told, dtype=np.bool_)


class _Grid:
    """The directions of completed drivers, and what is known of each.

    Parameters
    ----------
    directions : sequence of Direction, length A
        Measured directions.
    mirror : bool
        Whether the user states left-right symmetry.
    """

    def __init__(self, directions: Sequence[Direction], mirror: bool) -> None:
        self.measured = tuple(directions)
        self.all = all_directions(directions)
        self.row = {settle(d): i for i, d in reversed(list(enumerate(self.all)))}
        self.reach = Reach.of(directions)
        self.one_side = self.reach.sides == 1
        self.stated = mirror
        known = {d: i < len(directions) for i, d in enumerate(self.all)}
        if self.one_side or mirror:
            known |= {d: True for d in self.all if d.horizontal_deg and _image(d) in self.measured}
        self.known = np.array(list(known.values()))
        have = [d for d, is_known in known.items() if is_known]
        self.told = self.known | np.array([_is_between(d, have) for d in self.all])

    def average(
        self,
        name: str,
        angles: Sequence[Angle],
        shares: Sequence[float] | None = None,
        said: str = "",
    ) -> Average:
        """Average some standard angles, by equal shares unless they are given."""
        weights = np.zeros(len(self.all))
        for (key, angle), share in zip(angles, shares or [1.0] * len(angles), strict=True):
            named = {"horizontal_deg": angle} if key == "h" else {"vertical_deg": angle}
            weights[self.row[settle(Direction(**named))]] += share
        return self._tell(name, weights / weights.sum(), said)

    def mix(self, name: str, parts: Sequence[tuple[float, Average]], said: str = "") -> Average:
        """Mix averages by shares."""
        return self._tell(name, np.sum([s * a.weights for s, a in parts], axis=0), said)

    def average_off_axis(self) -> dict[str, Average]:
        """Average the measured directions in front of the cabinet but the axis, if any."""
        angles = [max(abs(d.horizontal_deg), abs(d.vertical_deg)) for d in self.measured]
        front = [float(0.0 < angle <= 90.0) for angle in angles]
        if not any(front):
            return {}
        weights = np.zeros(len(self.all))
        weights[: len(front)] = front
        return {"off_axis": Average(name="off_axis", weights=weights / weights.sum())}

    def _tell(self, name: str, weights: Real, said: str) -> Average:
        completed = float(weights[~self.told].sum())
        assumed = [said] if said else []
        if name != "on_axis" and self.one_side:
            why = "as stated" if self.stated else "because one side only was measured"
            assumed.append(f"left and right taken as mirror images, {why}")
        band: HalfWidths | None = (0.0, 0.0, 0.0)
        if float(weights[~self.known].sum()) > _NOTHING:
            band = self.reach.bands().get(name)
            assumed.append(_SAID_OF_COMPLETION)
            if self.reach.upright != "wide":
                assumed.append(_SAID_OF_HELP)
        return Average(
            name=name, weights=weights, assumed=tuple(assumed), completed=completed, band_db=band
        )


_NOTHING = 1e-9


def _image(direction: Direction) -> Direction:
    return Direction(horizontal_deg=-direction.horizontal_deg)


def _is_between(direction: Direction, known: Sequence[Direction]) -> bool:
    """Whether a direction lies between known ones of its side, near each other."""
    key = "vertical_deg" if direction.vertical_deg else "horizontal_deg"
    other = "horizontal_deg" if direction.vertical_deg else "vertical_deg"
    angle = getattr(direction, key)
    side = [np.sign(angle) * getattr(d, key) for d in known if not getattr(d, other)]
    side += [180.0 for d in known if is_behind(d)]
    nearer = [a for a in side if 0.0 <= a <= abs(angle)]
    farther = [a for a in side if a >= abs(angle)]
    return bool(farther) and min(farther) - max(nearer) <= LARGEST_GAP_DEG


@dataclass(frozen=True, slots=True)
class Reach:
    """How far measured directions reach, for how well averages can be told from them.

    Parameters
    ----------
    aside_deg : float
        Outermost horizontal angle.
    sides : int
        Horizontal sides that were measured.
    upright : {"none", "near", "wide"}
        Vertical angles, see `Upright`.
    """

    aside_deg: float
    sides: int
    upright: Upright

    @classmethod
    def of(cls, directions: Sequence[Direction]) -> Reach:
        """Find the reach of measured directions."""
        across = [d.horizontal_deg for d in directions if d.horizontal_deg]
        turned = [d.vertical_deg for d in directions if 0.0 < abs(d.vertical_deg) < 180.0]
        side = {np.sign(a) for a in across if abs(a) < 180.0}
        wide = all(
            any(low <= sign * a <= high for a in turned)
            for sign in (1.0, -1.0)
            for low, high in ((10.0, 30.0), (40.0, 65.0))
        )
        upright: Upright = "wide" if wide else "near" if turned else "none"
        return cls(max((abs(a) for a in across if abs(a) < 180.0), default=0.0), len(side), upright)

    def bands(self) -> dict[str, HalfWidths]:
        """Return half widths by curve."""
        far = "front" if self.aside_deg < 50.0 else "side" if self.aside_deg < 150.0 else "round"
        return BANDS_DB[far, self.upright]


def _list_sphere() -> tuple[list[Angle], list[float]]:
    """Angles of both orbits in steps of 10 degrees, and the share of the sphere of each."""
    # Straight ahead and straight behind count as one arm, not four: so do published curves.
    angles: list[Angle] = [("h", 0.0), ("h", 180.0)]
    angles += [(key, sign * a) for key in "hv" for a in range(10, 180, 10) for sign in (1.0, -1.0)]
    ends = [sound_power_weight(0.0)] * 2
    return angles, ends + [sound_power_weight(abs(a)) for _, a in angles[2:]]


_SAID_OF_READING: dict[Reading, str] = {
    "bounces": "early reflections: mean of five bounces, rear wall from 90 to 180 degrees",
    "pooled": "early reflections: mean of 26 directions, rear wall at 90 and 180 degrees only",
}


_SAID_OF_COMPLETION = (
    "directions that were not measured are completed for each driver, for a closed front with the "
    "drivers above each other"
)
_SAID_OF_HELP = (
    "four measurements would tell most of what is missing: 20 and 50 degrees up, 20 and 50 down"
)


def list_bands(averages: Mapping[str, Average]) -> dict[str, HalfWidths]:
    """List the bands of averages that were completed, and of the indices between them.

    Parameters
    ----------
    averages : mapping of str to Average
        As `named_averages` returned them.

    Returns
    -------
    dict of str to HalfWidths
        By name of the curve; the band of an index is that of two curves whose errors have nothing
        to do with each other.
    """
    bands = {n: a.band_db for n, a in averages.items() if a.band_db is not None and any(a.band_db)}
    window = bands.get("listening_window", (0.0, 0.0, 0.0))
    for index, other in INDICES.items():
        if other in bands:
            low, middle, high = np.hypot(window, bands[other]).tolist()
            bands[index] = (low, middle, high)
    return bands
