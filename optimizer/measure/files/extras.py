"""Libraries that only some kinds of files need, imported when one is opened."""

from __future__ import annotations

import importlib
from typing import Any

from optimizer.errors import InputError


def load_extra(module: str, kind: str) -> Any:
    """Import a library that reads a kind of file.

    Parameters
    ----------
    module : str
        Its name.
    kind : str
        What it is needed for, for the user.

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
            remedy='install it with the extra "formats", or export the curve as text',
        ) from None
