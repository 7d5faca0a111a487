"""One near field for all directions of a driver: what was gated is continued down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.curves.nearfield import BLEND_REACH, Join, Splice, splice_fields
from optimizer.measure.curves.thin import interpolate_log, thin_response

FADE_BELOW_JOIN_OCTAVES = 2.0
"""Below the join the difference to the axis fades out over this much: a cabinet that is small
against the wavelength sends the same to all sides."""


def join_directions(
    near: MeasuredCurve,
    responses: Mapping[Direction, MeasuredCurve],
    join: Join,
    *,
    port: MeasuredCurve | None = None,
    far_from_hz: float | None = None,
) -> tuple[dict[Direction, MeasuredCurve], Splice]:
    """Join a near field to the response on axis, and let the other directions follow it down.

    Parameters
    ----------
    near : MeasuredCurve
        Near field of the driver.
    responses : mapping of Direction to MeasuredCurve
        Far field; the reference axis among them.
    join : Join
        What is known of box, driver and port.
    port : MeasuredCurve, optional
        Near field of the port.
    far_from_hz : float, optional
        Lowest valid frequency of the far field.

    Returns
    -------
    dict of Direction to MeasuredCurve
        In the same order.
    Splice
        How they were joined on axis.

    Raises
    ------
    InputError
        As `optimizer.measure.curves.nearfield.splice_fields`.

    Notes
    -----
    A near field has no direction. Off the axis the level difference and the phase difference to
    the axis at the join are kept there and fade out over the two octaves below: an estimate,
    right at both ends.
    """
    axis = responses[ON_AXIS]
    splice = splice_fields(near, axis, join, port=port, far_from_hz=far_from_hz)
    return {
        direction: splice.response if direction == ON_AXIS else _follow(response, axis, splice)
        for direction, response in responses.items()
    }, splice


def _follow(response: MeasuredCurve, axis: MeasuredCurve, splice: Splice) -> MeasuredCurve:
    """Continue one direction below the join by the joined response on axis."""
    response, joined = thin_response(response), splice.response
    # From here on nothing of the near field is left in the joined response.
    start = max(splice.at_hz * BLEND_REACH, response.range_hz[0])
    below = joined.frequency_hz[joined.frequency_hz < start]
    kept = response.frequency_hz >= start
    fade = np.clip(1.0 - np.log2(start / below) / FADE_BELOW_JOIN_OCTAVES, 0.0, 1.0)
    fade = 0.5 - 0.5 * np.cos(np.pi * fade)
    at = np.array([start])
    both = response.has_phase and joined.has_phase
    step_db = float(
        interpolate_log(response.frequency_hz, response.level_db, at)[0]
        - interpolate_log(axis.frequency_hz, axis.level_db, at)[0]
    )
    level = joined.level_db[joined.frequency_hz < start] + fade * step_db
    phase = np.zeros(len(below))
    if both:
        step = float(
            interpolate_log(response.frequency_hz, response.phase_rad, at)[0]
            - interpolate_log(axis.frequency_hz, axis.phase_rad, at)[0]
        )
        step = float(np.angle(np.exp(1j * step)))
        phase = joined.phase_rad[joined.frequency_hz < start] + fade * step
    low = 10.0 ** (level / 20.0) * np.exp(1j * phase)
    high = response.value[kept] if both else np.abs(response.value[kept])
    return replace(
        response,
        frequency_hz=np.concatenate([below, response.frequency_hz[kept]]),
        value=np.asarray(np.concatenate([low, high]), dtype=np.complex128),
        has_phase=both,
        gate_s=None,
        notes=(*response.notes, "continued below the join by the near field"),
    )
