"""From a measured speaker to what is wrong with it, or to its true part values.

Each fault predicts the measurement. Around each prediction every part value floats within its
tolerance, the level within anything, the slope of the response and the scale of the impedance
within small errors of calibration; what remains is noise. The score of a fault is the probability
of the measurement under that model, integrated over all that floats (Laplace's method: for a model
that is nearly linear over a tolerance it is exact). Probabilities follow from the scores and from
how often each kind of mistake is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.network.ladder import Network
from optimizer.parts import UNIT_OF_KIND
from optimizer.search.problem import Problem
from optimizer.workshop.faults import HEALTHY, Fault, list_faults
from optimizer.workshop.prediction import FaultBank, Observation

Real = NDArray[np.float64]

HEALTHY_PRIOR = 0.8
"""Probability before measuring that nothing is wrong."""

SLOPE_SPREAD_DB = 0.2
"""Expected error of a microphone and its room, dB per octave over the whole band."""

GAIN_SPREAD_DB = 0.1
"""Expected error of an impedance jig."""

SAME_DB = 0.02
"""Faults whose predictions differ nowhere by more cannot be told apart by any measurement."""

EXPLAINED_DB = 1.0
"""A fault explains a measurement when it leaves less than this, rms."""

_FREE_DB = 20.0
_FINALISTS = 24
_ROUNDS = 6
_STARTS = 16
_STARTS_OF_FAULTS = 3
_CHANCE = 0.2
_LONGEST_STEP = 1.0  # in prior spreads


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


def diagnose(
    problem: Problem, network: Network, observations: Sequence[Observation],
    *, slope_spread_db: float = SLOPE_SPREAD_DB, pair: bool = False,
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
    faults = (HEALTHY, *list_faults(network))
    bank = FaultBank(problem, network, faults, observations,
                     tolerance_sigmas=np.sqrt(2.0) if pair else 2.0)
    model = _Model(bank, slope_spread_db)
    first = model.fit(bank, rounds=1)
    order = np.argsort(-first.score, kind="stable")[:_FINALISTS]
    chosen = [0, *(int(i) for i in order if i != 0)]
    short = bank.chosen(chosen)
    second = model.fit(short, rounds=_ROUNDS)
    second = _look_again(model, short, second)
    # Noise is never taken for less than stated, but for more where even the best leaves more;
    # and where what it leaves hangs together over frequency, points count for fewer.
    best = int(np.argmax(second.score))
    swell = max(1.0, float(np.sqrt(second.chi[best] / model.size)))
    share = model.independent_share(second.error[best])
    if swell > 1.0 or share < 1.0:
        model.noise = model.noise * swell / np.sqrt(share)
        second = model.fit(short, rounds=_ROUNDS, start=second.shift)
    score = first.score + (second.score.max() - first.score.max())
    score[chosen] = second.score
    # What did not come into the last round cannot pass what did.
    rest = np.setdiff1d(np.arange(len(faults)), chosen)
    score[rest] = np.minimum(score[rest], second.score.min())
    prior = np.array([f.weight for f in faults])
    prior[1:] *= (1.0 - HEALTHY_PRIOR) / prior[1:].sum()
    prior[0] = HEALTHY_PRIOR
    weight = np.log(prior) + score
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    residual = dict(zip(chosen, second.rms, strict=True))
    suspects = _rank(faults, weight, residual, first.value, observations)
    deviation = tuple(model.deviations(first.value[0]))
    levels = [d for o, d in deviation if o.kind == "level"] or [
        d for o, d in deviation if o.kind == "modulus"]
    top = chosen.index(faults.index(suspects[0].fault))
    explained = suspects[0].residual_db <= EXPLAINED_DB
    return Diagnosis(
        residual_db=float(np.sqrt(np.mean(np.concatenate(levels) ** 2))),
        deviation=deviation, suspects=suspects,
        healthy=bool(weight[0] >= 0.5) and explained, explained=explained,
        parts=_estimate(short, second, top),
        noise_db=float(np.median([o.noise for o in observations if o.kind != "angle"]) * swell))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """Best shifts of all that floats, for each fault."""

    score: Real
    chi: Real
    rms: Real
    error: Real
    value: Real
    shift: Real
    spread: Real


class _Model:
    """What floats besides the parts, and how much of what remains is noise."""

    def __init__(self, bank: FaultBank, slope_spread_db: float) -> None:
        self.observations = bank.observations
        self.target = np.concatenate([o.value for o in self.observations])
        self.noise = np.concatenate([np.full(len(o.value), o.noise) for o in self.observations])
        self.size = len(self.target)
        octaves = np.log2(bank.problem.frequency_hz)
        columns, spreads = [], []
        self.parts_of: list[slice] = []
        start = 0
        for o in self.observations:
            here = slice(start, start + len(o.value))
            self.parts_of.append(here)
            start = here.stop
            if o.kind == "angle":
                continue
            column = np.zeros(self.size)
            column[here] = 1.0
            columns.append(column)
            spreads.append(_FREE_DB if o.kind == "level" else GAIN_SPREAD_DB)
            if o.kind == "level":
                slope = np.zeros(self.size)
                slope[here] = octaves[o.index] - octaves[o.index].mean()
                columns.append(slope)
                spreads.append(slope_spread_db)
        self.columns = np.array(columns)
        self.prior = np.array([*(u.spread for u in bank.unknowns), *spreads])

    def fit(self, bank: FaultBank, *, rounds: int, start: Real | None = None) -> _Fit:
        """Fit all that floats to the measurement, by Gauss and Newton with the prior spreads."""
        p, k = len(bank.faults), bank.count
        shift = np.zeros((p, len(self.prior))) if start is None else start
        inverse_prior = np.diag(self.prior**-2.0)
        matrix = np.empty((p, len(self.prior), len(self.prior)))
        first = np.empty(0)
        for number in range(rounds):
            value, slope = bank.predict(shift[:, :k])
            if number == 0:
                first = value
            jacobian = np.concatenate(
                [slope, np.broadcast_to(self.columns, (p, *self.columns.shape))], axis=1)
            jacobian = jacobian / self.noise
            value = value + shift[:, k:] @ self.columns
            error = (self.target - value) / self.noise
            matrix = jacobian @ jacobian.transpose(0, 2, 1) + inverse_prior
            pull = np.einsum("pkn,pn->pk", jacobian, error) - shift / self.prior**2
            step = np.linalg.solve(matrix, pull[..., None])[..., 0]
            if rounds > 1:
                # Near a null the linear model reaches less far than it would step.
                longest = np.abs(step / self.prior)[:, :k].max(axis=1, keepdims=True, initial=0.0)
                step = step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-12))
            # A part may float, not fly.
            limit = 4.0 * self.prior
            shift = np.clip(shift + step, -limit, limit)
        value = self._end(bank, shift, rounds, value, jacobian, step)
        error = (self.target - value) / self.noise
        chi = np.einsum("pn,pn->p", error, error)
        penalty = np.einsum("pk,pk->p", shift / self.prior, shift / self.prior)
        _, log_det = np.linalg.slogdet(matrix)
        log_det = log_det + 2.0 * np.log(self.prior).sum()
        decibels = np.concatenate([np.full(len(o.value), o.kind != "angle")
                                   for o in self.observations])
        absolute = (error * self.noise)[:, decibels]
        return _Fit(
            score=-0.5 * (chi + penalty + log_det), chi=chi, error=error,
            rms=np.sqrt(np.mean(absolute**2, axis=1)), value=first, shift=shift,
            spread=np.sqrt(np.diagonal(np.linalg.inv(matrix), axis1=1, axis2=2)))

    def _end(
        self, bank: FaultBank, shift: Real, rounds: int, value: Real, jacobian: Real, step: Real
    ) -> Real:
        """Return the prediction at the end: exact, or after one round the linear one."""
        if rounds == 1:
            return np.asarray(value + np.einsum("pkn,pk->pn", jacobian, step) * self.noise)
        k = bank.count
        exact, _ = bank.predict(shift[:, :k])
        return np.asarray(exact + shift[:, k:] @ self.columns)

    def independent_share(self, error: Real) -> float:
        """Share of the points that count as independent, from neighbours' likeness."""
        before = np.concatenate([error[here][:-1] for here in self.parts_of])
        after = np.concatenate([error[here][1:] for here in self.parts_of])
        alike = float(before @ after) / max(float(np.sqrt((before @ before) * (after @ after))),
                                            1e-12)
        # Below this, likeness is within what chance gives a few hundred points.
        return 1.0 if alike < _CHANCE else max(0.02, (1.0 - alike) / (1.0 + alike))

    def deviations(self, value: Real) -> list[tuple[Observation, Real]]:
        """Measured less predicted for one network, responses level aligned."""
        out = []
        for o, here in zip(self.observations, self.parts_of, strict=True):
            difference = self.target[here] - value[here]
            if o.kind == "level":
                # The median: a fault in one band must not tilt the picture of all others.
                difference = difference - np.median(difference)
            out.append((o, difference))
        return out


def _look_again(model: _Model, bank: FaultBank, fit: _Fit) -> _Fit:
    """Fit from many starts within tolerance, the healthy case from most, and keep the best.

    A network with a sharp resonance can fit a measurement in two ways; a healthy speaker must not
    be called faulty because the first way found was the worse one.
    """
    rng = np.random.default_rng(1)
    member = np.concatenate([np.zeros(_STARTS, dtype=np.intp),
                             np.repeat(np.arange(1, len(bank.faults)), _STARTS_OF_FAULTS)])
    start = np.zeros((len(member), len(model.prior)))
    start[:, :bank.count] = rng.normal(size=(len(member), bank.count)) * model.prior[:bank.count]
    many = model.fit(bank.chosen([int(i) for i in member]), rounds=_ROUNDS, start=start)
    merged = {name: getattr(fit, name).copy()
              for name in ("score", "chi", "rms", "error", "shift", "spread")}
    for i in range(len(bank.faults)):
        mine = np.flatnonzero(member == i)
        best = mine[int(np.argmax(many.score[mine]))]
        if many.score[best] > fit.score[i]:
            for name, values in merged.items():
                values[i] = getattr(many, name)[best]
    return replace(fit, **merged)


def _rank(
    faults: Sequence[Fault], weight: Real, residual: dict[int, float], value: Real,
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
    for i in order:
        if i in used:
            continue
        family = [j for j in order if j not in used and (
            faults[j].what, faults[j].where) == (faults[i].what, faults[i].where)
            and faults[i].what == "wrong pad resistor"] or [i]
        near = np.abs(aligned - aligned[i]).max(axis=1) < SAME_DB
        same = [j for j in order if near[j] and j not in used and j not in family]
        used.update(family, same)
        out.append(Suspect(
            fault=faults[i], likelihood=float(weight[[*family, *same]].sum()),
            residual_db=float(residual.get(i, np.inf)),
            same_as=tuple(faults[j] for j in same)))
    return tuple(sorted(out, key=lambda s: -s.likelihood))


def _estimate(bank: FaultBank, fit: _Fit, top: int) -> tuple[PartEstimate, ...]:
    out = []
    for k, unknown in enumerate(bank.unknowns):
        if unknown.of_loss:
            continue
        key = bank.keys[unknown.part]
        if key in bank.faults[top].parts:
            continue
        label, part = bank.listed[key]
        out.append(PartEstimate(
            label=label, unit=UNIT_OF_KIND[part.kind], value=part.value,
            estimate=float(part.value * np.exp(fit.shift[top, k])),
            spread=float(fit.spread[top, k]), prior_spread=unknown.spread))
    return tuple(out)
