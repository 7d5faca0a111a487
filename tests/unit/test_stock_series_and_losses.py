"""The stock of preferred values: options, losses, prices, and use in other processes."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.parts import KINDS
from optimizer.stock.coil import air_coil_dcr
from optimizer.stock.lots import PowerLaw
from optimizer.stock.stock import LOSS_TANGENT_HZ, loss_tangent_to_esr, series_stock


def test_options_are_the_series_with_its_losses() -> None:
    """E12 coils from 1 to 2.2 mH are five parts, each with the DCR of its Brooks coil."""
    parts = series_stock("E12", wire_m=1.2e-3).options("inductor", 1e-3, 2.2e-3)
    assert [part.value for part in parts] == [1e-3, 1.2e-3, 1.5e-3, 1.8e-3, 2.2e-3]
    for part in parts:
        assert part.loss_ohm == pytest.approx(float(air_coil_dcr(part.value, 1.2e-3)), rel=1e-12)
        assert part.pieces == (part.value,)
        assert (part.origin, part.price, part.piece_count) == ("E12", None, 1)


@pytest.mark.parametrize(
    ("tangent", "farad", "ohm"),
    [
        (0.001, 10e-6, 0.015915),
        (0.05, 10e-6, 0.795775),
        (0.01, 47e-6, 0.033863),
    ],
)
def test_loss_tangent_gives_the_series_resistance(tangent: float, farad: float, ohm: float) -> None:
    """ESR = tan d / (2 pi f C) at 1 kHz; dissipation factor = ESR x 2 pi f C (vbatpower.com)."""
    assert LOSS_TANGENT_HZ == 1000.0
    assert loss_tangent_to_esr(tangent, farad) == pytest.approx(ohm, abs=6e-7)
    law = series_stock(loss_tangent=tangent).loss_law("capacitor")
    assert float(law(farad)) == pytest.approx(ohm, abs=6e-7)


@pytest.mark.parametrize("kind", KINDS)
def test_loss_law_meets_the_options_and_its_slope_is_its_derivative(kind: str) -> None:
    """Between the options the loss is smooth, at the options it is theirs."""
    stock = series_stock("E24", wire_m=0.8e-3, loss_tangent=0.02)
    law = stock.loss_law(kind)
    parts = stock.options(kind, 1e-6, 1e-2)
    values = np.array([part.value for part in parts])
    assert law(values) == pytest.approx([part.loss_ohm for part in parts], rel=1e-12)
    step = 1e-6 * values
    numeric = (law(values + step) - law(values - step)) / (2 * step)
    assert law.slope(values) == pytest.approx(numeric, rel=1e-6)


def test_each_kind_may_have_its_own_series_tolerance_and_price() -> None:
    """A kind left out has no parts; prices follow offset + scale x value."""
    stock = series_stock(
        {"capacitor": "E6", "resistor": "E24"},
        tolerances={"capacitor": 0.1},
        prices={"capacitor": PowerLaw(offset=1.0, scale=0.5e6)},
        currency="EUR",
    )
    assert stock.options("inductor", 1e-6, 1.0) == ()
    four_seven = stock.options("capacitor", 4.7e-6, 4.7e-6)[0]
    assert four_seven.tolerance == 0.1
    assert four_seven.price == pytest.approx(1.0 + 0.5 * 4.7)
    assert stock.options("resistor", 9.1, 9.1)[0].origin == "E24"


def test_stock_is_frozen_hashable_and_survives_pickling() -> None:
    """Workers get an equal stock with the same options; nobody can change one."""
    stock = series_stock("E12", join=2)
    options = stock.options("capacitor", 1e-6, 1e-5)
    copy = pickle.loads(pickle.dumps(stock))
    assert copy == stock
    assert hash(copy) == hash(stock)
    assert copy.options("capacitor", 1e-6, 1e-5) == options
    with pytest.raises(dataclasses.FrozenInstanceError):
        stock.join = 3  # type: ignore[misc]


def test_options_are_remembered() -> None:
    """Asking twice gives the very same tuple."""
    stock = series_stock()
    assert stock.options("resistor", 1, 10) is stock.options("resistor", 1, 10)


@pytest.mark.parametrize(
    "arguments",
    [
        {"series": "E7"},
        {"series": {"tube": "E12"}},
        {"loss_tangent": -0.1},
        {"loss_tangent": 1.0},
        {"tolerances": {"resistor": 5.0}},
        {"wire_m": 0.0},
        {"join": 4},
        {"join": 0},
    ],
)
def test_bad_arguments_are_refused(arguments: dict) -> None:
    """Every impossible figure raises one clear error."""
    with pytest.raises(InputError):
        series_stock(**arguments)
