"""`laddersmith hear` judged from its files: what it plays is what the results say, equally loud.

The judge reads WAV files by scipy, measures by Welch's method, and knows the curves from results alone.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal
from scipy.io import wavfile
from scipy.stats import binom

from optimizer.arrays import Real
from optimizer.bench.hear.difference import Difference
from optimizer.bench.hear.music import Music, match
from optimizer.errors import InputError
from tests.conftest import Done, cases

Run = Callable[..., Done]
RATE = 48_000
WITHIN_DB = 0.05

pytest.importorskip("soundfile")


@pytest.fixture(scope="module")
def networks(fitted_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """The best network of the demo, and the same with other parts in the tweeter's way."""
    import yaml

    from optimizer.bench.networks.file import read_network, write_network
    from optimizer.design.build import build_problem, load_design

    folder = tmp_path_factory.mktemp("hear")
    speaker = shutil.copytree(fitted_demo, folder / "speaker")  # its diary is added to
    design = speaker / "design.yaml"
    problem = build_problem(load_design(design))
    best = f"{speaker / 'results.json'}#1"
    write_network(folder / "b.yaml", read_network(best, problem).network, parent=best, note="")
    data = yaml.safe_load((folder / "b.yaml").read_text(encoding="utf-8"))
    for slot in data["ways"]["tweeter"]["ladder"]:
        if slot.get("series") == "capacitor":
            slot["value"] = "4.7 uF"
    (folder / "b.yaml").write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")
    return design, best, str(folder / "b.yaml")


@pytest.fixture(scope="module")
def noise(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty seconds of noise in two channels, soft enough to need no turning down."""
    rng = np.random.default_rng(4)
    path = tmp_path_factory.mktemp("music") / "noise.wav"
    wavfile.write(path, RATE, (0.02 * rng.normal(size=(20 * RATE, 2))).astype(np.float32))
    return path


def curves_of(run: Run, design: Path, network: str, folder: Path) -> dict[str, Any]:
    """What `check` says of a network."""
    done = run("check", design, network, "--json", folder / "check.json")
    assert done.returncode == 0, done.stderr
    data = json.loads((folder / "check.json").read_text(encoding="utf-8"))
    curves: dict[str, Any] = data["candidate"]["curves"]
    return curves


def measure(before: Real, after: Real, at_hz: Real) -> Real:
    """Level of what a filter did to noise, in dB: Welch's estimate of its response."""
    f, cross = signal.csd(before, after, RATE, nperseg=2**15)
    _, own = signal.welch(before, RATE, nperseg=2**15)
    return np.asarray(np.interp(at_hz, f, 20.0 * np.log10(np.abs(cross / own))))


@pytest.mark.parametrize(
    ("place", "curve"), cases([("axis", "on_axis_db"), ("room", "in_room_db")], routine=1)
)
def test_noise_through_the_filter_shows_the_difference_of_the_curves(
    laddersmith: Run, networks: tuple[Path, str, str], noise: Path, tmp_path: Path,
    place: str, curve: str,
) -> None:  # fmt: skip
    """Played and measured again, from the music's files and from the filter's, within 0.05 dB."""
    design, a, b = networks
    done = laddersmith(
        "hear", design, a, b, "--place", place, "--music", noise, "--changed", tmp_path / "b.wav",
        "--as-it-is", tmp_path / "a.wav", "--impulse", tmp_path / "f.wav", "--rate", RATE,
        "--most-boost", "20 dB", "--json", tmp_path / "hear.json",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    old, new = (curves_of(laddersmith, design, name, tmp_path) for name in (a, b))
    f = np.array(old["frequency_hz"])
    heard = (f >= 40.0) & (f <= 18_000.0)
    wanted = (np.array(new[curve]) - np.array(old[curve]))[heard]
    assert np.ptp(wanted) > 1.0  # there is something to hear
    told = json.loads((tmp_path / "hear.json").read_text(encoding="utf-8"))
    before, after = (wavfile.read(tmp_path / name)[1] / 2.0**31 for name in ("a.wav", "b.wav"))
    assert before.shape == after.shape == (20 * RATE, 2)
    found = measure(before[:, 0], after[:, 0], f[heard]) - told["music"]["matched_db"]
    assert np.abs(found - wanted).max() < WITHIN_DB
    rate, taps = wavfile.read(tmp_path / "f.wav")
    response = np.abs(signal.freqz(taps, worN=f[heard], fs=rate)[1])
    assert np.abs(20.0 * np.log10(response) - wanted).max() < WITHIN_DB


def test_a_sine_has_the_loudness_that_the_standard_gives_it() -> None:
    """997 Hz at full scale in one channel reads -3.01 LUFS (ITU-R BS.1770-4; meters may be
    0.1 LU off, EBU Tech 3341, from memory); a filter that is 6 dB
    louder is turned down by as much; peaks stay a decibel below full scale."""
    time = np.arange(5 * RATE) / RATE
    samples = np.stack([np.sin(2 * np.pi * 997.0 * time), np.zeros_like(time)], axis=1)
    f = np.geomspace(20.0, 20_000.0, 200)
    louder = Difference(place="axis", frequency_hz=f, ratio=np.full(200, 2.0 + 0j))
    done = match(Music(rate_hz=RATE, samples=samples), louder.filter(RATE))
    assert done.loudness[0] == pytest.approx(-3.01, abs=0.1)
    assert done.matched_db == pytest.approx(-20.0 * np.log10(2.0), abs=0.02)
    assert np.abs(done.after.samples).max() == pytest.approx(10.0 ** (-1.0 / 20.0), rel=0.01)
    np.testing.assert_allclose(done.after.samples[RATE:-RATE], done.before.samples[RATE:-RATE],
                               atol=2e-3)  # fmt: skip


def test_a_delay_and_a_turned_polarity_are_in_the_filter() -> None:
    """On the axis the phase comes along: 50 us later and upside down, to the sample."""
    f = np.geomspace(20.0, 20_000.0, 400)
    turned = Difference(place="axis", frequency_hz=f, ratio=-np.exp(-2j * np.pi * f * 50e-6))
    made = turned.filter(100_000.0)
    click = np.zeros((4000, 1))
    click[2000] = 1.0
    out = signal.resample_poly(made.apply(click)[:, 0], 1, 5)  # up to 10 kHz, where it is known
    assert int(np.argmin(out)) == 401  # 2005 samples of the first rate
    assert out.min() < -0.15


def test_more_boost_than_stated_is_refused(
    laddersmith: Run, networks: tuple[Path, str, str]
) -> None:
    """A dip of 20 dB cannot be played full; the command ends with 2 and says what would help."""
    f = np.geomspace(20.0, 20_000.0, 300)
    filled = 10.0 ** (np.exp(-((np.log2(f / 2000.0) / 0.1) ** 2)))
    deep = Difference(place="axis", frequency_hz=f, ratio=filled.astype(complex))
    with pytest.raises(InputError, match="12 dB at most"):
        deep.filter(RATE)
    assert len(deep.filter(RATE, most_boost_db=25.0).taps) > 10
    design, a, b = networks
    done = laddersmith("hear", design, b, a, "--impulse", "f.wav", "--most-boost", "0.01 dB")
    assert done.returncode == 2
    assert "boost of 0.01 dB at most" in done.stderr
    assert done.stderr.count("\n") == 1


def test_listening_without_knowing(
    laddersmith: Run, networks: tuple[Path, str, str], noise: Path, tmp_path: Path
) -> None:
    """Each X is A or B byte for byte; right answers are counted, and luck has its binomial tail."""
    design, a, b = networks
    folder = tmp_path / "blind"
    command = ("hear", design, a, b, "--blind", folder)
    asked = laddersmith(*command, "--music", noise, "--excerpt", "1..3 s", "--trials", 9)
    assert asked.returncode == 0, asked.stderr
    sounds = {(folder / f"{letter}.wav").read_bytes(): letter for letter in "AB"}
    truth = "".join(sounds[(folder / f"X{k:02d}.wav").read_bytes()] for k in range(1, 10))
    assert truth not in (folder / "trials.json").read_text(encoding="utf-8")
    other = {"A": "B", "B": "A"}
    for wrong in (0, 1, 5):
        answers = "".join(other[c] if k < wrong else c for k, c in enumerate(truth))
        out = tmp_path / "heard.json"
        done = laddersmith(*command, "--answers", answers, "--json", out, "--force")
        assert done.returncode == 0, done.stderr
        told = json.loads(out.read_text(encoding="utf-8"))["blind"]
        assert told["right"] == 9 - wrong
        assert told["luck"] == pytest.approx(binom.sf(8 - wrong, 9, 0.5), abs=1e-6)
        assert ("you hear the difference." in done.stdout) == (told["luck"] < 0.05)
    diary = design.with_suffix(".diary").read_text(encoding="utf-8")
    assert diary.count("without knowing: ") == 3
    assert laddersmith("diary", design).returncode == 0
    again = laddersmith(*command, "--answers", "AB")
    assert again.returncode == 2
    assert "9 letters" in again.stderr


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--changed", "x.wav"), "--music"),
        (("--music", "no.wav", "--changed", "x.wav"), "must exist"),
        (("--music", "text.wav", "--changed", "x.wav"), "could not be read"),
        (("--music", "silent.wav", "--changed", "x.wav"), "silent"),
        (("--music", "three.wav", "--changed", "x.wav"), "one channel or two"),
        (("--music", "three.wav"), "read to be written"),
        (("--music", "silent.wav", "--excerpt", "90..99 s", "--changed", "x.wav"), "at least 1 s"),
        (("--answers", "AB"), "--blind"),
        (("--blind", "nowhere", "--answers", "AB"), "must exist"),
        (("--impulse", "x.wav", "--rate", "0"), "rate"),
    ],
)
def test_bad_input_ends_in_one_message(
    laddersmith: Run, networks: tuple[Path, str, str], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], said: str,
) -> None:  # fmt: skip
    """Exit code 2, one line, and no file."""
    monkeypatch.chdir(tmp_path)
    wavfile.write("silent.wav", RATE, np.zeros((2 * RATE, 1), np.int16))
    wavfile.write("three.wav", RATE, np.ones((2 * RATE, 3), np.int16))
    Path("text.wav").write_text("no music")
    before = sorted(p.name for p in tmp_path.iterdir())
    done = laddersmith("hear", *networks, *options)
    assert done.returncode == 2, done.stdout
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == before
