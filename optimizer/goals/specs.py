"""What the user may ask for: one small frozen object per goal, as written in a design file.

A spec holds the user's choices only; `optimizer.goals.prepare` turns it into residuals on the grid
of a problem. Each field carries metadata (`key`, `unit`, `form`, `meaning`), from which the
design-file reader, its messages and `laddersmith goals` are driven.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

OptionForm = Literal["quantity", "range", "number", "flag"]


def option(
    key: str,
    form: OptionForm,
    meaning: str,
    *,
    default: Any,
    unit: str = "",
    free: bool = False,
    least: float | None = None,
) -> Any:
    """Declare one option of a goal.

    Parameters
    ----------
    key : str
        Name in the design file.
    form : {"quantity", "range", "number", "flag"}
        "range" also accepts a single value, which stands for both ends.
    meaning : str
        One line for the user.
    default : object
        Value when the key is absent.
    unit : str
        Unit the text is read in.
    free : bool
        Whether the word "free" is allowed; it is stored as None.
    least : float, optional
        Smallest allowed number.
    """
    return field(
        default=default,
        metadata={"key": key, "form": form, "meaning": meaning, "unit": unit, "free": free,
                  "least": least},
    )


def _weight(default: float = 1.0) -> Any:
    return option("weight", "number", "how much one unit of this goal costs", default=default,
                  least=0.0)


def _band(low: float, high: float) -> Any:
    return option("band", "range", "frequencies that count", default=(low, high), unit="Hz")


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveGoalSpec:
    """A named curve against a straight line in dB over log frequency.

    The figure is the rms deviation in dB from the line. The line's level is fitted within
    `level_db`; its slope is `tilt_db_per_octave`, or fitted as well when that is free, in which
    case the goal is one of smoothness alone.
    """

    tilt_db_per_octave: float | None = option(
        "tilt", "quantity", "slope of the target line, or free", default=0.0, unit="dB/oct",
        free=True)
    band_hz: tuple[float, float] = _band(100.0, 16000.0)
    weight: float = _weight()
    level_db: tuple[float, float] | None = option(
        "level", "range", "level of the target line at 1 kHz, or free", default=None, unit="dB",
        free=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothCurveGoalSpec:
    """A named curve against its own best straight line unless a tilt is given."""

    tilt_db_per_octave: float | None = option(
        "tilt", "quantity", "slope of the target line, or free", default=None, unit="dB/oct",
        free=True)
    band_hz: tuple[float, float] = _band(100.0, 16000.0)
    weight: float = _weight()
    level_db: tuple[float, float] | None = option(
        "level", "range", "level of the target line at 1 kHz, or free", default=None, unit="dB",
        free=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectivityGoalSpec:
    """Smoothness of the sound-power directivity index: rms deviation from its own line in dB."""

    band_hz: tuple[float, float] = _band(200.0, 10000.0)
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedanceGoalSpec:
    """A floor under the modulus of the input impedance; the figure is dB rms below the floor."""

    floor_ohm: float = option("floor", "quantity", "smallest allowed impedance", default=3.2,
                              unit="ohm", least=0.0)
    hard: bool = option("hard", "flag", "whether the floor must be met", default=True)
    band_hz: tuple[float, float] = _band(20.0, 20000.0)
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsGoalSpec:
    """A price in dB for each piece: a part must earn its place."""

    each: float = option("each", "number", "cost of one piece", default=0.03, least=0.0)


GoalSpec = (
    CurveGoalSpec | SmoothCurveGoalSpec | DirectivityGoalSpec | ImpedanceGoalSpec | PartsGoalSpec
)

GOAL_SPECS: dict[str, type[GoalSpec]] = {
    "on_axis": CurveGoalSpec,
    "listening_window": CurveGoalSpec,
    "early_reflections": SmoothCurveGoalSpec,
    "sound_power": SmoothCurveGoalSpec,
    "in_room": SmoothCurveGoalSpec,
    "off_axis": SmoothCurveGoalSpec,
    "directivity": DirectivityGoalSpec,
    "impedance": ImpedanceGoalSpec,
    "parts": PartsGoalSpec,
}
"""Name in the design file -> spec class, in the order reports use."""
