"""Prepare the goals that keep drivers whole, from the limits that the user states."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.acoustics.programme import CREST, programme_weights
from optimizer.arrays import Real
from optimizer.errors import InputError, Subject
from optimizer.goals.protection import (
    LowDriveGoal,
    StressGoal,
    excursion_per_volt,
    find_resonance_hz,
)
from optimizer.goals.specs import ExcursionGoalSpec, LowDriveGoalSpec, PowerGoalSpec
from optimizer.measure.driver import Driver

Ways = Sequence[tuple[str, Driver]]


def prepare_low_drive(
    name: str, spec: LowDriveGoalSpec, frequency_hz: Real, ways: Ways
) -> LowDriveGoal:
    """Prepare the limit on drive below a driver's range.

    Parameters
    ----------
    name : str
        Name of the goal.
    spec : LowDriveGoalSpec
        The user's choices.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    ways : sequence of (str, Driver)
        Name of each way with its driver.

    Returns
    -------
    LowDriveGoal
        On every way but the lowest, which nothing passive can keep from its resonance. Protected
        up to limits.lowest_hz, or the resonance when that is not stated.

    Raises
    ------
    InputError
        When there is but one way, or no point of the grid below a limit.
    """
    tops = [
        driver.limits.lowest_hz or find_resonance_hz(frequency_hz, driver.impedance)
        for _, driver in ways
    ]
    lowest = min(tops, default=0.0)
    guarded = tuple(
        (w, top) for w, top in enumerate(tops) if top > lowest and top >= frequency_hz[0]
    )
    if not guarded:
        raise InputError(
            "the goal needs a second driver with a higher lowest frequency",
            subject=Subject("goal", name),
            remedy="state the lowest frequency of the tweeter, or remove the goal",
            by_stating=(Subject("driver", part="lowest frequency"),),
        )
    highest = max(top for _, top in guarded)
    index = np.flatnonzero(frequency_hz <= highest * (1.0 + 1e-9))
    points = sum(int(np.count_nonzero(frequency_hz <= top * (1.0 + 1e-9))) for _, top in guarded)
    return LowDriveGoal(
        name=name,
        index=index,
        frequency_hz=frequency_hz[index],
        weight=spec.weight,
        hard=spec.hard,
        scale=1.0 / np.sqrt(points),
        unit="dB rms over",
        tops=guarded,
        down_db=spec.down_db,
        ways=tuple(n for n, _ in ways),
    )


def prepare_stress(
    name: str, spec: PowerGoalSpec | ExcursionGoalSpec, frequency_hz: Real, ways: Ways
) -> StressGoal:
    """Prepare a limit on programme power or on excursion.

    Parameters
    ----------
    name : str
        Name of the goal.
    spec : PowerGoalSpec or ExcursionGoalSpec
        The user's choices.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    ways : sequence of (str, Driver)
        Name of each way with its driver.

    Returns
    -------
    StressGoal
        On every way whose driver has what it takes: limits.watts, or excursion, force factor and
        resistance.

    Raises
    ------
    InputError
        When no driver has.

    Notes
    -----
    Power: E^2 sum_f s(f) |H|^2 Re(1/Z), s the share of programme noise (IEC 60268-1) at each point
    and E the voltage of the amplifier's stated power. Excursion: the same sum with the square of
    the excursion per volt; its peak is taken as `CREST` times its rms.
    """
    share = programme_weights(frequency_hz)
    volts_squared = spec.amplifier_w * spec.rated_ohm
    rows: list[Real] = []
    words: list[tuple[str, float, float]] = []
    wayside: list[int] = []
    for way, (label, driver) in enumerate(ways):
        limits = driver.limits
        if isinstance(spec, PowerGoalSpec) and limits.watts is not None:
            watts = volts_squared * share * np.maximum((1.0 / driver.impedance).real, 0.0)
            rows.append(watts / limits.watts)
            words.append((f"{label} takes {{:.1f}} of {limits.watts:g} W", limits.watts, 1.0))
            wayside.append(way)
        elif (
            isinstance(spec, ExcursionGoalSpec)
            and limits.excursion_m is not None
            and limits.force_factor_tm is not None
            and limits.resistance_ohm is not None
        ):
            metres = excursion_per_volt(
                frequency_hz, driver.impedance, limits.resistance_ohm, limits.force_factor_tm
            )
            peak = CREST**2 * volts_squared * share * metres**2
            rows.append(peak / limits.excursion_m**2)
            words.append(
                (
                    f"{label} moves {{:.1f}} of {1e3 * limits.excursion_m:g} mm",
                    1e3 * limits.excursion_m,
                    0.5,
                )
            )
            wayside.append(way)
    if not rows:
        asked = (
            ("power",)
            if isinstance(spec, PowerGoalSpec)
            else ("excursion", "force factor", "resistance")
        )
        raise InputError(
            "the goal needs a driver whose limits are stated",
            subject=Subject("goal", name),
            remedy=f"state {', '.join(asked)} of a driver, or remove the goal",
            by_stating=tuple(Subject("driver", part=part) for part in asked),
        )
    return StressGoal(
        name=name,
        index=np.arange(len(frequency_hz)),
        frequency_hz=frequency_hz,
        weight=spec.weight,
        hard=spec.hard,
        scale=1.0 / np.sqrt(len(rows)),
        unit="dB over",
        wayside=tuple(wayside),
        stress=np.array(rows),
        words=tuple(words),
    )
