"""Unit strings to SI numbers and back: the only place where prefixes exist."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal

from optimizer.errors import InputError

_PREFIX = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "U": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "c": 1e-2,
    "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unit:
    """How one unit is written.

    `spellings` maps what stands behind the number to a factor, `prefixes` are those that make
    sense for the unit, `bare` says that a number alone is clear, `prefix_alone` that a prefix
    alone is ("18k"), `infix` are the letters that may stand for the decimal point ("2k7").
    `plausible` are the smallest and the largest size in SI that are no slip of the hand anywhere
    in this trade; 0 is none either, and keys have closer limits.
    """

    what: str
    example: str
    plausible: tuple[float, float]
    spellings: dict[str, float]
    prefixes: str = ""
    bare: bool = True
    prefix_alone: bool = False
    infix: str = ""


_UNITS: dict[str, _Unit] = {
    # "mfd" on old boards and in old catalogues means microfarad, never millifarad
    # (common practice, no source).
    "F": _Unit(
        plausible=(1e-13, 1.0), what="a capacitance", example="4.7 uF", bare=False, prefix_alone=True,
        spellings={"F": 1.0, "f": 1.0, "farad": 1.0, "fd": 1.0, "mfd": 1e-6, "MFD": 1e-6},
        prefixes="pnuUµμm", infix="pnuµμm",
    ),
    "H": _Unit(
        plausible=(1e-9, 100.0), what="an inductance", example="0.33 mH", bare=False, prefix_alone=True,
        spellings={"H": 1.0, "h": 1.0, "henry": 1.0}, prefixes="nuUµμm", infix="uµμm",
    ),
    "ohm": _Unit(
        plausible=(1e-9, 1e9), what="a resistance", example="4.7 ohm", prefix_alone=True,
        spellings={"ohm": 1.0, "ohms": 1.0, "Ohm": 1.0, "Ohms": 1.0, "Ω": 1.0, "\u2126": 1.0,
                   "R": 1.0, "r": 1.0},
        prefixes="mkKM", infix="RrkKM",
    ),
    "Hz": _Unit(
        plausible=(1e-3, 1e7), what="a frequency", example="2.5 kHz", prefix_alone=True,
        spellings={"Hz": 1.0, "hz": 1.0, "HZ": 1.0, "hertz": 1.0}, prefixes="kKM", infix="kK",
    ),
    "dB/oct": _Unit(
        plausible=(1e-6, 100.0), what="a slope", example="-0.5 dB/oct",
        spellings={"dB/oct": 1.0, "dB/octave": 1.0, "db/oct": 1.0, "db/octave": 1.0,
                   "dB per octave": 1.0},
    ),
    "dB": _Unit(
        plausible=(1e-9, 300.0), what="a level", example="-3 dB",
        spellings={"dB": 1.0, "db": 1.0, "DB": 1.0},
    ),
    "m": _Unit(
        plausible=(1e-7, 1e4), what="a length", example="17 mm", prefixes="mc",
        spellings={"m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0},
    ),
    "s": _Unit(
        plausible=(1e-9, 1e5), what="a time", example="0.05 ms", prefixes="nuUµμm", bare=False,
        spellings={"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0},
    ),
    "W": _Unit(
        plausible=(1e-9, 1e6), what="a power", example="80 W", prefixes="mk",
        spellings={"W": 1.0, "w": 1.0, "watt": 1.0, "watts": 1.0},
    ),
    "V": _Unit(
        plausible=(1e-9, 1e6), what="a voltage", example="2.83 V", prefixes="mk",
        spellings={"V": 1.0, "v": 1.0, "volt": 1.0, "volts": 1.0},
    ),
    "A": _Unit(
        plausible=(1e-9, 1e5), what="a current", example="3 A", prefixes="um",
        spellings={"A": 1.0, "amp": 1.0, "amps": 1.0, "ampere": 1.0},
    ),
    "%": _Unit(
        plausible=(1e-9, 100.0), what="a share", example="5 %", bare=False,
        spellings={"%": 0.01, "percent": 0.01},
    ),
}  # fmt: skip

LARGEST_NUMBER = 1e9
"""Of numbers without a unit, such as weights; larger ones are surely slips."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
_INFIX = re.compile(r"(\d*)([pnuµμmkKMRr])(\d+)\s*(\D*)")
_LARGEST = 1e100
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+")

# (lower limit in SI, prefix) from the largest; trade habit decides: 0.33 mH rather than 330 uH,
# 1500 uF rather than 1.5 mF.
_SCALES: dict[str, tuple[tuple[float, str], ...]] = {
    "F": ((0.1e-6, "u"), (1e-9, "n"), (0.0, "p")),
    "H": ((0.1e-3, "m"), (0.0, "u")),
    "ohm": ((1e6, "M"), (1e3, "k"), (0.0, "")),
    "Hz": ((1e3, "k"), (0.0, "")),
    "m": ((1.0, ""), (0.0, "m")),
    "s": ((1.0, ""), (0.1e-3, "m"), (0.0, "u")),
}


def parse_quantity(text: str | float, unit: str) -> float:
    """Read a number with its unit.

    Parameters
    ----------
    text : str or float
        "4.7 uF", "4.7uF", "2k7", "4R7", "18k", "17 mm"; a number alone is taken in the SI unit
        where that is clear (Hz, ohm, dB, dB/oct, m, W, V, A) and refused where it is not
        (F, H, s, %), except 0.
    unit : {"F", "H", "ohm", "Hz", "dB", "dB/oct", "m", "s", "W", "V", "A", "%"}
        The unit expected.

    Returns
    -------
    float
        Value in the SI unit, finite; a share for "%" (5 % is 0.05).

    Raises
    ------
    InputError
        When the text is no number, has another unit, or lacks a unit it needs. No location is
        set; the caller knows it.
    """
    number, factor = _read(text, unit)
    value = _bare(number, text, unit) if factor is None else _scale(number, factor)
    return _check_plausible(value, text, unit)


def parse_range(text: str, unit: str) -> tuple[float, float]:
    """Read a range "low .. high"; the unit may stand once, at the end.

    Parameters
    ----------
    text : str
        "60..18k", "0.1 mH .. 2 mH", "0.5 .. 10 ohm".
    unit : str
        The unit expected, see `parse_quantity`.

    Returns
    -------
    tuple of float
        (low, high) in the SI unit, low < high.

    Raises
    ------
    InputError
        When an end cannot be read, when the range does not rise, or when "2..5k" leaves open
        whether the first number is meant in thousands too.

    Notes
    -----
    A unit at the end counts for both numbers with its prefix ("1 .. 6 mH", "2..5 kHz") unless
    only the other reading rises ("60..18 kHz" starts at 60 Hz). A prefix alone belongs to its
    own number ("60..18k").
    """
    first, dots, second = str(text).partition("..")
    if not dots:
        raise InputError(
            "a range is two values joined by two dots",
            value=repr(text), remedy=f'write for instance "{_range_example(unit)}"',
        )  # fmt: skip
    low, low_factor = _read(first, unit)
    high, high_factor = _read(second, unit)
    high_si = _bare(high, text, unit) if high_factor is None else _scale(high, high_factor)
    if low_factor is not None:
        low_si = _scale(low, low_factor)
    elif high_factor is None or not _UNITS[unit].bare:
        low_si = _scale(low, high_factor) if high_factor else _bare(low, text, unit)
    else:
        low_si = _share_prefix(low, high_factor, high_si, second, text, unit)
    if not low_si < high_si:
        raise InputError(
            "a range must rise", value=repr(text),
            remedy="put the smaller value first, and two different values",
        )  # fmt: skip
    return _check_plausible(low_si, text, unit), _check_plausible(high_si, text, unit)


def _check_plausible(value: float, text: str | float, unit: str) -> float:
    least, most = _UNITS[unit].plausible
    if value and not least <= abs(value) <= most:
        bound, side = (most, "above") if abs(value) > most else (least, "below")
        raise InputError(
            f"{_UNITS[unit].what} {side} {bound / _factor_of('', unit):g} {unit} is surely a slip",
            value=repr(text), remedy="check the unit and the number",
        )  # fmt: skip
    return value


def plausible_range(unit: str) -> tuple[float, float]:
    """Tell the smallest and largest size that a quantity may have, in SI; 0 is allowed as well.

    Parameters
    ----------
    unit : str
        See `parse_quantity`.
    """
    return _UNITS[unit].plausible


def format_quantity(value: float, unit: str, digits: int = 3) -> str:
    """Write a value with its unit as the trade writes it.

    Parameters
    ----------
    value : float
        Value in the SI unit.
    unit : str
        See `parse_quantity`.
    digits : int
        Significant digits; trailing zeros are dropped.

    Returns
    -------
    str
        "4.7 uF", "0.33 mH", "2.7 kohm", "2.5 kHz", "-0.5 dB/oct"; `parse_quantity` reads it back.
    """
    if not math.isfinite(value):
        return f"{value} {unit}"
    # Rounded before the prefix is chosen, so that 999.6 Hz reads 1 kHz and not 1000 Hz.
    rounded = float(f"{value:.{digits - 1}e}")
    prefix = _choose_prefix(rounded, unit)
    return f"{rounded / _factor_of(prefix, unit):.12g} {prefix}{unit}"


def say_hz(value: float) -> str:
    """Write a frequency in Hz for people, with three digits ("2.05 kHz")."""
    return format_quantity(value, "Hz")


def format_exact(value: float, unit: str) -> str:
    """Write a finite value with as few digits as give it back, bit for bit.

    Parameters
    ----------
    value : float
        Value in the SI unit.
    unit : str
        See `parse_quantity`, which returns the same float for the text.
    """
    prefix = _choose_prefix(value, unit)
    number = Decimal(repr(float(value))) / Decimal(repr(_factor_of(prefix, unit)))
    return f"{number.normalize():f} {prefix}{unit}"


def _choose_prefix(value: float, unit: str) -> str:
    prefix = ""
    for limit, candidate in _SCALES.get(unit, ()):
        prefix = candidate
        if abs(value) >= limit * (1.0 - 1e-12):
            break
    return prefix


def _factor_of(prefix: str, unit: str) -> float:
    return 0.01 if unit == "%" else _PREFIX[prefix]


DB_PER_NEPER = 20.0 / math.log(10.0)
"""Decibels of level in one neper: 20 log10(e)."""


def db_to_ratio(level_db: float) -> float:
    """Turn decibels into an amplitude ratio, 10^(L/20)."""
    return float(10.0 ** (level_db / 20.0))


def ratio_to_db(ratio: float) -> float:
    """Turn a positive amplitude ratio into decibels, 20 log10(r)."""
    return 20.0 * math.log10(ratio)


def _read(text: str | float, unit: str) -> tuple[Decimal, float | None]:
    """Return the number as written and its factor to SI, None when no unit stands behind."""
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        if not abs(text) < _LARGEST:
            raise InputError("a value must be a finite number", value=text)
        return Decimal(repr(float(text))), None
    plain = " ".join(str(text).replace("\u2212", "-").split())
    with_letter = _read_infix(plain, unit)
    if with_letter is not None:
        return with_letter
    match = _NUMBER.match(plain)
    if not match:
        wanted = _UNITS[unit]
        raise InputError(
            f"{wanted.what} is a number with a unit",
            value=repr(text), remedy=f'write for instance "{wanted.example}"',
        )  # fmt: skip
    number = _read_decimal(match[0], text)
    suffix = plain[match.end() :].strip()
    return number, _read_suffix(suffix, text, unit) if suffix else None


def _read_infix(plain: str, unit: str) -> tuple[Decimal, float] | None:
    """Read a number with a letter for its decimal point ("2k7"); None where it is none."""
    wanted = _UNITS[unit]
    infix = _INFIX.fullmatch(plain)
    if infix and wanted.infix:
        whole, letter, fraction, spelling = infix.groups()
        if letter in wanted.infix and (not spelling or spelling in wanted.spellings):
            return Decimal(f"{whole or 0}.{fraction}"), _PREFIX.get(letter, 1.0)
    return None


def _read_decimal(written: str, text: str | float) -> Decimal:
    if _THOUSANDS.fullmatch(written):
        raise InputError(
            "a comma before three digits can mean two things", value=repr(text),
            remedy="leave a thousands comma out, or write the decimal mark as a point",
        )  # fmt: skip
    written = written.replace(",", ".")
    if not abs(float(written)) < _LARGEST:
        raise InputError("a value must be a finite number", value=repr(text))
    # Decimals cannot hold every exponent that floats take for nothing.
    return Decimal(written) if float(written) else Decimal(0)


def _read_suffix(suffix: str, text: str | float, unit: str) -> float:
    """Factor of what stands behind a number: the unit, or a prefix alone where that is clear."""
    wanted = _UNITS[unit]
    factor = _factor(suffix, unit)
    if factor is None and wanted.prefix_alone and suffix in wanted.prefixes:
        factor = _PREFIX[suffix]
    if factor is None:
        raise _wrong_unit(text, suffix, unit)
    return factor


def _scale(number: Decimal, factor: float) -> float:
    # In decimals, so that "15 uF" is the float nearest to 1.5e-5 and prints as that.
    return float(number * Decimal(repr(factor)))


def _factor(suffix: str, unit: str) -> float | None:
    """Factor of a spelled-out unit with its prefix; None when it is not this unit."""
    entry = _UNITS[unit]
    if suffix in entry.spellings:
        return entry.spellings[suffix]
    if suffix[0] in entry.prefixes and suffix[1:].strip() in entry.spellings:
        return _PREFIX[suffix[0]] * entry.spellings[suffix[1:].strip()]
    return None


def _bare(number: Decimal, text: str | float, unit: str) -> float:
    wanted = _UNITS[unit]
    if not wanted.bare and number != 0.0:
        raise InputError(
            f"{wanted.what} needs its unit",
            value=repr(text), remedy=f'write for instance "{wanted.example}"',
        )  # fmt: skip
    return float(number)


def _share_prefix(
    low: Decimal, factor: float, high_si: float, second: str, text: str, unit: str
) -> float:
    """Decide whether the prefix of the second number counts for a bare first one."""
    shared, alone = _scale(low, factor), float(low)
    if shared == alone or not shared < high_si:
        return alone
    if not any(second.strip().endswith(spelling) for spelling in _UNITS[unit].spellings):
        prefix = second.strip()[-1]
        raise InputError(
            "the first value of the range can be read in two ways", value=repr(text),
            remedy=f'write "{alone:g}{prefix}..{second.strip()}" or '
            f'"{alone:g} {unit}..{second.strip()}"',
        )  # fmt: skip
    return shared


def _wrong_unit(text: str | float, suffix: str, unit: str) -> InputError:
    wanted = _UNITS[unit]
    for other, entry in _UNITS.items():
        if other != unit and _factor(suffix, other) is not None:
            return InputError(
                f"{wanted.what} in {unit} is expected, {suffix} is {entry.what} in {other}",
                value=repr(text), remedy=f'write for instance "{wanted.example}"',
            )  # fmt: skip
    return InputError(
        f"{wanted.what} in {unit} is expected, {suffix!r} is not a unit of it",
        value=repr(text), remedy=f'write for instance "{wanted.example}"',
    )  # fmt: skip


def _range_example(unit: str) -> str:
    return {
        "F": "1 uF .. 100 uF", "H": "0.1 mH .. 2 mH", "ohm": "0.5 .. 10 ohm", "Hz": "60..18k",
        "dB": "84..90 dB",
    }.get(unit, f"1 .. 2 {unit}")  # fmt: skip
