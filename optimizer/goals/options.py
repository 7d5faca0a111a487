"""Goals written as plain values in Python: names, and options with their units as text.

>>> read_specs({"on_axis": {"tilt": "-0.5 dB/oct", "band": "60 .. 18k"}, "parts": {"each": 0.03}})
{'on_axis': CurveGoalSpec(tilt_db_per_octave=-0.5, band_hz=(60.0, 18000.0), ...), 'parts': ...}
>>> read_specs({"in_room": 1.5})["in_room"].weight
1.5
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from optimizer.errors import InputError, Subject
from optimizer.goals.specs import GOAL_SPECS, GoalSpec
from optimizer.text.suggest import suggest
from optimizer.text.units import parse_quantity, parse_range

Wanted = GoalSpec | Mapping[str, Any] | float
"""A goal as the user may state it: ready, by its options, or by its weight alone."""


def read_specs(wanted: Mapping[str, Wanted]) -> dict[str, GoalSpec]:
    """Read goals stated in Python.

    Parameters
    ----------
    wanted : mapping of str to GoalSpec, mapping or float
        By name: a spec; its options by their keys, each as text with its unit, as a number in SI
        units, or as a pair of both for a range; or a weight.

    Returns
    -------
    dict of str to GoalSpec
        In the order reports use.

    Raises
    ------
    InputError
        Unknown goal or option, a value that cannot be read, or no goal at all.
    """
    if not wanted:
        raise InputError("at least one goal is needed", subject=Subject("goal"))
    for name in wanted:
        if name not in GOAL_SPECS:
            raise InputError(
                "there is no goal of this name", value=repr(name), remedy=suggest(name, GOAL_SPECS)
            )
    return {name: _read_spec(name, wanted[name]) for name in GOAL_SPECS if name in wanted}


def _read_spec(name: str, wanted: Wanted) -> GoalSpec:
    if isinstance(wanted, (int, float)):
        wanted = {"weight": wanted}
    if not isinstance(wanted, Mapping):
        return wanted
    options = {option.metadata["key"]: option for option in fields(GOAL_SPECS[name])}
    values = {}
    for key, value in wanted.items():
        if key not in options:
            raise InputError(
                "unknown option",
                subject=Subject("goal", name),
                value=repr(key),
                remedy=suggest(key, options),
            )
        try:
            values[options[key].name] = read_option(options[key].metadata, value)
        except InputError as error:
            raise error.about(Subject("goal", name, key)) from None
    return GOAL_SPECS[name](**values)


def read_option(rule: Mapping[str, Any], value: Any) -> Any:
    """Read one option of a goal from text or a number.

    Parameters
    ----------
    rule : mapping
        Metadata of the option, see `optimizer.goals.specs.option`.
    value : object
        What was stated.

    Raises
    ------
    InputError
        When it cannot be read or breaks the rule of the option.
    """
    if rule["free"] and value in (None, "free"):
        return None
    unit, form, least = rule["unit"], rule["form"], rule["least"]
    if form == "flag":
        if not isinstance(value, bool):
            raise InputError("True or False is expected", value=repr(value))
        return value
    if form == "range":
        low, high = _read_range(value, unit)
        _require(low, least, unit)
        return low, high
    number = _read_number(value) if form == "number" else parse_quantity(value, unit)
    # Ohms start above zero: a floor of 0 ohm would have no level in dB.
    if form == "quantity" and unit == "ohm" and not number > 0.0:
        raise InputError("the value must be above 0 ohm", value=value)
    return _require(number, least, unit if form == "quantity" else "")


def _read_range(value: Any, unit: str) -> tuple[float, float]:
    if isinstance(value, str) and ".." in value:
        low, high = parse_range(value, unit)
    elif isinstance(value, (tuple, list)) and len(value) == 2:
        low, high = (parse_quantity(end, unit) for end in value)
    elif unit != "Hz":
        # A single level stands for both ends; a band of one frequency would hold no data.
        low = high = parse_quantity(value, unit)
    else:
        raise InputError(
            "a band is a range or two frequencies", value=repr(value), remedy='write "60 .. 18k"'
        )
    if low > high or (unit == "Hz" and not low > 0.0):
        raise InputError(
            "a range rises" + (" from above 0 Hz" if unit == "Hz" else ""), value=repr(value)
        )
    return low, high


def _read_number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        raise InputError("a number is expected", value=repr(value)) from None


def _require(value: float, least: float | None, unit: str) -> float:
    if not abs(value) < 1e100:
        raise InputError("a value must be a finite number", value=value)
    if least is not None and value < least:
        raise InputError(f"the value must be at least {least:g} {unit}".rstrip(), value=value)
    return value
