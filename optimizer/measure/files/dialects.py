"""Measured files as other distributions read them; see `optimizer.plugins`.

A dialect is a function of the name and the bytes of a file. It returns the same curve as text, in
columns with headings that say what they are ("frequency Hz, level dB, phase deg"), or None where the
file is none of its own. That text is read like any other, so all that is checked of a file is
checked, and no dialect can bring in what the other readers would refuse.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from optimizer import plugins
from optimizer.errors import InputError


@cache
def list_dialects() -> tuple[plugins.Plugin, ...]:
    """List the dialects of plug-ins, by name."""
    return tuple(
        plugins.load_plugins(
            plugins.DIALECT_GROUP, lambda value: "" if callable(value) else "it is no function"
        )
    )


def translate(path: Path, raw: bytes) -> tuple[str, str]:
    """Have a file read by the first dialect that knows it.

    Parameters
    ----------
    path : Path
        Its name.
    raw : bytes
        What it holds.

    Returns
    -------
    text, told : str
        The curve as text, and by which plug-in; both empty where none knows it.

    Raises
    ------
    InputError
        A plug-in fails at it, or returns no text.
    """
    for plugin in list_dialects():
        told = f"{plugin.name} of {plugin.origin}"
        try:
            text = plugin.value(path.name, raw)
        except InputError:
            raise
        except Exception as error:
            raise _fail(told, f"{type(error).__name__}: {error}") from error
        if text is None:
            continue
        if not isinstance(text, str):
            raise _fail(told, f"it returned a {type(text).__name__} instead of text")
        return text, told
    return "", ""


def _fail(told: str, why: str) -> InputError:
    return InputError(
        f"the plug-in {told} failed at this file ({why})",
        remedy="update or remove that plug-in, or export the curve as text",
    )
