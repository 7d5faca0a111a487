"""What floats around the prediction of a fault, and how probable a measurement is then.

Every part value floats within its tolerance, the level of a response within anything, its slope and
the scale of an impedance within small errors of calibration. A response may also carry a smooth
ripple, of an amount that nobody knows beforehand: a microphone somewhat elsewhere, edges, the room.
What remains is noise. The score of a fault is the logarithm of the probability of the measurement,
integrated over all that floats (Laplace's method: exact for a model that is linear over a
tolerance) and summed over several amounts of ripple.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Real
from optimizer.bench.verify.prediction import FaultBank, Observation

SLOPE_SPREAD_DB = 0.2
"""Expected error of a microphone and its room, dB per octave over the whole band."""

GAIN_SPREAD_DB = 0.1
"""Expected error of an impedance jig."""

RIPPLES: tuple[tuple[float, float], ...] = ((0.0, 0.6), (0.25, 0.2), (0.5, 0.12), (1.0, 0.08))
"""Amounts of ripple, dB rms, with their probabilities before measuring."""

FIRST_RIPPLE_DB = 0.5
"""Amount with which the first, rough round is repeated."""

RIPPLE_OCTAVES = 0.5
"""Finest half period of a ripple: what is finer counts as noise."""

_FREE_DB = 20.0
_ROUNDS = 6
_LATER_ROUNDS = 3
_LONGEST_STEP = 1.0  # in prior spreads
_STARTS = 16
_STARTS_OF_FAULTS = 3
_CHANCE = 0.2
_PIECE = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultFit:
    """Best values of all that floats, for each fault.

    Parameters
    ----------
    score : ndarray, shape (P,)
        Logarithm of the probability of the measurement, but for a constant.
    chi : ndarray, shape (P,)
        Sum of squares of what remains, in units of the noise.
    rms : ndarray, shape (P,)
        What neither parts nor calibration explain, dB rms; ripple is among it.
    error : ndarray, shape (P, N)
        What remains, in units of the noise.
    value : ndarray, shape (P, N)
        Prediction with nothing shifted.
    shift : ndarray, shape (P, K)
        Shifts of all that floats.
    spread : ndarray, shape (P, K)
        Their standard deviations.
    """

    score: Real
    chi: Real
    rms: Real
    error: Real
    value: Real
    shift: Real
    spread: Real


_MERGED = ("score", "chi", "rms", "error", "shift", "spread")


class FaultModel:
    """What floats besides the parts, and how much of what remains is noise.

    Parameters
    ----------
    bank : FaultBank
        Gives the observations and the parts that float.
    slope_spread_db : float
        Expected slope error of responses, dB per octave.
    """

    def __init__(self, bank: FaultBank, slope_spread_db: float = SLOPE_SPREAD_DB) -> None:
        self.observations = bank.observations
        self.target = np.concatenate([o.value for o in self.observations])
        self.noise = np.concatenate([np.full(len(o.value), o.noise) for o in self.observations])
        self.size = len(self.target)
        octaves = np.log2(bank.problem.frequency_hz)
        rows: list[Real] = []
        spreads: list[float] = []
        ripple: list[bool] = []
        self.parts_of: list[slice] = []

        def add(here: slice, row: Real, spread: float, *, of_ripple: bool = False) -> None:
            whole = np.zeros(self.size)
            whole[here] = row
            rows.append(whole)
            spreads.append(spread)
            ripple.append(of_ripple)

        start = 0
        for o in self.observations:
            here = slice(start, start + len(o.value))
            self.parts_of.append(here)
            start = here.stop
            one = np.ones(len(o.value))
            if o.kind == "modulus":
                add(here, one, GAIN_SPREAD_DB)
            elif o.kind == "level":
                add(here, one, _FREE_DB)
                x = octaves[o.index] - octaves[o.index[0]]
                add(here, x - x.mean(), slope_spread_db)
                count = max(2, int(x[-1] / RIPPLE_OCTAVES))
                for j in range(2, count + 1):
                    # Each cosine has half its square as mean square: together 1 dB rms.
                    add(
                        here,
                        np.cos(np.pi * j * x / x[-1]),
                        np.sqrt(2.0 / (count - 1)),
                        of_ripple=True,
                    )
        self.columns = np.array(rows)
        self.prior = np.array([*(u.spread for u in bank.unknowns), *spreads])
        self.is_ripple = np.array([False] * bank.count + ripple)
        self.decibels = np.concatenate(
            [np.full(len(o.value), o.kind != "angle") for o in self.observations]
        )

    def settle(self, bank: FaultBank) -> tuple[FaultFit, float]:
        """Fit all faults of a bank as well as can be, over all amounts of ripple.

        Parameters
        ----------
        bank : FaultBank
            The first of its faults is the healthy case.

        Returns
        -------
        FaultFit
            Scores are summed over the amounts of ripple, the rest is that of the likeliest amount.
        float
            By how much the noise was larger than stated.
        """
        fit = self._look_again(bank, self.fit(bank, rounds=_ROUNDS))
        by_ripple = self._with_ripples(bank, fit)
        # Noise is never taken for less than stated, but for more where even the best leaves more;
        # and where what it leaves hangs together over frequency, points count for fewer.
        a, b = np.unravel_index(
            int(np.argmax([f.score for f in by_ripple])), (len(by_ripple), len(bank.faults))
        )
        best = by_ripple[int(a)]
        swell = max(1.0, float(np.sqrt(best.chi[b] / self.size)))
        share = self.independent_share(best.error[b])
        if swell > 1.0 or share < 1.0:
            self.noise = self.noise * swell / np.sqrt(share)
            by_ripple = self._with_ripples(
                bank, self.fit(bank, rounds=_LATER_ROUNDS, start=fit.shift)
            )
        scores = np.array([f.score for f in by_ripple])
        top = scores.max(axis=0)
        out = {name: getattr(by_ripple[0], name).copy() for name in _MERGED}
        for i, k in enumerate(np.argmax(scores, axis=0)):
            for name, values in out.items():
                values[i] = getattr(by_ripple[k], name)[i]
        out["score"] = top + np.log(np.exp(scores - top).sum(axis=0))
        return replace(by_ripple[0], **out), swell

    def _with_ripples(self, bank: FaultBank, fit: FaultFit) -> list[FaultFit]:
        """Fits for each amount of ripple, their scores with its probability."""
        out = []
        for ripple_db, probability in RIPPLES:
            one = (
                fit
                if ripple_db == 0.0
                else self.fit(bank, rounds=_LATER_ROUNDS, start=fit.shift, ripple_db=ripple_db)
            )
            out.append(replace(one, score=one.score + np.log(probability)))
        return out

    def fit(
        self,
        bank: FaultBank,
        *,
        rounds: int = 1,
        start: Real | None = None,
        ripple_db: float = 0.0,
    ) -> FaultFit:
        """Fit all that floats to the measurement, by Gauss and Newton with the prior spreads.

        Parameters
        ----------
        bank : FaultBank
            The faults.
        rounds : int
            Linearisations; after one alone, the linear model stands for the exact one.
        start : ndarray, shape (P, K), optional
            Where to start instead of at the values designed.
        ripple_db : float
            Amount of ripple.
        """
        p, k = len(bank.faults), bank.count
        use = np.flatnonzero(~self.is_ripple | (ripple_db > 0.0))
        prior = np.where(self.is_ripple, self.prior * ripple_db, self.prior)[use]
        columns = self.columns[use[k:] - k]
        shift = np.zeros((p, len(use))) if start is None else start[:, use]
        inverse_prior = np.diag(prior**-2.0)
        matrix = jacobian = step = first = value = np.empty(0)
        for number in range(rounds):
            value, slope = bank.predict(shift[:, :k])
            if number == 0:
                first = value
            jacobian = (
                np.concatenate([slope, np.broadcast_to(columns, (p, *columns.shape))], axis=1)
                / self.noise
            )
            value = value + _combine(shift[:, k:], columns)
            error = (self.target - value) / self.noise
            matrix = _square(jacobian) + inverse_prior
            pull = np.einsum("pkn,pn->pk", jacobian, error) - shift / prior**2
            step = np.linalg.solve(matrix, pull[..., None])[..., 0]
            if rounds > 1:
                # Near a null the linear model reaches less far than it would step.
                longest = np.abs(step / prior)[:, :k].max(axis=1, keepdims=True, initial=0.0)
                step = step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-12))
            # A part may float, not fly.
            limit = 4.0 * prior
            shift = np.clip(shift + step, -limit, limit)
        if rounds == 1:
            value = value + np.einsum("pkn,pk->pn", jacobian, step) * self.noise
        else:
            value = bank.predict(shift[:, :k], slopes=False)[0] + _combine(shift[:, k:], columns)
        error = (self.target - value) / self.noise
        chi = np.einsum("pn,pn->p", error, error)
        penalty = np.einsum("pk,pk->p", shift / prior, shift / prior)
        _, log_det = np.linalg.slogdet(matrix)
        log_det = log_det + 2.0 * np.log(prior).sum()
        ripple = _combine(np.where(self.is_ripple[use[k:]], shift[:, k:], 0.0), columns)
        unexplained = (error * self.noise + ripple)[:, self.decibels]
        whole = np.zeros((p, len(self.prior)))
        whole[:, use] = shift
        spread = np.zeros((p, len(self.prior)))
        spread[:, use] = np.sqrt(np.diagonal(np.linalg.inv(matrix), axis1=1, axis2=2))
        return FaultFit(
            score=-0.5 * (chi + penalty + log_det),
            chi=chi,
            error=error,
            rms=np.sqrt(np.mean(unexplained**2, axis=1)),
            value=first,
            shift=whole,
            spread=spread,
        )

    def independent_share(self, error: Real) -> float:
        """Share of the points that count as independent, from neighbours' likeness."""
        before = np.concatenate([error[here][:-1] for here in self.parts_of])
        after = np.concatenate([error[here][1:] for here in self.parts_of])
        alike = float(before @ after) / max(
            float(np.sqrt((before @ before) * (after @ after))), 1e-12
        )
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

    def _look_again(self, bank: FaultBank, fit: FaultFit) -> FaultFit:
        """Fit from many starts within tolerance, the healthy case from most, and keep the best.

        A network with a sharp resonance can fit a measurement in two ways; a healthy speaker must
        not be called faulty because the first way found was the worse one.
        """
        rng = np.random.default_rng(1)
        member = np.concatenate(
            [
                np.zeros(_STARTS, dtype=np.intp),
                np.repeat(np.arange(1, len(bank.faults)), _STARTS_OF_FAULTS),
            ]
        )
        start = np.zeros((len(member), len(self.prior)))
        start[:, : bank.count] = (
            rng.normal(size=(len(member), bank.count)) * (self.prior[: bank.count])
        )
        many = self.fit(bank.chosen([int(i) for i in member]), rounds=_ROUNDS, start=start)
        merged = {name: getattr(fit, name).copy() for name in _MERGED}
        for i in range(len(bank.faults)):
            mine = np.flatnonzero(member == i)
            best = mine[int(np.argmax(many.score[mine]))]
            if many.score[best] > fit.score[i]:
                for name, values in merged.items():
                    values[i] = getattr(many, name)[best]
        return replace(fit, **merged)


def _square(jacobian: Real) -> Real:
    """Return J J^T for each fault, in pieces too small for a matrix library to share out.

    Several threads on products of this size wait for each other longer than they work.
    """
    pieces = range(0, jacobian.shape[2], _PIECE)
    return np.asarray(
        sum(
            jacobian[:, :, s : s + _PIECE] @ jacobian[:, :, s : s + _PIECE].transpose(0, 2, 1)
            for s in pieces
        )
    )


def _combine(shift: Real, columns: Real) -> Real:
    # Plain loops for the reason given above.
    return np.asarray(np.einsum("pk,kn->pn", shift, columns))
