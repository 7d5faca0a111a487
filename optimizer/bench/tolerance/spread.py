"""What a study of tolerances says: bands, spreads, shares and the two speakers of a pair."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from optimizer.arrays import Real
from optimizer.text.brief import brief

Distribution = Literal["uniform", "normal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveBand:
    """Where a curve lies for nine in ten of the speakers built.

    Parameters
    ----------
    name : str
        Name of the curve; "impedance" is in dB re 1 ohm.
    nominal_db, low_db, high_db : ndarray, shape (F,)
        As designed, and the 5th and 95th percentile at each frequency.
    deviation_db : ndarray, shape (F,)
        Standard deviation of the draws.
    foretold_db : ndarray, shape (F,)
        The same to first order, from the derivatives.
    """

    name: str
    nominal_db: Real
    low_db: Real
    high_db: Real
    deviation_db: Real
    foretold_db: Real

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalSpread:
    """What tolerances do to one figure; the last one of a report is the whole cost.

    Parameters
    ----------
    name, unit : str
        Of the goal.
    nominal, mean, low, high : float
        As designed; mean, 5th and 95th percentile of the draws.
    """

    name: str
    unit: str
    nominal: float
    mean: float
    low: float
    high: float

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class PartShare:
    """How much of the spread comes from one part.

    Parameters
    ----------
    label : str
        "tweeter.C1", or "tweeter (level)" for the spread of a driver.
    tolerance : float
        Relative tolerance; for a driver its limit in dB.
    share : float
        Share of the variance of the on-axis level over the band, to first order.
    rms_db : float
        Root of that variance.
    cost_slope : float
        Change of the cost when the value grows by one per cent, to first order.
    """

    label: str
    tolerance: float
    share: float
    rms_db: float
    cost_slope: float

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldShare:
    """Share of the speakers built that keep one limit.

    Parameters
    ----------
    name : str
        Name of the goal.
    limit : float
        Largest figure allowed.
    share : float
        From 0 to 1.
    """

    name: str
    limit: float
    share: float

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSpread:
    """Difference of the on-axis level between two speakers of independent parts, in dB.

    Parameters
    ----------
    median_rms_db, high_rms_db : float
        Over the band, median and 95th percentile of the pairs.
    high_db : ndarray, shape (F,)
        95th percentile of the difference without sign at each frequency.
    """

    median_rms_db: float
    high_rms_db: float
    high_db: Real

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceReport:
    """Everything about the spread of one network.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
    band_hz : tuple of float
        Band of the shares and of the left-right difference: that of the on-axis goal.
    draws : int
        Speakers drawn.
    distribution : str
        How parts deviate.
    curves : tuple of CurveBand
        The named curves, the directivity indices, then the impedance.
    goals : tuple of GoalSpread
        Every goal with residuals, then the cost.
    parts : tuple of PartShare
        The most important first.
    limits : tuple of YieldShare
        One for each stated limit and each hard goal.
    all_limits : float
        Share of the speakers that keep every limit; 1.0 when there is none.
    pair : PairSpread
        Left against right.
    driver_level_db : float
        Limit of each driver's deviation in level.
    """

    frequency_hz: Real
    band_hz: tuple[float, float]
    draws: int
    distribution: Distribution
    curves: tuple[CurveBand, ...]
    goals: tuple[GoalSpread, ...]
    parts: tuple[PartShare, ...]
    limits: tuple[YieldShare, ...]
    all_limits: float
    pair: PairSpread
    driver_level_db: float = 0.0

    __repr__ = brief
