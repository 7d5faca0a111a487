"""One document per verb, said by every renderer; one table of columns, read by every comparison."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import optimizer as ls
from optimizer.bench.check import compare_networks
from optimizer.bench.voice.wish_goals import MoveLimits
from optimizer.bench.voice.wishes import parse_wish, read_words
from optimizer.measure.survey.nouns import Survey
from optimizer.problem.candidate import Candidate, SearchResult
from optimizer.problem.problem import Problem
from optimizer.problem.provenance import Change, Provenance
from optimizer.report.charts.plot import Plot
from optimizer.report.columns import COLUMNS, LESS, MORE, Column, list_columns, with_column
from optimizer.report.document import (
    Charts,
    Document,
    Graphs,
    Heading,
    Item,
    Listing,
    Note,
    OnPage,
    Passage,
    Picture,
    Remarks,
    Section,
    Table,
)
from optimizer.report.documents.changed import warn_changed
from optimizer.report.documents.check import document_check
from optimizer.report.documents.fit import document_fit
from optimizer.report.documents.sheet import document_sheet
from optimizer.report.documents.survey import document_survey
from optimizer.report.documents.trade import document_trade
from optimizer.report.documents.verify import document_verify, plot_deviation
from optimizer.report.documents.voice import document_voice
from optimizer.report.render.html import render_html
from optimizer.report.render.json import candidate_to_json, render_json
from optimizer.report.render.markdown import render_markdown
from optimizer.report.render.terminal import print_text
from optimizer.search.fit import search
from optimizer.search.trade.result import TradePoint, TradeResult
from tests.conftest import cases

pytestmark = pytest.mark.slow

VERBS = ("fit", "start", "trade", "check", "voice", "verify", "sheet", "survey")
COMPARING = ("fit", "start", "trade", "check", "voice")


@pytest.fixture(scope="module")
def problem(coarse_demo_problem: Problem) -> Problem:
    return coarse_demo_problem


@pytest.fixture(scope="module")
def found(problem: Problem) -> SearchResult:
    """Networks of the demo after one round; how good they are does not matter here."""
    result = search(problem, seconds=None, evaluations=600, seed=1, top=3)
    assert len(result.candidates) == 3
    return replace(result, notes=("a note of the search",))


def front_of(candidates: Sequence[Candidate]) -> TradeResult:
    """Candidates as if they were a front."""
    points = tuple(
        TradePoint(
            a=0.1 * k,
            b=1.0 / k,
            weights=(1.0, 1.0),
            candidate=replace(c, rank=k),
            knee=k == 2,
            cheapest=k != 3,
        )
        for k, c in enumerate(candidates, 1)
    )
    return TradeResult(
        between=("on_axis", "in_room"),
        units=("dB rms", "dB rms"),
        points=points,
        stopped="budget",
        seconds=1.0,
        evaluations=1,
        seed=1,
    )


@pytest.fixture(scope="module")
def compose(
    demo_survey: Survey,
    problem: Problem,
    found: SearchResult,
    tmp_path_factory: pytest.TempPathFactory,
) -> Callable[[str], Document]:
    """Composes what a verb says of the demo; the name of its file needs escaping."""
    network = found.candidates[0].network
    name = "a|b<c>.yaml"
    report = ls.check(problem, network)
    others = [(f"{c.rank}.yaml", c) for c in found.candidates[1:]]
    against = [(other, c, compare_networks(report.candidate, c)) for other, c in others]
    wishes = [parse_wish("less bright", read_words(None))]
    answers = ls.voice(problem, network, wishes, changes=1, top=2)
    verdict = ls.verify(
        problem, network, write_measured(tmp_path_factory.mktemp("bench"), problem, found)
    )
    sheet = ls.sheet(problem, network)
    makers: dict[str, Callable[[], Document]] = {
        "fit": lambda: document_fit(problem, found, name),
        "start": lambda: document_fit(problem, found, name, survey=demo_survey),
        "trade": lambda: document_trade(problem, front_of(found.candidates), name),
        "check": lambda: document_check(
            problem,
            report,
            design_name="d.yaml",
            network_name=name,
            against=against,
            history=[{"network": name, "note": "what was | found", "found": True}],
            notes=("read",),
        ),
        "voice": lambda: document_voice(
            problem,
            answers,
            wishes,
            MoveLimits(),
            design_name="d.yaml",
            network_name=name,
            changes=1,
            top=2,
        ),
        "verify": lambda: document_verify(
            problem, verdict, design_name="d.yaml", network_name=name, notes=("a | note",)
        ),
        "sheet": lambda: document_sheet(sheet),
        "survey": lambda: document_survey(demo_survey, "<b>demo</b>"),
    }
    return lambda verb: makers[verb]()


def write_measured(folder: Path, problem: Problem, found: SearchResult) -> list[Path]:
    """What the bench would measure of a speaker whose tweeter is the wrong way round."""
    from optimizer.problem.figures import build_candidate
    from optimizer.report.curve_files import write_columns

    network = found.candidates[0].network
    last = network.ways[-1]
    turned = replace(last, polarity=-last.polarity)
    wrong = replace(network, ways=(*network.ways[:-1], turned))
    write_columns(folder, build_candidate(problem, wrong))
    return [folder / "on_axis.txt", folder / "impedance.txt"]


@pytest.fixture(scope="module")
def documents(compose: Callable[[str], Document]) -> dict[str, Document]:
    return {verb: compose(verb) for verb in VERBS}


def squeeze(text: str) -> str:
    return " ".join(text.split())


def texts_of(parts: Sequence[Passage]) -> Iterator[str]:
    """Every text that parts say, but drawings and charts."""
    for part in parts:
        if isinstance(part, Table):
            yield from (line for head in part.heads for line in head.split("\n"))
            yield from (text for row in part.full_rows() for c in row for text in (c.text, c.small))
        elif isinstance(part, Note):
            yield from (part.head, part.text)
        elif isinstance(part, Listing):
            yield from (*part.topics, *part.items)
        elif isinstance(part, Item):
            yield from (part.lead, part.title, *part.lines, *part.bad)
        elif isinstance(part, Heading):
            yield part.title
        elif isinstance(part, Picture):
            yield from (part.title, part.caption)


def said_in(document: Document, *, titles: bool) -> set[str]:
    """Everything a document says in text."""
    said = {document.title, document.subtitle}
    for section in document.text_sections():
        if titles or not section.page_title:
            said.add(section.title)
        said |= set(texts_of(section.parts))
    return {squeeze(text) for text in said} - {""}


@pytest.mark.parametrize("verb", VERBS)
def test_a_terminal_counts_notes(verb: str, documents: dict[str, Document]) -> None:
    """Unless asked for them it says how many there are; what warns or is doubtful always stands."""
    document = documents[verb]
    quiet = squeeze(print_text(document, width=4000, notes=False))
    whole = squeeze(print_text(document, width=4000))
    assert "--notes" not in whole
    assert bool(document.notes) == ("(--notes shows" in quiet)
    if document.notes:
        assert len(quiet) < len(whole)
        assert quiet.endswith(
            f"{document.notes} notes (--notes shows them)"
            if document.notes > 1
            else "1 note (--notes shows it)"
        )
    for section in document.text_sections():
        for part in section.parts:
            if isinstance(part, Note) and (part.warns or part.tone == "strong"):
                assert squeeze(part.text) in quiet
            if isinstance(part, Item):
                assert all(squeeze(line) in quiet for line in (part.title, *part.bad))
            if isinstance(part, Table):
                told = (row for row in part.full_rows() if {"bad", "look"} & {c.tone for c in row})
                told = (*told, *(r for r in part.full_rows() if r and r[0].text in ("BAD", "look")))
                assert all(squeeze(cell.text) in quiet for row in told for cell in row)


def test_what_differs_is_never_a_note() -> None:
    """A file that was changed since, a caution of the search and its count of notes stand together."""
    made = Provenance(date="2026-11-27T08:00:00Z", cost=1.0)
    change = Change(made=made, other=("stock",), files=(), new=(), gone=(), cost=1.1)
    quiet = Document(
        title="x",
        sections=(
            Section(
                title="Assumed",
                parts=(Remarks(parts=(Listing(items=("a", "b")), Note(text="c"))),),
            ),
        ),
    )
    said = print_text(warn_changed(quiet, [("n.yaml", change)]), notes=False)
    assert "Warning: " in said
    assert "Assumed" not in said
    assert "3 notes (--notes shows them)" in said


@pytest.mark.parametrize("verb", VERBS)
def test_every_renderer_says_everything(verb: str, documents: dict[str, Document]) -> None:
    """Each cell, note, item and heading of a document is in terminal text, Markdown and HTML."""
    document = documents[verb]
    said = said_in(document, titles=True)
    assert len(said) > 20
    # So wide that nothing is broken into lines; breaking is looked at elsewhere.
    terminal = squeeze(print_text(document, width=4000))
    written = render_markdown(document).replace("\\|", "|").replace("\\<", "<")
    markdown = squeeze(written.replace("**", ""))
    assert [text for text in said if text not in terminal] == []
    assert [text for text in said if text not in markdown] == []
    bare = re.sub(r"<(script|style)\b.*?</\1>", "", render_html(document), flags=re.DOTALL)
    page = "".join(html.unescape(re.sub(r"<[^>]*>", "", bare)).split())
    said = {"".join(text.split()) for text in said_in(document, titles=False)}
    said.discard("[]")  # a box to tick
    assert [text for text in said if text not in page] == []


@pytest.mark.parametrize("verb", VERBS)
def test_no_line_is_wider_than_asked(verb: str, documents: dict[str, Document]) -> None:
    """At 100 columns a terminal prints no line that another width would have to break."""
    for width in (80, 100, 120):
        narrow = print_text(documents[verb], width=width)
        assert max(map(len, narrow.splitlines())) <= width


@pytest.mark.parametrize("verb", [verb for verb in VERBS if verb != "sheet"])
def test_every_document_has_its_data(verb: str, documents: dict[str, Document]) -> None:
    """JSON is the same document: plain data without NaN, with the reasons `check` is for."""
    data = render_json(documents[verb])
    assert json.loads(json.dumps(data, allow_nan=False)) == json.loads(json.dumps(data))
    if verb == "check":
        assert data["reasons"]
        assert data["better"] is not None
    if verb == "start":
        assert set(data["survey"]["drivers"]) == {"woofer", "midrange", "tweeter"}


def test_a_partner_is_never_called_a_prediction() -> None:
    """The chart of a speaker held against the other one of its pair says so."""
    f = np.array([100.0, 1000.0])
    plot = plot_deviation({"impedance": np.array([0.5, -1.0])}, f, None, "the other speaker")
    assert plot.title == "Measured against the other speaker"
    assert plot.text.startswith("Measured less the other speaker, in dB")


@pytest.mark.parametrize("verb", VERBS)
def test_what_is_printed_tells_of_what_and_when(
    verb: str, documents: dict[str, Document], problem: Problem
) -> None:
    """The foot has a date, and of networks the fingerprints of what they were computed with."""
    page = render_html(documents[verb])
    (foot,) = re.findall(r"@bottom-left \{ content: (.*?); \}", page)
    assert re.search(
        r"\d{4}-\d\d-\d\d \d\d\\3a \d\d UTC", foot
    )  # a colon, as style sheets write it
    if verb not in ("sheet", "survey"):
        assert problem.title in foot
        for name in ("data", "goals"):
            assert f"{name} {problem.fingerprints[name][:8]}" in foot


def test_page_of_a_verification_draws_its_table(documents: dict[str, Document]) -> None:
    """Curve and table of a turned tweeter agree: the largest difference, where it is."""
    (said,) = (s for s in documents["verify"].page_sections() if "speaker" in s.title)
    (table,) = (p for p in said.parts if isinstance(p, Table) and p.heads[0] == "difference, dB")
    (plot,) = (plot for p in said.parts if isinstance(p, Graphs) for plot in p.items)
    assert isinstance(plot, Plot)
    assert plot.title == "Measured against prediction"
    for row, curve in zip(table.full_rows(), plot.curves, strict=True):
        cells = [cell.text for cell in row]
        assert curve.name == cells[0]
        at = int(np.nanargmax(np.abs(curve.y)))
        worst, hz = cells[-1].split(" at ")
        assert float(worst) == pytest.approx(curve.y[at], abs=0.051)
        number, unit = hz.split()
        assert float(number) * (1000.0 if unit == "kHz" else 1.0) == pytest.approx(
            curve.x[at], rel=0.006
        )
    (band,) = plot.bands
    assert f"{band.high[0]:g} dB" in band.name
    assert max(np.nanmax(np.abs(curve.y)) for curve in plot.curves) > band.high[0]


def test_page_of_a_check_has_what_it_is_for(documents: dict[str, Document]) -> None:
    """Reasons and improvements stand on the page, and before the charts."""
    page = render_html(documents["check"])
    reasons, better, sound = (page.index(f'id="{key}"') for key in ("reasons", "better", "sound"))
    assert reasons < better < sound
    assert "where it comes from" in page[reasons:better]


def test_every_table_of_goals_tells_how_well_averages_are_known(
    documents: dict[str, Document], found: SearchResult
) -> None:
    """Wherever the goals of a network are listed, the band of completed averages is said."""
    known = {goal.known for goal in found.candidates[0].goals} - {""}
    assert known
    for verb in ("fit", "check", "sheet"):
        said = print_text(documents[verb], width=4000)
        assert [words for words in known if words not in squeeze(said)] == []


def coils(candidate: Candidate) -> float:
    parts = [p for w in candidate.network.ways for s in w.slots for p in s.parts]
    return float(sum(part.kind == "inductor" for part in parts))


def loudest(candidate: Candidate) -> float:
    return float(candidate.curves.named_db["on_axis"].max())


def loudest_hz(candidate: Candidate) -> float:
    at = int(candidate.curves.named_db["on_axis"].argmax())
    return float(candidate.curves.frequency_hz[at])


COILS = Column("coils", "coils used", "windings", coils, better=LESS, digits=1)
LOUDEST = Column("loudest", "loudest on the axis", "dB", loudest, at=loudest_hz, better=MORE)


@pytest.mark.parametrize("verb", cases(COMPARING, routine=("fit", "voice")))
def test_a_column_of_ones_own_is_everywhere(
    verb: str, compose: Callable[[str], Document], found: SearchResult
) -> None:
    """A column defined in a test alone is in terminal table, Markdown, page, its charts and JSON."""
    before = print_text(compose(verb), width=4000)
    assert "coils used" not in before
    with with_column(COILS), with_column(LOUDEST):
        document = compose(verb)
        best = found.candidates[0]
        wanted = COILS.title, COILS.say(best), LOUDEST.title, LOUDEST.say(best)
        page = render_html(document)
        for text in (print_text(document, width=4000), render_markdown(document), page):
            assert all(word in squeeze(text) for word in wanted)
        numbers = re.search(r'id="data">(.*?)</script>', page, re.DOTALL)
        assert numbers is not None
        charted = json.loads(numbers.group(1))
        assert {"coils", "loudest"} <= {figure["key"] for figure in charted["figures"]}
        assert charted["candidates"][0]["figures"]["coils"] == coils(best)
        listed = render_json(document)
        first = {
            "trade": lambda: listed["points"][0]["candidate"],
            "check": lambda: listed["candidate"],
            "voice": lambda: listed["answers"][0]["candidate"],
        }.get(verb, lambda: listed["candidates"][0])()
        assert first["coils"] >= 0.0
        assert set(first["loudest"]) == {"dB", "hz"}
    assert print_text(compose(verb), width=4000) == before


def test_columns_keep_the_layout_of_json(found: SearchResult) -> None:
    """Figures stand in JSON under the names others rely on, each as the column says it."""
    best = found.candidates[0]
    data = candidate_to_json(best)
    assert data["cost"] == pytest.approx(best.cost, rel=1e-9)
    assert data["parts"] == best.parts
    assert data["sensitivity_db"] == pytest.approx(best.sensitivity_db, rel=1e-5)
    assert data["no_better_change_of"] == best.no_better_change_of
    assert data["impedance_min"] == pytest.approx(
        {"ohm": best.impedance_min_ohm, "hz": best.impedance_min_hz}, rel=1e-5
    )
    assert data["epdr_min"] == pytest.approx(
        {"ohm": best.epdr_min_ohm, "hz": best.epdr_min_hz}, rel=1e-5
    )
    assert "price" not in data
    names = [entry.name for entry in COLUMNS]
    assert len(set(names)) == len(names)


def test_a_name_is_given_once() -> None:
    """Two columns of one name would overwrite each other in JSON."""
    with pytest.raises(ValueError, match="already"), with_column(replace(COILS, name="cost")):
        pass


def test_leading_figures(found: SearchResult) -> None:
    """What leads is the best as it is written; where all read alike, or a limit breaks, none."""
    one, two, three = found.candidates
    column = Column("x", "x", "", lambda c: {1: 1.004, 2: 1.001, 3: 2.0}[c.rank], better=LESS)
    assert column.lead([one, two, three]) == [True, True, False]  # 1.00 both
    assert replace(column, better=MORE).lead([one, two, three]) == [False, False, True]
    assert replace(column, better=None).lead([one, two, three]) == [False] * 3
    assert column.lead([one, two]) == [False, False]
    broken = replace(column, broken=lambda c: c.rank == 1)
    assert broken.lead([one, two, three]) == [False, True, False]
    assert [c.title for c in list_columns([one]) if c.name == "price"] == []


def test_pages_say_more_and_never_less() -> None:
    """What only a page has room for is left out of text, and composed only for a page."""
    composed = []

    def compose_more() -> list[Passage]:
        composed.append(1)
        return [Note(text="on a page alone")]

    section = Section(title="both", parts=(Note(text="everywhere"), OnPage(compose=compose_more)))
    alone = Section(title="nothing in text", parts=(OnPage(compose=compose_more),))
    document = Document(title="title", sections=(section, alone))
    text, markdown = print_text(document), render_markdown(document)
    assert composed == []
    for said in (text, markdown):
        assert "everywhere" in said
        assert "alone" not in said
        assert "nothing in text" not in said
    page = render_html(document)
    assert page.count("on a page alone") == 2
    assert "nothing in text" in page


def test_sections_stand_in_the_order_of_a_page() -> None:
    """A terminal ends with what matters, a page begins with it."""
    sections = tuple(
        Section(title=title, key=title, parts=(Note(text=f"text of {title}"),))
        for title in ("files", "drivers", "findings")
    )
    document = Document(title="t", sections=sections, order=("findings", "drivers", "findings"))
    assert [s.title for s in document.text_sections()] == ["files", "drivers", "findings"]
    assert [s.title for s in document.page_sections()] == ["findings", "drivers", "files"]


def test_a_table_that_is_too_wide_goes_on_below() -> None:
    """Columns that do not fit stand in a further block, each beginning with the fixed ones."""
    heads = ("name", *(f"column {k}" for k in range(12)))
    rows = (("row", *(f"cell {k:05d}" for k in range(12))),)
    table = Table(heads=heads, rows=rows, align="l" + "r" * 12, fixed=1)
    text = print_text([table], width=60)
    assert max(map(len, text.splitlines())) <= 60
    assert text.count("row") == 3
    assert all(text.count(f"cell {k:05d}") == 1 for k in range(12))


def test_a_long_text_is_broken_within_its_column() -> None:
    """Long texts wrap in their own column; short columns keep their width."""
    table = Table(
        heads=("goal", "cost", "where"),
        rows=(("on axis", "1.000", "word " * 40), ("impedance", "0.250", "short")),
        align="lrl",
    )
    lines = print_text([table], width=60).splitlines()
    assert max(map(len, lines)) <= 60
    assert lines[1].startswith("on axis    1.000  word word")
    assert all(line.startswith(" " * 18) for line in lines[2:-1])


def test_charts_without_a_drawing_leave_no_heading(documents: dict[str, Document]) -> None:
    """A terminal shows no heading over charts that it cannot draw."""
    from optimizer.report.document import Chart

    chart = Charts(items=(Chart(key="k", title="a title", text="a text"),))
    document = Document(title="t", sections=(Section(title="curves of it", parts=(chart,)),))
    assert "curves of it" not in print_text(document)
    assert "a title: a text" in render_markdown(document)


def test_names_of_files_are_text(documents: dict[str, Document]) -> None:
    """A bar or a bracket in a name is text in every renderer, never markup."""
    document = documents["check"]
    assert "a|b<c>.yaml" in print_text(document, width=4000)
    markdown = render_markdown(document)
    assert "a|b\\<c>.yaml" in markdown
    assert "b<c>" not in markdown
    page = render_html(document)
    assert "<c>" not in page
    assert "a|b&lt;c&gt;.yaml" in page


def test_a_head_over_nothing_takes_no_room() -> None:
    """What brief rows leave empty is no column of a terminal; with all rows it is one again."""
    table = Table(
        heads=("file", "because"), rows=(("a.txt", "stated"),), align="ll", brief=(("a.txt", ""),)
    )
    document = Document(title="", sections=(Section(title="", parts=(table,)),))
    assert "because" not in print_text(document, notes=False)
    assert "because" in print_text(document)
