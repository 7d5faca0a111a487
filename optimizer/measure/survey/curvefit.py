"""A driver's level as high-pass, low-pass, shelf and resonances: evaluation and fitting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Real

_SECTIONS = {0: (0, 0), 1: (1, 0), 2: (0, 1), 3: (1, 1), 4: (0, 2)}
"""First-order and second-order sections of each order."""
_PULL_HEIGHT = 0.2
OUTLIER = 4.0
"""Errors beyond this many deviations of the noise count less."""
_DB = 10.0 / np.log(10.0)
_OVERFLOW = 600.0
"""Exponents are held below what ends in infinity: what lies so far apart is as good as nothing."""
_FAR = 40.0
"""Natural logarithm of a ratio of frequencies beyond which nothing changes any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveTerms:
    """Which terms the model holds.

    Parameters
    ----------
    low_order, high_order : int
        Order of the high-pass at the low end and of the low-pass at the high end, 0 to 4.
    bells : int
        Number of resonances.
    """

    low_order: int
    high_order: int
    bells: int = 0

    @property
    def low_count(self) -> int:
        """Parameters of the high-pass: its corner and a Q for each second-order section."""
        return 1 + _SECTIONS[self.low_order][1] if self.low_order else 0

    @property
    def high_count(self) -> int:
        """Parameters of the low-pass."""
        return 1 + _SECTIONS[self.high_order][1] if self.high_order else 0

    @property
    def size(self) -> int:
        """Length of the parameter vector."""
        return 4 + self.low_count + self.high_count + 3 * self.bells


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFit:
    """A fitted model.

    Parameters
    ----------
    structure : CurveTerms
        Its terms.
    x : ndarray, shape (structure.size,)
        Level in dB, shelf height in dB, ln shelf frequency, floor in dB; ln corner and ln Qs of
        high-pass and low-pass; then ln frequency, height in dB and ln Q of each bell.
    misfit : float
        Mean square error in dB squared, outliers counted less; infinite before a fit.
    pulled : float
        Sum of squares of what pulls the parameters, in units of their own deviations.
    """

    structure: CurveTerms
    x: Real
    misfit: float = np.inf
    pulled: float = 0.0

    def corner_hz(self, end: str) -> float | None:
        """Corner frequency of the "low" or "high" end."""
        s = self.structure
        if end == "low":
            return float(np.exp(self.x[4])) if s.low_order else None
        return float(np.exp(self.x[4 + s.low_count])) if s.high_order else None

    @property
    def bells(self) -> Real:
        """Frequency in Hz, height in dB and Q of every bell, shape (bells, 3)."""
        start = 4 + self.structure.low_count + self.structure.high_count
        bells = self.x[start:].reshape(-1, 3).copy()
        bells[:, 0] = np.exp(bells[:, 0])
        bells[:, 2] = np.exp(bells[:, 2])
        return np.asarray(bells)


def evaluate_curve(u: Real, structure: CurveTerms, x: Real, *, only: str = "all") -> Real:
    """Evaluate the model.

    Parameters
    ----------
    u : ndarray, shape (F,)
        ln of frequency in Hz.
    structure : CurveTerms
        The terms.
    x : ndarray, shape (structure.size,)
        Parameters.
    only : {"all", "low", "high", "bells"}
        Which part to evaluate, without level and floor unless "all".

    Returns
    -------
    ndarray, shape (F,)
        Level in dB.
    """
    if only == "all":
        return evaluate_with_slopes(u, structure, x)[0]
    at, order, sign = 4, structure.low_order, -1.0
    if only == "high":
        at, order, sign = 4 + structure.low_count, structure.high_order, 1.0
    if only == "bells":
        at = 4 + structure.low_count + structure.high_count
        return np.asarray(_bells(u, x[at:].reshape(-1, 3, 1))[0].sum(axis=0))
    return _roll(sign * (u - x[at]), order, x[at + 1 :])[0] if order else np.zeros_like(u)


def evaluate_with_slopes(u: Real, structure: CurveTerms, x: Real) -> tuple[Real, Real]:
    """Evaluate the model and its exact slopes.

    Parameters
    ----------
    u, structure, x
        As for `evaluate_curve`.

    Returns
    -------
    level_db : ndarray, shape (F,)
    slopes : ndarray, shape (structure.size, F)
        Change of the level with each parameter.
    """
    slopes = np.empty((structure.size, len(u)))
    step = np.exp(2.0 * (u - x[2]))
    raised = 10.0 ** (x[1] / 10.0) * step
    plain, lifted = 1.0 + step, 1.0 + raised
    level = x[0] + _DB * np.log(lifted / plain)
    slopes[0] = 1.0
    np.divide(raised, lifted, out=slopes[1])
    slopes[2] = -2.0 * _DB * (slopes[1] - step / plain)
    at = 4
    for sign, order, count in (
        (-1.0, structure.low_order, structure.low_count),
        (1.0, structure.high_order, structure.high_count),
    ):
        if order:
            roll, by_v, by_q = _roll(sign * (u - x[at]), order, x[at + 1 :])
            level += roll
            slopes[at] = -sign * by_v
            slopes[at + 1 : at + count] = by_q
        at += count
    if structure.bells:
        bells, by_v, by_height, by_q = _bells(u, x[at:].reshape(-1, 3, 1))
        level += bells.sum(axis=0)
        slopes[at::3], slopes[at + 1 :: 3], slopes[at + 2 :: 3] = -by_v, by_height, by_q
    # The floor adds its power to that of everything else, whose share scales all other slopes.
    floor = np.exp(np.minimum((x[3] - level) / _DB, _OVERFLOW))
    floor += 1.0
    with np.errstate(invalid="ignore"):
        slopes /= floor
    # Far outside of all data a slope may overflow where the floor hides it: it moves nothing there.
    slopes[np.isnan(slopes)] = 0.0
    slopes[3] = 1.0 - 1.0 / floor
    level += _DB * np.log(floor)
    return level, slopes


def _roll(v: Real, order: int, log_q: Real) -> tuple[Real, Real, Real]:
    """Low-pass at v = ln(f / corner), in dB; its slopes by v, and by each section's ln Q."""
    w2 = np.exp(2.0 * np.minimum(v, _FAR))
    first, second = _SECTIONS[order]
    by_q = np.empty((second, len(v)))
    product = 1.0 + w2 if first else np.ones_like(v)
    by_v = w2 / product if first else np.zeros_like(v)
    for index in range(second):
        imag2 = w2 * float(np.exp(-2.0 * log_q[index]))
        real = 1.0 - w2
        below = real * real + imag2
        product *= below
        np.divide(imag2, below, out=by_q[index])
        by_v += by_q[index] - 2.0 * w2 * real / below
    by_v *= -2.0 * _DB
    by_q *= 2.0 * _DB
    return -_DB * np.log(product), by_v, by_q


def _bells(u: Real, shape: Real) -> tuple[Real, Real, Real, Real]:
    """Levels of (s^2 + A s/Q + 1) / (s^2 + s/Q + 1) in dB, mirrored for dips; (bells, F) each.

    With their slopes by ln(f / centre), by height and by ln Q.
    """
    height = shape[:, 1]
    sign = np.where(height < 0.0, -_DB, _DB)
    gain2 = 10.0 ** (np.abs(height) / 10.0)
    w2 = np.exp(2.0 * np.minimum(u - shape[:, 0], _FAR))
    real = 1.0 - w2
    imag2 = w2 * np.exp(-2.0 * shape[:, 2])
    real2 = real * real
    raised = gain2 * imag2
    above, below = real2 + raised, real2 + imag2
    below += 1e-300
    share = raised / above
    excess = 2.0 * sign * (share - imag2 / below)
    by_v = excess - sign * (4.0 * w2 * real) * (1.0 / above - 1.0 / below)
    return sign * np.log(above / below), by_v, share, -excess


def fit_curve(
    u: Real, level_db: Real, start: CurveFit, *, noise_db: float, most: int = 60
) -> CurveFit:
    """Fit by least squares from given parameters, with soft pulls towards plain values.

    Parameters
    ----------
    u : ndarray, shape (F,)
        ln of frequency in Hz, evenly spaced.
    level_db : ndarray, shape (F,)
        Level in dB.
    start : CurveFit
        Starting parameters and structure.
    noise_db : float
        Standard deviation of the data, which sets the strength of the pulls.
    most : int
        Most evaluations.

    Returns
    -------
    CurveFit
    """
    from scipy.optimize import least_squares

    structure = start.structure
    low, high, centre, pull = _limits(u, level_db, structure)
    heights = slice(structure.size - 3 * structure.bells + 1, None, 3)
    points = len(u)
    jacobian = np.zeros((points + structure.size, structure.size))

    def measure(x: Real) -> Real:
        """Errors in dB and pulls in units of noise; leaves the slopes of both behind."""
        model, slopes = evaluate_with_slopes(u, structure, x)
        strength = pull.copy()
        # Dips are rarer, and mimic roll-offs.
        strength[heights] *= np.where(x[heights] < 0.0, 2.0, 1.0)
        jacobian[:points] = slopes.T
        np.fill_diagonal(jacobian[points:], noise_db * strength)
        return np.concatenate([model - level_db, noise_db * strength * (x - centre)])

    def weigh(z: Real) -> Real:
        """Single outliers count less (pseudo-Huber), pulls count as they are."""
        root = np.sqrt(1.0 + z)
        rho = np.array([2.0 * (root - 1.0), 1.0 / root, -0.5 / root**3])
        rho[0, points:], rho[1, points:], rho[2, points:] = z[points:], 1.0, 0.0
        return rho

    scale = OUTLIER * noise_db
    answer = least_squares(
        measure,
        np.clip(start.x, low, high),
        # Asked for only where the errors were just computed; scaled in place by who asks.
        jac=lambda _: jacobian.copy(),
        bounds=(low, high),
        loss=weigh,
        f_scale=scale,
        x_scale=_reach(structure),
        ftol=1e-4,
        xtol=1e-5,
        gtol=None,
        max_nfev=most,
    )
    error = answer.fun[:points]
    robust = scale**2 * 2.0 * (np.sqrt(1.0 + (error / scale) ** 2) - 1.0)
    return CurveFit(
        structure=structure,
        x=answer.x,
        misfit=float(np.mean(robust)),
        pulled=float(np.sum(answer.fun[points:] ** 2)) / noise_db**2,
    )


def criterion(fit: CurveFit, observations: float, least_db: float) -> float:
    """Bayesian information criterion of a fit: the less, the better the terms explain the data.

    Parameters
    ----------
    fit : CurveFit
        To data of which nothing is known but that they scatter.
    observations : float
        How many independent ones the data amount to.
    least_db : float
        Errors this small are as good as none.

    Returns
    -------
    float
        n ln(misfit) + k ln(n) for k parameters, with what the pulls, as priors, add. A difference of
        6 is strong evidence, one of 10 very strong.

    References
    ----------
    G. Schwarz, "Estimating the Dimension of a Model", Annals of Statistics 6(2), 1978; R. E. Kass
    and A. E. Raftery, "Bayes Factors", JASA 90, 1995, for the words (both from memory).
    """
    misfit = max(fit.misfit, least_db**2)
    return float(
        observations * np.log(misfit) + fit.pulled + fit.structure.size * np.log(observations)
    )


def _limits(u: Real, level_db: Real, structure: CurveTerms) -> tuple[Real, Real, Real, Real]:
    """Bounds, centres and strengths of the pulls, in the order of the parameters."""
    first, last = float(u[0]), float(u[-1])
    top, bottom = float(level_db.max()), float(level_db.min())
    rows = [
        # low, high, centre, pull in units of noise
        (bottom, top + 10.0, top, 0.0),
        (-4.0, 8.0, 0.0, 0.3),
        (np.log(150.0), np.log(1500.0), np.log(500.0), 1.0),
        (bottom - 60.0, bottom + 1.5, bottom - 20.0, 0.02),
    ]
    for order, count in (
        (structure.low_order, structure.low_count),
        (structure.high_order, structure.high_count),
    ):
        if not order:
            continue
        rows.append((first - 0.7, last + 0.7, 0.5 * (first + last), 0.0))
        rows += [(np.log(0.4), np.log(1.5), np.log(0.75), 1.5)] * (count - 1)
    for _ in range(structure.bells):
        # A broad dip at the very end could pass for a steeper roll-off: keep bells inside.
        rows.append((first + 0.12, last - 0.12, 0.5 * (first + last), 0.0))
        rows.append((-15.0, 20.0, 0.0, _PULL_HEIGHT))
        rows.append((np.log(1.0), np.log(25.0), np.log(4.0), 1.0))
    table = np.array(rows)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]


def _reach(structure: CurveTerms) -> Real:
    """How far each parameter typically moves: dB, and logarithms of frequency and Q."""
    ends = [0.3] * (structure.low_count + structure.high_count)
    return np.array([1.0, 1.0, 0.3, 3.0, *ends, *[0.1, 1.0, 0.3] * structure.bells])
