"""Phases of drivers and of their directions, made comparable by a timing that was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.curves.excess import find_excess_delay
from optimizer.measure.curves.phase import minimum_phase
from optimizer.measure.curves.thin import thin_response
from optimizer.measure.geometry import SOUND_SPEED_M_S, path_excess_m
from optimizer.measure.timing.timing import Timing


def align_responses(
    responses: Mapping[str, MeasuredCurve], timing: Timing, *, levels: bool = True
) -> dict[str, MeasuredCurve]:
    """Give every driver the phase, delay, level and polarity that `timing` found.

    Parameters
    ----------
    responses : mapping of str to MeasuredCurve
        The files as measured, on axis.
    timing : Timing
        Result of `find_timing`, `assume_timing` or `check_shared_clock`.
    levels : bool
        Whether to apply the level offsets too.

    Returns
    -------
    dict of str to MeasuredCurve
        Their complex sum is the predicted response of all drivers playing at once.
    """
    return {
        name: _align(response, timing, name, timing.delays_s[name], levels=levels)
        for name, response in responses.items()
    }


def align_directions(
    responses: Mapping[Direction, MeasuredCurve],
    timing: Timing,
    name: str,
    *,
    place_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    levels: bool = True,
) -> dict[Direction, MeasuredCurve]:
    """Give every direction of one driver comparable phases.

    Parameters
    ----------
    responses : mapping of Direction to MeasuredCurve
        One driver's files; the reference axis among them.
    timing : Timing
        For its response on axis.
    name : str
        The driver.
    place_m : tuple of float
        (up, right, back) from the reference axis, about which the cabinet was turned.
    levels : bool
        Whether to apply the level offset too.

    Returns
    -------
    dict of Direction to MeasuredCurve
        With a shared clock the files' own phases; else minimum phase, or measured phase with
        its excess delay brought to that of the reference axis, and the path that geometry adds.

    Notes
    -----
    The delay that `timing` found holds on axis, so only the change of path off axis is added. A
    minimum phase also needs the same slope below the data in every direction.
    """
    if timing.method == "shared clock":
        return {
            d: _align(r, timing, name, timing.delays_s[name], levels=levels)
            for d, r in responses.items()
        }
    own: dict[Direction, float] = dict.fromkeys(responses, 0.0)
    if timing.method == "measured phase + delay":
        excess = {d: find_excess_delay(r).delay_s for d, r in responses.items()}
        first = excess.get(ON_AXIS, next(iter(excess.values())))
        own = {d: first - delay for d, delay in excess.items()}
    on_axis = path_excess_m(ON_AXIS, place_m)
    return {
        d: _align(
            r,
            timing,
            name,
            timing.delays_s[name]
            + own[d]
            + (path_excess_m(d, place_m) - on_axis) / SOUND_SPEED_M_S,
            levels=levels,
        )
        for d, r in responses.items()
    }


def _align(
    response: MeasuredCurve, timing: Timing, name: str, delay_s: float, *, levels: bool
) -> MeasuredCurve:
    """Turn one response; phase is turned on all points before they are thinned."""
    if timing.method in ("minimum phase + delay", "not determined"):
        response = thin_response(response)
        phase = minimum_phase(
            response.frequency_hz,
            response.level_db,
            slope_low_db_per_octave=timing.tails_db_per_octave.get(name),
        )
    else:
        phase = response.phase_rad
    offset = timing.levels_db[name] if levels else 0.0
    turn = phase - 2.0 * np.pi * response.frequency_hz * delay_s
    value = np.abs(response.value) * 10.0 ** (offset / 20.0) * np.exp(1j * turn)
    turned = replace(
        response,
        value=np.asarray(timing.polarity[name] * value, dtype=np.complex128),
        has_phase=True,
        notes=(*response.notes, f"phase: {timing.method}"),
    )
    return thin_response(turned)
