"""Write the demo: measurement files and design, whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
import zlib
from pathlib import Path

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.demo import equations as eq
from optimizer.demo.design import FIRST_LINE, name_impedance, name_response, render_design
from optimizer.demo.scenario import DIRECTIONS, DRIVERS, TITLE, compute_raw_pressure
from optimizer.demo.shelf import SHELF_NAME, render_shelf
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS, Direction

DEMO_DESIGN_NAME = "design.yaml"
TOGETHER_NAME = "together.txt"

_POINTS_PER_OCTAVE = 48
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0

_RIPPLE_DB = 0.05
_RIPPLE_OHM_RELATIVE = 0.002


def build_files() -> dict[str, bytes]:
    """Build every file of the demo in memory.

    Returns
    -------
    dict of str to bytes
        Contents by file name, the design file last; the same bytes on every call.
    """
    frequency = _build_grid()
    files: dict[str, bytes] = {}
    together = np.zeros(frequency.size, dtype=np.complex128)
    for driver in DRIVERS:
        for direction in DIRECTIONS:
            pressure = compute_raw_pressure(frequency, driver, direction)
            if direction == ON_AXIS:
                together += pressure
            name = name_response(driver.name, direction)
            what = f"{driver.name} alone, {_describe(direction)}"
            files[name] = _render_response(name, what, frequency, pressure)
        name = name_impedance(driver.name)
        files[name] = _render_impedance(
            name, driver.name, frequency, eq.compute_impedance(frequency, driver.coil)
        )
    files[TOGETHER_NAME] = _render_response(
        TOGETHER_NAME, "all three drivers in parallel, on the reference axis", frequency, together
    )
    files[SHELF_NAME] = render_shelf().encode("utf-8")
    files[DEMO_DESIGN_NAME] = render_design().encode("utf-8")
    return files


def write_demo(folder: Path, *, overwrite: bool = False) -> Path:
    """Write the demo into a folder.

    A new folder is filled under another name beside it and renamed when complete. In a folder
    that holds an earlier demo only files of the demo are replaced, each one whole; results
    kept there stay.

    Parameters
    ----------
    folder : Path
        Where to write; made when missing, with the folders above it.
    overwrite : bool
        Replace files of the same names even when they were changed or are not ours.

    Returns
    -------
    Path
        The design file.

    Raises
    ------
    InputError
        When the folder is a file, holds other things, holds a demo that was changed, or
        cannot be written.
    """
    folder = Path(folder)
    files = build_files()
    try:
        if folder.exists() or folder.is_symlink():
            _check_folder(folder, files, overwrite)
            _replace_files(folder, files)
        else:
            _create_folder(folder, files)
    except OSError as error:
        raise InputError(
            "the demo folder must be writable",
            file=folder,
            value=error.strerror or str(error),
            remedy="choose another folder",
        ) from error
    return folder / DEMO_DESIGN_NAME


def _build_grid() -> Real:
    octaves = np.log2(HIGHEST_HZ / LOWEST_HZ)
    count = int(np.ceil(_POINTS_PER_OCTAVE * octaves)) + 1
    # Rounded as printed, so that the values belong exactly to the printed frequencies.
    return np.round(np.geomspace(LOWEST_HZ, HIGHEST_HZ, count), 2)


def _make_ripple(name: str, size: int) -> Real:
    # Raw output of a counter-based generator: unlike the distributions built on it, its
    # stream is promised to stay the same in every numpy version.
    raw = np.random.Philox(zlib.crc32(name.encode())).random_raw(size)
    return np.asarray(raw, dtype=np.float64) / 2.0**63 - 1.0


def _describe(direction: Direction) -> str:
    if direction == ON_AXIS:
        return "on the reference axis"
    angle, side = str(direction).split()
    return f"{angle} degrees {side}"


def _render_response(name: str, what: str, frequency: Real, pressure: Complex) -> bytes:
    level = 20.0 * np.log10(np.abs(pressure) / eq.REFERENCE_PRESSURE_PA)
    level = level + _RIPPLE_DB * _make_ripple(name, frequency.size)
    header = (
        f"# {TITLE} (invented): {what}",
        "# mounted in the cabinet, no crossover, 2.83 V at the terminals, referred to 1 m",
        "# time zero: arrival from the tweeter on the reference axis, the same in every file",
        "# frequency Hz\tlevel dB\tphase deg",
    )
    return _render_table(header, frequency, level, np.degrees(np.angle(pressure)))


def _render_impedance(name: str, driver: str, frequency: Real, impedance: Complex) -> bytes:
    ripple = _RIPPLE_OHM_RELATIVE * _make_ripple(name, frequency.size)
    modulus = np.abs(impedance) * (1.0 + ripple)
    header = (
        f"# {TITLE} (invented): impedance of the {driver}, mounted in the cabinet",
        "# small signal, voice coil cold",
        "# frequency Hz\timpedance ohm\tphase deg",
    )
    return _render_table(header, frequency, modulus, np.degrees(np.angle(impedance)))


def _render_table(header: tuple[str, ...], frequency: Real, size: Real, phase_deg: Real) -> bytes:
    rows = (
        f"{f:.2f}\t{value:.3f}\t{phase:.2f}"
        for f, value, phase in zip(frequency, size, phase_deg, strict=True)
    )
    return ("\n".join((*header, *rows)) + "\n").encode("utf-8")


def _check_folder(folder: Path, files: dict[str, bytes], overwrite: bool) -> None:
    if not folder.is_dir():
        raise InputError(
            "the demo needs a folder, not a file", file=folder, remedy="choose another name"
        )
    if overwrite:
        return
    present = {entry.name for entry in folder.iterdir()}
    if present and not _is_demo(folder):
        raise InputError(
            "the demo is written only into a new or empty folder or over an earlier demo",
            file=folder,
            value=f"a folder with {min(present)!r} in it",
            remedy="choose another folder",
        )
    for name in sorted(present & files.keys()):
        if (folder / name).read_bytes() != files[name]:
            raise InputError(
                "a demo that was changed is not replaced unasked",
                file=folder / name,
                remedy="choose another folder, or remove the file first if it is not needed",
            )


def _is_demo(folder: Path) -> bool:
    try:
        with (folder / DEMO_DESIGN_NAME).open(encoding="utf-8", errors="replace") as stream:
            return stream.readline().rstrip() == FIRST_LINE
    except OSError:
        return False


def _create_folder(folder: Path, files: dict[str, bytes]) -> None:
    folder.parent.mkdir(parents=True, exist_ok=True)
    workspace = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-"))
    try:
        # Inside the private folder, so that the demo itself gets ordinary permissions.
        fresh = workspace / folder.name
        fresh.mkdir()
        for name, content in files.items():
            (fresh / name).write_bytes(content)
        fresh.rename(folder)
    finally:
        shutil.rmtree(workspace, ignore_errors=True)


def _replace_files(folder: Path, files: dict[str, bytes]) -> None:
    # The design comes last: as long as it is missing, nothing takes the folder for a project.
    for name, content in files.items():
        target = folder / name
        if target.is_file() and target.read_bytes() == content:
            continue
        handle, temporary = tempfile.mkstemp(dir=folder, prefix=f".{name}-")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            # mkstemp makes private files; measurements are ordinary ones.
            os.chmod(temporary, 0o644)
            os.replace(temporary, target)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
