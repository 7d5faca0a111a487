"""Whether one thing of a network is in order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from optimizer.text.brief import clip

VerdictState = Literal["ok", "look", "bad"]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Verdict:
    """Whether one thing of a network is in order.

    Parameters
    ----------
    name : str
        What is judged ("crossover").
    where : str
        Of what ("woofer to tweeter"); empty for the whole speaker.
    state : {"ok", "look", "bad"}
        In order; worth a look; not to be built like this.
    figure : float or None
        What it is, in `unit`; None where it cannot be told.
    limit : tuple of (float or None, float or None)
        Smallest and largest that is in order; None for an end without a limit.
    unit : str
        SI unit of both.
    source : str
        Where the limit comes from.
    says : str
        One sentence with the figure.
    remedy : str
        What would change it; empty where it is in order.
    hard : bool
        Whether a network in which it is bad is none that was asked for: a limit is broken.
    """

    name: str
    where: str = ""
    state: VerdictState
    figure: float | None
    limit: tuple[float | None, float | None] = (None, None)
    unit: str = ""
    source: str = "common practice"
    says: str
    remedy: str = ""
    hard: bool = False

    @property
    def broken(self) -> bool:
        """Whether it is a limit that is broken."""
        return self.hard and self.state == "bad"

    def __repr__(self) -> str:
        return clip(f"<Verdict {self.state}: {self.name} {self.where}: {self.says}>")
