"""What a file name says of a measurement: driver, direction, kind, side of the pair."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from optimizer.measure.curve import Direction
from optimizer.measure.files.text import fold_text

NamedKind = Literal["", "impedance", "together", "near field", "port", "ignore"]

DRIVER_WORDS: dict[str, tuple[str, ...]] = {
    "subwoofer": ("subwoofer", "sub", "subbass"),
    "woofer": (
        "woofer",
        "woofers",
        "woof",
        "wf",
        "bass",
        "lf",
        "w",
        "tieftoner",
        "tieftoener",
        "tt",
        "grave",
        "graves",
        "basso",
        "bassi",
        "basowy",
        "baselement",
        "baskaiutin",
        "bas",
        "boomer",
    ),
    "midwoofer": (
        "midwoofer",
        "midbass",
        "bassmid",
        "mw",
        "tiefmitteltoner",
        "tiefmitteltoener",
        "tmt",
        "mediobasso",
    ),
    "mid": (
        "mid",
        "midrange",
        "mids",
        "middle",
        "mr",
        "mf",
        "m",
        "mitteltoner",
        "mitteltoener",
        "mittel",
        "medium",
        "medio",
        "medios",
        "medi",
        "mellan",
        "mellanregister",
        "mellantone",
        "keskiaani",
        "srednio",
        "sredniotonowy",
        "middentoner",
    ),
    "fullrange": ("fullrange", "wideband", "broadband", "breitbander", "breitbaender"),
    "tweeter": (
        "tweeter",
        "tweeters",
        "tweet",
        "tw",
        "treble",
        "hf",
        "t",
        "hochtoner",
        "hochtoener",
        "ht",
        "aigu",
        "aigus",
        "agudo",
        "agudos",
        "acuti",
        "diskant",
        "diskanten",
        "wysokotonowy",
        "hogetonen",
    ),
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
DRIVER_RANK = {name: rank for rank, name in enumerate(DRIVER_WORDS)}
"""Where in the range a driver of this name plays, from the lowest up."""
_IMPEDANCE = {
    "z", "imp", "imped", "impedance", "impedances", "ohm", "ohms", "impedanz", "impedans",
    "impedancia", "impedenza", "impedancja", "impedantie", "impedanssi", "ze", "zin",
}  # fmt: skip
_TOGETHER = {
    "together", "both", "sum", "summed", "all", "system", "combined", "total", "complete",
    "whole", "parallel", "zusammen", "beide", "summe", "gesamt", "ensemble", "somme", "juntos",
    "suma", "insieme", "somma", "samen", "alle", "tous", "todos", "tutti", "razem", "tillsammans",
}  # fmt: skip
_NEAR = {"near", "nf", "nearfield", "nahfeld", "champproche", "cercano", "vicino", "narfalt"}
_PORT = {"port", "vent", "duct", "bassreflex", "reflex", "event", "puerto", "reflexrohr"}
_IGNORE = {
    "ignore", "calibration", "cal", "calib", "noisefloor", "noise", "background", "silence",
    "ambient", "rauschen", "grundrauschen", "bruit", "ruido", "rumore", "kalibrierung", "kalibrering",
    "etalonnage", "loopback", "target", "simulated", "simulation", "sim", "predicted", "distortion",
    "thd", "waterfall", "csd", "rt60", "klirr",
}  # fmt: skip
_KIND_OF_WORD: dict[str, NamedKind] = {
    **dict.fromkeys(_IMPEDANCE, "impedance"),
    **dict.fromkeys(_TOGETHER, "together"),
    **dict.fromkeys(_NEAR, "near field"),
    **dict.fromkeys(_PORT, "port"),
    **dict.fromkeys(_IGNORE, "ignore"),
}
_HORIZONTAL = {"h", "hor", "horz", "horiz", "horizontal", "azimuth", "az", "horizontale"}
_VERTICAL = {
    "v",
    "ver",
    "vert",
    "vertical",
    "elevation",
    "el",
    "vertikal",
    "verticale",
    "vertikalt",
}
_RIGHT = {"right", "r", "rechts", "droite", "derecha", "destra", "hoger", "prawy"}
_LEFT = {"left", "l", "links", "gauche", "izquierda", "sinistra", "vanster", "lewy"}
_UP, _DOWN = {"up", "above", "oben", "haut", "arriba"}, {"down", "below", "unten", "abajo"}
_DEGREES = {"deg", "degs", "degree", "degrees", "°", "grad", "grados", "gradi", "graus", "degres"}
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
    "playing", "driven", "txt", "response0", "directivity", "orbit", "frequenzgang", "messung",
    "pegel", "schalldruck", "achse", "auf", "winkel", "reponse", "mesure", "axe", "respuesta",
    "medida", "eje", "risposta", "misura", "asse", "copy", "kopie", "copie", "copia", "old", "bak",
    "backup", "redo", "repeat", "again", "newer", "remeasured", "mounted", "boxed", "infinite",
    "baffle", "closed", "sealed", "floor", "for", "from", "my", "der", "die", "des", "de", "du", "la",
}  # fmt: skip
_SILENT = _HORIZONTAL | _DEGREES | _NOISE | _UP | _DOWN  # say nothing alone
_VERSION = re.compile(
    r"(?<![a-z])(?:v(?=[\s_.-]?[1-46-9](?!\d))|ver|version|rev|revision|take|try|run|mk|attempt)"
    r"[\s_.-]?(\d{1,2})(?![\d.,]?\d|\s*(?:deg|°|grad))"
)
_COPY = re.compile(r"\((\d)\)(?=\s*$)|(?<![a-z])(?:copy|kopie|copie|copia)(?:[\s_]*(\d))?(?![a-z])")
_FREE_AIR = re.compile(
    r"(?<![a-z])(?:free[\s_-]?air|freiluft|unmounted|no[\s_-]?box|open[\s_-]?air)"
)
_OLD = re.compile(r"(?<![a-z])(?:old|bak|backup|wrong|bad)(?![a-z])")
_NEW = re.compile(r"(?<![a-z])(?:new|newer|final|redo|repeat|again|remeasured)(?![a-z])")
_LETTERS = re.compile(r"(?<![a-z])(w|m|t|lf|mf|hf)(z|imp|nf)(?![a-z])")  # "Wz", "tnf"
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
    version : tuple of float
        Of rival files the one with the highest counts: current before old, mounted before free
        air, new before unsaid, then the number of the version or copy.
    free_air : bool
        Whether the driver hung in free air.
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
    version: tuple[float, ...] = (1.0, 1.0, 0.0, 0.0)
    free_air: bool = False
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
    text = fold_text(re.sub(r"(?<=[a-z]{3})(?=[A-Z])", " ", name.replace("\\", "/")))
    text = _UNIT.sub(" ", _DATE.sub(" ", text))
    text = _LETTERS.sub(r"\1 \2", text)
    text, version, free_air = _cut_version(text)
    axis = re.search(r"(?<![a-z])(on|off)[\s_-]*ax(is|ial)(?![a-z])", text)
    tokens = _tokens(text, hyphen_is_minus)
    found = _Found(by_hyphen=any(t[2] for t in tokens))
    _read_tokens(tokens, found)
    if axis and axis.group(1) == "on" and found.angle is None and not found.loose:
        found.angle = 0.0
    for index, word in enumerate(found.words):
        stem = word.rstrip("0123456789")
        if stem != word and stem in _KIND_OF_WORD and not found.kind:
            found.kind = _KIND_OF_WORD[stem]
            found.loose.append((float(word[len(stem) :]), 0))
            found.words[index] = ""
        elif stem != word and stem in _CANONICAL:
            found.loose.append((float(word[len(stem) :]), 0))
            found.words[index] = stem
    driver, several = _driver_of([word for word in found.words if word])
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
        version=version,
        free_air=free_air,
        signed_by_hyphen=found.by_hyphen and found.angle is not None,
        because=tuple(because),
    )


def _cut_version(text: str) -> tuple[str, tuple[float, ...], bool]:
    """Take out of a name what only tells rival files apart; how much each counts."""
    number = 0.0
    for pattern in (_VERSION, _COPY):
        for match in pattern.finditer(text):
            digits = next((group for group in match.groups() if group), "1")
            number = max(number, float(digits))
        text = pattern.sub(" ", text)
    free = _FREE_AIR.search(text) is not None
    text = _FREE_AIR.sub(" ", text)
    old, new = _OLD.search(text) is not None, _NEW.search(text) is not None
    return text, (0.0 if old else 1.0, 0.0 if free else 1.0, float(new), number), free


def rank_of(driver: str) -> int | None:
    """Tell where a driver of this name plays, lowest first; None where its name does not say."""
    stem = driver.rstrip("0123456789")
    return DRIVER_RANK.get(_CANONICAL.get(stem, stem))


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
