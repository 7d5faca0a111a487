"""What a page says of a sitting at the bench: networks to begin from, and the one that is turned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from optimizer.bench.check import Comparison, compare_networks
from optimizer.bench.turning.bargains import Bargain
from optimizer.bench.turning.sitting import Offered, Sitting
from optimizer.bench.voice.voicing import VoiceResult
from optimizer.bench.voice.wishes import Wish
from optimizer.goals.goal import GOALS, say_name
from optimizer.parts import KEPT, LOSS_OF_KIND, UNIT_OF_KIND, Part
from optimizer.problem.candidate import Candidate
from optimizer.report.blocks import say_quantity
from optimizer.report.columns import Column, list_columns
from optimizer.report.document import Cell, Note, Passage, Table
from optimizer.report.documents.numbers import list_planes
from optimizer.report.documents.verdicts import list_verdicts
from optimizer.report.documents.voice import say_answer, say_elsewhere, say_wish
from optimizer.report.ladder_text import describe_join
from optimizer.report.render.json import candidate_to_json, curves_to_json
from optimizer.report.words import say_change, say_frequency
from optimizer.text.units import format_quantity

_DIFFERENCES = {"on_axis": "on the axis", "in_room": "in the room"}
_WATCHED = ("on_axis_db", "target_db", "ways_db", "impedance_ohm")  # of charts that stand above
_LEAST_DB = 0.05  # below which a difference is not worth a word
_LEAST_GIVEN = 0.005  # a figure that is written the same
_OFFERED = ("cost", "parts", "price", "impedance_min", "doubts")


def offer_answers(
    result: VoiceResult, wishes: Sequence[Wish], *, name: str, parent: str
) -> tuple[list[Offered], str]:
    """Turn the answers to some wishes into networks to begin from.

    Parameters
    ----------
    result : VoiceResult
        Answers; where there are none, what comes nearest is offered.
    wishes : sequence of Wish
        What was wished.
    name, parent : str
        What they are called, with a number, and what they were made of.

    Returns
    -------
    list of Offered
        Each set against the network as it stands.
    str
        What the wishes were taken to mean, and what came of them.
    """
    answers = result.answers or result.nearest
    offered = []
    for number, answer in enumerate(answers, 1):
        item = say_answer(None, answer, result.present, wishes)
        offered.append(
            Offered(
                name=f"{name}.{number}",
                candidate=answer.candidate,
                parent=parent,
                said=("; ".join((item.title, *item.bad)), *item.lines),
                against=result.present,
            )
        )
    meant = "; ".join([*map(say_wish, wishes), *say_elsewhere(answers)])
    if not answers:
        return [], f"{meant}: no change serves this"
    count = f"{len(answers)} answer{'s' if len(answers) > 1 else ''}"
    if not result.answers:
        count = f"no answer gains what it costs; {len(answers)} nearest"
    return offered, f"{meant}: {count}"


def say_bargain(bargain: Bargain, goal: str) -> str:
    """Say what giving up some of one goal buys of another, in the words of both goals."""
    sold, bought = GOALS[goal], GOALS[bargain.bought.name]
    gained = f"{_say_amount(bargain.gained, bought.unit, bought.counted)} {bought.buys}"
    if bargain.given < _LEAST_GIVEN:
        return f"nothing {sold.sells} buys {gained}"
    return f"{_say_amount(bargain.given, sold.unit, sold.counted)} {sold.sells} buys {gained}"


def _say_amount(amount: float, unit: str, counted: bool) -> str:
    return f"{amount:.0f} {unit}" if counted else f"{amount:.2f} {unit.split()[0]}"


@dataclass(frozen=True)
class Seen:
    """What is to be seen of a sitting: every figure is computed when first needed, and once.

    Parameters
    ----------
    sitting : Sitting
    """

    sitting: Sitting

    @cached_property
    def candidate(self) -> Candidate:
        """The network that is shown, with every figure."""
        return self.sitting.candidate()

    @cached_property
    def compared(self) -> Comparison:
        """What sets it apart from the one before."""
        return compare_networks(self.before_candidate, self.candidate)

    @cached_property
    def before_candidate(self) -> Candidate:
        """The network before, costed by the weights that are set now."""
        return self.sitting.weighed(self.sitting.shown.before)

    def subject(self) -> dict[str, Any]:
        """Collect what charts draw of the network shown, its difference from before included."""
        return {**self._subject(self.candidate, "now"), "difference": self._differences()}

    def _differences(self) -> dict[str, Any]:
        return {
            _DIFFERENCES[curve.name]: np.round(curve.difference_db, 4).tolist()
            for curve in self.compared.curves
            if curve.name in _DIFFERENCES
        }

    def glance(self) -> dict[str, Any]:
        """Collect what is watched while a value is turned: it is seen before the rest is composed."""
        names = [way.name for way in self.candidate.network.ways]
        curves = curves_to_json(self.candidate.curves, names)
        return {
            "curves": {name: curves[name] for name in _WATCHED if name in curves},
            "difference": self._differences(),
            "start": self.sitting.shown.start,
            "knobs": self.knobs(),
            "ways": self.ways(),
            "switches": self.switches(),
            "done": self.done(),
            "most": self.most(),
        }

    def before(self) -> dict[str, Any]:
        """Collect what charts draw of the network before."""
        return {**self._subject(self.before_candidate, "before"), "difference": {}}

    def _subject(self, candidate: Candidate, label: str) -> dict[str, Any]:
        """Collect what charts draw of one network, as `collect_networks` does for a page."""
        currency = self.sitting.problem.stock.currency
        return {
            "label": label,
            "result": candidate_to_json(candidate, currency=currency),
            "spread": {},
            "planes": list_planes(candidate.curves),
        }

    def offered(self) -> list[dict[str, Any]]:
        """List the networks to begin from, with the figures by which one chooses among them.

        Returns
        -------
        list of dict
            ``name``, ``said``, ``figures`` by column as texts, with the values that they are sorted
            and filtered by, ``goals``, the figure of each, and ``doubtful``.
        """
        candidates = [self.sitting.weighed(one.candidate) for one in self.sitting.offered]
        columns = [c for c in self._columns(candidates) if c.name in _OFFERED]
        return [
            {
                "name": one.name,
                "said": list(one.said),
                "figures": {
                    column.name: {
                        "head": column.head.replace("-\n", "").replace("\n", " "),
                        "text": column.say(candidate),
                        "unit": column.unit,
                        "value": _rank(column, candidate),
                    }
                    for column in columns
                },
                "goals": {goal.name: round(goal.value, 4) for goal in candidate.goals},
                "doubtful": candidate.doubtful or not candidate.feasible,
            }
            for one, candidate in zip(self.sitting.offered, candidates, strict=True)
        ]

    def weights(self) -> list[dict[str, Any]]:
        """List the goals that count, and how much each counts in the design and now."""
        own = self.sitting.problem.goals
        return [
            {
                "name": goal.name,
                "said": say_name(goal.name),
                "unit": goal.unit,
                "own": own[goal.name].weight,
                "now": goal.weight,
            }
            for goal in self.candidate.goals
            if own[goal.name].weight and not own[goal.name].hard
        ]

    def knobs(self) -> list[dict[str, Any]]:
        """List the parts of the network and how far each can be turned."""
        references = self.sitting.shown.laid.network.references
        return [
            {
                "label": knob.label,
                "ladder": knob.ladder,
                "name": knob.name,
                "called": references.get((knob.ladder, knob.name), ""),
                "slot": knob.slot,
                "text": (
                    ""
                    if knob.part is None
                    else say_quantity(knob.part.value, UNIT_OF_KIND[knob.part.kind])
                ),
                "detail": "" if knob.part is None else _say_detail(knob.part),
                "row": knob.row,
                "count": knob.count,
                "filling": knob.filling,
                "kept": knob.kept,
                "filled": knob.part is not None,
            }
            for knob in self.sitting.shown.laid.knobs
        ]

    def ways(self) -> list[dict[str, Any]]:
        """List the ways, how each is connected, and whether that is free."""
        laid = self.sitting.shown.laid
        return [
            {"name": way.name, "inverted": way.polarity < 0, "free": way.name in laid.turnable}
            for way in laid.network.ways
        ]

    def switches(self) -> list[dict[str, Any]]:
        """List alternatives and controls, and which of each is built."""
        return [
            {
                "ladder": one.ladder,
                "title": one.control or "built with",
                "names": list(one.names),
                "taken": one.taken,
            }
            for one in self.sitting.shown.laid.switches
        ]

    def done(self) -> list[str]:
        """Say what sets the network apart from the one before, part by part."""
        compared = self.compared
        turned = [f"{way}: turned round" for way in compared.polarity]
        return [*map(say_change, compared.parts), *turned, *compared.taps]

    def most(self) -> str:
        """Say how far it departs from the one before, wherever that is; empty where it does not."""
        said = [
            f"{curve.worst_db:+.1f} dB at {say_frequency(curve.worst_hz)} {_DIFFERENCES[curve.name]}"
            for curve in self.compared.curves
            if curve.name in _DIFFERENCES and abs(curve.worst_db) >= _LEAST_DB
        ]
        return f"at most {', '.join(said)}" if said else ""

    def texts(self) -> dict[str, list[Passage]]:
        """Compose what stands beside the charts: figures now and before, and the verdicts."""
        candidate, before = self.candidate, self.before_candidate
        rows: list[tuple[str | Cell, ...]] = []
        for column in self._columns([candidate, before]):
            now, then = column.say(candidate), column.say(before)
            broken = column.broken is not None and column.broken(candidate)
            tone = "bad" if broken else "strong" if now != then else ""
            rows.append(
                (
                    column.title.strip(),
                    Cell(now, tone),
                    Cell(then, "soft"),
                    Cell(column.unit, "soft"),
                )
            )
        table = Table(
            heads=("figure", "now", "before", ""), rows=tuple(rows), align="lrrl", key="turned"
        )
        remarks = (*candidate.notes, *self.sitting.shown.laid.problem.compared)
        notes = [Note(text=note, lead="Note", warns=True) for note in dict.fromkeys(remarks)]
        return {"figures": [table, *notes], "verdicts": list_verdicts(candidate)}

    def _columns(self, candidates: Sequence[Candidate]) -> list[Column]:
        return list_columns(candidates, units={"price": self.sitting.problem.stock.currency})


def _rank(column: Column, candidate: Candidate) -> float | None:
    """By what networks are put in order: a figure, or how many verdicts are bad and to be looked at."""
    if column.name == "doubts":
        states = [verdict.state for verdict in candidate.verdicts]
        return 100.0 * states.count("bad") + states.count("look")
    value = column.value(candidate)
    return value if isinstance(value, int | float) and np.isfinite(value) else None


def _say_detail(part: Part) -> str:
    """Say what of a part its value does not: its loss, its pieces, where it comes from."""
    loss = LOSS_OF_KIND[part.kind]
    return ", ".join(
        filter(
            None,
            (
                f"{loss} {format_quantity(part.loss_ohm, 'ohm')}" if loss and part.loss_ohm else "",
                describe_join(part),
                "on the board" if part.origin == KEPT else part.origin,
            ),
        )
    )
