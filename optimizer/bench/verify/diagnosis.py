"""From a measured speaker to what is wrong with it, or to its true part values.

Each fault predicts the measurement, see `optimizer.bench.verify.fault_model` for what floats around the
prediction. Probabilities follow from the scores of the faults and from how often each kind of
mistake is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.fault_model import (
    FIRST_RIPPLE_DB,
    SLOPE_SPREAD_DB,
    FaultFit,
    FaultModel,
)
from optimizer.bench.verify.faults import HEALTHY, TOLD_AS_ONE, Fault, list_faults
from optimizer.bench.verify.prediction import FaultBank, Observation
from optimizer.network.network import Network
from optimizer.parts import UNIT_OF_KIND
from optimizer.problem.problem import Problem
from optimizer.text.brief import brief

HEALTHY_PRIOR = 0.8
"""Probability before measuring that nothing is wrong."""

SAME_DB = 0.02
"""Faults whose predictions differ nowhere by more cannot be told apart by any measurement."""

EXPLAINED_DB = 1.0
"""A fault explains a measurement when it leaves less than this, rms."""

_FINALISTS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A possible mistake.

    Parameters
    ----------
    fault : Fault
        The mistake, the likeliest of its family.
    likelihood : float
        Probability after measuring; all add up to 1, the healthy case included.
    residual_db : float
        What it leaves unexplained, rms, once part values have been fitted within tolerance.
    same_as : tuple of Fault
        Mistakes that predict the same curves: together they share the probability.
    """

    fault: Fault
    likelihood: float
    residual_db: float
    same_as: tuple[Fault, ...] = ()

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEstimate:
    """The true value of a part as far as the measurement tells.

    Parameters
    ----------
    label : str
        Its name.
    unit : str
        H, F or ohm.
    value : float
        As designed.
    estimate : float
        As measured.
    spread : float
        Relative standard deviation of the estimate.
    prior_spread : float
        The same before measuring; when both are alike, the measurement says nothing.
    """

    label: str
    unit: str
    value: float
    estimate: float
    spread: float
    prior_spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What a measurement says of a finished speaker.

    Parameters
    ----------
    residual_db : float
        Measured against predicted, level aligned, rms over all responses (over the impedance when
        there is none).
    deviation : tuple of (Observation, ndarray)
        Measured less predicted of each observation; responses level aligned.
    suspects : tuple of Suspect
        Likeliest first, the healthy case among them.
    healthy : bool
        Whether the healthy case is likelier than all faults together, and explains what is
        measured.
    explained : bool
        Whether the first of `suspects` leaves little enough.
    parts : tuple of PartEstimate
        True values for the first of `suspects`.
    noise_db : float
        Noise that the measurement turned out to have.
    """

    residual_db: float
    deviation: tuple[tuple[Observation, Real], ...]
    suspects: tuple[Suspect, ...]
    healthy: bool
    explained: bool
    parts: tuple[PartEstimate, ...]
    noise_db: float

    __repr__ = brief


def diagnose(
    problem: Problem,
    network: Network,
    observations: Sequence[Observation],
    *,
    slope_spread_db: float = SLOPE_SPREAD_DB,
    pair: bool = False,
) -> Diagnosis:
    """Compare measurements with a network and every single fault of it.

    Parameters
    ----------
    problem : Problem
        Drivers and grid.
    network : Network
        As designed.
    observations : sequence of Observation
        At least one.
    slope_spread_db : float
        Expected slope error of responses, dB per octave.
    pair : bool
        Whether the observations are one speaker against another: the parts of both float.

    Returns
    -------
    Diagnosis
    """
    controls = {
        (one.ladder, name): one.control
        for one in problem.topology.taken(network)
        if one.control
        for name in one.slots
    }
    faults = (HEALTHY, *list_faults(network, controls, problem.drivers))
    bank = FaultBank(
        problem, network, faults, observations, tolerance_sigmas=np.sqrt(2.0) if pair else 2.0
    )
    model = FaultModel(bank, slope_spread_db)
    first = [model.fit(bank, ripple_db=ripple) for ripple in (0.0, FIRST_RIPPLE_DB)]
    score = np.maximum(first[0].score, first[1].score)
    order = np.argsort(-score, kind="stable")[:_FINALISTS]
    chosen = [0, *(int(i) for i in order if i != 0)]
    last, swell = model.settle(bank.chosen(chosen))
    # What did not come into the last round cannot pass what did.
    score = np.minimum(score - score[chosen].max() + last.score.max(), last.score.min())
    score[chosen] = last.score
    prior = np.array([f.weight for f in faults])
    prior[1:] *= (1.0 - HEALTHY_PRIOR) / prior[1:].sum()
    prior[0] = HEALTHY_PRIOR
    weight = np.log(prior) + score
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    residual = dict(zip(chosen, last.rms, strict=True))
    suspects = _rank(faults, weight, residual, first[0].value, observations)
    deviation = tuple(model.deviations(first[0].value[0]))
    levels = [d for o, d in deviation if o.kind == "level"] or [
        d for o, d in deviation if o.kind == "modulus"
    ]
    top = chosen.index(faults.index(suspects[0].fault))
    explained = suspects[0].residual_db <= EXPLAINED_DB
    return Diagnosis(
        residual_db=float(np.sqrt(np.mean(np.concatenate(levels) ** 2))),
        deviation=deviation,
        suspects=suspects,
        healthy=bool(weight[0] >= 0.5) and explained,
        explained=explained,
        parts=_estimate(bank.chosen(chosen), last, top),
        noise_db=float(np.median([o.noise for o in observations if o.kind != "angle"]) * swell),
    )


def _rank(
    faults: Sequence[Fault],
    weight: Real,
    residual: dict[int, float],
    value: Real,
    observations: Sequence[Observation],
) -> tuple[Suspect, ...]:
    """Join families and faults that look alike, and sort."""
    aligned = value.copy()
    start = 0
    for o in observations:
        here = slice(start, start + len(o.value))
        if o.kind == "level":
            aligned[:, here] -= aligned[:, here].mean(axis=1, keepdims=True)
        start = here.stop
    order = [int(i) for i in np.argsort(-weight, kind="stable")]
    used: set[int] = set()
    out = []
    # The healthy case first: what cannot be told from it is no reason for an alarm.
    for i in (0, *order):
        if i in used:
            continue
        family = [
            j
            for j in order
            if j not in used
            and (faults[j].what, faults[j].where) == (faults[i].what, faults[i].where)
            and faults[i].what in TOLD_AS_ONE
        ] or [i]
        near = np.abs(aligned - aligned[i]).max(axis=1) < SAME_DB
        same = [j for j in order if near[j] and j not in used and j not in family]
        used.update(family, same)
        out.append(
            Suspect(
                fault=faults[i],
                likelihood=float(weight[[*family, *same]].sum()),
                residual_db=float(residual.get(i, np.inf)),
                same_as=tuple(faults[j] for j in same),
            )
        )
    return tuple(sorted(out, key=lambda s: -s.likelihood))


def _estimate(bank: FaultBank, fit: FaultFit, top: int) -> tuple[PartEstimate, ...]:
    out = []
    for k, unknown in enumerate(bank.unknowns):
        if unknown.of_loss:
            continue
        key = bank.keys[unknown.part]
        if key in bank.faults[top].parts:
            continue
        label, part = bank.listed[key]
        out.append(
            PartEstimate(
                label=label,
                unit=UNIT_OF_KIND[part.kind],
                value=part.value,
                estimate=float(part.value * np.exp(fit.shift[top, k])),
                spread=float(fit.spread[top, k]),
                prior_spread=unknown.spread,
            )
        )
    return tuple(out)
