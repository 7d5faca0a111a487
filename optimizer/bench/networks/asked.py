"""What a person answers of an old board: a place, a value as printed, a value to be measured."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from optimizer.errors import InputError
from optimizer.network.expression.forms import NAMED_FORMS, TAP, NamedForm, form_of, form_of_tap
from optimizer.network.ladder import Place
from optimizer.network.network import FittedSlot
from optimizer.parts import GIVEN, KIND_WORDS, UNIT_OF_KIND, Kind, Part
from optimizer.stock.coil import DEFAULT_WIRE_M, air_coil_dcr
from optimizer.stock.stock import DEFAULT_TOLERANCE, LOSS_TANGENTS, loss_tangent_to_esr
from optimizer.text.units import format_quantity, parse_quantity

_PLACES: dict[str, Place] = {
    "line": "series", "series": "series", "inline": "series",
    "across": "shunt", "shunt": "shunt", "parallel": "shunt",
}  # fmt: skip
_UNKNOWN = ("?", "unknown", "none", "no")
_AT = re.compile(r"(.+?)\s*(?:at|@)\s*(.+)", re.IGNORECASE)

AGED_TOLERANCE = 0.1
"""Of electrolytic capacitors that were never measured; they drift with age. From memory."""

HOW_TO_MEASURE: dict[Kind, str] = {
    "inductor": "an unknown coil: put it in series with a resistor of about 10 ohm, known to 1 %, on "
    "an amplifier that plays a quiet sine of 1 kHz; impedance = resistor x volts across the coil / "
    'volts across the resistor. Answer for instance "26 ohm at 1 kHz"',
    "capacitor": "an unknown capacitor: lift one leg, discharge it, put it in series with a resistor "
    "of about 10 ohm, known to 1 %, on an amplifier that plays a quiet sine of 1 kHz; impedance = "
    "resistor x volts across the capacitor / volts across the resistor. Answer for instance "
    '"16 ohm at 1 kHz"',
    "resistor": "an unknown resistor: lift one leg and measure it with a meter, less what the meter "
    'shows with its leads joined. Answer for instance "2.2"',
}
"""How a value is found that nobody can read, in one line each."""


@dataclass(frozen=True, slots=True)
class AskedValue:
    """A value as answered: as printed, or an impedance at a frequency.

    Parameters
    ----------
    value : float
        In the unit of the part, or ohm.
    hz : float
        Where the impedance was measured; 0 for a value as printed.
    """

    value: float
    hz: float = 0.0

    def settle(self, kind: Kind, loss_ohm: float) -> float:
        """Return the value in the unit of the part.

        Parameters
        ----------
        kind : Kind
        loss_ohm : float
            Series resistance, which is part of a measured impedance.

        Raises
        ------
        InputError
            When the impedance is no larger than the resistance.
        """
        if not self.hz:
            return self.value
        squared = self.value**2 - (loss_ohm**2 if kind == "inductor" else 0.0)
        if squared <= 0.0:
            raise InputError(
                "the impedance of a coil is larger than its resistance",
                value=format_quantity(self.value, "ohm"),
                remedy="measure at a higher frequency",
            )
        reactance, omega = math.sqrt(squared), 2.0 * math.pi * self.hz
        return reactance / omega if kind == "inductor" else 1.0 / (omega * reactance)


def hear_place(text: str) -> tuple[Place, NamedForm, str]:
    """Read where a part of a board sits, and what it is.

    Parameters
    ----------
    text : str
        "line coil", "across capacitor 4u7", "line pad", "across R + C", "line tap -6 dB".

    Returns
    -------
    place : {"series", "shunt"}
    form : NamedForm
    rest : str
        What follows: a value, or nothing.

    Raises
    ------
    InputError
        When it says neither, or a form that cannot stand there.
    """
    words = text.replace(",", " , ").split()
    if words[:2] == ["in", "the"]:
        words = words[2:]
    place = _PLACES.get(words[0].lower()) if words else None
    if place is None or len(words) < 2:
        raise InputError(
            "an answer begins with where it sits: line or across, and goes on with what it is",
            value=repr(text),
            remedy='write for instance "line coil" or "across capacitor"',
        )
    what, rest = words[1].lower(), " ".join(words[2:]).replace(" , ", ",")
    if what == TAP.strip():
        return place, form_of_tap(rest or "-6 dB"), ""
    name = KIND_WORDS.get(what, what)
    joined = "+" in words or "||" in words
    if (place, name) in NAMED_FORMS and not joined:
        return place, form_of(name, place), rest
    return place, form_of(" ".join(words[1:]), place), ""


def hear_value(text: str, kind: Kind) -> AskedValue | None:
    """Read a value as printed, or as measured.

    Parameters
    ----------
    text : str
        "4u7", "3,3 mH", "26 ohm at 1 kHz", "?".
    kind : Kind
        What it is.

    Returns
    -------
    AskedValue or None
        None for a value that is not known.

    Raises
    ------
    InputError
        When it cannot be read.
    """
    if text.strip().lower() in _UNKNOWN:
        return None
    measured = _AT.fullmatch(text.strip())
    if measured and kind != "resistor":
        found = AskedValue(parse_quantity(measured[1], "ohm"), hz=parse_quantity(measured[2], "Hz"))
    else:
        found = AskedValue(parse_quantity(text, UNIT_OF_KIND[kind]))
    if found.value <= 0.0:
        raise InputError("a value is above 0", value=repr(text))
    return found


def hear_resistance(text: str) -> float | None:
    """Read the resistance of a coil; None for one that was not measured.

    Raises
    ------
    InputError
        When it cannot be read.
    """
    if not text.strip() or text.strip().lower() in _UNKNOWN:
        return None
    ohm = parse_quantity(text.strip().lower().removeprefix("dcr"), "ohm")
    if ohm < 0.0:
        raise InputError("a resistance is not below 0", value=repr(text))
    return ohm


def hear_dielectric(text: str) -> str:
    """Read what a capacitor is made of, as far as losses go; film when nothing is said.

    Raises
    ------
    InputError
        For any other word.
    """
    word = text.strip().lower()
    if not word or word in ("film", "polypropylene"):
        return "polypropylene"
    known = {**{name: name for name in LOSS_TANGENTS}, "bipolar": "electrolytic"}
    if word not in known:
        raise InputError(
            "a capacitor is film, polyester or electrolytic", value=repr(text),
            remedy='write "electrolytic" for a can with a sleeve, else leave it empty',
        )  # fmt: skip
    return known[word]


def make_coil(value: AskedValue, ohm: float | None) -> Part:
    """Make the coil of some answers; a resistance that was not measured is that of an air coil."""
    if ohm is not None:
        return _given("inductor", value.settle("inductor", ohm), ohm)
    henry = value.settle("inductor", 0.0)
    return _given(
        "inductor", henry, round(float(air_coil_dcr(henry, DEFAULT_WIRE_M)), 3),
        note="resistance not measured",
    )  # fmt: skip


def make_capacitor(value: AskedValue, dielectric: str) -> Part:
    """Make the capacitor of some answers, with the typical loss of its dielectric."""
    farad = value.settle("capacitor", 0.0)
    esr = float(f"{loss_tangent_to_esr(LOSS_TANGENTS[dielectric], farad):.3g}")
    aged = dielectric == "electrolytic"
    stated = dielectric != "polypropylene"  # else it is no more than the usual
    return _given(
        "capacitor", farad, esr, made_of=dielectric if stated else "",
        tolerance=AGED_TOLERANCE if aged else DEFAULT_TOLERANCE,
    )  # fmt: skip


def make_resistor(value: AskedValue) -> Part:
    """Make the resistor of an answer."""
    return _given("resistor", value.value, 0.0)


def _given(
    kind: Kind,
    value: float,
    loss: float,
    *,
    note: str = "",
    tolerance: float = DEFAULT_TOLERANCE,
    made_of: str = "",
) -> Part:
    value = float(f"{value:.9g}")
    return Part(
        kind=kind, value=value, loss_ohm=loss, tolerance=tolerance, origin=GIVEN, pieces=(value,),
        note=note, made_of=made_of,
    )  # fmt: skip


def name_slot(form: NamedForm, taken: list[FittedSlot]) -> str:
    """Name a place as the trade does: the letter of what it is, and the next number.

    Parameters
    ----------
    form : NamedForm
        What sits there.
    taken : list of FittedSlot
        Places of the same ladder.
    """
    letter = {"inductor": "L", "capacitor": "C", "resistor": "R"}.get(form.name, form.letter)
    names = {slot.name for slot in taken}
    return next(n for n in (f"{letter}{k}" for k in range(1, 1000)) if n not in names)
