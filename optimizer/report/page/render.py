"""Fill a template of this folder; nothing a page needs lies outside the file that is written."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from optimizer.errors import InputError

_ENGINE = ("bokeh.min.js", "bokeh-api.min.js")


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    return Environment(
        loader=PackageLoader("optimizer.report", "page"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
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


def read_engine() -> str:
    """Read the chart library's scripts from its installed package.

    Returns
    -------
    str
        Scripts that may stand inside a script element.

    Raises
    ------
    InputError
        When the package is not installed, or lacks them.
    """
    spec = find_spec("bokeh")
    folders = list(spec.submodule_search_locations or ()) if spec else []
    texts = []
    for name in _ENGINE:
        paths = [Path(folder) / "server" / "static" / "js" / name for folder in folders]
        found = next((path for path in paths if path.is_file()), None)
        if found is None:
            raise InputError(
                "a page needs the chart library bokeh",
                value=f"no {name}",
                remedy="install it: pip install bokeh",
            )
        texts.append(found.read_text(encoding="utf-8"))
    # The scripts end in a reference to a map that does not come along.
    text = re.sub(r"//# sourceMappingURL=\S+", "", "\n".join(texts))
    return re.sub(r"</(script)", r"<\\/\1", text, flags=re.IGNORECASE)


def to_script(data: Mapping[str, Any]) -> str:
    """Write data as JSON that may stand inside a script element."""
    text = json.dumps(data, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    # Neither a closing tag nor a comment may begin inside the element.
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
