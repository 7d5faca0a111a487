"""How good a network is known to be: what was sought, for what, and whether that still holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from optimizer.network.network import Network
from optimizer.problem.fingerprint import fingerprint
from optimizer.problem.problem import Problem

State = Literal["proved", "cut short", "never sought"]
STATES: tuple[State, ...] = ("proved", "cut short", "never sought")

Measure = Literal["cost", "expected cost"]
MEASURES: tuple[Measure, ...] = ("cost", "expected cost")

OTHER = {
    "network": "other parts",
    "data": "other measured data",
    "places": "other places for parts",
    "stock": "another stock",
    "goals": "other goals",
}
"""What is said when a fingerprint differs from the one it was sought for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What is known of better networks near one.

    Parameters
    ----------
    state : {"proved", "cut short", "never sought"}
        Whether every change of up to `changes` parts was computed or ruled out and none lowers
        the cost; or that was sought and not reached; or nobody looked.
    changes : int
        Parts changed at a time that cannot better it; 0 unless proved.
    measure : {"cost", "expected cost"}
        What no change lowers.
    why : str
        Why it is no proof, as the end of a sentence; empty for the usual reasons: time was up, the
        network was given.
    of : mapping of str to str
        Fingerprints of what it was sought for: "network", "data", "places", "stock", "goals".
    """

    state: State = "never sought"
    changes: int = 0
    measure: Measure = "cost"
    why: str = ""
    of: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of_search(cls, changes: int, *, measure: Measure = "cost", why: str = "") -> Certificate:
        """Return what a search leaves.

        Parameters
        ----------
        changes : int
            Parts whose changes at a time were all ruled out; 0 when time was up before.
        measure : {"cost", "expected cost"}
            What it looked at.
        why : str
            Why there is no proof, where time is not the reason.
        """
        if changes > 0:
            return cls(state="proved", changes=changes, measure=measure)
        return cls(state="cut short", measure=measure, why=why)

    def made_for(self, problem: Problem, network: Network) -> Certificate:
        """Return it with the fingerprints of what it was sought for, unless it has them."""
        if self.state == "never sought" or self.of:
            return self
        return replace(self, of=_fingerprints(problem, network))

    def settle(self, problem: Problem, network: Network) -> Certificate:
        """Return what is left of it for a problem and a network, which may have changed since.

        Parameters
        ----------
        problem : Problem
            As it is now.
        network : Network
            As it is now.

        Returns
        -------
        Certificate
            Itself, or "never sought" with the reason.
        """
        if self.state == "never sought":
            return self
        now = _fingerprints(problem, network)
        if not set(now) <= set(self.of) or (self.state == "proved") != (self.changes > 0):
            return Certificate(why="what comes with it does not say what it was sought for")
        other = [OTHER[name] for name, one in now.items() if self.of[name] != one]
        if not other:
            return self
        what = "proof" if self.state == "proved" else "search"
        listed = " and ".join(filter(None, (", ".join(other[:-1]), other[-1])))
        return Certificate(why=f"the {what} that comes with it is for {listed}")


NEVER_SOUGHT = Certificate()
"""What is known of a network that was given."""


def _fingerprints(problem: Problem, network: Network) -> dict[str, str]:
    return {"network": fingerprint(network), **problem.fingerprints}
