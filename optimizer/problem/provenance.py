"""What a network was computed with: date, version and fingerprints, and what differs from that now."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import PurePath

import numpy as np

from optimizer.measure.driver import Driver
from optimizer.network.network import Network
from optimizer.problem.certificate import OTHER
from optimizer.problem.fingerprint import fingerprint
from optimizer.problem.problem import Problem
from optimizer.text.stamp import say_date, tell_date, tell_version

SAME_COST = 5e-4
"""Costs are shown with three decimals: a smaller difference cannot be seen."""

_MOST_FILES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """What a result was computed with.

    Parameters
    ----------
    date : str
        When, see `optimizer.text.stamp`; empty where nothing is known.
    version : str
        Of the program; empty where it is not known.
    cost : float or None
        What the network cost then.
    of : mapping of str to str
        Fingerprints of "data", "places", "stock" and "goals", and of the "network" where it is one.
    files : mapping of str to str
        Fingerprints of what each file of measurements says on the grid.
    """

    date: str = ""
    version: str = ""
    cost: float | None = None
    of: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def made_now(
        cls, problem: Problem, network: Network | None = None, cost: float | None = None
    ) -> Provenance:
        """Return what is to be kept with a result of this moment.

        Parameters
        ----------
        problem : Problem
            What it was computed for.
        network : Network, optional
            The network, where the result is one.
        cost : float, optional
            What it costs.
        """
        own = {} if network is None else {"network": fingerprint(network)}
        return cls(
            date=tell_date(),
            version=tell_version(),
            cost=cost,
            of={**own, **problem.fingerprints},
            files=print_files(problem),
        )

    def find_changes(
        self, problem: Problem, network: Network, cost: Callable[[], float]
    ) -> Change | None:
        """Find what differs from what it was computed with.

        Parameters
        ----------
        problem, network : Problem, Network
            As they are now.
        cost : callable
            What the network costs now; asked only where that can differ.

        Returns
        -------
        Change or None
            None where nothing differs, or nothing is known.
        """
        now = {"network": fingerprint(network), **problem.fingerprints}
        other = tuple(name for name, one in self.of.items() if now.get(name, one) != one)
        if not other and (self.of or self.cost is None):
            return None
        costs = cost()
        if not other and self.cost is not None and abs(costs - self.cost) < SAME_COST:
            return None
        files = print_files(problem) if "data" in other else {}
        changed = tuple(name for name, one in files.items() if self.files.get(name, one) != one)
        gone = tuple(name for name in self.files if files and name not in files)
        return Change(
            made=self, other=other, files=changed, new=tuple(files.keys() - self.files.keys()),
            gone=gone, cost=costs,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What differs between when a result was computed and now.

    Parameters
    ----------
    made : Provenance
        What it was computed with.
    other : tuple of str
        What differs: "data", "places", "stock", "goals", "network"; empty where only the cost tells.
    files : tuple of str
        Files of measurements that say something else now.
    new, gone : tuple of str
        Files that were not there, and that are no longer.
    cost : float
        What the network costs now.
    """

    made: Provenance
    other: tuple[str, ...]
    files: tuple[str, ...]
    new: tuple[str, ...]
    gone: tuple[str, ...]
    cost: float

    @property
    def warns(self) -> bool:
        """Whether more than the network itself differs: who edits one knows that."""
        return self.other != ("network",)

    def say(self, name: str) -> str:
        """Say it in a sentence about the network of a name."""
        made = self.made
        when = f" on {say_date(made.date)}" if made.date else ""
        version = f" by version {made.version}" if made.version else ""
        now = tell_version() if made.version else ""
        if made.version and now and now != made.version:
            version += f" (this is {now})"
        listed = [OTHER[one] + (self._say_files() if one == "data" else "") for one in self.other]
        what = " and ".join(filter(None, (", ".join(listed[:-1]), listed[-1]))) if listed else ""
        with_what = f" with {what}" if what else " with something else, which it does not tell"
        return f"{name} was computed{when}{version}{with_what}: {self._say_costs()}."

    def _say_files(self) -> str:
        said = [
            *self.files,
            *(f"{name}, which is new" for name in sorted(self.new)),
            *(f"{name}, which is gone" for name in self.gone),
        ]
        if not said:
            said = ["how they are read, or where drivers stand" if self.made.files else ""]
        more = len(said) - _MOST_FILES
        shown = "; ".join(said[:_MOST_FILES]) + (f" and {more} more" if more > 0 else "")
        return f" ({shown})" if shown else ""

    def _say_costs(self) -> str:
        if self.made.cost is None:
            return f"its cost is {self.cost:.3f} now"
        if abs(self.cost - self.made.cost) < SAME_COST:
            return f"its cost is {self.cost:.3f} now as then"
        return f"its cost was {self.made.cost:.3f} then and is {self.cost:.3f} now"


UNKNOWN = Provenance()
"""Of a network that somebody wrote by hand."""


def print_files(problem: Problem) -> dict[str, str]:
    """Return a fingerprint of what each file of measurements says on the grid, by its name.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    dict of str to str
        Of responses only their levels count: how much later a driver arrives may follow from the
        files of another. Files of one name in several folders keep the name of their driver.
    """
    found: dict[tuple[str, str], list[object]] = {}
    for driver in problem.drivers:
        for one in driver.members or (driver,):
            for source, values in _list_curves(one):
                found.setdefault((source, one.name), []).append(values)
    sources: dict[str, set[str]] = {}
    for path, _ in found:
        sources.setdefault(PurePath(path).name, set()).add(path)
    named: dict[str, list[object]] = {}
    for (path, owner), curves in found.items():
        name = PurePath(path).name
        label = name if len(sources[name]) == 1 else f"{owner} {name}"
        named.setdefault(label, []).extend(curves)
    return {name: fingerprint(curves) for name, curves in named.items()}


def _list_curves(driver: Driver) -> list[tuple[str, object]]:
    curves: list[object] = [np.abs(row) for row in driver.pressure]
    curves.append(driver.impedance)
    if len(driver.coverage) != len(curves):
        # Directions that were estimated have no file.
        curves = [*curves[: len(driver.coverage) - 1], driver.impedance]
    return [
        (one.source, curve)
        for one, curve in zip(driver.coverage, curves, strict=False)
        if one.source
    ]
