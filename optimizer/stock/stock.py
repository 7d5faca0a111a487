"""Stock: everything that may fill a slot, with real losses, tolerance and price."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field

from optimizer.errors import InputError
from optimizer.parts import KINDS, Kind, Part
from optimizer.stock.coil import DEFAULT_WIRE_M, air_coil_dcr
from optimizer.stock.lots import Lot, PowerLaw
from optimizer.stock.series import RELATIVE_EPS, check_series, series_values

LOSS_TANGENT_HZ = 1000.0
"""Frequency at which loss tangents are stated."""

LOSS_TANGENTS: dict[str, float] = {
    "polypropylene": 0.001, "polyester": 0.01, "electrolytic": 0.05,
}
"""Typical loss tangent at 1 kHz by dielectric; bipolar electrolytics reach 0.02 to 0.1. From
memory, the careful end of each range: the data sheet decides."""

DEFAULT_TOLERANCE = 0.05
"""Usual for film capacitors, coils and wirewound resistors; from memory."""


def loss_tangent_to_esr(loss_tangent: float, capacitance_f: float) -> float:
    """Return the ESR in ohm of a capacitor whose loss tangent is stated at 1 kHz.

    Notes
    -----
    ESR = tan d / (2 pi f C), kept constant over frequency. A real film capacitor's loss tangent
    is nearly constant instead, so its ESR falls with frequency; the difference is milliohms.
    """
    return loss_tangent / (2.0 * math.pi * LOSS_TANGENT_HZ * capacitance_f)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRule:
    """Parts of one kind that shops keep in a preferred-value series.

    Parameters
    ----------
    kind : str
        Kind of part.
    series : str
        "E6" to "E96".
    loss : PowerLaw
        Loss in ohm at a value in SI units.
    tolerance : float
        Relative tolerance.
    price : PowerLaw or None
        Price at a value; None when unknown.
    """

    kind: Kind
    series: str
    loss: PowerLaw
    tolerance: float = DEFAULT_TOLERANCE
    price: PowerLaw | None = None

    def part(self, value: float) -> Part:
        """Return the part of this value."""
        return Part(
            kind=self.kind, value=value, loss_ohm=float(self.loss(value)),
            tolerance=self.tolerance, origin=self.series, pieces=(value,),
            price=None if self.price is None else float(self.price(value)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """Preferred-value series, bought-in lots and shelf lots, from which slots are filled.

    Parameters
    ----------
    rules : tuple of SeriesRule
        Values that can be bought in any number, at most one rule for each kind.
    lots : tuple of Lot
        Pieces on the shelf or on a bought-in list.
    currency : str
        Currency of all prices, for reports.
    """

    rules: tuple[SeriesRule, ...] = ()
    lots: tuple[Lot, ...] = ()
    currency: str = ""
    _memo: dict[tuple[Kind, float, float], tuple[Part, ...]] = field(
        default_factory=dict, init=False, repr=False, compare=False)

    def options(self, kind: Kind, low: float, high: float) -> tuple[Part, ...]:
        """Return every part of a kind from `low` to `high`, both included, sorted by value.

        Parameters
        ----------
        kind : str
            Kind of part.
        low, high : float
            Range in SI units.

        Returns
        -------
        tuple of Part
            Empty when the stock holds nothing in the range. Answers are remembered: asking
            again costs a dictionary look-up.
        """
        key = (kind, float(low), float(high))
        found = self._memo.get(key)
        if found is None:
            found = self._memo[key] = self._find_options(*key)
        return found

    def _find_options(self, kind: Kind, low: float, high: float) -> tuple[Part, ...]:
        parts = [rule.part(float(value)) for rule in self.rules if rule.kind == kind
                 for value in series_values(rule.series, low, high)]
        parts += [lot.part for lot in self.lots if lot.part.kind == kind]
        parts.sort(key=lambda part: part.value)
        values = [part.value for part in parts]
        return tuple(parts[bisect_left(values, low * (1 - RELATIVE_EPS)):
                           bisect_right(values, high * (1 + RELATIVE_EPS))])

    def loss_law(self, kind: Kind) -> PowerLaw:
        """Return a smooth loss in ohm for values in between, for continuous relaxation.

        Parameters
        ----------
        kind : str
            Kind of part.

        Returns
        -------
        PowerLaw
            Callable on an array of values (SI) -> ohm, with `slope` for derivatives: the law
            of the series when there is one, else a law of the same form through the median of
            the lots (resistance of coils as L^0.6, ESR as 1/C); zero for resistors.
        """
        for rule in self.rules:
            if rule.kind == kind:
                return rule.loss
        if kind == "resistor":
            return PowerLaw()
        exponent = 0.6 if kind == "inductor" else -1.0
        scales = sorted(lot.part.loss_ohm / lot.part.value**exponent
                        for lot in self.lots if lot.part.kind == kind)
        return PowerLaw(scale=scales[len(scales) // 2] if scales else 0.0, exponent=exponent)

    def __getstate__(self) -> tuple[object, ...]:
        # The memo can hold thousands of parts that a worker makes anew in milliseconds.
        return (self.rules, self.lots, self.currency)

    def __setstate__(self, state: tuple[object, ...]) -> None:
        for name, value in zip(("rules", "lots", "currency", "_memo"), (*state, {}), strict=True):
            object.__setattr__(self, name, value)


def series_stock(
    series: Mapping[Kind, str] | str = "E12",
    *,
    wire_m: float = DEFAULT_WIRE_M,
    loss_tangent: float = LOSS_TANGENTS["polypropylene"],
    tolerances: Mapping[Kind, float] | None = None,
    prices: Mapping[Kind, PowerLaw] | None = None,
    currency: str = "",
) -> Stock:
    """Return a stock of preferred values that can be bought in any number.

    Parameters
    ----------
    series : mapping or str
        Series for each kind, or one for all; a kind left out of the mapping has no parts.
    wire_m : float
        Bare wire diameter of the air-core coils, which gives their DCR.
    loss_tangent : float
        Loss tangent of the capacitors at 1 kHz, which gives their ESR.
    tolerances : mapping, optional
        Relative tolerance for each kind; 0.05 where left out.
    prices : mapping, optional
        Price law for each kind; unknown where left out.
    currency : str
        Currency of the prices.

    Returns
    -------
    Stock

    Raises
    ------
    InputError
        If a series is unknown, or a wire, loss tangent or tolerance is out of bounds.
    """
    return Stock(
        rules=series_rules(series, wire_m=wire_m, loss_tangent=loss_tangent,
                           tolerances=tolerances, prices=prices),
        currency=currency,
    )


def series_rules(
    series: Mapping[Kind, str] | str = "E12",
    *,
    wire_m: float = DEFAULT_WIRE_M,
    loss_tangent: float = LOSS_TANGENTS["polypropylene"],
    tolerances: Mapping[Kind, float] | None = None,
    prices: Mapping[Kind, PowerLaw] | None = None,
) -> tuple[SeriesRule, ...]:
    """Return one rule for each kind; parameters as in `series_stock`."""
    if not 0.0 <= loss_tangent < 1.0:
        raise InputError("the loss tangent must lie between 0 and 1", value=loss_tangent)
    names = dict.fromkeys(KINDS, series) if isinstance(series, str) else dict(series)
    laws: dict[Kind, PowerLaw] = {
        # At one wire the resistance of Brooks coils is exactly proportional to L^0.6.
        "inductor": PowerLaw(scale=float(air_coil_dcr(1.0, wire_m)), exponent=0.6),
        "capacitor": PowerLaw(scale=loss_tangent_to_esr(loss_tangent, 1.0), exponent=-1.0),
        "resistor": PowerLaw(),
    }
    rules = []
    for kind, name in names.items():
        if kind not in laws:
            raise InputError(f"the kind of part must be one of {', '.join(KINDS)}",
                             value=repr(kind))
        tolerance = (tolerances or {}).get(kind, DEFAULT_TOLERANCE)
        if not 0.0 <= tolerance < 1.0:
            raise InputError("a tolerance must lie between 0 and 1", key=kind, value=tolerance,
                             remedy="write 5 % as 0.05")
        rules.append(SeriesRule(kind=kind, series=check_series(name), loss=laws[kind],
                                tolerance=tolerance, price=(prices or {}).get(kind)))
    return tuple(rules)
