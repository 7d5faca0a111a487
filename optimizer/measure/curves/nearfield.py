"""Joining a near-field to a far-field response, with the step of the baffle between them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.grid import log_grid
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.geometry import SOUND_SPEED_M_S

ABOVE_GATE = 1.3
"""The far field is trusted from this multiple of the gate's limit."""
BLEND_OCTAVES = 0.5
MISSES_DB = 3.0
"""A shift farther than this from what the size of the cone asks for is told as a doubt: microphones
a centimetre too far, cones that are no pistons and effective diameters account for less (common
practice, no source)."""

_BRIDGE_OCTAVES = 0.5  # either side of the join in which the level is met
_STEP_DB = 6.0  # from half to full space


@dataclass(frozen=True, slots=True, kw_only=True)
class Baffle:
    """A flat front with a driver on it.

    Parameters
    ----------
    width_m, height_m : float
        Outer size of the front.
    right_m, up_m : float
        Place of the driver's centre from the centre of the front.
    diaphragm_m : float
        Effective diameter of the driver.
    """

    width_m: float
    height_m: float
    right_m: float = 0.0
    up_m: float = 0.0
    diaphragm_m: float = 0.0


def estimate_baffle_step(frequency_hz: Real, baffle: Baffle) -> Complex:
    """Estimate what the finite front does on axis, far away, against an endless one.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        In Hz.
    baffle : Baffle
        Front and driver.

    Returns
    -------
    ndarray, shape (F,), complex
        1/2 (-6 dB) at low frequency, 1 on the average at high frequency, with the ripple of the
        edges.

    Raises
    ------
    InputError
        The driver's centre lies outside the front.

    Notes
    -----
    Every piece of the edge, seen from the driver under an angle d(phi) at a distance r, sends
    back the share d(phi)/(4 pi) of the sound, reversed and late by r/c:
    D = 1 - (1/4 pi) Integral exp(-j k r(phi)) d(phi). This simple edge-source estimate holds on
    axis and ignores second diffraction, rounded edges and depth; it is an estimate, meant to a
    decibel. The driver is spread over its diaphragm, which smooths the ripple.
    """
    half = np.array([baffle.width_m, baffle.height_m]) / 2.0
    centre = np.array([baffle.right_m, baffle.up_m])
    if not (np.all(half > 0.0) and np.all(np.abs(centre) < half)):
        raise InputError(
            "the driver's centre must lie inside the front",
            value=f"{baffle.right_m:g}, {baffle.up_m:g} m on {baffle.width_m:g} x "
            f"{baffle.height_m:g} m",
        )
    angles = (np.arange(256) + 0.5) * 2.0 * np.pi / 256.0
    k = 2.0 * np.pi * frequency_hz / SOUND_SPEED_M_S
    total = np.zeros(len(frequency_hz), dtype=np.complex128)
    points = _spread_over_diaphragm(baffle.diaphragm_m / 2.0)
    for offset in points:
        place = centre + offset
        place = np.clip(place, -0.999 * half, 0.999 * half)
        direction = np.stack([np.cos(angles), np.sin(angles)])
        with np.errstate(divide="ignore"):
            reach = (np.sign(direction) * half[:, None] - place[:, None]) / direction
        distance = reach.min(axis=0)
        total += np.exp(-1j * k[:, None] * distance).mean(axis=1)
    return np.asarray(1.0 - 0.5 * total / len(points))


def estimate_round_step(frequency_hz: Real, baffle: Baffle) -> Complex:
    """Compute the same for a front without edges: a rigid sphere of as large a cross-section.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        In Hz.
    baffle : Baffle
        The front; the place of the driver on it does not count.

    Returns
    -------
    ndarray, shape (F,), complex
        From 1/2 (-6 dB) at low frequency to 1 at high frequency, with hardly any ripple. The phase
        counts from the centre of the sphere.

    Notes
    -----
    A source on a rigid sphere heard from afar on its axis, by reciprocity what a plane wave does at
    the pole: H = (1/x^2) Sum j^(m-1) (2m+1) / h_m'(x) with x = k b and h_m the spherical Hankel
    function of the second kind (Duda and Martens, JASA 104(5), 1998, from memory; Morse and Ingard,
    Theoretical Acoustics). H rises from 1 to 2.
    """
    from scipy.special import spherical_jn, spherical_yn

    radius = float(np.sqrt(baffle.width_m * baffle.height_m / np.pi))
    x = np.maximum(2.0 * np.pi * frequency_hz / SOUND_SPEED_M_S * radius, 1e-6)
    total = np.zeros(len(x), dtype=np.complex128)
    for m in range(int(1.2 * x.max()) + 20):
        slope = spherical_jn(m, x, derivative=True) - 1j * spherical_yn(m, x, derivative=True)
        heard = np.isfinite(slope)
        total[heard] += 1j ** (m - 1) * (2 * m + 1) / slope[heard]
    return np.asarray(0.5 * total / x**2)


def estimate_step(frequency_hz: Real, baffle: Baffle) -> tuple[Complex, Real]:
    """Estimate the step of a cabinet, between that of sharp edges and that of none.

    A thin front with sharp edges lets bass round it sooner than a cabinet with sides does, and a
    sphere has no edges to send anything back: what cabinets do lies between (held against solutions
    of rounded boxes by fundamental solutions, tests/reference/test_survey_nearfield.py).

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        In Hz.
    baffle : Baffle
        Front and driver.

    Returns
    -------
    step : ndarray, shape (F,), complex
        The mean of both in dB, with the phase of sharp edges.
    doubt_db : ndarray, shape (F,)
        What the sharp edges are above it, and none below, in dB.
    """
    sharp = estimate_baffle_step(frequency_hz, baffle)
    smooth = np.abs(estimate_round_step(frequency_hz, baffle))
    share = np.sqrt(smooth / np.abs(sharp))
    return sharp * share, np.asarray(-20.0 * np.log10(share))


def expected_shift_db(diaphragm_m: float, far_m: float) -> float:
    """Level of a far field against the near field of the same driver in an endless front.

    Parameters
    ----------
    diaphragm_m : float
        Effective diameter 2a.
    far_m : float
        Distance r of the far field.

    Returns
    -------
    float
        20 lg(a / 2r), for equal gain: a rigid piston is that much louder at its centre than afar
        (Keele, JAES 22(3), 1974; from memory).
    """
    return float(20.0 * np.log10(diaphragm_m / (4.0 * far_m)))


def _spread_over_diaphragm(radius: float) -> list[Real]:
    """Points of equal area on a disc: centre ring and outer ring."""
    if radius <= 0.0:
        return [np.zeros(2)]
    turns = np.arange(8) * np.pi / 4.0
    rings = [(0.38, turns), (0.84, turns + np.pi / 8.0)]
    return [
        radius * share * np.array([np.cos(t), np.sin(t)]) for share, ring in rings for t in ring
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Splice:
    """A joined response and how it was joined.

    Parameters
    ----------
    response : MeasuredCurve
        Near field below, far field above.
    at_hz : float
        Middle of the bridge.
    shift_db : float
        Added to the near field to meet the far field.
    mismatch_db : float
        Rms difference left over the octave around `at_hz`.
    baffle : Baffle or None
        The front whose step was applied.
    expected_db : float or None
        What `shift_db` should be by the size of the cone, see `expected_shift_db`.
    doubt_db, doubt_hz : float or None
        How well the level below the join is known, where it is known least: plus and minus what lies
        between sharp edges of the front and none.
    notes : tuple of str
        What was assumed.
    """

    response: MeasuredCurve
    at_hz: float
    shift_db: float
    mismatch_db: float
    baffle: Baffle | None = None
    expected_db: float | None = None
    doubt_db: float | None = None
    doubt_hz: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def misses_db(self) -> float | None:
        """How far the shift is from what the size of the cone asks for, where that is too far.

        Without a front a step of up to 6 dB is in the shift too.
        """
        if self.expected_db is None:
            return None
        off = self.shift_db - self.expected_db
        if self.baffle is None and off < 0.0:
            off = min(0.0, off + _STEP_DB)
        return off if abs(off) > MISSES_DB else None


def near_field_limit_hz(diaphragm_m: float) -> float:
    """Highest frequency for which a near-field response stands for the far field.

    Parameters
    ----------
    diaphragm_m : float
        Effective diameter in m.

    Returns
    -------
    float
        Frequency with ka = 1: within a decibel for a piston (from memory: Keele, JAES 22(3),
        1974).
    """
    return SOUND_SPEED_M_S / (np.pi * diaphragm_m)


def splice_fields(
    near: MeasuredCurve,
    far: MeasuredCurve,
    *,
    baffle: Baffle | None = None,
    diaphragm_m: float | None = None,
    at_hz: float | None = None,
    far_from_hz: float | None = None,
    far_m: float = 1.0,
) -> Splice:
    """Join a near-field response to a far-field response.

    Parameters
    ----------
    near, far : MeasuredCurve
        Pressure responses of one driver.
    baffle : Baffle, optional
        The front, for the step from half to full space; without it the near field is used as it
        is, and a note says what that costs.
    diaphragm_m : float, optional
        Effective diameter, limits the near field; default that of `baffle`.
    at_hz : float, optional
        Where to join; default the frequency at which both agree best in level and slope.
    far_from_hz : float, optional
        Lowest valid frequency of the far field (from its gate); default the start of its data.
    far_m : float
        Distance of the far field.

    Returns
    -------
    Splice

    Raises
    ------
    InputError
        The two share less than half an octave of valid data.
    """
    near, far = thin_response(near), thin_response(far)
    notes: list[str] = []
    size = diaphragm_m or (baffle.diaphragm_m if baffle else 0.0) or None
    top = near.range_hz[1]
    if size:
        top = min(top, near_field_limit_hz(size))
        notes.append(f"near field used up to {top:.0f} Hz at most (ka = 1)")
    else:
        top = min(top, 800.0)
        notes.append("diaphragm not stated: near field used up to 800 Hz at most")
    bottom = max(ABOVE_GATE * (far_from_hz or far.range_hz[0]), near.range_hz[0])
    if not top > bottom * np.sqrt(2.0):
        raise InputError(
            "near and far field must share half an octave of valid data",
            file=near.source,
            value=f"far field from {bottom:.0f} Hz, near field up to {top:.0f} Hz",
            remedy="measure the far field with a longer gate, or state the true diaphragm",
        )
    if at_hz is not None and not bottom <= at_hz <= top:
        raise InputError(
            "near and far field must be joined where both are valid",
            value=f"{at_hz:g} Hz",
            remedy=f"choose a frequency from {bottom:.0f} to {top:.0f} Hz",
        )
    step = np.ones(len(near.frequency_hz), dtype=np.complex128)
    doubt = np.zeros(len(near.frequency_hz))
    if baffle is not None:
        step, doubt = estimate_step(near.frequency_hz, baffle)
        notes.append(
            f"baffle step estimated for a front of {baffle.width_m:g} x {baffle.height_m:g} m"
        )
    else:
        notes.append("front not stated: no baffle step, the bass may be up to 6 dB too loud")
    low = replace(near, value=near.value * step)
    where, shift, mismatch = _find_bridge(low, far, bottom, top, at_hz)
    joined = _bridge(low, far, where, shift)
    notes.append(
        f"joined at {where:.0f} Hz, near field moved by {shift:+z.1f} dB, "
        f"{mismatch:.1f} dB rms of mismatch"
    )
    if mismatch > 1.5:
        notes.append("near and far field disagree in slope: check front, gate and diaphragm")
    least = (None, None) if baffle is None else _known_least(near.frequency_hz, doubt, where)
    splice = Splice(
        # Below the join nothing of the far field is left, so its gate limits nothing.
        response=replace(joined, gate_s=None),
        at_hz=where,
        shift_db=shift,
        mismatch_db=mismatch,
        baffle=baffle,
        expected_db=expected_shift_db(size, far_m) if size else None,
        doubt_db=least[0],
        doubt_hz=least[1],
    )
    notes += [*_say_doubt(splice), *_say_expected(splice, size, far_m)]
    return replace(
        splice,
        notes=tuple(notes),
        response=replace(splice.response, notes=(*far.notes, *notes)),
    )


def _known_least(
    frequency_hz: Real, doubt_db: Real, where: float
) -> tuple[float | None, float | None]:
    """Most doubt below the join, and where: at the join the far field says what the level is."""
    window = np.abs(np.log2(frequency_hz / where)) <= _BRIDGE_OCTAVES
    doubt = np.abs(doubt_db - doubt_db[window].mean())
    below = np.flatnonzero(frequency_hz < where / 2.0 ** (BLEND_OCTAVES / 2.0))
    if not len(below):
        return None, None
    at = below[int(np.argmax(doubt[below]))]
    return float(doubt[at]), float(frequency_hz[at])


def _say_doubt(splice: Splice) -> list[str]:
    if splice.doubt_db is None or splice.doubt_hz is None:
        return []
    return [
        f"below the join the level, as heard from afar, is known within {splice.doubt_db:.1f} dB (at "
        f"{splice.doubt_hz:.0f} Hz), between sharp edges of the front and none"
    ]


def _say_expected(splice: Splice, size: float | None, far_m: float) -> list[str]:
    """Hold the shift against the law of a piston."""
    if splice.expected_db is None or size is None:
        return []
    asked = f"a cone of {1000.0 * size:.0f} mm heard from {far_m:g} m"
    off = splice.misses_db
    if off is None:
        return [f"{asked} asks for {splice.expected_db:+z.1f} dB (a/2r), which agrees"]
    more = "more" if off > 0.0 else "less"
    return [
        f"{asked} asks for {splice.expected_db:+z.1f} dB (a/2r) and it is {abs(off):.1f} dB {more}: "
        "the gain was changed between near and far field, or distance or diameter are others"
    ]


def add_port(cone: MeasuredCurve, port: MeasuredCurve, diameter_ratio: float) -> MeasuredCurve:
    """Add a port's near field to a cone's.

    Parameters
    ----------
    cone, port : MeasuredCurve
        Near-field responses with phase from one time reference.
    diameter_ratio : float
        Diameter of the port over effective diameter of the cone. For several ports use that of
        one port of the same total area.

    Returns
    -------
    MeasuredCurve
        Their sum as seen from afar, on the cone's frequencies within the port's data.

    Raises
    ------
    InputError
        A response has no phase.

    Notes
    -----
    Near-field pressure is proportional to velocity times radius, far-field pressure to velocity
    times area: the port's share weighs by the ratio of diameters (from memory: Keele 1974).
    """
    for response in (cone, port):
        if not response.has_phase:
            raise InputError(
                "cone and port add as complex numbers",
                file=response.source,
                remedy="measure both with phase",
            )
    f = cone.frequency_hz
    level = interpolate_log(port.frequency_hz, port.level_db, f)
    phase = interpolate_log(port.frequency_hz, port.phase_rad, f)
    share = diameter_ratio * 10.0 ** (level / 20.0) * np.exp(1j * phase)
    low, high = port.range_hz
    share = np.where((f >= low) & (f <= high), share, 0.0)
    return replace(cone, value=cone.value + share, notes=(*cone.notes, "port added by near field"))


def _find_bridge(
    low: MeasuredCurve, far: MeasuredCurve, bottom: float, top: float, at_hz: float | None
) -> tuple[float, float, float]:
    """Frequency, level shift and mismatch of the best place to join."""
    grid = log_grid(bottom, top, 48.0)
    difference = interpolate_log(far.frequency_hz, far.level_db, grid) - interpolate_log(
        low.frequency_hz, low.level_db, grid
    )
    u = np.log2(grid)
    wanted = [np.log2(at_hz)] if at_hz is not None else list(u)
    half = min(_BRIDGE_OCTAVES, (u[-1] - u[0]) / 2.0)
    best = (np.inf, float(u[0]), 0.0)
    for centre in wanted:
        if at_hz is None and not u[0] + half - 1e-9 <= centre <= u[-1] - half + 1e-9:
            continue
        window = np.abs(u - centre) <= half
        mean = float(difference[window].mean())
        rms = float(difference[window].std())
        if rms < best[0] - 1e-6:
            best = (rms, float(centre), mean)
    return float(2.0 ** best[1]), best[2], best[0]


def _bridge(low: MeasuredCurve, far: MeasuredCurve, where: float, shift: float) -> MeasuredCurve:
    """Fade from one to the other over half an octave, level and phase apart."""
    reach = 2.0 ** (BLEND_OCTAVES / 2.0)
    grid = np.concatenate(
        [
            low.frequency_hz[low.frequency_hz < where / reach],
            log_grid(where / reach, where * reach, 96.0),
            far.frequency_hz[far.frequency_hz > where * reach],
        ]
    )
    fade = np.clip(np.log2(grid / where) / BLEND_OCTAVES + 0.5, 0.0, 1.0)
    fade = 0.5 - 0.5 * np.cos(np.pi * fade)
    below = interpolate_log(low.frequency_hz, low.level_db, grid) + shift
    above = interpolate_log(far.frequency_hz, far.level_db, grid)
    level = (1.0 - fade) * below + fade * above
    both = low.has_phase and far.has_phase
    phase = np.zeros(len(grid))
    if both:
        phase = _joined_phase(low, far, where, grid, fade)
    value = 10.0 ** (level / 20.0) * np.exp(1j * phase)
    return replace(far, frequency_hz=grid, value=np.asarray(value), has_phase=both)


def _joined_phase(
    low: MeasuredCurve, far: MeasuredCurve, where: float, grid: Real, fade: Real
) -> Real:
    """Far-field phase above; below it the near field's, given the delay that meets it."""
    inside = (grid > where / 2.0) & (grid < where * 2.0)
    inside &= (grid >= max(low.range_hz[0], far.range_hz[0])) & (
        grid <= min(low.range_hz[1], far.range_hz[1])
    )
    near = interpolate_log(low.frequency_hz, low.phase_rad, grid)
    away = interpolate_log(far.frequency_hz, far.phase_rad, grid)
    difference = (away - near)[inside]
    slope, offset = np.polyfit(grid[inside], difference, 1)
    # A microphone does not turn the phase: only whole half turns and a delay are allowed.
    offset = np.pi * np.round(offset / np.pi)
    slope = float(np.mean((difference - offset) / grid[inside]))
    met = near + offset + slope * grid
    return np.asarray((1.0 - fade) * met + fade * away)
