"""What each goal's figure is, on curves whose figure is known."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.averages import direction_averages, named_averages
from optimizer.acoustics.completion import STANDARD_DIRECTIONS, complete_driver
from optimizer.acoustics.curves import Curves, Field
from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.goals import (
    GOALS,
    BreakUp,
    Copper,
    Epdr,
    Goal,
    GoalSet,
    Impedance,
    ImpedancePhase,
    InRoom,
    InvertedNull,
    LobeDepth,
    LobeSymmetry,
    Monotony,
    OnAxis,
    Parts,
    PhaseTracking,
    Price,
    Scene,
    Sensitivity,
    Similarity,
)
from optimizer.goals.economy import copper_kg, economy_figures, option_costs
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.driver import Driver, Limits
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.parts import Part
from optimizer.stock.coil import wind_air_coil

F = np.geomspace(20.0, 20_000.0, 400)
OCTAVES = np.log2(F / 1000.0)


class Bench:
    """Drivers with given levels by direction, and the curves of given drives."""

    def __init__(self, *levels_db: dict[str, Real], limits: tuple[Limits, ...] = ()) -> None:
        names = {
            "0": ON_AXIS,
            "15 up": Direction(vertical_deg=15.0),
            "15 down": Direction(vertical_deg=-15.0),
            "30 right": Direction(horizontal_deg=30.0),
            "60 right": Direction(horizontal_deg=60.0),
        }
        # "elsewhere" is every other standard direction: nothing is left to complete.
        others = [d for d in STANDARD_DIRECTIONS if d != ON_AXIS]
        named = [[names[n]] if n in names else others for n in levels_db[0]]
        self.directions = tuple(d for directions in named for d in directions)
        self.drivers = [
            Driver(
                name=f"d{i}",
                frequency_hz=F,
                directions=self.directions,
                pressure=np.array(
                    [
                        10.0 ** (row / 20.0) + 0j
                        for row, same in zip(rows.values(), named, strict=True)
                        for _ in same
                    ]
                ),
                impedance=np.full(len(F), 8.0 + 0j),
                limits=limits[i] if limits else Limits(),
            )
            for i, rows in enumerate(levels_db)
        ]
        self.ways = [(d.name, d) for d in self.drivers]
        self.averages = {**named_averages(self.directions), **direction_averages(self.directions)}

    def goal(self, name: str, spec: Goal):
        assert spec.name == name
        return spec.prepare(Scene(frequency_hz=F, curves=self.averages, ways=self.ways))

    def curves(self, *drives: Complex, impedance: Complex | None = None) -> Curves:
        field = Field(
            list(self.averages),
            np.stack([complete_driver(d) for d in self.drivers]),
            np.stack([a.weights for a in self.averages.values()]),
        )
        z = np.full(len(F), 8.0 + 0j) if impedance is None else impedance
        return Curves(field, list(drives), 1.0 / z)

    def figure(
        self, name: str, spec: Goal, *drives: Complex, impedance: Complex | None = None
    ) -> float:
        curves = self.curves(
            *(drives or [np.ones(len(F), dtype=complex)] * len(self.drivers)), impedance=impedance
        )
        return float(np.linalg.norm(self.goal(name, spec).residuals(curves)))


def flat(level_db: float = 80.0) -> Real:
    return np.full(len(F), level_db)


def linkwitz_riley(corner: float) -> tuple[Complex, Complex]:
    s = 1j * F / corner
    d = (s**2 + np.sqrt(2.0) * s + 1.0) ** 2
    return 1.0 / d, s**4 / d


def butterworth_three(corner: float) -> tuple[Complex, Complex]:
    s = 1j * F / corner
    d = (s + 1.0) * (s**2 + s + 1.0)
    return 1.0 / d, s**3 / d


def test_line_with_free_slope_ignores_tilt() -> None:
    """A steadily falling in-room curve costs nothing when its slope is free, and its rms fall
    when the slope is asked to be 0."""
    bench = Bench({"0": 80.0 - 2.0 * OCTAVES, "elsewhere": 80.0 - 2.0 * OCTAVES})
    assert bench.figure("in_room", InRoom()) < 1e-9
    asked = InRoom(tilt_db_per_octave=0.0, band_hz=(250.0, 4000.0))
    inside = OCTAVES[(F >= 250.0) & (F <= 4000.0)]
    assert bench.figure("in_room", asked) == pytest.approx(2.0 * inside.std())


def test_similarity_ignores_even_beaming() -> None:
    """Directions that fall steadily against the axis are similar; a dip on one of two counts by
    its rms over all."""
    even = {"0": flat(), "30 right": 80.0 - OCTAVES, "60 right": 77.0 - 3.0 * OCTAVES}
    assert Bench(even).figure("similarity", Similarity()) < 1e-9
    dip = np.where((F > 1500.0) & (F < 3000.0), -4.0, 0.0)
    spec = Similarity(band_hz=(20.0, 20_000.0))
    got = Bench({**even, "60 right": 77.0 + dip}).figure("similarity", spec)
    slope, level = np.polyfit(OCTAVES, dip, 1)
    rms = np.sqrt(np.mean((dip - slope * OCTAVES - level) ** 2))
    assert got == pytest.approx(rms / np.sqrt(2.0))
    near = Similarity(angle_deg=45.0)
    assert Bench({**even, "60 right": 77.0 + dip}).figure("similarity", near) < 1e-9


def test_monotony_counts_only_falls() -> None:
    """A directivity index that only rises costs nothing, a step back costs its depth."""
    rising = {"0": flat(), "elsewhere": 80.0 - np.clip(OCTAVES, 0.0, 3.0)}
    assert Bench(rising).figure("monotony", Monotony()) < 1e-9
    # A step of all other directions back up, so the index falls back.
    step = np.where(F > 2000.0, -1.0, -4.0)
    goal = Bench({"0": flat(), "elsewhere": 80.0 + step})
    spec = Monotony(band_hz=(20.0, 20_000.0))
    curves = goal.curves(np.ones(len(F), dtype=complex))
    index = curves.level_db("listening_window") - curves.level_db("sound_power")
    fallen = np.where(F > 2000.0, index[0] - index[-1], 0.0)
    assert goal.figure("monotony", spec) == pytest.approx(np.sqrt(np.mean(fallen**2)))
    assert "falls back" in goal.goal("monotony", spec).describe(curves)


def test_lobe_goals() -> None:
    """Up 3 dB louder than down is a figure of 3 dB; down 4 dB under the axis with 1 dB allowed
    is 3 dB on one of two directions."""
    rows = {"0": flat(), "15 up": flat(79.0), "15 down": flat(76.0)}
    bench = Bench(rows)
    assert bench.figure("lobe_symmetry", LobeSymmetry()) == pytest.approx(3.0)
    assert bench.figure("lobe_depth", LobeDepth()) == pytest.approx(3.0 / np.sqrt(2.0))


def test_phase_tracking_of_textbook_pairs() -> None:
    """Linkwitz-Riley ways track perfectly, or are 180 degrees apart when one is turned; third-order
    Butterworth ways are 90 degrees apart where both are heard."""
    bench = Bench({"0": flat()}, {"0": flat()})
    spec = PhaseTracking(band_hz=(20.0, 20_000.0))
    low, high = linkwitz_riley(1500.0)
    assert bench.figure("phase_tracking", spec, low, high) < 1e-6
    heard = np.clip(1.0 - np.abs(20 * np.log10(np.abs(low / high))) / 12.0, 0.0, 1.0)
    overlap = float(np.sqrt(np.mean(heard**2)))
    assert bench.figure("phase_tracking", spec, low, -high) == pytest.approx(180.0 * overlap)
    low, high = butterworth_three(1500.0)
    heard = np.clip(1.0 - np.abs(20 * np.log10(np.abs(low / high))) / 12.0, 0.0, 1.0)
    assert bench.figure("phase_tracking", spec, low, high) == pytest.approx(
        90.0 * float(np.sqrt(np.mean(heard**2)))
    )


def test_inverted_null_of_textbook_pairs() -> None:
    """With one Linkwitz-Riley way turned round the sum has a complete null; third-order Butterworth
    ways, 90 degrees apart, have none; ways 40 degrees apart have one of 8.8 dB."""
    bench = Bench({"0": flat()}, {"0": flat()})
    spec = InvertedNull(wanted_db=20.0)
    low, high = linkwitz_riley(1537.0)
    assert bench.figure("inverted_null", spec, low, high) == 0.0
    assert bench.figure("inverted_null", spec, *butterworth_three(1537.0)) == pytest.approx(
        20.0, abs=0.05
    )
    turned = bench.figure("inverted_null", spec, low, high * np.exp(-1j * np.radians(40.0)))
    depth = -20.0 * np.log10(np.tan(np.radians(20.0)))
    assert turned == pytest.approx(20.0 - depth, abs=1e-6)


def test_inverted_null_without_a_crossing() -> None:
    """Ways that never meet in level have no null at all."""
    bench = Bench({"0": flat()}, {"0": flat(40.0)})
    spec = InvertedNull(wanted_db=20.0)
    assert bench.figure("inverted_null", spec) == 20.0


def test_break_up_is_relative_to_the_sum() -> None:
    """A driver 14 dB below the sum above its range misses a limit of 20 dB by 6."""
    bench = Bench({"0": flat()}, {"0": flat()}, limits=(Limits(highest_hz=3000.0), Limits()))
    quiet = 10.0 ** (-14.0 / 20.0)
    drives = np.full(len(F), quiet + 0j), np.full(len(F), 1.0 - quiet + 0j)
    figure = bench.figure("break_up", BreakUp(down_db=20.0), *drives)
    assert figure == pytest.approx(6.0)
    assert bench.figure("break_up", BreakUp(down_db=14.0), *drives) < 1e-9


def test_sensitivity_floor() -> None:
    """A mean of 80 dB is 6 dB under a floor of 86, and well over one of 79."""
    bench = Bench({"0": 80.0 + np.sin(OCTAVES)})
    inside = (F >= 300.0) & (F <= 3000.0)
    mean = float(np.mean((80.0 + np.sin(OCTAVES))[inside]))
    assert bench.figure("sensitivity", Sensitivity(floor_db=86.0)) == pytest.approx(86.0 - mean)
    assert bench.figure("sensitivity", Sensitivity(floor_db=79.0)) == 0.0


def test_load_goals() -> None:
    """4 ohm at -60 degrees: 15 degrees over a limit of 45; its EPDR of 1.11 ohm is 5.1 dB under
    a floor of 2 ohm."""
    bench = Bench({"0": flat()})
    z = np.full(len(F), 4.0 * np.exp(-1j * np.pi / 3.0))
    assert bench.figure("impedance_phase", ImpedancePhase(), impedance=z) == pytest.approx(15.0)
    epdr = 4.0 * 0.27807  # published ratio at 60 degrees
    assert bench.figure("epdr", Epdr(floor_ohm=2.0), impedance=z) == pytest.approx(
        20.0 * np.log10(2.0 / epdr), abs=1e-3
    )


def test_neighbours_follow_frequency_not_the_file() -> None:
    """Ways are paired by where their drivers play, in whatever order they are written."""
    low, high = (80.0 - 40.0 * np.maximum(s * OCTAVES, 0.0) for s in (1.0, -1.0))
    middle = 80.0 - 20.0 * np.abs(OCTAVES)
    bench = Bench({"0": high}, {"0": low}, {"0": middle})
    assert Scene(frequency_hz=F, curves=(), ways=bench.ways).neighbours() == ((1, 2), (2, 0))


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("lobe_symmetry", "upward and downward"),
        ("similarity", "off-axis"),
        ("monotony", "window"),
        ("break_up", "highest frequency"),
        ("power", "limits"),
        ("excursion", "limits"),
        ("inverted_null", "two ways"),
        ("phase_tracking", "two ways"),
        ("low_drive", "second driver"),
    ],
)
def test_goal_without_its_data_is_refused(name: str, message: str) -> None:
    """A goal whose directions, limits or ways are missing says which and what to do."""
    with pytest.raises(InputError, match=message) as caught:
        Bench({"0": flat()}).goal(name, GOALS[name]())
    assert caught.value.subject == Subject("goal", name)
    assert caught.value.remedy


def test_only_electrical_goals_are_not_enough() -> None:
    """A search without any goal on a curve would answer with an empty network."""
    specs = {"impedance": Impedance(), "parts": Parts()}
    with pytest.raises(InputError, match="at least one goal on a curve"):
        GoalSet(specs).prepare(Scene(frequency_hz=F, curves=["on_axis"]))


def test_narrow_band_survives_thinning() -> None:
    """A band that a thinned grid hardly meets bounds the figure by 0 instead of failing."""
    bench = Bench({"0": 80.0 + 3.0 * np.sin(9.0 * OCTAVES)})
    for spec in (
        OnAxis(band_hz=(1000.0, 1100.0)),
        OnAxis(band_hz=(1000.0, 1100.0), tilt_db_per_octave=None, level_db=(80.0, 81.0)),
    ):
        for index in (np.array([0, 399]), np.array([0, 227, 399])):
            thin = bench.goal("on_axis", spec).thinned(index, bound=True)
            curves = bench.curves(np.ones(len(F), dtype=complex))
            part = Curves(
                curves.field.thinned(index),
                [h[index] for h in curves.transfer],
                curves.admittance[index],
            )
            assert np.linalg.norm(thin.residuals(part)) == 0.0


# --- economy ---------------------------------------------------------------------------------


@pytest.mark.parametrize("wire_m", [0.71e-3, 1.0e-3, 1.4e-3])
@pytest.mark.parametrize("inductance", [2.2e-4, 1e-3, 4.7e-3])
def test_copper_follows_from_inductance_and_resistance(inductance: float, wire_m: float) -> None:
    """The estimate agrees within 8 % with the copper of the coil wound from that wire (whose
    insulation takes a share that depends on its gauge)."""
    coil = wind_air_coil(inductance, wire_m)
    part = Part(kind="inductor", value=inductance, loss_ohm=float(coil.dcr_ohm))
    assert copper_kg(part) == pytest.approx(float(coil.copper_kg), rel=0.08)
    assert copper_kg(Part(kind="capacitor", value=1e-6, loss_ohm=0.1)) == 0.0


def test_two_coils_in_series_have_the_copper_of_both() -> None:
    """A joined coil counts each of its pieces."""
    one = Part(kind="inductor", value=1e-3, loss_ohm=0.4)
    two = Part(kind="inductor", value=2e-3, loss_ohm=0.8, pieces=(1e-3, 1e-3), joined="series")
    assert copper_kg(two) == pytest.approx(2.0 * copper_kg(one))


def network_of(*parts: Part) -> Network:
    slots = tuple(
        FittedSlot(name=f"S{i}", place="series", form=p.kind, parts=(p,))
        for i, p in enumerate(parts)
    )
    return Network(ways=(FittedWay(name="w", driver="w", polarity=1, slots=slots),))


def test_economy_goals_add_up() -> None:
    """Pieces, money and copper each count with their own price; kept parts are free."""
    specs: dict[str, Goal] = {
        "parts": Parts(weight=0.1),
        "price": Price(weight=0.01),
        "copper": Copper(weight=2.0),
    }
    coil = Part(kind="inductor", value=1e-3, loss_ohm=0.4, price=12.0)
    cap = Part(kind="capacitor", value=1e-5, price=8.0, pieces=(4.7e-6, 4.7e-6), joined="parallel")
    kept = Part(kind="resistor", value=4.7, price=1.0, origin="kept")
    mass = copper_kg(coil)
    assert option_costs(specs, [coil])[0] == pytest.approx(0.1 + 0.12 + 2.0 * mass)
    assert option_costs(specs, [cap, kept]).tolist() == pytest.approx([0.2 + 0.08, 0.0])
    figures = {
        f.name: f
        for f in economy_figures(
            specs, network_of(coil, cap, kept), cost=0.5 + 2.0 * mass, currency="EUR"
        )
    }
    assert figures["parts"].value == 3.0
    assert figures["price"].value == 20.0
    assert figures["price"].unit == "EUR"
    assert figures["copper"].value == pytest.approx(mass)
    assert sum(f.cost for f in figures.values()) == pytest.approx(0.3 + 0.2 + 2.0 * mass)


def test_unknown_price_is_no_advantage() -> None:
    """A part without a price counts as the dearest of its place; with none known the goal is
    refused."""
    specs: dict[str, Goal] = {"price": Price(weight=1.0)}
    parts = [Part(kind="capacitor", value=1e-6, price=p) for p in (1.0, 5.0, None)]
    assert option_costs(specs, parts).tolist() == [1.0, 5.0, 5.0]
    with pytest.raises(InputError, match="needs prices"):
        option_costs(specs, parts[2:])


def test_shelf_moves_the_target() -> None:
    """A response that falls by 3 dB around 300 Hz meets a target with that shelf, and the drawn
    target follows it."""
    shape = -3.0 / (1.0 + (F / 300.0) ** 2)
    bench = Bench({"0": 80.0 + shape - 0.3 * OCTAVES})
    plain = OnAxis(tilt_db_per_octave=-0.3, band_hz=(20.0, 20_000.0))
    shelved = OnAxis(
        tilt_db_per_octave=-0.3, band_hz=(20.0, 20_000.0), shelf_db=-3.0, shelf_hz=300.0
    )
    assert bench.figure("on_axis", shelved) < 1e-9
    assert bench.figure("on_axis", plain) == pytest.approx(shape.std())
    curves = bench.curves(np.ones(len(F), dtype=complex))
    np.testing.assert_allclose(
        bench.goal("on_axis", shelved).target_db(curves, F), 80.0 + shape - 0.3 * OCTAVES
    )
