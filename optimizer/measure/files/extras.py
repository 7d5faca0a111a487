"""Libraries that only some kinds of files need, imported when one is opened."""

from __future__ import annotations

import importlib
from typing import Any

from optimizer.errors import InputError

_OTHERWISE = {"formats": ", or export the curve as text"}


def load_extra(module: str, kind: str, *, extra: str = "formats") -> Any:
    """Import a library that reads a kind of file.

    Parameters
    ----------
    module : str
        Its name.
    kind : str
        What it is needed for, for the user.
    extra : str
        Extra of this package that brings it.

    Returns
    -------
    module

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        return importlib.import_module(module)
    except ImportError:
        raise InputError(
            f"reading {kind} needs the library {module}, which is not installed",
            remedy=f'install it with the extra "{extra}"{_OTHERWISE.get(extra, "")}',
        ) from None
