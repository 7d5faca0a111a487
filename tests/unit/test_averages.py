"""Named averages from incomplete sets of directions: weights, bands, and what is said."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.averages import (
    CURVE_NAMES,
    Average,
    list_bands,
    named_averages,
    spread_band,
)
from optimizer.acoustics.completion import STANDARD_DIRECTIONS, all_directions
from optimizer.measure.curve import ON_AXIS, Direction


def right(*angles: float) -> list[Direction]:
    return [ON_AXIS, *(Direction(horizontal_deg=a) for a in angles)]


def upright(*angles: float) -> list[Direction]:
    return [Direction(vertical_deg=s * a) for a in angles for s in (1.0, -1.0)]


def weights(average: Average, directions: list[Direction]) -> dict[Direction, float]:
    return {
        d: float(w) for d, w in zip(all_directions(directions), average.weights, strict=True) if w
    }


def said(name: str, directions: list[Direction], **options: bool) -> str:
    return "; ".join(named_averages(directions, **options)[name].assumed)


def test_axis_alone_gives_no_averages() -> None:
    """With one direction there is only the axis."""
    assert list(named_averages([ON_AXIS])) == ["on_axis"]


@pytest.mark.parametrize(
    "directions",
    [
        right(30.0, 60.0),
        right(15.0, 30.0, 45.0, 60.0),
        right(180.0),
        [ON_AXIS, Direction(vertical_deg=-180.0)],
        right(10.0) + upright(10.0, 50.0),
        [ON_AXIS, Direction(vertical_deg=-20.0)],
    ],
)
@pytest.mark.parametrize("reading", ["pooled", "bounces"])
def test_weights_are_those_of_the_standard_whatever_was_measured(
    directions: list[Direction], reading: str
) -> None:
    """Few directions have the weights of all 70: nothing is spread over what is at hand."""
    few = named_averages(directions, reading=reading)  # type: ignore[arg-type]
    full = named_averages(STANDARD_DIRECTIONS, reading=reading)  # type: ignore[arg-type]
    for name in full.keys() - {"off_axis"}:
        ours = {
            (Direction(horizontal_deg=180.0) if d.vertical_deg == -180.0 else d): w
            for d, w in weights(few[name], directions).items()
        }
        assert ours == pytest.approx(weights(full[name], list(STANDARD_DIRECTIONS))), name
        assert few[name].weights.sum() == pytest.approx(1.0)


def test_off_axis_keeps_to_what_was_measured() -> None:
    """The plain mean of directions in front is over measured ones."""
    directions = right(30.0, 60.0, 120.0)
    got = weights(named_averages(directions)["off_axis"], directions)
    assert got == {directions[1]: 0.5, directions[2]: 0.5}


def test_one_side_is_said_to_be_mirrored() -> None:
    """One side only is taken for both, and the report says whether anybody stated it."""
    assert "because one side only was measured" in said("front", right(10.0, 20.0, 30.0))
    assert "mirror images, as stated" in said("front", right(10.0, 20.0, 30.0), mirror=True)
    assert "mirror" not in said("front", [*right(10.0), Direction(horizontal_deg=-10.0)])


def test_what_is_completed_is_said_with_its_band_and_its_remedy() -> None:
    """Share, band, assumption, and the four measurements that would help most."""
    words = said("sound_power", right(30.0, 60.0))
    told = named_averages(right(30.0, 60.0))["sound_power"].band_words
    assert "sound power: 85 % of it is beyond what was measured" in told
    assert "8 of 10 values within 0.6 dB below 700 Hz, 1.1 dB to 6 kHz, 1 dB above" in told
    assert "closed front" in words
    assert "drivers above each other" in words
    assert "20 and 50 degrees up, 20 and 50 down" in words
    assert "four measurements" not in said("in_room", right(30.0, 60.0) + upright(20.0, 50.0))


def test_mirror_images_and_angles_between_count_as_told() -> None:
    """A front curve needs angles to 30 degrees on both sides, of which one is enough."""
    average = named_averages(right(10.0, 20.0, 30.0))["front"]
    assert (average.completed, average.band_db) == (0.0, (0.0, 0.0, 0.0))
    assert named_averages(right(30.0))["front"].completed == 0.0
    assert named_averages(right(10.0, 20.0))["front"].completed == pytest.approx(2 / 7)
    assert named_averages(right(50.0))["front"].completed == pytest.approx(6 / 7)
    both = [*right(10.0, 20.0, 30.0), Direction(horizontal_deg=-10.0)]
    assert named_averages(both)["front"].completed == pytest.approx(2 / 7)
    assert named_averages(both, mirror=True)["front"].completed == 0.0
    behind = named_averages([*right(150.0), Direction(vertical_deg=180.0)])["rear"]
    assert behind.completed == pytest.approx(2 / 3)  # 90 on both sides is far from 0 and 150
    assert named_averages(right(30.0) + upright(40.0))["floor"].completed == 0.0
    assert named_averages(right(30.0) + upright(40.0))["ceiling"].completed == pytest.approx(2 / 3)


def test_all_directions_leave_nothing_to_say() -> None:
    """On the standard grid nothing is completed and there is no band."""
    averages = named_averages(STANDARD_DIRECTIONS)
    assert set(CURVE_NAMES) <= averages.keys()
    for average in averages.values():
        assert average.completed == 0.0
        assert "completed" not in "; ".join(average.assumed)
        assert average.band_words == ""
    assert list_bands(averages) == {}


def test_bands_narrow_with_what_is_measured() -> None:
    """Wider aside and more up and down never widen a band."""
    sets = [
        right(10.0, 20.0, 30.0),
        right(30.0, 60.0),
        right(30.0, 60.0) + upright(10.0),
        right(30.0, 60.0) + upright(20.0, 50.0),
        right(*map(float, range(10, 190, 10))) + upright(20.0, 50.0),
    ]
    for name in ("sound_power", "in_room", "early_reflections", "directivity_index"):
        bands = np.array([list_bands(named_averages(one))[name] for one in sets])
        assert np.all(np.diff(bands[:4], axis=0) <= 1e-9), name
        assert np.all(bands[4, 0] <= bands[3, 0] + 1e-9), name
    one_way = [*right(30.0, 60.0), Direction(vertical_deg=20.0), Direction(vertical_deg=50.0)]
    assert named_averages(one_way)["sound_power"].band_db == pytest.approx((0.6, 0.9, 0.8))


def test_bands_change_at_their_edges() -> None:
    """Three figures below 700 Hz, to 6 kHz and above."""
    got = spread_band((1.0, 2.0, 3.0), np.array([20.0, 699.0, 701.0, 5999.0, 6001.0]))
    assert got.tolist() == [1.0, 1.0, 2.0, 2.0, 3.0]


def test_readings_say_which_they_are() -> None:
    """Early reflections and the room name the reading; other curves do not."""
    for reading, words in (("pooled", "26 directions"), ("bounces", "five bounces")):
        averages = named_averages(right(30.0), reading=reading)  # type: ignore[arg-type]
        for name in ("early_reflections", "in_room"):
            assert words in "; ".join(averages[name].assumed)
        assert words not in "; ".join(averages["sound_power"].assumed)
