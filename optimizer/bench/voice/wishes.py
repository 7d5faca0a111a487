"""What a listener wishes: bands and amounts, words of the trade, load and level."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from optimizer.arrays import Flags, Real
from optimizer.design.presets import find_targets
from optimizer.errors import InputError, Subject
from optimizer.text.units import parse_quantity, parse_range
from optimizer.text.yamltext import Entry, parse_yaml, read_yaml, suggest

CURVES = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
"""Curves that a wish may be about; on_axis when it names none."""

LARGEST_DB = 12.0
"""A larger change is no matter of voicing: set a goal and fit anew."""

_LITTLE, _MUCH = 0.5, 2.0
_HALF_AN_OCTAVE = 2.0**0.5  # one frequency means the octave around it
_EXAMPLES = (
    'write for instance "2k..5k -1 dB", "at 3k -1 dB", "in_room above 4k -1 dB", "impedance 4 ohm", '
    '"sensitivity +1 dB"'
)
_AMOUNT = re.compile(
    r"(.*?)\s*((?:[+\-\u2212]\s*)?\d[\d.,]*\s*dB|\s[+\-\u2212]\s*\d[\d.,]*)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A wished change of level in a band, relative to everything else."""

    low_hz: float
    high_hz: float
    change_db: float

    def holds(self, frequency_hz: Real) -> Flags:
        """Which points of a grid lie in the band."""
        return (frequency_hz >= self.low_hz * (1.0 - 1e-9)) & (
            frequency_hz <= self.high_hz * (1.0 + 1e-9)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """One wish.

    Parameters
    ----------
    text : str
        As the user said it.
    curve : str
        Which curve its bands are about.
    bands : tuple of Band
        Empty for wishes on load or level.
    floor_ohm : float or None
        Lowest impedance wanted.
    floor_band_hz : tuple of float
        Band in which it is wanted.
    level_change_db : float or None
        Wanted change of the level of everything.
    level_db : float or None
        Wanted sensitivity itself.
    """

    text: str
    curve: str = "on_axis"
    bands: tuple[Band, ...] = ()
    floor_ohm: float | None = None
    floor_band_hz: tuple[float, float] = (20.0, 20000.0)
    level_change_db: float | None = None
    level_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneWord:
    """A word with its stated meaning."""

    word: str
    meaning: str
    curve: str
    bands: tuple[Band, ...]


def read_words(path: Path | None = None) -> dict[str, ToneWord]:
    """Read the words for changes of tone.

    Parameters
    ----------
    path : Path, optional
        The user's own file instead of the one that comes along.

    Returns
    -------
    dict of str to ToneWord

    Raises
    ------
    InputError
        With file and line when the file is wrong.
    """
    noun = "file of words"
    if path is not None:
        entry = read_yaml(path, noun=noun)
    else:
        source = find_words()
        entry = parse_yaml(source.read_text(encoding="utf-8"), file=str(source), noun=noun)
    return {word: _read_word(word, inner) for word, inner in entry.fields().items()}


def find_words() -> Traversable:
    """Return the file of words that comes along."""
    return find_targets() / "words" / "tone.yaml"


def _read_word(word: str, entry: Entry) -> ToneWord:
    fields = entry.fields(("meaning", *CURVES), needed=("meaning",))
    curves = [name for name in CURVES if name in fields]
    if len(curves) != 1:
        raise entry.error(
            "a word changes one curve",
            value=", ".join(curves) or "none",
            remedy=f"write one of {', '.join(CURVES)}",
        )
    bands = []
    for text, amount in fields[curves[0]].fields().items():
        try:
            low, high = _read_range(text)
        except InputError as error:
            raise amount.where.locate(error) from None
        change = amount.quantity("dB")
        if not 0.0 < abs(change) <= LARGEST_DB:
            raise amount.error(
                f"a word changes something, by {LARGEST_DB:g} dB at most", value=amount.text()
            )
        bands.append(Band(low_hz=low, high_hz=high, change_db=change))
    if not bands:
        raise fields[curves[0]].error(
            "a word needs at least one band", remedy='write for instance "{2k..5k: -1 dB}"'
        )
    return ToneWord(
        word=word, meaning=fields["meaning"].text(), curve=curves[0], bands=tuple(bands)
    )


def parse_wish(text: str, words: Mapping[str, ToneWord]) -> Wish:
    """Understand one wish.

    Parameters
    ----------
    text : str
        "2k..5k -1dB", "3k -1 dB" (the octave around it), "in_room above 4k -1 dB", "less bright",
        "a little warmer", "less bright 2 dB", "impedance 4 ohm", "impedance 100..500 6 ohm",
        "sensitivity +1 dB".
    words : mapping of str to ToneWord
        See `read_words`.

    Returns
    -------
    Wish

    Raises
    ------
    InputError
        When it cannot be understood, with examples.
    """
    plain = " ".join(text.split())
    head, _, rest = plain.partition(" ")
    try:
        if head.lower() == "impedance":
            return _read_floor(plain, rest)
        if head.lower() == "sensitivity":
            return _read_level(plain, rest)
        wish = _read_word_wish(plain, words) or _read_band(plain)
    except InputError as error:
        raise InputError(
            error.rule, subject=Subject("wish"), value=repr(text), remedy=error.remedy or _EXAMPLES
        ) from None
    if wish is None:
        word = "" if plain[:1].isdigit() else f", or a word: {suggest(plain, words)}"
        raise InputError(
            "a wish is a band with an amount, or a word",
            subject=Subject("wish"),
            value=repr(text),
            remedy=f"{_EXAMPLES}{word}",
        )
    if any(band.change_db == 0.0 for band in wish.bands):
        raise InputError(
            "a wish changes something",
            subject=Subject("wish"),
            value=repr(text),
            remedy="write an amount other than 0 dB",
        )
    if any(abs(band.change_db) > LARGEST_DB for band in wish.bands):
        raise InputError(
            f"a wish changes at most {LARGEST_DB:g} dB",
            subject=Subject("wish"),
            value=repr(text),
            remedy="set a goal in the design and fit anew",
        )
    return wish


def _read_floor(plain: str, rest: str) -> Wish:
    rest = rest.removeprefix("at least ").strip()
    band, _, value = rest.rpartition(" ")
    if value.lower() in ("ohm", "ohms"):
        band, _, number = band.rpartition(" ")
        value = f"{number} ohm"
    extra: dict[str, Any] = {}
    if band:
        extra["floor_band_hz"] = _read_range(band)
    ohm = parse_quantity(value, "ohm")
    if not 0.1 <= ohm <= 100.0:
        raise InputError("a wished impedance lies between 0.1 and 100 ohm")
    return Wish(text=plain, floor_ohm=ohm, **extra)


def _read_level(plain: str, rest: str) -> Wish:
    value = parse_quantity(rest, "dB")
    if rest.lstrip()[:1] in "+-\u2212":
        if not 0.0 < abs(value) <= LARGEST_DB:
            raise InputError(f"a wished change of level is from above 0 to {LARGEST_DB:g} dB")
        return Wish(text=plain, level_change_db=value)
    return Wish(text=plain, level_db=value)


def _read_range(text: str) -> tuple[float, float]:
    head, _, rest = text.partition(" ")
    if head == "above":
        low, high = parse_quantity(rest, "Hz"), 20000.0
    elif head == "below":
        low, high = 20.0, parse_quantity(rest, "Hz")
    elif head == "at" or ".." not in text:
        at = parse_quantity(rest if head == "at" else text, "Hz")
        low, high = at / _HALF_AN_OCTAVE, at * _HALF_AN_OCTAVE
    else:
        low, high = parse_range(text, "Hz")
    if not 0.0 < low < high:
        raise InputError(
            "a band of frequencies rises from above 0 Hz",
            remedy='write for instance "below 200", "200..1k" or "above 4k"',
        )
    return low, high


def _split_amount(plain: str) -> tuple[str, float | None]:
    match = _AMOUNT.fullmatch(plain)
    if match is None:
        return plain, None
    return match[1], parse_quantity(match[2].replace(" ", "").replace("dB", " dB"), "dB")


def _read_word_wish(plain: str, words: Mapping[str, ToneWord]) -> Wish | None:
    said, amount = _split_amount(plain)
    said, factor = said.lower(), 1.0
    for prefix, scale in (("a little ", _LITTLE), ("much ", _MUCH)):
        if said.startswith(prefix):
            said, factor = said.removeprefix(prefix), scale
    word = next((w for name, w in words.items() if name.lower() == said), None)
    if word is None:
        return None
    if amount is not None:
        factor = abs(amount) / max(abs(band.change_db) for band in word.bands)
    return Wish(
        text=plain,
        curve=word.curve,
        bands=tuple(
            Band(low_hz=b.low_hz, high_hz=b.high_hz, change_db=b.change_db * factor)
            for b in word.bands
        ),
    )


def _read_band(plain: str) -> Wish | None:
    said, amount = _split_amount(plain)
    if amount is None:
        return None
    curve = "on_axis"
    for name in CURVES:
        for spelling in (name, name.replace("_", " "), name.replace("_", "-")):
            if said.lower().startswith(spelling + " "):
                curve, said = name, said[len(spelling) :].strip()
    if not said[:1].isdigit() and not said.startswith(("above ", "below ", "at ")):
        return None
    low, high = _read_range(said)
    return Wish(text=plain, curve=curve, bands=(Band(low_hz=low, high_hz=high, change_db=amount),))
