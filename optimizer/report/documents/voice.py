"""What `voice` answers: which parts to change for a wished tone, and what else that moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from optimizer.bench.check import PartChange, compare_networks
from optimizer.bench.voice.moves import BandMove, PointMove
from optimizer.bench.voice.voicing import CHANGE_DB, Answer, VoiceResult
from optimizer.bench.voice.wish_goals import FADE_OCTAVES, MoveLimits, find_wanted_level
from optimizer.bench.voice.wishes import Wish
from optimizer.parts import Part
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.report.document import Document, Item, Note, Passage, Remarks, Section, Table
from optimizer.report.documents.candidates import certify, tell_references
from optimizer.report.documents.octaves import tabulate_octaves
from optimizer.report.documents.shown import PAGE_ORDER, Shown
from optimizer.report.render.json import (
    SCHEMA,
    DescribedProblem,
    change_to_json,
    made_to_json,
    rated_to_json,
    work_to_json,
)
from optimizer.report.words import say_change, say_foot, say_frequency, say_value

_CURVES = ("on_axis", "in_room", "impedance")
_MOST_CHANGES = 3


def document_voice(
    problem: Problem,
    result: VoiceResult,
    wishes: Sequence[Wish],
    limits: MoveLimits,
    *,
    design_name: str,
    network_name: str,
    changes: int,
    top: int,
    use: Mapping[str, Part] | None = None,
    taken: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> Document:
    """Say what can be done about some wishes.

    Parameters
    ----------
    problem : Problem
        What the network belongs to.
    result : VoiceResult
        What was found.
    wishes : sequence of Wish
        What was wished.
    limits : MoveLimits
        What was held.
    design_name, network_name : str
        As the user gave them.
    changes : int
        Most changes that were looked for.
    top : int
        Answers to show; JSON holds all.
    use : mapping of str to Part, optional
        Parts that were to be used.
    taken : sequence of str
        What the network is taken for, if not for what its file says.
    notes : sequence of str
        What was assumed in reading the network.

    Returns
    -------
    Document
        A page shows the network as it is as number 0 and each answer by its own number.
    """
    use = use or {}
    answers = result.answers[:top]
    present = result.present
    shown = Shown(
        problem,
        (
            replace(present, rank=0),
            *(replace(a.candidate, rank=k) for k, a in enumerate(answers, 1)),
        ),
        names=("as it is", *(f"no. {k}" for k in range(1, len(answers) + 1))),
    )
    asked = [say_wish(wish) for wish in wishes]
    asked += [f"to be used: {_say_use(label, part)}" for label, part in use.items()]
    asked += say_elsewhere((*answers, *result.nearest))
    sections = [
        shown.lead(
            design_name,
            Note(text=say_served(result, answers, use), tone="strong"),
            notes=taken,
            remarks=notes,
        ),
        Section(
            title="",
            page_title="Wished",
            key="wished",
            parts=(
                *(Note(text=text) for text in asked),
                Remarks(parts=(Note(text=say_limits(limits)),)),
            ),
        ),
    ]
    if use:
        sections.append(_say_base(result, wishes, use, answers))
    if answers:
        items = [say_answer(k, a, present, wishes) for k, a in enumerate(answers, 1)]
        sections.append(Section(title="", page_title="Answers", key="answers", parts=tuple(items)))
    if result.nearest:
        sections.append(
            Section(
                title="",
                key="nearest",
                parts=(
                    Note(text="Nearest to an answer, though none gains what it costs:"),
                    *(say_answer(None, a, present, wishes) for a in result.nearest),
                ),
            )
        )
    if answers:
        moved = tabulate_moves(answers[0], present)
        sections.append(Section(title="What no. 1 moves", key="moves", parts=(moved,)))
        sections.append(shown.which("Side by side", whole=False))
    sections += [
        Section(
            title="",
            key="search",
            parts=(
                Note(text=say_search(result, changes)),
                *certify(present, lead="As it is"),
                *tell_references(present.network),
            ),
        ),
        shown.assumed(),
        *shown.only_on_page(),
    ]
    return Document(
        title=f"{problem.title}: {network_name}",
        sections=tuple(sections),
        order=("lead", "wished", "use", "answers", "nearest", "moves", "search", *PAGE_ORDER),
        picks=shown.picks(),
        footer=partial(say_foot, problem, design_name),
        numbers=shown.numbers,
        data=lambda: voice_to_json(result, problem, wishes, use, design_name, network_name),
    )


def say_served(result: VoiceResult, answers: Sequence[Answer], use: Mapping[str, Part]) -> str:
    """Say first of all whether the wish is served within the limits, and by which answers."""
    served = "the wish is served within the limits"
    if use and not result.base.beyond:
        return f"YES: {served} with what is to be used alone."
    numbered = {f"no. {k}": answer for k, answer in enumerate(answers, 1)}
    good = [name for name, answer in numbered.items() if not answer.beyond]
    if not answers:
        return "NO: no change of parts gains what it costs."
    if not good:
        return f"NO: {served} by none of these; what each breaks is said with it."
    by = "all of these" if len(good) == len(answers) > 1 else ", ".join(good)
    spoiled = [name for name in good if _has_bad(numbered[name])]
    return f"YES: {served} by {by}." + (
        f" With a bad verdict on something else: {', '.join(spoiled)}." if spoiled else ""
    )


def _has_bad(answer: Answer) -> bool:
    return any(verdict.state == "bad" for verdict in answer.candidate.verdicts)


def _say_use(label: str, part: Part) -> str:
    return f"{label} {say_value(part)}"


def _say_base(
    result: VoiceResult,
    wishes: Sequence[Wish],
    use: Mapping[str, Part],
    answers: Sequence[Answer],
) -> Section:
    named = "that part" if len(use) == 1 else "those parts"
    parts: list[Passage] = [
        Note(text=f"With {named} alone:"),
        say_answer(None, result.base, result.present, wishes),
    ]
    if not answers and not result.base.beyond:
        parts.append(Note(text="No further change is worth its while."))
    return Section(title="", key="use", parts=tuple(parts))


def say_wish(wish: Wish) -> str:
    """Say what a wish is taken to mean."""
    if wish.floor_ohm is not None:
        low, high = wish.floor_band_hz
        return (
            f"{wish.text}: at least {wish.floor_ohm:g} ohm from {say_frequency(low)} to "
            f"{say_frequency(high)}"
        )
    if wish.level_change_db is not None:
        return f"{wish.text}: everything {wish.level_change_db:+g} dB"
    if wish.level_db is not None:
        return f"{wish.text}: mean from 300 Hz to 3 kHz on axis"
    bands = ", ".join(
        f"{b.change_db:+.3g} dB from {say_frequency(b.low_hz)} to {say_frequency(b.high_hz)}"
        for b in wish.bands
    )
    return f"{wish.text}: {bands} {wish.curve.replace('_', ' ')}, relative to everything else"


def say_limits(limits: MoveLimits) -> str:
    """Say what is held, and how firmly."""
    return (
        f"Held: everything from {say_frequency(limits.band_hz[0])} to "
        f"{say_frequency(limits.band_hz[1])} that is {FADE_OCTAVES:g} octave or more outside the "
        f"wished bands, within {limits.hold_db:g} dB of its own mean change, that mean within "
        f"{limits.level_db:g} dB, directivity index within {limits.directivity_db:g} dB; the lowest "
        f"impedance may fall by {1.0 - limits.impedance:.0%}. What a wished band moves is told "
        "against that mean; between, anything from no change to the full one is free."
    )


def say_answer(
    number: int | None, answer: Answer, present: Candidate, wishes: Sequence[Wish]
) -> Item:
    """Say one answer: changes, what becomes of the wishes, what else moves."""
    return Item(
        lead="" if number is None else f"{number}.",
        title="; ".join(_say_change_with_origin(c) for c in answer.changes),
        lines=tuple(say_moves(answer, present, wishes)),
        bad=tuple(f"but {broken.says}" for broken in answer.beyond),
    )


def _say_change_with_origin(change: PartChange) -> str:
    text = say_change(change)
    part = change.after
    if part is None or part.origin == "kept":
        return text
    joined = f", {part.piece_count} pieces {part.joined}" if part.piece_count > 1 else ""
    return f"{text} ({part.origin}{joined})"


def say_moves(answer: Answer, present: Candidate, wishes: Sequence[Wish]) -> list[str]:
    """Say in words what an answer moves.

    Parameters
    ----------
    answer : Answer
        The answer.
    present : Candidate
        The network before.
    wishes : sequence of Wish
        What was wished.

    Returns
    -------
    list of str
        Sentences.
    """
    new, old = answer.candidate, present
    said = [
        f"{say_frequency(move.band.low_hz)} to {say_frequency(move.band.high_hz)} "
        f"{move.curve.replace('_', ' ')}: {move.moved_db:+z.2f} dB of the wished "
        f"{move.band.change_db:+z.2f}, {move.shape if move.idle_hz else f'at worst {move.worst}'}"
        for move in answer.moves.bands
    ]
    wanted = find_wanted_level(old, wishes)
    if wanted is not None:
        said.append(
            f"level {new.sensitivity_db - old.sensitivity_db:+z.2f} dB of the wished {wanted:+z.2f}"
        )
    said += [
        f"elsewhere {rest.curve.replace('_', ' ')} {rest.mean_db:+z.2f} dB on average, farthest from "
        f"that by {rest.worst}"
        for rest in answer.moves.rest
    ]
    lines = ["; ".join(said)]
    lines.append(
        f"lowest impedance {old.impedance_min_ohm:.2f} -> {new.impedance_min_ohm:.2f} ohm; "
        f"sensitivity {old.sensitivity_db:.2f} -> {new.sensitivity_db:.2f} dB; "
        f"cost by the design's goals {old.cost:.3f} -> {new.cost:.3f}; "
        f"at the iron {answer.work}"
    )
    return lines


def say_elsewhere(answers: Sequence[Answer]) -> list[str]:
    """Say which frequencies are meant by "elsewhere": the same ones in all answers."""
    rest = next((rest for answer in answers for rest in answer.moves.rest), None)
    if rest is None:
        return []
    ranges = (f"{say_frequency(low)} to {say_frequency(high)}" for low, high in rest.ranges_hz)
    return [f"elsewhere means {', '.join(ranges)}"]


def tabulate_moves(answer: Answer, present: Candidate) -> Table:
    """Set what an answer moves in a table over octaves."""
    comparison = compare_networks(present, answer.candidate)
    return tabulate_octaves(
        {c.name: c.difference_db for c in comparison.curves if c.name in _CURVES},
        present.curves.frequency_hz,
    )


def say_search(result: VoiceResult, changes: int) -> str:
    """Say how thorough the search was."""
    exact = min(changes, 2)
    parts = "one part" if exact == 1 else "one or two parts"
    text = (
        f"{result.seconds:.1f} s: all {result.evaluations:,} changes of {parts} from stock "
        "computed or ruled out."
    )
    if changes > 2:
        text += " Three changes were looked for from the best pairs onwards, not exhaustively."
    return text


def say_why_not(result: VoiceResult, changes: int) -> str:
    """Say in one line what stands in the way when no answer keeps all limits, and what to do.

    Parameters
    ----------
    result : VoiceResult
        Without any answer within all limits.
    changes : int
        Most changes that were looked for.
    """
    parts = "one part" if changes == 1 else f"up to {changes} parts"
    advice: list[str] = []
    if result.answers:
        best = result.answers[0]
        text = (
            f"no change of {parts} from stock serves the wish within the limits; nearest, "
            f"no. 1: {'; '.join(excess.says for excess in best.beyond)}"
        )
        if all(excess.option for excess in best.beyond):
            options = " ".join(excess.option for excess in best.beyond)
            advice.append(f"allow that with {options}")
    else:
        text = (
            f"no change of {parts} from stock brings the wish nearer by the "
            f"{CHANGE_DB:g} dB that each change must gain"
        )
    if result.finer is not None:
        change = "; ".join(say_change(c) for c in result.finer.changes)
        advice.append(
            f"offer values between those in stock, which has none for {change} "
            '(under "stock:" a finer series, or "join: 2" for two pieces in one place)'
        )
    if changes < _MOST_CHANGES:
        advice.append(f"allow more changes (--changes {changes + 1})")
    advice.append("wish for less or for something else")
    return f"{text}; {', or '.join(advice)}"


def _moves_to_json(answer: Answer) -> dict[str, Any]:
    """List each wished band as "moves", the first one as "moved" too."""
    moves = [_move_to_json(move, answer) for move in answer.moves.bands]
    return {"moved": moves[0], "moves": moves} if moves else {}


def _move_to_json(move: BandMove, answer: Answer) -> dict[str, Any]:
    data: dict[str, Any] = {
        "curve": move.curve,
        "band_hz": [move.band.low_hz, move.band.high_hz],
        "wished_db": move.band.change_db,
        "moved_db": round(move.moved_db, 6),
        "band_db": round(move.band_db, 6),
        "error_db": round(move.error_db, 6),
        "even": move.even,
        "worst": _point_to_json(move.worst),
    }
    for rest in answer.moves.rest:
        if rest.curve == move.curve:
            data |= {
                "rest_db": round(rest.mean_db, 6), "rest_worst": _point_to_json(rest.worst),
                "rest_hz": [list(one) for one in rest.ranges_hz],
            }  # fmt: skip
    return data


def _point_to_json(point: PointMove) -> dict[str, float]:
    return {"hz": point.hz, "db": round(point.db, 6)}


def voice_to_json(
    result: VoiceResult,
    problem: DescribedProblem,
    wishes: Sequence[Wish],
    use: Mapping[str, Part],
    design_name: str,
    network_name: str,
) -> dict[str, Any]:
    """Turn answers into plain data for JSON; SI units, no NaN or infinity."""
    return {
        "schema": SCHEMA,
        "design": design_name,
        **made_to_json(problem),
        "network": network_name,
        "wishes": [say_wish(wish) for wish in wishes],
        "use": [{"slot": label, "value": part.value} for label, part in use.items()],
        "evaluations": result.evaluations,
        "unchanged": {
            "wish_error_db": round(result.base.wish_error_db, 6),
            "score": round(result.base.score, 6),
            "cost": round(result.present.cost, 6),
        },
        "answers": [
            {
                "changes": [change_to_json(change) for change in answer.changes],
                "work": work_to_json(answer.work),
                "wish_error_db": round(answer.wish_error_db, 6),
                "score": round(answer.score, 6),
                "level_db": round(answer.level_db, 6),
                **_moves_to_json(answer),
                "within_limits": not answer.beyond,
                "beyond": [excess.says for excess in answer.beyond],
                "allowed_by": [excess.option for excess in answer.beyond if excess.option],
                "exact": answer.exact,
                "cost": round(answer.candidate.cost, 6),
                "candidate": rated_to_json(answer.candidate, problem),
            }
            for answer in result.answers
        ],
        # Values that the stock lacks are no answer, but say what it would take.
        **(
            {}
            if result.finer is None
            else {
                "finer": {
                    "changes": [change_to_json(change) for change in result.finer.changes],
                    "candidate": rated_to_json(result.finer.candidate, problem),
                }
            }
        ),
    }
