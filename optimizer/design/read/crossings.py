"""Where ways may meet: `cross: {woofer to tweeter: 1.3k .. 2.6k}`."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.goals import CrossoverRange
from optimizer.text.yamltext import Entry, suggest

HARD = "hard"
BETWEEN = " to "


def read_crossings(
    entry: Entry | None, ways: Sequence[str]
) -> tuple[tuple[CrossoverRange, ...], bool]:
    """Read the ranges in which ways may meet.

    Parameters
    ----------
    entry : Entry or None
        The block: a range for each pair, "LOWER to UPPER", and whether they must be kept.
    ways : sequence of str
        Names of all ways.

    Returns
    -------
    ranges : tuple of CrossoverRange
    hard : bool
        Whether no network outside is of use.

    Raises
    ------
    InputError
        With the line: a pair that cannot be read, an unknown way, a pair that stands twice.
    """
    if entry is None:
        return (), False
    fields = entry.fields()
    hard = fields.pop(HARD).flag() if HARD in fields else False
    found: dict[frozenset[str], CrossoverRange] = {}
    for text, inner in fields.items():
        lower, upper = _read_pair(text, inner, ways)
        low, high = inner.range("Hz", above=0.0)
        pair = frozenset((lower, upper))
        if pair in found:
            raise inner.error(
                "two ways meet once", value=repr(text), remedy="keep one of the lines"
            )
        found[pair] = CrossoverRange(lower=lower, upper=upper, low_hz=low, high_hz=high)
    return tuple(found.values()), hard


def _read_pair(text: str, entry: Entry, ways: Sequence[str]) -> tuple[str, str]:
    """Split at the " to " that has a way on either side."""
    halves = text.split(BETWEEN)
    splits = [
        (BETWEEN.join(halves[:k]).strip(), BETWEEN.join(halves[k:]).strip())
        for k in range(1, len(halves))
    ]
    for lower, upper in splits:
        if lower in ways and upper in ways and lower != upper:
            return lower, upper
    example = f'"{ways[0]} to {ways[1]}: 1.3k .. 2.6k"' if len(ways) > 1 else ""
    unknown = next((name for name in splits[0] if name not in ways), "") if splits else ""
    raise entry.error(
        "two ways are named by which one is the lower and which the upper",
        value=repr(text),
        remedy=suggest(unknown, ways) if unknown else f"write for instance {example}".rstrip(),
    )
