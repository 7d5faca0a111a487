"""What `fit` and `start` found: ranked networks, the best one in detail, and how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from optimizer.bench.build.sides import share_out
from optimizer.bench.networks.alike import tell_alike
from optimizer.measure.driver import Driver
from optimizer.measure.survey.nouns import Survey
from optimizer.problem.candidate import Candidate, SearchResult
from optimizer.problem.problem import Problem
from optimizer.report.document import (
    Document,
    Listing,
    Note,
    OnPage,
    Passage,
    Remarks,
    Section,
    Table,
)
from optimizer.report.documents.sheet_spread import tabulate_sides
from optimizer.report.documents.shown import PAGE_ORDER, Shown
from optimizer.report.documents.survey import ORDER, draw_responses, survey_sections
from optimizer.report.documents.survey_curves import collect_curves
from optimizer.report.documents.survey_json import survey_to_json
from optimizer.report.render.json import (
    DescribedProblem,
    problem_assumptions,
    rated_to_json,
    round_figure,
    search_to_json,
)
from optimizer.report.words import list_ranges, say_foot, say_stop


def document_fit(
    problem: Problem,
    result: SearchResult,
    design_name: str,
    *,
    survey: Survey | None = None,
) -> Document:
    """Say what a search found.

    Parameters
    ----------
    problem : Problem
        The problem searched.
    result : SearchResult
        What was found; the nearest miss is shown where nothing meets the hard limits.
    design_name : str
        Name of the design file, as the user gave it.
    survey : Survey, optional
        What `start` found in the files before: a page and JSON tell it too, a terminal has shown it.

    Returns
    -------
    Document
    """
    best = result.candidates[0]
    numbers, found = _list_survey(survey, problem)
    shown = Shown(problem, result.candidates, seed=result.seed, notes=result.notes)
    miss = "Nearest miss: it breaks a hard limit"
    missed = Note(text="No network found meets the hard limits; this is the nearest miss.")
    sections = (
        shown.which(compared=best.feasible),
        shown.trade(),
        *shown.build("The best one, no. 1" if best.feasible else miss),
        *shown.sound(),
        *_match(problem, best),
        Section(
            title="Measured data",
            key="measured",
            parts=(Remarks(parts=tuple(tabulate_ranges(problem.drivers))),),
        ),
        shown.assumed(),
        shown.care(),
        shown.lead(
            design_name,
            *([] if best.feasible else [OnPage(compose=lambda: [missed])]),
            Note(text=say_stop(result)),
            notes=result.notes,
        ),
    )
    return Document(
        title=problem.title,
        sections=(*sections, *found),
        order=(
            *PAGE_ORDER,
            "alike",
            "sides",
            "measured",
            "assumed",
            "care",
            *(f"survey-{key}" for key in ORDER),
        ),
        picks=shown.picks(),
        numbers=lambda: {**numbers, **shown.numbers()},
        footer=partial(say_foot, problem, design_name),
        data=lambda: {
            **result_to_json(result, problem, design_name),
            **({} if survey is None else {"survey": survey_to_json(survey)}),
        },
    )


def _list_survey(
    survey: Survey | None, problem: Problem
) -> tuple[dict[str, Any], tuple[Section, ...]]:
    """Sections of a survey for the page of networks, with its curves on their frequencies."""
    if survey is None:
        return {}, ()
    grid = problem.frequency_hz
    numbers, charts = collect_curves(survey, draw_responses(survey.drivers), grid)
    sections = tuple(
        replace(
            section,
            title="",
            page_title=f"Survey: {section.title}",
            key=f"survey-{section.key}",
            parts=(OnPage(compose=partial(tuple, section.parts)),),
        )
        for section in survey_sections(survey, charts)
    )
    return numbers, sections


def tabulate_ranges(drivers: Sequence[Driver]) -> list[Passage]:
    """Show what was measured, over which range, and how curves go on outside it.

    Parameters
    ----------
    drivers : sequence of Driver
        Drivers of the problem.

    Returns
    -------
    list of Passage
        A table, and the notes of the drivers.
    """
    rows: list[tuple[str, ...]] = []
    notes: list[str] = []
    for driver in drivers:
        name = driver.name
        for row in list_ranges(driver):
            rows.append((name, *row))
            name = ""
        notes += [f"{driver.name}: {note}" for note in driver.notes]
    heads = ("driver", "data", "from", "measured", "goes on below", "goes on above")
    parts: list[Passage] = [Table(heads=heads, rows=tuple(rows), align="llllll")] if rows else []
    return parts + ([Listing(items=tuple(dict.fromkeys(notes)))] if notes else [])


def _match(problem: Problem, best: Candidate) -> list[Section]:
    """Which piece of a list is meant, and which goes left and which right, where it matters."""
    if not isinstance(problem, Problem):
        return []
    sections = []
    alike = tell_alike(problem.stock, best.network)
    if alike:
        sections.append(
            Section(
                title="Pieces of several makes", key="alike", parts=(Listing(items=tuple(alike)),)
            )
        )
    sides = share_out(problem, best.network)
    if sides is not None:
        sections.append(
            Section(
                title="Left and right",
                key="sides",
                parts=tuple(tabulate_sides(sides, best.network.references)),
            )
        )
    return sections


def result_to_json(
    result: SearchResult, problem: DescribedProblem, design_name: str
) -> dict[str, Any]:
    """Turn a search result into plain data for JSON: SI units, no NaN or infinity.

    Candidates that break a hard limit are never listed: the nearest miss stands under
    ``nearest_miss``.
    """
    data: dict[str, Any] = {
        **search_to_json(problem, design_name, result),
        "cost_relaxed_best": round_figure(result.cost_relaxed_best),
        "candidates": [rated_to_json(c, problem) for c in result.candidates if c.feasible],
    }
    misses = [c for c in result.candidates if not c.feasible]
    if misses and not data["candidates"]:
        data["nearest_miss"] = rated_to_json(misses[0], problem)
    if result.notes:
        data["notes"] = list(result.notes)
    assumed = problem_assumptions(problem)
    if assumed:
        data["assumed"] = assumed
    return data
