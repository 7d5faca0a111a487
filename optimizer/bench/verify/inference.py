"""How probable each hypothesis is: fits of all that may differ, and what a measurement can see.

Unknowns have normal priors, so the best fit is a least-squares problem, solved for many hypotheses
at once by Gauss and Newton with the damping of Levenberg and Marquardt. The evidence of a
hypothesis is Laplace's: the height of the peak times the volume under it (MacKay, "Bayesian
interpolation", Neural Computation 4, 1992, from memory). Complexity is paid for by that volume.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from optimizer.arrays import Index, Real
from optimizer.bench.verify.hypotheses import Hypothesis, starts_of
from optimizer.bench.verify.noise import Whitening
from optimizer.bench.verify.prediction import FaultBank

_LONGEST_STEP = 3.0  # in prior spreads
_FIRST_DAMPING = 1e-3
_DEGREES_AROUND = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """Means and spreads of all unknowns under some hypotheses, each of shape (P, K)."""

    mean: Real
    spread: Real

    @classmethod
    def of(cls, bank: FaultBank, hypotheses: Sequence[Hypothesis]) -> Priors:
        """Priors of hypotheses: those of a sound speaker, but for what is wide."""
        spread = np.tile([u.spread for u in bank.unknowns], (len(hypotheses), 1))
        mean = np.zeros_like(spread)
        for p, hypothesis in enumerate(hypotheses):
            for cause in hypothesis:
                for wide in cause.wide:
                    mean[p, wide.unknown] = wide.mean
                    spread[p, wide.unknown] = wide.spread
        return cls(mean=mean, spread=spread)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Best values of all unknowns for some hypotheses.

    Parameters
    ----------
    evidence : ndarray, shape (P,)
        Logarithm of the probability of the measurement.
    promise : ndarray, shape (P,)
        What it would become by one more step, were the model straight.
    chi : ndarray, shape (P,)
        Sum of squares of what remains, in units of the noise.
    shift, spread : ndarray, shape (P, K)
        Unknowns, and their standard deviations afterwards.
    pull : ndarray, shape (P,)
        Largest distance of an unknown from its mean, in spreads before measuring.
    value : ndarray, shape (P, N)
        Prediction.
    """

    evidence: Real
    promise: Real
    chi: Real
    shift: Real
    spread: Real
    pull: Real
    value: Real

    def chosen(self, index: Sequence[int] | Index) -> Fit:
        """Return some of them."""
        rows = np.asarray(index, dtype=np.intp)
        return Fit(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def fit_unknowns(
    bank: FaultBank,
    target: Real,
    whitening: Whitening,
    priors: Priors,
    start: Real,
    *,
    rounds: int,
) -> Fit:
    """Fit all unknowns of some hypotheses.

    Parameters
    ----------
    bank : FaultBank
        With the network of each hypothesis.
    target : ndarray, shape (N,)
        What was measured.
    whitening : Whitening
        Of the noise.
    priors : Priors
        Of each hypothesis.
    start : ndarray, shape (P, K)
        Where to begin.
    rounds : int
        Linearisations.
    """
    mean, sd = priors.mean, priors.spread
    lowest = np.array([u.lowest for u in bank.unknowns])
    angles = np.concatenate([np.full(len(o.value), o.kind == "angle") for o in bank.observations])
    shift, best = start.copy(), start.copy()
    cost = np.full(len(start), np.inf)
    damping = np.full(len(start), _FIRST_DAMPING)
    slope = error = value = np.empty(0)
    for _ in range(rounds):
        new_value, raw = bank.predict(shift)
        left = target - new_value
        left[:, angles] -= _DEGREES_AROUND * np.round(left[:, angles] / _DEGREES_AROUND)
        new_error, new_slope = whitening(left), whitening(raw) * sd[..., None]
        new_cost = (new_error**2).sum(axis=1) + (((shift - mean) / sd) ** 2).sum(axis=1)
        if not len(slope):
            slope, error, value, cost = new_slope, new_error, new_value, new_cost
        else:
            better = new_cost < cost
            best[better], cost[better] = shift[better], new_cost[better]
            slope[better], error[better] = new_slope[better], new_error[better]
            value[better] = new_value[better]
            damping = np.where(better, damping / 5.0, damping * 10.0)
        z = (best - mean) / sd
        matrix = slope @ slope.transpose(0, 2, 1)
        diagonal = np.arange(matrix.shape[1])
        matrix[:, diagonal, diagonal] += 1.0
        damped = matrix.copy()
        damped[:, diagonal, diagonal] *= 1.0 + damping[:, None]
        step = np.linalg.solve(damped, (np.einsum("pkn,pn->pk", slope, error) - z)[..., None])
        step = step[..., 0]
        longest = np.abs(step).max(axis=1, keepdims=True)
        step *= np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-12))
        shift = np.maximum(best + sd * step, lowest)
    _, log_det = np.linalg.slogdet(matrix)
    gain = np.einsum("pk,pk->p", step, np.einsum("pkn,pn->pk", slope, error) - z) - 0.5 * np.einsum(
        "pk,pkl,pl->p", step, matrix, step
    )
    inverse = np.linalg.inv(matrix)
    evidence = -0.5 * cost - 0.5 * log_det - whitening.log_det
    return Fit(
        evidence=evidence,
        promise=evidence + np.maximum(gain, 0.0),
        chi=(error**2).sum(axis=1),
        shift=best,
        spread=sd * np.sqrt(np.diagonal(inverse, axis1=1, axis2=2)),
        pull=np.abs(z).max(axis=1),
        value=value,
    )


def start_all(bank: FaultBank, hypotheses: Sequence[Hypothesis]) -> tuple[Index, Real]:
    """Every start of every hypothesis: which it is of, shape (S,), and the unknowns, (S, K)."""
    member, starts = [], []
    for p, hypothesis in enumerate(hypotheses):
        for chosen in starts_of(hypothesis):
            row = np.zeros(bank.count)
            row[list(chosen)] = list(chosen.values())
            member.append(p)
            starts.append(row)
    return np.array(member, dtype=np.intp), np.array(starts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What a measurement of a sound speaker can see.

    Parameters
    ----------
    root : ndarray, shape (K, N)
        Whitened slopes times the spreads before measuring.
    inverse : ndarray, shape (K, K)
        Covariance of the unknowns after measuring, in spreads before.
    """

    root: Real
    inverse: Real

    @classmethod
    def of(cls, bank: FaultBank, whitening: Whitening) -> Sight:
        """Of the first network of a bank."""
        one = bank.chosen([0])
        _, slope = one.predict(np.zeros((1, bank.count)))
        root = whitening(slope[0]) * np.array([u.spread for u in bank.unknowns])[:, None]
        return cls(root=root, inverse=np.linalg.inv(root @ root.T + np.eye(len(root))))

    def strength(self, change: Real) -> Real:
        """How far changes stand out of all that may differ and of the noise, in its units.

        Parameters
        ----------
        change : ndarray, shape (P, N)
            Whitened changes of the curves.
        """
        onto = change @ self.root.T
        whole = np.einsum("pn,pn->p", change, change)
        known = np.einsum("pk,kl,pl->p", onto, self.inverse, onto)
        return np.asarray(np.sqrt(np.maximum(whole - known, 0.0)))

    def amounts(self, strength: float) -> Real:
        """By how many of its spreads each unknown must be off to stand out that far, shape (K,)."""
        after = np.diagonal(self.inverse)
        # Without its own prior an unknown has this precision left.
        return np.asarray(strength / np.sqrt(np.maximum(1.0 / after - 1.0, 1e-12)))
