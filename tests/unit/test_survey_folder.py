"""How the files of a folder are understood."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import Direction
from optimizer.measure.files.folder import read_folder, require_drivers

FREQUENCY = np.geomspace(50, 20000, 60)


def write_curve(path, values, phase=None, head=""):
    path.parent.mkdir(parents=True, exist_ok=True)
    phase = np.zeros(len(values)) if phase is None else phase
    rows = [f"{f:.3f}\t{v:.4f}\t{p:.3f}" for f, v, p in zip(FREQUENCY, values, phase, strict=True)]
    path.write_text(head + "\n".join(rows) + "\n")


def levels(corner=500.0, kind=1, top=85.0):
    """A slope on one side, so that drivers have an order."""
    return top - 10 * np.log10(1 + (FREQUENCY / corner) ** (2 * kind))


def ohms():
    return 6 + 20 / (1 + 25 * (np.log(FREQUENCY / 80)) ** 2)


def roles(folder):
    return {f.path: (f.role, f.driver) for f in folder.files}


def test_a_two_way_folder(tmp_path):
    """Responses, impedances and the common measurement are told apart; the woofer comes first."""
    write_curve(tmp_path / "tweeter.txt", levels(2000, -2), 150 * np.ones(60))
    write_curve(tmp_path / "woofer.txt", levels(2000, 2), np.linspace(0, -170, 60))
    write_curve(tmp_path / "woofer_z.txt", ohms())
    write_curve(tmp_path / "tweeter_z.txt", ohms())
    write_curve(tmp_path / "both.txt", levels(20000))
    folder = read_folder(tmp_path)
    assert list(folder.drivers) == ["woofer", "tweeter"]
    assert folder.together.path == "both.txt"
    assert folder.drivers["woofer"].impedance.path == "woofer_z.txt"
    assert folder.ignored == ()
    assert all(f.because for f in folder.files)


def test_contents_outrank_the_name(tmp_path):
    """A column line that says SPL makes a response of a file named impedance, and says so."""
    write_curve(tmp_path / "woofer_impedance.txt", levels(), head="* Freq(Hz) SPL(dB) Phase(deg)\n")
    write_curve(tmp_path / "woofer curve.txt", ohms(), head="Frequency Hz;Impedance Ohm\n")
    folder = read_folder(tmp_path)
    read = roles(folder)
    assert read["woofer_impedance.txt"] == ("response", "woofer")
    assert read["woofer curve.txt"] == ("impedance", "woofer")
    assert "although the name says impedance" in folder.files[1].because


def test_values_decide_where_nothing_is_said(tmp_path):
    """Ohms with a load's phase are an impedance; a response's phase is not."""
    phase = np.linspace(60, -60, 60)
    write_curve(tmp_path / "woofer one.txt", ohms(), phase)
    write_curve(tmp_path / "woofer two.txt", ohms(), 3 * phase)
    read = roles(read_folder(tmp_path))
    assert read["woofer one.txt"][0] == "impedance"
    assert read["woofer two.txt"][0] == "response"


def test_impossible_impedance_is_set_aside(tmp_path):
    """A file named impedance that holds levels below zero is not used, and the reason is given."""
    write_curve(tmp_path / "woofer_z.txt", levels(top=0.0))
    write_curve(tmp_path / "woofer.txt", levels())
    folder = read_folder(tmp_path)
    assert roles(folder)["woofer_z.txt"] == ("ignored", "")
    assert "not positive" in folder.ignored[0].because[0] or "above 0" in str(folder.ignored[0])


def test_lone_numbers_are_angles_when_their_sisters_run(tmp_path):
    """Files 0, 15, 30 of one driver are directions; woofer1 and woofer2 are two drivers."""
    for angle in (0, 15, 30):
        write_curve(tmp_path / f"tweeter {angle}.txt", levels(2000, -2))
    for number in (1, 2):
        write_curve(tmp_path / f"woofer{number}.txt", levels(2000, 2))
    folder = read_folder(tmp_path)
    assert set(folder.drivers) == {"woofer1", "woofer2", "tweeter"}
    assert [d.horizontal_deg for d in folder.drivers["tweeter"].responses] == [0, 15, 30]


def test_hyphens_separate_when_zero_has_one(tmp_path):
    """Beside "hor-0" the file "hor-15" is to the right; without it, to the left."""
    for angle in (0, 15, 30):
        write_curve(tmp_path / "one" / f"hor-{angle}.txt", levels())
    write_curve(tmp_path / "two" / "hor-15.txt", levels())
    write_curve(tmp_path / "two" / "hor15.txt", levels())
    right = read_folder(tmp_path / "one").drivers["loudspeaker"].responses
    assert [d.horizontal_deg for d in right] == [0, 15, 30]
    both = read_folder(tmp_path / "two").drivers["loudspeaker"].responses
    assert {d.horizontal_deg for d in both} == {15, -15}


def test_second_file_for_one_place_is_set_aside(tmp_path):
    """Two responses for one direction: the first is used, the other named with the reason."""
    write_curve(tmp_path / "woofer.txt", levels())
    write_curve(tmp_path / "woofer new.txt", levels(top=84.0))
    folder = read_folder(tmp_path)
    assert len(folder.ignored) == 1
    assert "is taken for 0 already" in folder.ignored[0].because[0]


def test_other_cabinet_is_kept_for_comparison(tmp_path):
    """Left and right files of one driver become a pair."""
    write_curve(tmp_path / "woofer left.txt", levels())
    write_curve(tmp_path / "woofer right.txt", levels())
    driver = read_folder(tmp_path).drivers["woofer"]
    assert driver.responses[Direction()].side == "left"
    assert driver.other_side[Direction()].side == "right"


def test_overrides_win(tmp_path):
    """What the user says of a file replaces what would be guessed."""
    write_curve(tmp_path / "a.txt", levels())
    write_curve(tmp_path / "b.txt", ohms())
    write_curve(tmp_path / "c.txt", levels())
    told = {"a.txt": "woofer 30 left", "b*": "woofer impedance", "c.txt": "ignore"}
    folder = read_folder(tmp_path, roles=told)
    woofer = folder.drivers["woofer"]
    assert list(woofer.responses) == [Direction(horizontal_deg=-30)]
    assert woofer.impedance.path == "b.txt"
    assert [f.path for f in folder.ignored] == ["c.txt"]
    with pytest.raises(InputError, match="override must match"):
        read_folder(tmp_path, roles={"nothing.txt": "woofer"})


def test_smoothing_and_gate_are_read_from_comments(tmp_path):
    """Comments that state smoothing and the time window are understood."""
    write_curve(tmp_path / "woofer.txt", levels(), head="* Smoothing: 1/24 octave\n* Gate 4.5 ms\n")
    read = read_folder(tmp_path).files[0]
    assert read.smoothing == 24
    assert read.gate_s == pytest.approx(4.5e-3)


def test_a_folder_of_rubbish(tmp_path):
    """Photos, documents, spreadsheets, noise and empty files are all ignored with a reason."""
    rng = np.random.default_rng(1)
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff\xe0" + rng.bytes(5000))
    (tmp_path / "photo without suffix").write_bytes(b"\x89PNG" + rng.bytes(5000))
    (tmp_path / "manual.pdf").write_bytes(b"%PDF-1.7 ...")
    (tmp_path / "parts.xlsx").write_bytes(b"PK\x03\x04" + rng.bytes(500))
    (tmp_path / "parts.csv").write_text("kind,value\nresistor,4.7\n")
    (tmp_path / "empty.txt").write_text("")
    (tmp_path / "noise.wav").write_bytes(rng.bytes(3000))
    (tmp_path / "letter.txt").write_text("Dear all,\nthe woofer is broken.\n")
    (tmp_path / ".hidden").write_text("20 80 0\n30 80 0\n40 80 0\n")
    folder = read_folder(tmp_path)
    assert len(folder.files) == len(folder.ignored) == 8
    assert all(f.because and f.because[0] for f in folder.files)
    with pytest.raises(InputError, match="8 files, all ignored"):
        require_drivers(folder)


def test_missing_and_empty_folders(tmp_path):
    """A folder that is not there, a file in its place, and an empty folder are input errors."""
    with pytest.raises(InputError, match="folder of measurements"):
        read_folder(tmp_path / "no")
    (tmp_path / "file.txt").write_text("x")
    with pytest.raises(InputError, match="name its folder"):
        read_folder(tmp_path / "file.txt")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no files"):
        require_drivers(read_folder(tmp_path / "empty"))


def test_an_order_may_be_said(tmp_path):
    """Names set the order of drivers, and an order that is said goes before them."""
    for name, corner, kind in (("alpha", 800, -2), ("woofer", 2000, 2), ("tweeter", 4000, -2)):
        write_curve(tmp_path / f"{name}.txt", levels(corner, kind))
    assert list(read_folder(tmp_path).drivers) == ["woofer", "alpha", "tweeter"]
    said = read_folder(tmp_path, order=("woofer", "tweeter"))
    assert list(said.drivers) == ["woofer", "tweeter", "alpha"]
    with pytest.raises(InputError, match="names drivers of the folder"):
        read_folder(tmp_path, order=("bass",))


def test_the_newer_file_and_the_cabinet_count(tmp_path):
    """Of rivals the newer version counts, and a load in its cabinet before one in free air."""
    for name in ("woofer", "woofer_v2", "woofer old"):
        write_curve(tmp_path / f"{name}.txt", levels())
    for name in ("woofer_free_air_z", "woofer_z"):
        write_curve(tmp_path / f"{name}.txt", ohms())
    woofer = read_folder(tmp_path).drivers["woofer"]
    assert woofer.on_axis.source.endswith("woofer_v2.txt")
    assert woofer.impedance.path == "woofer_z.txt"


@pytest.mark.data
def test_thirteen_angles_are_one_loudspeaker(measured_data):
    """Files that give only an angle in their names are one loudspeaker at 13 directions."""
    folder = read_folder(measured_data / "angles-horizontal")
    assert list(folder.drivers) == ["loudspeaker"]
    directions = list(folder.drivers["loudspeaker"].responses)
    assert [d.horizontal_deg for d in directions] == [7.5 * k for k in range(13)]


@pytest.mark.data
@pytest.mark.parametrize("name", ["a", "b", "c"])
def test_real_two_ways(measured_data, name):
    """Five files each: two responses, two impedances, one of both."""
    folder = read_folder(measured_data / f"real-two-way-{name}")
    assert list(folder.drivers) == ["woofer", "tweeter"]
    assert all(d.impedance and d.on_axis is not None for d in folder.drivers.values())
    assert folder.together.path == "together.txt"
    assert folder.ignored == ()
