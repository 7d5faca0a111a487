"""Files of open standards that hold arrays, not text: touchstone, MATLAB, HDF5, SOFA.

Each is brought to a `TextTable` of named columns, or for impulse responses to a gated transform, so
that units, plausibility and the choice among several curves are those of every other file.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS, Direction, FileHeading, MeasuredCurve
from optimizer.measure.files.columns import FileColumn, choose_curve, pair_columns, read_column
from optimizer.measure.files.extras import load_extra
from optimizer.measure.files.impulse import find_gate, transform_impulse
from optimizer.measure.files.tables import Dialect, TextTable, WantedCurve, build_curve
from optimizer.measure.files.text import decode_curve

Array = NDArray[Any]
MOST_ARRAYS = 500
_HDF5 = b"\x89HDF\r\n\x1a\n"
_ENDINGS = {".s1p": "touchstone", ".sofa": "SOFA", ".mat": "MATLAB", ".h5": "HDF5", ".hdf5": "HDF5"}
_ON_PLANE_DEG = 0.5


def find_container(path: Path, raw: bytes) -> str:
    """Tell which kind of container a file is, by its ending and first bytes; empty for none."""
    kind = _ENDINGS.get(path.suffix.lower(), "")
    if (kind == "MATLAB" and raw.startswith(_HDF5)) or raw[512:520] == _HDF5:
        return "HDF5"
    if not kind and raw.startswith(_HDF5):
        return "HDF5"
    return kind


def open_container(
    kind: str, path: Path, raw: bytes, wanted: WantedCurve, gate_s: float | None
) -> MeasuredCurve:
    """Read one curve out of a container.

    Parameters
    ----------
    kind : str
        As `find_container` told.
    path : Path
        The file.
    raw : bytes
        What it holds.
    wanted : WantedCurve
        Which curve.
    gate_s : float or None
        Gate of impulse responses.

    Returns
    -------
    MeasuredCurve

    Raises
    ------
    InputError
        The file is damaged, a library is missing, or it holds no such curve.
    """
    readers = {"touchstone": _read_touchstone, "MATLAB": _read_matlab, "HDF5": _read_hdf5}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the libraries, about details of a standard
            if kind == "SOFA":
                return _open_sofa(path, wanted, gate_s)
            columns = readers[kind](raw)
    except InputError:
        raise
    except Exception as error:  # damaged files make the libraries raise anything
        raise InputError(
            f"the file could not be read as {kind}",
            value=str(error)[:80] or type(error).__name__,
            remedy="export the curve as text: frequency, level, phase",
        ) from None
    return _build(kind, columns, wanted)


def _build(
    kind: str, columns: Sequence[tuple[FileColumn, Real]], wanted: WantedCurve
) -> MeasuredCurve:
    """Make a curve of named columns of one length."""
    headings = tuple(column for column, _ in columns)
    curve = choose_curve(pair_columns(headings), wanted)
    if curve is None:
        raise InputError(
            "no array is a frequency with a level, a complex response or an impedance beside it",
            value=", ".join(column.text for column in headings)[:80] or "nothing",
            remedy="name the arrays by what they hold, for instance freq_hz, spl_db, phase_deg",
        )
    rows = np.column_stack([columns[place][1] for place in curve.at])
    table = TextTable(
        dialect=Dialect(separator=" ", decimal_comma=False),
        curve=curve,
        rows=rows.tolist(),
        lines=list(range(1, len(rows) + 1)),
        columns=len(columns),
        headings=headings,
    )
    quantity = wanted.quantity or curve.quantity or wanted.expected or "pressure"
    try:
        built = build_curve([table], quantity)
    except InputError as error:
        # An array has no lines.
        raise InputError(error.rule, value=error.value, remedy=error.remedy) from None
    names = ", ".join(column.text for column in curve.columns)
    heading = FileHeading(quantity=curve.quantity, line=names[:60])
    notes = tuple(note for note in built.notes if not note.startswith("columns not read"))
    because = (f"contents say {quantity} ({names[:60]})",)
    return replace(
        built, layout=f"{kind} arrays {names}", heading=heading, notes=notes, because=because
    )


def _read_touchstone(raw: bytes) -> list[tuple[FileColumn, Real]]:
    """Read a one-port: its impedance is that of the load."""
    touchstone = load_extra("skrf", "touchstone").io.touchstone.Touchstone
    text = StringIO(decode_curve(raw))
    text.name = "load.s1p"  # the library tells the number of ports from the name
    file = touchstone(text)
    frequency, s = file.get_sparameter_arrays()
    if file.rank != 1:
        raise InputError("a load has one port", value=f"{file.rank} ports")
    reference = np.real(np.asarray(file.resistance, dtype=complex)).ravel()[0]
    z = reference * (1.0 + s[:, 0, 0]) / (1.0 - s[:, 0, 0])
    return [
        (FileColumn(meaning="frequency", unit="Hz", text="frequency"), np.asarray(frequency)),
        *_split_complex("impedance", FileColumn(meaning="modulus", quantity="impedance"), z),
    ]


def _split_complex(name: str, column: FileColumn, values: Complex) -> list[tuple[FileColumn, Real]]:
    unit = "" if column.unit == "dB" else column.unit
    parts = (("real", np.real(values)), ("imaginary", np.imag(values)))
    return [
        (
            FileColumn(
                meaning=meaning,  # type: ignore[arg-type]
                unit=unit,
                quantity=column.quantity,
                direction=column.direction,
                text=f"{name} ({meaning})",
            ),
            part,
        )
        for meaning, part in parts
    ]


def _read_matlab(raw: bytes) -> list[tuple[FileColumn, Real]]:
    from scipy.io import loadmat

    found = loadmat(BytesIO(raw), squeeze_me=True, struct_as_record=False)
    arrays: dict[str, Array] = {}
    for name, value in found.items():
        if not name.startswith("__"):
            _gather_struct(name, value, arrays)
    return _name_arrays(arrays)


def _gather_struct(name: str, value: Any, arrays: dict[str, Array]) -> None:
    """Collect arrays, also those in a structure, under the name of their field."""
    fields = getattr(value, "_fieldnames", None)
    if fields is not None:
        for one in fields:
            _gather_struct(one, getattr(value, one), arrays)
    elif np.asarray(value).dtype.kind in "iufc" and len(arrays) < MOST_ARRAYS:
        arrays[name] = np.asarray(value)


def _read_hdf5(raw: bytes) -> list[tuple[FileColumn, Real]]:
    h5py = load_extra("h5py", "HDF5")
    arrays: dict[str, Array] = {}

    def gather(name: str, item: Any) -> None:
        if not isinstance(item, h5py.Dataset) or len(arrays) >= MOST_ARRAYS:
            return
        value = np.asarray(item[()])
        if value.dtype.names is not None and set(value.dtype.names) == {"real", "imag"}:
            value = value["real"] + 1j * value["imag"]
        if value.dtype.kind in "iufc":
            unit = item.attrs.get("units", item.attrs.get("unit", ""))
            unit = unit.decode() if isinstance(unit, bytes) else str(unit)
            arrays[f"{name.rsplit('/', 1)[-1]} [{unit}]" if unit else name.rsplit("/", 1)[-1]] = (
                value
            )

    with h5py.File(BytesIO(raw), "r") as file:
        file.visititems(gather)
    return _name_arrays(arrays)


def _name_arrays(arrays: Mapping[str, Array]) -> list[tuple[FileColumn, Real]]:
    """Make columns of arrays: by their names, one for each angle of those with two axes."""
    flat = {name: np.squeeze(value) for name, value in arrays.items()}
    known = {name: column for name in flat if (column := read_column(name)) is not None}
    frequencies = [
        name
        for name, column in known.items()
        if column.meaning == "frequency" and flat[name].ndim == 1
    ]
    if len(frequencies) != 1:
        raise InputError(
            "one array must be the frequency",
            value=", ".join(flat)[:80] or "no arrays",
            remedy="name the arrays by what they hold, for instance freq_hz, spl_db, phase_deg",
        )
    length = len(flat[frequencies[0]])
    angles = [
        value
        for name, value in flat.items()
        if name in known and known[name].meaning == "angle" and value.ndim == 1
    ]
    columns: list[tuple[FileColumn, Real]] = [
        (known[frequencies[0]], np.asarray(flat[frequencies[0]], dtype=np.float64))
    ]
    for name, value in flat.items():
        column = known.get(name) or _unnamed(name, value)
        if column is None or column.meaning in ("frequency", "angle", "ignored"):
            continue
        for one, values in _along_angles(column, value, length, angles):
            if np.iscomplexobj(values):
                columns += _split_complex(name, one, values)
            else:
                columns.append((replace(one, text=name), np.asarray(values, dtype=np.float64)))
    return columns


def _unnamed(name: str, value: Array) -> FileColumn | None:
    """Take a complex array with a plain name for a transfer function."""
    if np.iscomplexobj(value) and len(name) <= 3:
        return FileColumn(meaning="modulus", text=name)
    return None


def _along_angles(
    column: FileColumn, value: Array, length: int, angles: Sequence[Array]
) -> list[tuple[FileColumn, Array]]:
    if value.ndim == 1 and len(value) == length:
        return [(column, value)]
    if value.ndim != 2 or length not in value.shape:
        return []
    turned = value if value.shape[0] == length else value.T
    fitting = [one for one in angles if len(one) == turned.shape[1]]
    if len(fitting) != 1:
        raise InputError(
            "an array with two axes needs the angles of one of them",
            value=f"{column.text}, {value.shape[0]} by {value.shape[1]}",
            remedy='add an array of angles in degrees, named "angle_deg"',
        )
    return [
        (replace(column, direction=_plane(float(angle), 0.0)), turned[:, index])
        for index, angle in enumerate(fitting[0])
    ]


def _plane(azimuth_deg: float, elevation_deg: float) -> Direction | None:
    """Direction in the horizontal or vertical plane; None outside both."""
    azimuth = (azimuth_deg + 180.0) % 360.0 - 180.0
    if abs(elevation_deg) < _ON_PLANE_DEG:
        turn = 180.0 if azimuth == -180.0 else azimuth
        return Direction(horizontal_deg=round(turn, 3) + 0.0)
    if abs(azimuth) < _ON_PLANE_DEG or abs(elevation_deg) > 90.0 - _ON_PLANE_DEG:
        return Direction(vertical_deg=round(elevation_deg, 3))
    if abs(abs(azimuth) - 180.0) < _ON_PLANE_DEG:
        return Direction(vertical_deg=round(math.copysign(180.0, elevation_deg) - elevation_deg, 3))
    return None


@dataclass(frozen=True, slots=True)
class _Sphere:
    """What a SOFA file holds: data by direction, shape (A, N)."""

    directions: tuple[Direction | None, ...]
    data: Array
    axis: Array
    rate: float | None


def _open_sofa(path: Path, wanted: WantedCurve, gate_s: float | None) -> MeasuredCurve:
    """Read one direction of the standard AES69: of a transfer function or an impulse response."""
    if wanted.quantity == "impedance":
        raise InputError("a SOFA file holds responses, not an impedance")
    sphere = _read_sofa(
        load_extra("sofar", "SOFA").read_sofa(str(path), verify=False, verbose=False)
    )
    there = wanted.direction or ON_AXIS
    if there not in sphere.directions:
        known = [str(one) for one in sphere.directions if one is not None]
        raise InputError(
            "the file holds no curve in this direction",
            value=str(there),
            remedy=f"it has {', '.join(known[:20])}",
        )
    beside = tuple(("pressure", one) for one in dict.fromkeys(sphere.directions) if one is not None)
    values = sphere.data[sphere.directions.index(there)]
    if sphere.rate is None:
        inside = sphere.axis > 0.0
        curve = _build(
            "SOFA",
            [
                (FileColumn(meaning="frequency", unit="Hz", text="N"), sphere.axis[inside]),
                *_split_complex("data", FileColumn(meaning="modulus", quantity="pressure"),
                                values[inside]),
            ],
            replace(wanted, quantity="pressure", direction=None),
        )  # fmt: skip
    else:
        if gate_s is None:
            gate_s = shared_gate([row for row in sphere.data if np.any(row)], sphere.rate)
        curve = transform_impulse(values, sphere.rate, gate_s=gate_s, kind="SOFA")
        curve = replace(curve, because=("contents say response (impulse response)",))
    return replace(curve, beside=beside)  # type: ignore[arg-type]


def shared_gate(responses: Sequence[Real], rate: float) -> float:
    """Give the one gate for all directions: up to the earliest reflection in any of them."""
    return min(find_gate(row, rate)[0] for row in responses)


def _read_sofa(file: Any) -> _Sphere:
    has_ir = hasattr(file, "Data_IR")
    data = np.asarray(file.Data_IR if has_ir else file.Data_Real + 1j * file.Data_Imag)
    if data.ndim == 4 and data.shape[3] == 1:  # one emitter
        data = data[..., 0]
    if data.ndim != 3 or min(data.shape[:2]) > 1:
        raise InputError(
            "the responses of a SOFA file are those of one source to microphones around it",
            value=" by ".join(str(size) for size in data.shape),
            remedy="export the curves as text: frequency, level, phase",
        )
    values = data.reshape(-1, data.shape[2])
    directions = _find_directions(file, len(values))
    rate = float(np.ravel(file.Data_SamplingRate)[0]) if has_ir else None
    axis = np.arange(values.shape[1]) if has_ir else np.ravel(file.N)
    return _Sphere(directions, values, np.asarray(axis, dtype=np.float64), rate)


def _find_directions(file: Any, count: int) -> tuple[Direction | None, ...]:
    """Directions from the source to the microphones, seen from its front.

    Receivers stand where the standard puts them: relative to the listener. Azimuth runs
    counterclockwise from above, which is to the right as the listener sees the source.
    """
    view = _cartesian(file, "SourceView")
    if (
        len(view)
        and np.abs(view / np.linalg.norm(view, axis=1, keepdims=True) - (1, 0, 0)).max() > 0.01
    ):
        raise InputError(
            "the source of a SOFA file must look along its first axis",
            value=str(view[0].round(3).tolist()),
            remedy="export it with the microphone turned around the source, or as text",
        )
    listener, receiver = _cartesian(file, "ListenerPosition"), _cartesian(file, "ReceiverPosition")
    source = _cartesian(file, "SourcePosition")
    if len(source) > 1 and np.ptp(source, axis=0).max() > 1e-6:
        raise InputError("the source of a SOFA file must stay where it is")
    place = np.zeros((1, 3))
    for part in (listener, receiver, -source[:1]):
        place = place + part if len(part) else place
    directions = [_plane(azimuth, elevation) for azimuth, elevation in _angles_of(place)]
    known = [one for one in directions if one is not None]
    if len(directions) != count or len(set(known)) < len(known):
        raise InputError(
            "each response of a SOFA file needs a position of its own",
            value=f"{len(set(known))} directions for {count} responses",
            remedy="export the curves as text: frequency, level, phase",
        )
    return tuple(directions)


def _angles_of(place: Real) -> list[tuple[float, float]]:
    """Azimuth and elevation in degrees."""
    across = np.hypot(place[:, 0], place[:, 1])
    azimuth = np.degrees(np.arctan2(place[:, 1], place[:, 0]))
    elevation = np.degrees(np.arctan2(place[:, 2], across))
    return [(float(one), float(other)) for one, other in zip(azimuth, elevation, strict=True)]


def _cartesian(file: Any, name: str) -> Real:
    """Positions or views in metres, shape (A, 3); empty where the file has none."""
    place = np.asarray(getattr(file, name, np.zeros((0, 3))), dtype=np.float64)
    place = np.atleast_2d(place[..., 0] if place.ndim == 3 else place)
    if not str(getattr(file, f"{name}_Type", "")).lower().startswith("spherical"):
        return place
    azimuth, elevation = np.radians(place[:, 0]), np.radians(place[:, 1])
    unit = (
        np.cos(azimuth) * np.cos(elevation),
        np.sin(azimuth) * np.cos(elevation),
        np.sin(elevation),
    )
    return np.stack(unit, axis=1) * place[:, 2:]
