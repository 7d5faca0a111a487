"""Files of open standards that hold arrays, written by their own libraries and read through the door.

The judge is the curve that was written: a filter known in closed form, or measured data.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.io import savemat, wavfile
from scipy.signal import butter, freqz, sosfilt

from optimizer.errors import InputError
from optimizer.measure.curve import Direction
from optimizer.measure.files import extras, open_curve
from optimizer.measure.files.folder import read_folder

RATE = 48000
F = np.geomspace(20.0, 20000.0, 300)
_, H = freqz(*butter(2, [90.0, 6000.0], "band", fs=RATE), worN=F, fs=RATE)
OHM = 6.0 + 24.0 / (1.0 + 3j * (F / 70.0 - 70.0 / F)) + 2j * np.pi * F * 2e-4
ANGLES = (0.0, 15.0, 30.0, 60.0)
ROWS = np.stack([H * 10.0 ** (-angle / 200.0) for angle in ANGLES])


def impulse(reflection_s: float, strength: float = 0.4) -> np.ndarray:
    """Impulse response of the same filter, with one reflection."""
    pulse = np.zeros(4096)
    pulse[0] = 0.5
    pulse[int(reflection_s * RATE)] += 0.5 * strength
    return sosfilt(butter(2, [90.0, 6000.0], "band", fs=RATE, output="sos"), pulse)


def expect_rows(path: Path, names: tuple[float, ...] = ANGLES) -> None:
    """The direction chooses the row, and a folder gets all of them."""
    for angle, row in zip(names, ROWS, strict=True):
        curve = open_curve(path, "pressure", direction=Direction(horizontal_deg=angle))
        np.testing.assert_allclose(curve.frequency_hz, F, rtol=1e-9)
        np.testing.assert_allclose(curve.value, row, rtol=1e-6)
    with pytest.raises(InputError, match="no curve in this direction"):
        open_curve(path, "pressure", direction=Direction(horizontal_deg=45.0))
    driver = read_folder(path.parent).drivers["woofer"]
    assert sorted(d.horizontal_deg for d in driver.responses) == sorted(names)


def test_touchstone_is_an_impedance(tmp_path: Path):
    """A one-port gives the impedance that was written, for the usual and another reference."""
    skrf = pytest.importorskip("skrf")
    for reference in (50.0, 8.0):
        s = ((OHM - reference) / (OHM + reference))[:, np.newaxis, np.newaxis]
        network = skrf.Network(f=F, s=s, z0=reference, f_unit="Hz")
        network.write_touchstone("woofer", dir=str(tmp_path), form="ri", write_z0=False)
        curve = open_curve(tmp_path / "woofer.s1p")
        assert curve.quantity == "impedance"
        np.testing.assert_allclose(curve.value, OHM, rtol=1e-6)
    assert read_folder(tmp_path).drivers["woofer"].impedance.path == "woofer.s1p"
    with pytest.raises(InputError):
        open_curve(tmp_path / "woofer.s1p", "pressure")


def test_matlab_arrays(tmp_path: Path):
    """Arrays are known by their names, complex or in parts, alone or in a structure."""
    path = tmp_path / "woofer.mat"
    decibels, degrees = 20.0 * np.log10(np.abs(H)), np.degrees(np.angle(H))
    for arrays in (
        {"freq_hz": F, "spl_db": decibels, "phase_deg": degrees},
        {"f_kHz": F / 1e3, "H": H},
        {"data": {"frequency": F, "level": decibels, "phase_rad": np.angle(H)}},
    ):
        savemat(path, arrays)
        curve = open_curve(path)
        np.testing.assert_allclose(curve.frequency_hz, F, rtol=1e-9)
        np.testing.assert_allclose(curve.value, H, rtol=1e-6)
    savemat(path, {"freq": F, "spl_db": 20.0 * np.log10(np.abs(H)), "impedance": np.abs(OHM)})
    assert open_curve(path, "impedance").level_db[0] == pytest.approx(20 * np.log10(abs(OHM[0])))
    savemat(path, {"a": F, "b": decibels})
    with pytest.raises(InputError, match="one array must be the frequency"):
        open_curve(path)
    path.write_bytes(b"MATLAB 5.0 MAT-file, damaged")
    with pytest.raises(InputError, match="could not be read as MATLAB"):
        open_curve(path)


@pytest.mark.parametrize("turned", [False, True])
def test_matlab_angles(tmp_path: Path, turned: bool):
    """An array with two axes has the angles on that which is not the frequency."""
    path = tmp_path / "woofer.mat"
    value = ROWS.T if turned else ROWS
    savemat(path, {"freq_hz": F, "response": value, "angle_deg": np.array(ANGLES)})
    expect_rows(path)
    savemat(path, {"freq_hz": F, "response": value})
    with pytest.raises(InputError, match="needs the angles"):
        open_curve(path)


def test_hdf5_arrays(tmp_path: Path):
    """Datasets are known by their names and units, with the angles of a second axis."""
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "woofer.h5"
    with h5py.File(path, "w") as file:
        group = file.create_group("measured")
        group.create_dataset("frequency", data=F / 1e3).attrs["units"] = "kHz"
        group["response"] = ROWS
        group["angle"] = np.array(ANGLES)
    expect_rows(path)


def test_sofa_transfer_function(tmp_path: Path):
    """A directivity as transfer functions; azimuth runs to the right seen from the listener."""
    sofar = pytest.importorskip("sofar")
    sofa = sofar.Sofa("FreeFieldDirectivityTF")
    azimuth = np.array([0.0, 15.0, 330.0, 60.0])
    sofa.N = F
    sofa.Data_Real, sofa.Data_Imag = ROWS.real[np.newaxis], ROWS.imag[np.newaxis]
    sofa.ReceiverPosition = np.column_stack([azimuth, 0 * azimuth, 1.0 + 0 * azimuth])
    for texts in ("Description", "EmitterDescriptions"):  # empty, and not needed
        sofa.delete(texts)
    path = tmp_path / "woofer.sofa"
    sofar.write_sofa(str(path), sofa)
    expect_rows(path, (0.0, 15.0, -30.0, 60.0))


def test_sofa_impulse_responses_have_one_gate(tmp_path: Path):
    """Of impulse responses in all directions the earliest reflection gates all."""
    sofar = pytest.importorskip("sofar")
    sofa = sofar.Sofa("GeneralFIR")
    rows = np.stack([impulse(0.012), impulse(0.006), impulse(0.009)])
    sofa.Data_IR, sofa.Data_SamplingRate = rows[:, np.newaxis, :], RATE
    sofa.SourcePosition = np.zeros((1, 3))
    sofa.SourcePosition_Type, sofa.SourcePosition_Units = "cartesian", "metre"
    sofa.ListenerPosition = np.array([[0.0, 0.0, 1.0], [30.0, 0.0, 1.0], [0.0, 15.0, 1.0]])
    sofa.ListenerPosition_Type, sofa.ListenerPosition_Units = "spherical", "degree, degree, metre"
    path = tmp_path / "tweeter.sofa"
    sofar.write_sofa(str(path), sofa)
    found = read_folder(tmp_path).drivers["tweeter"].responses
    assert set(found) == {
        Direction(), Direction(horizontal_deg=30.0), Direction(vertical_deg=15.0),
    }  # fmt: skip
    gates = {reading.gate_s for reading in found.values()}
    assert len(gates) == 1
    assert 0.004 < gates.pop() < 0.0061
    check_filter(open_curve(path))
    sofa.SourcePosition = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    sofar.write_sofa(str(path), sofa)
    with pytest.raises(InputError, match="must stay where it is"):
        open_curve(path)


def check_filter(curve) -> None:
    inside = (curve.frequency_hz > 600.0) & (curve.frequency_hz < 10000.0)
    _, truth = freqz(
        *butter(2, [90.0, 6000.0], "band", fs=RATE), worN=curve.frequency_hz[inside], fs=RATE
    )
    assert np.ptp(curve.level_db[inside] - 20.0 * np.log10(np.abs(truth))) < 0.5


def test_recordings_of_a_folder_have_one_gate(tmp_path: Path):
    """WAV and FLAC of several directions are cut where the earliest reflection comes in any."""
    soundfile = pytest.importorskip("soundfile")
    wavfile.write(tmp_path / "woofer 0.wav", RATE, impulse(0.012).astype(np.float32))
    wavfile.write(tmp_path / "woofer 15.wav", RATE, impulse(0.009).astype(np.float32))
    soundfile.write(tmp_path / "woofer 30.flac", impulse(0.006), RATE, subtype="PCM_24")
    folder = read_folder(tmp_path)
    found = folder.drivers["woofer"].responses
    assert len(found) == 3
    assert {reading.gate_s for reading in found.values()} == {folder.gate_s}
    assert 0.005 < folder.gate_s < 0.006
    for reading in found.values():
        check_filter(reading.curve)
    assert "FLAC" in found[Direction(horizontal_deg=30.0)].curve.layout


def test_a_missing_library_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    """Without its library a file is refused with what to install, and text goes on being read."""

    def missing(name: str):
        raise ImportError(name)

    monkeypatch.setattr(extras.importlib, "import_module", missing)
    (tmp_path / "a.h5").write_bytes(b"\x89HDF\r\n\x1a\n")
    with pytest.raises(InputError, match="needs the library h5py") as caught:
        open_curve(tmp_path / "a.h5")
    assert "formats" in str(caught.value)


def test_a_data_sheet_in_one_table(tmp_path: Path):
    """A table of frequency, level and impedance serves as response and as impedance."""
    level = 85.0 + 20.0 * np.log10(np.abs(H))
    rows = zip(F, level, np.abs(OHM), np.degrees(np.angle(OHM)), strict=True)
    text = "Frequency (Hz);SPL (dB);Impedance (ohm);Phase (deg)\n"
    text += "\n".join(";".join(f"{x:.6f}" for x in row) for row in rows)
    path = tmp_path / "woofer.csv"
    path.write_text(text, encoding="utf-8")
    np.testing.assert_allclose(open_curve(path, "pressure").level_db, level, atol=1e-5)
    np.testing.assert_allclose(open_curve(path, "impedance").value, OHM, rtol=1e-4)
    driver = read_folder(tmp_path).drivers["woofer"]
    assert driver.impedance is not None
    assert driver.on_axis is not None
    assert not driver.on_axis.has_phase
