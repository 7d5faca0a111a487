"""Plug-ins: what other distributions add to this package, by entry points in their metadata.

A distribution names what it adds in a group of entry points, in its own ``pyproject.toml``::

    [project.entry-points."laddersmith.goals"]
    bass_ripple = "my_package.goals:BassRipple"

    [project.entry-points."laddersmith.dialects"]
    old_meter = "my_package.files:read_old_meter"

Nothing else is needed where it is installed. One that cannot be loaded is told in a warning that
names its distribution, and everything else goes on without it.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any

GOAL_GROUP = "laddersmith.goals"
"""Group of goals: each is a class derived from `optimizer.goals.Goal`."""

DIALECT_GROUP = "laddersmith.dialects"
"""Group of ways to write a measured file: see `optimizer.measure.files.dialects`."""

_log = logging.getLogger(__name__)


class PluginWarning(UserWarning):
    """A plug-in that is installed cannot be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plugin:
    """Something that another distribution adds.

    Parameters
    ----------
    name : str
        Of its entry point.
    origin : str
        Name and version of its distribution.
    value : object
        What the entry point stands for.
    """

    name: str
    origin: str
    value: Any


@cache
def list_points(group: str) -> tuple[EntryPoint, ...]:
    """List the entry points of a group, by name; they are looked for once in a process."""
    return tuple(sorted(entry_points(group=group), key=lambda point: (point.name, point.value)))


def load_plugins(group: str, refuse: Callable[[Any], str]) -> Iterator[Plugin]:
    """Load the plug-ins of a group, one after the other.

    Parameters
    ----------
    group : str
        `GOAL_GROUP` or `DIALECT_GROUP`.
    refuse : callable
        Says why something is no plug-in of this group; empty where it is one.

    Yields
    ------
    Plugin
        Those that can be used. Of each other one a `PluginWarning` tells.
    """
    for point in list_points(group):
        origin = say_origin(point)
        try:
            value = point.load()
        except (Exception, SystemExit) as error:  # whatever it does is no reason to end here
            why = f"{type(error).__name__}: {error}".strip(": ")
        else:
            why = refuse(value)
        if why:
            warnings.warn(
                f"the plug-in {point.name} of {origin} is left out ({why}); update or remove {origin}",
                PluginWarning,
                stacklevel=2,
            )
        else:
            _log.info("plug-in %s of %s (%s)", point.name, origin, group)
            yield Plugin(name=point.name, origin=origin, value=value)


def say_origin(point: EntryPoint) -> str:
    """Say which distribution an entry point is of."""
    if point.dist is None:
        return f"{point.value} (no distribution)"
    return f"{point.dist.name} {point.dist.version}"
