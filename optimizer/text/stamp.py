"""When something was written and by which version: what every lasting file says of itself."""

from __future__ import annotations

import time
from datetime import UTC, datetime

DATE_FORM = "%Y-%m-%dT%H:%M:%SZ"
"""Coordinated universal time as ISO 8601 writes it, to the second."""


def tell_date() -> str:
    """Tell the date and time now ("2026-11-27T04:12:03Z")."""
    return time.strftime(DATE_FORM, time.gmtime())


def is_date(text: str) -> bool:
    """Whether a text is a date as `tell_date` writes it."""
    try:
        datetime.strptime(text, DATE_FORM).replace(tzinfo=UTC)
    except ValueError:
        return False
    return True


def say_date(date: str) -> str:
    """Say a date for a reader ("2026-11-27 04:12 UTC"); as it stands where it is none."""
    return f"{date[:10]} {date[11:16]} UTC" if is_date(date) else date


def tell_version() -> str:
    """Tell the version of the program; empty where it runs from its source folder."""
    # Package metadata is slow to read: imported by those who ask.
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("laddersmith")
    except PackageNotFoundError:
        return ""
