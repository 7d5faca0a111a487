"""Documents as pages: one file with everything in it, for a browser, a phone and A4."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.util import find_spec
from itertools import groupby
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from optimizer.errors import InputError
from optimizer.report.charts.svg import draw_plot
from optimizer.report.document import (
    Aside,
    Beside,
    Cell,
    Chart,
    Choice,
    Document,
    Graphs,
    Passage,
    Picture,
    Section,
    Table,
)
from optimizer.text.quoting import make_printable, quote_css

_ENGINE = ("bokeh.min.js", "bokeh-api.min.js")


def render_html(document: Document) -> str:
    """Write a document as one HTML file.

    Parameters
    ----------
    document : Document
        The document.

    Returns
    -------
    str
        Self-contained; light and dark on a screen, black on white in print. Every text is
        escaped; only drawings and scripts of our own are not.
    """
    sections = document.page_sections()
    lead = [part for s in sections if s.key == "lead" for part in s.parts]
    others = [s for s in sections if s.key != "lead"]
    numbers = None if document.numbers is None else document.numbers()
    charts = None if numbers is None else _prepare_charts(numbers, _list_scripts(numbers))
    styles = ["base.css", "graph.css", *(["charts.css"] if charts else [])]
    styles.append("candidates.css" if document.picks else "document.css")
    return _fill(
        "page.html",
        document=document,
        picks=document.picks,
        first=next((s.key for s in others if s.key), ""),
        lead=[_prepare(part) for part in lead],
        sections=_prepare_sections(others),
        charts=charts,
        style=_mark_safe("".join(map(_read_asset, styles)) + _put_at_foot(document.footer)),
    )


def _put_at_foot(say: Callable[[], str] | None) -> str:
    """Put a text at the foot of what is printed."""
    return "" if say is None else f"@page {{ @bottom-left {{ content: {quote_css(say())}; }} }}\n"


def render_passages(parts: Sequence[Passage]) -> str:
    """Write parts of a document as HTML for a page that stands already; every text is escaped."""
    return _fill("passages.html", parts=[_prepare(part) for part in parts])


def render_turning(
    *,
    title: str,
    design_name: str,
    listed: Sequence[Chart],
    numbers: Mapping[str, Any],
    cautions: Sequence[str],
    footer: Callable[[], str],
) -> str:
    """Write the page on which the values of a network are turned.

    Parameters
    ----------
    title : str
        The speaker.
    design_name : str
        The design file, as the user gave it.
    listed : sequence of Chart
        What is drawn below the charts of the first screen.
    numbers : mapping
        What charts draw, and under "answer" what else is shown at first.
    cautions : sequence of str
        To be read before listening.
    footer : callable
        Says what stands at the foot of what is printed.
    """
    styles = ("base.css", "graph.css", "charts.css", "turning.css")
    return _fill(
        "turning.html",
        title=title,
        design_name=design_name,
        charts_listed=listed,
        cautions=cautions,
        charts=_prepare_charts(numbers, ("charts.js", "start.js", "candidates.js", "turning.js")),
        style=_mark_safe("".join(map(_read_asset, styles)) + _put_at_foot(footer)),
    )


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


def _prepare_sections(sections: Sequence[Section]) -> list[SimpleNamespace]:
    """Return what the template reads of sections; of those with one key the first has the id."""
    seen = {""}
    prepared = []
    for section in sections:
        prepared.append(
            SimpleNamespace(
                key="" if section.key in seen else section.key,
                heading=section.page_title or section.title,
                parts=[_prepare(part) for part in section.parts],
            )
        )
        seen.add(section.key)
    return prepared


def _prepare(part: Passage) -> SimpleNamespace:
    """Return what the template reads of a part."""
    kind = type(part).__name__
    if isinstance(part, Table):
        return _prepare_table(part)
    if isinstance(part, Picture):
        return SimpleNamespace(
            kind=kind,
            title=part.title,
            caption=part.caption,
            svg=_mark_safe(part.svg()),
            scale=part.print_scale,
        )
    if isinstance(part, Graphs):
        return SimpleNamespace(
            kind=kind,
            items=[
                SimpleNamespace(title=one.title, text=one.text, svg=_mark_safe(draw_plot(one)))
                for one in part.items
            ],
        )
    if isinstance(part, Choice):
        return SimpleNamespace(
            kind=kind, items=[[_prepare(one) for one in item] for item in part.items]
        )
    if isinstance(part, Beside):
        return SimpleNamespace(
            kind=kind, columns=[[_prepare(one) for one in column] for column in part.columns]
        )
    if isinstance(part, Aside):
        return SimpleNamespace(
            kind=kind, title=part.title, parts=[_prepare(one) for one in part.parts]
        )
    names = [name for name in dir(part) if not name.startswith("_")]
    return SimpleNamespace(kind=kind, **{name: getattr(part, name) for name in names})


def _prepare_table(table: Table) -> SimpleNamespace:
    """Return heads and cells with their classes; columns of a comparison can be picked."""
    picked = table.key == "compare"
    heads = [
        SimpleNamespace(
            text=head.replace("\n", " "),
            look=_look(table, k, ""),
            pick=k - table.fixed if picked and k >= table.fixed else None,
        )
        for k, head in enumerate(table.heads)
    ]
    rows = []
    gap = False
    for row in table.full_rows():
        if not row:
            gap = True
            continue
        cells = [_prepare_cell(table, k, cell) for k, cell in enumerate(row)]
        rows.append(SimpleNamespace(cells=cells, look="gap" if gap else ""))
        gap = False
    return SimpleNamespace(
        kind="Table", key=table.key, label="", heads=heads if table.headed else [], rows=rows
    )


def _prepare_cell(table: Table, k: int, cell: Cell) -> SimpleNamespace:
    compared = table.key == "compare" and k >= table.fixed
    return SimpleNamespace(
        text=cell.text.strip(),
        small=cell.small,
        strong="strong" in cell.tone,
        box=cell.tone == "box",
        heads=k == 0 and bool(table.key),
        look=_look(table, k, cell.tone),
        pick=k - table.fixed if compared else None,
    )


def _look(table: Table, k: int, tone: str) -> str:
    """Classes of a cell: its side, and its tone where that is more than bold."""
    words = ["r"] if table.align[k] == "r" else []
    if table.key == "compare" and k == 1:
        words.append("unit")
    words += [{"bad": "broken"}.get(t, t) for t in tone.split(", ") if t in ("best", "bad", "soft")]
    return " ".join(words)


def _list_scripts(numbers: Mapping[str, Any]) -> list[str]:
    scripts = ["charts.js", "start.js"]
    if "candidates" in numbers:
        scripts.append("candidates.js")
    if "drivers" in numbers:
        scripts.append("survey.js")
    return scripts


def _prepare_charts(numbers: Mapping[str, Any], scripts: Sequence[str]) -> SimpleNamespace:
    """Numbers, library and scripts of a page with charts."""
    script = "".join(map(_read_asset, scripts)) + "startPage(SPECS);\n"
    return SimpleNamespace(
        data=_mark_safe(_to_script(numbers)),
        engine=_mark_safe(read_engine()),
        script=_mark_safe(script),
    )


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

    return Environment(
        loader=PackageLoader("optimizer.report.render", "page"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        finalize=lambda value: make_printable(value) if type(value) is str else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _read_asset(name: str) -> str:
    """Read a style or script file of the page's folder."""
    return (files("optimizer.report.render") / "page" / name).read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True, kw_only=True)
class PageChapter:
    """A chapter as the page of a guide has it.

    Parameters
    ----------
    name, title : str
        By which it is linked to, and its heading.
    group : str
        What it is called together with its neighbours.
    parts : sequence of str or Passage
        Markdown and passages. Links between chapters are ``#name`` and ``#name--section``.
    """

    name: str
    title: str
    group: str
    parts: Sequence[str | Passage]


def render_guide(chapters: Sequence[PageChapter], name_section: Callable[[str], str]) -> str:
    """Write chapters of the guide as one HTML file that needs no network.

    Parameters
    ----------
    chapters : sequence of PageChapter
        In their order, those of a group together.
    name_section : callable
        Makes the name of a section of its heading.

    Returns
    -------
    str
        What stands in a chapter as HTML is text there.
    """
    bodies = {
        chapter.name: [
            _mark_safe(
                _render_prose(part, chapter.name, name_section)
                if isinstance(part, str)
                else render_passages([part])
            )
            for part in chapter.parts
        ]
        for chapter in chapters
    }
    return _fill(
        "guide.html",
        groups=[(said, list(found)) for said, found in groupby(chapters, key=lambda c: c.group)],
        bodies=bodies,
        style=_mark_safe("".join(map(_read_asset, ("base.css", "graph.css", "guide.css")))),
    )


def _render_prose(text: str, chapter: str, name_section: Callable[[str], str]) -> str:
    """Write Markdown of a chapter as HTML.

    Headings stand one level below that of the page and can be linked to, and keys scroll what is wider
    than the page.
    """
    from markdown_it import MarkdownIt

    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = markdown.parse(text)
    within = ""
    for k, token in enumerate(tokens):
        if token.type in ("heading_open", "heading_close"):
            level = int(token.tag[1])
            token.tag = f"h{level + 1}"
            if token.type == "heading_open" and level == 2:
                within = tokens[k + 1].content
                token.attrSet("id", f"{chapter}--{name_section(within)}")
        elif token.type == "table_open":
            token.attrSet("aria-label", within or "table")
    html = str(markdown.renderer.render(tokens, markdown.options, {}))
    # Elements that a chapter writes itself are escaped: these are Markdown's.
    html = re.sub(
        r'<table aria-label="([^"]*)">',
        r'<div class="scroll" tabindex="0" role="group" aria-label="\1"><table>',
        html,
    )
    html = html.replace("</table>", "</table></div>").replace("<th></th>", "<td></td>")
    return html.replace("<pre>", '<pre tabindex="0">')


def _fill(template: str, **values: Any) -> str:
    return str(_environment().get_template(template).render(**values))


def _mark_safe(text: str) -> Any:
    """Mark text of our own making as HTML or SVG that is not to be escaped."""
    from markupsafe import Markup

    return Markup(text)


def _to_script(data: Mapping[str, Any]) -> str:
    """Write data as JSON that may stand inside a script element."""
    text = json.dumps(data, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    # Neither a closing tag nor a comment may begin inside the element.
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
