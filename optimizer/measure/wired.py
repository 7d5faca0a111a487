"""Several drivers wired together and fed by one way: what the filter and the listener see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.measure.driver import Driver, Limits, Wired, WiredDrivers


def wire_drivers(name: str, drivers: Sequence[Driver], wired: Wired) -> Driver:
    """Wire drivers together.

    Parameters
    ----------
    name : str
        What to call them together.
    drivers : sequence of Driver
        At least two, on one grid with the same directions; one may stand there twice.
    wired : {"parallel", "series"}
        In parallel each has the whole voltage; in series it is shared as their impedances are.

    Returns
    -------
    Driver
        Pressures add as complex numbers, so what their places do off the axis is in them. Watts
        are those of the weakest times their number; an excursion is not stated.

    Raises
    ------
    InputError
        With fewer than two, or with other directions or another grid.

    Notes
    -----
    For two alike in parallel half the impedance and 6 dB more for the same voltage; in series
    twice the impedance and the same level (circuit theory, no source needed). Each is taken to
    work in a chamber of its own, as it was measured.
    """
    first = drivers[0]
    if len(drivers) < 2:
        raise InputError("at least two drivers are wired together", value=first.name)
    for other in drivers[1:]:
        if other.directions != first.directions or not np.array_equal(
            other.frequency_hz, first.frequency_hz
        ):
            raise InputError(
                "drivers that are wired together need the same directions and frequencies",
                subject=Subject("driver", other.name),
                value=f"unlike those of {first.name}",
            )
    loads = np.array([driver.impedance for driver in drivers])
    pressures = np.array([driver.pressure for driver in drivers])
    if wired == "series":
        load = loads.sum(axis=0)
        pressure = np.einsum("daf,df->af", pressures, loads / load)
    else:
        load = 1.0 / (1.0 / loads).sum(axis=0)
        pressure = pressures.sum(axis=0)
    for array in (load, pressure):
        array.setflags(write=False)
    return replace(
        first,
        name=name,
        wired=WiredDrivers(names=tuple(driver.name for driver in drivers), wired=wired),
        pressure=pressure,
        impedance=load,
        place_m=tuple(np.mean([driver.place_m for driver in drivers], axis=0).tolist()),
        limits=_limits([driver.limits for driver in drivers], wired),
        notes=(
            *dict.fromkeys(note for driver in drivers for note in driver.notes),
            f"{' and '.join(driver.name for driver in drivers)} in {wired}, one way feeds them",
        ),
    )


def _limits(limits: Sequence[Limits], wired: Wired) -> Limits:
    watts = [one.watts for one in limits]
    lowest = [one.lowest_hz for one in limits if one.lowest_hz is not None]
    highest = [one.highest_hz for one in limits if one.highest_hz is not None]
    ohm = [one.resistance_ohm for one in limits if one.resistance_ohm is not None]
    resistance = None
    if len(ohm) == len(limits):
        resistance = sum(ohm) if wired == "series" else 1.0 / sum(1.0 / r for r in ohm)
    return Limits(
        watts=None if None in watts else min(w for w in watts if w is not None) * len(watts),
        lowest_hz=max(lowest, default=None),
        highest_hz=min(highest, default=None),
        resistance_ohm=resistance,
    )
