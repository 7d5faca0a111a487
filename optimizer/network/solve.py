"""One network of ladders as built, and the sections that ladders are made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.expression.forms import form_of, from_way
from optimizer.network.expression.immittance import branch_immittance
from optimizer.network.expression.plan import NetworkPlan, PartsBranch
from optimizer.network.expression.single import transfers_of
from optimizer.network.ladder import Form, Network, Place


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderSection:
    """One step of a ladder walk: a series impedance or a shunt admittance.

    Parameters
    ----------
    place : {"series", "shunt"}
        Which of V and I it changes.
    branch : PartsBranch
        Its parts, numbered from 0, and how they are joined.
    """

    place: Place
    branch: PartsBranch

    def immittance(self, impedances: Sequence[Complex]) -> Complex:
        """Series impedance or shunt admittance from the impedances of the parts.

        Parameters
        ----------
        impedances : sequence of ndarray, each broadcastable to (..., F)
            One per part.

        Returns
        -------
        ndarray, shape (..., F), complex
            ohm for a series section, siemens for a shunt section.
        """
        want: Literal["z", "y"] = "z" if self.place == "series" else "y"
        x = branch_immittance(self.branch, impedances.__getitem__, want)
        assert x is not None
        return x


@cache
def sections_of(form: Form, place: Place) -> tuple[tuple[LadderSection, tuple[int, ...]], ...]:
    """Sections that a slot contributes to a ladder, source first.

    Parameters
    ----------
    form, place
        As in `optimizer.network.ladder.Slot`.

    Returns
    -------
    tuple of (LadderSection, tuple of int)
        The section and the indices of the slot's parts it is made of.
    """
    return tuple(
        (
            LadderSection(
                place="series" if step.kind == "series" else "shunt",
                branch=branch.numbered({g: n for n, g in enumerate(branch.leaves)}),
            ),
            branch.leaves,
        )
        for step in NetworkPlan(form_of(form, place).node).root.steps
        for branch in step.branches
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SolvedNetwork:
    """Electrical answer of one network.

    Parameters
    ----------
    transfer : ndarray, shape (W, F), complex
        Voltage at each driver's terminals over the amplifier's, polarity included.
    admittance : ndarray, shape (W, F), complex
        Input admittance of each way in siemens.
    """

    transfer: Complex
    admittance: Complex

    @property
    def input_impedance(self) -> Complex:
        """Impedance of all ways in parallel, in ohm, shape (F,)."""
        return np.asarray(1.0 / np.sum(self.admittance, axis=0))


def solve_network(
    network: Network, frequency_hz: Real, load_ohm: Mapping[str, Complex]
) -> SolvedNetwork:
    """Solve one network as built.

    Parameters
    ----------
    network : Network
        Every way with its parts.
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    load_ohm : mapping of str to ndarray (F,)
        Complex impedance of each driver, by driver name.

    Returns
    -------
    SolvedNetwork
    """
    transfer, admittance = [], []
    for way in network.ways:
        solved = transfers_of(from_way(way), frequency_hz, load_ohm)
        transfer.append(solved.transfer[0])
        admittance.append(solved.admittance)
    return SolvedNetwork(transfer=np.array(transfer), admittance=np.array(admittance))
