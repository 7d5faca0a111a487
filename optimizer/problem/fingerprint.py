"""Fingerprints of values: a few letters that change when anything in a value changes."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Iterator, Mapping, Set

import numpy as np

from optimizer.arrays import Complex, Real

_LENGTH = 12
_UNTOLD = frozenset({"note", "notes", "coverage", "currency"})
"""Fields that tell a reader something and change nothing that is computed."""
_STEPS = 1e6


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
    for word in _words(value):
        digest.update(word + b"\0")
    return digest.hexdigest()[:_LENGTH]


def _words(value: object) -> Iterator[bytes]:
    if isinstance(value, np.ndarray):
        yield from _array_words(value)
    elif isinstance(value, float | np.floating):
        # Files hold twelve digits or more: rounded to those first, both roundings agree.
        yield f"{float(f'{float(value):.12g}'):.9g}".encode()
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        yield type(value).__name__.encode()
        for field in dataclasses.fields(value):
            if field.compare and field.name not in _UNTOLD:
                yield field.name.encode()
                yield from _words(getattr(value, field.name))
    elif isinstance(value, Mapping):
        yield from _words([(str(key), value[key]) for key in sorted(value, key=str)])
    elif isinstance(value, list | tuple):
        yield f"{len(value)} items".encode()
        for item in value:
            yield from _words(item)
    elif isinstance(value, Set):
        yield from sorted(b"\1".join(_words(item)) for item in value)
    else:
        yield repr(value).encode()


def _array_words(values: Real | Complex) -> Iterator[bytes]:
    largest = float(np.max(np.abs(values), initial=0.0)) or 1.0
    yield f"{values.shape} {largest:.6g}".encode()
    for part in (values.real, values.imag):
        yield np.round(np.nan_to_num(part / largest) * _STEPS).astype(np.int64).tobytes()
