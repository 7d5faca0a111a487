"""What lies on the bench, what a page asks for, and what it is to show: without any network."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from optimizer.bench.check import compare_networks
from optimizer.bench.networks.file import write_network
from optimizer.bench.turning.bargains import find_bargains
from optimizer.bench.turning.sitting import Offered, Sitting
from optimizer.bench.voice.voicing import voice_network
from optimizer.bench.voice.wishes import parse_wish, read_words
from optimizer.errors import InputError
from optimizer.live.listening import Listening, prepare, tell_answered, tell_prepared
from optimizer.live.seeking import Seeker
from optimizer.network.network import Network
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import build_candidate
from optimizer.problem.provenance import Provenance
from optimizer.report.documents.candidates import list_charts
from optimizer.report.documents.hear import HEARING_CAUTIONS
from optimizer.report.documents.numbers import frame_charts
from optimizer.report.documents.turning import Seen, offer_answers, say_bargain
from optimizer.report.render.html import render_passages, render_turning
from optimizer.report.schematic import draw_figure
from optimizer.report.words import say_foot

Order = Mapping[str, Any]
"""What a page asks for: ``{"do": "step", "label": "woofer.L1", "by": 1}``."""

_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.+-]{0,99}\.ya?ml")
_SEEK_SECONDS = 10.0  # longest time of a search from what is shown
_LONGEST_NOTE = 2000
_MOST = 10**6
_FIRST = ("axis", "ohms")  # charts that stand above
_WIDEST = 30.0  # of the schematic, in drawing units


class Desk:
    """One sitting, and the answers to what is done in it; safe to ask from several threads.

    Parameters
    ----------
    sitting : Sitting
        What it begins with.
    design_name : str
        The design file, as the user gave it.
    folder : Path
        Where networks are saved.
    """

    def __init__(self, sitting: Sitting, *, design_name: str, folder: Path) -> None:
        self.sitting = sitting
        self.design_name = design_name
        self.folder = folder
        self._lock = threading.Lock()
        self._before: Candidate | None = None
        self._number = 0
        self._seeker: Seeker | None = None
        self._found = self._wished = 0
        self._listening: Listening | None = None
        self._seen: Seen | None = None

    def page(self) -> str:
        """Render the page as things stand."""
        with self._lock:
            seen = self._see()
            answer = self._answer(seen, known=0)
            problem = self.sitting.problem
            numbers = {
                **frame_charts(problem, seen.candidate),
                "figures": [],
                "candidates": [answer.pop("subject"), answer.pop("before")],
                "answer": answer,
            }
        return render_turning(
            title=problem.title,
            design_name=self.design_name,
            listed=[one for one in list_charts(seen.candidate).items if one.key not in _FIRST],
            numbers=numbers,
            cautions=HEARING_CAUTIONS,
            footer=partial(say_foot, problem, self.design_name),
        )

    def answer(self, order: Order) -> dict[str, Any]:
        """Do what is asked for, and say what is to be seen then.

        Parameters
        ----------
        order : mapping
            ``do`` names it; the rest depends on that. ``known`` is the number of the network
            before that the page has already, which is then not told again. With ``glance`` only
            what is watched while a value is turned is told; the page looks at the rest afterwards.

        Returns
        -------
        dict
            What the page shows; with ``refused``, a sentence, where it could not be done.
        """
        if order.get("do") == "stop":
            self.stop()
        if order.get("do") in ("stop", "news"):
            return self.news()
        if order.get("do") == "buy":
            return self._buy(order)
        if order.get("do") == "tell":
            return self._tell(order)
        with self._lock:
            refused = saved = heard = ""
            known = order.get("known")
            try:
                if order.get("do") == "save":
                    saved = self._save(order)
                elif order.get("do") == "search":
                    self._search(order)
                elif order.get("do") == "wish":
                    heard = self._wish(order)
                else:
                    self.sitting = _find_act(order)(self.sitting, order)
            except InputError as error:
                refused = str(error)
            seen, known = self._see(), known if isinstance(known, int) else 0
            if order.get("glance") is True and not refused:
                return {**seen.glance(), "glance": True, **self._tell_before(seen, known)}
            answer = self._answer(seen, known=known)
            return {**answer, "refused": refused, "saved": saved, "heard": heard}

    def _see(self) -> Seen:
        """Return what is to be seen: computed once for as long as nothing is done."""
        if self._seen is None or self._seen.sitting is not self.sitting:
            self._seen = Seen(self.sitting)
        return self._seen

    def listen(self, raw: bytes, order: Mapping[str, str]) -> dict[str, Any]:
        """Prepare music for listening without knowing, see `optimizer.live.listening.prepare`."""
        # Without the lock: values can be turned meanwhile.
        try:
            listening = prepare(self.sitting, raw, order)
        except InputError as error:
            return {"refused": str(error)}
        self._listening = listening
        return tell_prepared(listening)

    def sound(self, name: str) -> bytes | None:
        """Return music by A, B or X, as a WAV file; None where none is prepared."""
        return None if self._listening is None else self._listening.sound(name)

    def _tell(self, order: Order) -> dict[str, Any]:
        """Take an answer, and say what came of the test after the last."""
        with self._lock:
            try:
                if self._listening is None:
                    raise InputError("no music is prepared", remedy="choose a file first")
                self._listening.answer(_text(order, "letter"))
            except InputError as error:
                return {"refused": str(error)}
            design = self.folder / Path(self.design_name).name
            return tell_answered(self._listening, self.sitting.problem, design)

    def news(self) -> dict[str, Any]:
        """Say what changes by itself: networks that a search has found, and how far it is."""
        with self._lock:
            return {"offered": Seen(self.sitting).offered(), "search": self._say_search()}

    def stop(self) -> None:
        """End the search that is under way, if there is one, and keep what it found."""
        # Without the lock: the search takes it to tell what it has found.
        if self._seeker is not None:
            self._seeker.stop()

    def _say_search(self) -> dict[str, Any]:
        seeker = self._seeker
        return (
            {"on": False, "said": ""} if seeker is None else {"on": seeker.on, "said": seeker.say()}
        )

    def _search(self, order: Order) -> None:
        """Begin a search from what is shown."""
        kept = order.get("kept")
        if not (isinstance(kept, list) and all(isinstance(one, str) for one in kept)):
            raise InputError('"kept" must be a list of places', value=repr(kept))
        if self._seeker is not None and self._seeker.on:
            raise InputError("a search is under way", remedy="stop it first")
        sitting = self.sitting
        problem, laid = sitting.wanted, sitting.shown.laid.weighed(sitting.goals)
        parent, begun = sitting.start.parent, sitting.plain()

        def tell(network: Network) -> None:
            candidate = build_candidate(problem, network)
            with self._lock:
                self._found += 1
                found = Offered(
                    name=f"found {self._found}",
                    candidate=candidate,
                    parent=parent,
                    said=(_say_apart(begun, candidate),),
                    against=begun,
                )
                self.sitting = self.sitting.add([found])

        self._seeker = Seeker(laid, kept, seconds=_SEEK_SECONDS, tell=tell)

    def _wish(self, order: Order) -> str:
        """Ask for the fewest part changes that serve wishes, and say what came of it."""
        words = read_words(None)
        texts = [text.strip() for text in _text(order, "text").split(";")]
        wishes = [parse_wish(text, words) for text in texts if text]
        if not wishes:
            raise InputError("nothing was wished", remedy='write "less bright" or "2k..5k -1 dB"')
        sitting = self.sitting
        result = voice_network(sitting.wanted, sitting.shown.laid.network, wishes)
        self._wished += 1
        offered, said = offer_answers(
            result, wishes, name=f"wish {self._wished}", parent=sitting.start.parent
        )
        self.sitting = sitting.add(offered)
        return said

    def _buy(self, order: Order) -> dict[str, Any]:
        """Say what giving up some of one goal buys, among the networks that are offered."""
        sitting = self.sitting
        known = [one.candidate for one in sitting.offered]
        try:
            goal, give = _text(order, "goal"), _amount(order, "give")
            found = find_bargains(sitting.plain(), known, goal=goal, give=give)
        except InputError as error:
            return {"bought": [], "refused": str(error)}
        said = [{"start": one.number, "said": say_bargain(one, goal)} for one in found]
        return {"bought": said, "refused": ""}

    def _answer(self, seen: Seen, *, known: int) -> dict[str, Any]:
        sitting = self.sitting
        shown = sitting.shown
        return {
            "start": shown.start,
            "offered": seen.offered(),
            "search": self._say_search(),
            "subject": seen.subject(),
            **self._tell_before(seen, known),
            "knobs": seen.knobs(),
            "ways": seen.ways(),
            "weights": seen.weights(),
            "switches": seen.switches(),
            "done": seen.done(),
            "most": seen.most(),
            "undo": shown.said if sitting.at else None,
            "redo": (
                sitting.states[sitting.at + 1].said
                if sitting.at + 1 < len(sitting.states)
                else None
            ),
            "html": {
                **{name: render_passages(parts) for name, parts in seen.texts().items()},
                "schematic": draw_figure(
                    shown.laid.network, title="Schematic", name="live-", widest=_WIDEST
                ),
            },
        }

    def _tell_before(self, seen: Seen, known: int) -> dict[str, Any]:
        """Tell the network before, unless the page has it."""
        before = self.sitting.shown.before
        if before is not self._before:
            self._before, self._number = before, self._number + 1
        told = None if known == self._number else seen.before()
        return {"before": told, "known": self._number}

    def _save(self, order: Order) -> str:
        """Write what is shown as a network file beside the design, and say where."""
        name, note = _text(order, "name").strip(), _text(order, "note").strip()
        if not _FILE_NAME.fullmatch(name):
            raise InputError(
                "a network file has a plain name that ends in .yaml",
                value=repr(name),
                remedy='write one as "softer.yaml"; it goes beside the design file',
            )
        if len(note) > _LONGEST_NOTE:
            raise InputError(f"a note has at most {_LONGEST_NOTE} characters", value=len(note))
        sitting, candidate = self.sitting, self.sitting.plain()
        path = self.folder / name
        write_network(
            path,
            candidate.network,
            parent=sitting.start.parent,
            note=note,
            title=sitting.problem.title,
            certificate=candidate.certificate,
            made=Provenance.made_now(sitting.problem, candidate.network, candidate.cost),
        )
        saved = Offered(name=str(path), parent=str(path), candidate=candidate)
        self.sitting = sitting.adopt(saved)
        if sitting.goals is sitting.problem.goals:
            return str(path)
        return f"{path}, cost {candidate.cost:.3f} with the weights of the design"


def _say_apart(before: Candidate, candidate: Candidate) -> str:
    """Say in how many parts a network differs from where it was sought."""
    compared = compare_networks(before, candidate)
    count = len(compared.parts)
    turned = [f"{way} turned round" for way in compared.polarity]
    return ", ".join([f"{count} part{'' if count == 1 else 's'} changed", *turned])


def _text(order: Order, key: str) -> str:
    value = order.get(key)
    if not isinstance(value, str):
        raise InputError(f'"{key}" must be a text', value=repr(value))
    return value


def _whole(order: Order, key: str) -> int:
    value = order.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > _MOST:
        raise InputError(f'"{key}" must be a whole number', value=repr(value))
    return value


def _amount(order: Order, key: str) -> float:
    value = order.get(key)
    if not isinstance(value, int | float) or isinstance(value, bool) or not abs(value) < _MOST:
        raise InputError(f'"{key}" must be a number', value=repr(value))
    return float(value)


def _weights(order: Order) -> dict[str, float]:
    weights = order.get("weights")
    if not isinstance(weights, dict):
        raise InputError('"weights" must be numbers by goal', value=repr(weights))
    return {str(name): _amount(weights, name) for name in weights}


_Act = Callable[[Sitting, Order], Sitting]

_ACTS: Mapping[str, _Act] = {
    "look": lambda sitting, order: sitting,
    "choose": lambda sitting, order: sitting.choose(_whole(order, "start")),
    "step": lambda sitting, order: sitting.step(_text(order, "label"), _whole(order, "by")),
    "put": lambda sitting, order: sitting.put(_text(order, "label"), _whole(order, "row")),
    "toggle": lambda sitting, order: sitting.toggle(_text(order, "label")),
    "turn": lambda sitting, order: sitting.turn(_text(order, "way")),
    "take": lambda sitting, order: sitting.take(
        _whole(order, "switch"), _whole(order, "alternative")
    ),
    "free": lambda sitting, order: sitting.free(_text(order, "label")),
    "weigh": lambda sitting, order: sitting.weigh(_weights(order)),
    "hold": lambda sitting, order: sitting.hold(),
    "undo": lambda sitting, order: sitting.undo(),
    "redo": lambda sitting, order: sitting.redo(),
}
"""What can be done to a sitting, by name."""


def _find_act(order: Order) -> _Act:
    name = _text(order, "do")
    if name not in _ACTS:
        raise InputError("nothing of that name can be done", value=repr(name))
    return _ACTS[name]
