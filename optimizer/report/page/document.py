"""Documents as HTML that prints on A4."""

from __future__ import annotations

from optimizer.report.document import Document, Listing, Note, Picture, Table
from optimizer.report.page.render import fill_template, mark_safe, read_asset

_KINDS = {Table: "table", Listing: "listing", Note: "note", Picture: "picture"}


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
            svg = mark_safe(_inline(part.svg)) if isinstance(part, Picture) else ""
            parts.append({"kind": kind, "part": part, "svg": svg})
        sections.append({"title": section.title, "parts": parts})
    return fill_template("document.html", document=document, sections=sections,
                         style=mark_safe(read_asset("base.css") + read_asset("document.css")))


def _inline(svg: str) -> str:
    """Leave out what only a file of its own needs: declaration, style and white ground."""
    start = svg.index("<svg")
    style, end = svg.find("<style>"), svg.find("<path")
    return svg[start:style] + svg[end:] if 0 <= style < end else svg[start:]
