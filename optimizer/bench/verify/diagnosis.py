"""From a measured speaker to what is the matter with it, or to its true values.

All single causes are fitted on a thinned grid, the leading ones on the whole one. Each is compared by
its evidence, also with more ripple than usual, with a discrepancy that nobody listed and, where
none explains the measurement, with a second cause beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

import numpy as np

from optimizer.arrays import Index, Real
from optimizer.bench.verify.faults import HEALTHY, Fault, What, list_faults
from optimizer.bench.verify.hypotheses import (
    UNLISTED_PRIOR,
    Cause,
    Hypothesis,
    fault_of,
    list_causes,
    may_be_both,
    prior_of,
    say_cause,
)
from optimizer.bench.verify.inference import (
    Fit,
    Priors,
    Sight,
    add_one,
    fit_unknowns,
    glance,
    start_all,
)
from optimizer.bench.verify.noise import (
    DISCREPANCIES_DB,
    FREE_DB,
    LOCAL_DB,
    RIPPLES_DB,
    SAME_LEVEL_DB,
    SAME_RIG_DB,
    SAME_SLOPE_DB,
    SLOPE_SPREAD_DB,
    Noise,
    Whitening,
    list_bumps,
    settle_noise,
    thin,
    whiten,
)
from optimizer.bench.verify.prediction import FaultBank, Observation, UnknownKind, place
from optimizer.network.network import Network
from optimizer.parts import UNIT_OF_KIND
from optimizer.problem.problem import Problem
from optimizer.text.brief import brief

CLEAR_STRENGTH = 5.0
"""What stands out of the noise this far is named nearly surely (a study of 273 simulated speakers:
78 of 79 from 5 to 12, none of 21 below 3)."""

ALIKE = 3.0
"""Hypotheses whose curves differ by less, in units of the noise, cannot be told apart."""

_LOCAL_SHARE = 0.5  # of what nobody listed shows in one place
_THIN = 3
_STRETCHED = 3.0  # spreads before measuring
_SURE_AT_MOST = 0.8
"""Most probability of what explains a measurement only with the help of a second cause, or of parts
that should be sound. Of 56 simulated speakers that such a pair explained with over 90 %, it was there
in 39; in most of the others it was one thing that nobody lists (`benchmarks/results`, verify from 7000
and from 9300)."""

_STEEPEST = 2.0  # spreads of slope that are ever the measurement's
_THIN_ABOVE = 12.0  # points per octave
_KEPT, _FINALISTS, _NEAREST, _LEADS = 48, 10, 4, 3
_PAIR_MARGIN = 5.0  # of the logarithm of probability
_PAIRS_FITTED, _PAIRS_KEPT, _PAIR_FINALISTS = 150, 40, 8
_SURE_OF_BOTH = 0.4
"""A pair is told as two when it has this share of all pairs with the surer of the two."""

_MOST_DB = 10.0
_NO_FAULT: frozenset[What] = frozenset(("exchanged parts", "swapped parts"))
_NOTHING = 1e-3  # two parts in a row are as good the other way round

Levels = Literal["free", "same"] | float
"""What is known of the levels of responses: nothing; that all were measured one after the other with
microphone and volume as they were; or that each is that of the drivers' own measurements within so
many dB."""


def is_known(levels: Levels) -> bool:
    """Whether the levels of responses are those of the drivers' own measurements."""
    return not isinstance(levels, str)


_RIVAL = 0.02
"""What is told as alike must be at least this probable, compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Possibility:
    """What may be the matter, with all that is about the same part or driver taken together.

    Parameters
    ----------
    kind : {"healthy", "listed", "partly", "unlisted"}
        Of a listed one it is known what it is; of what is partly known, that something else is
        the matter besides.
    faults : tuple of Fault
        What is the matter, one or two, with the values found; for an unlisted one what it is most
        like.
    probability : float
        After measuring; all add up to 1.
    residual_db : float
        What it leaves unexplained, rms.
    same_as : tuple of str
        Others whose curves cannot be told from these, in words, likeliest first.
    """

    kind: str
    faults: tuple[Fault, ...]
    probability: float
    residual_db: float
    same_as: tuple[Fault, ...] = ()

    __repr__ = brief

    @property
    def says(self) -> str:
        """What is the matter, in words."""
        return "; and ".join(fault.says for fault in self.faults) or HEALTHY.says


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """The true value of a part or of a quantity of a driver, as far as the measurement tells.

    Parameters
    ----------
    what : str
        "value", "loss", or what of a driver it is.
    label : str
        Name of the part or way.
    unit : str
        H, F, ohm, dB, s, or nothing for a ratio.
    value : float
        As designed or measured by itself; 1 for a ratio, 0 for a level or path.
    estimate, low, high : float
        As measured now, and the interval that holds the true one with 90 %.
    narrowed : float
        Width afterwards over width before; near 1 the measurement says nothing.
    """

    what: UnknownKind
    label: str
    unit: str
    value: float
    estimate: float
    low: float
    high: float
    narrowed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unseen:
    """What this measurement would not show.

    Parameters
    ----------
    says : str
        In words, with the amount from which it would show.
    strength : float
        How far it would stand out of the noise; of amounts, `CLEAR_STRENGTH`.
    """

    says: str
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What a measurement says of a finished speaker.

    Parameters
    ----------
    residual_db : float
        Measured against predicted, level aligned, rms over all responses (over the impedance when
        there is none).
    deviation : tuple of (Observation, ndarray)
        Measured less predicted of each observation; responses level aligned, and without the slope
        that the best possibility leaves.
    possibilities : tuple of Possibility
        Likeliest first, the healthy one and the unlisted one among them.
    estimates : tuple of Estimate
        True values, whatever is the matter.
    unseen : tuple of Unseen
        What a sound speaker's measurement would not show.
    noise_db, ripple_db : float
        Noise of each point, and ripple, that the measurement turned out to have.
    pull : float
        How far, in standard deviations, a sound speaker's values would have to be off.
    """

    residual_db: float
    deviation: tuple[tuple[Observation, Real], ...]
    possibilities: tuple[Possibility, ...]
    estimates: tuple[Estimate, ...]
    unseen: tuple[Unseen, ...]
    noise_db: float
    ripple_db: float
    pull: float

    __repr__ = brief

    def probability_of(self, kind: str) -> float:
        """Of all possibilities of a kind together."""
        return float(sum(e.probability for e in self.possibilities if e.kind == kind))

    def probability_with_alike(self, one: Possibility) -> float:
        """Of a possibility and those that cannot be told from it, together."""
        return _add_alike(one, self.possibilities)

    @property
    def leading(self) -> Possibility:
        """The likeliest possibility, counted with what cannot be told from it."""
        return self.possibilities[0]


def _find_alike(one: Possibility, every: Sequence[Possibility]) -> list[Possibility]:
    told = {fault.says for fault in (*one.faults, *one.same_as)}
    return [e for e in every if e is one or (e.faults and all(f.says in told for f in e.faults))]


def _add_alike(one: Possibility, every: Sequence[Possibility]) -> float:
    return float(sum(e.probability for e in _find_alike(one, every)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    """A hypothesis with its fit; `evidence` counts from that of the sound speaker."""

    hypothesis: Hypothesis
    evidence: float
    fit: Fit
    kind: str = "listed"
    prior: float = 1.0

    @property
    def score(self) -> float:
        """Logarithm of what it has before and after measuring."""
        return self.evidence + float(np.log(self.prior))

    @property
    def promise(self) -> float:
        """The same after one more step of its fit, were the model straight."""
        return self.score + float(self.fit.promise[0] - self.fit.evidence[0])


class _View:
    """Fits on one grid, under any noise."""

    def __init__(self, bank: FaultBank, slope_db: float, levels: Levels) -> None:
        # Whoever knows the level has the microphone of the drivers, whose slope is theirs too.
        known = is_known(levels)
        self.bank, self.levels = bank, levels
        self.slope_db = min(slope_db, SAME_SLOPE_DB) if known else slope_db
        self.level_db = {"free": FREE_DB, "same": SAME_LEVEL_DB}.get(str(levels)) or float(levels)
        self.target = np.concatenate([o.value for o in bank.observations])
        self._whitenings: dict[Noise, Whitening] = {}

    def whitening(self, noise: Noise) -> Whitening:
        noise = replace(noise, slope_db=self.slope_db, level_db=self.level_db)
        if noise not in self._whitenings:
            f, seen = self.bank.problem.frequency_hz, self.bank.observations
            self._whitenings[noise] = whiten(f, seen, noise)
        return self._whitenings[noise]

    def fit(
        self,
        hypotheses: Sequence[Hypothesis],
        start: Real,
        noise: Noise | Sequence[Noise],
        *,
        rounds: int,
    ) -> Fit:
        """Fit hypotheses from one start each, all under one noise or each under its own."""
        bank = self.bank.with_faults([fault_of(h) for h in hypotheses])
        noises = [noise] * len(hypotheses) if isinstance(noise, Noise) else noise
        whitenings = [self.whitening(one) for one in noises]
        priors = Priors.of(self.bank, hypotheses)
        return fit_unknowns(bank, self.target, whitenings, priors, start, rounds=rounds)

    def screen(self, hypotheses: Sequence[Hypothesis], noise: Noise) -> Fit:
        """Fit hypotheses roughly from each of their starts, and keep the best of each."""
        member, start = start_all(self.bank, hypotheses)
        _, fit = self._best_of_each(hypotheses, member, start, noise)
        return fit

    def screen_pairs(
        self, leads: Sequence[_Entry], causes: Sequence[Cause], noise: Noise, margin: float
    ) -> tuple[list[Hypothesis], Fit]:
        """Fit every second cause beside each of some roughly, if a glance makes it worth the time.

        That is when it comes near the best of the leads alone, within a margin.
        """
        pairs: list[Hypothesis] = []
        of: list[int] = []
        for i, lead in enumerate(leads):
            some = [(*lead.hypothesis, c) for c in causes if may_be_both(lead.hypothesis[0], c)]
            pairs += some
            of += [i] * len(some)
        hypotheses, shift = _reached(leads)
        if not pairs:
            return [], leads[0].fit.chosen([])
        _, slope = self.bank.with_faults([fault_of(h) for h in hypotheses]).predict(shift)
        whitening = self.whitening(noise)
        member, start = start_all(self.bank, pairs)
        lead_of = np.array(of)[member]
        # What a lead stretched for want of the second cause is not where to begin with it.
        priors = Priors.of(self.bank, hypotheses)
        most = _STRETCHED * priors.spread
        shift = np.clip(shift, priors.mean - most, priors.mean + most)
        start = np.where(start == 0.0, shift[lead_of], start)
        looked = glance(
            self.bank.with_faults([fault_of(pairs[p]) for p in member]),
            self.target,
            whitening,
            Priors.of(self.bank, [pairs[p] for p in member]),
            start,
            (whitening(slope), lead_of),
        )
        prior = np.log([prior_of(pairs[p]) for p in member])
        order = np.argsort(-(looked + prior), kind="stable")[:_PAIRS_FITTED]
        if np.isfinite(margin):
            alone = self.fit(hypotheses, shift, noise, rounds=2).evidence
            floor = float(np.max(alone + np.log([e.prior for e in leads]))) - margin
            order = order[(looked + prior)[order] > floor]
        if not len(order):
            return [], leads[0].fit.chosen([])
        rows = np.sort(order)
        kept, fit = self._best_of_each(pairs, member[rows], start[rows], noise)
        return [pairs[p] for p in kept], fit

    def _best_of_each(
        self, hypotheses: Sequence[Hypothesis], member: Index, start: Real, noise: Noise
    ) -> tuple[list[int], Fit]:
        """Which hypotheses there are, and the best of the fits of each."""
        found = self.fit([hypotheses[p] for p in member], start, noise, rounds=2)
        best = [
            max(rows, key=lambda s: float(found.promise[s]))
            for _, rows in groupby(range(len(member)), key=lambda s: int(member[s]))
        ]
        return [int(member[s]) for s in best], found.chosen(best)


def diagnose(
    problem: Problem,
    network: Network,
    observations: Sequence[Observation],
    *,
    slope_spread_db: float = SLOPE_SPREAD_DB,
    levels: Levels = "free",
    pair: bool = False,
) -> Diagnosis:
    """Compare measurements with a network and all that may be the matter with it.

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
    levels : {"free", "same"} or float
        What is known of the levels of responses, see `Levels`.
    pair : bool
        Whether the observations are one speaker against another, measured from the same place at
        the same level: the values of both float.

    Returns
    -------
    Diagnosis
    """
    bank = FaultBank(
        problem,
        network,
        (HEALTHY,),
        observations,
        tolerance_sigmas=np.sqrt(2.0) if pair else 2.0,
        spread_factor=np.sqrt(2.0) if pair else 1.0,
        same_level=levels == "same",
        known_level=is_known(levels),
    )
    predicted, _ = bank.predict(np.zeros((1, bank.count)), slopes=False)
    f = problem.frequency_hz
    seen = settle_noise(f, observations, predicted[0])
    levels = SAME_RIG_DB if pair else levels
    whole = _View(bank.seeing(seen), slope_spread_db, levels)
    few = bank.seeing(thin(seen, _THIN)) if _is_fine(f) else whole.bank
    rough = _View(few, slope_spread_db, levels)
    causes = list_causes(bank, list_faults(network, _controls(problem, network), problem.drivers))
    entries, ripple_db = _infer(whole, rough, causes)
    shown: Levels = "free" if pair else levels
    return _conclude(whole, entries, predicted[0], causes, observations, ripple_db, shown)


def compare_raw(
    problem: Problem, network: Network, observations: Sequence[Observation]
) -> tuple[tuple[Observation, Real], ...]:
    """Measured less predicted as it is: no level or slope taken off."""
    bank = FaultBank(problem, network, (HEALTHY,), observations)
    predicted, _ = bank.predict(np.zeros((1, bank.count)), slopes=False)
    return tuple((o, o.value - predicted[0][here]) for o, here in place(observations))


def _is_fine(frequency_hz: Real) -> bool:
    octaves = float(np.log2(frequency_hz[-1] / frequency_hz[0]))
    return bool((len(frequency_hz) - 1) / octaves > _THIN_ABOVE)


def _controls(problem: Problem, network: Network) -> dict[tuple[str, str], str]:
    return {
        (one.ladder, name): one.control
        for one in problem.topology.taken(network)
        if one.control
        for name in one.slots
    }


def _infer(whole: _View, rough: _View, causes: Sequence[Cause]) -> tuple[list[_Entry], float]:
    """Every hypothesis with its evidence, and the amount of ripple that the best one has."""
    singles: list[Hypothesis] = [(), *((cause,) for cause in causes)]
    kept = _keep(_gather(singles, rough.screen(singles, Noise())), _KEPT)
    kept = _refit(rough, kept, Noise(), rounds=4)
    noise = _find_ripple(rough, kept)
    if noise != Noise():
        kept = _refit(rough, kept, noise, rounds=4)
    finalists, others = _part(kept, _FINALISTS, _NEAREST)
    finals, unlisted = _settle(whole, finalists, noise)
    finals = _follow(whole, finals, causes, noise)
    local = _look_locally(whole, finals[0])
    others = _anchor(others, finalists, finals[: len(finalists)])
    best = max((*finals, *unlisted, *local), key=lambda e: e.score)
    unexplained = _is_unexplained(whole, best)
    if unexplained or best.hypothesis:
        margin = np.inf if unexplained else _PAIR_MARGIN
        pairs = _pair(rough, _lead(finals), causes, noise, margin)
        if pairs:
            pairs = _refit(rough, _keep([finals[0], *pairs], _PAIRS_KEPT), noise, rounds=4)
            paired, more = _part(pairs, _PAIR_FINALISTS, 2)
            fitted, odd = _settle(whole, paired, noise, beside=unexplained)
            others += _anchor(more, paired, fitted)
            finals += [e for e in fitted if e.hypothesis]
            unlisted += [e for e in odd if e.hypothesis]
    finals, ripple_db = _with_ripples(whole, finals, noise)
    known = float(np.log(dict(RIPPLES_DB)[noise.ripple_db]))
    rest = [replace(e, evidence=e.evidence + known) for e in (*unlisted, *others)]
    return [*finals, *rest, *local], ripple_db


def _gather(hypotheses: Sequence[Hypothesis], fits: Fit, zero: float | None = None) -> list[_Entry]:
    """Entries of fits, the first of which is the sound speaker where no zero is given."""
    start = float(fits.evidence[0]) if zero is None else zero
    return [
        _Entry(
            hypothesis=h,
            evidence=float(fits.evidence[p]) - start,
            fit=fits.chosen([p]),
            kind="listed" if h else "healthy",
            prior=prior_of(h),
        )
        for p, h in enumerate(hypotheses)
    ]


def _keep(entries: Sequence[_Entry], count: int) -> list[_Entry]:
    """Keep the sound speaker, and those that promise most."""
    faulty = sorted((e for e in entries if e.hypothesis), key=lambda e: -e.promise)
    return [*(e for e in entries if not e.hypothesis), *faulty[:count]]


def _refit(view: _View, entries: Sequence[_Entry], noise: Noise, *, rounds: int) -> list[_Entry]:
    """Go on fitting entries, the first of which is the sound speaker."""
    hypotheses, start = _reached(entries)
    return _gather(hypotheses, view.fit(hypotheses, start, noise, rounds=rounds))


def _reached(entries: Sequence[_Entry]) -> tuple[list[Hypothesis], Real]:
    """Hypotheses of entries, and where their fits have come to, shape (P, K)."""
    return [e.hypothesis for e in entries], np.concatenate([e.fit.shift for e in entries])


def _part(entries: Sequence[_Entry], most: int, nearest: int) -> tuple[list[_Entry], list[_Entry]]:
    """Those to settle on the whole grid, the sound speaker first, and the others."""
    order = _keep(entries, len(entries))
    front, rest = order[: most + 1], order[most + 1 :]
    rest.sort(key=lambda e: float(e.fit.chi[0]))
    return [*front, *rest[:nearest]], rest[nearest:]


def _anchor(
    rest: Sequence[_Entry], rough: Sequence[_Entry], settled: Sequence[_Entry]
) -> list[_Entry]:
    """Let what was fitted on the thinned grid alone count from what was fitted on both.

    Where a measurement is far from a sound speaker's, what thinning loses would count otherwise. The
    one to count from is that which came farthest on the thinned grid: one whose fit there was caught
    on the way has gained that on the whole grid, and would lend it to all others.
    """
    best = max(range(len(rough)), key=lambda i: rough[i].score)
    gap = settled[best].evidence - rough[best].evidence
    return [replace(e, evidence=e.evidence + gap) for e in rest]


def _find_ripple(rough: _View, kept: Sequence[_Entry]) -> Noise:
    """Find the amount of ripple under which the best of the leading entries is likeliest."""
    if not any(o.kind == "level" for o in rough.bank.observations):
        return Noise()
    leads = [kept[0], *_keep(kept[1:], _LEADS + 1)]
    hypotheses, start = _reached(leads)
    prior = np.log([e.prior for e in leads])
    noises = [Noise(ripple_db=db) for db, _ in RIPPLES_DB]
    fits = rough.fit(
        hypotheses * len(noises),
        np.tile(start, (len(noises), 1)),
        [noise for noise in noises for _ in hypotheses],
        rounds=3,
    )
    scores = (fits.evidence.reshape(len(noises), -1) + prior).max(axis=1)
    return noises[int(np.argmax(scores + np.log([share for _, share in RIPPLES_DB])))]


def _settle(
    whole: _View, entries: Sequence[_Entry], noise: Noise, *, beside: bool = True
) -> tuple[list[_Entry], list[_Entry]]:
    """Fit entries on the whole grid, alone and with a discrepancy, each from the other's best.

    Where nothing is left to explain, none is fitted `beside` them.
    """
    hypotheses, start = _reached(entries)
    alone = whole.fit(hypotheses, start, noise, rounds=6)
    if not beside:
        return _gather(hypotheses, alone), []
    leads = [0, *(int(p) for p in np.argsort(-alone.promise) if p != 0)][: _LEADS + 1]
    led = [hypotheses[p] for p in leads]
    odd_noises = [
        replace(noise, odd_db=a, odd_ohm_db=b, ripple_db=max(c, noise.ripple_db))
        for a, b, c in DISCREPANCIES_DB
    ]
    fits = whole.fit(
        led * len(odd_noises),
        np.tile(alone.shift[leads], (len(odd_noises), 1)),
        [one for one in odd_noises for _ in led],
        rounds=4,
    )
    odd = [(p, fits.chosen([i])) for i, p in enumerate(leads * len(odd_noises))]
    # From the discrepancy back to the noise: a fit that was caught in a bad place comes free.
    freed = np.concatenate([one.shift for _, one in odd[: len(leads)]])
    again = whole.fit(led, freed, noise, rounds=5)
    fits_of = {p: alone.chosen([p]) for p in range(len(hypotheses))}
    for i, p in enumerate(leads):
        if again.evidence[i] > fits_of[p].evidence[0]:
            fits_of[p] = again.chosen([i])
    zero = float(fits_of[0].evidence[0])
    finals = [_gather([h], fits_of[p], zero)[0] for p, h in enumerate(hypotheses)]
    unlisted = [
        _Entry(
            hypothesis=hypotheses[p],
            evidence=float(one.evidence[0]) - zero,
            fit=one,
            kind="unlisted",
            prior=(1.0 - _LOCAL_SHARE)
            * UNLISTED_PRIOR
            / len(DISCREPANCIES_DB)
            * (prior_of(hypotheses[p]) if hypotheses[p] else 1.0),
        )
        for p, one in odd
    ]
    return finals, unlisted


def _look_locally(whole: _View, sound: _Entry) -> list[_Entry]:
    """Weigh what nobody listed and what shows in one place of the responses, anywhere.

    Under each amount of ripple, as a bump that much ripple could not be is none under another.
    """
    bumps = list_bumps(whole.bank.problem.frequency_hz, whole.bank.observations)
    if not len(bumps):
        return []
    bank, priors = whole.bank.with_faults([HEALTHY]), Priors.of(whole.bank, [()])
    changes = np.concatenate([db * bumps for db in LOCAL_DB])
    zero = float(sound.fit.evidence[0]) - sound.evidence
    scores = []
    for db, prior in RIPPLES_DB:
        noise = Noise(ripple_db=db)
        fit = whole.fit([()], sound.fit.shift, noise, rounds=3)
        gains = add_one(bank, whole.target, whole.whitening(noise), priors, fit.shift, changes)
        scores.append(
            float(fit.evidence[0] + np.log(prior / len(gains)) + np.logaddexp.reduce(gains))
        )
    evidence = float(np.logaddexp.reduce(scores)) - zero
    return [replace(sound, evidence=evidence, kind="unlisted", prior=_LOCAL_SHARE * UNLISTED_PRIOR)]


def _follow(
    whole: _View, finals: Sequence[_Entry], causes: Sequence[Cause], noise: Noise
) -> list[_Entry]:
    """Go after what the best entry stretches: let it loose from where that fit has come to.

    A cause of unknown amount whose own fits were caught on the way is found like this.
    """
    best = max(finals, key=lambda e: e.score)
    if len(best.hypothesis) > 1:
        return list(finals)
    priors = Priors.of(whole.bank, [best.hypothesis])
    away = np.abs((best.fit.shift - priors.mean) / priors.spread)[0]
    stretched = set(np.flatnonzero(away > _STRETCHED).tolist())
    known = {tuple(map(id, e.hypothesis)): i for i, e in enumerate(finals)}
    wanted: list[Hypothesis] = [
        (*best.hypothesis, cause)
        for cause in causes
        if stretched & {w.unknown for w in cause.wide}
        and all(may_be_both(one, cause) for one in best.hypothesis)
    ]
    if not wanted:
        return list(finals)
    start = np.repeat(best.fit.shift, len(wanted), axis=0)
    zero = float(finals[0].fit.evidence[0]) - finals[0].evidence
    out = list(finals)
    for entry in _gather(wanted, whole.fit(wanted, start, noise, rounds=6), zero):
        i = known.get(tuple(map(id, entry.hypothesis)))
        if i is None:
            out.append(entry)
        elif entry.evidence > out[i].evidence:
            out[i] = entry
    return out


def _lead(finals: Sequence[_Entry]) -> list[_Entry]:
    """Find the leading entry about each of a few things."""
    order = sorted((e for e in finals if len(e.hypothesis) == 1), key=lambda e: -e.score)
    first = {_family(e): e for e in reversed(order)}
    return sorted(first.values(), key=lambda e: -e.score)[:_LEADS]


def _is_unexplained(whole: _View, best: _Entry) -> bool:
    """Whether the best leaves more than noise, or stretches what should be sound to explain it."""
    count = len(whole.target)
    left = float(best.fit.chi[0]) > count + 2.5 * np.sqrt(2.0 * count)
    stretched = bool(best.hypothesis) and float(best.fit.pull[0]) > _STRETCHED
    return best.kind == "unlisted" or left or stretched


def _pair(
    rough: _View,
    leads: Sequence[_Entry],
    causes: Sequence[Cause],
    noise: Noise,
    margin: float,
) -> list[_Entry]:
    """Second causes beside each of the leading ones, see `screen_pairs`."""
    if not leads:
        return []
    zero = float(rough.screen([()], noise).evidence[0])
    pairs, fits = rough.screen_pairs(leads, causes, noise, margin)
    return _gather(pairs, fits, zero)


def _with_ripples(
    whole: _View, finals: Sequence[_Entry], noise: Noise
) -> tuple[list[_Entry], float]:
    """Evidence summed over amounts of ripple, fits under the likeliest."""
    if not any(o.kind == "level" for o in whole.bank.observations):
        known = float(np.log(dict(RIPPLES_DB)[noise.ripple_db]))
        return [replace(e, evidence=e.evidence + known) for e in finals], 0.0
    hypotheses, start = _reached(finals)
    zero = float(finals[0].fit.evidence[0]) - finals[0].evidence
    fits = {
        db: whole.fit(hypotheses, start, replace(noise, ripple_db=db), rounds=3)
        for db, _ in RIPPLES_DB
        if db != noise.ripple_db
    }
    out = []
    for p, entry in enumerate(finals):
        own = {db: one.chosen([p]) for db, one in fits.items()} | {noise.ripple_db: entry.fit}
        score = {db: float(own[db].evidence[0] + np.log(prior)) for db, prior in RIPPLES_DB}
        likeliest = max(score, key=lambda db: score[db])
        total = float(np.logaddexp.reduce(list(score.values()))) - zero
        out.append((likeliest, replace(entry, evidence=total, fit=own[likeliest])))
    best = max(out, key=lambda item: item[1].score)
    return [entry for _, entry in out], best[0]


def _conclude(
    whole: _View,
    entries: Sequence[_Entry],
    predicted: Real,
    causes: Sequence[Cause],
    observations: Sequence[Observation],
    ripple_db: float,
    levels: Levels,
) -> Diagnosis:
    score = np.array([e.score for e in entries])
    share = np.exp(score - score.max())
    share /= share.sum()
    entries, share = _doubt_helped(entries, share)
    best = entries[int(np.argmax([e.score if _is_whole(whole, e) else -np.inf for e in entries]))]
    deviation = _without_slope(
        whole.bank.problem.frequency_hz,
        _deviations(observations, predicted, levels),
        _deviations(whole.bank.observations, best.fit.value[0]),
        levels,
    )
    curves = [d for o, d in deviation if o.kind == "level"] or [
        d for o, d in deviation if o.kind == "modulus"
    ]
    sound = next(e for e in entries if e.kind == "healthy")
    noise = [o.noise for o in whole.bank.observations if o.kind != "angle"]
    return Diagnosis(
        residual_db=float(np.sqrt(np.mean(np.concatenate(curves) ** 2))),
        deviation=deviation,
        possibilities=_list_possibilities(whole, entries, share),
        estimates=_estimate(whole.bank, entries, share),
        unseen=_list_unseen(whole, causes, ripple_db),
        noise_db=float(np.median(noise)) if noise else 0.0,
        ripple_db=ripple_db,
        pull=float(sound.fit.pull[0]),
    )


def _doubt_helped(entries: Sequence[_Entry], share: Real) -> tuple[list[_Entry], Real]:
    """Leave room for what nobody listed where a cause explains all only with the help of others.

    Parts are within their tolerance or are the matter themselves, so a cause that needs another one
    beyond three spreads is not the whole truth, however well it fits; and among hundreds of pairs
    there is nearly always one that does what a single thing does which is not listed.
    """
    helped = np.array(
        [
            e.kind == "listed" and (len(e.hypothesis) > 1 or float(e.fit.pull[0]) > _STRETCHED)
            for e in entries
        ]
    )
    theirs = float(share[helped].sum())
    if theirs <= _SURE_AT_MOST:
        return list(entries), share
    first = int(np.argmax(np.where(helped, share, 0.0)))
    share = np.where(helped, share * _SURE_AT_MOST / theirs, share)
    rest = replace(entries[first], kind="unlisted")
    return [*entries, rest], np.append(share, theirs - _SURE_AT_MOST)


def _is_whole(whole: _View, entry: _Entry) -> bool:
    """Whether an entry was fitted on the whole grid."""
    return len(entry.fit.value[0]) == len(whole.target)


def _without_slope(
    frequency_hz: Real,
    deviation: Sequence[tuple[Observation, Real]],
    left: Sequence[tuple[Observation, Real]],
    levels: Levels,
) -> tuple[tuple[Observation, Real], ...]:
    """Take the slope off responses that the best possibility leaves: it is the measurement's."""
    out = []
    for (o, difference), (_, rest) in zip(deviation, left, strict=True):
        if o.kind == "level":
            octave = np.log2(frequency_hz[o.index])
            slope = float(np.polyfit(octave, rest, 1)[0])
            slope = float(np.clip(slope, -_STEEPEST * SLOPE_SPREAD_DB, _STEEPEST * SLOPE_SPREAD_DB))
            difference = difference - slope * (octave - octave.mean())
            if levels == "free":
                difference = difference - np.median(difference)
        out.append((o, difference))
    return tuple(out)


def _deviations(
    observations: Sequence[Observation], predicted: Real, levels: Levels = "free"
) -> tuple[tuple[Observation, Real], ...]:
    """Measured less predicted, responses level aligned as far as their level is not known."""
    out = []
    # The median: a fault in one band must not tilt the picture of all others.
    heard = [o.value - predicted[here] for o, here in place(observations) if o.kind == "level"]
    common = float(np.median(np.concatenate(heard))) if levels == "same" and heard else 0.0
    for o, here in place(observations):
        difference = o.value - predicted[here]
        if o.kind == "level":
            difference = difference - (np.median(difference) if levels == "free" else common)
        elif o.kind == "angle":
            difference = difference - 360.0 * np.round(difference / 360.0)
        out.append((o, difference))
    return tuple(out)


_PART_KINDS: frozenset[What] = frozenset(
    (
        "open", "short", "decade", "factor two", "wrong pad resistor", "missing piece",
        "wrong position", "wrong tap", "value", "loss", "coil",
        "saturated",
    )
)  # fmt: skip
_DRIVER_KINDS: frozenset[What] = frozenset(
    ("level", "lead", "resonance", "voice coil", "another driver")
)


def _family(entry: _Entry) -> tuple[str, ...]:
    """Say what an entry is told together with: all about one part, or about one driver."""
    if entry.kind != "listed":
        return (entry.kind,)
    return tuple(sorted(_topic(cause) for cause in entry.hypothesis))


def _topic(cause: Cause) -> str:
    if cause.what in _PART_KINDS:
        return f"part {cause.where}"
    if cause.what in _DRIVER_KINDS:
        return f"driver {cause.where}"
    return f"{cause.what} {cause.where}"


def _find_families(entries: Sequence[_Entry], share: Real) -> dict[tuple[str, ...], list[int]]:
    """Join what is about the same thing; pairs of which only one is sure go to that one."""
    families: dict[tuple[str, ...], list[int]] = {}
    for i in np.argsort(-share, kind="stable"):
        families.setdefault(_family(entries[i]), []).append(int(i))
    of_topic: dict[str, float] = {}
    for name, members in families.items():
        if len(name) == 2:
            for topic in name:
                of_topic[topic] = of_topic.get(topic, 0.0) + float(share[members].sum())
    for name in [name for name in families if len(name) == 2]:
        surer = max(name, key=lambda topic: of_topic[topic])
        if share[families[name]].sum() < _SURE_OF_BOTH * of_topic[surer]:
            families.setdefault((surer, ""), []).extend(families.pop(name))
    return families


def _list_possibilities(
    whole: _View, entries: Sequence[_Entry], share: Real
) -> tuple[Possibility, ...]:
    """Join what is about the same thing, and tell for each what looks alike."""
    families = _find_families(entries, share)
    whitening = whole.whitening(Noise())
    firsts = {name: max(members, key=lambda i: share[i]) for name, members in families.items()}
    curves = {
        name: whitening(entries[i].fit.value)[0]
        for name, i in firsts.items()
        if _is_whole(whole, entries[i]) and entries[i].kind != "unlisted"
    }
    out = []
    for name, members in families.items():
        first = entries[firsts[name]]
        alike = [
            other
            for other, curve in curves.items()
            if name in curves
            and other != name
            and np.linalg.norm(curve - curves[name]) < ALIKE
            and share[families[other]].sum() > _RIVAL * share[members].sum()
        ]
        faults = _said(whole.bank, first)
        partly = name[-1] == ""
        if partly:
            sure = [_topic(cause) == name[0] for cause in first.hypothesis].index(True)
            faults = (faults[sure],)
        out.append(
            Possibility(
                kind="partly" if partly else first.kind,
                faults=faults,
                probability=float(share[members].sum()),
                residual_db=_left_db(whole, first),
                same_as=tuple(f for o in alike for f in _said(whole.bank, entries[firsts[o]])),
            )
        )
    out.sort(key=lambda e: -e.probability)
    likeliest = next((e for e in out if e.faults), None)
    # Two causes that nothing tells apart count together: else health leads where it is unlikely.
    if likeliest is not None and _add_alike(likeliest, out) > out[0].probability:
        group = _find_alike(likeliest, out)
        out = [*group, *(e for e in out if e not in group)]
    return tuple(out)


def _said(bank: FaultBank, entry: _Entry) -> tuple[Fault, ...]:
    return tuple(say_cause(bank, cause, entry.fit.shift[0]) for cause in entry.hypothesis)


def _left_db(whole: _View, entry: _Entry) -> float:
    """Compute what a fit leaves, rms in dB; of one on the thinned grid alone infinite."""
    if not _is_whole(whole, entry):
        return float("inf")
    deviations = _deviations(whole.bank.observations, entry.fit.value[0])
    left = [np.asarray(d) for o, d in deviations if o.kind != "angle"]
    return float(np.sqrt(np.mean(np.concatenate(left) ** 2))) if left else 0.0


_UNITS: dict[str, str] = {"gain": "dB", "time": "s", "height": "m"}
_NINETY = 1.645


def _estimate(bank: FaultBank, entries: Sequence[_Entry], share: Real) -> tuple[Estimate, ...]:
    """Values under all hypotheses together, each as probable as it is."""
    out = []
    for k, unknown in enumerate(bank.unknowns):
        rows = [
            i for i, e in enumerate(entries)
            if share[i] > 1e-3 and not _replaces(bank, e.hypothesis, k)
        ]  # fmt: skip
        weight = share[rows]
        if not rows or weight.sum() < 0.1:
            continue
        weight = weight / weight.sum()
        mean = np.array([entries[i].fit.shift[0, k] for i in rows])
        spread = np.array([entries[i].fit.spread[0, k] for i in rows])
        middle = float(weight @ mean)
        width = float(np.sqrt(weight @ (spread**2 + (mean - middle) ** 2)))
        ends = [middle, middle - _NINETY * width, middle + _NINETY * width]
        said = _in_units(bank, k, ends)
        if said is not None:
            label, unit, value, (estimate, low, high) = said
            out.append(
                Estimate(
                    what=unknown.what,
                    label=label,
                    unit=unit,
                    value=value,
                    estimate=estimate,
                    low=low,
                    high=high,
                    narrowed=width / unknown.spread,
                )
            )
    return tuple(out)


def _replaces(bank: FaultBank, hypothesis: Iterable[Cause], k: int) -> bool:
    """Whether a mistake makes another part of the one that an unknown is about."""
    unknown = bank.unknowns[k]
    if unknown.what not in ("value", "loss"):
        return False
    return any(bank.keys[unknown.index] in cause.fault.parts for cause in hypothesis)


def _in_units(
    bank: FaultBank, k: int, shifts: Sequence[float]
) -> tuple[str, str, float, list[float]] | None:
    """Label, unit, value and shifted values of an unknown; None for what nobody asks for."""
    unknown = bank.unknowns[k]
    if unknown.what in ("value", "loss"):
        label, part = bank.listed[bank.keys[unknown.index]]
        if unknown.what == "loss":
            if part.kind == "capacitor":
                return None
            return label, "ohm", part.loss_ohm, [part.loss_ohm * float(np.exp(x)) for x in shifts]
        value = part.value
        return label, UNIT_OF_KIND[part.kind], value, [value * float(np.exp(x)) for x in shifts]
    if unknown.what in _UNITS:
        return unknown.where or "microphone", _UNITS[unknown.what], 0.0, list(map(float, shifts))
    if unknown.what in ("source", "sag", "coupling", "session"):
        return None
    ratios = [float(np.exp(x)) for x in shifts]
    if unknown.what == "re":
        ohm = bank.model_of(unknown.index).re_ohm
        return unknown.where, "ohm", ohm, [ohm * x for x in ratios]
    return unknown.where, "", 1.0, ratios


def _list_unseen(whole: _View, causes: Sequence[Cause], ripple_db: float) -> tuple[Unseen, ...]:
    """List what would not stand out of the noise and of all that may differ in a sound speaker."""
    bank, whitening = whole.bank, whole.whitening(Noise(ripple_db=ripple_db or RIPPLES_DB[0][0]))
    sight = Sight.of(bank, whitening)
    mistakes = [c.fault for c in causes if not c.wide]
    values, _ = bank.with_faults([HEALTHY, *mistakes]).predict(
        np.zeros((len(mistakes) + 1, bank.count)), slopes=False
    )
    strengths = sight.strength(whitening(values[1:] - values[0]))
    out = [
        Unseen(says=fault.says, strength=float(strength))
        for fault, strength in zip(mistakes, strengths, strict=True)
        if strength < CLEAR_STRENGTH and not (fault.what in _NO_FAULT and strength < _NOTHING)
    ]
    amounts = sight.amounts(CLEAR_STRENGTH) * [u.spread for u in bank.unknowns]
    for what, title in _AMOUNTS.items():
        said = [
            f"{unknown.where} {_say_amount(what, float(amount))}"
            for unknown, amount in zip(bank.unknowns, amounts, strict=True)
            if unknown.what == what
        ]
        if said:
            out.append(Unseen(says=f"{title} {', '.join(said)}", strength=CLEAR_STRENGTH))
    return tuple(out)


_AMOUNTS: dict[UnknownKind, str] = {
    "value": "a value off by less than this:",
    "gain": "a driver louder or weaker by less than this:",
    "f0": "a resonance off by less than this:",
}


def _say_amount(what: UnknownKind, amount: float) -> str:
    """Say an amount of an unknown from which it shows."""
    if what == "gain":
        return f"{amount:.1f} dB" if amount < _MOST_DB else f"more than {_MOST_DB:.0f} dB"
    return f"{np.expm1(amount):.0%}" if amount < 1.0 else "a factor of three"
