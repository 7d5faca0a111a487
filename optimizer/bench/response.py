"""Everything that charts of one network show beside its levels: phase, time, every direction."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from optimizer.acoustics.averages import list_told
from optimizer.acoustics.completion import all_directions
from optimizer.acoustics.time_response import (
    advance,
    find_arrival_s,
    group_delay_s,
    step_response,
)
from optimizer.arrays import Complex, Flags, Real
from optimizer.bench.tolerance.board import Board
from optimizer.bench.tolerance.tolerance import PERCENTILES
from optimizer.measure.curve import Direction
from optimizer.network.amplifier import equivalent_peak_dissipation_resistance
from optimizer.network.solve import solve_network
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import SENSITIVITY_BAND_HZ
from optimizer.problem.problem import Problem
from optimizer.text.brief import brief

BAND_DRAWS = 60
"""Speakers drawn for the bands of phase, delay, step and load."""

HEARD_DB = 24.0
"""Phase and delay of a way are told where it is not further than this below the sum."""

TIME_S = np.arange(-0.25e-3, 5.0e-3 + 1e-9, 1e-5)
"""Times of a step; its slow end says what the bass does, which the level says better."""

Between = tuple[Real, Real]


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """Level of a network in every direction, completed where it was not measured.

    Parameters
    ----------
    directions : tuple of Direction, length B
    level_db : ndarray, shape (B, F)
        dB SPL at 1 m for 2.83 V.
    measured : ndarray of bool, shape (B,)
    told : ndarray of bool, shape (B,)
        Measured, or between measured directions near each other.
    """

    directions: tuple[Direction, ...]
    level_db: Real
    measured: Flags
    told: Flags

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class InputLoad:
    """What a network is to an amplifier, beside its modulus.

    Parameters
    ----------
    epdr_ohm, phase_deg : ndarray, shape (F,)
        Resistance that would heat a class-B output stage as much, and phase of the impedance.
    bands : dict of str to tuple of ndarray
        What nine in ten speakers built lie between: "epdr_ohm", "phase_deg"; empty where none were
        drawn.
    """

    epdr_ohm: Real
    phase_deg: Real
    bands: dict[str, Between] = field(default_factory=dict)

    __repr__ = brief


def study_load(candidate: Candidate) -> InputLoad:
    """Compute what the chart of a load shows beside its modulus, without bands."""
    impedance = candidate.curves.impedance
    return InputLoad(
        epdr_ohm=equivalent_peak_dissipation_resistance(impedance),
        phase_deg=np.degrees(np.angle(impedance)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """A network on the axis in phase and time, as a load, and all around.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
    arrival_s : float
        Delay that is taken out of all phases, see `find_arrival_s`.
    phase_deg : ndarray, shape (F,)
        Phase of the sum, -180 to 180.
    way_phase_deg : ndarray, shape (W, F)
        The same of each way; NaN where it is more than `HEARD_DB` below the sum.
    delay_s : ndarray, shape (F,)
        Group delay of the sum.
    time_s : ndarray, shape (T,)
    step : ndarray, shape (T,)
        Answer of the sum to a jump of the voltage; 1 is its mean level over `SENSITIVITY_BAND_HZ`.
    way_step : ndarray, shape (W, T)
    load : InputLoad
    around : Around
    bands : dict of str to tuple of ndarray
        What nine in ten speakers built lie between: "phase_deg", "delay_s", "step". Of "phase_deg"
        as it goes on beyond -180 and 180.
    """

    frequency_hz: Real
    arrival_s: float
    phase_deg: Real
    way_phase_deg: Real
    delay_s: Real
    time_s: Real
    step: Real
    way_step: Real
    load: InputLoad
    around: Around
    bands: dict[str, Between]

    __repr__ = brief


def study_response(
    problem: Problem, candidate: Candidate, *, draws: int = BAND_DRAWS, seed: int = 1
) -> Response:
    """Compute what charts show of a network beside its levels.

    Parameters
    ----------
    problem : Problem
        Drivers and directions.
    candidate : Candidate
        A network of it.
    draws : int
        Speakers drawn for the bands; each part deviates evenly within its tolerance.
    seed : int
        Of the draws.

    Returns
    -------
    Response
    """
    f = problem.frequency_hz
    solved = solve_network(candidate.network, f, {d.name: d.impedance for d in problem.drivers})
    drive = np.array(solved.transfer)
    ways = drive * problem.pressure[:, problem.axis]
    total = ways.sum(axis=0)
    arrival = find_arrival_s(f, total)
    ways, total = advance(f, ways, arrival), advance(f, total, arrival)
    heard = np.abs(ways) >= 10.0 ** (-HEARD_DB / 20.0) * np.abs(total)
    scale = _mean_level(f, total)
    steps = step_response(f, np.concatenate([total[None], ways]), TIME_S) / scale
    bands: dict[str, Between] = {}
    load = study_load(candidate)
    if draws:
        bands, load_bands = _spread(problem, candidate, total, arrival, scale, draws, seed)
        load = replace(load, bands=load_bands)
    return Response(
        frequency_hz=f,
        arrival_s=arrival,
        phase_deg=np.degrees(np.angle(total)),
        way_phase_deg=np.where(heard, np.degrees(np.angle(ways)), np.nan),
        delay_s=group_delay_s(f, total),
        time_s=TIME_S,
        step=steps[0],
        way_step=steps[1:],
        load=load,
        around=_look_around(problem, drive),
        bands=bands,
    )


def _mean_level(frequency_hz: Real, pressure: Complex) -> float:
    low, high = SENSITIVITY_BAND_HZ
    inside = (frequency_hz >= low) & (frequency_hz <= high)
    level = 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-15))
    return float(10.0 ** ((level[inside] if inside.any() else level).mean() / 20.0))


def _look_around(problem: Problem, drive: Complex) -> Around:
    directions = all_directions(problem.directions)
    total = np.einsum("df,daf->af", drive, problem.pressure)
    estimated = {one for driver in problem.drivers for one in driver.estimated}
    measured = np.array(
        [k < len(problem.directions) and d not in estimated for k, d in enumerate(directions)]
    )
    told = list_told(problem.directions, problem.mirror)
    if estimated:
        told = measured
    return Around(
        directions=directions,
        level_db=20.0 * np.log10(np.maximum(np.abs(total), 1e-15)),
        measured=measured,
        told=told,
    )


def _spread(
    problem: Problem,
    candidate: Candidate,
    total: Complex,
    arrival_s: float,
    scale: float,
    draws: int,
    seed: int,
) -> tuple[dict[str, Between], dict[str, Between]]:
    """Draw speakers; return the 5th and 95th percentiles of their responses and of their loads."""
    f = problem.frequency_hz
    board = Board(problem, candidate.network, {})
    deviation = np.random.default_rng(seed).uniform(-1.0, 1.0, (draws, len(board.labels)))
    pressure, impedance = board.respond(np.maximum(1.0 + deviation * board.tolerance, 1e-3))
    pressure = advance(f, pressure, arrival_s)
    turned = np.degrees(np.angle(pressure * np.conj(total)))
    values = {
        "phase_deg": np.degrees(np.angle(total)) + turned,
        "delay_s": group_delay_s(f, pressure),
        "step": step_response(f, pressure, TIME_S) / scale,
    }
    loads = {
        "epdr_ohm": equivalent_peak_dissipation_resistance(impedance),
        "phase_deg": np.degrees(np.angle(impedance)),
    }
    first, second = (
        {name: _percentiles(rows) for name, rows in some.items()} for some in (values, loads)
    )
    return first, second


def _percentiles(rows: Real) -> Between:
    low, high = np.percentile(np.ascontiguousarray(rows.T), PERCENTILES, axis=1)
    return low, high
