"""Files that seem to bear each other's names: found by what they hold, never acted upon."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.readings import FileReading, Folder
from optimizer.measure.survey.hygiene import Finding
from optimizer.measure.survey.shape import Shape
from optimizer.measure.timing.timing import Timing, find_timing
from optimizer.text.units import say_hz

FAR_ABOVE = 4.0
"""Two octaves: by so much a lower driver may not play above a higher one."""
POOR_DB = 0.6
"""A sum that fits worse is looked at again; the check data fit within 0.16 to 0.4 dB."""
BETTER = 0.75
"""Share of that misfit which an exchange must leave to be worth a word."""


def inspect_exchanges(
    folder: Folder, shapes: Mapping[str, Shape], timing: Timing | None
) -> Iterator[Finding]:
    """Look for files that were given each other's names.

    Parameters
    ----------
    folder : Folder
        The files.
    shapes : mapping of str to Shape
        Of the responses, from the lowest driver up.
    timing : Timing or None
        Found for them.

    Yields
    ------
    Finding
        What a name says stays in force: a finding gives the words that change it.
    """
    for low, high in pairwise(shapes):
        middles = [float(np.sqrt(np.prod(shapes[name].usable_hz))) for name in (low, high)]
        if middles[0] > FAR_ABOVE * middles[1]:
            one, other = _response(folder, low), _response(folder, high)
            yield Finding(
                "warning",
                one.path,
                f"plays around {say_hz(middles[0])}, and {other.path} around {say_hz(middles[1])}, "
                f"though they are called {low} and {high}: the two seem exchanged",
                "say which is which",
                by_stating=_say_roles({one.path: high, other.path: low}),
            )
    if timing is not None and timing.residual_db is not None and timing.residual_db > POOR_DB:
        yield from _try_together(folder, list(shapes), timing.residual_db)


def _response(folder: Folder, name: str) -> FileReading:
    return next(iter(folder.drivers[name].responses.values()))


def _say_roles(roles: Mapping[str, str]) -> tuple[Subject, ...]:
    """Say of files, by path, what they are."""
    return tuple(Subject("file", f"{path}={role}", "role") for path, role in roles.items())


def _try_together(folder: Folder, names: list[str], misfit_db: float) -> Iterator[Finding]:
    """Exchange the sum of all drivers with each of them, and say where it then fits far better."""
    together = folder.together
    if together is None or together.curve is None:
        return
    curves = {name: _response(folder, name).curve for name in names}
    for name, curve in curves.items():
        if curve is None:
            continue
        others = {n: c for n, c in curves.items() if c is not None and n != name}
        fitted = _fit({**others, name: together.curve}, curve)
        if fitted is None or fitted.residual_db is None or fitted.residual_db > BETTER * misfit_db:
            continue
        if any(sign < 0 for sign in fitted.polarity.values()):
            continue  # a driver is also the sum less the others: that says nothing
        path = _response(folder, name).path
        yield Finding(
            "warning",
            together.path,
            f"fits far better with {path} and it exchanged: {fitted.residual_db:.2f} instead of "
            f"{misfit_db:.2f} dB",
            "say which is which",
            by_stating=_say_roles({path: "together", together.path: name}),
        )


def _fit(curves: Mapping[str, MeasuredCurve], together: MeasuredCurve) -> Timing | None:
    try:
        return find_timing(dict(curves), together)
    except InputError:
        return None
