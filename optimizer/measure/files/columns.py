"""What the columns of a table mean: their headings in many languages, or what was said of them.

A heading or a word of the user ("frequency kHz", "phase rad", "Pegel [dB]", `spl_30deg_db`) is
read by one function, `read_column`; `pair_columns` puts columns together to curves, each with its
frequency, its modulus and phase or its real and imaginary part, its quantity and its direction.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, Protocol

from optimizer.errors import InputError, Subject
from optimizer.measure.curve import ON_AXIS, Direction, Quantity
from optimizer.measure.files.names import read_name
from optimizer.measure.files.text import fold_text

Meaning = Literal["frequency", "modulus", "phase", "real", "imaginary", "angle", "ignored"]

REFERENCE_PA = 2e-5
"""Pressure of 0 dB SPL."""

_FACTORS: dict[str, dict[str, float]] = {
    "frequency": {"Hz": 1.0, "kHz": 1e3, "rad/s": 1.0 / (2.0 * math.pi)},
    "phase": {
        "deg": math.pi / 180.0, "rad": 1.0, "pi rad": math.pi, "turns": 2.0 * math.pi,
        "gon": math.pi / 200.0,
    },
    "pressure": {
        "dB": 1.0, "ratio": 1.0, "V": 1.0, "mV": 1e-3, "%": 0.01, "Pa": 1.0 / REFERENCE_PA,
        "mPa": 1e-3 / REFERENCE_PA, "µPa": 1e-6 / REFERENCE_PA,
    },
    "impedance": {"ohm": 1.0, "kohm": 1e3, "mohm": 1e-3, "dB": 1.0},
}  # fmt: skip
"""What a number of a column is multiplied by, by meaning and unit; levels are not multiplied."""

_UNITS = {
    "Hz": "hz hertz herz cps гц ヘルツ",
    "kHz": "khz kilohertz кгц",
    "rad/s": "rad/s rad/sec radians/s rad·s⁻¹ рад/с",
    "dB": "db dbspl dbfs dbv dbr dbu dba dbohm dbω decibel decibels dezibel дб",
    "deg": "deg degs degree degrees ° º grad grados grado gradi graus grau graden grader degres "
    "degre degresd stopnie stopni stupne stupnu град градусы градусов 度 aste astetta fok derece",
    "rad": "rad rads radian radians radiant radianti radianes radianos radians radianer radiani "
    "radiaania bogenmass рад радиан радианы 弧度 ラジアン",
    "pi rad": "pi π",
    "turns": "turn turns cycle cycles periods umdrehungen tours",
    "gon": "gon gons",
    "Pa": "pa pascal pascals па パスカル",
    "mPa": "mpa",
    "µPa": "µpa μpa upa",
    "ohm": "ohm ohms ω ом ohmios オーム 欧 欧姆",
    "kohm": "kohm kohms kω ком kiloohm",
    "mohm": "mohm mω milliohm",
    "ratio": "ratio linear lin abs fs factor faktor absolute",
    "V": "v volt volts",
    "mV": "mv",
    "%": "% percent prozent",
    "time": "ms s us µs sec msec",
}
_WORDS: dict[str, str] = {
    "frequency": "freq frec frek freqv frequ czestotl kmitoc taajuus частот 频率 頻率 周波数",
    "impedance": "imped empedans импеданс 阻抗 インピーダンス scheinwiderstand",
    "sound level": "spl schalldruckpegel 声压级 音圧レベル",
    "pressure": "pressure schalldruck pression presion pressione cisnieni ljudtryck lydtryk "
    "давлен 声压 音圧 pressao geluidsdruk",
    "level": "level pegel niveau nivel livello poziom niva taso uroven szint seviye уровень 级 "
    "レベル",
    "modulus": "magnitud mag ampl betrag modul gain verstarkung response frequenzgang amplitude "
    "ampiezza амплитуд модул 幅度 振幅 transfer",
    "phase": "phas fase fasen fasi faza fazis faz vaihe фаза фазы 相位 位相 フェーズ argument",
    "real": "real reel reelle reale reell rzeczywist действит 实部 実部",
    "imaginary": "imag immagin urojon мнимая 虚部",
    "resistance": "resist wirkwiderstand rezyst 电阻 抵抗",
    "reactance": "react reakt blindwiderstand reaktanz 电抗",
    "angle": "angle winkel angulo angolo azimut elevation kat uhel hoek 角度",
    "coherence": "coh koh когерент 相干 コヒーレンス",
    "group delay": "delay group laufzeit gruppen retard retardo ritardo opozni",
    "something else": "thd distort klirr verzerr harmonic noise rausch target ziel smooth "
    "geglatt std sigma stdev uncert error min max index row sample time zeit temps date datum "
    "weight crest snr confidence count power current comment remark count point excess minimum "
    "calibration temperature floor average correction",
}  # fmt: skip
_EXACT = {
    "f": "frequency", "omega": "omega",
    "log": "logarithm", "log10": "logarithm", "lg": "logarithm",
    "z": "impedance", "zabs": "impedance", "zmod": "impedance", "zmag": "impedance",
    "p": "pressure", "h": "modulus", "fas": "phase", "arg": "phase", "ph": "phase",
    "phi": "phase", "φ": "phase", "ϕ": "phase", "re": "real", "im": "imaginary", "r": "resistance",
    "x": "reactance", "rs": "resistance", "xs": "reactance", "zr": "resistance",
    "zi": "reactance", "zphase": "impedance", "zph": "impedance", "gamma": "coherence",
    "γ": "coherence", "γ2": "coherence", "gd": "group delay", "no": "something else",
    "nr": "something else", "n": "something else", "#": "something else",
    "id": "something else", "num": "something else", "hd2": "something else",
    "hd3": "something else", "s1": "something else", "vswr": "something else", "lag": "something else",
    "sd": "something else", "t": "something else", "mod": "modulus",
}  # fmt: skip
_SKIP = {"-", "skip", "ignore", "ignored", ""}
_VALUE = re.compile(r"[:=]\s*[-+]?\d|^\s*[-+]?\d[\d.,]*\s*[a-zµ]", re.IGNORECASE)
_DIRECTED = re.compile(
    r"[-+\u2212]?\d+(?:[.,]\d+)?\s*(?:deg(?:rees?)?|grad|°|º)(?![a-z])|\bon[\s_-]*axis\b",
    re.IGNORECASE,
)
_TOKEN = re.compile(r"rad/s(?:ec)?|log10|[^\W\d_]+\d?(?:/s)?|[°º%#]|-$", re.IGNORECASE)


_UNIT_OF = {fold_text(word): unit for unit, words in _UNITS.items() for word in words.split()}
_STEMS = {fold_text(stem): noun for noun, words in _WORDS.items() for stem in words.split()}


@dataclass(frozen=True, slots=True, kw_only=True)
class FileColumn:
    """What one column holds.

    Parameters
    ----------
    meaning : str
        What its numbers are.
    unit : str
        Empty where nothing says it.
    quantity : {"pressure", "impedance"} or None
        Of a modulus or a part of it, where it is said.
    direction : Direction or None
        Where the heading names an angle.
    text : str
        The heading, or the name of what is ignored.
    """

    meaning: Meaning
    unit: str = ""
    quantity: Quantity | None = None
    direction: Direction | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveColumns:
    """The columns of one curve.

    Parameters
    ----------
    at : tuple of int
        Places of frequency, modulus (or real part) and, where there is one, phase (or imaginary
        part).
    columns : tuple of FileColumn
        What they hold, as many.
    stated : bool
        Whether a heading or the user says so; else it is the usual order.
    """

    at: tuple[int, ...]
    columns: tuple[FileColumn, ...]
    stated: bool = True

    @property
    def quantity(self) -> Quantity | None:
        """What the curve is made of, where a heading says it."""
        return next((c.quantity for c in self.columns[1:] if c.quantity is not None), None)

    @property
    def direction(self) -> Direction | None:
        """Where it was taken, where a heading says it."""
        return next((c.direction for c in self.columns[1:] if c.direction is not None), None)

    @property
    def cartesian(self) -> bool:
        """Whether real and imaginary part are given, not modulus and phase."""
        return self.columns[1].meaning == "real"

    def describe(self, quantity: Quantity) -> str:
        """Say the columns as they may be said by hand ("frequency Hz, level dB, phase deg").

        Parameters
        ----------
        quantity : {"pressure", "impedance"}
            What the curve is taken for.

        Returns
        -------
        str
            As `parse_columns` reads it; columns that are not used are "-".
        """
        words = dict(zip(self.at, (say_column(c, quantity) for c in self.columns), strict=True))
        return ", ".join(words.get(place, "-") for place in range(max(self.at) + 1))


def say_column(column: FileColumn, quantity: Quantity) -> str:
    """Say a column in the words that `read_column` reads."""
    unit = column.unit or usual_unit(column.meaning, quantity)
    if column.meaning == "modulus":
        if quantity == "impedance":
            return f"impedance {unit}"
        return {"dB": "level dB", "ratio": "ratio"}.get(unit, f"pressure {unit}")
    if column.meaning in ("real", "imaginary"):
        parts = ("resistance", "reactance") if quantity == "impedance" else ("real", "imaginary")
        return f"{parts[column.meaning == 'imaginary']} {unit}"
    return f"{column.meaning} {unit}".strip()


def usual_unit(meaning: Meaning, quantity: Quantity) -> str:
    """Name the unit that is meant where none is written."""
    if meaning in ("frequency", "phase"):
        return {"frequency": "Hz", "phase": "deg"}[meaning]
    if quantity == "impedance":
        return "ohm"
    return "dB" if meaning == "modulus" else "ratio"


def factor_of(column: FileColumn, quantity: Quantity) -> float:
    """Tell what the numbers of a column are multiplied by: to Hz, radians, ohm, or 20 µPa."""
    unit = column.unit or usual_unit(column.meaning, quantity)
    kind = column.meaning if column.meaning in ("frequency", "phase") else quantity
    return _FACTORS[kind].get(unit, 1.0)


def plain_columns(count: int) -> CurveColumns:
    """Give the usual order, where nothing is said: frequency, modulus and perhaps phase."""
    usual: tuple[FileColumn, ...] = (
        FileColumn(meaning="frequency"), FileColumn(meaning="modulus"), FileColumn(meaning="phase"),
    )  # fmt: skip
    count = min(count, 3)
    return CurveColumns(at=tuple(range(count)), columns=usual[:count], stated=False)


def parse_columns(text: str) -> tuple[FileColumn, ...]:
    """Read what a user says of the columns ("frequency kHz, level, -, phase rad").

    Parameters
    ----------
    text : str
        A word or two for each column, parted by commas; "-" for one that is not used.

    Returns
    -------
    tuple of FileColumn

    Raises
    ------
    InputError
        A word that is not known, no frequency, nothing beside it, or two of a kind.
    """
    columns = tuple(_parse_column(part) for part in text.split(","))
    curves = pair_columns(columns)
    if len(curves) != 1:
        raise InputError(
            "columns are said for one curve: frequency, and level or impedance, or both parts of it",
            value=repr(text),
            remedy='write for instance "frequency kHz, level, phase rad", and - for a column that '
            "is not used",
        )
    return columns


def _parse_column(text: str) -> FileColumn:
    column = read_column(text)
    if column is None:
        raise InputError(
            "the meaning of a column must be known",
            value=repr(text.strip()),
            remedy="write frequency, level, ratio, pressure, impedance, phase, resistance and "
            "reactance, real and imaginary, or -; with Hz, kHz, rad/s, dB, Pa, ohm, deg or rad",
        )
    return column


def says_columns(text: str) -> bool:
    """Tell whether a text says what columns mean, not what a file is."""
    parts = [read_column(part) for part in text.split(",")]
    return len(parts) > 1 and any(c is not None and c.meaning == "frequency" for c in parts)


@lru_cache(maxsize=4096)
def read_column(text: str) -> FileColumn | None:
    """Read the heading of one column, in the words of many languages.

    Parameters
    ----------
    text : str
        "Freq(Hz)", "spl_30deg_db", "Phase [rad]", "Pegel / dB", "impedance".

    Returns
    -------
    FileColumn or None
        None where nothing in it is known.
    """
    if text.strip() in _SKIP:
        return FileColumn(meaning="ignored", text="empty")
    spaced = re.sub(r"(?<=[a-z]{2})(?=[A-Z])", " ", text).replace("_", " ")
    directed = _DIRECTED.search(spaced)
    direction = read_name(fold_text(spaced)).direction if directed else None
    rest = _DIRECTED.sub(" ", spaced) if direction is not None else spaced
    tokens = _TOKEN.findall(fold_text(rest).replace("|", " "))
    units = [_UNIT_OF[t] for t in tokens if t in _UNIT_OF]
    nouns = [noun for t in tokens if (noun := _noun_of(t))]
    column = _combine(nouns, units)
    if column is None and direction is not None:
        column = FileColumn(meaning="modulus")
    return None if column is None else replace(column, direction=direction, text=text.strip())


def is_unit(text: str) -> bool:
    """Whether a cell is a unit and nothing else, or empty."""
    bare = fold_text(text.strip(' ()[]"/'))
    words = bare.split()  # none in what is blank without being a space
    return not words or bare in _UNIT_OF or (fold_text(words[0]) in _UNIT_OF and len(bare) < 9)


def _noun_of(token: str) -> str:
    if token in _EXACT:
        return _EXACT[token]
    if token in _UNIT_OF:
        return ""
    if not token.isascii():
        fitting = [stem for stem in _STEMS if stem in token]
        return _STEMS[max(fitting, key=len)] if fitting else ""
    fitting = [
        stem for stem in _STEMS if token.startswith(stem) or (len(stem) > 6 and stem in token)
    ]
    return _STEMS[max(fitting, key=len)] if fitting else ""


def _combine(nouns: list[str], units: list[str]) -> FileColumn | None:
    """Make one meaning of the nouns and units of a heading."""
    for other in ("coherence", "group delay", "something else"):
        if other in nouns:
            return FileColumn(meaning="ignored", text=other)
    unit = next((u for u in ("pi rad", "rad/s") if u in units), units[0] if units else "")
    if unit == "time":
        return None
    frequency = _frequency_of(nouns, unit)
    if frequency is not None:
        return frequency
    quantity = _quantity_of(nouns, unit)
    if "phase" in nouns:
        return FileColumn(meaning="phase", unit=_only(unit, "phase"), quantity=quantity)
    part = _part_of(nouns, unit, quantity)
    if part is not None:
        return part
    if "angle" in nouns:
        return FileColumn(meaning="angle", unit=_only(unit, "phase"))
    if unit in _FACTORS["phase"]:
        return FileColumn(meaning="phase", unit=unit)
    return _modulus(nouns, unit, quantity)


def _frequency_of(nouns: list[str], unit: str) -> FileColumn | None:
    if "logarithm" in nouns and "frequency" in nouns:
        return FileColumn(meaning="ignored", text="logarithm of frequency")
    if "omega" in nouns:
        return FileColumn(meaning="frequency", unit=unit or "rad/s")
    if "phase" in nouns:
        return None
    if unit in _FACTORS["frequency"] or (not unit and set(nouns) == {"frequency"}):
        return FileColumn(meaning="frequency", unit=unit)
    return None


def _part_of(nouns: list[str], unit: str, quantity: Quantity | None) -> FileColumn | None:
    """Read a real or imaginary part, or a resistance or reactance."""
    for meaning, of_load in (("real", "resistance"), ("imaginary", "reactance")):
        if of_load in nouns:
            return FileColumn(meaning=meaning, unit=_only(unit, "impedance"), quantity="impedance")  # type: ignore[arg-type]
        if meaning in nouns:
            kind = quantity or "pressure"
            return FileColumn(meaning=meaning, unit=_only(unit, kind), quantity=quantity)  # type: ignore[arg-type]
    return None


def _modulus(nouns: list[str], unit: str, quantity: Quantity | None) -> FileColumn | None:
    known = {"impedance", "pressure", "level", "sound level", "modulus"} & set(nouns)
    if not known and unit not in (*_FACTORS["pressure"], *_FACTORS["impedance"]):
        return None
    if not unit and {"level", "sound level"} & set(nouns) and quantity != "impedance":
        unit = "dB"  # a level is in decibels by definition
    if not unit and quantity == "impedance":
        unit = "ohm"
    return FileColumn(meaning="modulus", unit=unit, quantity=quantity)


def _quantity_of(nouns: list[str], unit: str) -> Quantity | None:
    if "impedance" in nouns or (unit in _FACTORS["impedance"] and unit != "dB"):
        return "impedance"
    if {"pressure", "sound level"} & set(nouns) or unit in ("Pa", "mPa", "µPa"):
        return "pressure"
    return None


def _only(unit: str, kind: str) -> str:
    return unit if unit in _FACTORS[kind] else ""


def read_columns(cells: Sequence[str]) -> tuple[FileColumn, ...] | None:
    """Read a line of headings.

    Parameters
    ----------
    cells : sequence of str
        Its cells.

    Returns
    -------
    tuple of FileColumn or None
        None where it is no line of headings: it must name a frequency and something beside it.
        A cell that says nothing is ignored, and keeps its text.
    """
    if any(_VALUE.search(cell) and not _DIRECTED.search(cell) for cell in cells):
        return None
    columns = _number_columns(cells)
    if columns is None:
        columns = [read_column(c) or FileColumn(meaning="ignored", text=c.strip()) for c in cells]
    kinds = {column.meaning for column in columns}
    if "frequency" not in kinds or not kinds & {"modulus", "phase", "real"}:
        return None
    if "angle" in kinds and "phase" not in kinds and columns[0].meaning != "angle":
        columns = [replace(c, meaning="phase") if c.meaning == "angle" else c for c in columns]
    return tuple(columns)


def _number_columns(cells: Sequence[str]) -> list[FileColumn] | None:
    """Read "Hz, 0, 15, 30": a frequency, and beside it nothing but angles."""
    first = read_column(cells[0])
    if first is None or first.meaning != "frequency" or len(cells) < 3:
        return None
    try:
        angles = [float(cell.replace(",", ".").replace("\u2212", "-")) for cell in cells[1:]]
    except ValueError:
        return None
    if any(abs(a) > 180.0 or a % 2.5 for a in angles) or len(set(angles)) < len(angles):
        return None
    return [
        first,
        *(
            FileColumn(meaning="modulus", direction=Direction(horizontal_deg=a), text=f"{a:g}")
            for a in angles
        ),
    ]


def pair_columns(columns: Sequence[FileColumn]) -> list[CurveColumns]:
    """Put columns together to curves.

    Parameters
    ----------
    columns : sequence of FileColumn
        In the order of the file.

    Returns
    -------
    list of CurveColumns
        A modulus or real part takes the nearest frequency to its left (or the only one), and the
        phase or imaginary part of the same direction: the nearest that is free, from its right
        first.
    """
    frequencies = [i for i, c in enumerate(columns) if c.meaning == "frequency"]
    if not frequencies:
        return []
    free = [i for i, c in enumerate(columns) if c.meaning in ("phase", "imaginary")]
    curves = []
    heads = [i for i, c in enumerate(columns) if c.meaning in ("modulus", "real")]
    for place, index in enumerate(heads):
        left = [i for i in frequencies if i < index]
        next_head = heads[place + 1] if place + 1 < len(heads) else len(columns)
        second = _find_second(columns, index, next_head, free)
        if columns[index].meaning == "real" and second is None:
            continue
        at = [left[-1] if left else frequencies[0], index]
        if second is not None:
            free.remove(second)
            at.append(second)
        curves.append(CurveColumns(at=tuple(at), columns=tuple(columns[i] for i in at)))
    return curves


def _find_second(
    columns: Sequence[FileColumn], index: int, next_head: int, free: list[int]
) -> int | None:
    head = columns[index]
    wanted = "imaginary" if head.meaning == "real" else "phase"
    fitting = [
        i
        for i in free
        if columns[i].meaning == wanted
        and columns[i].quantity in (None, head.quantity)
        and (columns[i].direction == head.direction or columns[i].direction is None)
    ]
    named = [i for i in fitting if columns[i].direction is not None]
    right = [i for i in fitting if index < i < next_head]
    lone = sum(c.meaning in ("modulus", "real") for c in columns) == 1
    for choice in (named, right, fitting if lone else []):
        if choice:
            return choice[0]
    return None


class CurveWish(Protocol):
    """Which curve of a table is wanted; see `optimizer.measure.files.tables.WantedCurve`."""

    @property
    def quantity(self) -> Quantity | None:
        """What it is made of."""

    @property
    def expected(self) -> Quantity | None:
        """What the name of the file suggests."""

    @property
    def direction(self) -> Direction | None:
        """Where it was taken."""


def choose_curve(curves: Sequence[CurveColumns], wanted: CurveWish) -> CurveColumns | None:
    """Choose one of the curves of a table.

    Parameters
    ----------
    curves : sequence of CurveColumns
        Of its headings.
    wanted : CurveWish
        Which one; the reference axis where several directions stand side by side.

    Returns
    -------
    CurveColumns or None
        None where none fits.

    Raises
    ------
    InputError
        Several fit, or none in this direction.
    """
    fitting = _of_quantity(curves, wanted)
    if sum(c.direction is not None for c in fitting) > 1:
        there = wanted.direction or ON_AXIS
        known = ", ".join(str(c.direction) for c in fitting if c.direction is not None)
        fitting = [c for c in fitting if c.direction == there]
        if not fitting:
            raise InputError(
                "the file holds no curve in this direction",
                value=str(there),
                remedy=f"it has {known}",
            )
    if len(fitting) > 1 and not _are_pairs(fitting, wanted):
        quantity = wanted.quantity or fitting[0].quantity or "pressure"
        names = ", ".join(c.columns[1].text for c in fitting)
        raise InputError(
            "several curves side by side, and nothing says which one counts",
            value=names[:80],
            remedy="export each to a file of its own, or say the columns of one",
            by_stating=(Subject("file", fitting[0].describe(quantity), "columns"),),
        )
    return fitting[0] if fitting else None


def _are_pairs(fitting: Sequence[CurveColumns], wanted: CurveWish) -> bool:
    """Whether each curve has frequencies of its own: of these the first is the file's."""
    return wanted.quantity is not None and len({c.at[0] for c in fitting}) == len(fitting)


def _of_quantity(curves: Sequence[CurveColumns], wanted: CurveWish) -> list[CurveColumns]:
    quantity = wanted.quantity
    known = {c.quantity for c in curves}
    if quantity is None and {"pressure", "impedance"} <= known | (
        {"pressure"} if None in known else set()
    ):
        quantity = wanted.expected or "pressure"
    fitting = [c for c in curves if quantity is None or c.quantity in (None, quantity)]
    if any(c.quantity == quantity for c in fitting):
        fitting = [c for c in fitting if c.quantity == quantity]
    return fitting
