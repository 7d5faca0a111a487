"""Wishes after listening: what they mean, what serves them, and what is written."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.bench.check import list_changes
from optimizer.bench.networks.file import read_history, read_network, write_network
from optimizer.bench.voice.moves import measure_moves
from optimizer.bench.voice.voicing import voice_network
from optimizer.bench.voice.wish_goals import MoveLimits, ToneGoal, prepare_wishes
from optimizer.bench.voice.wishes import Band, parse_wish, read_words
from optimizer.cli.main import main
from optimizer.cli.options import put_in_options
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.goals import goal_cost
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from tests.conftest import THOROUGH

WORDS = read_words()

# A network of the demo found by its own search, E12 values: all 17 places but four are filled.
CHOICES = {
    "woofer": {"L1": [6.8e-3]},
    "midrange": {"C1": [56e-6], "L1": [6.8e-3], "L2": [0.82e-3], "C2": [12e-6], "P1": [4.7, 8.2]},
    "tweeter": {"C1": [6.8e-6], "L1": [0.27e-3], "C2": [10e-6], "P1": [3.3, 2.2]},
}


@pytest.fixture(scope="module")
def design(tmp_path_factory, copy_demo):
    return copy_demo(tmp_path_factory.mktemp("voice"))


@pytest.fixture(scope="module")
def problem(demo_problem):
    return demo_problem


@pytest.fixture(scope="module")
def network(problem):
    space = problem.space
    choice, present = [], np.zeros(len(space.slots), dtype=bool)
    for g, gene in enumerate(space.genes):
        way, slot = problem.topology.ladders[gene.ladder].name, space.slots[gene.slot].name
        values = CHOICES[way].get(slot)
        choice.append(
            0
            if values is None
            else int(np.argmin(np.abs(np.log(space.options[g].values / values[gene.part]))))
        )
        present[gene.slot] = values is not None
    return space.network(
        Genome(choice=np.array(choice), present=present, polarity=np.array([1.0, -1.0, -1.0]))
    )


@pytest.fixture(scope="module")
def network_file(design, network):
    path = design.parent / "found.yaml"
    write_network(path, network, parent="", note="found")
    return str(path)


@pytest.mark.parametrize(
    ("text", "curve", "bands"),
    [
        ("2k..5k -1dB", "on_axis", ((2000.0, 5000.0, -1.0),)),
        ("in-room above 4k \u22121.5 dB", "in_room", ((4000.0, 20000.0, -1.5),)),
        ("sound power below 200 +2 dB", "sound_power", ((20.0, 200.0, 2.0),)),
        ("at 2k -1 dB", "on_axis", ((2000.0 / 2.0**0.5, 2000.0 * 2.0**0.5, -1.0),)),
        ("in_room 2k -1 dB", "in_room", ((2000.0 / 2.0**0.5, 2000.0 * 2.0**0.5, -1.0),)),
        ("less bright", "on_axis", ((4000.0, 16000.0, -1.5),)),
        ("a little less bright", "on_axis", ((4000.0, 16000.0, -0.75),)),
        ("much Warmer", "on_axis", ((120.0, 500.0, 2.0),)),
        ("less bright 2 dB", "on_axis", ((4000.0, 16000.0, -2.0),)),
    ],
)
def test_tone_wishes(text, curve, bands):
    """Bands, words and their amounts are understood."""
    wish = parse_wish(text, WORDS)
    assert wish.curve == curve
    assert wish.bands == tuple(Band(low_hz=a, high_hz=b, change_db=c) for a, b, c in bands)


def test_other_wishes():
    """Load and level can be wished for."""
    assert parse_wish("impedance at least 4 ohm", WORDS).floor_ohm == 4.0
    assert parse_wish("impedance 100..500 6", WORDS).floor_band_hz == (100.0, 500.0)
    assert parse_wish("sensitivity +1 dB", WORDS).level_change_db == 1.0
    assert parse_wish("sensitivity 86 dB", WORDS).level_db == 86.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("les bright", 'did you mean "less bright"'),
        ("2k..5k", "a band with an amount"),
        ("2k..5k -40 dB", "at most 12 dB"),
        ("5k..2k 1 dB", "must rise"),
        ("2..5k 1 dB", "two ways"),
        ("impedance foo", "a resistance"),
        ("sensitivity x", "a level"),
        ("impedance 0", "between 0.1 and 100 ohm"),
    ],
)
def test_wishes_refused(text, said):
    """What cannot be understood is refused with examples."""
    with pytest.raises(InputError, match=r"^wish: ") as error:
        parse_wish(text, WORDS)
    assert said in str(error.value)
    assert str(put_in_options(error.value)).startswith("--wish: ")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bright:\n  on_axis: {2k..4k: 1 dB}\n", "meaning"),
        ("bright:\n  meaning: x\n", "a word changes one curve"),
        ("bright:\n  meaning: x\n  on_axis: {4k..2k: 1 dB}\n", "must rise"),
        ("bright:\n  meaning: x\n  on_axis: {2k..4k: 0 dB}\n", "changes something"),
        ("bright:\n  meaning: x\n  on_axis: {}\n", "at least one band"),
    ],
)
def test_own_words_refused(tmp_path, text, said):
    """A wrong file of words is refused with its line."""
    (tmp_path / "w.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        read_words(tmp_path / "w.yaml")
    assert said in str(error.value)
    assert error.value.line


def wished_goals(problem, network, *texts):
    present = build_candidate(problem, network)
    return present, prepare_wishes(
        problem, present, [parse_wish(t, WORDS) for t in texts], MoveLimits()
    )


def test_nothing_changed_costs_the_wish(problem, network):
    """Unchanged, the figure is the wish itself: what is held has not moved."""
    _, goals = wished_goals(problem, network, "2k..5k -1 dB")
    laid = problem.around(network)
    genome = laid.space.locate(network)
    evaluator = laid.evaluate(goals)
    curves = evaluator.curves(laid.space.population([genome])[0])
    assert float(goal_cost(goals[0], goals[0].residuals(curves))) == pytest.approx(1.0, rel=1e-9)
    assert float(goals[0].common_level(curves)) == pytest.approx(0.0, abs=1e-9)
    assert all(float(goal_cost(g, g.residuals(curves))) < 1e-9 for g in goals[1:])


def test_thin_bounds_never_exceed(problem, network):
    """On a part of the grid every goal of a wish is at most what it is on the whole."""
    _, goals = wished_goals(
        problem, network, "2k..5k -1 dB", "darker room", "impedance 5 ohm", "sensitivity +1 dB"
    )
    laid = problem.around(network)
    genome = laid.space.locate(network)
    evaluator = laid.evaluate(goals)
    rng = np.random.default_rng(3)
    genomes = []
    for _ in range(200):
        choice = genome.choice.copy()
        for g in rng.choice(len(choice), size=3):
            choice[g] = rng.integers(len(laid.space.options[g].values))
        genomes.append(
            Genome(
                choice=choice,
                present=genome.present,
                polarity=genome.polarity,
            )
        )
    population = laid.space.population(genomes)
    full = evaluator.curves(population)
    for points in (12, 37, 90):
        index = np.unique(np.linspace(0, len(problem.frequency_hz) - 1, points).round().astype(int))
        thin = evaluator.thinned(index, bound=True)
        part = thin.curves(population)
        for whole, some in zip(goals, thin.goals, strict=True):
            upper = goal_cost(whole, whole.residuals(full))
            assert (goal_cost(some, some.residuals(part)) <= upper + 1e-9).all()
            assert upper.max() > 0.0


def test_tangents_are_derivatives(problem, network):
    """Derivatives of the goals of a wish agree with differences."""
    _, goals = wished_goals(problem, network, "2k..5k -3 dB", "impedance 8 ohm")
    laid = problem.around(network)
    genome = laid.space.locate(network)
    evaluator = laid.evaluate(goals)
    choice = genome.choice.copy()
    for label in ("tweeter.P1.Rs", "midrange.L2"):
        choice[laid.space.find(label)] += 4
    moved = Genome(choice=choice, present=genome.present, polarity=genome.polarity)
    population = laid.space.population([moved])
    laws = problem.loss_laws
    g, h = laid.space.find("tweeter.P1.Rp"), 1e-6
    place = np.full(len(laid.space.genes), 1, dtype=np.intp)
    place[g] = 0
    solved, slopes = laid.bank.solve_with_tangents(population, laws)
    curves = Curves(evaluator.field, solved.transfer, solved.admittance)
    tangents = CurveTangents(curves, 2, *slopes.into(place))
    for goal in evaluator.goals:
        sides = []
        for factor in (1.0 + h, 1.0 / (1.0 + h)):
            values = population.values.copy()
            values[:, g] *= factor
            shifted = laid.bank.solve(
                type(population)(
                    values=values,
                    loss_ohm=population.loss_ohm,
                    present=population.present,
                    polarity=population.polarity,
                )
            )
            sides.append(
                goal.residuals(Curves(evaluator.field, shifted.transfer, shifted.admittance))
            )
        slope = (sides[0] - sides[1])[0] / (2.0 * np.log1p(h))
        np.testing.assert_allclose(
            goal.tangents(curves, tangents)[0, 0], slope, atol=2e-6 * max(1.0, np.abs(slope).max())
        )
    assert isinstance(goals[0], ToneGoal)


def moves_of(problem, network, change, wish, limits=None):
    """What is said when the curve on axis changes by this much."""
    curves = build_candidate(problem, network).curves
    after = replace(curves, named_db={"on_axis": curves.named_db["on_axis"] + change})
    return measure_moves(curves, after, [parse_wish(wish, WORDS)], limits or MoveLimits())


def test_a_level_is_no_change_of_tone(problem, network):
    """Everything 1 dB down moves no band against what is held, and a shelf moves its band alone."""
    f = problem.frequency_hz
    (band,) = moves_of(problem, network, np.full(len(f), -1.0), "above 4k -1 dB").bands
    assert (band.moved_db, band.band_db, band.rest_db) == pytest.approx((0.0, -1.0, -1.0))
    assert not band.served
    found = moves_of(problem, network, np.where(f > 3950.0, -0.8, 0.2), "4k..16k -1 dB")
    (band,), (rest,) = found.bands, found.rest
    assert (band.moved_db, band.error_db, rest.mean_db) == pytest.approx((-1.0, 0.0, 0.2))
    assert band.served
    assert band.even
    assert rest.worst.db == pytest.approx(0.0)


def test_a_narrow_notch_is_no_shelf(problem, network):
    """Half the wish on average, all of it in a fifth of the band: said so, and not served."""
    f = problem.frequency_hz
    notch = -4.2 * np.exp(-((np.log2(f / 5000.0) / 0.25) ** 2))
    (band,) = moves_of(problem, network, notch, "4k..16k -1.5 dB").bands
    assert band.moved_db == pytest.approx(-0.9, abs=0.1)
    assert band.served
    assert not band.even
    assert band.shape.startswith("-4.2")
    assert re.search(r"at 5.0\d kHz, hardly any from 6.\d+ kHz up$", band.shape)


def test_where_nothing_is_held(problem, network):
    """A wish about everything is told as it is."""
    found = moves_of(problem, network, np.full(len(problem.frequency_hz), -1.0), "20..20k -1 dB")
    assert found.rest == ()
    assert found.bands[0].rest_db is None
    assert found.bands[0].moved_db == pytest.approx(-1.0)


def test_less_bright(problem, network):
    """With two changes the treble falls as wished, and the rest stays."""
    result = voice_network(problem, network, [parse_wish("less bright", WORDS)])
    assert result.answers[0].score < result.base.score
    # Those within all limits first, the best first among either.
    order = [(bool(a.beyond), a.score) for a in result.answers]
    assert order == sorted(order)
    assert not order[0][0]
    assert result.finer is None
    assert result.nearest == ()
    f = problem.frequency_hz
    best = next(a for a in result.answers if not a.beyond)
    moved = (
        best.candidate.curves.named_db["on_axis"]
        - result.present.curves.named_db["on_axis"]
        - best.level_db
    )
    assert moved[(f > 4000) & (f < 16000)].mean() == pytest.approx(-1.5, abs=0.5)
    assert np.abs(moved[(f > 50) & (f < 2800)]).max() <= 0.8
    assert 1 <= best.count <= 2


@THOROUGH
@pytest.mark.slow
def test_a_third_change_is_never_worse(problem, network):
    """Three changes find at least what two find, and say that they are not exhaustive."""
    wishes = [parse_wish("more presence", WORDS), parse_wish("less boomy", WORDS)]
    two = voice_network(problem, network, wishes, changes=2)
    three = voice_network(problem, network, wishes, changes=3)
    assert three.answers[0].score <= two.answers[0].score + 1e-12
    assert all(a.exact == (a.count < 3) for a in three.answers)
    one = voice_network(problem, network, wishes, changes=1)
    assert all(a.count == 1 for a in one.answers)


def test_part_at_hand(problem, network):
    """A part that shall be used is in every answer, and others make up for it."""
    part = next(p for p in problem.stock.options("resistor", 4.6, 4.8))
    result = voice_network(problem, network, [], use={"tweeter.P1.Rs": part})
    assert [c.label for c in result.base.changes] == ["tweeter.P1.Rs"]
    assert result.answers
    assert result.answers[0].score < result.base.score
    for answer in result.answers:
        used = next(c for c in answer.changes if c.label == "tweeter.P1.Rs")
        assert used.after == part
        assert answer.count == len(answer.changes) - 1
    with pytest.raises(InputError, match="place of the network"):
        voice_network(problem, network, [], use={"tweeter.R9": part})


def test_wish_needs_its_curve(problem, network):
    """A wish about a narrow band without grid points is refused."""
    with pytest.raises(InputError, match="at least 3 points"):
        voice_network(problem, network, [parse_wish("2000..2010 -1 dB", WORDS)])


@pytest.mark.slow
def test_command(design, network_file, capsys):
    """The verb answers, saves an answer under a new name, and keeps its history."""
    folder = design.parent
    saved, data_file = folder / "softer.yaml", folder / "voice.json"
    command = [
        "voice",
        str(design),
        network_file,
        "--wish",
        "less bright",
        "--top",
        "3",
        "--hold",
        "1dB",
        "--save",
        str(saved),
        "--accept",
        "2",
        "--json",
        str(data_file),
        "--notes",
    ]
    assert main(command) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[2].startswith("YES: ")  # the verdict leads
    for words in (
        "less bright: -1.5 dB from 4 kHz to 16 kHz on axis",
        "Held:",
        "1. ",
        "3. ",
        "lowest impedance",
        "What no. 1 moves",
        "computed or ruled out",
    ):
        assert words in out
    data = json.loads(data_file.read_text(encoding="utf-8"))
    assert data["schema"] == 1
    assert len(data["answers"]) == 3
    for answer in data["answers"]:
        assert {"changes", "wish_error_db", "cost", "candidate"} <= set(answer)
        slots = [s for way in answer["candidate"]["ways"].values() for s in way["slots"]]
        assert all(s["watt"] >= 0.0 and s["rating_needed"] > 0.0 for s in slots)
    problem = build_problem(load_design(design))
    found = read_network(str(saved), problem).network
    changes = list_changes(read_network(network_file, problem).network, found)
    assert [(c.label, c.after.value) for c in changes] == [
        (c["slot"], c["to"]) for c in data["answers"][1]["changes"]
    ]
    assert read_network(f"{data_file}#2", problem).network == found
    steps = read_history(str(saved))
    assert [s["note"] for s in steps][1] == "found"
    assert steps[0]["note"].startswith("less bright: ")
    before = saved.read_bytes()
    assert main(command) == 2
    assert "never overwritten" in capsys.readouterr().err
    assert saved.read_bytes() == before


@pytest.mark.slow
def test_command_without_answer(design, network_file, capsys):
    """When nothing within the limits serves the wish, the exit code is 3 and says so."""
    code = main(["voice", str(design), network_file, "--wish", "60..120 +12 dB", "--changes", "1"])
    assert code == 3
    assert "serves the wish within the limits" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "a wish is needed"),
        (["--use", "tweeter.R9 3"], "needs a place of the network"),
        (["--use", "tweeter.P1.Rs 3 mH"], "resistance"),
        (["--wish", "x"], "a band with an amount"),
        (["--wish", "less bright", "--changes", "4"], "1, 2 or 3 changes"),
        (["--wish", "less bright", "--words", "no.yaml"], "file of words must exist"),
        (
            ["--wish", "less bright", "--changes", "1", "--save", "SAVE", "--accept", "900"],
            "number of an answer",
        ),
    ],
)
def test_command_refuses(design, network_file, capsys, options, said):
    """Wrong options end with one message, exit code 2, and nothing written."""
    target = design.parent / "never.yaml"
    options = [str(target) if o == "SAVE" else o for o in options]
    assert main(["voice", str(design), network_file, *options]) == 2
    captured = capsys.readouterr()
    assert said in captured.err
    assert captured.err.count("\n") == 1
    assert not target.exists()


def test_list_of_words(capsys):
    """Every word is listed with its meaning, without a design."""
    assert main(["voice", "--list-words"]) == 0
    out = capsys.readouterr().out
    assert len(out.splitlines()) == len(WORDS) + 1
    assert "tone.yaml: copy it" in out.splitlines()[-1].replace("\n", " ")
    assert "warmer: +1 dB from 120 Hz to 500 Hz on axis" in out


@pytest.mark.parametrize(
    ("band", "amount", "said"),
    [("-1 Hz..2k", "-1 dB", "above 0 Hz"), ("0 Hz..2k", "1 dB", "above 0 Hz"),
     ("1k..2k", "0 dB", "changes something"), ("1k..2k", "200 dB", "at most")],
)  # fmt: skip
def test_words_that_mean_nothing_are_refused(tmp_path, band, amount, said):
    """A word of one's own has a band of frequencies and an amount that can be heard, with its line."""
    file = tmp_path / "words.yaml"
    file.write_text(f"darker: {{meaning: x, on_axis: {{{band}: {amount}}}}}\n", encoding="utf-8")
    with pytest.raises(InputError, match=said) as caught:
        read_words(file)
    assert caught.value.line == 1


def test_a_band_of_verify_begins_above_nothing(capsys):
    """The band that counts is one of frequencies; said before any file is read."""
    assert main(["verify", "d.yaml", "n.yaml", "m.txt", "--band=-5 Hz..10k"]) == 2
    assert "--band: a band of frequencies begins above 0 Hz" in capsys.readouterr().err
