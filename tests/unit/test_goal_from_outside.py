"""A goal is one class: two written here alone work in every verb.

The verbs run in this process, since another one would not know the classes.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator, Sequence
from contextlib import redirect_stdout
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Real
from optimizer.cli.main import main
from optimizer.design.build import build_problem, load_design
from optimizer.goals import GOALS, BandGoal, EconomyGoal, Prepared, option
from optimizer.goals.options import band_option, hard_option, weight_option
from optimizer.network.network import Network
from optimizer.network.topology import Topology
from optimizer.parts import Part
from optimizer.problem.problem import Problem
from optimizer.report.documents.trade import document_trade
from optimizer.report.render.terminal import print_text
from optimizer.search.trade.result import TradeResult
from optimizer.testing import FILE_HZ, write_driver
from tests.conftest import fronts_kept

pytestmark = pytest.mark.slow

GOALS_OF_DESIGN = """\
goals:
  on_axis: {band: 100..15k}
  presence: {floor: 92 dB, band: 2k..5k, weight: 2}
  coils: {each: 0.05}
"""
DESIGN = f"""\
speaker: outside
drivers:
  woofer: {{response: woofer.txt, impedance: woofer_z.txt}}
  tweeter: {{response: tweeter.txt, impedance: tweeter_z.txt}}
ways:
  woofer:
    ladder:
      - {{name: L1, series: inductor, from: 0.33 mH, to: 1.5 mH, optional: yes}}
      - {{name: C1, shunt: capacitor, from: 3.3 uF, to: 15 uF, optional: yes}}
  tweeter:
    polarity: free
    ladder:
      - {{name: C1, series: capacitor, from: 3.3 uF, to: 15 uF}}
      - {{name: L1, shunt: inductor, from: 0.2 mH, to: 0.5 mH, optional: yes}}
      - {{name: R1, series: resistor, from: 1 ohm, to: 4.7 ohm, optional: yes}}
{GOALS_OF_DESIGN}stock: {{series: E6}}
"""

SMALL = """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.33 mH, to: 1 mH, optional: yes}
      - {name: C1, shunt: capacitor, from: 4.7 uF, to: 10 uF, optional: yes}
  tweeter:
    ladder:
      - {name: C1, series: capacitor, from: 4.7 uF, to: 10 uF}
      - {name: L1, shunt: inductor, from: 0.2 mH, to: 0.5 mH, optional: yes}
grid: {per_octave: 6}
"""
"""Other ways, of which a front is soon complete."""


@pytest.fixture(scope="module", autouse=True)
def own_goals() -> Iterator[None]:
    """Two goals of one's own: one with residuals, one that adds up over the parts."""
    before = dict(GOALS)

    class Presence(
        BandGoal,
        name="presence",
        family="house rules",
        unit="dB rms short",
        hears=True,
        sells="of presence",
        buys="more presence",
    ):
        """Level on the axis below a floor, point by point.

        Voices step back where it is large.

        Notes
        -----
        This stays in the source.
        """

        curves = ("on_axis",)
        floor_db: float = option("floor", "level to be reached", default=85.0, unit="dB")
        band_hz: tuple[float, float] = band_option(2000.0, 4000.0)
        hard: bool = hard_option()
        weight: float = weight_option(0.7)

        def residuals(self, on: Prepared, curves: Curves) -> Real:
            level = curves.level_db("on_axis")[..., on.span]
            return np.asarray(np.maximum(self.floor_db - level, 0.0) * on.scale)

        def tangents(self, on: Prepared, curves: Curves, tangents: CurveTangents) -> Real:
            below = curves.level_db("on_axis")[..., on.span] < self.floor_db
            slope = tangents.level_db("on_axis")[..., on.span]
            return np.asarray(-slope * below[:, None] * on.scale)

        def describe(self, on: Prepared, curves: Curves) -> str:
            level = curves.level_db("on_axis")[..., on.span]
            at = int(np.argmin(level))
            return f"lowest {level[at]:.1f} dB at {on.frequency_hz[at]:.0f} Hz"

    class Coils(
        EconomyGoal, name="coils", unit="coils", counted=True, sells="more to wind", buys="fewer"
    ):
        """What each coil costs to wind."""

        weight: float = option("each", "cost of one coil", default=0.02, least=0.0)

        def measure(self, part: Part) -> float:
            return float(part.kind == "inductor")

        def detail(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> str:
            return "each by hand"

    yield
    GOALS.clear()
    GOALS.update(before)


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A woofer that breaks up and a louder tweeter, with the design file beside them."""
    folder = tmp_path_factory.mktemp("outside")
    s = 1j * FILE_HZ / 2000.0
    peak = 1.0 / (1.0 + 0.25 * (s / 2.0) + (s / 2.0) ** 2)  # the cone breaks up at 4 kHz
    for name, curve in (("woofer", peak), ("tweeter", 1.5 * s / (1.0 + s))):
        z = (6.0 if name == "woofer" else 5.0) + 2j * np.pi * FILE_HZ * 2e-4
        write_driver(folder, name, level_db=10.0 ** (87.0 / 20.0) * curve, ohm=z)
    path = folder / "design.yaml"
    path.write_text(DESIGN, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def fitted(design: Path) -> tuple[str, dict, str]:
    """What a fit prints, its JSON and its page."""
    result, page = design.parent / "results.json", design.parent / "page.html"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "120")
        with redirect_stdout(io.StringIO()) as said:
            few = ["--evaluations", "3000", "--seconds", "60", "--workers", "1"]
            code = main(["fit", str(design), *few, "--json", str(result), "--page", str(page)])
    assert code == 0
    return said.getvalue(), json.loads(result.read_text()), page.read_text(encoding="utf-8")


def test_a_design_file_reads_it(design: Path) -> None:
    """Options come by their keys, the rest stands at the defaults of the class."""
    problem = build_problem(load_design(design))
    presence = problem.goals["presence"]
    assert presence == GOALS["presence"](floor_db=92.0, band_hz=(2000.0, 5000.0), weight=2.0)
    assert list(problem.goals) == ["on_axis", "coils", "presence"]
    assert [g.name for g in problem.evaluator.goals] == ["on_axis", "presence"]


def test_a_wrong_option_is_refused_with_its_line(
    design: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The message names file, line, key and the option that was meant."""
    other = design.with_name("wrong.yaml")
    other.write_text(DESIGN.replace("floor: 92 dB", "flor: 92 dB"), encoding="utf-8")
    assert main(["fit", str(other)]) == 2
    line = DESIGN[: DESIGN.index("presence:")].count("\n") + 1
    said = capsys.readouterr().err
    assert f"wrong.yaml:{line}: goals.presence" in said
    assert 'did you mean "floor"?' in said


def test_the_list_of_goals_has_it(capsys: pytest.CaptureFixture[str]) -> None:
    """Under its family with unit, meaning and options; in full with the note on gates."""
    assert main(["goals"]) == 0
    text = capsys.readouterr().out
    assert re.search(r"^house rules$", text, re.MULTILINE)
    assert re.search(r"^presence +dB rms short +Level on the axis below", text, re.MULTILINE)
    assert main(["goals", "presence"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "presence (figure in dB rms short)" in text
    assert "Voices step back where it is large." in text
    assert "stays in the source" not in text
    assert "floor 85 dB level to be reached" in text
    assert "weight 0.7 how much one unit of this goal costs" in text
    assert "It counts measured sound" in text


def test_fit_counts_it(fitted: tuple[str, dict, str]) -> None:
    """Its figure in JSON is the rms shortfall of the curve that stands beside it, and it costs its
    weight times that; coils are those of the network."""
    _, data, _ = fitted
    assert data["candidates"]
    for candidate in data["candidates"]:
        presence, coils = candidate["goals"]["presence"], candidate["goals"]["coils"]
        f = np.array(candidate["curves"]["frequency_hz"])
        level = np.array(candidate["curves"]["on_axis_db"])[(f >= 2000.0) & (f <= 5000.0)]
        short = float(np.sqrt(np.mean(np.maximum(92.0 - level, 0.0) ** 2)))
        assert presence["value"] == pytest.approx(short, abs=1e-4)
        assert presence["cost"] == pytest.approx(2.0 * presence["value"], abs=1e-6)
        assert presence["detail"].startswith("lowest ")
        slots = [slot for way in candidate["ways"].values() for slot in way["slots"]]
        assert coils["value"] == sum(slot["kind"] == "inductor" for slot in slots)
        assert coils["counted"]
        assert not presence["counted"]
        assert candidate["cost"] == pytest.approx(
            sum(goal["cost"] for goal in candidate["goals"].values()), abs=1e-5
        )


def test_tables_and_page_show_it(fitted: tuple[str, dict, str]) -> None:
    """A row each in the table of candidates and on the page; coils without decimals."""
    text, data, page = fitted
    first = data["candidates"][0]["goals"]
    row = re.search(r"^ *presence +dB rms short +([\d.]+)", text, re.MULTILINE)
    assert row
    assert row[1] == f"{first['presence']['value']:.2f}"
    row = re.search(r"^ *coils +coils +(\S+)", text, re.MULTILINE)
    assert row
    assert row[1] == f"{first['coils']['value']:.0f}"
    read = " ".join(re.sub(r"<[^>]*>", " ", page).split())  # as cells are read, without their tags
    assert f"{first['presence']['value']:.2f} dB rms short" in read
    assert f"{first['coils']['value']:.0f} coils" in read


def test_check_gives_it_as_a_reason(
    design: Path, fitted: tuple[str, dict, str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A network of the fit checked: the goal stands among the reasons, with band and parts."""
    result, checked = design.parent / "results.json", design.parent / "check.json"
    assert main(["check", str(design), f"{result}#1", "--json", str(checked)]) == 0
    text = capsys.readouterr().out
    reasons = {one["goal"]: one for one in json.loads(checked.read_text())["reasons"]}
    figure = fitted[1]["candidates"][0]["goals"]["presence"]
    if figure["value"] > 0.0:
        assert reasons["presence"]["cost"] == pytest.approx(figure["cost"], abs=1e-5)
        low, high = reasons["presence"]["band_hz"]
        assert 2000.0 <= low <= high <= 5000.0
    assert reasons["coils"]["cost"] > 0.0
    assert re.search(r"^presence ", text, re.MULTILINE)
    assert re.search(r"^coils ", text, re.MULTILINE)


BY_HAND = """\
ways:
  woofer: {ladder: [{name: L1, value: 1 mH}, {name: C1, value: 10 uF}]}
  tweeter: {polarity: normal, ladder: [{name: C1, value: 10 uF}, {name: R1, value: 1 ohm}]}
"""


def test_a_hard_limit_of_it_is_named(design: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A limit that nothing meets ends a fit with code 3 and its sentence; a change by hand that
    breaks one which was met is said by voice."""
    limited, network = design.with_name("limited.yaml"), design.with_name("hand.yaml")

    def limit(floor: str) -> None:
        hard = f"  presence: {{floor: {floor}, band: 3k..5k, hard: yes}}\n"
        limited.write_text(re.sub(r"  presence: .*\n", hard, DESIGN), encoding="utf-8")

    limit("120 dB")
    assert main(["fit", str(limited), "--seconds", "1", "--workers", "1", "--quiet"]) == 3
    assert re.search(r"presence \(lowest [\d.]+ dB at \d+ Hz\)", capsys.readouterr().err)
    network.write_text(BY_HAND, encoding="utf-8")
    checked = design.parent / "hand.json"
    assert main(["check", str(limited), str(network), "--json", str(checked), "--quiet"]) == 0
    curves = json.loads(checked.read_text())["candidate"]["curves"]
    f = np.array(curves["frequency_hz"])
    least = float(np.array(curves["on_axis_db"])[(f >= 3000.0) & (f <= 5000.0)].min())
    limit(f"{least - 0.1:.3f} dB")
    used = ["voice", str(limited), str(network), "--use", "tweeter.R1 4.7 ohm", "--changes", "1"]
    assert main(used) == 3  # nothing serves it within the limits; the nearest are told
    said = " ".join(capsys.readouterr().out.split())
    assert re.search(r"the design's limit presence is broken: lowest [\d.]+ dB at \d+ Hz", said)


def test_trade_has_its_words(design: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Steps of a front are said in the words of the class, and its figures are those of the
    networks; the same front is told from its other end, too."""
    small, written = design.with_name("small.yaml"), design.with_name("trade.json")
    small.write_text(DESIGN[: DESIGN.index("ways:")] + SMALL + DESIGN[DESIGN.index("goals:") :])
    between = ("presence", "coils")
    options = ["--points", "3", "--seconds", "3000", "--workers", "1", "--json", str(written)]
    with fronts_kept() as found:
        assert main(["trade", str(small), "--between", *between, *options]) == 0
    data = json.loads(written.read_text())
    assert len(data["points"]) >= 2
    for point in data["points"]:
        goals = point["candidate"]["goals"]
        assert point["a"] == pytest.approx(goals[between[0]]["value"], abs=1e-5)
        assert point["b"] == pytest.approx(goals[between[1]]["value"], abs=1e-5)
    other = document_trade(build_problem(load_design(small)), turn_round(found[0]), "small.yaml")
    for said, steps, words in (
        (capsys.readouterr().out, data["points"][1:], r"dB of presence buys .*\d coils? fewer"),
        (
            print_text(other),
            other.data()["points"][1:],
            r"\d coils? more to wind buys .*dB more presence",
        ),
    ):
        assert all(re.search(words, point["step"]) for point in steps)
        assert re.search(words, " ".join(said.split()))


def turn_round(front: TradeResult) -> TradeResult:
    """The same front between the same goals in the other order."""
    points = tuple(
        replace(p, a=p.b, b=p.a, weights=p.weights[::-1]) for p in reversed(front.points)
    )
    return replace(front, between=front.between[::-1], units=front.units[::-1], points=points)


def test_the_registry_refuses_half_a_goal() -> None:
    """A goal without its words, and a second one of a name, are refused where they are written."""
    with pytest.raises(TypeError, match="must state family, unit, sells, buys"):
        type("Half", (BandGoal,), {}, name="half")
    words = {"family": "x", "unit": "dB", "sells": "a", "buys": "b"}
    with pytest.raises(TypeError, match="already"):
        type("Again", (BandGoal,), {}, name="on_axis", **words)
    with pytest.raises(TypeError, match="no colour"):
        type("Odd", (BandGoal,), {}, name="odd", colour="red", **words)
    assert "half" not in GOALS
    assert "odd" not in GOALS


def test_slopes_of_the_goal_here_are_right(design: Path) -> None:
    """The goal of this file keeps what every goal promises: slopes equal central differences."""
    problem = build_problem(load_design(design))
    _compare_slopes(problem)


def _compare_slopes(problem: Problem) -> None:
    from optimizer.search.descend.relax import relaxed_population

    space, free = problem.space, problem.space.free_genes
    rng = np.random.default_rng(4)
    logs = rng.uniform(space.log_low, space.log_high, (3, len(space.log_low)))
    present, polarity = np.ones((3, len(space.slots)), dtype=bool), np.ones((3, 2))

    def cost(values: Real) -> Real:
        population = relaxed_population(space, problem.loss_laws, values, present, polarity)
        return problem.evaluator.linearise(population, problem.loss_laws, free)[0]

    population = relaxed_population(space, problem.loss_laws, logs, present, polarity)
    _, gradient, _ = problem.evaluator.linearise(population, problem.loss_laws, free)
    for column, gene in enumerate(free):
        step = np.zeros_like(logs)
        step[:, gene] = 1e-6
        central = (cost(logs + step) - cost(logs - step)) / 2e-6
        np.testing.assert_allclose(gradient[:, column], central, rtol=1e-4, atol=1e-5)
