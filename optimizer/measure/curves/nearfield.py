"""Joining a near-field to a far-field response, with the step of the baffle between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Real
from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.cabinet import DEPTHS, Cabinet, solve_step
from optimizer.measure.curves.grid import log_grid
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.geometry import SOUND_SPEED_M_S
from optimizer.text.units import say_hz

ABOVE_GATE = 1.3
"""The far field is trusted from this multiple of the gate's limit."""
BLEND_OCTAVES = 0.5
BLEND_REACH = 2.0 ** (BLEND_OCTAVES / 2.0)
"""From the join to where nothing of the other field is left."""
MISSES_DB = 3.0
"""A shift farther than this from what the size of the cone asks for is told as a doubt: microphones
a centimetre too far, cones that are no pistons and effective diameters account for less (common
practice, no source)."""

_BRIDGE_OCTAVES = 0.5  # either side of the join in which the level is met
_STEP_DB = 6.0  # from half to full space
_SOLVED_DB = 0.3  # elements of finite size, and feet, rebates and cloth that no box has here


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


def meant_diameter_m(shift_db: float, far_m: float) -> float:
    """Effective diameter that a shift would mean, with equal gain: `expected_shift_db` backwards.

    Parameters
    ----------
    shift_db : float
        Added to the near field to meet the far field.
    far_m : float
        Distance of the far field.

    Returns
    -------
    float
        In m.
    """
    return float(4.0 * far_m * 10.0 ** (shift_db / 20.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Join:
    """What is known for joining a driver's near field to its far field.

    Parameters
    ----------
    cabinet : Cabinet or None
        Box and driver, for the step from half to full space; without it the near field is used as
        it is, and a note says what that costs.
    diaphragm_m : float or None
        Effective diameter, which limits the near field.
    port_m : float or None
        Diameter of the port, to add its near field.
    at_hz : float or None
        Where to join; where both agree best in level and slope when None.
    far_m : float
        Distance of the far field.
    """

    cabinet: Cabinet | None = None
    diaphragm_m: float | None = None
    port_m: float | None = None
    at_hz: float | None = None
    far_m: float = 1.0

    @property
    def port_share(self) -> float | None:
        """Diameter of the port over that of the cone, by which the port is added; None if unknown."""
        if self.port_m is None or not self.diaphragm_m:
            return None
        return self.port_m / self.diaphragm_m


def list_joins(
    fronts: Mapping[str, Cabinet], diameters_m: Mapping[str, float], ports_m: Mapping[str, float]
) -> dict[str, Join]:
    """List what is known for joining the near fields of drivers whose front was stated.

    Parameters
    ----------
    fronts : mapping of str to Cabinet
        By driver.
    diameters_m, ports_m : mapping of str to float
        Effective diameters of drivers, and diameters of their ports.

    Returns
    -------
    dict of str to Join
        By driver.
    """
    return {
        name: Join(cabinet=front, diaphragm_m=diameters_m.get(name), port_m=ports_m.get(name))
        for name, front in fronts.items()
    }


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
    join : Join
        What was known.
    doubt_hz_db : ndarray, shape (2, P), or None
        How well the level below the join is known: Hz, and plus and minus dB that what is open about
        the cabinet makes, see `doubt_below`.
    notes : tuple of str
        What was assumed.
    """

    response: MeasuredCurve
    at_hz: float
    shift_db: float
    mismatch_db: float
    join: Join
    doubt_hz_db: Real | None = None
    notes: tuple[str, ...] = ()

    @property
    def expected_db(self) -> float | None:
        """What `shift_db` should be by the size of the cone, see `expected_shift_db`."""
        size = self.join.diaphragm_m
        return expected_shift_db(size, self.join.far_m) if size else None

    @property
    def least_known(self) -> tuple[float, float] | None:
        """Frequency below the join at which the level is known least, and plus and minus dB there."""
        if self.doubt_hz_db is None:
            return None
        hz, half = self.doubt_hz_db[:, int(np.argmax(self.doubt_hz_db[1]))]
        return float(hz), float(half)

    @property
    def misses_db(self) -> float | None:
        """How far the shift is from what the size of the cone asks for, where that is too far.

        Without a front a step of up to 6 dB is in the shift too.
        """
        if self.expected_db is None:
            return None
        off = self.shift_db - self.expected_db
        if self.join.cabinet is None and off < 0.0:
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
    join: Join,
    *,
    port: MeasuredCurve | None = None,
    far_from_hz: float | None = None,
) -> Splice:
    """Join a near-field response to a far-field response.

    Parameters
    ----------
    near, far : MeasuredCurve
        Pressure responses of one driver.
    join : Join
        What is known of box, driver and port.
    port : MeasuredCurve, optional
        Near field of the port, added where the diameters of port and diaphragm are known.
    far_from_hz : float, optional
        Lowest valid frequency of the far field (from its gate); default the start of its data.

    Returns
    -------
    Splice

    Raises
    ------
    InputError
        The two share less than half an octave of valid data.
    """
    size, cabinet, at_hz = join.diaphragm_m, join.cabinet, join.at_hz
    if port is not None and join.port_share is not None:
        near = add_port(near, port, join.port_share)
    near, far = thin_response(near), thin_response(far)
    notes: list[str] = []
    top = near.range_hz[1]
    if size:
        top = min(top, near_field_limit_hz(size))
        notes.append(f"near field used up to {say_hz(top)} at most (ka = 1)")
    else:
        top = min(top, 800.0)
        notes.append("diaphragm not stated: near field used up to 800 Hz at most")
    bottom = max(ABOVE_GATE * (far_from_hz or far.range_hz[0]), near.range_hz[0])
    if not top > bottom * np.sqrt(2.0):
        raise InputError(
            "near and far field must share half an octave of valid data",
            file=near.source,
            value=f"far field from {say_hz(bottom)}, near field up to {say_hz(top)}",
            remedy="measure the far field with a longer gate, or state the true diaphragm",
        )
    if at_hz is not None and not bottom <= at_hz <= top:
        raise InputError(
            "near and far field must be joined where both are valid",
            value=f"{at_hz:g} Hz",
            remedy=f"choose a frequency from {say_hz(bottom)} to {say_hz(top)}",
        )
    step = np.ones(len(near.frequency_hz), dtype=np.complex128)
    solved = np.zeros((1, len(step)))
    if cabinet is not None:
        step, solved = solve_step(near.frequency_hz, cabinet, size or 0.0, BLEND_REACH * top)
        notes.append(f"step solved for {_say_cabinet(cabinet)}, in free air")
    else:
        notes.append("front not stated: no baffle step, the bass may be up to 6 dB too loud")
    low = replace(near, value=near.value * step)
    where, shift, mismatch = _find_bridge(low, far, bottom, top, at_hz)
    joined = _bridge(low, far, where, shift)
    notes.append(
        f"joined at {say_hz(where)}, near field moved by {shift:+z.1f} dB, "
        f"{mismatch:.1f} dB rms of mismatch"
    )
    if mismatch > 1.5:
        notes.append("near and far field disagree in slope: check front, gate and diaphragm")
    doubt = solved - 20.0 * np.log10(np.abs(step))
    known = None if cabinet is None else doubt_below(near.frequency_hz, doubt, where)
    splice = Splice(
        # Below the join nothing of the far field is left, so its gate limits nothing.
        response=replace(joined, gate_s=None),
        at_hz=where,
        shift_db=shift,
        mismatch_db=mismatch,
        join=join,
        doubt_hz_db=known,
    )
    notes += [*_say_doubt(splice), *_say_expected(splice)]
    return replace(
        splice,
        notes=tuple(notes),
        response=replace(splice.response, notes=(*far.notes, *notes)),
    )


def doubt_below(frequency_hz: Real, off_db: Real, where: float) -> Real | None:
    """Say how well the level below a join is known: at the join the far field says what it is.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
    off_db : ndarray, shape (S, F)
        What each cabinet that is possible is above their mean.
    where : float
        Frequency of the join.

    Returns
    -------
    ndarray, shape (2, P), or None
        Frequencies below the join, and plus and minus dB; None where there is nothing below.
    """
    window = np.abs(np.log2(frequency_hz / where)) <= _BRIDGE_OCTAVES
    off = np.abs(off_db - off_db[:, window].mean(axis=1, keepdims=True))
    below = frequency_hz < where / BLEND_REACH
    return np.stack([frequency_hz, _SOLVED_DB + off.max(axis=0)])[:, below] if below.any() else None


def _say_doubt(splice: Splice) -> list[str]:
    if splice.least_known is None or splice.join.cabinet is None:
        return []
    hz, half = splice.least_known
    return [
        f"below the join the level, as heard from afar, is known within {half:.1f} dB (at "
        f"{say_hz(hz)}), {_say_open(splice.join.cabinet)}"
    ]


def _say_cabinet(cabinet: Cabinet) -> str:
    size = f"{1000.0 * cabinet.width_m:.0f} x {1000.0 * cabinet.height_m:.0f}"
    if cabinet.depth_m is None:
        return f"a front of {size} mm"
    return f"a box of {size} x {1000.0 * cabinet.depth_m:.0f} mm"


def _say_open(cabinet: Cabinet) -> str:
    """Say what of the cabinet the doubt is about."""
    edges = "whether its edges are sharp or round"
    if cabinet.depth_m is not None:
        return edges
    low, high = (f"{1000.0 * ratio * cabinet.width_m:.0f}" for ratio in (DEPTHS[0], DEPTHS[-1]))
    return f"{edges}, and whether the box is {low} or {high} mm deep, which nobody stated"


def _say_expected(splice: Splice) -> list[str]:
    """Hold the shift against the law of a piston."""
    size, far_m, expected = splice.join.diaphragm_m, splice.join.far_m, splice.expected_db
    if expected is None or size is None:
        meant = 1000.0 * meant_diameter_m(splice.shift_db, far_m)
        return [
            f"with equal gain that shift would mean a cone of {meant:.0f} mm heard from {far_m:g} m "
            "(a/2r)"
            + ("" if splice.join.cabinet else ", up to twice that with the step of a front in it")
        ]
    asked = f"a cone of {1000.0 * size:.0f} mm heard from {far_m:g} m"
    off = splice.misses_db
    if off is None:
        return [f"{asked} asks for {expected:+z.1f} dB (a/2r), which agrees"]
    more = "more" if off > 0.0 else "less"
    return [
        f"{asked} asks for {expected:+z.1f} dB (a/2r) and it is {abs(off):.1f} dB {more}: "
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
    grid = np.concatenate(
        [
            low.frequency_hz[low.frequency_hz < where / BLEND_REACH],
            log_grid(where / BLEND_REACH, where * BLEND_REACH, 96.0),
            far.frequency_hz[far.frequency_hz > where * BLEND_REACH],
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
