"""What a part of a series may cost, judged by the prices that the lists give."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from optimizer.parts import Kind
from optimizer.stock.lots import Lot, PowerLaw

_FEWEST = 3
"""Prices needed before their growth with the value means anything."""


def estimate_price(lots: Iterable[Lot], kind: Kind) -> PowerLaw | None:
    """Estimate the price of a new piece from those on the lists.

    Parameters
    ----------
    lots : iterable of Lot
        Shelf and bought-in lists; what an owned piece costs anew counts.
    kind : str
        Kind of part.

    Returns
    -------
    PowerLaw or None
        Price over the value in SI units, a straight line by least squares on double-logarithmic
        paper; level where only one or two prices are known or they do not rise; None without any.
    """
    known = [
        (lot.nominal, lot.replacement_price)
        for lot in lots
        if lot.part.kind == kind and lot.replacement_price
    ]
    if not known:
        return None
    x = np.log([value for value, _ in known])
    y = np.log([price for _, price in known])
    exponent = 0.0
    if len(known) >= _FEWEST and np.ptp(x) > 0.0:
        exponent = max(0.0, float(np.cov(x, y, bias=True)[0, 1] / np.var(x)))
    return PowerLaw(scale=math.exp(float(y.mean() - exponent * x.mean())), exponent=exponent)
