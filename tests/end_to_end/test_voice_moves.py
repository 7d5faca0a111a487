"""Every number that `voice` says is the difference of two network files, as `check` gives their curves.

The judge reads sentences and JSON, and forms each figure anew from the curves of the networks before
and after: means over a grid that is even in log frequency, within a wished band and over what was
held (50 Hz to 16 kHz, half an octave or more outside the wished bands, as the sentences say).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.conftest import Done, cases
from tests.end_to_end.judge import (
    GRID,
    TWO_WAYS,
    Board,
    count_operations,
    load,
    run,
    write_drivers,
)

WITHIN_DB = 0.05
PRINTED = 2e-4
"""Curves in JSON have four decimals, and a figure of one decimal is half of one off at most."""

MIDRANGE = """\
  midrange:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 20 uF, to: 120 uF}
      - {name: L1, series: inductor, from: 0.15 mH, to: 1.5 mH}
      - {name: R1, series: resistor, from: 0.5 ohm, to: 8 ohm, optional: yes}
"""
DESIGNS = {
    "two ways": ("woofer tweeter", TWO_WAYS, ""),
    "three ways": ("woofer midrange tweeter", TWO_WAYS + MIDRANGE, ""),
    "a shared resistor": (
        "woofer tweeter",
        TWO_WAYS,
        "shared: {all: {ladder: [{name: R0, series: resistor, from: 0.5 ohm, to: 3 ohm}]}}\n",
    ),
    "a source with resistance": ("woofer tweeter", TWO_WAYS, "amplifier: {output: 1.5 ohm}\n"),
}
GOALS = "goals: {on_axis: {band: 100..12k}, parts: {each: 0.03}}\nstock: {series: E12}\n"
RANGES = {
    ("woofer", "L1"): ("mH", 0.5, 2.5), ("woofer", "C1"): ("uF", 4.0, 40.0),
    ("tweeter", "C1"): ("uF", 3.0, 15.0), ("tweeter", "L1"): ("mH", 0.2, 1.0),
    ("midrange", "C1"): ("uF", 30.0, 90.0), ("midrange", "L1"): ("mH", 0.2, 0.8),
    ("all", "R0"): ("ohm", 0.6, 2.0),
}  # fmt: skip
NETWORKS = [
    (name, seed)
    for seed, names in enumerate((DESIGNS, DESIGNS, ("two ways", "three ways")))
    for name in names
]


@dataclass
class Wished:
    """A wish as the judge drew it: what voice is told, and its bands."""

    text: str
    curve: str = "on_axis"
    band: tuple[float, float, float] | None = None


def draw_wishes(rng: np.random.Generator) -> list[Wished]:
    """One or two bands that are not near each other, at times with a level or a load."""
    curves = ("on_axis", "on_axis", "in_room", "sound_power")
    low = 10.0 ** rng.uniform(2.2, 3.6)
    wishes = []
    for _ in range(rng.choice([1, 1, 2])):
        high = low * 2.0 ** rng.uniform(0.7, 2.2)
        change = round(float(rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 3.0)), 1)
        curve = str(rng.choice(curves))
        band = (float(round(low)), float(round(min(high, 15000.0))), change)
        text = (
            f"{'' if curve == 'on_axis' else curve + ' '}{band[0]:g}..{band[1]:g} Hz {change:+g} dB"
        )
        wishes.append(Wished(text=text, curve=curve, band=band))
        low = band[1] * 2.0
        if low > 6000.0:
            break
    if rng.random() < 0.15:
        wishes.append(Wished(text=f"sensitivity {rng.choice([-1.5, 1.0]):+g} dB"))
    if rng.random() < 0.15:
        wishes.append(Wished(text=f"impedance {rng.uniform(3.0, 6.0):.1f} ohm"))
    return wishes


def draw_network(name: str, rng: np.random.Generator) -> str:
    """A network written by hand: every place that a range is given for, at values of no series."""
    drivers, _, more = DESIGNS[name]
    ways: dict[str, list[str]] = {}
    for (way, place), (unit, low, high) in RANGES.items():
        if way in drivers.split() or (way == "all" and more.startswith("shared")):
            value = float(np.exp(rng.uniform(np.log(low), np.log(high))))
            ways.setdefault(way, []).append(f"{{name: {place}, value: {value:.3g} {unit}}}")
    text = "ways:\n"
    for way in drivers.split():
        turn = str(rng.choice(["normal", "inverted"])) if way != "woofer" else "normal"
        text += f"  {way}: {{polarity: {turn}, ladder: [{', '.join(ways[way])}]}}\n"
    if "all" in ways:
        text += f"shared: {{all: {{ladder: [{', '.join(ways['all'])}]}}}}\n"
    return text


class Judge:
    """What the curves of two networks, as their files give them, say of a wish."""

    def __init__(self, before: Any, after: Any, wishes: list[Wished]) -> None:
        self.before, self.after, self.wishes = before, after, wishes
        self.f = np.array(before["curves"]["frequency_hz"])
        assert after["curves"]["frequency_hz"] == before["curves"]["frequency_hz"]
        self.held = (self.f >= 50.0) & (self.f <= 16000.0)
        for wish in wishes:
            if wish.band:
                low, high, _ = wish.band
                self.held &= (self.f <= low / 2.0**0.5) | (self.f >= high * 2.0**0.5)
        self.checked = 0

    def moved(self, curve: str) -> np.ndarray:
        curve = curve.strip().replace(" ", "_")
        if curve == "impedance":
            both = [np.array(one["curves"]["impedance_ohm"]) for one in (self.before, self.after)]
            return 20.0 * np.log10(both[1] / both[0])
        both = [np.array(one["curves"][f"{curve}_db"]) for one in (self.before, self.after)]
        return both[1] - both[0]

    def rest(self, curve: str) -> float:
        return float(self.moved(curve)[self.held].mean()) if self.held.any() else 0.0

    def at(self, hz: str) -> int:
        """The grid point that a frequency of three digits stands for."""
        number, unit = re.fullmatch(r"([\d.]+) (k?)Hz", hz.strip()).groups()
        wanted = float(number) * (1000.0 if unit else 1.0)
        found = int(np.argmin(np.abs(np.log(self.f / wanted))))
        assert abs(self.f[found] / wanted - 1.0) < 0.006, hz
        return found

    def inside(self, band: tuple[float, float, float]) -> np.ndarray:
        return (self.f >= band[0] * (1 - 1e-9)) & (self.f <= band[1] * (1 + 1e-9))

    def same(self, said: str | float, true: float, within: float = WITHIN_DB) -> None:
        assert abs(float(said) - true) <= within + PRINTED, f"{said} said, {true:.4f} is true"
        self.checked += 1

    def work(self, said: str) -> None:
        """Operations at the iron, counted from the two networks."""
        boards = [Board.of_candidate(one) for one in (self.before, self.after)]
        counted = count_operations(*boards, alike_stay=True)
        total = sum(map(int, re.findall(r"\d+", said)))
        # The judge's boards are without what all ways share.
        assert total >= counted if "shared" in self.after else total == counted, (said, boards)
        self.checked += 1

    def point(self, said: str, hz: str, curve: str) -> None:
        self.same(said, self.moved(curve)[self.at(hz)] - self.rest(curve))

    # Sentences: what a pattern takes out of a text is judged, and nothing with a number may be left.

    def judge(self, text: str) -> None:
        left = " ".join(text.split())
        for pattern, rule in self.rules():
            while found := re.search(pattern, left):
                rule(*found.groups())
                left = left[: found.start()] + left[found.end() :]
        assert not re.search(r"\d", left), f"not judged: {left!r} of {text!r}"

    def rules(self) -> list[tuple[str, Callable[..., None]]]:
        db, hz, curve = r"([+-]\d+\.\d+) dB", r"([\d.]+ k?Hz)", "(on axis|in room|sound power)"
        shape = (
            rf"{db} at {hz}(?:, hardly any (?:from {hz} (?:to {hz}|(up))|up to {hz})"
            rf"|, {db} at {hz})?"
        )
        work = r"\d+ (?:off|on|jumpers?|re-routes?)"
        return [
            (rf"at the iron ({work}(?:, {work})*)", self.work),
            (rf"{hz} to {hz} {curve}: {db} of the wished ([+-][\d.]+), at worst {db} at {hz}",
             self.band),
            (rf"{hz} to {hz} {curve}: {db} of the wished ([+-][\d.]+), (?:at most )?{shape}",
             self.band_shape),
            (rf"elsewhere {curve} {db} on average, farthest from that by {db} at {hz}",
             self.elsewhere),
            (rf"{curve} from {hz} to {hz} moves {db} of the wished ([+-][\d.]+)", self.unserved),
            (rf"{curve} from {hz} to {hz} moves unevenly: (?:at most )?{shape}", self.uneven),
            (rf"level(?: moves)? {db} of the wished ([+-][\d.]+)", self.level),
            (rf"what is held {curve} moves {db} on average, allowed is ([\d.]+) dB", self.astray),
            (rf"the directivity index moves {db} at {hz}, allowed is ([\d.]+) dB", self.directivity),
            (rf"{curve} moves {db} at {hz} against what is held, allowed is {db[:-3]} to {db}",
             self.held_point),
            (rf"lowest impedance is ([\d.]+) ohm at {hz}, ([\d.e-]+)% below what must be left",
             self.short),
            (rf"the impedance reaches ([\d.]+) ohm at {hz} of the wished ([\d.]+)", self.lowest),
            (r"lowest impedance ([\d.]+) -> ([\d.]+) ohm", self.impedances),
            (r"sensitivity ([\d.]+) -> ([\d.]+) dB", self.sensitivities),
            (r"cost by the design's goals ([\d.]+) -> ([\d.]+)", self.costs),
        ]  # fmt: skip

    def find(self, curve: str, low: str, wished: str | None = None) -> Wished:
        """The wish that a sentence is about."""
        name = curve.strip().replace(" ", "_")
        near = [
            w
            for w in self.wishes
            if w.band and w.curve == name and f"{w.band[0]:.3g}" == f"{self.hertz(low):.3g}"
        ]
        (wish,) = near
        if wished is not None:
            assert float(wished) == pytest.approx(wish.band[2], abs=0.005)
        return wish

    @staticmethod
    def hertz(text: str) -> float:
        number, unit = text.split()
        return float(number) * (1000.0 if unit == "kHz" else 1.0)

    def mean(self, wish: Wished) -> float:
        moved = self.moved(wish.curve)[self.inside(wish.band)]
        return float(moved.mean()) - self.rest(wish.curve)

    def band(
        self, low: str, _: str, curve: str, got: str, wished: str, worst: str, hz: str
    ) -> None:
        wish = self.find(curve, low, wished)
        self.same(got, self.mean(wish))
        self.point(worst, hz, wish.curve)
        left = (self.moved(wish.curve) - self.rest(wish.curve) - wish.band[2])[
            self.inside(wish.band)
        ]
        assert abs(float(worst) - wish.band[2]) >= np.abs(left).max() - WITHIN_DB

    def band_shape(
        self, low: str, high: str, curve: str, got: str, wished: str, *shape: str
    ) -> None:
        wish = self.find(curve, low, wished)
        self.same(got, self.mean(wish))
        self.uneven_shape(wish, *shape)

    def uneven(self, curve: str, low: str, high: str, *shape: str) -> None:
        wish = self.find(curve, low)
        left = (self.moved(wish.curve) - self.rest(wish.curve) - wish.band[2])[
            self.inside(wish.band)
        ]
        assert np.sqrt(np.mean(left**2)) > 0.5 * abs(wish.band[2]) - WITHIN_DB
        self.uneven_shape(wish, *shape)

    def uneven_shape(
        self, wish: Wished, most: str, hz: str, idle_from: str | None, idle_to: str | None,
        up: str | None, idle_up_to: str | None, least: str | None, least_hz: str | None,
    ) -> None:  # fmt: skip
        """Most at one point, and less than a quarter of the wish where hardly any is said."""
        self.point(most, hz, wish.curve)
        sign = np.sign(wish.band[2])
        toward = sign * (self.moved(wish.curve) - self.rest(wish.curve))
        inside = self.inside(wish.band)
        assert sign * float(most) >= toward[inside].max() - WITHIN_DB
        if least is not None and least_hz is not None:
            self.point(least, least_hz, wish.curve)
        first, last = (np.flatnonzero(inside)[k] for k in (0, -1))
        if idle_from is None and idle_up_to is None:
            return
        first = self.at(idle_from) if idle_from else first
        last = self.at(idle_up_to or idle_to) if not up else last
        assert toward[first : last + 1].max() < 0.25 * abs(wish.band[2]) + WITHIN_DB

    def judge_ranges(self, text: str) -> None:
        """The frequencies that are called elsewhere are those that were held, and no others."""
        said = np.zeros_like(self.held)
        for one in text.split(", "):
            first, last = (self.at(end) for end in one.split(" to "))
            said[first : last + 1] = True
        assert np.array_equal(said, self.held), text

    def elsewhere(self, curve: str, mean: str, worst: str, hz: str) -> None:
        self.same(mean, self.rest(curve))
        self.point(worst, hz, curve)
        left = np.abs(self.moved(curve) - self.rest(curve))[self.held]
        assert abs(float(worst)) >= left.max() - WITHIN_DB
        assert self.held[self.at(hz)]

    def unserved(self, curve: str, low: str, _: str, got: str, wished: str) -> None:
        wish = self.find(curve, low, wished)
        self.same(got, self.mean(wish))
        assert abs(float(got) - wish.band[2]) > 0.5 * abs(wish.band[2]) - WITHIN_DB

    def level(self, got: str, wished: str) -> None:
        self.same(got, self.after["sensitivity_db"] - self.before["sensitivity_db"])
        assert any(
            float(w.text.split()[1]) == float(wished)
            for w in self.wishes
            if w.text.startswith("sens")
        )

    def astray(self, curve: str, mean: str, limit: str) -> None:
        self.same(mean, self.rest(curve))
        assert abs(float(mean)) > float(limit)

    def directivity(self, got: str, hz: str, limit: str) -> None:
        self.same(got, self.moved("directivity_index")[self.at(hz)])
        assert abs(float(got)) > float(limit)

    def held_point(self, curve: str, got: str, hz: str, low: str, high: str) -> None:
        self.point(got, hz, curve.strip())
        assert not float(low) <= float(got) <= float(high)

    def lowest(self, ohm: str, hz: str, limit: str) -> None:
        self.same(ohm, self.after["curves"]["impedance_ohm"][self.at(hz)])
        assert float(ohm) <= float(limit)

    def short(self, ohm: str, hz: str, percent: str) -> None:
        """By default the lowest impedance may fall by 5 %."""
        exact = self.after["curves"]["impedance_ohm"][self.at(hz)]
        self.same(ohm, exact)
        left = 0.95 * min(self.before["curves"]["impedance_ohm"])
        assert float(percent) == pytest.approx(100.0 * (1.0 - exact / left), abs=0.06, rel=0.06)

    def impedances(self, *ohm: str) -> None:
        for said, one in zip(ohm, (self.before, self.after), strict=True):
            self.same(said, min(one["curves"]["impedance_ohm"]))

    def sensitivities(self, *level: str) -> None:
        for said, one in zip(level, (self.before, self.after), strict=True):
            f, axis = self.f, np.array(one["curves"]["on_axis_db"])
            self.same(said, axis[(f >= 300.0) & (f <= 3000.0)].mean())

    def costs(self, *cost: str) -> None:
        for said, one in zip(cost, (self.before, self.after), strict=True):
            self.same(said, one["cost"], 0.001)

    # Figures in JSON.

    def judge_json(self, answer: Any) -> None:
        wished = [w for w in self.wishes if w.band]
        assert len(answer.get("moves", [])) == len(wished)
        assert not wished or answer["moved"] == answer["moves"][0]
        for move, wish in zip(answer.get("moves", []), wished, strict=True):
            curve, (low, high, change) = wish.curve, wish.band
            assert (move["curve"], move["band_hz"], move["wished_db"]) == (
                curve,
                [low, high],
                change,
            )
            inside, moved = self.inside(wish.band), self.moved(curve)
            self.same(move["band_db"], moved[inside].mean())
            self.same(move["moved_db"], self.mean(wish))
            left = (moved - self.rest(curve) - change)[inside]
            self.same(move["error_db"], float(np.sqrt(np.mean(left**2))))
            self.same(abs(move["worst"]["db"] - change), np.abs(left).max())
            self.point(move["worst"]["db"], f"{move['worst']['hz']:.6g} Hz", curve)
            if self.held.any():
                self.same(move["rest_db"], self.rest(curve))
                self.point(move["rest_worst"]["db"], f"{move['rest_worst']['hz']:.6g} Hz", curve)
        self.same(answer["level_db"], self.rest("on_axis"))
        for text in answer["beyond"]:
            self.judge(text)

    def judge_octaves(self, rows: list[str], heads: list[float]) -> None:
        for row in rows:
            found = re.fullmatch(r"([a-z ]+?)\s{2,}(.*?)\s+([+-]\d+\.\d) at ([\d.]+ k?Hz)\s*", row)
            assert found, row
            moved = self.moved(found[1])
            self.same(found[3], moved[self.at(found[4])])
            assert abs(float(found[3])) >= np.abs(moved).max() - WITHIN_DB - PRINTED
            for middle, cell in zip(heads, found[2].split(), strict=True):
                inside = (self.f >= middle / 2.0**0.5) & (self.f < middle * 2.0**0.5)
                self.same(cell, moved[inside].mean())


def split_answers(text: str) -> list[str]:
    """The sentences of each answer in a terminal, without the line of its changes."""
    found = []
    for block in re.split(r"\n(?=\d+\. )", text.split("What no. 1 moves")[0])[1:]:
        lines = block.split("\n\n")[0].splitlines()
        first = next(k for k, line in enumerate(lines) if re.match(r"   \S.*(: |elsewhere)", line)
                     and not re.match(r"   .*->", line.split(";")[0]))  # fmt: skip
        found.append("; ".join([" ".join(lines[first:])]))
    return found


def read_octaves(text: str) -> tuple[list[str], list[float]]:
    lines = text.split("What no. 1 moves\n")[1].split("\n\n")[0].splitlines()
    heads = [
        float(word.rstrip("k")) * (1000.0 if word.endswith("k") else 1.0)
        for word in re.findall(r"[\d.]+k?", lines[0])
    ]
    return [line for line in lines[1:] if line.strip()], heads


@pytest.mark.parametrize(("name", "seed"), cases(NETWORKS, routine=2))
def test_sentences_are_differences_of_files(
    name: str,
    seed: int,
    tmp_path: Path,
    laddersmith: Callable[..., Done],
    trials: Callable[..., int],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Random wishes: terminal and JSON of every answer against the curves of its file."""
    # Nothing is broken into lines: breaking is looked at elsewhere.
    monkeypatch.setenv("COLUMNS", "1000")
    rng = np.random.default_rng([sorted(DESIGNS).index(name), seed])
    drivers, ways, more = DESIGNS[name]
    design, network = tmp_path / "design.yaml", tmp_path / "network.yaml"
    design.write_text(
        write_drivers(tmp_path, *drivers.split()) + ways + more + GOALS + GRID, encoding="utf-8"
    )
    network.write_text(draw_network(name, rng), encoding="utf-8")
    out, saved, judged = (tmp_path / file for file in ("v.json", "saved.yaml", "judged.json"))
    checked = 0
    for _ in range(trials(routine=2, full=20)):
        wishes = draw_wishes(rng)
        saved.unlink(missing_ok=True)
        loose = ["--hold", f"{rng.uniform(0.5, 3.0):.2f} dB"] if rng.random() < 0.5 else []
        done = laddersmith(
            "voice", design, network, *(word for w in wishes for word in ("--wish", w.text)),
            *loose, "--top", 4, "--json", out, "--save", saved,
        )  # fmt: skip
        assert done.returncode in (0, 3), done.stderr
        answers = load(out)["answers"]
        texts = split_answers(done.stdout)
        assert len(answers) == len(texts)
        if not answers:
            continue
        against = [str(out), *([str(saved)] if saved.exists() else [])]
        run("check", design, network, *(w for one in against for w in ("--against", one)),
            "--json", judged)  # fmt: skip
        data = load(judged)
        after = [one["candidate"] for one in data["against"]]
        judges = [Judge(data["candidate"], one, wishes) for one in after]
        for judge, answer, text in zip(judges, answers, texts, strict=False):
            judge.judge_json(answer)
            judge.judge(text)
        judges[0].judge_octaves(*read_octaves(done.stdout))
        ranges = re.search(r"^elsewhere means (.*)$", done.stdout, re.MULTILINE)
        assert (ranges is not None) == bool(judges[0].held.any())
        if ranges is not None:
            judges[0].judge_ranges(ranges[1].strip())
        if saved.exists():
            first = next(k for k, answer in enumerate(answers) if answer["within_limits"])
            judges[-1].judge_json(answers[first])
        elif "nearest, no. 1: " in done.stderr:
            said = done.stderr.split("nearest, no. 1: ")[1].partition("; allow")[0]
            judges[0].judge(said.partition("; or ")[0].partition("; wish for")[0]
                            .partition("; offer")[0])  # fmt: skip
        checked += sum(judge.checked for judge in judges)
    assert checked > 0
