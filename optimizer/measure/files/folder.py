"""A folder of measurement files, read as drivers with directions and impedances."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve, Quantity
from optimizer.measure.files.columns import says_columns
from optimizer.measure.files.impulse import IMPULSE
from optimizer.measure.files.names import DRIVER_WORDS, NameReading, rank_of, read_name
from optimizer.measure.files.open import open_curve
from optimizer.measure.files.text import fold_text
from optimizer.measure.readings import DriverFiles, FileReading, Folder, Role

MOST_FILES = 2000
DEEPEST = 3
WHOLE = "loudspeaker"
"""Name of the driver when no file name gives one."""
MOST_CORRECTION_DB = 40.0
"""No calibration corrects by more."""
USUAL_RISE = 2.0
"""Nepers from the resonance of a driver to the centre of its energy, about three octaves; a guess, no
source."""
_GERMAN = re.compile(r"(?<![a-z])(?:tt|ht|tmt)(?![a-z])")
_MIDRANGE = re.compile(r"(?<![A-Za-z])(?:mt|MT|Mt)(?![A-Za-z])")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Item:
    """One file of the folder: what its name says, and what is in it or why it cannot be read."""

    path: str
    name: NameReading
    told: bool
    columns: str = ""
    curve: MeasuredCurve | None = None
    reason: str = ""
    refusal: InputError | None = None


def read_folder(
    path: str | Path,
    *,
    roles: Mapping[str, str] | None = None,
    gate_s: float | None = None,
    order: Sequence[str] = (),
) -> Folder:
    """Recognise every file of a folder.

    Parameters
    ----------
    path : path-like
        A folder; folders in it are read down to three levels.
    roles : mapping of str to str, optional
        Overrides: file name, relative path or pattern ("*_z.txt") to a description in the words
        of file names ("woofer impedance", "tweeter 30 right", "together", "ignore"), or of its
        columns ("frequency kHz, level, phase rad"), or both, parted by a semicolon.
    gate_s : float, optional
        Gate of all impulse responses but near fields; found from their first reflection by
        default.
    order : sequence of str
        Drivers from the lowest up; told from names and data by default.

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
    `optimizer.measure.files.names.read_name`; where it names no driver, from a title inside the
    file. Drivers stand in the order of their names (subwoofer to tweeter); those whose names do not
    say take their places by the resonance of their impedance, else by the centre of their energy.
    Of rival files the newest counts, one in a cabinet before one in free air.
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
    german = any(_GERMAN.search(fold_text(name)) for name in names)
    items = []
    for name in names:
        told, columns = _split_told(
            next((w for p, w in overrides.items() if _matches(name, p)), None)
        )
        said = told if told is not None else str(Path(name).with_suffix(""))
        if german:
            said = _MIDRANGE.sub("mitteltoner", said)
        read = read_name(said, hyphen_is_minus=told is not None or not separates)
        item = _Item(path=name, name=read, told=told is not None, columns=columns)
        items += _expand(root, _open(root, item, gate_s), gate_s)
    if gate_s is None:
        items, gate_s = _share_gate(root, items)
    items = _settle_numbers([_read_title(item) for item in items])
    single = read_name(root.resolve().name).driver
    single = single if single in DRIVER_WORDS else ""
    words = _choose_words([item.name for item in items])
    readings = [_classify(item) for item in items]
    readings = [replace(r, driver=words.get(r.driver, r.driver)) for r in readings]
    newest = sorted(
        zip(items, readings, strict=True), key=lambda pair: [-one for one in pair[0].name.version]
    )
    folder = _assemble(root, [reading for _, reading in newest], single)
    _check_order(root, folder, order)
    files = tuple(sorted(folder.files, key=lambda reading: names.index(reading.path)))
    drivers = _in_order(folder.drivers, {v: k for k, v in words.items()}, order)
    return replace(folder, files=files, drivers=drivers, gate_s=gate_s)


def _check_order(root: Path, folder: Folder, order: Sequence[str]) -> None:
    strange = [name for name in order if name not in folder.drivers]
    if strange:
        raise InputError(
            "an order names drivers of the folder",
            file=root,
            value=repr(strange[0]),
            remedy=f"it has {', '.join(folder.drivers)}",
        )


def _read_title(item: _Item) -> _Item:
    """Name a file by a title inside it, where its own name says no known driver."""
    curve, name = item.curve, item.name
    if curve is None or item.told:
        return item
    if curve.heading.calibration and np.abs(curve.level_db).max() < MOST_CORRECTION_DB:
        reason = "says itself that it is a calibration"
        return replace(item, curve=None, reason=reason)
    if rank_of(name.driver) is not None or name.kind == "together":
        return item
    title = read_name(curve.heading.title)
    if rank_of(title.driver) is None or len(title.word) < 3:
        return item
    why = f"its title names the {title.word} ({curve.heading.title})"
    named = replace(
        name,
        driver=title.driver,
        word=title.word,
        kind=name.kind or title.kind,
        direction=name.direction or title.direction,
        side=name.side or title.side,
        number=None if rank_of(name.driver) is None else name.number,
        because=(*name.because, why),
    )
    return replace(item, name=named)


def _split_told(text: str | None) -> tuple[str | None, str]:
    """Part what is said of a file into what it is and what its columns are."""
    if text is None:
        return None, ""
    parts = [part.strip() for part in text.split(";")]
    columns = [part for part in parts if says_columns(part)]
    rest = " ".join(part for part in parts if part and part not in columns)
    return rest or None, columns[-1] if columns else ""


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
        for file in sorted(_walk(root, DEEPEST)):
            names.append(file.relative_to(root).as_posix())
            if len(names) > MOST_FILES:
                raise InputError(
                    f"a folder of measurements holds at most {MOST_FILES} files",
                    file=root,
                    remedy="put the measurements into a folder of their own",
                )
    except OSError as error:
        raise InputError(
            f"the folder cannot be read ({(error.strerror or str(error)).lower()})",
            file=error.filename or root,
            remedy="change its permissions, or name another folder",
        ) from None
    return names


def _walk(folder: Path, levels: int) -> Iterator[Path]:
    """Go through the files of a folder and those in it; one that cannot be read is no empty one."""
    for path in folder.iterdir():
        if path.name.startswith("."):
            continue
        if path.is_file():
            yield path
        elif path.is_dir() and levels > 1 and not path.is_symlink():
            yield from _walk(path, levels - 1)


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


def _open(root: Path, item: _Item, gate_s: float | None) -> _Item:
    """Open the file of an item, unless its name says that it is no measurement."""
    kind = item.name.kind
    if kind == "ignore":
        why = "as told" if item.told else "its name says it is no measurement"
        return replace(item, reason=why)
    named: Quantity | None = (
        "impedance" if kind == "impedance" else "pressure" if item.told else None
    )
    try:
        curve = open_curve(
            root / item.path,
            named if item.told else None,
            expected=named,
            gate_s=None if kind in ("near field", "port") else gate_s,
            columns=item.columns,
        )
    except InputError as error:
        return replace(item, reason=_without_file(error), refusal=error)
    return replace(item, curve=curve)


def _expand(root: Path, item: _Item, gate_s: float | None) -> list[_Item]:
    """Open all curves of a file that holds several directions, or response and impedance."""
    beside = item.curve.beside if item.curve is not None else ()
    if not beside or (item.told and item.name.direction is not None):
        return [item]
    found = []
    for quantity, direction in beside:
        name = item.name
        if direction is not None:
            name = replace(name, direction=direction, number=None)
        try:
            curve = open_curve(
                root / item.path,
                quantity,
                direction=direction,
                gate_s=gate_s,
                columns=item.columns,
            )
        except InputError as error:
            found.append(
                replace(item, curve=None, reason=_without_file(error), refusal=error, name=name)
            )
            continue
        because = ("one of several curves in this file",)
        found.append(replace(item, curve=replace(curve, because=because), name=name))
    return found


def _share_gate(root: Path, items: list[_Item]) -> tuple[list[_Item], float | None]:
    """Gate all impulse responses alike, up to the earliest reflection in any of them.

    Else each direction would be cut where its own reflection comes, and they would differ by it.
    """
    gated = [
        item
        for item in items
        if item.curve is not None
        and item.curve.heading.line == IMPULSE
        and item.name.kind not in ("near field", "port")
    ]
    gates = {item.curve.gate_s for item in gated if item.curve is not None}
    if len(gates) < 2:
        return items, None
    gate_s = min(gate for gate in gates if gate is not None)
    chosen = {id(item) for item in gated}
    again = [_open_again(root, i, gate_s) if id(i) in chosen else i for i in items]
    return again, gate_s


def _open_again(root: Path, item: _Item, gate_s: float) -> _Item:
    assert item.curve is not None
    curve = open_curve(root / item.path, "pressure", direction=item.curve.direction, gate_s=gate_s)
    because = (*item.curve.because, "one gate for all impulse responses")
    return replace(item, curve=replace(curve, because=because))


def _without_file(error: InputError) -> str:
    """Give the text of an error without the file, which the table shows beside it."""
    where = f"line {error.line}: " if error.line is not None else ""
    got = f", got {error.value}" if error.value is not None else ""
    return f"{where}{error.rule}{got}"


def _settle_numbers(items: list[_Item]) -> list[_Item]:
    """Decide whether lone numbers are angles or parts of names, from files side by side."""
    groups: dict[tuple[str, str], set[float]] = {}
    for item in items:
        name = item.name
        if name.number is not None and item.curve is not None and name.kind == "":
            groups.setdefault((name.driver, name.side), set()).add(name.number)
    return [
        item
        if item.name.number is None
        else replace(
            item,
            name=_settle_number(
                item, item.name.number, groups.get((item.name.driver, item.name.side), set())
            ),
        )
        for item in items
    ]


def _settle_number(item: _Item, number: float, sisters: set[float]) -> NameReading:
    name = item.name
    steps = all(abs(n) <= 180.0 and n % 2.5 == 0.0 for n in sisters)
    if name.kind == "" and steps and (len(sisters) >= 3 or {0.0} < sisters):
        why = f"{number:g} read as a horizontal angle, because its sister files run through angles"
        return replace(
            name,
            direction=Direction(horizontal_deg=number),
            because=(*name.because, why),
        )
    if item.told:
        return name
    tail = f"{number:g}" if name.driver else f"driver{number:g}"
    return replace(name, driver=name.driver + tail, word=name.word + tail)


def _classify(item: _Item) -> FileReading:
    """Role of one file from its name and contents."""
    name, curve = item.name, item.curve
    if curve is None:
        return FileReading(
            path=item.path, role="ignored", side=name.side, because=(item.reason,),
            refusal=item.refusal,
        )  # fmt: skip
    if curve.quantity == "impedance":
        return FileReading(
            path=item.path,
            role="impedance",
            driver=name.driver,
            side=name.side,
            curve=curve,
            because=(*curve.because, *curve.notes),
            columns=item.columns,
        )
    role: Role = "response"
    if name.kind in ("together", "near field", "port"):
        role = name.kind
    return FileReading(
        path=item.path,
        role=role,
        driver="" if role == "together" else name.driver,
        side=name.side,
        curve=replace(curve, direction=name.direction or ON_AXIS),
        because=(*curve.because, *name.because, *curve.notes),
        columns=item.columns,
    )


def open_stated(
    path: Path,
    role: Role,
    *,
    driver: str = "",
    direction: Direction | None = None,
    gate_s: float | None = None,
    columns: str = "",
) -> FileReading:
    """Open a file whose role is stated, as in a design.

    Parameters
    ----------
    path : Path
        The file.
    role : str
        What it is.
    driver : str
        Whose it is.
    direction : Direction, optional
        Where a response was taken.
    gate_s : float, optional
        Of an impulse response, see `open_curve`.
    columns : str
        What its columns are, where stated.

    Returns
    -------
    FileReading

    Raises
    ------
    InputError
        The file cannot be read as that.
    """
    quantity: Quantity = "impedance" if role == "impedance" else "pressure"
    curve = open_curve(path, quantity, direction=direction, gate_s=gate_s, columns=columns)
    return FileReading(
        path=path.name,
        role=role,
        driver=driver,
        curve=curve,
        because=("stated in the design", *curve.notes),
        columns=columns,
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
                files.append(_set_aside(reading, together, ""))
                continue
            together = reading
            files.append(reading)
            continue
        if not reading.driver:
            if not fallback:
                why = "its name gives no driver"
                files.append(replace(reading, role="ignored", because=(f"{reading.role}: {why}",)))
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
    return Folder(path=str(root), files=tuple(files), drivers=drivers, together=together)


def _in_order(
    drivers: dict[str, DriverFiles], canonical: Mapping[str, str], order: Sequence[str]
) -> dict[str, DriverFiles]:
    """Put drivers in order from the lowest up: as told, else by names, resonance, energy."""
    if order:
        rest = [name for name in drivers if name not in order]
        return {name: drivers[name] for name in (*order, *rest)}
    ranks = {name: rank_of(canonical.get(name, name)) for name in drivers}
    heights = {name: _height(files) for name, files in drivers.items()}
    sorted_names = sorted(
        (name for name in drivers if ranks[name] is not None),
        key=lambda name: (ranks[name], heights[name]),
    )
    # A driver whose name does not say is set between those that do.
    for name in sorted((n for n in drivers if ranks[n] is None), key=lambda n: heights[n]):
        above = [i for i, other in enumerate(sorted_names) if heights[other] > heights[name]]
        sorted_names.insert(above[0] if above else len(sorted_names), name)
    return {name: drivers[name] for name in sorted_names}


def _set_aside(reading: FileReading, taken: FileReading, place: str) -> FileReading:
    """Leave out a rival of a file that is taken."""
    one, other = reading.curve, taken.curve
    copy = (
        one is not None
        and other is not None
        and np.array_equal(one.frequency_hz, other.frequency_hz)
        and np.array_equal(one.value, other.value)
    )
    why = f"{taken.path} is taken{f' for {place}' if place else ''} already"
    if copy:
        why = f"a copy of {taken.path}"
    return replace(
        reading,
        role="ignored",
        because=(f"{reading.role}: {why}",),
        rival="" if copy else taken.path,
    )


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
        return driver, _set_aside(reading, there, str(direction))
    attribute = {"impedance": "impedance", "near field": "near_field", "port": "port"}[reading.role]
    there = getattr(driver, attribute)
    beside = attribute == "impedance" and there is not None and reading.side != there.side
    if beside and driver.other_impedance is None:
        reading = replace(reading, because=(*reading.because, "other cabinet: compared, not used"))
        return replace(driver, other_impedance=reading), reading
    if there is not None:
        return driver, _set_aside(reading, there, "")
    changes: dict[str, FileReading] = {attribute: reading}
    return replace(driver, **changes), reading  # type: ignore[arg-type]


def _axis_first(driver: DriverFiles) -> DriverFiles:
    order = sorted(
        driver.responses,
        key=lambda d: (abs(d.horizontal_deg) + abs(d.vertical_deg), d.vertical_deg != 0, str(d)),
    )
    return replace(driver, responses={d: driver.responses[d] for d in order})


def _height(driver: DriverFiles) -> float:
    """Tell how high a driver plays, as a natural logarithm of a frequency.

    The mean of where its impedance resonates, brought up by what resonance and centre of energy
    lie apart in a usual driver, and the centre itself; whichever is there.
    """
    centre, resonance = _centre(driver), _resonance(driver)
    if resonance is None:
        return centre
    return 0.5 * (centre + resonance + USUAL_RISE) if centre else resonance + USUAL_RISE


def _resonance(driver: DriverFiles) -> float | None:
    """Logarithm of the frequency of the highest hump of the impedance below 3 kHz."""
    load = driver.impedance.curve if driver.impedance is not None else None
    if load is None or load.range_hz[0] > 100.0:
        return None
    inside = load.frequency_hz < 3000.0
    if np.count_nonzero(inside) < 8:
        return None
    f, ohm = load.frequency_hz[inside], np.abs(load.value[inside])
    at = int(np.argmax(ohm))
    if at in (0, len(f) - 1) or ohm[at] < 1.2 * np.median(ohm):
        return None
    return float(np.log(f[at]))


def _centre(driver: DriverFiles) -> float:
    """Mean of log frequency weighted by energy."""
    response = driver.on_axis
    if response is None:
        response = driver.near_field.curve if driver.near_field else None
    if response is None:
        return 0.0
    u = np.log(response.frequency_hz)
    energy = np.abs(response.value) ** 2
    weight = energy * np.gradient(u)
    return float((u * weight).sum() / weight.sum())
