"""Fingerprints of values: a few letters that change when anything in a value changes."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Mapping, Set
from functools import cache

import numpy as np

from optimizer.arrays import Complex, Real

Say = Callable[[bytes], object]

_LENGTH = 12
_UNTOLD = frozenset({"note", "notes", "coverage", "currency", "line"})
"""Fields that tell a reader something and change nothing that is computed."""
_STEPS = 1e6
_PLAIN = frozenset({float, int, bool, str, type(None)})


def fingerprint(value: object) -> str:
    """Return the fingerprint of a value.

    Parameters
    ----------
    value : object
        Dataclasses, mappings, sequences, sets, arrays, numbers and text, in each other as they
        like. Anything else is taken by its `repr`.

    Returns
    -------
    str
        The same in every process for equal values, and for values that went through a file:
        numbers count to nine digits, arrays to a millionth of their largest value. Computed on
        another machine their last bits may differ, and must not make another speaker of it.
    """
    digest = hashlib.sha256()
    _spell(value, lambda word: digest.update(word + b"\0"))
    return digest.hexdigest()[:_LENGTH]


def _plain(value: object) -> bytes:
    if isinstance(value, float | np.floating):
        # Files hold twelve digits or more: rounded to those first, both roundings agree.
        return f"{float(f'{float(value):.12g}'):.9g}".encode()
    return repr(value).encode()


@cache
def _told(kind: type) -> tuple[tuple[str, bytes], ...]:
    """Fields of a dataclass that count, with their names as words."""
    return tuple(
        (field.name, field.name.encode())
        for field in dataclasses.fields(kind)
        if field.compare and field.name not in _UNTOLD
    )


def _spell(value: object, say: Say) -> None:
    """Say the words of a value; a long shelf has a million of them, so there is no generator."""
    if type(value) in _PLAIN or isinstance(value, np.floating):
        say(_plain(value))
    elif isinstance(value, np.ndarray):
        _spell_array(value, say)
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        say(type(value).__name__.encode())
        for name, word in _told(type(value)):
            say(word)
            _spell(getattr(value, name), say)
    elif isinstance(value, Mapping):
        _spell([(str(key), value[key]) for key in sorted(value, key=str)], say)
    elif isinstance(value, list | tuple):
        say(f"{len(value)} items".encode())
        for item in value:
            _spell(item, say)
    elif isinstance(value, Set):
        for word in sorted(b"\1".join(_spelt(item)) for item in value):
            say(word)
    else:
        say(repr(value).encode())


def _spelt(value: object) -> list[bytes]:
    words: list[bytes] = []
    _spell(value, words.append)
    return words


def _spell_array(values: Real | Complex, say: Say) -> None:
    largest = float(np.max(np.abs(values), initial=0.0)) or 1.0
    say(f"{values.shape} {largest:.6g}".encode())
    for part in (values.real, values.imag):
        say(np.round(np.nan_to_num(part / largest) * _STEPS).astype(np.int64).tobytes())
