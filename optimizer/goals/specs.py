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
        metadata={
            "key": key,
            "form": form,
            "meaning": meaning,
            "unit": unit,
            "free": free,
            "least": least,
        },
    )


def _weight(default: float = 1.0) -> Any:
    return option(
        "weight", "number", "how much one unit of this goal costs", default=default, least=0.0
    )


def _band(low: float, high: float) -> Any:
    return option("band", "range", "frequencies that count", default=(low, high), unit="Hz")


def _hard() -> Any:
    return option("hard", "flag", "whether the limit must be met", default=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveGoalSpec:
    """A named curve against a straight line in dB over log frequency.

    The figure is the rms deviation in dB from the line. The line's level is fitted within
    `level_db`; its slope is `tilt_db_per_octave`, or fitted as well when that is free, in which
    case the goal is one of smoothness alone. `shelf_db` moves the target below `shelf_hz`.
    """

    tilt_db_per_octave: float | None = option(
        "tilt",
        "quantity",
        "slope of the target line, or free",
        default=0.0,
        unit="dB/oct",
        free=True,
    )
    band_hz: tuple[float, float] = _band(100.0, 16000.0)
    weight: float = _weight()
    level_db: tuple[float, float] | None = option(
        "level",
        "range",
        "level of the target line at 1 kHz, or free",
        default=None,
        unit="dB",
        free=True,
    )
    shelf_db: float = option(
        "shelf", "quantity", "the target's bass against the line", default=0.0, unit="dB"
    )
    shelf_hz: float = option(
        "shelf_at", "quantity", "middle of that step", default=300.0, unit="Hz", least=1.0
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothCurveGoalSpec:
    """A named curve against its own best straight line unless a tilt is given."""

    tilt_db_per_octave: float | None = option(
        "tilt",
        "quantity",
        "slope of the target line, or free",
        default=None,
        unit="dB/oct",
        free=True,
    )
    band_hz: tuple[float, float] = _band(100.0, 16000.0)
    weight: float = _weight()
    level_db: tuple[float, float] | None = option(
        "level",
        "range",
        "level of the target line at 1 kHz, or free",
        default=None,
        unit="dB",
        free=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectivityGoalSpec:
    """Smoothness of a directivity index: rms deviation from its own line in dB."""

    band_hz: tuple[float, float] = _band(200.0, 10000.0)
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class MonotonyGoalSpec:
    """Fall of the sound-power directivity index below a value it had at a lower frequency."""

    band_hz: tuple[float, float] = _band(300.0, 8000.0)
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class SimilarityGoalSpec:
    """Likeness of single directions to the axis, each less its own straight line in dB."""

    angle_deg: float = option(
        "angle",
        "number",
        "directions up to this many degrees off the axis",
        default=60.0,
        least=0.0,
    )
    band_hz: tuple[float, float] = _band(300.0, 10000.0)
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class LobeSymmetryGoalSpec:
    """Difference between equal angles up and down."""

    angle_deg: float = option(
        "angle", "number", "vertical directions up to this many degrees", default=15.0, least=0.0
    )
    band_hz: tuple[float, float] = _band(100.0, 16000.0)
    weight: float = _weight(0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class LobeDepthGoalSpec:
    """Fall of near vertical directions below the axis."""

    angle_deg: float = option(
        "angle", "number", "vertical directions up to this many degrees", default=15.0, least=0.0
    )
    allowed_db: float = option(
        "allow", "quantity", "a fall that does not count", default=1.0, unit="dB", least=0.0
    )
    band_hz: tuple[float, float] = _band(100.0, 16000.0)
    weight: float = _weight(0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseTrackingGoalSpec:
    """Phase between neighbouring ways on the axis where both are heard."""

    overlap_db: float = option(
        "overlap",
        "quantity",
        "a way this far below the loudest no longer counts",
        default=12.0,
        unit="dB",
        least=1.0,
    )
    band_hz: tuple[float, float] = _band(100.0, 10000.0)
    weight: float = _weight(0.02)


@dataclass(frozen=True, slots=True, kw_only=True)
class InvertedNullGoalSpec:
    """Depth of the null at each crossover with one of the two ways turned round."""

    wanted_db: float = option(
        "depth",
        "quantity",
        "depth of the null that is asked for",
        default=20.0,
        unit="dB",
        least=0.0,
    )
    band_hz: tuple[float, float] = _band(100.0, 10000.0)
    weight: float = _weight(0.05)


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakUpGoalSpec:
    """Output of a driver above its limits.highest_hz, against the sum."""

    down_db: float = option(
        "down", "quantity", "how far below the sum it must be", default=20.0, unit="dB", least=0.0
    )
    hard: bool = _hard()
    weight: float = _weight(0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityGoalSpec:
    """A floor under the mean level on the axis."""

    floor_db: float = option(
        "floor", "quantity", "smallest mean level at 1 m for 2.83 V", default=84.0, unit="dB"
    )
    band_hz: tuple[float, float] = _band(300.0, 3000.0)
    hard: bool = _hard()
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedanceGoalSpec:
    """A floor under the modulus of the input impedance; the figure is dB rms below the floor."""

    floor_ohm: float = option(
        "floor", "quantity", "smallest allowed impedance", default=3.2, unit="ohm", least=0.0
    )
    hard: bool = option("hard", "flag", "whether the floor must be met", default=True)
    band_hz: tuple[float, float] = _band(20.0, 20000.0)
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedancePhaseGoalSpec:
    """A limit on the phase of the input impedance."""

    limit_deg: float = option(
        "limit", "number", "largest phase in degrees, to either side", default=45.0, least=0.0
    )
    hard: bool = _hard()
    band_hz: tuple[float, float] = _band(20.0, 20000.0)
    weight: float = _weight(0.02)


@dataclass(frozen=True, slots=True, kw_only=True)
class EpdrGoalSpec:
    """A floor under the resistance that would heat an amplifier's output stage as much."""

    floor_ohm: float = option(
        "floor", "quantity", "smallest allowed EPDR", default=2.0, unit="ohm", least=0.0
    )
    hard: bool = _hard()
    band_hz: tuple[float, float] = _band(20.0, 20000.0)
    weight: float = _weight()


@dataclass(frozen=True, slots=True, kw_only=True)
class LowDriveGoalSpec:
    """Voltage at a driver at and below its lowest frequency, or its resonance."""

    down_db: float = option(
        "down",
        "quantity",
        "how far below the amplifier's voltage",
        default=12.0,
        unit="dB",
        least=0.0,
    )
    hard: bool = _hard()
    weight: float = _weight(0.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerGoalSpec:
    """Programme power in a driver against its limits.watts."""

    amplifier_w: float = option(
        "amplifier",
        "quantity",
        "power of the amplifier into rated",
        default=50.0,
        unit="W",
        least=0.0,
    )
    rated_ohm: float = option(
        "rated",
        "quantity",
        "resistance that power is stated for",
        default=8.0,
        unit="ohm",
        least=0.0,
    )
    hard: bool = _hard()
    weight: float = _weight(0.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcursionGoalSpec:
    """Estimated peak excursion of a driver on programme against its limits.excursion."""

    amplifier_w: float = option(
        "amplifier",
        "quantity",
        "power of the amplifier into rated",
        default=50.0,
        unit="W",
        least=0.0,
    )
    rated_ohm: float = option(
        "rated",
        "quantity",
        "resistance that power is stated for",
        default=8.0,
        unit="ohm",
        least=0.0,
    )
    hard: bool = _hard()
    weight: float = _weight(0.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsGoalSpec:
    """A price in dB for each piece: a part must earn its place."""

    each: float = option("each", "number", "cost of one piece", default=0.03, least=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceGoalSpec:
    """A price in dB for money."""

    each: float = option(
        "each", "number", "cost of one unit of the stock's currency", default=0.003, least=0.0
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CopperGoalSpec:
    """A price in dB for the copper of coils."""

    each: float = option("each", "number", "cost of one kilogram", default=0.1, least=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangesGoalSpec:
    """A price in dB for each part of an existing board that is altered or removed."""

    each: float = option(
        "each", "number", "cost of one part altered or removed", default=0.1, least=0.0
    )


GoalSpec = (
    CurveGoalSpec
    | SmoothCurveGoalSpec
    | DirectivityGoalSpec
    | MonotonyGoalSpec
    | SimilarityGoalSpec
    | LobeSymmetryGoalSpec
    | LobeDepthGoalSpec
    | PhaseTrackingGoalSpec
    | InvertedNullGoalSpec
    | BreakUpGoalSpec
    | SensitivityGoalSpec
    | ImpedanceGoalSpec
    | ImpedancePhaseGoalSpec
    | EpdrGoalSpec
    | LowDriveGoalSpec
    | PowerGoalSpec
    | ExcursionGoalSpec
    | PartsGoalSpec
    | PriceGoalSpec
    | CopperGoalSpec
    | ChangesGoalSpec
)

ECONOMY_SPECS = (PartsGoalSpec, PriceGoalSpec, CopperGoalSpec, ChangesGoalSpec)
"""Goals that add up over the parts: they have no residuals."""

GOAL_SPECS: dict[str, type[GoalSpec]] = {
    "on_axis": CurveGoalSpec,
    "listening_window": CurveGoalSpec,
    "early_reflections": SmoothCurveGoalSpec,
    "sound_power": SmoothCurveGoalSpec,
    "in_room": SmoothCurveGoalSpec,
    "off_axis": SmoothCurveGoalSpec,
    "directivity": DirectivityGoalSpec,
    "early_reflections_index": DirectivityGoalSpec,
    "monotony": MonotonyGoalSpec,
    "similarity": SimilarityGoalSpec,
    "lobe_symmetry": LobeSymmetryGoalSpec,
    "lobe_depth": LobeDepthGoalSpec,
    "phase_tracking": PhaseTrackingGoalSpec,
    "inverted_null": InvertedNullGoalSpec,
    "break_up": BreakUpGoalSpec,
    "sensitivity": SensitivityGoalSpec,
    "impedance": ImpedanceGoalSpec,
    "impedance_phase": ImpedancePhaseGoalSpec,
    "epdr": EpdrGoalSpec,
    "low_drive": LowDriveGoalSpec,
    "power": PowerGoalSpec,
    "excursion": ExcursionGoalSpec,
    "parts": PartsGoalSpec,
    "price": PriceGoalSpec,
    "copper": CopperGoalSpec,
    "changes": ChangesGoalSpec,
}
"""Name in the design file -> spec class, in the order reports use."""
