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
_LEAST_GAIN = 0.003  # of the logarithm of evidence
_MOST_AT_ONCE = 3_000_000  # numbers in the slopes


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
    whitenings: Sequence[Whitening],
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
    whitenings : sequence of Whitening, length P
        Of the noise that each is fitted under.
    priors : Priors
        Of each hypothesis.
    start : ndarray, shape (P, K)
        Where to begin.
    rounds : int
        Linearisations at most; none after one that promises hardly more.
    """
    count = len(start)
    at_once = max(1, _MOST_AT_ONCE // (start.shape[1] * len(target)))
    fits = []
    for first in range(0, count, at_once):
        rows = np.arange(first, min(first + at_once, count))
        some = bank if len(rows) == count else bank.chosen(rows)
        own = Priors(mean=priors.mean[rows], spread=priors.spread[rows])
        work = _Work(some, target, [whitenings[p] for p in rows], own, start[rows])
        fits.append(work.run(rounds))
    if len(fits) == 1:
        return fits[0]
    return Fit(**{f.name: np.concatenate([getattr(x, f.name) for x in fits]) for f in fields(Fit)})


def glance(
    bank: FaultBank,
    target: Real,
    whitening: Whitening,
    priors: Priors,
    start: Real,
    leads: tuple[Real, Index],
) -> Real:
    """Estimate the evidence of hypotheses that differ by one thing from others, in little time.

    Parameters
    ----------
    bank, target, whitening, priors, start
        As `fit_unknowns` takes them.
    leads : tuple of (ndarray (L, K, N), ndarray of int (P,))
        Whitened slopes of some others, and which of them stands for each.

    Returns
    -------
    ndarray, shape (P,)
        What one step would come to if a second thing left the slopes as they are.
    """
    slope, which = leads
    value, _ = bank.predict(start, slopes=False)
    error = whitening(_leave(bank, target, value))
    away = (start - priors.mean) / priors.spread
    gradient = np.einsum("lkn,pn->lpk", slope, error)[which, np.arange(len(start))]
    gradient = gradient * priors.spread - away
    precision = (slope @ slope.transpose(0, 2, 1))[which]
    precision = precision * priors.spread[:, :, None] * priors.spread[:, None, :]
    precision += np.eye(start.shape[1])
    step = np.linalg.solve(precision, gradient[..., None])[..., 0]
    cost = (error**2).sum(axis=1) + (away**2).sum(axis=1) - (step * gradient).sum(axis=1)
    return np.asarray(-0.5 * cost - 0.5 * np.linalg.slogdet(precision)[1] - whitening.log_det)


def _leave(bank: FaultBank, target: Real, value: Real) -> Real:
    """Subtract predictions from what was measured, angles by the shorter way round."""
    error = target - value
    angles = np.concatenate([np.full(len(o.value), o.kind == "angle") for o in bank.observations])
    error[:, angles] -= _DEGREES_AROUND * np.round(error[:, angles] / _DEGREES_AROUND)
    return np.asarray(error)


class _Work:
    """Fits under way: of each the best point so far and the linear model there.

    Unknowns count in spreads before measuring, and `matrix` is the precision after it.
    """

    def __init__(
        self,
        bank: FaultBank,
        target: Real,
        whitenings: Sequence[Whitening],
        priors: Priors,
        start: Real,
    ) -> None:
        p, k = start.shape
        self.bank, self.target, self.priors = bank, target, priors
        self.lowest = np.array([u.lowest for u in bank.unknowns])
        self.log_det = np.array([w.log_det for w in whitenings])
        distinct = {id(w): w for w in whitenings}
        self.whitenings = list(distinct.values())
        self.which = np.array([list(distinct).index(id(w)) for w in whitenings], dtype=np.intp)
        self.shift, self.best = start.copy(), start.copy()
        self.cost = np.full(p, np.inf)
        self.damping = np.full(p, _FIRST_DAMPING)
        self.matrix, self.gradient = np.zeros((p, k, k)), np.zeros((p, k))
        self.error, self.value = (np.zeros((p, len(target))) for _ in range(2))
        self.gain = np.zeros(p)

    def run(self, rounds: int) -> Fit:
        """Linearise so many times at most."""
        live = np.arange(len(self.cost))
        for _ in range(rounds):
            self._linearise(live)
            self._step(live)
            live = live[self.gain[live] > _LEAST_GAIN]
            if not len(live):
                break
        mean, sd = self.priors.mean, self.priors.spread
        _, log_det = np.linalg.slogdet(self.matrix)
        inverse = np.linalg.inv(self.matrix)
        evidence = -0.5 * self.cost - 0.5 * log_det - self.log_det
        return Fit(
            evidence=evidence,
            promise=evidence + np.maximum(self.gain, 0.0),
            chi=(self.error**2).sum(axis=1),
            shift=self.best,
            spread=sd * np.sqrt(np.diagonal(inverse, axis1=1, axis2=2)),
            pull=np.abs((self.best - mean) / sd).max(axis=1),
            value=self.value,
        )

    def _linearise(self, live: Index) -> None:
        """Predict some, and keep what is better than before."""
        bank = self.bank if len(live) == len(self.cost) else self.bank.chosen(live)
        mean, sd = self.priors.mean[live], self.priors.spread[live]
        value, slope = bank.predict(self.shift[live])
        error = _leave(bank, self.target, value)
        for i, whitening in enumerate(self.whitenings):
            mine = np.flatnonzero(self.which[live] == i)
            if len(mine) == len(live):
                error, slope = whitening(error), whitening(slope)
            elif len(mine):
                error[mine], slope[mine] = whitening(error[mine]), whitening(slope[mine])
        slope *= sd[..., None]
        away = (self.shift[live] - mean) / sd
        cost = (error**2).sum(axis=1) + (away**2).sum(axis=1)
        better = cost < self.cost[live]
        self.damping[live] = np.where(
            np.isinf(self.cost[live]), _FIRST_DAMPING,
            np.where(better, self.damping[live] / 5.0, self.damping[live] * 10.0),
        )  # fmt: skip
        rows, slope = live[better], slope[better]
        self.best[rows], self.cost[rows] = self.shift[rows], cost[better]
        self.error[rows], self.value[rows] = error[better], value[better]
        self.matrix[rows] = slope @ slope.transpose(0, 2, 1) + np.eye(slope.shape[1])
        self.gradient[rows] = (slope @ error[better][..., None])[..., 0] - away[better]

    def _step(self, live: Index) -> None:
        """Take a step of each from its best point."""
        matrix, gradient = self.matrix[live], self.gradient[live]
        diagonal = np.arange(matrix.shape[1])
        damped = matrix.copy()
        damped[:, diagonal, diagonal] *= 1.0 + self.damping[live, None]
        step = np.linalg.solve(damped, gradient[..., None])[..., 0]
        longest = np.abs(step).max(axis=1, keepdims=True)
        step *= np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-12))
        self.gain[live] = (step * gradient).sum(axis=1) - 0.5 * (
            step * (matrix @ step[..., None])[..., 0]
        ).sum(axis=1)
        self.shift[live] = np.maximum(
            self.best[live] + self.priors.spread[live] * step, self.lowest
        )


def add_one(
    bank: FaultBank, target: Real, whitening: Whitening, priors: Priors, start: Real, changes: Real
) -> Real:
    """Find how much evidence a further change of the curves would add, its amount unknown.

    Parameters
    ----------
    bank : FaultBank
        Of one hypothesis.
    target : ndarray, shape (N,)
        As measured.
    whitening : Whitening
        Of the noise.
    priors : Priors
        Of that hypothesis.
    start : ndarray, shape (1, K)
        Best unknowns.
    changes : ndarray, shape (C, N)
        Changes, each to an amount of mean 0 and standard deviation 1.

    Returns
    -------
    ndarray, shape (C,)
        Logarithm of the ratio of the evidence with and without each, as far as the model is linear.
    """
    value, slope = bank.predict(start)
    error = whitening(_leave(bank, target, value))[0]
    slope = whitening(slope)[0] * priors.spread[0][:, None]
    matrix = slope @ slope.T + np.eye(len(slope))
    gradient = slope @ error - (start - priors.mean)[0] / priors.spread[0]
    changes = whitening(changes)
    shared = changes @ slope.T
    known = np.linalg.solve(matrix, np.concatenate([shared, gradient[None]]).T)
    clear = np.einsum("cn,cn->c", changes, changes) - np.einsum("ck,kc->c", shared, known[:, :-1])
    found = changes @ error - shared @ known[:, -1]
    return np.asarray(0.5 * found**2 / (1.0 + clear) - 0.5 * np.log1p(clear))


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
