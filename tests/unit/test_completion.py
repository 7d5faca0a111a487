"""One driver completed to the standard directions: the rule, point by point."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.completion import (
    MIRRORED_SURPLUS,
    STANDARD_DIRECTIONS,
    VERTICAL_TO_HORIZONTAL,
    all_directions,
    complete_driver,
)
from optimizer.arrays import Complex, Real
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.driver import Driver
from optimizer.measure.geometry import path_excess_m, travel_factor
from optimizer.measure.wired import wire_drivers

F = np.geomspace(50.0, 20_000.0, 40)


def aside(angle: float) -> Direction:
    return Direction(horizontal_deg=angle)


def up(angle: float) -> Direction:
    return Direction(vertical_deg=angle)


def make(
    levels_db: dict[Direction, float], *, place_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
) -> Driver:
    """A driver with a level by direction that is the same at every frequency, over a phase."""
    own = 100.0 * np.exp(-1j * F / 3000.0)
    rows = []
    for direction, level in levels_db.items():
        path = path_excess_m(direction, place_m) - path_excess_m(ON_AXIS, place_m)
        rows.append(own * 10.0 ** (level / 20.0) * travel_factor(F, path))
    return Driver(
        name="d",
        frequency_hz=F,
        directions=tuple(levels_db),
        pressure=np.array(rows),
        impedance=np.full(len(F), 8.0 + 0j),
        place_m=place_m,
    )


def completed(driver: Driver, **options: bool) -> dict[Direction, Complex]:
    rows = complete_driver(driver, **options)
    return dict(zip(all_directions(driver.directions), rows, strict=True))


def level(rows: dict[Direction, Complex], direction: Direction) -> Real:
    return 20.0 * np.log10(np.abs(rows[direction] / rows[ON_AXIS]))


def test_measured_directions_stay_and_all_standard_ones_are_there() -> None:
    """Measured rows come first as they are; angles off the standard grid stay as well."""
    driver = make({ON_AXIS: 0.0, aside(15.0): -1.0, up(-20.0): -2.0})
    rows = completed(driver)
    assert list(rows)[:3] == list(driver.directions)
    assert set(STANDARD_DIRECTIONS) <= rows.keys()
    for direction, pressure in zip(driver.directions, driver.pressure, strict=True):
        np.testing.assert_array_equal(rows[direction], pressure)


def test_nothing_is_made_of_the_axis_alone() -> None:
    """One direction stays one direction."""
    assert complete_driver(make({ON_AXIS: 0.0})).shape == (1, len(F))


def test_between_angles_levels_are_linear_in_one_less_cosine() -> None:
    """40 degrees between 30 and 60."""
    rows = completed(make({ON_AXIS: 0.0, aside(30.0): -1.0, aside(60.0): -4.0}))
    lean = [1.0 - np.cos(np.radians(a)) for a in (30.0, 40.0, 60.0)]
    expected = -1.0 - 3.0 * (lean[1] - lean[0]) / (lean[2] - lean[0])
    np.testing.assert_allclose(level(rows, aside(40.0)), expected, atol=1e-9)


def test_behind_is_a_closed_cabinet_or_less() -> None:
    """Straight behind: the stated fall, and never more than the outermost angle; on the way
    there as between angles."""
    rows = completed(make({ON_AXIS: 0.0, aside(60.0): -4.0}))
    behind = np.minimum(-4.0, -10.0 * np.log10(1.0 + (F / 250.0) ** 2))
    np.testing.assert_allclose(level(rows, aside(180.0)), behind, atol=1e-9)
    share = (1.0 - np.cos(np.radians(120.0)) - 0.5) / 1.5
    expected = -4.0 + share * (behind + 4.0)
    np.testing.assert_allclose(level(rows, aside(120.0)), expected, atol=1e-9)


def test_measured_behind_holds_for_both_orbits() -> None:
    """180 degrees, by either name, ends every side."""
    for name in (aside(180.0), up(-180.0), aside(-180.0)):
        rows = completed(make({ON_AXIS: 0.0, aside(90.0): -6.0, name: -3.0}))
        share = (2.0 - (1.0 - np.cos(np.radians(170.0)))) / 1.0
        np.testing.assert_allclose(level(rows, aside(170.0)), -3.0 - 3.0 * share, atol=1e-9)
        assert len(rows) == 70 if name in STANDARD_DIRECTIONS else 71


def test_one_side_is_mirrored_and_two_are_kept_apart() -> None:
    """A side that was measured is not changed by the other, unless symmetry is stated."""
    one = completed(make({ON_AXIS: 0.0, aside(30.0): -2.0}))
    np.testing.assert_allclose(one[aside(-30.0)], one[aside(30.0)])
    levels = {ON_AXIS: 0.0, aside(30.0): -2.0, aside(60.0): -5.0, aside(-60.0): -9.0}
    two = completed(make(levels))
    assert level(two, aside(-30.0))[0] == pytest.approx(-9.0 * (1 - np.cos(np.pi / 6)) / 0.5)
    stated = completed(make(levels), mirror=True)
    np.testing.assert_allclose(level(stated, aside(-30.0)), -2.0)
    np.testing.assert_allclose(level(stated, aside(-60.0)), -9.0)


def test_up_and_down_follow_the_sides_where_nothing_tells() -> None:
    """The horizontal fall times a constant, both ways, from the energy mean of both sides."""
    rows = completed(make({ON_AXIS: 0.0, aside(30.0): -2.0, aside(-30.0): -4.0}))
    mean = 10.0 * np.log10(0.5 * (10.0**-0.2 + 10.0**-0.4))
    for angle in (30.0, -30.0):
        np.testing.assert_allclose(level(rows, up(angle)), VERTICAL_TO_HORIZONTAL * mean)


def test_measured_surplus_is_carried_on_and_ends() -> None:
    """Linear from the axis to what was measured, and on to nothing at 120 degrees."""
    base = {ON_AXIS: 0.0, aside(20.0): -1.0, aside(40.0): -2.0, aside(70.0): -5.0}
    plain = completed(make(base))
    surplus = -6.0 - VERTICAL_TO_HORIZONTAL * -1.0
    both = completed(make(base | {up(20.0): -6.0, up(-20.0): -6.0}))
    for angle, share in ((10.0, 0.5), (40.0, 0.8), (70.0, 0.5), (120.0, 0.0), (150.0, 0.0)):
        more = level(both, up(angle)) - level(plain, up(angle))
        np.testing.assert_allclose(more, share * surplus, atol=1e-9)
    one = completed(make(base | {up(20.0): -6.0}))
    more = level(one, up(-20.0)) - level(plain, up(-20.0))
    np.testing.assert_allclose(more, MIRRORED_SURPLUS * surplus, atol=1e-9)


def test_phase_is_that_of_the_axis_and_of_the_path() -> None:
    """A driver 12 cm under the axis is farther from a listener above, nearer to one below."""
    place = (-0.12, 0.03, 0.02)
    rows = completed(make({ON_AXIS: 0.0, aside(30.0): -1.0, aside(60.0): -3.0}, place_m=place))
    for direction in (up(30.0), up(-50.0), aside(-40.0), aside(110.0)):
        path = path_excess_m(direction, place) - path_excess_m(ON_AXIS, place)
        turn = rows[direction] / rows[ON_AXIS] / travel_factor(F, path)
        np.testing.assert_allclose(np.angle(turn), 0.0, atol=1e-9)


def test_what_neighbours_have_beyond_the_path_is_kept() -> None:
    """A diaphragm that lags at 30 degrees lags half as far at half the way."""
    driver = make({ON_AXIS: 0.0, aside(30.0): -1.0, aside(60.0): -3.0})
    pressure = driver.pressure.copy()
    pressure[1:] *= np.exp(-0.5j)
    lagging = Driver(
        name="d",
        frequency_hz=F,
        directions=driver.directions,
        pressure=pressure,
        impedance=driver.impedance,
    )
    rows = completed(lagging)
    share = (1.0 - np.cos(np.radians(20.0))) / (1.0 - np.cos(np.radians(30.0)))
    expected = np.angle((1.0 - share) + share * np.exp(-0.5j))
    np.testing.assert_allclose(np.angle(rows[aside(20.0)] / rows[ON_AXIS]), expected, atol=1e-9)
    for direction in (aside(40.0), aside(-40.0), aside(120.0)):
        np.testing.assert_allclose(np.angle(rows[direction] / rows[ON_AXIS]), -0.5, atol=1e-9)


@pytest.mark.parametrize("wired", ["parallel", "series"])
def test_drivers_wired_together_are_completed_one_by_one(wired: str) -> None:
    """The lobe between two that play together is in directions nobody measured."""
    levels = {ON_AXIS: 0.0, aside(30.0): -1.0}
    pair = [make(levels, place_m=(height, 0.0, 0.0)) for height in (0.1, -0.1)]
    together = wire_drivers("both", pair, wired)  # type: ignore[arg-type]
    rows = completed(together)
    half = 1.0 if wired == "parallel" else 0.5
    alone = [completed(one) for one in pair]
    for direction in (up(30.0), aside(50.0)):
        np.testing.assert_allclose(rows[direction], half * sum(one[direction] for one in alone))
    # 20 cm apart they cancel at 30 degrees where the path of 10 cm is half a wave: 1716 Hz.
    null = int(np.argmin(np.abs(F - 1716.0)))
    assert level(rows, up(30.0))[null] < -12.0 + level(rows, aside(30.0))[null]
