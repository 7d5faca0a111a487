"""The sections of a document that shows candidates, and what their page adds to each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np

from optimizer.bench.build.sheet import list_assumptions
from optimizer.bench.loads.ratings import (
    PartRating,
    Ratings,
    list_warnings,
    rate_network,
    state_amplifier,
)
from optimizer.bench.tolerance.spread import ToleranceReport
from optimizer.bench.tolerance.tolerance import spread_network
from optimizer.network.amplifier import Amplifier
from optimizer.parts import UNIT_OF_KIND
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.report.blocks import say_quantity
from optimizer.report.cautions import CAUTIONS
from optimizer.report.columns import COSTS, MORE, list_columns
from optimizer.report.document import (
    Aside,
    Cell,
    Charts,
    Choice,
    Heading,
    Listing,
    Note,
    OnPage,
    Passage,
    Pick,
    Remarks,
    Scatter,
    Section,
    Table,
)
from optimizer.report.documents.candidates import (
    compare,
    describe,
    describe_difference,
    draw_whole,
    list_charts,
)
from optimizer.report.documents.numbers import collect_networks
from optimizer.report.documents.plotted import plot_network, show_plots
from optimizer.report.documents.verdicts import list_verdicts
from optimizer.report.ladder_text import describe_join
from optimizer.report.words import CHANGES_MEANT, say_certificate, say_frequency

SPREAD_DRAWS = 200
"""Speakers drawn for the tolerance bands of levels: enough for a 5 and a 95 % line on a picture."""

MOST_ON_PAGE = 15
"""Candidates on one page: more make it slow to open and hard to read."""

PAGE_ORDER = ("lead", "which", "curve", "drawn", "around", "sound", "trade", "build")
"""Sections of a page of candidates that stand first."""

_SOURCES = {
    "kept": "stays on the board",
    "board": "from elsewhere on the board",
    "shelf": "from the shelf",
    "stock": "bought-in list",
}


@dataclass(frozen=True)
class Shown:
    """Candidates that a document shows, with what their page adds.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    candidates : tuple of Candidate
        The one shown at first comes first; without names they are called by their ranks.
    names : tuple of str
        What to call them, if not by their ranks.
    seed : int
        Of the random draws for the tolerance band.
    front : tuple of str, optional
        Two goals between which the candidates are a front.
    knee : int, optional
        Rank of its knee.
    notes : tuple of str
        More to list among what was assumed.
    """

    problem: Problem
    candidates: tuple[Candidate, ...]
    names: tuple[str, ...] = ()
    seed: int = 1
    front: tuple[str, str] | None = None
    knee: int | None = None
    notes: tuple[str, ...] = ()

    @property
    def labels(self) -> tuple[str, ...]:
        """What each is called."""
        return self.names or tuple(f"no. {c.rank}" for c in self.candidates)

    @cached_property
    def on_page(self) -> tuple[Candidate, ...]:
        """Those that a page has room for."""
        return self.candidates[:MOST_ON_PAGE]

    @cached_property
    def amplifier(self) -> Amplifier:
        """What loads are stated for."""
        return state_amplifier(self.problem.goals, self.problem.amplifier)

    @cached_property
    def ratings(self) -> tuple[Ratings, ...]:
        """Loads of each network on the page."""
        return tuple(
            rate_network(c.network, self.problem.drivers, self.amplifier) for c in self.on_page
        )

    @cached_property
    def spreads(self) -> tuple[ToleranceReport, ...]:
        """What tolerances do to each network on the page."""
        return tuple(
            spread_network(
                self.problem, c.network, draws=SPREAD_DRAWS, rng=np.random.default_rng(self.seed)
            )
            for c in self.on_page
        )

    @cached_property
    def best(self) -> Candidate:
        """The one of the smallest cost on the page."""
        return min(self.on_page, key=lambda c: c.cost)

    @property
    def currency(self) -> str:
        """Currency of prices."""
        return str(getattr(getattr(self.problem, "stock", None), "currency", ""))

    def picks(self) -> tuple[Pick, ...]:
        """List what can be picked on a page; costs stand beside ranks where they can be compared."""
        return tuple(
            Pick(
                name=label.removeprefix("no. "),
                label=label,
                small="" if self.front else f"{c.cost:.3f}",
            )
            for c, label in zip(self.on_page, self.labels, strict=False)
        )

    def numbers(self) -> Mapping[str, Any]:
        """Collect what the charts of a page draw."""
        data = collect_networks(
            self.problem,
            self.on_page,
            self.ratings,
            self.labels[: len(self.on_page)],
            self.spreads,
            front=self.front,
        )
        data["front"] = (
            None if self.front is None else {"between": list(self.front), "knee": self.knee}
        )
        return data

    # Sections

    def lead(
        self,
        design_name: str,
        *parts: Passage,
        notes: Sequence[str] = (),
        remarks: Sequence[str] = (),
    ) -> Section:
        """Say under the title of a page what everything is for, and what it rests on.

        Parameters
        ----------
        design_name : str
            Name of the design file, as the user gave it.
        *parts : Passage
            What else stands there.
        notes : sequence of str
            What happened on the way.
        remarks : sequence of str
            What was assumed in reading.
        """
        happened, assumed = (tuple(dict.fromkeys(said)) for said in (notes, remarks))
        return Section(
            title="",
            key="lead",
            parts=(
                OnPage(compose=lambda: [Note(text=f"Design {design_name}.")]),
                *parts,
                *([Listing(items=happened)] if happened else []),
                *([Remarks(parts=(Listing(items=assumed),))] if assumed else []),
                *_warn_estimated(self.problem),
            ),
        )

    def which(
        self, title: str = "Networks, best first", *, compared: bool = True, whole: bool = True
    ) -> Section:
        """Networks side by side, and on a page what sets each apart.

        Parameters
        ----------
        title : str
            Heading in text.
        compared : bool
            Whether they stand side by side in text too, not only on a page.
        whole : bool
            Whether every part is listed, or only those in which the networks differ.
        """

        def side_by_side() -> list[Passage]:
            return compare(
                self.candidates,
                names=self.names,
                currency=self.currency,
                without=COSTS if self.front else (),
                whole=whole,
            )

        table = side_by_side() if compared else [OnPage(compose=side_by_side)]
        return Section(
            title=title,
            page_title="Which one",
            key="which",
            parts=(*table, OnPage(compose=self._tell_apart)),
        )

    def _tell_apart(self) -> list[Passage]:
        several = len(self.on_page) > 1 and self.front is None
        left_out = len(self.candidates) - len(self.on_page)
        limit = [
            Note(text=f"The first {len(self.on_page)} of {len(self.candidates)} can be looked at "
                 "one by one below.")
        ] if left_out else []  # fmt: skip
        said: list[tuple[Passage, ...]] = []
        for k, candidate in enumerate(self.on_page):
            sentences = []
            if several:
                best = next(
                    n for n, c in zip(self.labels, self.on_page, strict=False) if c is self.best
                )
                sentences.append(describe_difference(candidate, self.best, best))
            sentences += say_certificate(candidate)
            lead = self.labels[k].replace("no. ", "No. ", 1)
            parts = [Note(text=" ".join(sentences), lead=lead)]
            if not candidate.feasible:
                parts.append(
                    Note(text="See its goals below.", lead="It breaks a hard limit", warns=True)
                )
            said.append(tuple(parts))
        return [
            *([Note(text=_say_bold(self.on_page), tone="soft")] if len(self.on_page) > 1 else []),
            *limit,
            Choice(items=tuple(said)),
            _EXPLAINED,
        ]

    def trade(self) -> Section:
        """Every network as a point, on a page."""
        return Section(
            title="",
            page_title="What is traded for what",
            key="trade",
            parts=(OnPage(compose=self.scatter),),
        )

    def scatter(self) -> list[Passage]:
        """Every network as a point, or why there is none to compare."""
        if len(self.on_page) < 2:
            text = "There is one network on this page, so there is nothing to set against it."
            return [Note(text=text)]
        return [Scatter(title=POINTS_TITLE, text=POINTS_TEXT)]

    def sound(self, *, plotted: bool = False) -> tuple[Section, ...]:
        """Curves of the network shown: two that a wide page has beside its table, and others.

        Parameters
        ----------
        plotted : bool
            Whether all charts were asked for: then text has them too, and a page does not fold them.
        """
        how = Note(
            text="Move over a chart, or use the arrow keys on it, to read every curve at a "
            "frequency; all charts follow. Tick curves on and off beside them.",
            tone="soft",
        )
        first, *others = list_charts(self.candidates[0], drawn=not plotted).items
        around = [one for one in others if one.key == "room"]
        others = [one for one in others if one not in around]
        return (
            Section(title="", key="curve", parts=(Charts(items=(first,)),)),
            *(Section(title="", key="around", parts=(Charts(items=(one,)),)) for one in around),
            Section(
                title="",
                page_title="What it does",
                key="sound",
                parts=(
                    OnPage(compose=lambda: [how]),
                    Charts(items=tuple(others)),
                    self._choose_plots() if plotted else OnPage(compose=self._fold_plots),
                ),
            ),
        )

    def _choose_plots(self) -> Choice:
        """Every chart of each network."""
        return Choice(
            items=tuple(
                tuple(show_plots(plot_network(self.problem, one, spread, seed=self.seed)))
                for one, spread in zip(self.on_page, self.spreads, strict=True)
            )
        )

    def _fold_plots(self) -> list[Passage]:
        return [
            Choice(
                items=tuple(
                    (Aside(title=f"All charts of {label}, as drawings", parts=item),)
                    for label, item in zip(self.labels, self._choose_plots().items, strict=False)
                )
            )
        ]

    def build(
        self,
        title: str,
        detail: Callable[[Candidate], Sequence[Passage]] = describe,
        *,
        judged: bool = True,
    ) -> tuple[Section, Section]:
        """Describe each network: in text the first, on a page the one picked, with its loads.

        Parameters
        ----------
        title : str
            Heading in text.
        detail : callable
            What is said of a network besides its drawing.
        judged : bool
            Whether what is doubtful stands beside the drawing.

        Returns
        -------
        tuple of Section
            The drawing, which a wide page has beside its table, and the rest.
        """
        lead = OnPage(compose=lambda: [Note(text=_LOADS.format(self.amplifier), tone="soft")])
        drawn: tuple[tuple[Passage, ...], ...] = tuple(
            (
                OnPage(compose=partial(self._head, k)),
                draw_whole(candidate, partial(self._ratings_of, k)),
                *(
                    [OnPage(compose=partial(list_verdicts, candidate, doubtful=True))]
                    if judged
                    else []
                ),
            )
            for k, candidate in enumerate(self.on_page)
        )
        said = tuple(
            (OnPage(compose=partial(self._rate, k)), *detail(candidate))
            for k, candidate in enumerate(self.on_page)
        )
        return (
            Section(
                title=title, page_title="The network", key="drawn", parts=(Choice(items=drawn),)
            ),
            Section(title="", page_title="Build it", key="build", parts=(lead, Choice(items=said))),
        )

    def _head(self, k: int) -> list[Passage]:
        candidate, ratings = self.on_page[k], self.ratings[k]
        price = f", {candidate.price:.2f} {self.currency}".rstrip() if candidate.price else ""
        head: list[Passage] = [
            Heading(title=f"Network {self.labels[k]}, {candidate.parts} pieces{price}")
        ]
        return head + [Note(text=text, warns=True) for text in list_warnings(ratings)]

    def _ratings_of(self, k: int) -> Ratings:
        return self.ratings[k]

    def _rate(self, k: int) -> list[Passage]:
        """Parts with their loads, and what the drivers take."""
        ratings = self.ratings[k]
        takes = []
        for load in ratings.drivers:
            limit = "" if load.limit_w is None else f" of the {load.limit_w:g} W it stands"
            said = f"{load.driver} takes {load.watts:.3g} W on programme{limit}."
            takes.append(Note(text=said, tone="soft"))
        rows = [_rate_part(one, self.currency) for one in ratings.parts]
        priced = any(one.part.price is not None for one in ratings.parts)
        heads = ("part", "place", "value", "loss", "source", "on programme", "worst sine", "rating")
        shown = [row if priced else row[:-1] for row in rows]
        table = Table(
            heads=(*heads, "price") if priced else heads,
            rows=tuple(shown),
            align="llllllllr" if priced else "llllllll",
            key="parts",
        )
        return [*takes, *([table] if rows else [])]

    def assumed(self, title: str = "Assumed or estimated") -> Section:
        """List what was assumed; a page lists more, and what its pictures rest on."""
        known = list(dict.fromkeys(getattr(self.problem, "notes", ())))
        listed: list[Passage] = [Remarks(parts=(Listing(items=tuple(known)),))] if known else []

        def more() -> list[Passage]:
            said = [
                *(t for c in self.on_page for t in list_assumptions(self.problem, c)),
                *self.notes,
                f"shaded bands come from {SPREAD_DRAWS} speakers drawn at random, each part "
                "evenly within its tolerance",
                f"ratings are for {self.amplifier.watts:g} W into {self.amplifier.ohm:g} ohm"
                + ("" if self.amplifier.stated else ", which nobody stated"),
            ]
            new = [text for text in dict.fromkeys(said) if text not in known]
            return [Listing(items=tuple(new))]

        return Section(title=title, key="assumed", parts=(*listed, OnPage(compose=more)))

    def only_on_page(self) -> tuple[Section, ...]:
        """Curves, points, drawings and parts, where text has no room for any of them."""
        sections = (self.trade(), *self.sound(), *self.build("Build it"))
        return (
            *(
                replace(one, title="", parts=(OnPage(compose=partial(tuple, one.parts)),))
                for one in sections
            ),
            self.care(),
        )

    def care(self) -> Section:
        """Cautions, on a page."""
        cautions = Listing(
            items=tuple(text for _, text in CAUTIONS), topics=tuple(topic for topic, _ in CAUTIONS)
        )
        return Section(
            title="Before you power it up",
            key="care",
            parts=(OnPage(compose=lambda: [cautions]),),
        )


def _say_bold(candidates: Sequence[Candidate]) -> str:
    """Say what bold print means in the table of candidates."""
    more = [c.title for c in list_columns(candidates) if c.better == MORE]
    except_for = " except " + (" and ".join(filter(None, (", ".join(more[:-1]), more[-1]))))
    return (
        f"Bold figures lead their row; smaller is better{except_for if more else ''}. Bold parts "
        "differ from those of the first network."
    )


def _warn_estimated(problem: Problem) -> list[Passage]:
    """Warn where curves off the axis are estimated."""
    if not getattr(problem, "estimated", False):
        return []
    text = "curves off the axis are estimated from geometry, not measured."
    return [Note(text=text, lead="Estimated", warns=True)]


def _rate_part(load: PartRating, currency: str) -> tuple[str | Cell, ...]:
    part = load.part
    loss = {"inductor": "dcr", "capacitor": "esr"}.get(part.kind)
    rms = "" if load.unit == "W" else " rms"
    rating = f"{load.size:g} {load.unit}"
    if part.rating is not None:
        rating = f"has {part.rating:g} {load.unit}"
    small = load.verdict == "too small"
    made_of = describe_join(part).replace(" u", " µ").replace("ohm", "Ω")
    return (
        Cell(load.reference, "strong"),
        Cell(f"{load.way}.{load.name}", "soft"),
        Cell(
            say_quantity(part.value, UNIT_OF_KIND[part.kind]),
            small=", ".join(filter(None, (f"± {100 * part.tolerance:g} %", made_of))),
        ),
        f"{loss} {part.loss_ohm:.2g} Ω" if loss and part.loss_ohm > 0.0 else "",
        ", ".join(filter(None, (_SOURCES.get(part.origin, part.origin), part.note))),
        f"{load.programme:.3g} {load.unit}{rms}",
        f"{load.sine:.3g} {load.unit}{rms} at {say_frequency(load.sine_hz)}",
        Cell(f"{rating}, too small", "bad") if small else rating,
        "" if part.price is None else f"{part.price:.2f} {currency}".rstrip(),
    )


POINTS_TITLE = "Every network as a point"
POINTS_TEXT = (
    "Choose a point to see it, or its number above. A ring marks the one shown, filled points are "
    "bettered by no other in both figures."
)

_LOADS = (
    "Loads are for an amplifier of {0.watts:g} W into {0.ohm:g} Ω ({0.volts:.1f} V): programme is "
    "noise with the spectrum of IEC 60268-1 at full power, sine a full-power tone at the worst "
    "frequency. The build sheet (laddersmith sheet) has the shopping list, wiring list, coil "
    "placement and checks."
)

_EXPLAINED = Aside(
    title="What the proof and the gap mean",
    parts=(
        Note(
            text="A network is proved against two part changes at once when every network that "
            f"differs from it in any one or two parts ({CHANGES_MEANT}) was "
            "computed or ruled out and none has a smaller cost. It may still be bettered by changing "
            "three or more parts at once."
        ),
        Note(
            text="The gap is what it costs to use values that can be bought: the same layout with "
            "parts of any value whatever reaches the relaxed cost. A gap near zero means finer "
            "values would bring nothing."
        ),
        Note(
            text="Cost is the sum of weight times figure over all goals, in the unit of the "
            "figures, mostly decibels rms. It ranks networks by your goals and says nothing "
            "beyond them."
        ),
    ),
)
