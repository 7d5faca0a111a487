"""Candidates in a document: side by side, one in detail, their charts, and how to build them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

from optimizer.bench.build.sheet import list_assumptions
from optimizer.bench.loads.ratings import (
    Amplifier,
    PartRating,
    Ratings,
    list_warnings,
    rate_network,
    state_amplifier,
)
from optimizer.network.ladder import FittedWay, Network
from optimizer.parts import UNIT_OF_KIND
from optimizer.parts import Part as NetworkPart
from optimizer.problem.candidate import Candidate, CurveSet
from optimizer.problem.problem import Problem
from optimizer.report.cautions import CAUTIONS
from optimizer.report.columns import COSTS, MORE, Column, list_columns
from optimizer.report.document import (
    Aside,
    Cell,
    Chart,
    Charts,
    Choice,
    Heading,
    Listing,
    Note,
    OnPage,
    Part,
    Pick,
    Picture,
    Scatter,
    Section,
    Segment,
    Table,
)
from optimizer.report.documents.numbers import SPREAD_DRAWS, collect_networks, list_planes
from optimizer.report.ladder_text import describe_join, draw_ladder, name_parts
from optimizer.report.layout import say_quantity
from optimizer.report.plots import draw_impedance, draw_response
from optimizer.report.schematic import PHONE, WIDE, draw_figure
from optimizer.report.words import (
    say_band,
    say_certificate,
    say_figure,
    say_frequency,
    say_impedance,
    say_joins,
    say_preference,
    say_value,
)

MOST_ON_PAGE = 15
"""Candidates on one page: more make it slow to open and hard to read."""

PAGE_ORDER = ("lead", "which", "sound", "trade", "build")
"""Sections of a page of candidates that stand first."""

_SOURCES = {"kept": "stays on the board", "shelf": "from the shelf", "stock": "bought-in list"}
_MOVES = 0.02  # a figure that differs by less is not worth a word
_NAME_WIDTH, _KIND_WIDTH, _CANDIDATE_WIDTH = 16, 12, 10


# --- side by side -------------------------------------------------------------------------------


def compare(
    candidates: Sequence[Candidate],
    *,
    names: Sequence[str] = (),
    currency: str = "",
    without: Sequence[str] = (),
    whole: bool = True,
) -> list[Part]:
    """Set candidates side by side: a column for each, a row for each figure and each part.

    Parameters
    ----------
    candidates : sequence of Candidate
        Of one problem; what differs from the first stands out.
    names : sequence of str, optional
        What to call them; else their ranks.
    currency : str
        Currency of prices.
    without : sequence of str
        Columns that cannot be compared.
    whole : bool
        Whether every part is listed, or only those in which the networks differ.

    Returns
    -------
    list of Part
        The table, what its marks mean, and what joined parts are made of.
    """
    units = {"price": currency}
    heads = tuple(names) or tuple(f"no. {c.rank}" for c in candidates)
    table = Table(
        heads=("", "", *heads),
        rows=(
            *_figure_rows(candidates, list_columns(candidates, units=units, without=without)),
            *_network_rows(candidates, whole),
        ),
        align="ll" + "r" * len(candidates),
        fixed=2,
        key="compare",
        widths=(_NAME_WIDTH, _KIND_WIDTH, *[_CANDIDATE_WIDTH] * len(candidates)),
    )
    notes = [Note(text=line) for line in say_joins(candidates)]
    if any(not goal.met for c in candidates for goal in c.goals):
        notes.append(Note(text="! breaks a hard limit"))
    return [table, *notes]


def _figure_rows(
    candidates: Sequence[Candidate], columns: Sequence[Column]
) -> Iterable[tuple[str | Cell, ...]]:
    for column in columns:
        leads = column.lead(candidates)
        cells = []
        for candidate, leading in zip(candidates, leads, strict=True):
            broken = column.broken is not None and column.broken(candidate)
            text = f"{column.say(candidate)} !" if broken else column.say(candidate)
            cells.append(Cell(text, "bad" if broken else "best" if leading else ""))
        yield (column.title, Cell(column.unit, "soft"), *cells)
        if column.at is not None:
            yield ("  found at", "", *(column.say_place(c) for c in candidates))


def _network_rows(candidates: Sequence[Candidate], whole: bool) -> Iterable[tuple[str | Cell, ...]]:
    for index, first in enumerate(candidates[0].network.ways):
        ways = [candidate.network.ways[index] for candidate in candidates]
        rows = list(_part_rows(ways, whole))
        if not (whole or rows or len({way.polarity for way in ways}) > 1):
            continue
        yield ()
        yield (
            Cell(first.name, f"strong, way {index + 1}"),
            Cell("connected", "soft"),
            *("normal" if way.polarity > 0 else "inverted" for way in ways),
        )
        yield from rows


def _part_rows(ways: Sequence[FittedWay], whole: bool) -> Iterable[tuple[str | Cell, ...]]:
    """One row for every part that any candidate has, in the order of the ladder."""
    order: list[tuple[str, str]] = []
    for way in ways:
        previous = -1
        for slot in way.slots:
            for name, place, _ in name_parts(slot):
                row = (name, place if len(slot.parts) == 1 else slot.form)
                if row not in order:
                    order.insert(previous + 1, row)
                previous = order.index(row)
    columns = [_parts_by_name(way) for way in ways]
    for name, kind in order:
        parts = [column.get(name) for column in columns]
        kept = ", kept" if all(part is not None and part.origin == "kept" for part in parts) else ""
        usual = _part_cell(parts[0])
        # What differs from the first candidate is what one looks for.
        cells = [Cell(cell, "" if cell == usual else "strong") for cell in map(_part_cell, parts)]
        if not whole and all(cell.text == usual for cell in cells):
            continue
        yield (f"  {name}", Cell(f"{kind}{kept}", "soft"), *cells)


def _parts_by_name(way: FittedWay) -> dict[str, NetworkPart]:
    return {name: part for slot in way.slots for name, _, part in name_parts(slot)}


def _part_cell(part: NetworkPart | None) -> str:
    if part is None:
        return "-"
    return say_value(part) + ("*" if part.piece_count > 1 else "")


def describe_difference(candidate: Candidate, best: Candidate) -> str:
    """Say in a sentence what sets a candidate apart from the cheapest one shown."""
    if candidate is best:
        return "The smallest cost on this page."
    better: list[str] = []
    worse: list[str] = []
    for one, other in zip(candidate.goals, best.goals, strict=True):
        change = one.value - other.value
        if abs(change) < (0.5 if one.counted else _MOVES):
            continue
        name = one.name.replace("_", " ")
        size = f"{abs(change):.0f}" if one.counted else f"{abs(change):.2f}"
        (worse if change > 0.0 else better).append(f"{name} {size} {one.unit.split()[0]}")
    said = f"Costs {candidate.cost - best.cost:.3f} more than no. {best.rank}"
    if better:
        said += f"; better in {', '.join(better)}"
    if worse:
        said += f"; gives up {', '.join(worse)}"
    return said + "."


# --- one in detail ------------------------------------------------------------------------------


def draw_ways(candidate: Candidate, *, widest: float = WIDE) -> list[Picture]:
    """Draw the ladder of every way under its name and band; `widest` is for paper or a screen."""
    return [_draw_way(candidate, index, widest) for index in range(len(candidate.network.ways))]


def _draw_way(candidate: Candidate, index: int, widest: float) -> Picture:
    way = candidate.network.ways[index]
    words = (say_band(candidate, index), "connected inverted" if way.polarity < 0 else "")

    def draw(narrow: bool) -> str:
        return draw_figure(
            Network(ways=(way,)),
            title=f"Schematic of {way.name}, network {candidate.rank}",
            name=f"n{candidate.rank}w{index}{'n' if narrow else 'w'}-",
            widest=PHONE if narrow else widest,
        )

    return Picture(
        title=way.name,
        caption=", ".join(filter(None, words)),
        svg=draw,
        lines=lambda width: draw_ladder(way, width=width),
        tone=f"strong, way {index + 1}",
    )


def tabulate_goals(candidate: Candidate) -> Table:
    """Set the goals of a candidate under each other, with what they sum to."""
    rows: list[tuple[str | Cell, ...]] = [
        (
            goal.name.replace("_", " "),
            f"{goal.weight:g}",
            f"{goal.cost:.3f}",
            say_figure(goal),
            Cell(goal.unit, "soft"),
            Cell(goal.detail) if goal.met else Cell(f"BROKEN: {goal.detail}", "bad"),
        )
        for goal in candidate.goals
    ]
    rows.append((Cell("sum", "strong"), "", Cell(f"{candidate.cost:.3f}", "strong")))
    return Table(
        heads=("goal", "weight", "cost", "figure", "", ""),
        rows=tuple(rows),
        align="lrrrll",
        key="goals",
    )


def certify(candidate: Candidate, *, sought: bool) -> list[str]:
    """Say how good a candidate is known to be; nothing where nobody looked for a better one."""
    return say_certificate(candidate) if sought or candidate.no_better_change_of else []


def judge(candidate: Candidate, *, sought: bool = True) -> list[Part]:
    """Say how hard a load a candidate is, its preference score, and how sure it is."""
    sentences = [
        say_impedance(candidate),
        *say_preference(candidate),
        *certify(candidate, sought=sought),
    ]
    return [
        *(Note(text=sentence) for sentence in sentences),
        *(Note(text=note, lead="Note", warns=True) for note in candidate.notes),
    ]


def describe(candidate: Candidate) -> list[Part]:
    """Describe one candidate: ladders, goals, impedance, and how sure it is."""
    return [*draw_ways(candidate), tabulate_goals(candidate), *judge(candidate)]


# --- charts -------------------------------------------------------------------------------------


def draw_charts(candidate: Candidate) -> tuple[Chart, Chart]:
    """Chart the response on axis and the input impedance of one candidate, for a terminal too."""
    curves = candidate.curves

    def response(width: int) -> list[list[Segment]]:
        legend: list[Segment] = [("response on axis:  ", ""), ("⣀⣀⣀ sum", "sum")]
        if curves.target_db is not None:
            legend.append(("   ⣀⣀ ⣀ target", "target"))
        legend += [
            (f"   ⢀⢀⢀ {way.name}", f"way {index}")
            for index, way in enumerate(candidate.network.ways, start=1)
        ]
        return [legend, *draw_response(curves, width=width)]

    def impedance(width: int) -> list[list[Segment]]:
        return [[("input impedance", "")], *draw_impedance(curves, width=width)]

    return (
        Chart(
            key="axis",
            title="On the axis",
            text="Level at 1 m for 2.83 V in dB. Shaded: where 9 in 10 speakers built with these "
            "tolerances lie.",
            wide=True,
            drawn=response,
        ),
        Chart(
            key="ohms",
            title="Impedance",
            text="Modulus in ohm, with the floor that is asked for. Shaded: 9 in 10 speakers.",
            drawn=impedance,
        ),
    )


def list_charts(candidate: Candidate) -> Charts:
    """List the charts that can be drawn of candidates of one problem."""
    curves: CurveSet = candidate.curves
    axis, ohms = draw_charts(candidate)
    charts = [axis]
    if "listening_window" in curves.named_db:
        charts += [
            Chart(
                key="room",
                title="Around the speaker and in the room",
                text="Averages over directions, level in dB at 1 m for 2.83 V.",
            ),
            Chart(
                key="index",
                title="Directivity",
                text="Listening window less sound power, and less early reflections, in dB.",
            ),
        ]
    charts += [
        Chart(
            key=plane,
            title=f"Level by angle, {plane}",
            text="In dB against the axis. Between measured angles the picture is interpolated; "
            "numbers are those of the nearest measured angle.",
        )
        for plane in sorted(list_planes(curves))
    ]
    charts += [
        ohms,
        Chart(key="phase", title="Phase of the impedance", text="In degrees."),
        Chart(
            key="drive",
            title="Drive of each way",
            text="Voltage at the driver against the amplifier's, in dB.",
        ),
    ]
    if len(candidate.network.ways) > 1:
        charts += [
            Chart(
                key="tracking",
                title="Phase between neighbouring ways",
                text="On the axis, where both are within 12 dB of each other, in degrees. Near "
                "zero they add up.",
            ),
            Chart(
                key="null",
                title="With one way turned round",
                text="Level on the axis in dB. A deep, even notch at the crossover shows that the "
                "ways are in step.",
            ),
        ]
    return Charts(items=tuple(charts))


# --- the sections of a page ----------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    """Candidates that a document shows, with what their page adds.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    candidates : tuple of Candidate
        The one shown at first comes first; ranks are names on the page.
    names : tuple of str
        What to call them in tables; empty for their ranks.
    seed : int
        Of the random draws for the tolerance band.
    front : tuple of str, optional
        Two goals between which the candidates are a front.
    knee : int, optional
        Rank of its knee.
    notes : tuple of str
        More to list among what was assumed.
    sought : bool
        Whether better ones were looked for.
    """

    problem: Problem
    candidates: tuple[Candidate, ...]
    names: tuple[str, ...] = ()
    seed: int = 1
    front: tuple[str, str] | None = None
    knee: int | None = None
    notes: tuple[str, ...] = ()
    sought: bool = True

    @cached_property
    def on_page(self) -> tuple[Candidate, ...]:
        """Those that a page has room for."""
        return self.candidates[:MOST_ON_PAGE]

    @cached_property
    def amplifier(self) -> Amplifier:
        """What loads are stated for."""
        return state_amplifier(self.problem.goals)

    @cached_property
    def ratings(self) -> tuple[Ratings, ...]:
        """Loads of each network on the page."""
        return tuple(
            rate_network(c.network, self.problem.drivers, self.amplifier) for c in self.on_page
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
            Pick(name=str(c.rank), small="" if self.front else f"{c.cost:.3f}")
            for c in self.on_page
        )

    def numbers(self) -> Mapping[str, Any]:
        """Collect what the charts of a page draw."""
        data = collect_networks(
            self.problem, self.on_page, self.ratings, seed=self.seed, front=self.front
        )
        data["front"] = (
            None if self.front is None else {"between": list(self.front), "knee": self.knee}
        )
        return data

    # Sections

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

        def side_by_side() -> list[Part]:
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

    def _tell_apart(self) -> list[Part]:
        several = len(self.on_page) > 1 and self.front is None
        left_out = len(self.candidates) - len(self.on_page)
        limit = [
            Note(text=f"The first {len(self.on_page)} of {len(self.candidates)} can be looked at "
                 "one by one below.")
        ] if left_out else []  # fmt: skip
        said: list[tuple[Part, ...]] = []
        for k, candidate in enumerate(self.on_page):
            sentences = [describe_difference(candidate, self.best)] if several else []
            sentences += certify(candidate, sought=self.sought)
            name = f", {self.names[k]}" if self.names else ""
            parts = [Note(text=" ".join(sentences), lead=f"No. {candidate.rank}{name}")]
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

    def scatter(self) -> list[Part]:
        """Every network as a point, or why there is none to compare."""
        if len(self.on_page) < 2:
            text = "There is one network on this page, so there is nothing to set against it."
            return [Note(text=text)]
        return [Scatter(title=POINTS_TITLE, text=POINTS_TEXT)]

    def sound(self) -> Section:
        """Curves of the network shown."""
        how = Note(
            text="Move over a chart, or use the arrow keys on it, to read every curve at a "
            "frequency; all charts follow. Tick curves on and off beside them.",
            tone="soft",
        )
        return Section(
            title="",
            page_title="What it does",
            key="sound",
            parts=(OnPage(compose=lambda: [how]), list_charts(self.candidates[0])),
        )

    def build(
        self, title: str, detail: Callable[[Candidate], Sequence[Part]] = describe
    ) -> Section:
        """Describe each network: in text the first, on a page the one picked, with its loads.

        Parameters
        ----------
        title : str
            Heading in text.
        detail : callable
            What is said of a network; pictures of its ways get their parts after them on a page.
        """
        lead = OnPage(compose=lambda: [Note(text=_LOADS.format(self.amplifier), tone="soft")])
        return Section(
            title=title,
            page_title="Build it",
            key="build",
            parts=(lead, self.choose(detail)),
        )

    def choose(self, detail: Callable[[Candidate], Sequence[Part]]) -> Choice:
        """Compose what is said of each network on the page."""
        return Choice(
            items=tuple(
                (
                    OnPage(compose=partial(self._head, k)),
                    *self._with_parts(k, detail(candidate)),
                )
                for k, candidate in enumerate(self.on_page)
            )
        )

    def _head(self, k: int) -> list[Part]:
        candidate, ratings = self.on_page[k], self.ratings[k]
        price = f", {candidate.price:.2f} {self.currency}".rstrip() if candidate.price else ""
        head: list[Part] = [
            Heading(title=f"Network no. {candidate.rank}, {candidate.parts} pieces{price}")
        ]
        return head + [Note(text=text, warns=True) for text in list_warnings(ratings)]

    def _with_parts(self, k: int, parts: Sequence[Part]) -> list[Part]:
        filled: list[Part] = []
        for part in parts:
            filled.append(part)
            if isinstance(part, Picture):
                filled.append(OnPage(compose=partial(self._rate, k, part.title)))
        return filled

    def _rate(self, k: int, way: str) -> list[Part]:
        """Parts of one way with their loads, and what its driver takes."""
        ratings = self.ratings[k]
        load = next(d for d in ratings.drivers if d.way == way)
        limit = "" if load.limit_w is None else f" of the {load.limit_w:g} W it stands"
        rows = [_rate_part(one, self.currency) for one in ratings.parts if one.way == way]
        priced = any(one.part.price is not None for one in ratings.parts)
        heads = ("part", "value", "loss", "source", "on programme", "worst sine", "rating")
        shown = [row if priced else row[:-1] for row in rows]
        table = Table(
            heads=(*heads, "price") if priced else heads,
            rows=tuple(shown),
            align="lllllllr" if priced else "lllllll",
            key="parts",
        )
        takes = Note(
            text=f"{load.driver} takes {load.watts:.3g} W on programme{limit}.", tone="soft"
        )
        return [takes, *([table] if rows else [])]

    def assumed(self, title: str = "Assumed or estimated") -> Section:
        """List what was assumed; a page lists more, and what its pictures rest on."""
        known = list(dict.fromkeys(getattr(self.problem, "notes", ())))
        listed: list[Part] = [Listing(items=tuple(known))] if known else []

        def more() -> list[Part]:
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
        sections = (self.trade(), self.sound(), self.build("Build it"))
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


def warn_estimated(problem: Problem) -> list[Part]:
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
        Cell(load.name, "strong"),
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
            "differs from it in any one or two parts (another value, left out, added, polarity) "
            "was computed and none has a smaller cost. It may still be bettered by changing three "
            "or more parts at once."
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
