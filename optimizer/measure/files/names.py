"""What a file name says of a measurement: driver, direction, kind, side of the pair."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from optimizer.measure.curve import Direction

NamedKind = Literal["", "impedance", "together", "near field", "port", "ignore"]

DRIVER_WORDS: dict[str, tuple[str, ...]] = {
    "subwoofer": ("subwoofer", "sub", "subbass"),
    "woofer": ("woofer", "woofers", "woof", "wf", "bass", "lf", "w"),
    "midwoofer": ("midwoofer", "midbass", "bassmid", "mw"),
    "mid": ("mid", "midrange", "mids", "middle", "mr", "mf", "m"),
    "fullrange": ("fullrange", "wideband", "broadband"),
    "tweeter": ("tweeter", "tweeters", "tweet", "tw", "treble", "hf", "t"),
    "supertweeter": ("supertweeter",),
}
"""The name used for a driver, and the words in file names that mean it."""

_CANONICAL = {word: name for name, words in DRIVER_WORDS.items() for word in words}
_JOINED = {
    ("mid", "woofer"): "midwoofer",
    ("mid", "bass"): "midwoofer",
    ("bass", "mid"): "midwoofer",
    ("woofer", "mid"): "midwoofer",
    ("sub", "woofer"): "subwoofer",
    ("sub", "bass"): "subwoofer",
    ("full", "range"): "fullrange",
    ("mid", "range"): "mid",
    ("super", "tweeter"): "supertweeter",
}
_IMPEDANCE = {"z", "imp", "imped", "impedance", "impedances", "ohm", "ohms"}
_TOGETHER = {
    "together", "both", "sum", "summed", "all", "system", "combined", "total", "complete",
    "whole", "parallel",
}  # fmt: skip
_NEAR = {"near", "nf", "nearfield"}
_PORT = {"port", "vent", "duct"}
_IGNORE = {"ignore", "calibration", "cal", "noisefloor"}
_KIND_OF_WORD: dict[str, NamedKind] = {
    **dict.fromkeys(_IMPEDANCE, "impedance"),
    **dict.fromkeys(_TOGETHER, "together"),
    **dict.fromkeys(_NEAR, "near field"),
    **dict.fromkeys(_PORT, "port"),
    **dict.fromkeys(_IGNORE, "ignore"),
}
_HORIZONTAL = {"h", "hor", "horz", "horiz", "horizontal", "azimuth", "az"}
_VERTICAL = {"v", "ver", "vert", "vertical", "elevation", "el"}
_RIGHT, _LEFT = {"right", "r"}, {"left", "l"}
_UP, _DOWN = {"up", "above"}, {"down", "below"}
_DEGREES = {"deg", "degs", "degree", "degrees", "°"}
_MINUS, _PLUS = {"minus", "neg", "n", "m"}, {"plus", "pos", "p"}
_OF_ANGLES = _HORIZONTAL | _VERTICAL | _RIGHT | _LEFT | _UP | _DOWN | _DEGREES
_BEFORE_NUMBER = _OF_ANGLES | _MINUS | _PLUS
_NOISE = {
    "response", "responses", "resp", "spl", "fr", "freq", "frequency", "measurement",
    "measurements", "measured", "meas", "raw", "far", "field", "farfield", "ff", "gated",
    "windowed", "smoothed", "unsmoothed", "data", "export", "exported", "curve", "driver",
    "drivers", "speaker", "loudspeaker", "box", "cabinet", "in", "at", "with", "and", "the",
    "of", "mic", "pressure", "phase", "magnitude", "mag", "level", "db", "on", "off", "axis",
    "onaxis", "offaxis", "axial", "angle", "final", "new", "impulse", "ir", "only", "alone",
    "playing", "driven", "txt", "response0", "directivity", "orbit",
}  # fmt: skip
_SILENT = _HORIZONTAL | _DEGREES | _NOISE | _UP | _DOWN  # say nothing alone
_UNIT = re.compile(r"(?<![a-z0-9])\d+(?:[.,]\d+)?\s?(?:mm|cm|m|v|vrms|w|ms|khz|hz)(?![a-z0-9])")
_DATE = re.compile(r"(?<!\d)(?:19|20)\d\d[-_.]?\d\d[-_.]?\d\d(?!\d)|(?<!\d)\d\d[-.:]\d\d[-.:]\d\d")
_TOKEN = re.compile(r"(?P<number>\d+(?:\.\d+)?)|(?P<word>[^\W\d_]+|°)|(?P<sign>[-+\u2212])")


@dataclass(frozen=True, slots=True, kw_only=True)
class NameReading:
    """What was read out of one file name.

    Parameters
    ----------
    driver : str
        Name of the driver, "" when the name gives none.
    word : str
        The word in the name that means this driver.
    kind : str
        "impedance", "together", "near field", "port", "ignore", or "" for a plain response.
    direction : Direction or None
        None when the name gives no angle.
    side : {"", "left", "right"}
        Which of a pair of cabinets.
    number : float or None
        A number that may be an angle or a part of the driver's name: files side by side decide.
    signed_by_hyphen : bool
        Whether a hyphen straight after an axis letter was read as a minus.
    because : tuple of str
        How the parts were read.
    """

    driver: str = ""
    word: str = ""
    kind: NamedKind = ""
    direction: Direction | None = None
    side: Literal["", "left", "right"] = ""
    number: float | None = None
    signed_by_hyphen: bool = False
    because: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class _Found:
    angle: float | None = None
    sign: int = 0
    vertical: bool = False
    horizontal: bool = False
    side: Literal["", "left", "right"] = ""
    kind: NamedKind = ""
    words: list[str] = field(default_factory=list)
    loose: list[tuple[float, int]] = field(default_factory=list)
    by_hyphen: bool = False
    axis_word: bool = False


def read_name(name: str, *, hyphen_is_minus: bool = True) -> NameReading:
    """Read driver, kind, direction and side out of a file name.

    Parameters
    ----------
    name : str
        File name without its suffix; folders above it may be part of it ("woofer/hor 30").
    hyphen_is_minus : bool
        Whether a hyphen straight after an axis word ("v-15") is a minus sign.

    Returns
    -------
    NameReading

    Notes
    -----
    Words decide, in any order and case: a driver's word (`DRIVER_WORDS`, or any other word that
    means nothing else), a word for impedance, for all drivers together, for near field or port;
    a number next to an axis word (hor, v ...), a side (right, up ...) or "deg" is the angle.
    Unsigned horizontal angles are to the right, unsigned vertical ones up. A minus sign after a
    blank, an underscore or an axis word counts; a hyphen after another word separates.
    """
    text = re.sub(r"(?<=[a-z]{3})(?=[A-Z])", " ", name.replace("\\", "/")).lower()
    text = _UNIT.sub(" ", _DATE.sub(" ", text))
    axis = re.search(r"(?<![a-z])(on|off)[\s_-]*ax(is|ial)(?![a-z])", text)
    tokens = _tokens(text, hyphen_is_minus)
    found = _Found(by_hyphen=any(t[2] for t in tokens))
    _read_tokens(tokens, found)
    if axis and axis.group(1) == "on" and found.angle is None and not found.loose:
        found.angle = 0.0
    for index, word in enumerate(found.words):
        stem = word.rstrip("0123456789")
        if stem != word and stem in _CANONICAL:
            found.loose.append((float(word[len(stem) :]), 0))
            found.words[index] = stem
    driver, several = _driver_of(found.words)
    if several and not found.kind:
        found.kind = "together"
    because = []
    number = None
    if found.angle is None and len(found.loose) == 1:
        number = found.loose[0][0] * (found.loose[0][1] or 1)
    direction = None
    if found.angle is not None:
        direction = _direction_of(found)
        if not found.sign and found.angle and not found.side:
            because.append(
                "unsigned vertical angle: taken as up"
                if found.vertical
                else "unsigned angle: taken as horizontal, to the right"
            )
    return NameReading(
        driver=driver,
        word=next((w for w in found.words if _CANONICAL.get(w) == driver), driver),
        kind=found.kind,
        direction=direction,
        side="" if found.angle is not None else found.side,
        number=number,
        signed_by_hyphen=found.by_hyphen and found.angle is not None,
        because=tuple(because),
    )


def _tokens(text: str, hyphen_is_minus: bool) -> list[tuple[str, str, bool]]:
    """Split into (kind, text, sign read from a hyphen after an axis word)."""
    tokens: list[tuple[str, str, bool]] = []
    sign = ""
    by_hyphen = False
    end = 0
    for match in _TOKEN.finditer(text):
        kind = str(match.lastgroup)
        if kind == "sign":
            before = text[match.start() - 1] if match.start() else " "
            after = text[match.end() : match.end() + 1]
            last = tokens[-1][1] if tokens else ""
            after_axis = (
                before.isalpha() and end == match.start() and last in _HORIZONTAL | _VERTICAL
            )
            if after.isdigit() and (before in " _(/," or (after_axis and hyphen_is_minus)):
                sign = "-" if match.group() != "+" else "+"
                by_hyphen = after_axis and sign == "-"
            continue
        value = match.group()
        glued = bool(tokens) and end == match.start() and tokens[-1][0] == "word"
        if kind == "number" and glued and tokens[-1][1] not in _BEFORE_NUMBER:
            tokens[-1] = ("word", tokens[-1][1] + value, False)  # "woofer2" is one word
        elif kind == "number":
            tokens.append(("number", sign + value, by_hyphen))
        else:
            tokens.append(("word", value, False))
        sign, by_hyphen, end = "", False, match.end()
    return tokens


def _read_tokens(tokens: list[tuple[str, str, bool]], found: _Found) -> None:
    words = [text if kind == "word" else "" for kind, text, _ in tokens]
    taken: set[int] = set()
    for index, (kind, text, _) in enumerate(tokens):
        if kind == "number":
            taken |= _read_number(text, index, words, found)
    for index, word in enumerate(words):
        if word and index not in taken:
            _read_word(word, found)


def _read_number(text: str, index: int, words: list[str], found: _Found) -> set[int]:
    """Take a number as the angle if words beside it say so; the places of these words."""
    value = abs(float(text))
    sign = {"-": -1, "+": 1}.get(text[0], 0)
    near = {at: words[at] if 0 <= at < len(words) else "" for at in (index - 1, index + 1)}
    before2 = words[index - 2] if index > 1 else ""
    if near[index - 1] in _MINUS | _PLUS and before2 in _HORIZONTAL | _VERTICAL:
        sign = -1 if near[index - 1] in _MINUS else 1
        near[index - 2] = before2
    if near[index + 1] in _DEGREES and index + 2 < len(words):
        near[index + 2] = words[index + 2]
    meaning = set(near.values()) & _OF_ANGLES
    if not meaning or found.angle is not None or value > 180.0:
        found.loose.append((value, sign))
        return set()
    found.angle, found.sign = value, sign
    found.vertical |= bool(meaning & (_VERTICAL | _UP | _DOWN))
    if meaning & (_LEFT | _DOWN):
        found.sign = -1
    elif meaning & (_RIGHT | _UP):
        found.sign = 1
    signs = _MINUS | _PLUS if sign else set()
    return {at for at, word in near.items() if word in meaning | signs}


def _read_word(word: str, found: _Found) -> None:
    kind = _KIND_OF_WORD.get(word)
    if kind is not None:
        # What is no measurement, or a port, is so whatever else the name says.
        found.kind = kind if kind in ("ignore", "port") else found.kind or kind
    elif word in _RIGHT | _LEFT:
        found.side = "right" if word in _RIGHT else "left"
    elif word in _VERTICAL:
        found.vertical = True
    elif word not in _SILENT and word not in found.words:
        found.words.append(word)


def _driver_of(words: list[str]) -> tuple[str, bool]:
    """Name of the driver from the words left over; whether several drivers are named."""
    joined: list[str] = []
    for word in words:
        pair = (joined[-1], word) if joined else ("", word)
        if pair in _JOINED:
            joined[-1] = _JOINED[pair]
        else:
            joined.append(word)
    letters = [w for w in joined if len(w) > 1] or joined
    known = list(dict.fromkeys(_CANONICAL[w] for w in letters if w in _CANONICAL))
    if len(letters) == 1 and not known and len(letters[0]) > 1:
        # Two or more driver letters in one word: "wt", "wmt".
        initials = letters[0]
        if set(initials) <= set("wmt") and len(set(initials)) == len(initials):
            return "", True
    if len(known) > 1 or (len(letters) > 1 and set(letters) <= set("wmt")):
        return "", True
    if known:
        return known[0], False
    return "_".join(letters), False


def _direction_of(found: _Found) -> Direction:
    assert found.angle is not None
    angle = found.angle * (found.sign or 1) + 0.0
    if angle <= -180.0:
        angle += 360.0
    if found.vertical:
        return Direction(vertical_deg=angle)
    return Direction(horizontal_deg=angle)
