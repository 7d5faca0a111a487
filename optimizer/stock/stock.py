"""Stock: everything that may fill a slot, with real losses, tolerance and price."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from optimizer.errors import InputError, Subject
from optimizer.parts import BOARD, KINDS, NO_TERMS, Kind, Part, Terms
from optimizer.stock.coil import DEFAULT_WIRE_M, wind_air_coil
from optimizer.stock.combine import check_joins, list_joined
from optimizer.stock.lots import Lot, PowerLaw, TableLaw, name_lots, split_measured
from optimizer.stock.prices import estimate_price
from optimizer.stock.series import RELATIVE_EPS, check_series, series_values
from optimizer.text.brief import clip
from optimizer.text.units import parse_quantity

LOSS_TANGENT_HZ = 1000.0
"""Frequency at which loss tangents are stated."""

LOSS_TANGENTS: dict[str, float] = {
    "polypropylene": 0.001,
    "polyester": 0.01,
    "electrolytic": 0.05,
}
"""Typical loss tangent at 1 kHz by dielectric; bipolar electrolytics reach 0.02 to 0.1. From
memory, the careful end of each range: the data sheet decides."""

DEFAULT_DIELECTRIC = "polypropylene"
"""Capacitors bought by series where nothing is said."""

_USUAL: dict[Kind, float] = {"inductor": 1e-5, "capacitor": 1e-6, "resistor": 1.0}
"""A value that no limit of size speaks against."""

TRIM = 0.03
"""Smallest share a piece of a series may have in a joined part: less is lost in tolerance."""

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
    made_of : str
        See `Part`.
    wire_m : float or None
        Bare wire of coils.
    height : PowerLaw or None
        Height of a coil in m at a value; None when unknown.
    """

    kind: Kind
    series: str
    loss: PowerLaw
    tolerance: float = DEFAULT_TOLERANCE
    price: PowerLaw | None = None
    made_of: str = ""
    wire_m: float | None = None
    height: PowerLaw | None = None

    def suiting(self, terms: Terms) -> SeriesRule:
        """Return the rule of parts as some terms ask for them: of another wire or dielectric."""
        if self.kind == "inductor" and terms.wire_m is not None:
            return replace(self, **_wound_with(terms.wire_m))
        if self.kind == "capacitor" and not terms.accepts(self.part(1e-6)):
            for dielectric, tangent in LOSS_TANGENTS.items():
                made = replace(self, loss=_tangent_law(tangent), made_of=dielectric)
                if terms.accepts(made.part(1e-6)):
                    return made
        return self

    def part(self, value: float) -> Part:
        """Return the part of this value."""
        return Part(
            kind=self.kind,
            value=value,
            loss_ohm=float(self.loss(value)),
            tolerance=self.tolerance,
            origin=self.series,
            pieces=(value,),
            price=None if self.price is None else float(self.price(value)),
            made_of=self.made_of,
            wire_m=self.wire_m,
            height_m=None if self.height is None else float(self.height(value)),
        )


def _wound_with(wire_m: float) -> dict[str, Any]:
    """Return what is known of air-core coils of one wire, see `SeriesRule`."""
    coil = wind_air_coil(1.0, wire_m)
    return {
        # At one wire the resistance of Brooks coils is exactly proportional to L^0.6, the side of
        # the winding's section to L^0.2; lying flat it is as high as that side.
        "loss": PowerLaw(scale=float(coil.dcr_ohm), exponent=0.6),
        "height": PowerLaw(scale=float(coil.side_m), exponent=0.2),
        "wire_m": wire_m,
        "made_of": "air",
    }


def _tangent_law(tangent: float) -> PowerLaw:
    """ESR over capacitance at one loss tangent."""
    return PowerLaw(scale=loss_tangent_to_esr(tangent, 1.0), exponent=-1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """Preferred-value series, bought-in lots and shelf lots, from which slots are filled.

    Parameters
    ----------
    rules : tuple of SeriesRule
        Values that can be bought in any number, at most one rule for each kind.
    lots : tuple of Lot
        Pieces on the shelf or on a bought-in list; see `assemble_stock`.
    join : int
        Most pieces in one part, 1 to 3. Pieces of different origin are not joined.
    speakers : int
        Speakers built alike; each may use this share of a lot.
    within : float
        Relative distance within which joined parts count as the same value.
    currency : str
        Currency of all prices, for reports.
    notes : tuple of str
        What was assumed or passed over while it was put together.
    terms : Terms
        What every part must keep, wherever it goes.
    """

    rules: tuple[SeriesRule, ...] = ()
    lots: tuple[Lot, ...] = ()
    join: int = 1
    speakers: int = 1
    within: float = 0.005
    currency: str = ""
    notes: tuple[str, ...] = ()
    terms: Terms = NO_TERMS
    _memo: dict[tuple[Kind, float, float], tuple[Part, ...]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    _suiting: dict[Terms, Stock] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @classmethod
    def of(
        cls,
        series: Mapping[Kind, str] | str | None = "E12",
        *,
        lots: Iterable[Lot] = (),
        wire: str | float = DEFAULT_WIRE_M,
        capacitors: str = DEFAULT_DIELECTRIC,
        join: int = 1,
        pair: bool = False,
        currency: str = "",
        terms: Terms = NO_TERMS,
    ) -> Stock:
        """Make a stock in one line.

        Parameters
        ----------
        series : mapping, str or None
            Preferred-value series for each kind, or one for all; None buys nothing by series.
        lots : iterable of Lot
            Pieces of lists, see `optimizer.read_parts_list`.
        wire : str or float
            Bare diameter of the wire of coils bought by series, "1.4 mm" or in m.
        capacitors : str
            Dielectric of capacitors bought by series, see `LOSS_TANGENTS`.
        join : int
            Most pieces in one part, 1 to 3.
        pair : bool
            Whether the pieces must serve two speakers built alike.
        currency : str
            Currency of the lists.
        terms : Terms
            What every part must keep.

        Raises
        ------
        InputError
            Unknown series or dielectric, a number out of bounds, nothing to take parts from.

        Examples
        --------
        >>> Stock.of("E12", join=2)
        <Stock inductors E12, capacitors E12, resistors E12; join up to 2, for 1>
        >>> [part.value for part in Stock.of("E6").options("resistor", 1.0, 3.3)]
        [1.0, 1.5, 2.2, 3.3]
        """
        pieces = tuple(lots)
        if series is None and not pieces:
            raise InputError("the stock must hold something", remedy="name a series or give lots")
        if capacitors not in LOSS_TANGENTS:
            raise InputError(
                f"capacitors are one of {', '.join(LOSS_TANGENTS)}", value=repr(capacitors)
            )
        kinds = KINDS if isinstance(series, str) else tuple(series or ())
        laws = {kind: estimate_price(pieces, kind) for kind in kinds}
        rules = series_rules(
            {} if series is None else series,
            wire_m=parse_quantity(wire, "m"),
            dielectric=capacitors,
            prices={kind: law for kind, law in laws.items() if law is not None},
        )
        return assemble_stock(
            rules=rules,
            lots=pieces,
            join=join,
            speakers=2 if pair else 1,
            currency=currency,
            terms=terms,
        )

    def options(
        self, kind: Kind, low: float, high: float, terms: Terms = NO_TERMS
    ) -> tuple[Part, ...]:
        """Return every part of a kind from `low` to `high`, both included, sorted by value.

        Parameters
        ----------
        kind : str
            Kind of part.
        low, high : float
            Range in SI units.
        terms : Terms
            What the place asks for beside the terms of the stock.

        Returns
        -------
        tuple of Part
            Single pieces and, if `join` allows, joined ones; empty when the stock holds nothing
            in the range. Each part by itself respects the counts; see `Ledger` for several.
            Answers are remembered: asking again costs a dictionary look-up.
        """
        stock = self.suiting(terms)
        key = (kind, float(low), float(high))
        found = stock._memo.get(key)
        if found is None:
            found = stock._memo[key] = stock._find_options(*key)
        return found

    def suiting(self, terms: Terms) -> Stock:
        """Return the stock of a place that has terms of its own, with all that it may hold.

        Parameters
        ----------
        terms : Terms
            Parts bought by series are made as they ask; pieces of lists that break them are left
            out. Where pieces are to be joined in one way, at least two may be.
        """
        terms = self.terms & terms
        if terms == NO_TERMS or not (self.rules or self.lots):
            return self
        found = self._suiting.get(terms)
        if found is None:
            join = {"none": 1, "": self.join}.get(terms.joined, max(2, self.join))
            found = replace(
                self,
                rules=tuple(rule.suiting(terms) for rule in self.rules),
                lots=tuple(lot for lot in self.lots if terms.accepts(lot.part)),
                join=join,
                terms=terms,
            )
            found._suiting[terms] = found
            self._suiting[terms] = found
        return found

    def nearest(
        self, kind: Kind, low: float, high: float, terms: Terms = NO_TERMS
    ) -> tuple[Part, ...]:
        """Return the parts that break the terms least, for a place that nothing else can fill.

        Parameters
        ----------
        kind, low, high, terms
            As of `options`.

        Returns
        -------
        tuple of Part
            Those that break the fewest of them, of coils that are too high the lowest alone; sorted
            by value, empty when the stock holds nothing in the range at all.
        """
        every = replace(self, terms=NO_TERMS).options(kind, low, high)
        whole = self.terms & terms
        least = min((len(whole.faults(part)) for part in every), default=0)
        few = [part for part in every if len(whole.faults(part)) == least]
        high_ones = [p for p in few if whole.height_m is not None and p.height_m is not None]
        if high_ones:
            lowest = min(p.height_m or 0.0 for p in high_ones)
            few = [p for p in high_ones if p.height_m == lowest]
        return tuple(few)

    def with_series(self, series: str) -> Stock:
        """Return the stock with another series to buy from; wire, losses and prices stay.

        Parameters
        ----------
        series : str
            "E6" to "E96". A kind that was only on the shelf gets the usual losses.

        Returns
        -------
        Stock
            Without joined pieces: a fine series holds what they are joined for.

        Raises
        ------
        InputError
            If the series is unknown.
        """
        own = {rule.kind: rule for rule in self.rules}
        rules = [
            replace(own[rule.kind], series=series) if rule.kind in own else rule
            for rule in series_rules(series)
        ]
        return replace(self, rules=tuple(rules), join=1)

    def check_joins(self, kinds: Collection[Kind]) -> None:
        """Refuse to join pieces where these are too many; asked before any work is done.

        Parameters
        ----------
        kinds : collection of str
            Kinds that are wanted.

        Raises
        ------
        InputError
            With how many sets of pieces there are, and how many would fit.
        """
        if self.join == 1:
            return
        count = Counter(
            (lot.part.kind, lot.part.origin) for lot in self.lots if self.per_speaker(lot) != 0
        )
        for (kind, _), values in count.items():
            if kind in kinds:
                check_joins(kind, values, self.join)

    def per_speaker(self, lot: Lot) -> int | None:
        """Return how many pieces of a lot one speaker may use; None for any number."""
        if lot.count is None or lot.part.origin == BOARD:
            return lot.count  # every cabinet has its own board
        return lot.count // self.speakers

    def _find_options(self, kind: Kind, low: float, high: float) -> tuple[Part, ...]:
        low, high = low * (1 - RELATIVE_EPS), high * (1 + RELATIVE_EPS)
        parts: list[Part] = []
        for rule in self.rules:
            if rule.kind == kind:
                parts += self._series_options(rule, low, high)
        parts += [part for part in self._lot_options(kind) if low <= part.value <= high]
        parts = [part for part in parts if self.terms.accepts(part)]
        parts.sort(key=lambda part: (part.value, part.piece_count))
        return tuple(parts)

    def _series_options(self, rule: SeriesRule, low: float, high: float) -> list[Part]:
        singles = [rule.part(float(value)) for value in series_values(rule.series, low, high)]
        if self.join == 1:
            return singles
        # Pieces far above the range can only be joined where values shrink by joining.
        ends = (low * TRIM, high if rule.kind == "inductor" else high / TRIM)
        pieces = [rule.part(float(value)) for value in series_values(rule.series, *ends)]
        pieces = [part for part in pieces if self.terms.accepts(part)]
        joined = list_joined(
            pieces,
            [None] * len(pieces),
            most=self.join,
            low=low,
            high=high,
            within=self.within,
            least_share=TRIM,
        )
        return singles + list(joined)

    def _lot_options(self, kind: Kind) -> tuple[Part, ...]:
        key = (kind, 0.0, math.inf)
        found = self._memo.get(key)
        if found is None:
            parts: list[Part] = []
            for origin in dict.fromkeys(lot.part.origin for lot in self.lots):
                lots = [
                    lot
                    for lot in self.lots
                    if lot.part.origin == origin
                    and lot.part.kind == kind
                    and self.per_speaker(lot) != 0
                ]
                pieces = [lot.part for lot in lots]
                parts += pieces
                # Two ways to the same value: the first may need a piece used elsewhere.
                parts += list_joined(
                    pieces,
                    [self.per_speaker(lot) for lot in lots],
                    most=self.join,
                    within=self.within,
                    alternates=2,
                )
            found = self._memo[key] = tuple(parts)
        return found

    def loss_law(self, kind: Kind, terms: Terms = NO_TERMS) -> PowerLaw | TableLaw:
        """Return a smooth loss in ohm for values in between, for continuous relaxation.

        Parameters
        ----------
        kind : str
            Kind of part.
        terms : Terms
            What the place asks for; where nothing keeps that, all there is counts.

        Returns
        -------
        PowerLaw or TableLaw
            Callable on an array of values (SI) -> ohm, with `slope` for derivatives: the law
            of the series when there is one, else a law through the lots (the lower loss where
            two have one value); zero for resistors.
        """
        stock = self.suiting(terms)
        for rule in stock.rules:
            if rule.kind == kind and stock.terms.accepts(rule.part(_USUAL[kind])):
                return rule.loss
        if kind == "resistor":
            return PowerLaw()
        least: dict[int, tuple[float, float]] = {}
        lots = [lot for lot in stock.lots if lot.part.kind == kind]
        for lot in lots or self.lots:
            if lot.part.kind == kind:
                point = (lot.part.value, max(lot.part.loss_ohm, 1e-6))
                same = round(1e3 * math.log(point[0]))
                least[same] = min(point, least.get(same, point), key=lambda p: p[1])
        points = sorted(least.values())
        if len(points) < 2:
            exponent = 0.6 if kind == "inductor" else -1.0
            return PowerLaw(
                exponent=exponent, scale=sum(loss / value**exponent for value, loss in points)
            )
        return TableLaw(
            log_values=tuple(math.log(value) for value, _ in points),
            log_losses=tuple(math.log(loss) for _, loss in points),
        )

    def __repr__(self) -> str:
        series = ", ".join(f"{rule.kind}s {rule.series}" for rule in self.rules)
        lots = f"{len(self.lots)} lots" if self.lots else ""
        return clip(
            f"<Stock {'; '.join(filter(None, (series, lots))) or 'empty'}; "
            f"join up to {self.join}, for {self.speakers}>"
        )

    def __getstate__(self) -> tuple[object, ...]:
        # The memo can hold thousands of parts that a worker makes anew in milliseconds.
        return (
            self.rules,
            self.lots,
            self.join,
            self.speakers,
            self.within,
            self.currency,
            self.notes,
            self.terms,
        )

    def __setstate__(self, state: tuple[object, ...]) -> None:
        for item, value in zip(fields(self), (*state, {}, {}), strict=True):
            object.__setattr__(self, item.name, value)


def assemble_stock(
    *,
    rules: Iterable[SeriesRule] = (),
    lots: Iterable[Lot] = (),
    join: int = 1,
    speakers: int = 1,
    within: float = 0.005,
    currency: str = "",
    notes: Iterable[str] = (),
    terms: Terms = NO_TERMS,
) -> Stock:
    """Mix series, shelf and bought-in lots into one stock.

    Parameters
    ----------
    rules : iterable of SeriesRule
        See `series_rules`; none when only the shelf may be used.
    lots : iterable of Lot
        From one or more lists of parts, see `read_parts_list`.
    join : int
        Most pieces in one part, 1 to 3.
    speakers : int
        Speakers built alike: 2 for a pair.
    within : float
        Relative distance within which joined parts count as the same value.
    currency : str
        Currency of all prices.
    notes : iterable of str
        What was assumed or passed over.
    terms : Terms
        What every part must keep.

    Returns
    -------
    Stock
        A piece that is owned has the price 0, so it wins wherever price counts.

    Raises
    ------
    InputError
        If a number is out of bounds.
    """
    if join not in (1, 2, 3):
        raise InputError(
            "one to three pieces can be joined",
            subject=Subject("stock", part="joined pieces"),
            value=join,
        )
    if speakers < 1:
        raise InputError(
            "at least one speaker must be built",
            subject=Subject("stock", part="speakers"),
            value=speakers,
        )
    if not 0.0 < within < 0.5:
        raise InputError(
            "the distance of equal values must lie between 0 and 0.5",
            subject=Subject("stock", part="equal values"),
            value=within,
        )
    kept = list(lots)
    if speakers == 1:
        kept = [piece for lot in kept for piece in split_measured(lot)]
    return Stock(
        rules=tuple(rules),
        lots=name_lots(kept),
        join=join,
        speakers=speakers,
        within=within,
        currency=currency,
        notes=tuple(notes),
        terms=terms,
    )


def series_stock(
    series: Mapping[Kind, str] | str = "E12",
    *,
    wire_m: float = DEFAULT_WIRE_M,
    loss_tangent: float | None = None,
    dielectric: str = DEFAULT_DIELECTRIC,
    tolerances: Mapping[Kind, float] | None = None,
    prices: Mapping[Kind, PowerLaw] | None = None,
    currency: str = "",
    join: int = 1,
) -> Stock:
    """Return a stock of preferred values that can be bought in any number.

    Parameters
    ----------
    series : mapping or str
        Series for each kind, or one for all; a kind left out of the mapping has no parts.
    wire_m : float
        Bare wire diameter of the air-core coils, which gives their DCR.
    loss_tangent : float, optional
        Loss tangent of the capacitors at 1 kHz, which gives their ESR; that of the dielectric when
        left out.
    dielectric : str
        What capacitors are made of, see `LOSS_TANGENTS`.
    tolerances : mapping, optional
        Relative tolerance for each kind; 0.05 where left out.
    prices : mapping, optional
        Price law for each kind; unknown where left out.
    currency, join
        As in `Stock`.

    Returns
    -------
    Stock

    Raises
    ------
    InputError
        If a series is unknown, or a wire, loss tangent or tolerance is out of bounds.
    """
    return assemble_stock(
        rules=series_rules(
            series,
            wire_m=wire_m,
            loss_tangent=loss_tangent,
            dielectric=dielectric,
            tolerances=tolerances,
            prices=prices,
        ),
        currency=currency,
        join=join,
    )


def series_rules(
    series: Mapping[Kind, str] | str = "E12",
    *,
    wire_m: float = DEFAULT_WIRE_M,
    loss_tangent: float | None = None,
    dielectric: str = DEFAULT_DIELECTRIC,
    tolerances: Mapping[Kind, float] | None = None,
    prices: Mapping[Kind, PowerLaw] | None = None,
) -> tuple[SeriesRule, ...]:
    """Return one rule for each kind; parameters as in `series_stock`."""
    if loss_tangent is None:
        loss_tangent = LOSS_TANGENTS[dielectric]
    if not 0.0 <= loss_tangent < 1.0:
        raise InputError("the loss tangent must lie between 0 and 1", value=loss_tangent)
    names = dict.fromkeys(KINDS, series) if isinstance(series, str) else dict(series)
    known: dict[Kind, dict[str, Any]] = {
        "inductor": _wound_with(wire_m),
        "capacitor": {"loss": _tangent_law(loss_tangent), "made_of": dielectric},
        "resistor": {"loss": PowerLaw()},
    }
    rules = []
    for kind, name in names.items():
        if kind not in known:
            raise InputError(
                f"the kind of part must be one of {', '.join(KINDS)}", value=repr(kind)
            )
        tolerance = (tolerances or {}).get(kind, DEFAULT_TOLERANCE)
        if not 0.0 <= tolerance < 1.0:
            raise InputError(
                "a tolerance must lie between 0 and 1",
                subject=Subject("stock", kind, "tolerance"),
                value=tolerance,
                remedy="give 5 % as 0.05",
            )
        rules.append(
            SeriesRule(
                kind=kind,
                series=check_series(name),
                tolerance=tolerance,
                price=(prices or {}).get(kind),
                **known[kind],
            )
        )
    return tuple(rules)
