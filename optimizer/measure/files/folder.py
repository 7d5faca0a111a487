"""A folder of measurement files, read as drivers with directions and impedances."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fnmatch import fnmatch
from pathlib import Path

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.files.contents import Contents, read_contents
from optimizer.measure.files.names import DRIVER_WORDS, NameReading, read_name
from optimizer.measure.readings import DriverFiles, FileReading, Folder, Role

MOST_FILES = 2000
DEEPEST = 3
WHOLE = "loudspeaker"
"""Name of the driver when no file name gives one."""


def read_folder(
    path: str | Path,
    *,
    roles: Mapping[str, str] | None = None,
    gate_s: float | None = None,
) -> Folder:
    """Recognise every file of a folder.

    Parameters
    ----------
    path : path-like
        A folder; folders in it are read down to three levels.
    roles : mapping of str to str, optional
        Overrides: file name, relative path or pattern ("*_z.txt") to a description in the words
        of file names: "woofer impedance", "tweeter 30 right", "together", "ignore".
    gate_s : float, optional
        Gate of all impulse responses but near fields; found from their first reflection by
        default.

    Returns
    -------
    Folder
        Nothing is guessed silently: `files` holds every file with the reason for its role.

    Raises
    ------
    InputError
        The folder does not exist, or holds more than `MOST_FILES` files; or an override matches
        no file.

    Notes
    -----
    Contents go before names: a column line or comment that says ohm (or SPL, dB) decides between
    impedance and response; next the name; last the values (an impedance lies between 0.5 and
    500 ohm with a phase within 95 degrees). Driver, direction and side follow from the name, see
    `optimizer.measure.files.names.read_name`.
    """
    root = Path(path)
    if not root.is_dir():
        raise InputError(
            "a folder of measurements is needed",
            file=root,
            remedy="name an existing folder" if not root.exists() else "name its folder",
        )
    names = _list_files(root)
    overrides = dict(roles or {})
    for pattern in overrides:
        if not any(_matches(name, pattern) for name in names):
            raise InputError("an override must match a file", file=root, value=repr(pattern))
    separates = _hyphens_separate(names)
    items: list[tuple[str, NameReading, Contents, bool]] = []
    for name in names:
        given = next((w for p, w in overrides.items() if _matches(name, p)), None)
        said = given if given is not None else str(Path(name).with_suffix(""))
        named = read_name(said, hyphen_is_minus=given is not None or not separates)
        gate = None if named.kind in ("near field", "port") else gate_s
        contents = read_contents(root / name, gate_s=gate)
        items.append((name, named, contents, given is not None))
    items = _settle_numbers(items)
    single = read_name(root.resolve().name).driver
    single = single if single in DRIVER_WORDS else ""
    words = _choose_words([item[1] for item in items])
    readings = [_classify(*item) for item in items]
    readings = [replace(r, driver=words.get(r.driver, r.driver)) for r in readings]
    return replace(_assemble(root, readings, single), gate_s=gate_s)


def require_drivers(folder: Folder) -> None:
    """Raise when nothing usable was found.

    Raises
    ------
    InputError
        No file is a response or an impedance.
    """
    if not folder.drivers:
        count = len(folder.files)
        raise InputError(
            "no response and no impedance found in this folder",
            file=folder.path,
            value=f"{count} file{'s' if count != 1 else ''}, all ignored" if count else "no files",
            remedy="export measurements as text (frequency, level, phase), or say what a file is",
            by_stating=(Subject("file", part="role"),),
        )


def _list_files(root: Path) -> list[str]:
    names: list[str] = []
    try:
        for file in sorted(root.rglob("*")):
            parts = file.relative_to(root).parts
            if any(part.startswith(".") for part in parts) or len(parts) > DEEPEST:
                continue
            if file.is_file():
                names.append("/".join(parts))
            if len(names) > MOST_FILES:
                raise InputError(
                    f"a folder of measurements holds at most {MOST_FILES} files",
                    file=root,
                    remedy="put the measurements into a folder of their own",
                )
    except OSError as error:
        raise InputError(f"the folder cannot be read ({error.strerror})", file=root) from None
    return names


def _matches(name: str, pattern: str) -> bool:
    return fnmatch(name, pattern) or fnmatch(name.rsplit("/", 1)[-1], pattern)


def _hyphens_separate(names: list[str]) -> bool:
    """Whether "hor-15" means 15, because the same folder also has "hor-0"."""
    read = [read_name(str(Path(name).with_suffix(""))) for name in names]
    signed = [r for r in read if r.signed_by_hyphen and r.direction is not None]
    return any(r.direction == ON_AXIS for r in signed)


def _choose_words(names: list[NameReading]) -> dict[str, str]:
    """Call each driver by the full word its files use most."""
    counts: dict[str, dict[str, int]] = {}
    for name in names:
        if len(name.word) >= 4:
            of_driver = counts.setdefault(name.driver, {})
            of_driver[name.word] = of_driver.get(name.word, 0) + 1
    return {
        driver: max(words, key=lambda w: (words[w], len(w), w)) for driver, words in counts.items()
    }


def _settle_numbers(
    items: list[tuple[str, NameReading, Contents, bool]],
) -> list[tuple[str, NameReading, Contents, bool]]:
    """Decide whether lone numbers are angles or parts of names, from files side by side."""
    groups: dict[tuple[str, str], set[float]] = {}
    for _, name, contents, _ in items:
        if name.number is not None and contents.response is not None and name.kind == "":
            groups.setdefault((name.driver, name.side), set()).add(name.number)
    settled = []
    for path, name, contents, given in items:
        number = name.number
        if number is not None:
            numbers = groups.get((name.driver, name.side), set())
            steps = all(abs(n) <= 180.0 and n % 2.5 == 0.0 for n in numbers)
            if name.kind == "" and steps and (len(numbers) >= 3 or {0.0} < numbers):
                name = replace(
                    name,
                    direction=Direction(horizontal_deg=number),
                    because=(
                        *name.because,
                        f"{number:g} read as a horizontal angle, because its sister files run "
                        "through angles",
                    ),
                )
            elif not given:
                tail = f"{number:g}" if name.driver else ""
                name = replace(name, driver=name.driver + tail, word=name.word + tail)
        settled.append((path, name, contents, given))
    return settled


def _classify(path: str, name: NameReading, contents: Contents, given: bool) -> FileReading:
    """Role of one file from its name and contents."""
    base = FileReading(
        path=path,
        role="ignored",
        driver=name.driver,
        side=name.side,
        smoothing=contents.smoothing,
        gate_s=contents.gate_s,
    )
    how: tuple[str, ...] = ("as told",) if given else ()
    if name.kind == "ignore":
        return replace(base, driver="", because=how or ("its name says it is no measurement",))
    if contents.response is None:
        return replace(base, driver="", because=(contents.reason,))
    role: Role
    if given:
        is_impedance = name.kind == "impedance"
    elif contents.says:
        is_impedance = contents.says == "impedance"
        how = (f"contents say {contents.says} ({contents.says_where})",)
        if not is_impedance and name.kind == "impedance":
            how = (*how, "although the name says impedance")
    elif name.kind == "impedance":
        is_impedance = contents.may_be_impedance
        how = ("name says impedance",)
        if not is_impedance:
            return replace(
                base,
                driver="",
                because=(f"name says impedance, but {contents.why_not_impedance}",),
            )
    else:
        is_impedance = contents.looks_like_impedance
        how = ("values are those of an impedance" if is_impedance else "values are levels",)
    if is_impedance:
        if contents.impedance is None:
            return replace(base, driver="", because=(*how, contents.why_not_impedance))
        return replace(
            base,
            role="impedance",
            response=contents.impedance,
            because=(*how, *contents.impedance.notes),
        )
    role = "response"
    if name.kind in ("together", "near field", "port"):
        role = name.kind
    notes = contents.response.notes
    return replace(
        base,
        role=role,
        driver="" if role == "together" else name.driver,
        direction=name.direction or ON_AXIS,
        response=contents.response,
        because=(*how, *name.because, *notes),
    )


def _assemble(root: Path, readings: list[FileReading], single: str) -> Folder:
    """Group files by driver; set aside what is double or belongs nowhere."""
    used = [r for r in readings if r.role not in ("ignored", "together")]
    named = sorted({r.driver for r in used if r.driver})
    fallback = named[0] if len(named) == 1 else "" if named else (single or WHOLE)
    files: list[FileReading] = []
    drivers: dict[str, DriverFiles] = {}
    together: FileReading | None = None
    for reading in readings:
        if reading.role == "ignored":
            files.append(reading)
            continue
        if reading.role == "together":
            if together is not None:
                files.append(_set_aside(reading, f"{together.path} is taken already"))
                continue
            together = reading
            files.append(reading)
            continue
        if not reading.driver:
            if not fallback:
                files.append(_set_aside(reading, "its name gives no driver"))
                continue
            why = "only driver here" if named else "no name gives a driver"
            reading = replace(
                reading, driver=fallback, because=(*reading.because, f"driver: {why}")
            )
        driver = drivers.setdefault(reading.driver, DriverFiles(name=reading.driver))
        driver, reading = _add_file(driver, reading)
        drivers[driver.name] = driver
        files.append(reading)
    drivers = {name: d for name, d in drivers.items() if d.responses or d.impedance or d.near_field}
    drivers = {name: _axis_first(d) for name, d in drivers.items()}
    order = sorted(drivers, key=lambda name: _centre(drivers[name]))
    return Folder(
        path=str(root),
        files=tuple(files),
        drivers={name: drivers[name] for name in order},
        together=together,
    )


def _set_aside(reading: FileReading, reason: str) -> FileReading:
    return replace(reading, role="ignored", because=(f"{reading.role}: {reason}",))


def _add_file(driver: DriverFiles, reading: FileReading) -> tuple[DriverFiles, FileReading]:
    if reading.role == "response":
        direction = reading.direction or ON_AXIS
        there = driver.responses.get(direction)
        if there is None:
            return replace(driver, responses={**driver.responses, direction: reading}), reading
        if reading.side != there.side and direction not in driver.other_side:
            reading = replace(
                reading, because=(*reading.because, "other cabinet: compared, not used")
            )
            return replace(driver, other_side={**driver.other_side, direction: reading}), reading
        return driver, _set_aside(reading, f"{there.path} is taken for {direction} already")
    attribute = {"impedance": "impedance", "near field": "near_field", "port": "port"}[reading.role]
    there = getattr(driver, attribute)
    beside = attribute == "impedance" and there is not None and reading.side != there.side
    if beside and driver.other_impedance is None:
        reading = replace(reading, because=(*reading.because, "other cabinet: compared, not used"))
        return replace(driver, other_impedance=reading), reading
    if there is not None:
        return driver, _set_aside(reading, f"{there.path} is taken already")
    changes: dict[str, FileReading] = {attribute: reading}
    return replace(driver, **changes), reading  # type: ignore[arg-type]


def _axis_first(driver: DriverFiles) -> DriverFiles:
    order = sorted(
        driver.responses,
        key=lambda d: (abs(d.horizontal_deg) + abs(d.vertical_deg), d.vertical_deg != 0, str(d)),
    )
    return replace(driver, responses={d: driver.responses[d] for d in order})


def _centre(driver: DriverFiles) -> float:
    """Mean of log frequency weighted by energy; drivers sort by it."""
    response = driver.on_axis
    if response is None:
        response = driver.near_field.response if driver.near_field else None
    if response is None:
        return 0.0
    u = np.log(response.frequency_hz)
    energy = np.abs(response.value) ** 2
    weight = energy * np.gradient(u)
    return float((u * weight).sum() / weight.sum())
