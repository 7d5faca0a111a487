"""Short forms of values for the interactive prompt and the notebook: one line, one small table."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

from optimizer.text.quoting import quote_markup

LONGEST = 240
"""Characters of the longest short form; what is longer ends in three dots."""

_LONGEST_TEXT = 40
_MOST_ITEMS = 3


def brief(value: object) -> str:
    """Say in one line what a frozen dataclass holds; use it as its ``__repr__``.

    Parameters
    ----------
    value : dataclass instance
        Any of the package's nouns.

    Returns
    -------
    str
        At most `LONGEST` characters. Numbers have four digits, arrays are told by their shape,
        other nouns by their name, long sequences by their length.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass(frozen=True)
    ... class Reading:
    ...     ohm: float
    ...     peaks: tuple[float, ...]
    ...     __repr__ = brief
    >>> Reading(5.61234, (1.0, 2.0, 3.0, 4.0))
    <Reading ohm=5.612, peaks=4 x float>
    """
    shown = ", ".join(
        f"{field.name}={_say(getattr(value, field.name))}"
        for field in fields(value)  # type: ignore[arg-type]
        if field.repr
    )
    return clip(f"<{type(value).__name__} {shown}".rstrip() + ">")


def clip(text: str, longest: int = LONGEST) -> str:
    """Cut a line that is too long; its closing bracket stays."""
    if len(text) <= longest:
        return text
    return text[: longest - 4].rstrip() + "..." + (">" if text.endswith(">") else "")


def html_table(caption: str, headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write a small table for a notebook; every text is escaped.

    Parameters
    ----------
    caption : str
        Stands above it.
    headings : sequence of str
        One per column; none at all leaves the head out.
    rows : iterable of sequence
        Cells; numbers get four digits and stand to the right, None is left empty.

    Returns
    -------
    str
        One ``<table>`` element.
    """
    head = "".join(f"<th>{quote_markup(heading)}</th>" for heading in headings)
    body = "".join("<tr>" + "".join(_cell(cell) for cell in row) + "</tr>" for row in rows)
    return (
        f"<table><caption>{quote_markup(caption)}</caption>"
        + (f"<thead><tr>{head}</tr></thead>" if head else "")
        + f"<tbody>{body}</tbody></table>"
    )


def _cell(value: object) -> str:
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return f'<td style="text-align:left">{quote_markup(_plain(value))}</td>'
    return f'<td style="text-align:right">{quote_markup(_plain(value))}</td>'


def _plain(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _say(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.4g}" if math.isfinite(value) else str(value)
    if isinstance(value, str):
        return repr(clip(value, _LONGEST_TEXT))
    if hasattr(value, "shape") and hasattr(value, "dtype"):
        return f"{value.dtype}{list(value.shape)}" if value.shape else f"{value:.4g}"
    if isinstance(value, Mapping):
        return "{" + clip(", ".join(map(str, value)), _LONGEST_TEXT) + "}"
    if isinstance(value, (tuple, list)):
        if len(value) > _MOST_ITEMS or any(is_dataclass(item) for item in value):
            kinds = {type(item).__name__ for item in value}
            return f"{len(value)} x {kinds.pop() if len(kinds) == 1 else 'item'}"
        inner = ", ".join(map(_say, value))
        return f"({inner})" if isinstance(value, tuple) else f"[{inner}]"
    if is_dataclass(value):
        return f"<{type(value).__name__}>"
    return clip(repr(value), _LONGEST_TEXT)
