"""A target of a goal: a file of another speaker, or points."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer.errors import InputError
from optimizer.goals.target import TargetCurve
from optimizer.measure.curves.band import smooth_energy
from optimizer.measure.files.open import open_curve
from optimizer.text.keys import FileForm, Key, KeyBlock, OwnForm
from optimizer.text.units import parse_quantity
from optimizer.text.yamltext import Entry

FILE_PER_OCTAVE = 48
"""Points per octave that a file is put on before it is smoothed."""

DEFAULT_SMOOTHING = 1.0 / 3.0
"""Octaves: the balance of a speaker, not its single resonances."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetChoice:
    """Where a target comes from: one of file and points.

    Parameters
    ----------
    file : Path or None
        A response of another speaker.
    smoothing : float
        Width in octaves that it is averaged over as energy; 0 for none.
    points : TargetCurve or None
        Drawn by hand.
    """

    file: Path | None = None
    smoothing: float = DEFAULT_SMOOTHING
    points: TargetCurve | None = None


_SHARE = re.compile(r"1\s*/\s*(\d{1,2})(\s*oct(ave)?)?|1\s*oct(ave)?")


def _read_smoothing(entry: Entry) -> float:
    """Read a share of an octave: "1/3 octave", or "none"."""
    if entry.is_off or entry.text().strip() == "none":
        return 0.0
    match = _SHARE.fullmatch(entry.text().strip())
    share = 1.0 / float(match[1] or 1) if match and match[1] != "0" else 0.0
    if not 1.0 / 48.0 <= share <= 1.0:
        raise entry.error(
            "smoothing is a share of an octave from 1/48 to 1, or none", value=repr(entry.text()),
            remedy='write for instance "1/3 octave"',
        )  # fmt: skip
    return share


def _read_points(entry: Entry) -> TargetCurve:
    points = []
    for text, inner in entry.fields().items():
        try:
            points.append((parse_quantity(text, "Hz"), inner.quantity("dB")))
        except InputError as error:
            raise inner.where.locate(error) from None
    try:
        return TargetCurve.through(points)
    except InputError as error:
        raise entry.where.locate(error) from None


TARGET_KEYS = KeyBlock(
    noun=TargetChoice,
    keys=(
        Key(
            name="file", form=FileForm(), example="reference.txt",
            meaning="response of another speaker whose balance is wanted; its level does not matter",
        ),
        Key(
            name="smoothing", form=OwnForm("share of an octave, or none", _read_smoothing),
            example="1/3 octave",
            meaning="width that the file is averaged over as energy; 1/3 octave when not written",
        ),
        Key(
            name="points", form=OwnForm("levels by frequency", _read_points),
            example="{100: 3 dB, 1k: 0 dB, 10k: -3 dB}",
            meaning="or a curve drawn by points, straight in dB over the logarithm of frequency",
        ),
    ),
)  # fmt: skip
"""What a curve is wanted to look like."""


def read_target(entry: Entry) -> TargetCurve:
    """Read a target; a file is opened here, as goals are values.

    Raises
    ------
    InputError
        With the line: neither file nor points or both, a file that cannot be read or is no response,
        points that are none.
    """
    if not entry.is_mapping:
        return _load(entry, TargetChoice(file=FileForm().read(entry)))
    choice = TARGET_KEYS.read(entry)
    if (choice.file is None) == (choice.points is None):
        raise entry.error(
            "a target is a file or a curve through points",
            value="neither" if choice.file is None else "both",
            remedy='write "target: {file: reference.txt}" or "target: {points: {100: 3 dB, 1k: 0 dB}}"',
        )
    if choice.points is not None:
        if "smoothing" in entry.fields():
            raise entry.fields()["smoothing"].error(
                "points are not smoothed", remedy='remove "smoothing"'
            )
        return choice.points
    return _load(entry, choice)


def _load(entry: Entry, choice: TargetChoice) -> TargetCurve:
    """Make the target of a file: resampled, smoothed, from the end of its gate up."""
    assert choice.file is not None  # one of both is there
    if not choice.file.is_file():
        raise entry.error(
            "the file of a target must exist", value=choice.file,
            remedy="check its name; it is relative to the folder of the design file",
        )  # fmt: skip
    try:
        curve = open_curve(choice.file, "pressure")
    except InputError as error:
        raise entry.where.locate(error) from None
    f = curve.frequency_hz
    low, high = max(float(f[0]), 1.0 / (curve.gate_s or np.inf)), float(f[-1])
    if high < 2.0 * low:
        raise entry.error("the file of a target covers at least an octave", value=choice.file.name)
    count = int(FILE_PER_OCTAVE * np.log2(high / low)) + 1
    grid = low * 2.0 ** (np.arange(count) / FILE_PER_OCTAVE)
    level = 20.0 * np.log10(np.maximum(np.abs(curve.value), 1e-12))
    shape = np.interp(np.log(grid), np.log(f), level)
    if choice.smoothing:
        shape = smooth_energy(shape, choice.smoothing * FILE_PER_OCTAVE)
    said = (
        f"smoothed over 1/{1.0 / choice.smoothing:.0f} octave"
        if choice.smoothing
        else "not smoothed"
    )
    try:
        return TargetCurve(
            tuple(grid.tolist()), tuple(shape.tolist()), f"{choice.file.name}, {said}"
        )
    except InputError as error:
        raise entry.where.locate(error) from None
