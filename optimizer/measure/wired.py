"""Several drivers wired together and fed by one way: what the filter and the listener see."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.measure.driver import Driver, Leads, Limits, Wired, WiredDrivers

OPEN_OHM = 1e9
"""What is not connected."""

SHORT_OHM = 1e-6
"""What is bridged."""

_WELL: Leads = "well"


def wire_drivers(
    name: str, drivers: Sequence[Driver], wired: Wired, leads: Sequence[Leads] = ()
) -> Driver:
    """Wire drivers together.

    Parameters
    ----------
    name : str
        What to call them together.
    drivers : sequence of Driver
        At least two, on one grid with the same directions; one may stand there twice.
    wired : {"parallel", "series"}
        In parallel each has the whole voltage; in series it is shared as their impedances are.
    leads : sequence of {"well", "turned", "open", "shorted"}, optional
        How each is connected; well when left out.

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
    work in a chamber of its own, as it was measured: a turned one has the impedance it always
    had, and one without current is silent and at rest.
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
    load, pressure = _join(drivers, wired, leads or [_WELL] * len(drivers))
    for array in (load, pressure):
        array.setflags(write=False)
    return replace(
        first,
        name=name,
        wired=WiredDrivers(names=tuple(driver.name for driver in drivers), wired=wired),
        members=tuple(drivers),
        leads=tuple(leads),
        pressure=pressure,
        impedance=load,
        place_m=tuple(np.mean([driver.place_m for driver in drivers], axis=0).tolist()),
        limits=_limits([driver.limits for driver in drivers], wired),
        notes=(
            *dict.fromkeys(note for driver in drivers for note in driver.notes),
            f"{' and '.join(driver.name for driver in drivers)} in {wired}, one way feeds them",
        ),
    )


def connect_driver(driver: Driver, name: str, leads: Sequence[Leads]) -> Driver:
    """Connect a driver in another way.

    Parameters
    ----------
    driver : Driver
        One driver, or several wired together.
    name : str
        What to call it then.
    leads : sequence of {"well", "turned", "open", "shorted"}
        How each of its members is connected, or itself where it has none.
    """
    if driver.wired is not None:
        return wire_drivers(name, driver.members, driver.wired.wired, leads)
    load, pressure = _join([driver], "parallel", leads)
    return replace(driver, name=name, impedance=load, pressure=pressure, leads=tuple(leads))


def join_resistances(driver: Driver, ohm: Mapping[str, float]) -> float:
    """Resistance of a driver, or of several wired together, at its terminals for direct current.

    Parameters
    ----------
    driver : Driver
        However it is connected.
    ohm : mapping of str to float
        Resistance of the coil of each single driver, by name.
    """
    members, wired = driver.members or (driver,), driver.wired
    coils = np.array([[ohm[one.name]] for one in members])
    leads = driver.leads or [_WELL] * len(members)
    return float(_join_loads(coils, wired.wired if wired else "parallel", leads)[0].real)


def _join(
    drivers: Sequence[Driver], wired: Wired, leads: Sequence[Leads]
) -> tuple[Complex, Complex]:
    """Impedance, shape (F,), and pressure for the same volts, shape (A, F), of all together."""
    loads = np.array([driver.impedance for driver in drivers])
    joined = _join_loads(loads, wired, leads)
    pressures = np.array([driver.pressure for driver in drivers])
    return joined, np.einsum("daf,df->af", pressures, _share(loads, joined, wired, leads))


def share_voltage(driver: Driver) -> Complex:
    """Tell how the volts at several drivers wired together are shared among them.

    Parameters
    ----------
    driver : Driver
        With members.

    Returns
    -------
    ndarray, shape (M, F), complex
        Voltage of each member over that of all; negative where it is connected turned.
    """
    assert driver.wired is not None  # members are wired somehow
    loads = np.array([one.impedance for one in driver.members])
    leads = driver.leads or [_WELL] * len(loads)
    joined = _join_loads(loads, driver.wired.wired, leads)
    return _share(loads, joined, driver.wired.wired, leads)


def _share(loads: Complex, joined: Complex, wired: Wired, leads: Sequence[Leads]) -> Complex:
    share: Complex = np.zeros_like(loads)
    if wired == "series" and "open" not in leads:
        share = loads / joined
    elif wired == "parallel" and "shorted" not in leads:
        share = np.ones_like(loads)
    sign = np.array([{"well": 1.0, "turned": -1.0}.get(one, 0.0) for one in leads])
    return np.asarray(sign[:, None] * share)


def _join_loads(loads: Complex | Real, wired: Wired, leads: Sequence[Leads]) -> Complex:
    """Impedance of all together, shape (F,)."""
    # What is open counts for nothing in parallel and decides in series; what is shorted, the reverse.
    idle, decides = ("shorted", "open") if wired == "series" else ("open", "shorted")
    plays = [load for load, one in zip(loads, leads, strict=True) if one != idle]
    like = np.ones(loads.shape[1], dtype=np.complex128)
    nothing = SHORT_OHM if wired == "series" else OPEN_OHM
    if decides in leads:
        return like * (OPEN_OHM if wired == "series" else SHORT_OHM)
    if not plays:
        return like * nothing
    joined = np.array(plays, dtype=np.complex128)
    if wired == "series":
        return np.asarray(joined.sum(axis=0))
    return np.asarray(1.0 / (1.0 / joined).sum(axis=0))


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
