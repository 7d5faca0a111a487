"""Integer assignment and pair matching against brute force on small random shelves."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.parts import Part
from optimizer.stock.allocate import SlotChoice, SlotDemand, allocate
from optimizer.stock.ledger import Ledger
from optimizer.stock.lots import Lot
from optimizer.stock.pair import describe_match, match_pair
from optimizer.stock.stock import Stock, assemble_stock, series_rules, series_stock


def random_shelf(rng: np.random.Generator) -> Stock:
    """A few lots of each kind in small numbers, for one speaker or a pair, joined or not."""
    scale = {"inductor": 1e-3, "capacitor": 1e-6, "resistor": 1.0}
    lots = []
    for kind, unit in scale.items():
        for _ in range(rng.integers(1, 4)):
            value = float(np.round(rng.uniform(1, 10), 1) * unit)
            part = Part(kind=kind, value=value, origin="shelf", pieces=(value,), price=0.0)  # type: ignore[arg-type]
            lots.append(Lot(part=part, count=int(rng.integers(1, 6)), nominal=value))
    return assemble_stock(lots=lots, join=int(rng.integers(1, 4)), speakers=int(rng.integers(1, 3)))


def random_wishes(rng: np.random.Generator, stock: Stock) -> list[SlotDemand]:
    """Up to four slots with a handful of choices each, a few of them compounds or empty."""
    every = {
        kind: stock.options(kind, 0.0001 * unit, 1000 * unit)
        for kind, unit in (("inductor", 1e-3), ("capacitor", 1e-6), ("resistor", 1.0))
    }
    wishes = []
    for slot in range(rng.integers(2, 5)):
        kinds = rng.choice(list(every), size=rng.choice([1, 1, 1, 2, 3]), replace=False)
        choices = []
        for _ in range(rng.integers(1, 7)):
            if any(not every[kind] for kind in kinds):
                continue
            parts = tuple(every[kind][rng.integers(len(every[kind]))] for kind in kinds)
            choices.append(SlotChoice(parts=parts, cost=float(rng.uniform(-1, 1))))
        if rng.random() < 0.2:
            choices.append(SlotChoice(parts=(), cost=1.0))
        wishes.append(SlotDemand(slot=f"slot {slot}", choices=tuple(choices)))
    return wishes


def count_by_hand(stock: Stock, parts: list[Part]) -> bool:
    """Count pieces by value alone, without the code under test."""
    used: dict[tuple[str, float], int] = {}
    for part in parts:
        for value in part.pieces:
            used[part.kind, value] = used.get((part.kind, value), 0) + 1
    have = {(lot.part.kind, lot.part.value): lot.count for lot in stock.lots}
    return all(stock.speakers * count <= (have[key] or 0) for key, count in used.items())


def try_everything(stock: Stock, wishes: list[SlotDemand]) -> tuple[int, float]:
    """Fewest unserved slots, and the least cost among those, over every combination."""
    best = (len(wishes) + 1, math.inf)
    for picks in itertools.product(*([None, *wish.choices] for wish in wishes)):
        filled = [choice for choice in picks if choice is not None]
        outcome = (len(wishes) - len(filled), sum(choice.cost for choice in filled))
        if outcome < best and count_by_hand(stock, [p for c in filled for p in c.parts]):
            best = outcome
    return best


def test_assignment_equals_brute_force_on_random_shelves(trials: Callable[..., int]) -> None:
    """On up to 500 random small shelves the assignment is feasible and exactly as cheap as the best."""
    shelves = trials(routine=150, full=500)
    rng = np.random.default_rng(20)
    unserved = solved = 0
    for _ in range(shelves):
        stock = random_shelf(rng)
        wishes = random_wishes(rng, stock)
        found = allocate(wishes, stock)
        parts = [
            p
            for wish, k in zip(wishes, found.picks, strict=True)
            if k is not None
            for p in wish.choices[k].parts
        ]
        assert count_by_hand(stock, parts)
        assert Ledger(stock).fits(parts)
        missing, cost = try_everything(stock, wishes)
        assert (found.picks.count(None), found.proved) == (missing, True)
        assert len(found.unserved) == missing
        assert found.cost == pytest.approx(cost, abs=1e-9)
        unserved += missing > 0
        cheapest = sum(min((c.cost for c in w.choices), default=0.0) for w in wishes)
        solved += found.cost > cheapest + 1e-9 and not missing
    # The cases are worth something only if counts bite in many of them.
    assert min(unserved, solved) > shelves / 10


def test_ledger_agrees_with_counting_by_hand() -> None:
    """Booking part by part, asking for all at once, and the list of draws say the same as counting."""
    rng = np.random.default_rng(21)
    seen = set()
    for _ in range(300):
        stock = random_shelf(rng)
        options = [
            p
            for kind in ("inductor", "capacitor", "resistor")
            for p in stock.options(kind, 1e-9, 1e6)
        ]  # type: ignore[arg-type]
        if not options:
            continue
        parts = [options[i] for i in rng.integers(len(options), size=rng.integers(1, 6))]
        truth = count_by_hand(stock, parts)
        ledger = Ledger(stock)
        matrix = np.zeros((len(options), len(ledger.lots)), dtype=int)
        row, lot, pieces = ledger.draws(options)
        matrix[row, lot] = pieces
        rows = [options.index(part) for part in parts]
        assert ledger.fits(parts) == truth
        assert bool(np.all(matrix[rows].sum(axis=0) <= ledger.available)) == truth
        assert (ledger.overdrawn(parts) == ()) == truth
        assert all(ledger.take(part) for part in parts) == truth
        seen.add(truth)
    assert seen == {True, False}


def shelf_of(count: int, *values: float, kind: str = "capacitor", **more: object) -> list[Lot]:
    return [
        Lot(
            part=Part(kind=kind, value=v, origin="shelf", pieces=(v,), **more),  # type: ignore[arg-type]
            count=count,
            nominal=v,
        )
        for v in values
    ]


def test_unserved_slot_is_named_with_the_nearest_purchase() -> None:
    """Two slots want the only pair of 4.7 uF: the cheaper outcome has it."""
    stock = assemble_stock(lots=shelf_of(2, 4.7e-6), speakers=2)
    part = stock.options("capacitor", 4e-6, 5e-6)[0]
    wishes = [
        SlotDemand(slot="woofer.C1", choices=(SlotChoice(parts=(part,), cost=0.2),)),
        SlotDemand(slot="tweeter.C1", choices=(SlotChoice(parts=(part,), cost=0.1),)),
    ]
    found = allocate(wishes, stock, shop=series_stock("E12"))
    assert found.picks == (None, 0)
    (missing,) = found.unserved
    assert missing.slot == "woofer.C1"
    assert [p.value for p in missing.purchase] == [4.7e-6]
    assert missing.message == (
        "woofer.C1 cannot be served from the stock: no 4.7 uF left; "
        "nearest purchase: 2 x 4.7 uF (E12)"
    )


def test_a_slot_without_choices_asks_for_its_ideal() -> None:
    """Where the shelf holds nothing in range, the ideal value leads to the purchase."""
    ideal = Part(kind="inductor", value=1.07e-3)
    found = allocate(
        [SlotDemand(slot="woofer.L1", choices=(), ideal=(ideal,))],
        assemble_stock(),
        shop=series_stock("E24"),
    )
    assert found.unserved[0].purchase[0].value == 1.1e-3
    assert "nearest purchase: 1 x 1.1 mH (E24)" in found.unserved[0].message


def test_costs_of_any_size_are_told_apart() -> None:
    """Costs that differ by parts in a billion still decide."""
    stock = assemble_stock(lots=shelf_of(1, 1e-6, 2e-6))
    one, two = stock.options("capacitor", 1e-7, 1e-5)
    wishes = [
        SlotDemand(
            slot="a",
            choices=(SlotChoice(parts=(one,), cost=1e-9), SlotChoice(parts=(two,), cost=2e-9)),
        ),
        SlotDemand(
            slot="b",
            choices=(SlotChoice(parts=(one,), cost=1e-9), SlotChoice(parts=(two,), cost=9e-9)),
        ),
    ]
    assert allocate(wishes, stock).picks == (1, 0)


def test_impossible_costs_and_foreign_pieces_are_refused() -> None:
    """A NaN cost, or a part of pieces that are not in the stock, raises one clear error."""
    stock = assemble_stock(lots=shelf_of(1, 1e-6))
    part = stock.options("capacitor", 1e-7, 1e-5)[0]
    with pytest.raises(InputError, match="finite"):
        allocate([SlotDemand(slot="a", choices=(SlotChoice(parts=(part,), cost=math.nan),))], stock)
    foreign = Part(kind="capacitor", value=3e-6, origin="shelf", pieces=(3e-6,))
    with pytest.raises(InputError, match="does not hold"):
        allocate([SlotDemand(slot="a", choices=(SlotChoice(parts=(foreign,), cost=0.0),))], stock)
    assert not Ledger(stock).fits([foreign])
    assert [(o.wanted, o.available) for o in Ledger(stock).overdrawn([foreign])] == [(1, 0)]


def test_bought_and_kept_parts_are_free() -> None:
    """Only counted pieces are booked: a series, an unlimited list and kept parts are not."""
    lot = Lot(
        part=Part(kind="resistor", value=3.3, origin="stock", pieces=(3.3,)),
        count=None,
        nominal=3.3,
    )
    stock = assemble_stock(rules=series_rules("E12"), lots=[lot])
    parts = [*stock.options("resistor", 3.3, 3.3), Part(kind="resistor", value=9.9, origin="kept")]
    assert len(parts) == 3
    assert Ledger(stock).fits(parts * 50)


def test_a_network_written_by_hand_finds_its_lot() -> None:
    """A value that differs in the tenth digit still draws on the lot."""
    stock = assemble_stock(lots=shelf_of(1, 4.7e-6))
    typed = Part(kind="capacitor", value=4.7e-6 * (1 + 3e-10), origin="shelf")
    assert Ledger(stock).fits([typed])
    assert not Ledger(stock).fits([typed, typed])


def measured_lot(values: list[float], kind: str = "capacitor") -> Lot:
    mean = float(np.mean(values))
    return Lot(
        part=Part(kind=kind, value=mean, origin="shelf", pieces=(mean,)),  # type: ignore[arg-type]
        count=len(values),
        nominal=mean,
        measured=tuple(values),
        labels=tuple(f"no {i}" for i in range(len(values))),
    )


def test_matched_pairs_equal_brute_force() -> None:
    """Two slots fed from six measured pieces: no other sharing out lies closer together."""
    rng = np.random.default_rng(22)
    for _ in range(40):
        lot = measured_lot(list(rng.normal(4.7e-6, 0.2e-6, 6)))
        stock = assemble_stock(lots=[lot], speakers=2)
        part = stock.options("capacitor", 4e-6, 6e-6)[0]
        weights = {"a": 1.0, "b": float(rng.uniform(0.3, 3))}
        found = match_pair({"a": part, "b": part}, stock, weights=weights, nearness=0.2)
        used = [p.label for s in found.slots for p in (*s.left, *s.right)]
        assert len(set(used)) == 4

        def cost(
            a: float,
            b: float,
            c: float,
            d: float,
            w: dict[str, float] = weights,
            wanted: float = part.value,
        ) -> float:
            return sum(
                weight
                * (abs(left - right) + 0.1 * (abs(left - wanted) + abs(right - wanted)))
                / wanted
                for weight, left, right in ((w["a"], a, b), (w["b"], c, d))
            )

        best = min(cost(*picks) for picks in itertools.permutations(lot.measured, 4))
        got = cost(*(v for s in found.slots for v in (s.left_value, s.right_value)))
        assert found.proved
        assert got == pytest.approx(best, abs=1e-5)


@pytest.mark.parametrize(
    ("kind", "joined"),
    [
        ("capacitor", "parallel"),
        ("capacitor", "series"),
        ("resistor", "parallel"),
        ("inductor", "series"),
    ],
)
def test_joined_pieces_are_matched_as_a_whole(kind: str, joined: str) -> None:
    """Two of two from five measured pieces: the joined values differ as little as possible."""
    from optimizer.stock.combine import join_pieces

    rng = np.random.default_rng(23)
    values = list(rng.normal(10.0, 0.4, 5) * {"capacitor": 1e-6, "inductor": 1e-3}.get(kind, 1.0))
    stock = assemble_stock(lots=[measured_lot(values, kind)], speakers=2)
    single = stock.lots[0].part
    part = join_pieces(joined, [single, single])  # type: ignore[arg-type]
    found = match_pair({"a": part}, stock, nearness=0.0).slots[0]

    def whole(pair: tuple[float, ...]) -> float:
        add = (kind == "capacitor") == (joined == "parallel")
        return sum(pair) if add else 1 / sum(1 / v for v in pair)

    best = min(
        abs(whole(p[:2]) - whole(p[2:])) / part.value for p in itertools.permutations(values, 4)
    )
    assert found.left_value == pytest.approx(whole(tuple(p.value for p in found.left)))
    assert abs(found.difference) == pytest.approx(best, rel=0.1, abs=1e-4)
    assert found.measured


def test_match_names_pieces_and_passes_unmeasured_parts_through() -> None:
    """The report says which labelled piece goes where; a part of a series is the same twice."""
    lot = measured_lot([4.6e-6, 4.8e-6, 4.61e-6])
    stock = assemble_stock(rules=series_rules("E12"), lots=[lot], speakers=2)
    parts = {
        "C1": next(p for p in stock.options("capacitor", 4.5e-6, 4.9e-6) if p.origin == "shelf"),
        "R1": stock.options("resistor", 3.3, 3.3)[0],
    }
    match = match_pair(parts, stock, nearness=0.0)
    assert {p.label for p in (*match.slots[0].left, *match.slots[0].right)} == {"no 0", "no 2"}
    assert match.worst_difference == pytest.approx(0.01 / 4.605, rel=1e-6)
    first, second = describe_match(match, parts)
    assert "no 0" in first
    assert "0.22 %" in first
    assert second == "R1: 3.3 ohm: not measured, either way"


def test_matching_needs_a_pair_and_enough_pieces() -> None:
    """One speaker has no left and right; three pieces do not make two pairs."""
    lot = measured_lot([4.6e-6, 4.8e-6, 4.61e-6])
    single, pair = assemble_stock(lots=[lot]), assemble_stock(lots=[lot], speakers=2)
    part = pair.options("capacitor", 4e-6, 5e-6)[0]
    with pytest.raises(InputError, match="pair"):
        match_pair({"a": part}, single)
    with pytest.raises(InputError, match="too few"):
        match_pair({"a": part, "b": part}, pair)


def test_parts_of_several_lots_match_measured_and_unmeasured_pieces() -> None:
    """Two lots joined in one slot: each side gets one piece of either, no side a piece twice."""
    from optimizer.stock.combine import join_pieces

    first = measured_lot([2.0e-6, 2.2e-6, 2.1e-6])
    second = measured_lot([4.9e-6, 4.7e-6, 4.8e-6])
    plain = shelf_of(4, 1e-6)[0]
    stock = assemble_stock(lots=[first, second, plain], speakers=2)
    one, two, three = (lot.part for lot in stock.lots)
    parts = {
        "C1": join_pieces("parallel", [one, two, three]),
        "C2": join_pieces("parallel", [three, three]),
    }
    with pytest.raises(InputError, match="too few"):
        match_pair(parts, stock)
    match = match_pair({"C1": parts["C1"]}, stock, nearness=0.0)
    (slot,) = match.slots
    assert not slot.measured
    # 2.0 + 4.9 = 2.1 + 4.8 = 2.2 + 4.7: two of the three equal sums are taken.
    assert slot.difference == pytest.approx(0.0, abs=1e-12)
    assert slot.left_value == pytest.approx(7.9e-6)
    assert [p.value for p in slot.left][2] == 1e-6
    assert len({p.value for p in (*slot.left, *slot.right)} - {1e-6}) == 4


def test_large_drawers_say_when_not_every_way_was_tried() -> None:
    """Thirty pieces in sets of three cannot be tried out: the result is good, not proved."""
    from optimizer.stock.combine import join_pieces

    rng = np.random.default_rng(24)
    stock = assemble_stock(
        lots=[measured_lot(list(rng.normal(10.0, 0.3, 30)), "resistor")], speakers=2
    )
    part = join_pieces("series", [stock.lots[0].part] * 3)
    match = match_pair({"R1": part}, stock, nearness=0.0)
    assert not match.proved
    assert match.worst_difference < 1e-4


def test_slots_that_fight_over_the_best_pieces_all_get_some() -> None:
    """Four slots and eight pieces: every piece is used, at the least sum of differences."""
    lot = measured_lot([1.0, 1.001, 1.1, 1.102, 1.2, 1.203, 1.3, 1.304], "resistor")
    stock = assemble_stock(lots=[lot], speakers=2)
    parts = dict.fromkeys(("a", "b", "c", "d"), stock.lots[0].part)
    match = match_pair(parts, stock, nearness=0.0)
    assert match.proved
    gaps = sorted(abs(slot.left_value - slot.right_value) for slot in match.slots)
    assert gaps == pytest.approx([0.001, 0.002, 0.003, 0.004], abs=1e-9)
