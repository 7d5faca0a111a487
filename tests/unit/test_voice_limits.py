"""What is held while a wish is served, and what is said when nothing serves it."""

from __future__ import annotations

import json
import re
import shlex

import pytest

from optimizer.bench.networks.file import load_network, read_history
from optimizer.bench.voice.holding import parse_holds
from optimizer.bench.voice.voicing import voice_network
from optimizer.bench.voice.wish_goals import MoveLimits
from optimizer.bench.voice.wishes import parse_wish, read_words
from optimizer.cli.main import main
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError

BUILT = """\
ways:
  woofer:
    ladder:
      - {name: L1, value: 4.7 mH}
      - {name: C1, value: 39 uF}
  midrange:
    polarity: normal
    ladder:
      - {name: C1, value: 150 uF}
      - {name: L2, value: 1 mH}
      - {name: C2, value: 18 uF}
      - {name: P1, series_resistor: 3.9, shunt_resistor: 8.2}
  tweeter:
    polarity: inverted
    ladder:
      - {name: C1, value: 12 uF}
      - {name: L1, value: 0.82 mH}
      - {name: P1, series_resistor: 5.6, shunt_resistor: 3.3}
"""


@pytest.fixture(scope="module")
def design(tmp_path_factory, copy_demo):
    """Half the usual points: enough for what is said, in half the time."""
    return copy_demo(tmp_path_factory.mktemp("limits"), files={"built.yaml": BUILT}, coarse=True)


@pytest.fixture(scope="module")
def network(design):
    return str(design.parent / "built.yaml")


@pytest.fixture(scope="module")
def problem(coarse_demo_problem):
    return coarse_demo_problem


@pytest.fixture
def voice(capsys, monkeypatch, problem):
    """Run the verb; the problem is built once, as reading it takes longest."""

    def run(*words, problem=problem):
        monkeypatch.setattr("optimizer.design.build.build_problem", lambda _: problem)
        code = main(["voice", *map(str, words)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_limits_as_typed():
    """Each limit is named, curves without a name; what is not named stays as it is."""
    assert parse_holds([]) == MoveLimits()
    assert parse_holds(["1dB"]) == MoveLimits(hold_db=1.0)
    assert parse_holds(["2", "level 3 dB", "Directivity 1.5dB", "impedance 80%"]) == MoveLimits(
        hold_db=2.0, level_db=3.0, directivity_db=1.5, impedance=0.8
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "-1 dB",
        "0",
        "30 dB",
        "1,5 dB",
        "impedance 4 ohm",
        "impedance 0 %",
        "level 50 %",
        "treble 1 dB",
        "impedance 120 %",
        "1.2.3 dB",
    ],
)
def test_limits_refused(text):
    """What is no limit is refused with examples."""
    with pytest.raises(InputError, match="directivity 2 dB"):
        parse_holds([text])


def test_the_limit_named_is_the_one_to_widen(design, network, voice, tmp_path):
    """A wish that fails by a little says what moves, and goes with the option it proposes."""
    wish = [design, network, "--wish", "3k..6k -1.5dB"]
    code, out, err = voice(*wish, "--json", tmp_path / "v.json")
    assert code == 3
    assert "allowed is -0.75 to +0.75 dB" in out.replace("\n", " ")
    option = shlex.split(re.search(r"allow that with (--hold \S+),", err)[1])
    limit = float(option[1].removesuffix("dB"))
    assert 0.75 < limit < 1.0
    data = json.loads((tmp_path / "v.json").read_text(encoding="utf-8"))
    assert not data["answers"][0]["within_limits"]
    assert data["answers"][0]["allowed_by"] == [" ".join(option)]
    assert voice(*wish, *option, "--quiet")[0] == 0
    # 0.05 dB beyond counts as kept, so the least that will do is one step below.
    assert voice(*wish, "--hold", f"{limit - 0.11:.2f}", "--quiet")[0] == 3


@pytest.mark.slow
def test_coarse_stock_is_named(design, network, problem, voice, tmp_path):
    """When only the steps of the stock stand in the way, the value missing is named."""
    wish = parse_wish("2k..5k -0.5 dB", read_words())
    result = voice_network(problem, load_network(network, problem), [wish])
    assert result.answers == ()
    assert result.finer is not None
    assert not result.finer.beyond
    assert result.finer.score < result.base.score
    (change,) = result.finer.changes
    in_stock = problem.stock.options(change.after.kind, 1.0, 20.0)
    assert change.after.value not in [p.value for p in in_stock]
    # What comes nearest gains less than the price of its changes.
    assert result.nearest
    assert all(a.score > result.base.score for a in result.nearest)
    saved = tmp_path / "v.json"
    code, out, err = voice(design, network, "--wish", "2k..5k -0.5 dB", "--json", saved)
    assert code == 3
    assert err.count("\n") == 1
    (told,) = json.loads(saved.read_text(encoding="utf-8"))["finer"]["changes"]
    assert (told["slot"], told["to"]) == (change.label, change.after.value)
    assert f"none for {change.label}: " in err
    assert "by the 0.1 dB that each change must gain" in err
    assert "Nearest to an answer" in out

    text = design.read_text(encoding="utf-8")
    finer = design.with_name("finer.yaml")
    finer.write_text(text.replace("stock: {series: E12}", "stock: {series: E96}"), encoding="utf-8")
    assert finer.read_text(encoding="utf-8") != text
    assert (
        voice(
            finer,
            network,
            "--wish",
            "2k..5k -0.5 dB",
            "--changes",
            "1",
            "--quiet",
            problem=build_problem(load_design(finer)),
        )[0]
        == 0
    )


def test_level_must_move_to_count(problem, network):
    """Turning up the tweeter is no answer to a wish for more level: most of it stays behind."""
    result = voice_network(
        problem, load_network(network, problem), [parse_wish("sensitivity +1 dB", read_words())]
    )
    for answer in result.answers:
        got = answer.candidate.sensitivity_db - result.present.sensitivity_db
        says = [e.says for e in answer.beyond]
        assert (f"the level moves {got:+.2f} dB of the wished +1.00" in says) == (
            abs(got - 1) > 0.5
        )
    assert any(a.beyond for a in result.answers)


def test_half_a_wish_is_none(problem, network):
    """A change that gives less than half of what was wished does not count as serving it."""
    result = voice_network(
        problem,
        load_network(network, problem),
        [parse_wish("60..120 +12 dB", read_words())],
        changes=1,
    )
    for answer in result.answers:
        assert abs(answer.moves.bands[0].moved_db) < 6.0
        assert any("of the wished +12.00" in e.says for e in answer.beyond)


@pytest.mark.parametrize(
    ("limit", "said"),
    [("impedance 100 %", "must be left"), ("directivity 0.02 dB", "the directivity index moves")],
)
def test_other_limits_are_named(design, network, voice, limit, said):
    """Impedance and directivity are held as stated, and named with their option."""
    code, out, err = voice(
        design, network, "--wish", "less bright", "--hold", limit, "--changes", "1"
    )
    text = " ".join(out.split())
    assert said in text
    assert code == 3
    assert limit.split()[0] in err


def test_nothing_is_written_unasked(design, network, voice, tmp_path):
    """What breaks a limit is written only when its number is given."""
    target = tmp_path / "softer.yaml"
    wish = [design, network, "--wish", "3k..6k -1.5dB", "--save", target]
    code, out, _ = voice(*wish)
    assert code == 3
    assert "Not written" in out
    assert not target.exists()
    assert voice(*wish, "--accept", 1)[0] == 3
    assert read_history(str(target))[0]["note"].startswith("3k..6k -1.5dB: tweeter.P1.Rp")


def test_part_at_hand_alone(design, network, problem, voice, tmp_path):
    """When a part to be used needs nothing else, it is written by itself."""
    target = tmp_path / "used.yaml"
    code, out, _ = voice(design, network, "--use", "woofer.L1 4.9 mH", "--save", target)
    assert code == 0
    assert "With that part alone:" in out
    found = load_network(str(target), problem)
    assert found.ways[0].slots[0].parts[0].value == pytest.approx(4.9e-3)
    code, _, err = voice(
        design,
        network,
        "--use",
        "woofer.L1 4.9 mH",
        "--save",
        tmp_path / "other.yaml",
        "--accept",
        99,
    )
    assert code == 2
    assert "known here: 0" in err


def test_own_words_are_listed(tmp_path, voice):
    """One's own words are listed with their meaning; a wrong file ends with one message."""
    own = tmp_path / "mine.yaml"
    own.write_text("softer:\n  meaning: less edge\n  on_axis: {3k..8k: -1 dB}\n", encoding="utf-8")
    code, out, _ = voice("--words", own, "--list-words")
    assert code == 0
    assert out.splitlines() == [
        "softer: -1 dB from 3 kHz to 8 kHz on axis, relative to everything else (less edge)"
    ]
    own.write_text("softer:\n  meaning: less edge\n", encoding="utf-8")
    code, out, err = voice("--words", own, "--list-words")
    assert (code, out, err.count("\n")) == (2, "", 1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0..1k -1 dB", "rises from above 0 Hz"),
        ("warmer 0 dB", "a wish changes something"),
        ("2k..5k 0 dB", "a wish changes something"),
        ("sensitivity -300 dB", "above 0 to 12 dB"),
        ("sensitivity +0 dB", "from above 0"),
        ("2k..5k", "write for instance"),
        ("2k..5k nan dB", "a band with an amount"),
    ],
)
def test_odd_wishes_refused(text, said):
    """What asks for nothing, or for too much, is refused."""
    with pytest.raises(InputError) as error:
        parse_wish(text, read_words())
    assert said in str(error.value)


def test_a_signed_number_is_an_amount():
    """Behind a band a number with a sign needs no unit."""
    bands = [parse_wish(text, read_words()).bands for text in ("2k..5k -1", "2k..5k -1 dB")]
    assert bands[0] == bands[1]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--wish", "warmer", "--wish", "leaner"], "two changes of one band"),
        (["--wish", "sensitivity +1 dB", "--wish", "sensitivity 80 dB"], "one level can be wished"),
        (["--wish", "sensitivity 300 dB"], "within 12 dB of the present"),
        (["--wish", "30k..40k -1 dB"], "which runs from 20 Hz to 20 kHz"),
        (["--use", "tweeter.C1 10 uF", "--use", "tweeter.C1 8.2 uF"], "name tweeter.C1 once"),
        (["--use", "midrange.Z1.R 3.3 ohm"], 'name all its parts (--use "tweeter.R1 2.7 ohm")'),
        (["--wish", "warmer", "--hold", "a lot"], "--hold"),
    ],
)
def test_contradictions_refused(design, network, voice, options, said):
    """Wishes that contradict each other end with one message, exit code 2."""
    code, out, err = voice(design, network, *options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert said in err


def test_a_compound_may_be_used_whole(problem, network):
    """An empty compound is filled when all its parts are named, and stays as named."""
    part = {
        "midrange.Z1.R": problem.stock.options("resistor", 6.0, 7.0)[0],
        "midrange.Z1.C": problem.stock.options("capacitor", 9e-6, 11e-6)[0],
    }
    result = voice_network(problem, load_network(network, problem), [], use=part, changes=1)
    assert {c.label: c.after for c in result.base.changes} == part
    for answer in result.answers:
        assert {c.label: c.after for c in answer.changes}.items() >= part.items()


def test_wishes_of_one_amount_may_overlap(problem, network):
    """Two words that ask for the same where they meet are one wish."""
    words = read_words()
    both = voice_network(
        problem,
        load_network(network, problem),
        [parse_wish("less bright", words), parse_wish("less sibilant", words)],
        changes=1,
    )
    one = voice_network(
        problem, load_network(network, problem), [parse_wish("less bright", words)], changes=1
    )
    assert both.base.score == pytest.approx(one.base.score, abs=0.1)
    assert len(both.answers[0].moves.bands) == 2
