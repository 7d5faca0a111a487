"""The page of candidates: one file with everything in it, for a browser, a phone and A4."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.bench.build.sheet import list_assumptions
from optimizer.bench.loads.ratings import rate_network, state_amplifier
from optimizer.problem.candidate import Candidate, SearchResult
from optimizer.problem.problem import Problem
from optimizer.report.cautions import CAUTIONS
from optimizer.report.page.data import SPREAD_DRAWS, collect_data
from optimizer.report.page.render import (
    fill_template,
    mark_safe,
    read_asset,
    read_engine,
    to_script,
)
from optimizer.report.page.tables import compare_figures, describe_candidate
from optimizer.report.words import say_stop

_MOST = 15  # candidates on one page: more make it slow to open and hard to read


def render_result(problem: Problem, result: SearchResult, design_name: str) -> str:
    """Write what a search found as a page.

    Parameters
    ----------
    problem : Problem
        The problem searched.
    result : SearchResult
        What was found; the nearest miss is shown where nothing meets the hard limits.
    design_name : str
        Name of the design file, for the head.

    Returns
    -------
    str
        HTML.
    """
    lead = [f"Design {design_name}.", say_stop(result)]
    if not result.candidates[0].feasible:
        lead.insert(0, "No network found meets the hard limits; this is the nearest miss.")
    return render_candidates(
        problem, result.candidates, lead=lead, notes=result.notes, seed=result.seed
    )


def render_candidates(
    problem: Problem,
    candidates: Sequence[Candidate],
    *,
    lead: Sequence[str],
    notes: Sequence[str] = (),
    front: tuple[str, str] | None = None,
    steps: Sequence[str] = (),
    knee: int | None = None,
    seed: int = 1,
) -> str:
    """Write candidates as a page.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    candidates : sequence of Candidate
        The one shown at first comes first. Their ranks are their names on the page.
    lead : sequence of str
        Sentences under the title.
    notes : sequence of str
        More to list among what was assumed.
    front : tuple of str, optional
        Two goals between which the candidates are a front: they are joined by a line.
    steps : sequence of str
        What each step along the front buys, in words.
    knee : int, optional
        Rank of the knee of the front.
    seed : int
        Of the random draws for the tolerance band.

    Returns
    -------
    str
        HTML with all styles, scripts and numbers in it.
    """
    shown = list(candidates[:_MOST])
    if len(candidates) > _MOST:
        lead = [*lead, f"The first {_MOST} of {len(candidates)} networks are shown."]
    amplifier = state_amplifier(problem.goals)
    ratings = [rate_network(c.network, problem.drivers, amplifier) for c in shown]
    best = min(shown, key=lambda c: c.cost)
    currency = problem.stock.currency
    data = collect_data(problem, shown, ratings, seed=seed)
    data["front"] = None if front is None else {"between": list(front), "knee": knee}
    assumed = list(
        dict.fromkeys([text for c in shown for text in list_assumptions(problem, c)] + list(notes))
    )
    assumed.append(
        f"shaded bands come from {SPREAD_DRAWS} speakers drawn at random, each part "
        "evenly within its tolerance"
    )
    assumed.append(
        f"ratings are for {amplifier.watts:g} W into {amplifier.ohm:g} ohm"
        + ("" if amplifier.stated else ", which nobody stated")
    )
    return fill_template(
        "candidates.html",
        title=problem.title,
        lead=lead,
        amplifier=amplifier,
        rows=compare_figures(shown, currency, with_cost=front is None),
        nets=[
            describe_candidate(c, r, best, currency) for c, r in zip(shown, ratings, strict=True)
        ],
        steps=steps,
        has_front=front is not None,
        estimated=problem.estimated,
        assumed=[text[0].upper() + text[1:] for text in assumed],
        cautions=CAUTIONS,
        planes=sorted({name for entry in data["candidates"] for name in entry["planes"]}),
        averages="listening_window" in shown[0].curves.named_db,
        pairs=bool(data["candidates"][0]["result"]["curves"].get("pairs")),
        style=mark_safe(
            read_asset("base.css") + read_asset("charts.css") + read_asset("candidates.css")
        ),
        data=mark_safe(to_script(data)),
        engine=mark_safe(read_engine()),
        script=mark_safe(
            read_asset("charts.js") + read_asset("start.js") + read_asset("candidates.js")
        ),
    )
