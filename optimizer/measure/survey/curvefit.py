"""A driver's level as high-pass, low-pass, shelf and resonances: evaluation and fitting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Real

_SECTIONS = {0: (0, 0), 1: (1, 0), 2: (0, 1), 3: (1, 1), 4: (0, 2)}
"""First-order and second-order sections of each order."""
_PULL_HEIGHT = 0.4


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
    cost : float
        Weighted sum of squares with the pulls on the parameters.
    """

    structure: CurveTerms
    x: Real
    cost: float

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
    """Evaluate the model for a batch of parameter vectors.

    Parameters
    ----------
    u : ndarray, shape (F,)
        ln of frequency in Hz.
    structure : CurveTerms
        The terms.
    x : ndarray, shape (B, structure.size)
        Parameter vectors.
    only : {"all", "low", "high", "bells"}
        Which part to evaluate, without level and floor unless "all".

    Returns
    -------
    ndarray, shape (B, F)
        Level in dB.
    """
    x = np.atleast_2d(x)
    level = np.zeros((len(x), len(u)))
    at = 4
    if only == "all":
        step = np.exp(2.0 * (u - x[:, 2:3]))
        top = 10.0 ** (x[:, 1:2] / 10.0)
        level += x[:, 0:1] + 10.0 * np.log10((1.0 + top * step) / (1.0 + step))
    if structure.low_order:
        if only in ("all", "low"):
            level += _roll(x[:, at : at + 1] - u, structure.low_order, x[:, at + 1 :])
        at += structure.low_count
    if structure.high_order:
        if only in ("all", "high"):
            level += _roll(u - x[:, at : at + 1], structure.high_order, x[:, at + 1 :])
        at += structure.high_count
    if only in ("all", "bells"):
        for first in range(at, structure.size, 3):
            level += _bell(u - x[:, first : first + 1], x[:, first + 1 : first + 3])
    if only == "all":
        floor = x[:, 3:4]
        level = 10.0 * np.log10(10.0 ** (level / 10.0) + 10.0 ** (floor / 10.0))
    return level


def _roll(v: Real, order: int, log_q: Real) -> Real:
    """Low-pass of the given order at v = ln(f / corner), in dB."""
    w2 = np.exp(2.0 * np.clip(v, -40.0, 40.0))
    first, second = _SECTIONS[order]
    level = np.zeros_like(v)
    if first:
        level -= 10.0 * np.log10(1.0 + w2)
    for index in range(second):
        q2 = np.exp(-2.0 * log_q[:, index : index + 1])
        level -= 10.0 * np.log10((1.0 - w2) ** 2 + w2 * q2)
    return level


def _bell(v: Real, shape: Real) -> Real:
    """Level of (s^2 + A s/Q + 1) / (s^2 + s/Q + 1) in dB; mirrored for dips."""
    height = shape[:, 0:1]
    gain2 = 10.0 ** (np.abs(height) / 10.0)
    w2 = np.exp(2.0 * np.clip(v, -40.0, 40.0))
    real2 = (1.0 - w2) ** 2
    imag2 = w2 * np.exp(-2.0 * shape[:, 1:2])
    return np.asarray(
        np.sign(height) * 10.0 * np.log10((real2 + gain2 * imag2) / (real2 + imag2 + 1e-300))
    )


def fit_curve(
    u: Real, level_db: Real, start: CurveFit, *, noise_db: float, steps: int = 60
) -> CurveFit:
    """Levenberg-Marquardt from given parameters, with soft pulls towards plain values.

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
    steps : int
        Most iterations.

    Returns
    -------
    CurveFit
    """
    structure = start.structure
    x = start.x.copy()
    low, high, centre, pull = _limits(u, level_db, structure, noise_db)
    x = np.clip(x, low, high)
    size = len(x)
    delta = 1e-5

    def errors(points: Real) -> Real:
        error = evaluate_curve(u, structure, points) - level_db
        # Single outliers count less: pseudo-Huber at four times the noise.
        scale = 4.0 * noise_db
        error = np.sign(error) * scale * np.sqrt(2.0 * (np.sqrt(1.0 + (error / scale) ** 2) - 1.0))
        away = pull * (points - centre)
        heights = away[:, structure.size - 3 * structure.bells + 1 :: 3]
        heights[heights < 0.0] *= 2.0  # dips are rarer than peaks, and mimic roll-offs
        return np.concatenate([error, away], axis=1)

    error = errors(x[None, :])[0]
    cost = float(error @ error)
    damping = 1e-2
    for _ in range(steps):
        jacobian = ((errors(x + delta * np.eye(size)) - error) / delta).T
        normal = jacobian.T @ jacobian
        gradient = jacobian.T @ error
        gain = 0.0
        for _ in range(6):
            damped = normal + np.diag(damping * np.diag(normal) + 1e-9)
            trial = np.clip(x - np.linalg.solve(damped, gradient), low, high)
            trial_error = errors(trial[None, :])[0]
            trial_cost = float(trial_error @ trial_error)
            if trial_cost < cost:
                gain = cost - trial_cost
                x, error, cost = trial, trial_error, trial_cost
                damping *= 0.3
                break
            damping *= 5.0
        if gain < 1e-4 * cost:
            break
    return CurveFit(structure=structure, x=x, cost=cost)


def _limits(
    u: Real, level_db: Real, structure: CurveTerms, noise_db: float
) -> tuple[Real, Real, Real, Real]:
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
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3] * noise_db
