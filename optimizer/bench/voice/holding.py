"""What is held while a wish is served: limits as the user states them, and what goes beyond."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.bench.voice.moves import SERVED_SHARE, BandMove, Moves, RestMove
from optimizer.bench.voice.wish_goals import (
    DirectivityHoldGoal,
    MoveLimits,
    ToneGoal,
    find_wanted_level,
)
from optimizer.bench.voice.wishes import Wish
from optimizer.errors import InputError, Subject
from optimizer.goals import Impedance, Prepared, PreparedGoal, goal_cost
from optimizer.problem.candidate import Candidate
from optimizer.text.units import say_hz

KEPT_WITHIN_DB = 0.05
"""A limit passed by less than this counts as kept."""

_STEP_DB = 0.05
_LARGEST_DB = 20.0
_HOLD = re.compile(r"\s*([a-z]*)\s*([\d.,]+)\s*(dB|%|)\s*", re.IGNORECASE)
_FIELDS = {"": "hold_db", "level": "level_db", "directivity": "directivity_db"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Excess:
    """One limit that an answer goes beyond, or a wish that it leaves unserved.

    Parameters
    ----------
    says : str
        What happens, and what is allowed.
    option : str
        Option of the command that would allow it; empty where only the wish can give way.
    """

    says: str
    option: str = ""


def parse_holds(texts: Sequence[str]) -> MoveLimits:
    """Read how far the rest may move.

    Parameters
    ----------
    texts : sequence of str
        "1 dB" for curves, "level 2 dB", "directivity 2 dB", "impedance 90 %" for the share of the
        lowest impedance that must be left. What is not named stays at its default.

    Returns
    -------
    MoveLimits

    Raises
    ------
    InputError
        When one cannot be understood, with examples.
    """
    limits = MoveLimits()
    for text in texts:
        found = _HOLD.fullmatch(text)
        name = found[1].lower() if found else None
        try:
            number = float(found[2]) if found else math.nan
        except ValueError:
            number = math.nan
        changed: dict[str, Any] | None = None
        if found and name == "impedance" and found[3] == "%" and 0.0 < number <= 100.0:
            changed = {"impedance": number / 100.0}
        elif found and name in _FIELDS and found[3] != "%" and 0.0 < number <= _LARGEST_DB:
            changed = {_FIELDS[name]: number}
        if changed is None:
            raise InputError(
                f"what may move is an amount up to {_LARGEST_DB:g} dB, alone or behind level or "
                "directivity, or what is left of the impedance",
                subject=Subject("what may move"),
                value=repr(text),
                remedy='write for instance "1 dB", "level 2 dB", "directivity 2 dB" or '
                '"impedance 90 %"',
            )
        limits = replace(limits, **changed)
    return limits


def list_excesses(
    goals: Sequence[PreparedGoal],
    curves: Curves,
    present: Candidate,
    new: Candidate,
    moves: Moves,
    wishes: Sequence[Wish],
    limits: MoveLimits,
) -> tuple[Excess, ...]:
    """List the limits that a changed network goes beyond, and wishes it leaves unserved.

    Parameters
    ----------
    goals : sequence of PreparedGoal
        See `prepare_wishes`.
    curves : Curves
        Of the changed network.
    present, new : Candidate
        Before and after.
    moves : Moves
        What moved between them.
    wishes : sequence of Wish
        What was wished.
    limits : MoveLimits
        What is held.

    Returns
    -------
    tuple of Excess
    """
    wanted = find_wanted_level(present, wishes)
    found = [
        *(_say_unserved(move) for move in moves.bands if not (move.served and move.even)),
        *(_exceed(goal, curves, present, limits) for goal in goals),
    ]
    if wanted is None:
        found += [_exceed_level(one, limits) for one in moves.rest]
    else:
        got = new.sensitivity_db - present.sensitivity_db
        if abs(got - wanted) > max(0.25, SERVED_SHARE * abs(wanted)):
            found.append(
                Excess(says=f"the level moves {got:+z.2f} dB of the wished {wanted:+z.2f}")
            )
    return tuple(excess for excess in found if excess is not None)


def _say_unserved(move: BandMove) -> Excess:
    band = move.band
    what = (
        f"{move.curve.replace('_', ' ')} from {say_hz(band.low_hz)} to {say_hz(band.high_hz)} moves"
    )
    if not move.served:
        return Excess(says=f"{what} {move.moved_db:+z.2f} dB of the wished {band.change_db:+z.2f}")
    return Excess(says=f"{what} unevenly: {move.shape}")


def _exceed_level(rest: RestMove, limits: MoveLimits) -> Excess | None:
    over = abs(rest.mean_db) - limits.level_db
    if over <= KEPT_WITHIN_DB:
        return None
    return Excess(
        says=f"what is held {rest.curve.replace('_', ' ')} moves {rest.mean_db:+z.2f} dB on average, "
        f"allowed is {limits.level_db:g} dB",
        option=f'--hold "level {_widen(limits.level_db + over)} dB"',
    )


def _exceed(
    goal: PreparedGoal,
    curves: Curves,
    present: Candidate,
    limits: MoveLimits,
) -> Excess | None:
    f = present.curves.frequency_hz
    if isinstance(goal, ToneGoal):
        over, at = goal.find_worst(curves)
        if over <= KEPT_WITHIN_DB:
            return None
        named = goal.name
        before = present.curves.named_db[named]
        moved = float(curves.level_db(named)[..., at] - before[at] - goal.common_level(curves))
        low, high = goal.allowed_db(at, before)
        return Excess(
            says=f"{named.replace('_', ' ')} moves {moved:+z.2f} dB at {say_hz(f[at])} against what is "
            f"held, allowed is {low:+z.2f} to {high:+z.2f} dB",
            option=f"--hold {_widen(limits.hold_db + over)}dB",
        )
    if isinstance(goal, DirectivityHoldGoal):
        over, at, moved = goal.find_worst(curves)
        if over <= KEPT_WITHIN_DB:
            return None
        return Excess(
            says=f"the directivity index moves {moved:+z.2f} dB at {say_hz(f[at])}, allowed is "
            f"{limits.directivity_db:g} dB",
            option=f'--hold "directivity {_widen(limits.directivity_db + over)} dB"',
        )
    if float(goal_cost(goal, goal.residuals(curves))) <= 1e-6:
        return None
    if goal.hard:
        return Excess(
            says=f"the design's limit {goal.name.replace('_', ' ')} is broken: "
            f"{goal.describe(curves)}"
        )
    if isinstance(goal, Prepared) and isinstance(goal.goal, Impedance):
        ohm = 10.0 ** (curves.impedance_db[..., goal.span] / 20.0)
        at = int(np.argmin(ohm))
        lowest = f"{float(ohm[at]):.2f} ohm at {say_hz(goal.frequency_hz[at])}"
        if goal.name.startswith("impedance wish"):
            return Excess(
                says=f"the impedance reaches {lowest} of the wished {goal.goal.floor_ohm:g}"
            )
        share = math.floor(100.0 * float(ohm[at]) / present.impedance_min_ohm)
        short = 100.0 * (1.0 - float(ohm[at]) / goal.goal.floor_ohm)
        return Excess(
            says=f"the lowest impedance is {lowest}, {short:.2g}% below what must be left",
            option=f'--hold "impedance {share} %"',
        )
    return Excess(says=f"{goal.name.replace('_', ' ')}: {goal.describe(curves)}")


def _widen(limit_db: float) -> str:
    """Round a limit up to what one would type."""
    return f"{math.ceil(limit_db / _STEP_DB - 1e-6) * _STEP_DB:.4g}"
