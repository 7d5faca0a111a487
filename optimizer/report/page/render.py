"""Fill a template of this folder; nothing a page needs lies outside the file that is written."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    return Environment(
        loader=PackageLoader("optimizer.report", "page"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )


def read_asset(name: str) -> str:
    """Read a style or script file of this folder."""
    return (files("optimizer.report") / "page" / name).read_text(encoding="utf-8")


def fill_template(name: str, **values: Any) -> str:
    """Fill a template.

    Parameters
    ----------
    name : str
        File in this folder.
    **values : object
        What the template uses; every text is escaped, SVG of our own is passed as `Markup`.

    Returns
    -------
    str
    """
    return str(_environment().get_template(name).render(**values))


def mark_safe(text: str) -> Any:
    """Mark text of our own making as HTML or SVG that is not to be escaped."""
    from markupsafe import Markup

    return Markup(text)
