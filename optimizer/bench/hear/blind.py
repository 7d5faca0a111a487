"""Listening without knowing: which of two is X, and how likely that many right answers are by luck."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.errors import InputError
from optimizer.text.brief import brief
from optimizer.text.reading import read_file

TRIALS = 10
MOST_TRIALS = 50
KEY_NAME = "trials.json"
"""What the answers are held against; sealed, so that nobody reads them by accident."""

SURE = 0.05
"""Probability of as many right answers by luck below which a difference counts as heard."""

_LETTERS = "AB"
_REMEDY = "write the trials anew"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What came of a test.

    Parameters
    ----------
    right, trials : int
        Right answers, and all.
    luck : float
        Probability of at least as many by guessing: the upper tail of the binomial distribution.
    """

    right: int
    trials: int
    luck: float

    __repr__ = brief

    @classmethod
    def of(cls, right: int, trials: int) -> Heard:
        """Say how likely that many right answers are by guessing."""
        from scipy.stats import binomtest

        luck = float(binomtest(right, trials, 0.5, alternative="greater").pvalue)
        return cls(right=right, trials=trials, luck=luck)

    @property
    def told_apart(self) -> bool:
        """Whether that is too many for luck."""
        return self.luck < SURE


def draw(trials: int) -> str:
    """Draw what X is in each trial, "ABBA...", so that nobody can know."""
    return "".join(secrets.choice(_LETTERS) for _ in range(trials))


def seal(drawn: str, networks: Sequence[str]) -> dict[str, Any]:
    """Write down what was drawn so that it can be checked but not read.

    Parameters
    ----------
    drawn : str
        Of `draw`.
    networks : sequence of str
        Names of A and B.
    """
    salt = secrets.token_hex(16)
    return {
        "schema": 1,
        "networks": list(networks),
        "salt": salt,
        "sealed": [_digest(salt, k, letter) for k, letter in enumerate(drawn)],
    }


def grade(path: Path, answers: str) -> Heard:
    """Hold answers against what was drawn.

    Parameters
    ----------
    path : Path
        The key that `seal` made, as a JSON file.
    answers : str
        A letter for each trial; blanks and commas do not count.

    Returns
    -------
    Heard

    Raises
    ------
    InputError
        When the file is no such key, or the answers do not fit it.
    """
    try:
        key = json.loads(read_file(path, "record of the trials"))
        salt, sealed = str(key["salt"]), [str(one) for one in key["sealed"]]
    except (ValueError, KeyError, TypeError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError("this is no record of trials", file=path, remedy=_REMEDY) from None
    said = [c for c in answers.upper() if c not in " ,;"]
    if len(said) != len(sealed) or not set(said) <= set(_LETTERS) or not sealed:
        raise InputError(
            f"answers are {len(sealed)} letters, A or B for each trial",
            file=path,
            value=repr(answers),
            remedy='write them one after the other, as "ABBA"',
        )
    right = sum(_digest(salt, k, one) == sealed[k] for k, one in enumerate(said))
    return Heard.of(right, len(sealed))


def _digest(salt: str, number: int, letter: str) -> str:
    return hashlib.sha256(f"{salt} {number} {letter}".encode()).hexdigest()
