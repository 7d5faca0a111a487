"""The public front door: every name, every verb, every docstring example."""

from __future__ import annotations

import ast
import doctest
import runpy
import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import optimizer
from optimizer import testing
from optimizer.problem.figures import build_candidate
from tests.conftest import THOROUGH

ROOT = Path(optimizer.__file__).parent
LONGEST_REPR = 300


def test_every_public_name_resolves() -> None:
    """No name of the package is a promise that fails when it is used."""
    for name in optimizer.__all__:
        assert getattr(optimizer, name) is not None
    assert set(optimizer.__all__) <= set(dir(optimizer))
    with pytest.raises(AttributeError, match="nothing_of_this_name"):
        optimizer.nothing_of_this_name  # noqa: B018


def test_no_public_name_is_also_a_room() -> None:
    """A function with the name of a subpackage is replaced by it once that is imported."""
    rooms = {path.stem for path in ROOT.iterdir() if path.suffix == ".py" or path.is_dir()}
    assert set(optimizer.__all__) & rooms == {"testing"}


def test_type_checkers_see_the_same_names() -> None:
    """The imports that only type checkers read are those that happen when a name is used."""
    tree = ast.parse((ROOT / "__init__.py").read_text(encoding="utf-8"))
    guarded = next(node for node in tree.body if isinstance(node, ast.If))
    seen = {
        alias.asname: statement.module
        for statement in guarded.body
        if isinstance(statement, ast.ImportFrom)
        for alias in statement.names
    }
    assert seen == {**optimizer._HOME, "testing": "optimizer"}


def test_importing_the_package_costs_next_to_nothing() -> None:
    """`import optimizer` brings in no library beyond the standard one."""
    code = (
        "import sys; before = set(sys.modules); import optimizer; "
        "print(*{m.partition('.')[0] for m in set(sys.modules) - before} - "
        "set(sys.stdlib_module_names))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT.parent, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["optimizer"]


def modules_with_examples() -> list[str]:
    return [
        ".".join(path.relative_to(ROOT.parent).with_suffix("").parts).removesuffix(".__init__")
        for path in sorted(ROOT.rglob("*.py"))
        if ">>> " in path.read_text(encoding="utf-8")
    ]


@pytest.mark.parametrize("name", modules_with_examples())
def test_examples_in_docstrings_run(name: str) -> None:
    """What a docstring shows is what one gets."""
    flags = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
    result = doctest.testmod(import_module(name), optionflags=flags)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.fixture(scope="module")
def problem() -> optimizer.Problem:
    return testing.small_problem()


@pytest.fixture(scope="module")
def result(problem: optimizer.Problem) -> optimizer.SearchResult:
    return optimizer.fit(problem, exact=True)


def test_fit_honours_its_settings(problem: optimizer.Problem) -> None:
    """Number of candidates and seed arrive at the search."""
    result = optimizer.fit(problem, seconds=0.3, seed=5, top=2)
    assert len(result.candidates) <= 2
    assert result.seed == 5


@THOROUGH
def test_exact_fit_is_the_best_of_all(
    problem: optimizer.Problem, result: optimizer.SearchResult
) -> None:
    """No network drawn at random from the space costs less than what is proven best."""
    space, rng = problem.space, np.random.default_rng(1)
    best = result.best.cost
    assert result.notes[0].startswith("proven best")
    for _ in range(300):
        ways = testing.network({
            way.name: [
                testing.fitted(
                    slot.name, slot.place, slot.form,
                    *(
                        parts[int(rng.integers(len(parts)))]
                        for kind, span in zip(slot.kinds, slot.ranges, strict=True)
                        for parts in [problem.stock.options(kind, span.low, span.high)]
                    ),
                )
                for slot in way.slots
                if not slot.optional or rng.random() < 0.5
            ]
            for way in space.topology.ways
        })  # fmt: skip
        candidate = build_candidate(problem, ways)
        assert not candidate.feasible or candidate.cost >= best - 1e-9


def test_check_gives_the_cost_of_the_fit(
    problem: optimizer.Problem, result: optimizer.SearchResult
) -> None:
    """A candidate and its bare network are one thing to every verb."""
    by_candidate = optimizer.check(problem, result.best)
    by_network = optimizer.check(problem, result.best.network)
    assert by_candidate.candidate.cost == by_network.candidate.cost == result.best.cost


def test_network_files_are_understood(
    problem: optimizer.Problem, result: optimizer.SearchResult, tmp_path: Path
) -> None:
    """A saved network costs what it cost before it was saved."""
    file = tmp_path / "best.yaml"
    optimizer.write_network(file, result.best.network, parent="", note="a test")
    assert optimizer.check(problem, file).candidate.cost == pytest.approx(result.best.cost)
    assert optimizer.open_network(problem, str(file)).piece_count == result.best.parts


def test_trade_runs(problem: optimizer.Problem) -> None:
    """The front runs from the best of one goal to the best of the other."""
    front = optimizer.trade(problem, ("on_axis", "parts"), points=3, seconds=1.0)
    assert front.between == ("on_axis", "parts")
    assert [p.a for p in front.points] == sorted(p.a for p in front.points)
    with pytest.raises(optimizer.InputError, match="different"):
        optimizer.trade(problem, ("parts", "parts"))
    with pytest.raises(optimizer.InputError, match="hard limit"):
        optimizer.trade(problem, ("on_axis", "impedance"))


def test_trade_takes_goals_the_problem_lacks(problem: optimizer.Problem) -> None:
    """A goal of the front that nobody stated stands at its defaults; the problem stays as it is."""
    front = optimizer.trade(problem, ("on_axis", "copper"), points=3, seconds=0.5)
    assert front.between == ("on_axis", "copper")
    assert front.points
    assert "copper" not in problem.goals


def test_voice_moves_what_was_wished(
    problem: optimizer.Problem, result: optimizer.SearchResult
) -> None:
    """One wish as text, two as a list; the answer changes the network."""
    for wishes in ("2k..5k -1 dB", ["2k..5k -1 dB", "impedance 3 ohm"]):
        voiced = optimizer.voice(problem, result.best, wishes, changes=1)
        assert voiced.answers
        assert all(0 < answer.count <= 1 for answer in voiced.answers)
    with pytest.raises(optimizer.InputError):
        optimizer.voice(problem, result.best, "make it sing")


def test_voice_uses_what_is_at_hand(
    problem: optimizer.Problem, result: optimizer.SearchResult
) -> None:
    """A part stated by its place and value is in place before anything else is changed."""
    voiced = optimizer.voice(problem, result.best, [], use={"woofer.L1": "1.5 mH"}, changes=1)
    assert [str(change) for change in voiced.base.changes] == ["woofer.L1 1 mH to 1.5 mH"]
    with pytest.raises(optimizer.InputError, match="place of the network"):
        optimizer.voice(problem, result.best, [], use={"woofer.L9": "1.5 mH"})
    with pytest.raises(optimizer.InputError, match="above 0"):
        optimizer.voice(problem, result.best, [], use={"woofer.L1": "-1 mH"})


EXAMPLES = sorted((ROOT / "guide" / "examples").glob("*.py"))


def test_there_are_examples() -> None:
    """The guide comes with scripts to start from."""
    assert EXAMPLES


@pytest.mark.parametrize("script", EXAMPLES, ids=lambda script: script.stem)
def test_example_scripts_run(
    script: Path,
    demo_design: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Every example does on the demo's files what it says."""
    monkeypatch.setattr(sys, "argv", [str(script), str(demo_design.parent), "1"])
    names = runpy.run_path(str(script), run_name="__main__")
    assert names["result"].best.feasible
    assert repr(names["result"]) in capsys.readouterr().out


def test_files_to_candidates_in_ten_lines(
    problem: optimizer.Problem, result: optimizer.SearchResult, tmp_path: Path
) -> None:
    """No YAML and no deep import: the same speaker from its files costs the same within rounding
    of the files."""
    folder = write_folder(tmp_path, problem)
    drivers = [
        optimizer.Driver.from_files(
            name,
            response={0: folder / f"{name}.txt"},
            impedance=folder / f"{name}_z.txt",
            grid_hz=problem.frequency_hz,
        )
        for name in ("woofer", "tweeter")
    ]
    again = optimizer.Problem(
        drivers=drivers, topology=problem.topology, stock=optimizer.Stock.of("E6"),
        goals={"on_axis": {"tilt": "0 dB/oct", "band": "150 .. 15k"},
               "impedance": {"floor": "4 ohm", "hard": True}, "parts": {"each": 0.03}},
    )  # fmt: skip
    assert optimizer.fit(again, exact=True).best.cost == pytest.approx(result.best.cost, rel=1e-6)


@pytest.mark.parametrize(
    ("response", "said"),
    [
        ({"30": "w.txt"}, "needs its side"),
        ({"30 right": "w.txt"}, "on the reference axis"),
        ({"sideways": "w.txt"}, "an angle and a side"),
        ("none.txt", "must exist"),
    ],
)
def test_drivers_refuse_what_they_cannot_read(response: Any, said: str) -> None:
    """A missing file or direction is one message that names it."""
    with pytest.raises(optimizer.InputError, match=said):
        optimizer.Driver.from_files("woofer", response=response, impedance="wz.txt")


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: optimizer.series_inductor("L1", "6 mH", "1 mH"), "slot L1: a range runs"),
        (lambda: optimizer.series_inductor("L1", "1 uF"), "slot L1"),
        (lambda: optimizer.pad("P1", series_resistor="loud"), "slot P1"),
        (lambda: optimizer.keep(optimizer.notch("N1"), "1 mH"), "needs 3 values"),
        (lambda: optimizer.Topology.of(), "at least one ladder"),
        (lambda: optimizer.Topology.of(a=[], inverted=["b"]), "known here: a"),
        (lambda: optimizer.Topology.of(a=[optimizer.trap("X"), optimizer.trap("X")]), "share"),
        (lambda: optimizer.Stock.of(None), "must hold something"),
        (lambda: optimizer.Stock.of("E13"), "E12"),
        (lambda: optimizer.Stock.of(capacitors="paper"), "polyester"),
        (lambda: testing.small_problem(goals={"on_axes": 1.0}), 'did you mean "on_axis"'),
        (lambda: testing.small_problem(goals={"on_axis": {"tilt": "2 mH"}}), "on_axis"),
        (lambda: optimizer.preset("nowhere"), "no goal preset"),
    ],
)
def test_values_refuse_nonsense(make: Any, said: str) -> None:
    """What cannot be is said in one line that names the thing."""
    with pytest.raises(optimizer.InputError) as caught:
        make()
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def write_response(path: Path, curve: Any, problem: optimizer.Problem, *, ohm: bool) -> Path:
    level = np.abs(curve) if ohm else 20.0 * np.log10(np.abs(curve))
    rows = np.column_stack([problem.frequency_hz, level, np.rad2deg(np.angle(curve))])
    np.savetxt(path, rows, header="Freq(Hz) " + ("Impedance(ohm)" if ohm else "SPL(dB)"))
    return path


def test_verify_knows_a_healthy_speaker_from_one_with_a_mistake(
    problem: optimizer.Problem, result: optimizer.SearchResult, tmp_path: Path
) -> None:
    """Predicted impedances of the right and of a wrong network stand in for measurements."""
    ways = result.best.network.ways
    wrong = replace(
        result.best.network, ways=(replace(ways[0], slots=ways[0].slots[:1]), *ways[1:])
    )
    for network, healthy in ((result.best.network, True), (wrong, False)):
        curve = optimizer.check(problem, network).candidate.curves.impedance
        file = write_response(tmp_path / f"z{healthy}.txt", curve, problem, ohm=True)
        verdict = optimizer.verify(problem, result.best, file)
        assert verdict.passed is healthy


def test_sheet_and_netlist_name_every_part(
    problem: optimizer.Problem, result: optimizer.SearchResult
) -> None:
    """What is to be bought is what was chosen."""
    sheet = optimizer.sheet(problem, result.best, speakers=1)
    values = {value for item in sheet.items for value in [item.value]}
    parts = [p for w in result.best.network.ways for s in w.slots for p in s.parts]
    assert values == {part.value for part in parts}
    deck = optimizer.netlist(problem, result.best)
    assert len([line for line in deck.splitlines() if line[:1] in "LCR"]) >= len(parts)


def write_folder(folder: Path, problem: optimizer.Problem) -> Path:
    for driver in problem.drivers:
        write_response(folder / f"{driver.name}.txt", driver.pressure[0], problem, ohm=False)
        write_response(folder / f"{driver.name}_z.txt", driver.impedance, problem, ohm=True)
    return folder


def test_survey_and_start_take_a_folder(problem: optimizer.Problem, tmp_path: Path) -> None:
    """From files to ranked candidates in one call, and the design file stays to be edited."""
    folder = write_folder(tmp_path, problem)
    survey = optimizer.survey(folder)
    assert [driver.name for driver in survey.drivers] == ["woofer", "tweeter"]
    started = optimizer.start(folder, seconds=0.5, seed=3)
    assert started.result.candidates
    assert started.result.seed == 3
    assert optimizer.load(started.design).topology == started.problem.topology
    again = optimizer.fit(started.design, seconds=0.3, top=1)
    assert len(again.candidates) == 1
    with started.design.open("a", encoding="utf-8") as file:
        file.write("# mine\n")
    with pytest.raises(optimizer.InputError):
        optimizer.start(folder)


def nouns(value: Any, seen: set[int]) -> Iterator[Any]:
    """Every dataclass instance inside a value."""
    if id(value) in seen:
        return
    seen.add(id(value))
    if is_dataclass(value) and not isinstance(value, type):
        yield value
        for field in fields(value):
            yield from nouns(getattr(value, field.name, None), seen)
    elif isinstance(value, Mapping):
        for inner in value.values():
            yield from nouns(inner, seen)
    elif isinstance(value, (tuple, list)):
        for inner in value:
            yield from nouns(inner, seen)


def test_every_noun_has_a_short_form(
    problem: optimizer.Problem, result: optimizer.SearchResult, tmp_path: Path
) -> None:
    """Nothing that a verb returns floods the prompt."""
    folder = write_folder(tmp_path, problem)
    started = optimizer.start(folder, seconds=0.3)
    values = [
        problem, *problem.drivers, problem.topology, problem.stock, result, started,
        optimizer.load_design(started.design),
        optimizer.check(problem, result.best),
        optimizer.voice(problem, result.best, "2k..5k -1 dB", changes=1),
        optimizer.sheet(problem, result.best),
        optimizer.trade(problem, ("on_axis", "parts"), points=3, seconds=0.5),
        optimizer.verify(problem, result.best, folder / "woofer_z.txt"),
    ]  # fmt: skip
    seen: set[int] = set()
    long = {
        type(noun).__name__: len(repr(noun))
        for value in values
        for noun in [value, *nouns(value, seen)]
        if len(repr(noun)) >= LONGEST_REPR
    }
    assert not long


def test_notebook_tables_are_escaped(problem: optimizer.Problem) -> None:
    """A name cannot smuggle markup into a notebook."""
    name = "<b>L</b>"
    network = testing.network(
        {
            "woofer": [testing.in_line(name, testing.coil(1e-3, 0.2))],
            "tweeter": [testing.in_line("C1", testing.capacitor(4.7e-6))],
        }
    )
    shown = network._repr_html_()
    assert "<b>" not in shown
    assert "&lt;b&gt;L&lt;/b&gt;" in shown
    assert "4.7 uF" in shown


def test_candidates_show_as_tables(result: optimizer.SearchResult) -> None:
    """Rank and cost of every candidate stand in the table of a result, its goals in its own."""
    shown = result._repr_html_()
    assert all(f"{candidate.cost:.4g}" in shown for candidate in result.candidates)
    assert all(goal.name in result.best._repr_html_() for goal in result.best.goals)


def test_results_of_other_verbs_show_as_tables(
    problem: optimizer.Problem, result: optimizer.SearchResult
) -> None:
    """Every change and every point of a front stands in its table."""
    woofer, tweeter = result.best.network.ways
    turned = replace(tweeter, polarity=-tweeter.polarity)
    report = optimizer.check(problem, replace(result.best.network, ways=(woofer, turned)))
    shown = report._repr_html_()
    assert report.improvements
    for one in report.improvements:
        assert all(change.label in shown for change in one.changes)
        assert all(f"turn {way}" in shown for way in one.turned)
    voiced = optimizer.voice(problem, result.best, "2k..5k -1 dB", changes=1)
    for answer in voiced.answers:
        assert str(answer.changes[0]) in voiced._repr_html_()
    front = optimizer.trade(problem, ("on_axis", "parts"), points=3, seconds=0.5)
    assert front._repr_html_().count("<tr>") == 1 + len(front.points)
