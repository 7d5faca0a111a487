"""Folders as people keep them: twenty-five messy ones made of three measured two-ways.

At least eighteen are understood unaided; each of the others is mended by a line that its findings
print, which the test pastes. The judge is which measured curve each driver of the survey holds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from optimizer.cli.survey import explain_findings, read_roles
from optimizer.measure.files.folder import read_folder
from optimizer.measure.readings import DriverFiles, Folder
from optimizer.measure.survey.survey import survey_folder
from tests.conftest import cases

HEAD = {"z": "Freq(Hz)\tZ(Ohms)\tPhase(degrees)", "spl": "Freq(Hz)\tSPL(dB)\tPhase(degrees)"}


@lru_cache
def load(path: Path) -> np.ndarray:
    rows = [line.split()[:3] for line in path.read_text("latin-1").splitlines()]
    return np.array([row for row in rows if row and row[0][0].isdigit()], dtype=float)[::3]


@dataclass
class Mess:
    """A folder in the making, and what it must be read as."""

    data: Path
    folder: Path
    which: str = "b"
    wanted: dict[str, dict[str, str]] = field(default_factory=dict)
    together: str = ""
    truth: dict[str, np.ndarray] = field(default_factory=dict)

    def rows(self, what: str, which: str = "") -> np.ndarray:
        """Give measured rows: "woofer", "tweeter_z", "together"."""
        name = what.removesuffix("_z") + "_impedance" if what.endswith("_z") else what
        return load(self.data / f"real-two-way-{which or self.which}" / f"{name}.txt")

    def put(
        self, name: str, rows: np.ndarray, kind: str = "spl", *, head: str = "", bare: bool = False
    ) -> str:
        """Write rows to a file of this name."""
        self.truth[name] = rows
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        text = "\n".join("\t".join(f"{x:.5f}" for x in row) for row in rows)
        above = head + ("" if bare else HEAD[kind] + "\n")
        path.write_text(f"{above}{text}\n", encoding="utf-8")
        return name

    def true(self, name: str, rows: np.ndarray) -> str:
        """Keep what a file that is written otherwise holds in truth."""
        self.truth[name] = rows
        return name

    def add(self, driver: str, what: str, name: str, *, head: str = "", bare: bool = False) -> None:
        """Write a file that must be read as that of a driver."""
        role = "z" if what.endswith("_z") else "spl"
        self.put(name, self.rows(what), role, head=head, bare=bare)
        self.wanted.setdefault(driver, {})[role] = name

    def two_way(self, names: Mapping[str, str]) -> None:
        """Write the five files of a two-way under these names, keyed as in the data."""
        for what, name in names.items():
            if what == "together":
                self.together = self.put(name, self.rows(what))
            else:
                self.add(what.removesuffix("_z"), what, name)
        self.wanted = dict(sorted(self.wanted.items(), reverse=True))  # the woofer first


def shift(rows: np.ndarray, db: float = 0.0, octaves: float = 0.0, ohm: float = 1.0) -> np.ndarray:
    """Another driver out of a measured one."""
    out = rows.copy()
    out[:, 0] *= 2.0**octaves
    out[:, 1] = (out[:, 1] + db) * ohm
    return out


FOLDERS: dict[str, Callable[[Mess], None]] = {}


def folder(make: Callable[[Mess], None]) -> Callable[[Mess], None]:
    FOLDERS[make.__name__] = make
    return make


def names(text: str) -> Callable[[Mess], None]:
    """Build a two-way whose five files have other names."""
    files = dict(
        zip(
            ("woofer", "tweeter", "woofer_z", "tweeter_z", "together"), text.split("|"), strict=True
        )
    )
    return lambda mess: mess.two_way({k: v for k, v in files.items() if v})


LANGUAGES = {
    "german": "Tieftöner|Hochtöner|Tieftöner Impedanz|Hochtöner Impedanz|beide",
    "german letters": "TT|HT|TT_Imp|HT_Imp|Summe",
    "french": "grave|aigu|impédance grave|impédance aigu|ensemble",
    "spanish": "graves eje|agudos eje|graves impedancia|agudos impedancia|juntos",
    "italian": "basso asse|acuti asse|basso impedenza|acuti impedenza|insieme",
    "swedish": "bas|diskant|bas impedans|diskant impedans|tillsammans",
    "folders": "woofer/spl|tweeter/spl|woofer/z|tweeter/z|both/spl",
    "dates": "2021-03-04 W 1m|2021-03-04 T 1m|2021-03-05 W Z|2021-03-05 T Z|2021-03-04 W+T",
    "capitals": "WOOFER-FR|TWEETER-FR|WOOFER-IMP|TWEETER-IMP|SYSTEM",
}
for language, stems in LANGUAGES.items():
    FOLDERS[language] = names("|".join(f"{stem}.txt" for stem in stems.split("|")))


@folder
def versions(mess: Mess) -> None:
    names("woofer v2.txt|tweeter_v3.txt|woofer_z.txt|tweeter_z.txt|together.txt")(mess)
    mess.put("woofer.txt", shift(mess.rows("woofer"), db=-2.0))
    mess.put("tweeter.txt", shift(mess.rows("tweeter"), db=-3.0))
    mess.put("tweeter_v2.txt", shift(mess.rows("tweeter"), db=-1.0))


@folder
def copies(mess: Mess) -> None:
    names("woofer.txt|tweeter.txt|woofer_z.txt|tweeter_z.txt|together.txt")(mess)
    mess.put("woofer (1).txt", mess.rows("woofer"))
    mess.put("tweeter_z - Copy.txt", mess.rows("tweeter_z"), "z")
    mess.wanted["woofer"]["spl"] = "woofer (1).txt"
    mess.wanted["tweeter"]["z"] = "tweeter_z - Copy.txt"


@folder
def free_air(mess: Mess) -> None:
    names("woofer.txt|tweeter.txt|woofer_z_mounted.txt|tweeter_z.txt|together.txt")(mess)
    mess.put("woofer_free_air_z.txt", shift(mess.rows("woofer_z"), octaves=-0.7), "z")


@folder
def old(mess: Mess) -> None:
    names("woofer_new.txt|tweeter.txt|woofer_z.txt|tweeter_z.txt|")(mess)
    mess.put("woofer.txt", shift(mess.rows("woofer"), db=4.0))
    mess.put("tweeter old.txt", shift(mess.rows("tweeter"), db=4.0))


@folder
def noise_and_calibration(mess: Mess) -> None:
    names("woofer.txt|tweeter.txt|woofer_z.txt|tweeter_z.txt|together.txt")(mess)
    rows = mess.rows("woofer")
    mess.put("noise floor.txt", shift(rows, db=-50.0))
    mess.put("mic_cal_0deg.txt", np.column_stack([rows[:, 0], 0.01 * rows[:, 1] - 0.5]), bare=True)
    correction = np.column_stack([rows[:, 0], np.sin(rows[:, 0] / 4000.0)])
    mess.put("7023771.txt", correction, head='"Sens Factor =-1.3dB, SERNO: 7023771"\n', bare=True)


@folder
def both_speakers(mess: Mess) -> None:
    files = (
        "woofer left.txt|tweeter left.txt|woofer_z left.txt|tweeter_z left.txt|together left.txt"
    )
    names(files)(mess)
    for what in ("woofer", "tweeter", "together"):
        mess.put(f"{what} right.txt", shift(mess.rows(what), db=0.3))
    for what in ("woofer_z", "tweeter_z"):
        mess.put(f"{what} right.txt", shift(mess.rows(what), ohm=1.02), "z")


@folder
def titles(mess: Mess) -> None:
    for driver, number in (("woofer", "0012"), ("tweeter", "0013")):
        title = f"* Name: {driver} on axis 1 m\n"
        mess.add(driver, driver, f"Export {number}.txt", head=title)
        mess.add(driver, f"{driver}_z", f"Export {number}b.txt", head=f"* Name: {driver}\n")


@folder
def letters_only(mess: Mess) -> None:
    names("W.txt|T.txt|Wz.txt|Tz.txt|WT.txt")(mess)


@folder
def angles(mess: Mess) -> None:
    names("woofer 0.txt|tweeter 0.txt|woofer imp.txt|tweeter imp.txt|both 0.txt")(mess)
    for angle in (15, 30, 60):
        for what in ("woofer", "tweeter"):
            mess.put(f"{what} {angle}.txt", shift(mess.rows(what), db=-angle / 30.0))


@folder
def numbers(mess: Mess) -> None:
    for number, driver in (("1", "woofer"), ("2", "tweeter")):
        mess.add(f"driver{number}", driver, f"driver{number}.txt")
        mess.add(f"driver{number}", f"{driver}_z", f"imp{number}.txt")


def three_way(low: str, mid: str, high: str, middle: Callable[[Mess, str], np.ndarray]):
    def make(mess: Mess) -> None:
        for name, what in ((low, "woofer"), (high, "tweeter")):
            mess.add(name, what, f"{name}.txt")
            mess.add(name, f"{what}_z", f"{name}_z.txt")
        mess.wanted[mid] = {
            "spl": mess.put(f"{mid}.txt", middle(mess, "spl")),
            "z": mess.put(f"{mid}_z.txt", middle(mess, "z"), "z"),
        }
        mess.wanted = {name: mess.wanted[name] for name in (low, mid, high)}

    return make


def middle_of(which: str, octaves: float, db: float) -> Callable[[Mess, str], np.ndarray]:
    """Give a midrange: the woofer of another two-way, moved in frequency and level."""

    def give(mess: Mess, role: str) -> np.ndarray:
        what = "woofer_z" if role == "z" else "woofer"
        return shift(mess.rows(what, which), octaves=octaves, db=db if role == "spl" else 0.0)

    return give


MIDS = {
    "closed chamber": middle_of("a", 1.2, 2.0),
    "below the woofer": middle_of("c", -0.5, 3.0),
    "same as the woofer": middle_of("b", 0.0, 0.0),
    "loud cone": middle_of("a", 0.3, 8.0),
    "soft cone": middle_of("c", 0.8, -4.0),
}
for number, (what, give) in enumerate(MIDS.items()):
    trio = [
        ("woofer", "mid", "tweeter"), ("bass", "midrange", "treble"),
        ("tieftoner", "mitteltoner", "hochtoner"), ("sub", "midwoofer", "tweeter"),
        ("lf", "mf", "hf"),
    ][number]  # fmt: skip
    FOLDERS[f"three-way, {what}"] = three_way(*trio, give)


@folder
def radians_unsaid(mess: Mess) -> None:
    names("|tweeter.txt|woofer_z.txt|tweeter_z.txt|together.txt")(mess)
    rows = mess.rows("woofer").copy()
    rows[:, 2] = np.unwrap(np.deg2rad(rows[:, 2]))
    mess.wanted["woofer"]["spl"] = mess.put("woofer.txt", rows, bare=True)
    mess.true("woofer.txt", mess.rows("woofer"))


@folder
def parts_unsaid(mess: Mess) -> None:
    names("woofer.txt|tweeter.txt||tweeter_z.txt|together.txt")(mess)
    rows = mess.rows("woofer_z")
    z = rows[:, 1] * np.exp(1j * np.deg2rad(rows[:, 2]))
    parts = np.column_stack([rows[:, 0], z.real, z.imag])
    mess.wanted["woofer"]["z"] = mess.put("woofer_z.txt", parts, "z", bare=True)
    mess.true("woofer_z.txt", rows)


@folder
def pascals_unsaid(mess: Mess) -> None:
    names("woofer.txt||woofer_z.txt|tweeter_z.txt|")(mess)
    rows = mess.rows("tweeter").copy()
    rows[:, 1] = 10.0 ** (rows[:, 1] / 20.0) * 2e-5
    mess.wanted["tweeter"]["spl"] = mess.put("tweeter.txt", rows, bare=True)
    mess.true("tweeter.txt", mess.rows("tweeter"))


@folder
def newer_is_worse(mess: Mess) -> None:
    names("woofer.txt|tweeter.txt|woofer_z.txt|tweeter_z.txt|together.txt")(mess)
    mess.put("woofer_v2.txt", shift(mess.rows("woofer"), db=-9.0))


@folder
def exchanged(mess: Mess) -> None:
    names("tweeter.txt|woofer.txt|woofer_z.txt|tweeter_z.txt|together.txt")(mess)


def judge(mess: Mess, found: Folder) -> str:
    """Tell what is wrong; empty where every curve has its place and the order is right."""
    drivers = list(found.drivers.values())
    if len(drivers) != len(mess.wanted):
        return f"drivers {list(found.drivers)}"
    for (name, files), driver in zip(mess.wanted.items(), drivers, strict=True):
        wrong = _judge_driver(mess, files, driver)
        if wrong:
            return f"{name}: {wrong}"
    together = found.together.path if found.together is not None else ""
    return f"together {together!r}" if together != mess.together else ""


def _judge_driver(mess: Mess, files: Mapping[str, str], driver: DriverFiles) -> str:
    on_axis = next(iter(driver.responses.values()), None)
    if on_axis is None or on_axis.path != files["spl"]:
        return f"response {on_axis.path if on_axis else None}"
    if driver.impedance is None or driver.impedance.path != files["z"]:
        return f"impedance {driver.impedance.path if driver.impedance else None}"
    for path, curve in ((on_axis.path, on_axis.curve), (files["z"], driver.impedance.curve)):
        rows = mess.truth[path]
        modulus = rows[:, 1] if curve.quantity == "impedance" else 10.0 ** (rows[:, 1] / 20.0)
        true = modulus * np.exp(1j * np.deg2rad(rows[:, 2]))
        if curve.value.shape != true.shape or np.abs(curve.value / true - 1.0).max() > 1e-3:
            return f"{path} holds something else"
    return ""


def lines_of(found: Folder) -> tuple[list[str], list[list[str]]]:
    """Give what the survey finds, and the values of the options it prints."""
    survey = explain_findings(survey_folder(found), from_design=False)
    texts = [f"{finding.what}; {finding.remedy}" for finding in survey.findings]
    lines = [re.findall(r'--as "([^"]*)"', text) for text in texts]
    return texts, [one for one in lines if one] + [[word] for line in lines for word in line]


@pytest.mark.data
def test_messy_folders(measured_data: Path, tmp_path: Path):
    """Eighteen at least are right unaided, the rest after one printed line is pasted."""
    assert len(FOLDERS) >= 25
    unaided, mended, lost = [], [], {}
    for name, make in FOLDERS.items():
        mess = Mess(measured_data, tmp_path / re.sub(r"\W", "_", name))
        make(mess)
        found = read_folder(mess.folder)
        wrong = judge(mess, found)
        if not wrong:
            unaided.append(name)
            continue
        texts, lines = lines_of(found)
        if any(not judge(mess, read_folder(mess.folder, roles=read_roles(x))) for x in lines):
            mended.append(name)
        else:
            lost[name] = (wrong, texts)
    assert not lost
    assert len(unaided) >= 18
    assert mended


@pytest.mark.data
@pytest.mark.parametrize(
    "name", cases([name for name in FOLDERS if name.startswith("three-way")], routine=2)
)
def test_three_ways_with_plain_names(name: str, measured_data: Path, tmp_path: Path):
    """Names set the order whatever the midrange is like, and no swap is announced."""
    mess = Mess(measured_data, tmp_path)
    FOLDERS[name](mess)
    found = read_folder(tmp_path)
    assert judge(mess, found) == ""
    texts, _ = lines_of(found)
    assert not [text for text in texts if "swapped" in text]
