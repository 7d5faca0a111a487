"""What each goal means, in the words that `laddersmith goals` and messages use."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from optimizer.goals.specs import GOAL_SPECS
from optimizer.text.units import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """One goal explained.

    Parameters
    ----------
    family : str
        Heading it stands under.
    unit : str
        Unit of its figure.
    text : str
        What the figure is and why one would want it small.
    """

    family: str
    unit: str
    text: str


_CURVE = "rms deviation from a straight line over octaves, whose level is fitted"

GOAL_MEANINGS: dict[str, Meaning] = {
    "on_axis": Meaning(
        family="response",
        unit="dB rms",
        text=(f"Direct sound on the reference axis: {_CURVE} and whose slope is given."),
    ),
    "listening_window": Meaning(
        family="response",
        unit="dB rms",
        text=(f"Mean over where listeners sit (30 degrees aside, 10 up and down): {_CURVE}."),
    ),
    "early_reflections": Meaning(
        family="response",
        unit="dB rms",
        text=(
            f"Sound that reaches the ear by one bounce off floor, ceiling and walls: {_CURVE}; "
            "with a free slope it asks for evenness alone."
        ),
    ),
    "sound_power": Meaning(
        family="response",
        unit="dB rms",
        text=(f"Everything the speaker radiates, in all directions: {_CURVE}."),
    ),
    "in_room": Meaning(
        family="response",
        unit="dB rms",
        text=(
            "Estimated response at the ear in a normal room, 12 % listening window, 44 % early "
            f"reflections, 44 % sound power: {_CURVE}."
        ),
    ),
    "off_axis": Meaning(
        family="response",
        unit="dB rms",
        text=(f"Plain mean of all directions in front that are not the axis: {_CURVE}."),
    ),
    "directivity": Meaning(
        family="reflections",
        unit="dB rms",
        text=(
            "Evenness of the directivity index (listening window less sound power): no steps between "
            "drivers. The slope is free."
        ),
    ),
    "early_reflections_index": Meaning(
        family="reflections",
        unit="dB rms",
        text=("The same for listening window less early reflections."),
    ),
    "monotony": Meaning(
        family="reflections",
        unit="dB rms fallen",
        text=(
            "How far the directivity index falls back below a value it had lower down: a flare of the "
            "upper driver at a crossover."
        ),
    ),
    "similarity": Meaning(
        family="reflections",
        unit="dB rms",
        text=(
            "How far single directions depart from the direct sound; a steady fall with frequency is "
            "free, dips and flares are not."
        ),
    ),
    "lobe_symmetry": Meaning(
        family="reflections",
        unit="dB rms",
        text=(
            "Difference between up and down near the axis: a tilted lobe at a crossover. Needs "
            "vertical directions."
        ),
    ),
    "lobe_depth": Meaning(
        family="reflections",
        unit="dB rms below",
        text=(
            "How far the sound falls when one stands up or sits low: drivers far apart that cross high "
            "cancel there. Needs vertical directions."
        ),
    ),
    "phase_tracking": Meaning(
        family="crossover",
        unit="deg rms",
        text=(
            "Phase between neighbouring ways where both are heard: in-phase ways add fully and keep "
            "the lobe level."
        ),
    ),
    "inverted_null": Meaning(
        family="crossover",
        unit="dB short",
        text=(
            "Depth of the null when one of two neighbouring ways is turned round: a deep null proves "
            "that they add in phase, and is easy to measure."
        ),
    ),
    "break_up": Meaning(
        family="crossover",
        unit="dB rms over",
        text=(
            "Output of a driver above its stated highest frequency against the sum: keeps resonances of "
            "the cone out of the sound."
        ),
    ),
    "sensitivity": Meaning(
        family="response", unit="dB below", text=("Mean level on the axis below a floor.")
    ),
    "impedance": Meaning(
        family="load",
        unit="dB rms below",
        text=("Input impedance below a floor: what the amplifier is rated for."),
    ),
    "impedance_phase": Meaning(
        family="load", unit="deg rms over", text=("Phase of the input impedance beyond a limit.")
    ),
    "epdr": Meaning(
        family="load",
        unit="dB rms below",
        text=(
            "Equivalent peak dissipation resistance below a floor: the resistor that would heat a "
            "class B or AB output stage as much. Not meaningful for class A, doubtful for class D."
        ),
    ),
    "low_drive": Meaning(
        family="protection",
        unit="dB rms over",
        text=(
            "Voltage at a driver at and below its stated lowest frequency (or its resonance), less what "
            "is allowed: keeps tweeters from their resonance. The lowest way is left out."
        ),
    ),
    "power": Meaning(
        family="protection",
        unit="dB over",
        text=(
            "Power of programme noise (IEC 60268-1) in a driver beyond the power it takes, with the "
            "amplifier at the stated power."
        ),
    ),
    "excursion": Meaning(
        family="protection",
        unit="dB over",
        text=(
            "Estimated peak excursion on the same noise beyond the stated limit; needs force factor "
            "and resistance of the driver. An estimate: the driver's own limits come first."
        ),
    ),
    "parts": Meaning(
        family="economy", unit="pieces", text=("What each piece costs: a part must earn its place.")
    ),
    "price": Meaning(
        family="economy", unit="money", text=("What money costs; needs prices in the stock.")
    ),
    "copper": Meaning(
        family="economy",
        unit="kg",
        text=(
            "What the copper of coils costs, estimated as air-core from inductance and resistance."
        ),
    ),
    "changes": Meaning(
        family="economy",
        unit="changes",
        text=(
            "What it costs to alter or remove a part of an existing board: change as little as "
            "possible."
        ),
    ),
}
"""By name, one for each of `GOAL_SPECS`."""


def list_options(name: str) -> list[tuple[str, str, str]]:
    """List the options of a goal.

    Parameters
    ----------
    name : str
        Name of the goal.

    Returns
    -------
    list of (str, str, str)
        Key in the design file, default as one would write it, meaning.
    """
    return [
        (f.metadata["key"], _say_default(f.default, f.metadata), f.metadata["meaning"])
        for f in fields(GOAL_SPECS[name])
    ]


def _say_default(value: Any, rule: Any) -> str:
    unit = rule["unit"]
    if value is None:
        return "free"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return f"{format_quantity(value[0], unit)} .. {format_quantity(value[1], unit)}"
    return format_quantity(value, unit) if unit else f"{value:g}"
