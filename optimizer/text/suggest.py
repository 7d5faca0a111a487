"""Which known word a mistaken one probably means."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def suggest(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant, or list them."""
    words = list(known)
    close = difflib.get_close_matches(word.lower(), [known.lower() for known in words], 1, 0.6)
    if close:
        meant = next(known for known in words if known.lower() == close[0])
        return f'did you mean "{meant}"?'
    listed = f"known here: {', '.join(words)}"
    if word[:1].isdigit():
        listed += "; put a value with a decimal comma into quotes"
    return listed
