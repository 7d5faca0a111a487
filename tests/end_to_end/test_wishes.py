"""What a person at the bench wishes, each in two lines of a design file at most, and that it acts."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import optimizer
from optimizer.testing import ideal_driver
from optimizer.testing.files import FILE_HZ, write_curve, write_driver

DESIGN = """\
speaker: Bench two-way
drivers:
  woofer: {response: woofer.txt, impedance: woofer_z.txt}
  tweeter: {response: tweeter.txt, impedance: tweeter_z.txt}
ways:
  woofer:
    polarity: normal
    ladder:
      - {name: L1, series: inductor, from: 0.6 mH, to: 2.3 mH}
      - {name: C1, shunt: capacitor, from: 6 uF, to: 23 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 3 uF, to: 11 uF}
      - {name: L1, shunt: inductor, from: 0.3 mH, to: 1.1 mH}
      - {name: P1, series: pad, series_resistor: 1 .. 3.3 ohm, shunt_resistor: 6.8 .. 22 ohm}
goals:
  on_axis: {tilt: 0 dB/oct, band: 150 .. 15k}
  impedance: {floor: 4 ohm, hard: yes}
  parts: {each: 0.03}
stock: {series: no, bought: shop.csv}
grid: {per_octave: 6}
"""
BOARD = DESIGN.replace(
    "from: 0.6 mH, to: 2.3 mH", "keep: 1.8 mH, dcr: 0.5 ohm, alter: yes"
).replace("from: 6 uF, to: 23 uF, optional: yes", "keep: 12 uF, alter: yes")
"""The same with the woofer's filter of an old board."""


def _write_shop(path: Path, *, owned: bool = False) -> None:
    """Write a list of parts: film and electrolytic, air and iron, thin and thick wire."""
    rows: list[tuple[object, ...]] = []
    for uf in (3.3, 4.7, 6.8, 10, 15, 22):
        rows.append(("capacitor", "film", f"{uf} uF", "", "", "", 1.0 + 0.5 * uf))
        rows.append(("capacitor", "electrolytic", f"{uf} uF", "", "", "", 0.5 + 0.05 * uf))
    for mh in (0.33, 0.47, 0.68, 1.0, 1.5, 2.2):
        for wire, dear in ((0.8, 1.0), (1.4, 2.5)):
            high = 12.0 * wire * mh**0.2
            dcr = 0.62 * mh**0.6 / wire**1.6
            rows.append(
                (
                    "coil",
                    "air",
                    f"{mh} mH",
                    f"{dcr:.3f}",
                    f"{wire} mm",
                    f"{high:.1f}",
                    dear * (2 + 2 * mh),
                )
            )
        rows.append(("coil", "iron core", f"{mh} mH", f"{0.2 * mh:.3f}", "", "30", 3.0 + mh))
    for ohm in (1, 1.5, 2.2, 3.3, 6.8, 10, 15, 22):
        rows.append(("resistor", "", f"{ohm} ohm", "", "", "", 0.4))
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["kind", "type", "value", "dcr", "wire", "height", "price EUR", "count"])
        for number, row in enumerate(rows):
            out.writerow([*row, 2 if owned and number % 2 else 1 if owned else ""])


@pytest.fixture(scope="module")
def bench(once: Callable[..., Path]) -> Path:
    """Folder with two invented drivers, lists of parts and the response of another speaker."""

    def make(folder: Path) -> None:
        for name, driver in (
            (
                "woofer",
                ideal_driver(band_hz=(60.0, 4000.0), ohm=6.0, coil_h=0.3e-3, grid_hz=FILE_HZ),
            ),
            (
                "tweeter",
                ideal_driver(
                    band_hz=(900.0, None),
                    level_db=93.0,
                    ohm=6.0,
                    resonance_hz=900.0,
                    grid_hz=FILE_HZ,
                ),
            ),
        ):
            write_driver(folder, name, level_db=driver.pressure[0], ohm=driver.impedance)
        write_curve(folder / "reference.txt", 80.0 - 2.0 * np.log2(FILE_HZ / 1000.0))
        _write_shop(folder / "shop.csv")
        _write_shop(folder / "shelf.csv", owned=True)

    return once("wishes", make)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a search left: its results as written, what it said, and the list that it chose from."""

    code: int
    said: str
    best: dict[str, Any]
    shop: list[dict[str, str]]

    @property
    def parts(self) -> Iterator[dict[str, Any]]:
        """Every part, with its way."""
        for name, way in self.best["ways"].items():
            for part in way["slots"]:
                yield {"way": name, **part}

    def part(self, place: str) -> dict[str, Any]:
        """One part by "way.name"."""
        return next(p for p in self.parts if f"{p['way']}.{p['name']}" == place)

    def rows(self, way: str = "", kind: str = "") -> Iterator[dict[str, str]]:
        """Rows of the list that the pieces of new parts come from, found by value and resistance."""
        for part in self.parts:
            if (
                part["origin"] == "kept"
                or way not in ("", part["way"])
                or kind not in ("", part["kind"])
            ):
                continue
            for piece in part["pieces"]:
                yield min(self.shop, key=lambda row: _distance(row, part, piece))

    def price(self) -> float:
        """Sum of the prices that the list states."""
        return sum(float(row["price EUR"]) for row in self.rows())

    def level(self, hz: float) -> float:
        """Level on the axis."""
        curves = self.best["curves"]
        return float(np.interp(math.log(hz), np.log(curves["frequency_hz"]), curves["on_axis_db"]))


_UNITS = {"uF": 1e-6, "mH": 1e-3, "ohm": 1.0}


def _distance(row: dict[str, str], part: dict[str, Any], piece: float) -> float:
    number, unit = row["value"].split()
    if unit != {"F": "uF", "H": "mH", "ohm": "ohm"}[part["unit"]]:
        return math.inf
    far = 1e3 * abs(float(number) * _UNITS[unit] / piece - 1.0)
    if unit == "uF":
        far += (row["type"] == "electrolytic") != (part.get("made_of") == "electrolytic")
    if row["dcr"] and len(part["pieces"]) == 1:
        far += abs(float(row["dcr"]) - part["dcr_ohm"])
    return far


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What a person says, what is written for it, and how the outcome shows that it was heard."""

    says: str
    write: tuple[tuple[str, str], ...]
    holds: Callable[[Outcome], bool]
    code: int = 0
    board: bool = False


def _all_film(rows: Iterator[dict[str, str]]) -> bool:
    return all(row["type"] == "film" for row in rows if "uF" in row["value"])


def _limits(text: str) -> tuple[tuple[str, str], ...]:
    return (("grid: {", f"limits: {{{text}}}\ngrid: {{"),)


def _at(name: str, text: str) -> tuple[tuple[str, str], ...]:
    way, _, place = name.partition(".")
    line = next(
        line
        for line in DESIGN.partition(f"  {way}:\n    polarity")[2].splitlines()
        if f"name: {place}," in line
    )
    return ((line, f"{line[:-1]}, {text}}}"),)


def _high(outcome: Outcome) -> float:
    return max(float(row["height"]) for row in outcome.rows(kind="inductor"))


def _copper_kg(outcome: Outcome) -> float:
    """Copper of coils of Brooks shape, from Maxwell's formula as the package states it."""
    total = 0.0
    for coil in (p for p in outcome.parts if p["kind"] == "inductor"):
        side = math.sqrt(
            3 * math.pi * 1.7241e-8 * coil["value"] / (0.7 * 2.5491e-6 * coil["dcr_ohm"])
        )
        total += 3 * math.pi * 0.7 * 8960 * side**3
    return total


def _crossing_hz(outcome: Outcome) -> float:
    return float(outcome.best["ways"]["woofer"]["crossover_hz"][1])


def _slope(outcome: Outcome, low: float, high: float) -> float:
    """Fall of the mean level per octave, from octaves around two frequencies."""
    f = np.array(outcome.best["curves"]["frequency_hz"])
    level = np.array(outcome.best["curves"]["on_axis_db"])
    octave = [level[(f > hz / 1.4) & (f < hz * 1.4)].mean() for hz in (low, high)]
    return float((octave[1] - octave[0]) / math.log2(high / low))


_STOCK = "{series: no, bought: shop.csv}"
_SERIES = "{series: E6}"
_TRAP = (
    ("name: P1, series: pad, series_resistor: 1 .. 3.3 ohm, shunt_resistor: 6.8 .. 22 ohm",
     "name: N1, shunt: L + C + R, L: 0.3 .. 1.1 mH, C: 3 .. 11 uF, "
     "R: 1 .. 10 ohm, notch at: 2.3 kHz"),
)  # fmt: skip

WISHES = (
    Wish(
        says="all of it under 20 euros", write=_limits("price: 20 EUR"),
        holds=lambda o: o.price() <= 20.0 and abs(o.best["price"] - o.price()) < 0.01,
    ),
    Wish(
        says="it may cost two euros", write=_limits("price: 2 EUR"), code=3,
        holds=lambda o: "2.00 EUR at most" in o.said and "no network of these places has less" in o.said
        and abs(o.best["price"] - o.price()) < 0.01,
    ),
    Wish(
        says="not more than five parts", write=_limits("pieces: 5"),
        holds=lambda o: len(list(o.rows())) == 5,
    ),
    Wish(
        says="three parts must do", write=_limits("pieces: 3"), code=3,
        holds=lambda o: len(list(o.rows())) == 5 and "5 pieces, 3 pieces at most" in o.said,
    ),
    Wish(
        says="at most 250 g of copper", write=_limits("copper: 0.25"),
        holds=lambda o: _copper_kg(o) <= 0.25,
    ),
    Wish(
        says="coils at most 13 mm high", write=_limits("height: 13 mm"),
        holds=lambda o: _high(o) <= 13.0,
    ),
    Wish(
        says="coils at most 5 mm high", write=_limits("height: 5 mm"), code=3,
        holds=lambda o: _high(o) > 5.0 and "mm high, 5 mm at most" in o.said,
    ),
    Wish(
        says="no electrolytics", write=_limits("without: electrolytic"),
        holds=lambda o: _all_film(o.rows()),
    ),
    Wish(
        says="cheap, but no electrolytics in the tweeter",
        write=(("    polarity: free", "    without: electrolytic\n    polarity: free"),
               ("parts: {each: 0.03}", "price: {each: 0.05}")),
        holds=lambda o: _all_film(o.rows("tweeter")) and not _all_film(o.rows("woofer")),
    ),
    Wish(
        says="only electrolytics for this one", write=_at("woofer.C1", "only: electrolytic"),
        holds=lambda o: o.part("tweeter.C1")["made_of"] and _is_electrolytic(o, "woofer.C1"),
    ),
    Wish(
        says="no iron in this speaker", write=_limits("without: iron"),
        holds=lambda o: all(row["type"] == "air" for row in o.rows(kind="inductor")),
    ),
    Wish(
        says="iron for the woofer's coil", write=_at("woofer.L1", "core: iron"),
        holds=lambda o: [row["type"] for row in o.rows("woofer", "inductor")] == ["iron core"],
    ),
    Wish(
        says="a coil of 1.4 mm wire for the woofer", write=_at("woofer.L1", "wire: 1.4 mm"),
        holds=lambda o: [row["wire"] for row in o.rows("woofer", "inductor")] == ["1.4 mm"],
    ),
    Wish(
        says="1.4 mm wire, wound by myself in any value", write=(
            (_STOCK, _SERIES), *_at("woofer.L1", "wire: 1.4 mm")),
        holds=lambda o: o.part("woofer.L1")["wire_m"] == 1.4e-3
        and o.part("tweeter.L1")["wire_m"] == 1.0e-3,
    ),
    Wish(
        says="I have only these parts", write=((_STOCK, "{series: no, shelf: shelf.csv}"),),
        holds=lambda o: _within_counts(o),
    ),
    Wish(
        says="these parts, for two speakers", write=(
            (_STOCK, "{series: no, shelf: shelf.csv, pair: yes}"),),
        holds=lambda o: all(int(row["count"]) >= 2 for row in o.rows()),
    ),
    Wish(
        says="two capacitors in parallel are fine here", write=(
            ("from: 3 uF, to: 11 uF", "from: 11.4 uF, to: 11.6 uF, join: parallel"),),
        holds=lambda o: o.part("tweeter.C1")["joined"] == "parallel"
        and not any("joined" in p for p in o.parts if p["name"] != "C1"),
    ),
    Wish(
        says="join what you like, but not the woofer's coil", write=(
            (_STOCK, "{series: no, bought: shop.csv, join: 2}"), *_at("woofer.L1", "join: none")),
        holds=lambda o: "joined" not in o.part("woofer.L1") and any("joined" in p for p in o.parts),
    ),
    Wish(
        says="a new 4.7 uF in front of the tweeter",
        write=(("from: 3 uF, to: 11 uF", "value: 4.7 uF"),),
        holds=lambda o: abs(o.part("tweeter.C1")["value"] - 4.7e-6) < 1e-12
        and o.part("tweeter.C1")["origin"] == "stock",
    ),
    Wish(
        says="the 6.8 uF on the board stays", write=(("from: 3 uF, to: 11 uF", "keep: 6.8 uF"),),
        holds=lambda o: o.part("tweeter.C1")["value"] == 6.8e-6
        and o.part("tweeter.C1")["origin"] == "kept",
    ),
    Wish(
        says="do not touch the woofer", board=True,
        write=(("  woofer:\n    polarity: normal", "  woofer:\n    fixed: yes\n    polarity: normal"),),
        holds=lambda o: [(p["value"], p["origin"]) for p in o.parts if p["way"] == "woofer"]
        == [(1.8e-3, "kept"), (12e-6, "kept")],
    ),
    Wish(
        says="change as little of the old board as you can", board=True,
        write=(("parts: {each: 0.03}", "changes: {each: 50}"),),
        holds=lambda o: {p["origin"] for p in o.parts if p["way"] == "woofer"} == {"kept"},
    ),
    Wish(
        says="not below 5 ohm", write=(("floor: 4 ohm", "floor: 5 ohm"),),
        holds=lambda o: min(o.best["curves"]["impedance_ohm"]) >= 5.0 - 1e-3,
    ),
    Wish(
        says="never below 40 ohm", write=(("floor: 4 ohm", "floor: 40 ohm"),), code=3,
        holds=lambda o: "floor 40 ohm" in o.said,
    ),
    Wish(
        says="cross between 3 and 5 kHz",
        write=(("goals:", "cross: {woofer to tweeter: 3k .. 5k, hard: yes}\ngoals:"),),
        holds=lambda o: 3000.0 <= _crossing_hz(o) <= 5000.0,
    ),
    Wish(
        says="do not turn the tweeter round", write=(("polarity: free", "polarity: normal"),),
        holds=lambda o: o.best["ways"]["tweeter"]["polarity"] == 1,
    ),
    Wish(
        says="turn it", write=(("polarity: free", "polarity: inverted"),),
        holds=lambda o: o.best["ways"]["tweeter"]["polarity"] == -1,
    ),
    Wish(
        says="the balance of my old speaker",
        write=(("tilt: 0 dB/oct, band", "target: {file: reference.txt, smoothing: 1/3 octave}, band"),),
        holds=lambda o: _slope(o, 300.0, 9000.0) < -0.5
        and "target of reference.txt, smoothed over 1/3 octave" in o.best["goals"]["on_axis"]["detail"],
    ),
    Wish(
        says="falling by 9 dB from 300 Hz to 10 kHz",
        write=(("tilt: 0 dB/oct, band", "target: {points: {300: 9 dB, 10k: 0 dB}}, band"),),
        holds=lambda o: _slope(o, 400.0, 7000.0) < -0.5,
    ),
    Wish(
        says="a notch at 2.3 kHz across the tweeter", write=_TRAP,
        holds=lambda o: abs(_notch_hz(o) / 2300.0 - 1.0) <= 0.06,
    ),
    Wish(
        says="a notch at 2.55 kHz, which these values do not make", code=3,
        write=tuple((old, new.replace("2.3 kHz", "2.55 kHz")) for old, new in _TRAP),
        holds=lambda o: "outside 2.41 kHz to 2.7 kHz" in o.said,
    ),
    Wish(
        says="as sensitive as 87 dB",
        write=(("  parts:", "  sensitivity: {floor: 87 dB, hard: yes}\n  parts:"),),
        holds=lambda o: o.best["sensitivity_db"] >= 87.0 - 1e-6,
    ),
    Wish(
        says="the tweeter's coil at most 0.5 mH", write=(("from: 0.3 mH, to: 1.1 mH", "to: 0.5 mH"),),
        holds=lambda o: o.part("tweeter.L1")["value"] <= 0.5e-3,
    ),
)  # fmt: skip


def _is_electrolytic(outcome: Outcome, place: str) -> bool:
    """Whether the place holds one, or holds nothing."""
    found = [p for p in outcome.parts if f"{p['way']}.{p['name']}" == place]
    return all(part["made_of"] == "electrolytic" for part in found)


def _within_counts(outcome: Outcome) -> bool:
    used = [tuple(row.values()) for row in outcome.rows()]
    return all(used.count(row) <= int(row[-1]) for row in used)


def _notch_hz(outcome: Outcome) -> float:
    value = {p["kind"]: p["value"] for p in outcome.parts if p["name"].startswith("N1")}
    return 1.0 / (2.0 * math.pi * math.sqrt(value["inductor"] * value["capacitor"]))


def test_a_way_of_an_old_board_stays_while_the_other_is_fitted(bench: Path, tmp_path: Path) -> None:
    """Nothing of it is altered, left out or added, its polarity neither; the other way is free."""
    folder = _copy(bench, tmp_path)
    (folder / "old.yaml").write_text(
        "ways:\n"
        "  woofer:\n"
        "    polarity: inverted\n"
        "    ladder: [{name: L1, series: inductor, value: 1.5 mH, dcr: 0.4 ohm}]\n"
        "  tweeter: {ladder: [{name: C1, series: capacitor, value: 4.7 uF}]}\n",
        encoding="utf-8",
    )
    head, _, rest = DESIGN.partition("ways:")
    said = "board: old.yaml\nways:\n  woofer: {fixed: yes}\n  tweeter: {only: film}\n"
    text = head + said + rest[rest.index("goals:") :]
    (folder / "d.yaml").write_text(text, encoding="utf-8")
    woofer, tweeter = optimizer.load_design(folder / "d.yaml").topology.ways
    assert [(s.name, s.fixed, s.optional) for s in woofer.slots] == [("L1", True, False)]
    assert woofer.polarity == "inverted"
    assert tweeter.polarity == "free"
    assert len(tweeter.slots) > 1
    assert all(slot.alterable or slot.kept is None for slot in tweeter.slots)
    assert {slot.terms.only for slot in tweeter.slots} == {("film",)}


def test_the_sheet_says_what_is_known_of_a_core(
    bench: Path, tmp_path: Path, laddersmith: Callable[..., Any]
) -> None:
    """Saturation is asked for where no list states it, and core losses are said to be left out."""
    folder = _copy(bench, tmp_path)
    text = DESIGN
    for old, new in _at("woofer.L1", "core: iron"):
        text = text.replace(old, new, 1)
    (folder / "d.yaml").write_text(text, encoding="utf-8")
    assert _fit(laddersmith, folder).returncode == 0
    said = " ".join(laddersmith("sheet", folder / "d.yaml", f"{folder}/r.json#1").stdout.split())
    assert "L1 has a core (iron): no list says at which current it saturates" in said
    assert "Losses in the core are not known and not counted" in said
    assert "core, size unknown" in said
    shop = (folder / "shop.csv").read_text(encoding="utf-8").replace(",count", ",current", 1)
    lines = [f"{line}7 A" if "iron" in line else line for line in shop.splitlines()]
    (folder / "shop.csv").write_text("\n".join(lines), encoding="utf-8")
    assert _fit(laddersmith, folder).returncode == 0
    said = " ".join(laddersmith("sheet", folder / "d.yaml", f"{folder}/r.json#1").stdout.split())
    assert "its list says that it takes 7 A; the highest peak is" in said


def _copy(bench: Path, folder: Path) -> Path:
    for file in bench.iterdir():
        if file.is_file():
            (folder / file.name).write_bytes(file.read_bytes())
    return folder


def _fit(laddersmith: Callable[..., Any], folder: Path) -> Any:
    return laddersmith(
        "fit", folder / "d.yaml", "--evaluations", 150, "--top", 1, "--workers", 1,
        "--json", folder / "r.json", "--force",
    )  # fmt: skip


@pytest.mark.parametrize("wish", WISHES, ids=lambda wish: wish.says)
def test_a_wish_is_read_and_acts(
    wish: Wish, bench: Path, tmp_path: Path, laddersmith: Callable[..., Any]
) -> None:
    """At most two lines say it, and the network that is found obeys, or the exit code is 3."""
    text = BOARD if wish.board else DESIGN
    for old, new in wish.write:
        assert old in text
        text = text.replace(old, new, 1)
    assert len(wish.write) <= 2
    _copy(bench, tmp_path)
    (tmp_path / "d.yaml").write_text(text, encoding="utf-8")
    done = _fit(laddersmith, tmp_path)
    assert done.returncode == wish.code, done.stderr
    results = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    best = results["nearest_miss"] if wish.code == 3 else results["candidates"][0]
    name = "shelf.csv" if "shelf.csv" in text else "shop.csv"
    with (tmp_path / name).open(encoding="utf-8") as file:
        shop = list(csv.DictReader(file))
    assert wish.holds(Outcome(code=done.returncode, said=done.stderr, best=best, shop=shop))
