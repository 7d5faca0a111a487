"""One measured driver written in over a hundred ways that tables of numbers are exported in.

Each is read as the curve that was measured, or refused, or read with a doubt: none wrongly and in
silence. The judge is the measured curve itself, within the rounding of what was written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import Direction
from optimizer.measure.files import open_curve
from optimizer.measure.files.columns import parse_columns, read_column

Case = tuple[str, str, bytes, str]
"""Name, file name, content, what may come of it: "read" or "any"."""


def load(path: Path) -> tuple[np.ndarray, np.ndarray]:
    rows = [line.split()[:3] for line in path.read_text("latin-1").splitlines()]
    numbers = np.array([row for row in rows if row and row[0][0].isdigit()], dtype=float)[::4]
    return numbers[:, 0], numbers


def table(
    columns: list[np.ndarray],
    head: str | list[str] = "",
    *,
    sep: str = "\t",
    mark: str = ".",
    digits: int = 5,
    end: str = "\n",
    encoding: str = "utf-8",
) -> bytes:
    """Write columns as text."""
    rows = [
        sep.join(f"{number:.{digits}f}".replace(".", mark) for number in row)
        for row in zip(*columns, strict=True)
    ]
    above = [head] if isinstance(head, str) else head
    return end.join([*(line for line in above if line), *rows, ""]).encode(encoding)


HEADS = {
    "German": ("Frequenz", "Schalldruckpegel", "Phase", "Impedanz", "Grad", "Bogenmaß"),
    "French": ("Fréquence", "Niveau", "Phase", "Impédance", "degrés", "radians"),
    "Spanish": ("Frecuencia", "Nivel", "Fase", "Impedancia", "grados", "radianes"),
    "Italian": ("Frequenza", "Livello", "Fase", "Impedenza", "gradi", "radianti"),
    "Portuguese": ("Frequência", "Nível", "Fase", "Impedância", "graus", "radianos"),
    "Dutch": ("Frequentie", "Niveau", "Fase", "Impedantie", "graden", "rad"),
    "Polish": ("Częstotliwość", "Poziom", "Faza", "Impedancja", "stopnie", "rad"),
    "Swedish": ("Frekvens", "Nivå", "Fas", "Impedans", "grader", "rad"),
    "Czech": ("Kmitočet", "Úroveň", "Fáze", "Impedance", "°", "rad"),
    "Finnish": ("Taajuus", "Taso", "Vaihe", "Impedanssi", "aste", "rad"),
    "Turkish": ("Frekans", "Seviye", "Faz", "Empedans", "derece", "rad"),
    "Russian": ("Частота", "Уровень", "Фаза", "Импеданс", "град", "рад"),
    "Chinese": ("频率", "声压级", "相位", "阻抗", "度", "弧度"),
    "Japanese": ("周波数", "音圧レベル", "位相", "インピーダンス", "度", "ラジアン"),
}
SPOKEN = sorted(HEADS)


def responses(f: np.ndarray, level: np.ndarray, phase: np.ndarray) -> Iterator[Case]:
    """Ways to export a response."""
    p, rad = 10.0 ** (level / 20.0) * np.exp(1j * np.deg2rad(phase)), np.deg2rad(phase)
    pascal, ratio = np.abs(p) * 2e-5, np.abs(p) / 10.0 ** (94.0 / 20.0)
    unwrapped = np.unwrap(rad)
    delay = -np.gradient(unwrapped, 2.0 * np.pi * f) * 1e3
    coherence = 0.9 + 0.0999 * np.sin(f / 900.0) ** 2
    plain = [f, level, phase]
    n = np.arange(1.0, len(f) + 1)

    def case(name: str, raw: bytes, may: str = "read", file: str = "woofer.txt") -> Case:
        return name, file, raw, may

    for language in SPOKEN:
        fr, lv, ph, _, deg, rads = HEADS[language]
        head = f"{fr} [Hz];{lv} [dB];{ph} [{deg}]"
        yield case(f"{language}, degrees", table(plain, head, sep=";", mark=","))
        head = f"{fr} (kHz)\t{lv} (dB)\t{ph} ({rads})"
        yield case(f"{language}, kHz, radians", table([f / 1e3, level, rad], head, digits=7))
        yield case(f"{language}, no units", table(plain, f"{fr}\t{lv}\t{ph}"))
    yield case("no heading", table(plain))
    yield case("no heading, commas", table(plain, sep=","))
    yield case("no heading, decimal commas", table(plain, sep=";", mark=","))
    yield case("no heading, kHz", table([f / 1e3, level, phase], digits=7), "any")
    yield case("no heading, rad/s", table([2 * np.pi * f, level, phase]), "any")
    yield case("no heading, logarithm of frequency", table([np.log10(f), level, phase]), "any")
    yield case("no heading, radians", table([f, level, rad]), "any")
    yield case("no heading, unwrapped radians", table([f, level, unwrapped]), "any")
    yield case("no heading, unwrapped degrees", table([f, level, np.rad2deg(unwrapped)]), "any")
    yield case("no heading, kHz and radians", table([f / 1e3, level, rad], digits=7), "any")
    yield case("no heading, ratio", table([f, ratio, phase], digits=7), "any")
    yield case("no heading, ratio without phase", table([f, ratio], digits=7), "any")
    yield case("no heading, pascals", table([f, pascal, phase], digits=8), "any")
    yield case("no heading, parts", table([f, p.real * 2e-5, p.imag * 2e-5], digits=8), "any")
    yield case("no heading, coherence", table([f, level, coherence]), "any")
    yield case("no heading, coherence in percent", table([f, level, 100 * coherence]), "any")
    yield case("no heading, group delay", table([f, level, delay]), "any")
    yield case("no heading, phase alone", table([f, phase]), "any")
    yield case("no heading, number first", table([n, f, level, phase]), "any")
    yield case("no heading, level first", table([level, f, phase]), "any")
    yield case("no heading, phase before level", table([f, phase, level]), "any")
    yield case("phase alone", table([f, phase], "Frequency Hz\tPhase deg"), "any")
    yield case("radians", table([f, level, rad], "Freq(Hz),SPL(dB),Phase(rad)", sep=","))
    yield case("turns of pi", table([f, level, rad / np.pi], "f [Hz]\tL [dB]\tphi [pi rad]"), "any")
    yield case("phase without unit in radians", table([f, level, rad], "Freq\tSPL\tPhase"), "any")
    yield case(
        "kHz by heading", table([f / 1e3, level, phase], "f/kHz\tlevel/dB\tphase/deg", digits=7)
    )
    yield case(
        "Hz said, kHz written", table([f / 1e3, level, phase], "Hz\tdB\tdeg", digits=7), "any"
    )
    yield case("kHz said, Hz written", table(plain, "kHz\tdB\tdeg"), "any")
    yield case(
        "omega", table([2 * np.pi * f, level, phase], "omega [rad/s]\tSPL [dB]\tphase [deg]")
    )
    yield case("level first", table([level, f, phase], "SPL (dB)\tFreq (Hz)\tPhase (deg)"))
    yield case("phase before level", table([f, phase, level], "Freq Hz,Phase deg,SPL dB", sep=","))
    yield case("number first", table([n, f, level, phase], "No;Frequency;SPL;Phase", sep=";"))
    yield case(
        "coherence last", table([*plain, coherence], "freq_hz,spl_db,phase_deg,coherence", sep=",")
    )
    yield case("coherence third", table([f, level, coherence], "Frequency\tSPL\tCoherence"))
    yield case(
        "coherence between",
        table([f, level, coherence, phase], "Freq [Hz]\tMagnitude [dB]\tCoh\tPhase [deg]"),
    )
    yield case(
        "group delay third",
        table([f, level, delay], "Frequency (Hz)\tLevel (dB)\tGroup delay (ms)"),
    )
    yield case(
        "group delay between",
        table([f, level, delay, phase], "f_Hz;SPL_dB;GroupDelay_ms;Phase_deg", sep=";"),
    )
    yield case(
        "minimum phase beside",
        table([*plain, 0 * phase], "Hz\tSPL dB\tPhase deg\tMinimum phase deg"),
    )
    yield case(
        "pascals", table([f, pascal, phase], "Frequency (Hz)\tPressure (Pa)\tPhase (deg)", digits=8)
    )
    yield case(
        "ratio",
        table([f, ratio, phase], "Frequency [Hz],Magnitude (ratio),Phase [deg]", sep=",", digits=8),
        "ratio",
    )
    yield case(
        "magnitude without unit, ratio",
        table([f, ratio, phase], "Frequency\tMagnitude\tPhase", digits=8),
        "any",
    )
    yield case("magnitude without unit, dB", table(plain, "Frequency\tMagnitude\tPhase"))
    yield case(
        "parts in pascals",
        table([f, p.real * 2e-5, p.imag * 2e-5], "Freq [Hz]\tRe [Pa]\tIm [Pa]", digits=9),
    )
    yield case(
        "parts without unit",
        table([f, p.real / 50119, p.imag / 50119], "freq,real,imag", sep=",", digits=9),
        "parts",
    )
    yield case(
        "heading parted by blanks", table(plain, "* Freq(Hz) SPL(dB) Phase(degrees)", sep=" ")
    )
    yield case(
        "heading in words",
        table(plain, "# Frequency [Hz] Sound pressure [dB] Phase [deg]", sep="  "),
    )
    yield case(
        "heading in words, radians",
        table([f, level, rad], "% Frequency Hz Level dB Phase rad", sep=" "),
    )
    yield case(
        "units below",
        table([f / 1e3, level, rad], ["Frequency;Level;Phase", "kHz;dB;rad"], sep=";", digits=7),
    )
    yield case(
        "units below in brackets",
        table([f, level, rad], ["Frequency\tLevel\tPhase", "[Hz]\t[dB]\t[rad]"]),
    )
    yield case(
        "unit in a comment",
        table([f, level, unwrapped], ["# Frequency unit: Hz", "# Phase unit: rad"]),
        "read",
    )
    yield case(
        "kHz in a comment",
        table([f / 1e3, level, phase], ["* Frequency in kHz", "* Level in dB"], digits=7),
    )
    yield case(
        "title above",
        table(plain, ["Woofer, 2.83 V, 1 m", "", "Frequency,Level,Phase", ""], sep=","),
    )
    yield case("a heading too few", table(plain, "Frequency\tLevel"))
    yield case("unknown headings", table(plain, "Alpha\tBeta\tGamma delta"))
    yield case("unknown headings, radians", table([f, level, rad], "Alpha\tBeta\tDelta"), "any")
    yield case("quoted", table(plain, '"Frequency (Hz)","Level (dB)","Phase (deg)"', sep=","))
    yield case("comma in headings", table(plain, "Frequency, Hz;Level, dB;Phase, deg", sep=";"))
    yield case(
        "UTF-16",
        table([f, level, rad], "Fréquence (Hz)\tNiveau (dB)\tPhase (rad)", encoding="utf-16"),
    )
    yield case(
        "Latin-1", table(plain, "Fréquence (Hz)\tNiveau (dB)\tPhase (°)", encoding="latin-1")
    )
    yield case(
        "Cyrillic code page",
        table(
            [f / 1e3, level, rad],
            "Частота, кГц\tУровень, дБ\tФаза, рад",
            digits=7,
            encoding="cp1251",
        ),
        "any",
    )
    yield case("falling", table([x[::-1] for x in plain], "Hz\tdB\tdeg"))
    yield case("0 Hz first", table(plain, ["Hz\tdB\tdeg", "0\t-inf\t0"]))
    yield case("empty cells last", table(plain, "Hz;dB;deg", sep=";") + b"20001;;\n")
    yield case("empty cells first", table(plain, ["Hz;dB;deg", "10;;"], sep=";"))
    yield case("carriage returns", table(plain, "Hz\tdB\tdeg", end="\r"))
    yield case(
        "smoothed beside", table([*plain, level + 1], "Hz\tSPL dB\tPhase deg\tSPL smoothed dB")
    )
    yield case("two levels", table([f, level, level + 3], "Frequency\tLeft dB\tRight dB"), "any")
    yield case("two levels without heading", table([f, level, level - 10]), "any")
    yield case("level twice, pairs", table([f, level, f, level - 3]), "any")
    yield case(
        "tolerance beside", table([f, level, 0 * f + 0.5, phase], "Hz,dB,std dev,deg", sep=",")
    )


def traps(f: np.ndarray, level: np.ndarray, phase: np.ndarray) -> Iterator[Case]:
    """Exports that only look like a table of frequency, level and phase."""
    plain, weighted = [f, level, phase], [f, level - 5.0, phase]
    cells = "\n".join(f"{a:.4f}\t{b:.4f}+{c:.4f}j" for a, b, c in zip(*plain, strict=True))
    marked = "\n".join(f"{a:.4f} Hz;{b:.4f} dB;{c:.4f}" for a, b, c in zip(*plain, strict=True))
    twice = [np.r_[0 * f, 0 * f + 30.0], np.r_[f, f], np.r_[level, level - 3.0]]
    for name, raw in {
        "rows and columns exchanged": table([np.array(row) for row in zip(*plain, strict=True)]),
        "one row for each angle": table(twice, "Angle [deg],Frequency [Hz],SPL [dB]", sep=","),
        "complex cells": cells.encode(),
        "units in cells": marked.encode(),
        "weighted": table(weighted, "Frequency (Hz)\tLevel (dBA)\tPhase (deg)"),
        "gon": table([f, level, phase / 0.9], "Frequency (Hz)\tSPL (dB)\tPhase (grad)"),
        "lag": table([f, level, -phase], "Frequency (Hz)\tSPL (dB)\tPhase lag (deg)"),
        "no phase but zeros": table([f, level, 0.0 * f]),
        "turns": table([f, level, phase / 360.0]),
        "radians from 0": table([f, level, np.deg2rad(phase % 360.0)]),
        "power": table([f, 10.0 ** (level / 10.0) * 1e-12], "Frequency (Hz)\tPower (W)", digits=15),
    }.items():
        yield name, "woofer.txt", raw, "any"


def loads(f: np.ndarray, ohm: np.ndarray, phase: np.ndarray) -> Iterator[Case]:
    """Ways to export an impedance."""
    z, rad = ohm * np.exp(1j * np.deg2rad(phase)), np.deg2rad(phase)
    plain = [f, ohm, phase]
    for language in SPOKEN:
        fr, _, ph, im, _, rads = HEADS[language]
        head = f"{fr} (Hz);{im} (ohm);{ph} ({rads})"
        yield (
            f"{language} impedance",
            "w.txt",
            table([f, ohm, rad], head, sep=";", mark=","),
            "read",
        )
    for file in ("woofer_z.txt", "a.txt"):
        for name, columns, may in (
            ("degrees", plain, "read"),
            ("radians", [f, ohm, rad], "any"),
            ("parts", [f, z.real, z.imag], "any"),
            ("kilohms", [f, ohm / 1e3, phase], "any"),
            ("decibels", [f, 20 * np.log10(ohm), phase], "any"),
            ("kHz", [f / 1e3, ohm, phase], "any"),
        ):
            yield f"no heading, {name}, {file}", file, table(columns, digits=7), may
    for head, columns in {
        "Freq(Hz)\tZ(Ohms)\tPhase(degrees)": plain,
        "Frequency [Hz]\tR [ohm]\tX [ohm]": [f, z.real, z.imag],
        "Frequency [kHz]\tRe(Z)\tIm(Z)": [f / 1e3, z.real, z.imag],
        "f\tResistance\tReactance": [f, z.real, z.imag],
        "Hz\t|Z| (kΩ)\targ Z (rad)": [f, ohm / 1e3, rad],
        "Freq\tZ (dB ohm)\tPhase (deg)": [f, 20 * np.log10(ohm), phase],
        "Hz\tohm\tdeg": plain,
        "Frequency\tImpedance\tPhase": plain,
        "X\tR\tFrequency": [z.imag, z.real, f],
    }.items():
        yield head, "woofer_z.txt", table(columns, head, digits=8), "read"
    yield "phase without unit", "z.txt", table([f, ohm, rad], "Frequency\tImpedance\tPhase"), "any"


def judge(case: Case, folder: Path, f: np.ndarray, true: np.ndarray, what: str) -> str:
    """Tell what came of one: read, refused, flagged, or silent."""
    _, file, raw, may = case
    path = folder / file
    path.write_bytes(raw)
    scale = {"ratio": 10.0 ** (94.0 / 20.0), "parts": 50119.0}.get(may, 1.0)
    expected = "impedance" if what == "impedance" and file.endswith("_z.txt") else None
    try:
        curve = open_curve(path, expected=expected)
    except InputError as error:
        return "refused" if str(error) else "silent"
    value = curve.value * scale
    same = (
        curve.quantity == what
        and len(curve.frequency_hz) == len(f)
        and bool(np.allclose(curve.frequency_hz, f, rtol=1e-4))
    )
    if same and curve.has_phase:
        same = bool(np.abs(value / true - 1.0).max() < 2e-3)
    elif same:
        same = bool(np.abs(np.abs(value / true) - 1.0).max() < 2e-3)
    if same:
        lost = not curve.has_phase and "columns not read" not in " ".join(curve.notes)
        return "read without phase" if lost else "read"
    return "flagged" if curve.doubts else "silent"


@pytest.mark.data
@pytest.mark.parametrize("which", ["woofer", "tweeter"])
@pytest.mark.parametrize(
    ("what", "write", "least"),
    [("pressure", responses, 100), ("pressure", traps, 11), ("impedance", loads, 30)],
    ids=["response", "trap", "load"],
)
def test_no_export_is_read_wrongly_in_silence(
    measured_data: Path,
    which: str,
    what: str,
    write: Callable[..., Iterator[Case]],
    least: int,
    tmp_path: Path,
):
    """Every export with clear headings is read; no other is read as something else unsaid."""
    file = f"{which}{'_impedance' if what == 'impedance' else ''}.txt"
    f, rows = load(measured_data / "real-two-way-b" / file)
    true = rows[:, 1] if what == "impedance" else 10.0 ** (rows[:, 1] / 20.0)
    true = true * np.exp(1j * np.deg2rad(rows[:, 2]))
    came = {}
    for case in write(*rows.T):
        assert case[0] not in came
        came[case[0]] = judge(case, tmp_path, f, true, what), case[3]
    assert len(came) >= least
    silent = [name for name, (result, _) in came.items() if result == "silent"]
    unread = [n for n, (result, may) in came.items() if may != "any" and result != "read"]
    assert not silent
    assert not unread


@pytest.mark.data
def test_one_column_for_each_angle(measured_data: Path, tmp_path: Path):
    """Of a table with a column for each angle, the direction chooses; on axis by default."""
    f, rows = load(measured_data / "real-two-way-b" / "tweeter.txt")
    level = rows[:, 1]
    path = tmp_path / "tweeter.csv"
    columns = [f, level, level - 2.0, level - 5.0]
    for head in (
        "freq_hz,spl_0deg_db,spl_30deg_db,spl_-60deg_db",
        "Frequency [Hz],0°,30°,-60°",
        "Hz,0,30,-60",
    ):
        path.write_bytes(table(columns, head, sep=","))
        for angle, below in ((None, 0.0), (0.0, 0.0), (30.0, 2.0), (-60.0, 5.0)):
            direction = None if angle is None else Direction(horizontal_deg=angle)
            curve = open_curve(path, "pressure", direction=direction)
            np.testing.assert_allclose(curve.level_db, level - below, atol=1e-4)
        with pytest.raises(InputError, match="no curve in this direction"):
            open_curve(path, "pressure", direction=Direction(horizontal_deg=15.0))


@pytest.mark.data
def test_what_is_said_of_columns_goes_before_the_numbers(measured_data: Path, tmp_path: Path):
    """The words that a refusal or a doubt asks for read the file right."""
    f, rows = load(measured_data / "real-two-way-b" / "woofer.txt")
    level, rad = rows[:, 1], np.deg2rad(rows[:, 2])
    path = tmp_path / "woofer.txt"
    path.write_bytes(table([f / 1e3, 10.0 ** (level / 20.0) * 2e-5, np.unwrap(rad)], digits=9))
    with pytest.raises(InputError, match="say what its columns are"):
        open_curve(path, "pressure")
    curve = open_curve(path, "pressure", columns="frequency kHz, pressure Pa, phase rad")
    np.testing.assert_allclose(curve.frequency_hz, f, rtol=1e-6)
    np.testing.assert_allclose(curve.level_db, level, atol=1e-3)
    np.testing.assert_allclose(np.exp(1j * (curve.phase_rad - rad)), 1.0, atol=1e-5)
    assert not curve.doubts


@pytest.mark.parametrize(
    ("text", "meaning", "unit"),
    [
        ("Freq(Hz)", "frequency", "Hz"), ("f/kHz", "frequency", "kHz"),
        ("omega", "frequency", "rad/s"), ("Frequency response [dB]", "modulus", "dB"),
        ("|Z| (kΩ)", "modulus", "kohm"), ("Schalldruckpegel", "modulus", "dB"),
        ("Pression (Pa)", "modulus", "Pa"), ("Fase (graden)", "phase", "deg"),
        ("Phase", "phase", ""), ("R [ohm]", "real", "ohm"), ("X", "imaginary", ""),
        ("GroupDelay_ms", "ignored", ""), ("Coh", "ignored", ""), ("log10(f)", "ignored", ""),
    ],
)  # fmt: skip
def test_headings(text: str, meaning: str, unit: str):
    """Headings say meaning and unit, in many languages."""
    column = read_column(text)
    assert column is not None
    assert (column.meaning, column.unit) == (meaning, unit)


@pytest.mark.parametrize(
    "text", ["frequency", "level, phase", "frequency, bogus", "frequency, level, level"]
)
def test_columns_that_make_no_curve_are_refused(text: str):
    """What is said of columns must give one curve, in words that are known."""
    with pytest.raises(InputError):
        parse_columns(text)
