"""Documents as HTML that prints on A4."""

from __future__ import annotations

from typing import Any

from optimizer.report.document import Charts, Document, Listing, Note, Picture, Table
from optimizer.report.page.render import (
    fill_template,
    mark_safe,
    read_asset,
    read_engine,
    to_script,
)

_KINDS = {Table: "table", Listing: "listing", Note: "note", Picture: "picture", Charts: "charts"}


def render_html(document: Document) -> str:
    """Write a document as one HTML file.

    Parameters
    ----------
    document : Document
        The document.

    Returns
    -------
    str
        Self-contained; light and dark on a screen, black on white in print.
    """
    sections = []
    for section in document.sections:
        parts = []
        for part in section.parts:
            kind = _KINDS[type(part)]
            svg = narrow = ""
            if isinstance(part, Picture):
                svg, narrow = (
                    mark_safe(_inline(one)) if one else "" for one in (part.svg, part.narrow)
                )
            parts.append({"kind": kind, "part": part, "svg": svg, "narrow": narrow})
        sections.append({"title": section.title, "parts": parts})
    charts = _prepare_charts(document)
    styles = ("base.css", "charts.css", "document.css") if charts else ("base.css", "document.css")
    return fill_template(
        "document.html",
        document=document,
        sections=sections,
        charts=charts,
        style=mark_safe("".join(map(read_asset, styles))),
    )


def _prepare_charts(document: Document) -> dict[str, Any] | None:
    """Numbers, library and scripts of a document with charts; the survey's are the only ones."""
    if document.numbers is None:
        return None
    scripts = ("charts.js", "start.js", "survey.js")
    return {
        "data": mark_safe(to_script(document.numbers)),
        "engine": mark_safe(read_engine()),
        "script": mark_safe("".join(map(read_asset, scripts))),
    }


def _inline(svg: str) -> str:
    """Leave out what only a file of its own needs: declaration, style and white ground."""
    start = svg.index("<svg")
    style, end = svg.find("<style>"), svg.find("<path")
    return svg[start:style] + svg[end:] if 0 <= style < end else svg[start:]
