"""Options of goals: declared once at the attribute that holds them, read and listed by that."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from optimizer.errors import InputError
from optimizer.goals.target import TargetCurve
from optimizer.text.units import LARGEST_NUMBER, format_quantity, parse_quantity, parse_range

OptionForm = Literal["quantity", "range", "number", "flag", "curve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """All there is to know of one option: how it is written, read, listed and explained.

    Parameters
    ----------
    key : str
        Name in a design file.
    meaning : str
        One line for the user.
    default : object
        Value when the key is absent.
    form : {"quantity", "range", "number", "flag", "curve"}
        How it is written; a "curve" is a `TargetCurve` or levels by frequency; a "range" of anything
        but frequencies also takes a single value, which stands for both ends.
    unit : str
        Unit that text is read in.
    least, above : float or None
        Smallest value, or a bound that it must exceed.
    free : bool
        Whether the word "free" is allowed; it is stored as None.
    field : str
        Attribute of the goal that holds it.
    """

    key: str
    meaning: str
    default: Any
    form: OptionForm
    unit: str = ""
    least: float | None = None
    above: float | None = None
    free: bool = False
    field: str = ""

    def read(self, value: Any) -> Any:
        """Read the option from text, or from what Python has for it.

        Parameters
        ----------
        value : object
            Text with its unit, a number in SI units, a pair of both for a range, a bool.

        Raises
        ------
        InputError
            When it cannot be read or breaks the rule of the option.
        """
        if self.free and value in (None, "free"):
            return None
        if self.form == "curve":
            return None if value is None else TargetCurve.read(value)
        if self.form == "flag":
            if not isinstance(value, bool):
                raise InputError("True or False is expected", value=repr(value))
            return value
        if self.form == "range":
            low, high = self._read_range(value)
            self._check(low, value)
            return low, high
        if self.form == "number":
            return self._check(_read_number(value), value)
        return self._check(parse_quantity(value, self.unit), value)

    def _read_range(self, value: Any) -> tuple[float, float]:
        if isinstance(value, str) and (".." in value or self.unit == "Hz"):
            low, high = parse_range(value, self.unit)
        elif isinstance(value, (tuple, list)) and len(value) == 2:
            low, high = (parse_quantity(end, self.unit) for end in value)
        elif self.unit != "Hz":
            # A single level stands for both ends; a band of one frequency would hold no data.
            low = high = parse_quantity(value, self.unit)
        else:
            raise InputError("a band is a range or two frequencies", value=repr(value))
        if low > high:
            raise InputError("a range rises", value=repr(value))
        return low, high

    def _check(self, number: float, value: Any) -> float:
        if not abs(number) <= LARGEST_NUMBER:
            raise InputError(f"a number beyond {LARGEST_NUMBER:g} is surely a slip", value=value)
        if self.above is not None and not number > self.above:
            rule = f"the value must be above {self.above:g} {self.unit}"
            raise InputError(rule.rstrip(), value=value)
        if self.least is not None and number < self.least:
            rule = f"the value must be at least {self.least:g} {self.unit}"
            raise InputError(rule.rstrip(), value=value)
        return number

    def say_default(self) -> str:
        """Write the default as one would in a design file."""
        value = self.default
        if value is None:
            return "none" if self.form == "curve" else "free"
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, tuple):
            low, high = (format_quantity(v, self.unit) for v in value)
            return f"{low} .. {high}"
        return format_quantity(value, self.unit) if self.unit else f"{value:g}"


def option(
    key: str,
    meaning: str,
    *,
    default: Any,
    unit: str = "",
    form: OptionForm | None = None,
    least: float | None = None,
    above: float | None = None,
    free: bool = False,
) -> Any:
    """Declare one option of a goal; its form follows from default and unit, see `Option`."""
    if form is None:
        form = "quantity" if unit else "number"
        if isinstance(default, bool):
            form = "flag"
        elif isinstance(default, tuple):
            form = "range"
    rule = Option(
        key=key,
        meaning=meaning,
        default=default,
        form=form,
        unit=unit,
        least=least,
        above=above,
        free=free,
    )
    return field(default=default, metadata={"option": rule})


def fixed(default: Any) -> Any:
    """Declare what is no option of a goal, but may be one of a goal derived from it."""
    return field(default=default, init=False, repr=False)


def weight_option(default: float) -> Any:
    """Declare the option "weight"."""
    return option("weight", "how much one unit of this goal costs", default=default, least=0.0)


def band_option(low: float, high: float) -> Any:
    """Declare the option "band"."""
    return option(
        "band", "frequencies that count", default=(low, high), unit="Hz", form="range", above=0.0
    )


def target_option() -> Any:
    """Declare the option "target"."""
    return option(
        "target",
        "shape that is wanted: of a file of another speaker, or drawn by points; the level is free, "
        "and outside of the shape nothing is asked",
        default=None,
        form="curve",
    )


def hard_option(default: bool = False, what: str = "limit") -> Any:
    """Declare the option "hard"."""
    return option("hard", f"whether the {what} must be met", default=default)


def _read_number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        raise InputError("a number is expected", value=repr(value)) from None
