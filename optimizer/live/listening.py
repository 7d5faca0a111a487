"""Listening at the page without knowing: one piece of music by two networks, and answers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from optimizer.bench.diary.file import name_diary
from optimizer.bench.diary.keep import Deed, Named, add_deed
from optimizer.bench.hear.blind import MOST_TRIALS, Heard, draw
from optimizer.bench.hear.difference import Seat, find_difference
from optimizer.bench.hear.music import Music, decode_music, encode, match
from optimizer.bench.turning.sitting import Sitting
from optimizer.errors import InputError
from optimizer.problem.problem import Problem
from optimizer.report.document import Note
from optimizer.report.documents.hear import say_heard, say_matched, tell_filter
from optimizer.report.render.html import render_passages

_NUMBER = re.compile(r"[0-9]{1,6}(\.[0-9]{1,6})?")
_LONGEST_MUSIC_S = 120.0


class Listening:
    """One test: what A and B sound like, and what X is in each trial.

    Parameters
    ----------
    before, after : Named
        A, the network that the speaker is built by, and B.
    music : Music
        As it is.
    place : {"axis", "room"}
        Where one listens.
    trials : int
        How often X is to be told.

    Attributes
    ----------
    chosen : Difference
        What B plays more or less than A.
    matched : Matched
        The music by both, equally loud.
    answers : str
        Given so far.

    Raises
    ------
    InputError
        When the difference cannot be heard through a filter, see `Difference.filter`.
    """

    def __init__(
        self, before: Named, after: Named, music: Music, *, place: Seat, trials: int
    ) -> None:
        if not 1 <= trials <= MOST_TRIALS:
            raise InputError(f"there are 1 to {MOST_TRIALS} trials", value=trials)
        self.networks = (before, after)
        self.chosen = find_difference(before[1], after[1], place)
        self.matched = match(music, self.chosen.filter(music.rate_hz))
        self.answers = ""
        self._sounds = {"A": encode(self.matched.before), "B": encode(self.matched.after)}
        self._drawn = draw(trials)

    @property
    def trials(self) -> int:
        """How often X is to be told."""
        return len(self._drawn)

    @property
    def heard(self) -> Heard | None:
        """What came of it, once every trial is answered."""
        if len(self.answers) < self.trials:
            return None
        right = sum(said == drawn for said, drawn in zip(self.answers, self._drawn, strict=True))
        return Heard.of(right, self.trials)

    def sound(self, name: str) -> bytes | None:
        """Music by A or B, or by X of the trial that is due, as a WAV file; None for anything else."""
        if name == "X" and len(self.answers) < self.trials:
            name = self._drawn[len(self.answers)]
        return self._sounds.get(name)

    def answer(self, letter: str) -> None:
        """Say what X is.

        Raises
        ------
        InputError
            When it is neither A nor B, or every trial is answered.
        """
        if letter not in self._sounds:
            raise InputError("X is A or B", value=repr(letter))
        if len(self.answers) == self.trials:
            raise InputError("every trial is answered", remedy="begin anew")
        self.answers += letter


def prepare(sitting: Sitting, raw: bytes, order: Mapping[str, str]) -> Listening:
    """Prepare music for listening without knowing.

    Parameters
    ----------
    sitting : Sitting
        What lies on the bench.
    raw : bytes
        A WAV or FLAC file.
    order : mapping of str to str
        ``before`` and ``after``: "now", "before", or the number of a network that is offered;
        ``place``, ``from`` and ``seconds`` of the music, ``trials``, and ``name`` of the file.

    Returns
    -------
    Listening

    Raises
    ------
    InputError
        When the order makes no sense, the music cannot be read, or the difference not be heard.
    """
    before, after = (_find(sitting, order.get(key, "")) for key in ("before", "after"))
    begin, length, trials = (_number(order, key) for key in ("from", "seconds", "trials"))
    if not 0.0 < length <= _LONGEST_MUSIC_S:
        raise InputError(f"up to {_LONGEST_MUSIC_S:g} s of music are played", value=f"{length:g} s")
    music = decode_music(raw, order.get("name", "the music"), (begin, begin + length))
    place: Seat = "room" if order.get("place") == "room" else "axis"
    return Listening(before, after, music, place=place, trials=int(trials))


def tell_prepared(listening: Listening) -> dict[str, Any]:
    """Say what plays what, and how loud."""
    (before, _), (after, _) = listening.networks
    said = [
        *tell_filter(listening.chosen, (before, after)),
        Note(text=say_matched(listening.matched)),
    ]
    return {"refused": "", "trials": listening.trials, "html": render_passages(said)}


def tell_answered(listening: Listening, problem: Problem, design: Path) -> dict[str, Any]:
    """Say how many trials are answered; after the last, what came of them, noted in the diary."""
    heard = listening.heard
    said = "" if heard is None else say_heard(heard)
    noted = "" if heard is None else _note(listening, said, problem, design)
    return {"refused": "", "answers": len(listening.answers), "said": said, "noted": noted}


def _note(listening: Listening, said: str, problem: Problem, design: Path) -> str:
    """Note it in the diary of the design, where one is kept."""
    path = name_diary(design)
    if not path.is_file():
        return ""
    names = " against ".join(name for name, _ in listening.networks)
    says = f"{names} without knowing: {said}"
    deed = Deed(did="note", says=says, problem=problem, networks=listening.networks)
    try:
        return f"Diary: entry {add_deed(path, deed)} of {path}."
    except InputError as error:
        return f"Not noted in the diary: {error}."


def _find(sitting: Sitting, text: str) -> Named:
    """Find a network that is to be heard, and what to call it."""
    start = sitting.start
    if text == "now":
        now = sitting.plain()
        return (start.name if now is start.candidate else f"{start.name}, as turned"), now
    if text == "before":
        before = sitting.shown.before
        return (start.name if before is start.candidate else "the network before"), before
    if not (text.isascii() and text.isdigit() and int(text[:9]) < len(sitting.offered)):
        raise InputError("there is no such network to listen to", value=repr(text))
    chosen = sitting.offered[int(text)]
    return chosen.name, chosen.candidate


def _number(order: Mapping[str, str], key: str) -> float:
    text = order.get(key, "")
    if not _NUMBER.fullmatch(text):
        raise InputError(f'"{key}" must be a number from 0 up', value=repr(text))
    return float(text)
