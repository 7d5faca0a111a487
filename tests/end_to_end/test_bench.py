"""The bench: who may come in, and a sitting at it in a real browser."""

from __future__ import annotations

import http.client
import json
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from scipy.io import wavfile

import optimizer
from optimizer.bench.diary.file import name_diary, read_diary
from optimizer.bench.diary.keep import Deed, add_deed
from optimizer.bench.turning.laid import LaidOut
from optimizer.bench.turning.sitting import Offered, Sitting
from optimizer.errors import InputError
from optimizer.live.desk import Desk
from optimizer.live.server import serve
from optimizer.network.network import Network
from optimizer.parts import Part
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.report.columns import list_columns
from tests.conftest import THOROUGH, Done
from tests.end_to_end.stranger import Stranger

ROOT = Path(__file__).resolve().parents[2]


def make_offered(problem: Problem, count: int) -> list[Offered]:
    """Networks whose places are all filled, of smaller and larger values."""
    space = problem.space
    share = np.linspace(0.4, 0.6, count)
    return [
        Offered(
            name=f"made {k + 1}",
            parent=f"made {k + 1}",
            candidate=build_candidate(
                problem,
                space.snap(
                    (1.0 - s) * space.log_low + s * space.log_high,
                    np.ones(len(space.slots), dtype=bool),
                    space.polarity_start,
                ),
            ),
        )
        for k, s in enumerate(share)
    ]


@pytest.fixture(scope="module")
def design(copy_demo: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_demo(tmp_path_factory.mktemp("turned"), coarse=True)


@pytest.fixture(scope="module")
def problem(design: Path) -> Problem:
    return optimizer.load(design)


@pytest.fixture(scope="module")
def desk(design: Path, problem: Problem) -> Desk:
    sitting = Sitting.begin(problem, make_offered(problem, 3))
    return Desk(sitting, design_name="design.yaml", folder=design.parent)


@pytest.fixture(scope="module")
def address(desk: Desk) -> Iterator[str]:
    with serve(desk) as opened:
        yield opened


def ask(address: str, method: str = "GET", path: str = "", body: Any = None, **headers: str) -> int:
    """Ask as some program would, and return the status."""
    at = urlsplit(address)
    connection = http.client.HTTPConnection(at.hostname or "", at.port, timeout=60)
    connection.putrequest(method, path or at.path, skip_host="Host" in headers)
    data = b"" if body is None else json.dumps(body).encode()
    for name, text in {"Content-Length": str(len(data)), **headers}.items():
        connection.putheader(name.replace("_", "-"), text)
    connection.endheaders(data)
    status = connection.getresponse().status
    connection.close()
    return status


def list_parts(network: Network) -> dict[str, Part]:
    """Parts by "tweeter.P1.Rs"."""
    return {
        f"{way.name}.{name}": part
        for way in network.ways
        for slot in way.slots
        for name, _, part in slot.named_parts
    }


LOOK = {"do": "look"}


def test_only_the_page_itself_comes_in(address: str) -> None:
    """A wrong secret, another host that was made to point here, and another page are turned away."""
    at = urlsplit(address)
    own = f"http://{at.netloc}"
    do = f"{at.path}do"
    assert ask(address) == 200
    assert ask(address, "POST", do, LOOK, Origin=own) == 200
    assert at.hostname == "127.0.0.1"
    wrong = at.path[:-3] + ("aa" if at.path[-3:-1] != "aa" else "bb") + "/"
    refused = {
        "no secret": ask(address, path="/"),
        "wrong secret": ask(address, path=wrong),
        "wrong secret, order": ask(address, "POST", f"{wrong}do", LOOK, Origin=own),
        "other host": ask(address, Host="speakers.example"),
        "other host, own port": ask(address, Host=f"localhost:{at.port}"),
        "other page": ask(address, "POST", do, LOOK, Origin="http://speakers.example"),
        "page of a file": ask(address, "POST", do, LOOK, Origin="null"),
        "other port": ask(address, "POST", do, LOOK, Origin="http://127.0.0.1:1"),
        "no page at all": ask(address, "POST", do, LOOK),
        "embedded elsewhere": ask(address, Sec_Fetch_Site="cross-site"),
    }
    assert refused == dict.fromkeys(refused, 403)


def test_orders_that_make_no_sense_change_nothing(address: str, desk: Desk) -> None:
    """Too long, no JSON, unknown, of the wrong type: answered in words, and all stays as it was."""
    at = urlsplit(address)
    own = {"Origin": f"http://{at.netloc}"}
    do, before = f"{at.path}do", desk.sitting
    assert ask(address, "POST", do, ["step"], **own) == 400
    assert ask(address, "POST", do, None, **own) == 400
    assert ask(address, "POST", do, {"do": "look", "x": "y" * 70_000}, **own) == 413
    assert ask(address, "POST", f"{at.path}elsewhere", LOOK, **own) == 404
    assert ask(address, path=f"{at.path}etc/passwd") == 404
    for order in (
        {},
        {"do": "explode"},
        {"do": ["step"]},
        {"do": "step", "label": "woofer.L1", "by": 1.5},
        {"do": "step", "label": "woofer.L1", "by": True},
        {"do": "step", "label": 7, "by": 1},
        {"do": "choose", "start": -1},
        {"do": "search"},
        {"do": "search", "kept": [1]},
        {"do": "save", "name": "../elsewhere.yaml", "note": ""},
        {"do": "save", "name": "design.txt", "note": ""},
        {"do": "save", "name": "design.yaml", "note": ""},
    ):
        assert desk.answer(order)["refused"], order
    assert desk.sitting is before


def test_a_port_that_is_taken_is_said(desk: Desk) -> None:
    """A port in use ends in one message, not in a trace."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match="--port"), serve(desk, port=port):
            pass


@pytest.mark.skipif(sys.platform == "win32", reason="other signals there")
def test_it_ends_with_the_command(design: Path, desk: Desk) -> None:
    """Ctrl-C closes the door: exit code 0, nothing complains, and the port is free again."""
    desk.answer({"do": "save", "name": "begun.yaml", "note": "to begin from"})
    words = ["bench", str(design), "--network", str(design.parent / "begun.yaml"), "--no-open"]
    with subprocess.Popen(
        [sys.executable, "-m", "optimizer", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        # Whoever runs the tests in the background may have Ctrl-C ignored, and children with it.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    ) as command:
        ender = threading.Timer(120.0, command.kill)
        ender.start()
        assert command.stdout is not None
        assert command.stderr is not None
        said = command.stdout.readline()
        address = said.split(" at ")[1].split()[0]
        assert ask(address) == 200
        command.send_signal(signal.SIGINT)
        ended = command.wait(), command.stderr.read(), command.stdout.read()
        ender.cancel()
    assert ended == (0, "", "")
    with pytest.raises(ConnectionRefusedError):
        ask(address)


def test_nobody_would_know_the_address(laddersmith: Callable[..., Done], design: Path) -> None:
    """Quiet and without a browser is refused before any work."""
    done = laddersmith("bench", design, "--quiet", "--no-open")
    assert done.returncode == 2
    assert "--no-open" in done.stderr


def test_a_search_beside_it_keeps_what_is_ticked(desk: Desk, problem: Problem) -> None:
    """What it finds is offered as it comes, is better, keeps what it is told to, and stops when asked."""
    begun = desk.sitting
    start = desk.sitting.candidate()
    kept = ["woofer.L1", "tweeter.P1.Rs"]
    assert desk.answer({"do": "search", "kept": kept})["search"]["on"]
    assert "under way" in desk.answer({"do": "search", "kept": []})["refused"]
    end = time.monotonic() + 60.0
    while len(desk.sitting.offered) == len(begun.offered) and time.monotonic() < end:
        time.sleep(0.02)
    told = desk.answer({"do": "stop"})
    assert not told["search"]["on"]
    assert "stopped" in told["search"]["said"] or "betters" in told["search"]["said"]
    found = [one.candidate for one in desk.sitting.offered[len(begun.offered) :]]
    assert found
    assert told["offered"][-1]["name"] == f"found {len(found)}"
    assert all(one.cost < start.cost for one in found)
    for one in found:
        assert [list_parts(one.network)[k] for k in kept] == [
            list_parts(start.network)[k] for k in kept
        ]
        assert build_candidate(problem, one.network).cost == one.cost
    # A network that was found descends, in its file, from where the search began.
    assert desk.sitting.offered[-1].parent == begun.offered[begun.shown.start].parent
    desk.sitting = begun


def test_wishes_are_answered_as_by_voice(desk: Desk, problem: Problem) -> None:
    """A wish in words has the answers of `voice`, each set against the network that was heard."""
    begun = desk.sitting
    heard = begun.candidate()
    told = desk.answer({"do": "wish", "text": "2k..5k -1 dB; in_room above 6k -0.5 dB"})
    result = optimizer.voice(problem, heard, ["2k..5k -1 dB", "in_room above 6k -0.5 dB"])
    expected = [one.candidate.network for one in result.answers or result.nearest]
    assert expected
    offered = desk.sitting.offered[len(begun.offered) :]
    assert [one.candidate.network for one in offered] == expected
    assert all(one.against is not None for one in offered)
    assert "-1 dB from 2 kHz to 5 kHz" in told["heard"]
    chosen = desk.answer({"do": "choose", "start": len(begun.offered)})
    assert desk.sitting.shown.before.network == heard.network
    assert chosen["done"]
    assert chosen["done"][0].split(":")[0] in chosen["offered"][-len(expected)]["said"][0]
    assert "known here" in desk.answer({"do": "wish", "text": "grumble"})["refused"]
    assert desk.answer({"do": "wish", "text": " ; "})["refused"]
    desk.sitting = begun


def test_a_sitting_in_a_browser(
    browser: Any, address: str, desk: Desk, design: Path, laddersmith: Callable[..., Done]
) -> None:
    """Five values turned by keys, wheel and buttons, one taken back, saved: the file has to the
    printed digit what the screen showed, by another command."""
    browser.resize(1440, 900)
    browser.set_dark(False)
    browser.events.clear()
    browser.call("Page.navigate", url=address)
    browser.wait("document.readyState === 'complete' && location.protocol === 'http:'")
    browser.wait("document.documentElement.dataset.ready === 'yes'")

    # The first screen has candidates, curves, verdicts and schematic.
    for name in ("offered", "axis", "difference", "verdicts", "ohms", "schematic", "ladders"):
        box = browser.run(f"document.getElementById('{name}').getBoundingClientRect().toJSON()")
        assert 0 <= box["top"] < 860, name
        assert box["height"] > 60, name
        assert box["right"] <= 1440, name
    for name in ("axis", "difference", "verdicts", "ohms", "schematic"):
        assert (
            browser.run(f"document.getElementById('{name}').getBoundingClientRect().bottom") <= 900
        )

    # Names stand in one line on the screen, and values are whole on paper, under what they belong to.
    tall = "[...document.querySelectorAll('.knob .name')].map((e) => e.getClientRects()[0].height)"
    assert max(browser.run(tall)) < 26
    browser.call("Emulation.setEmulatedMedia", media="print")
    try:
        cut = "[...document.querySelectorAll('.spin')].map((e) => e.scrollWidth - e.clientWidth)"
        assert max(browser.run(cut)) <= 0
        assert browser.run("document.querySelector('.bar h1').getClientRects().length") == 1
        for name in ("keep", "print", "seek", "tabs", "upper-box"):
            assert not browser.run(f"document.getElementById('{name}').getClientRects().length")
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")

    def spin(label: str) -> str:
        return f"""document.querySelector('[data-label="{label}"] .spin')"""

    def wait_for_states(count: int) -> None:
        browser.wait("!busy")
        assert len(desk.sitting.states) == count

    begun = [one.candidate for one in desk.sitting.offered]
    browser.run("document.querySelector('[data-start=\"1\"]').click()")
    wait_for_states(2)
    for label, key in (("woofer.L1", "ArrowDown"), ("midrange.C1", "ArrowUp")):
        text = browser.run(f"{spin(label)}.textContent")
        browser.run(f"{spin(label)}.focus()")
        browser.press(key)
        browser.wait(f"{spin(label)}.textContent !== {json.dumps(text)}")
        browser.wait("!busy")  # the drawing follows the value, and may move
        assert browser.run(f"document.activeElement === {spin(label)}")
    # The wheel over a symbol of the schematic, then over a value.
    at = browser.run(
        """(() => { const b = document.querySelector('[data-part="tweeter.C1"]').getBoundingClientRect();
        return [b.x + b.width / 2, b.y + b.height / 2]; })()"""
    )
    for x, y in (at, *[browser.run(
        f"(() => {{ const b = {spin('midrange.L2')}; b.scrollIntoView({{block: 'nearest'}});"
        " const r = b.getBoundingClientRect(); return [r.x + 9, r.y + 9]; })()"
    )]):  # fmt: skip
        browser.call("Input.dispatchMouseEvent", type="mouseWheel", x=x, y=y, deltaX=0, deltaY=-100)
        browser.run("new Promise((done) => setTimeout(done, 50))")
        browser.wait("!busy")
    browser.run("""document.querySelector('[aria-label="larger tweeter L1"]').click()""")
    wait_for_states(7)
    shown_before = browser.run("document.getElementById('figures').textContent")
    browser.run("""document.querySelector('[data-turn="tweeter"]').click()""")
    wait_for_states(8)
    browser.run("document.getElementById('undo').click()")
    browser.wait("!busy")
    assert browser.run("document.getElementById('figures').textContent") == shown_before
    assert len(desk.sitting.shown.laid.network.parts) == len(begun[1].network.parts)

    # What the curves are drawn of is the engine's, and so is the difference.
    now = desk.sitting.candidate()
    drawn = np.array(browser.run("[...plots[0].sources.on_axis.data.y]"))
    assert drawn == pytest.approx(now.curves.named_db["on_axis"], abs=1e-4)
    other = np.array(browser.run("[...plots[0].sources['on_axis other'].data.y]"))
    assert other == pytest.approx(begun[1].curves.named_db["on_axis"], abs=1e-4)
    less = np.array(browser.run("[...plots[1].sources['difference 0'].data.y]"))
    assert less == pytest.approx(drawn - other, abs=2e-4)
    assert np.max(np.abs(less)) > 0.1

    # Another chart stands above, and follows what is turned; then it goes back.
    browser.run("(() => { const one = document.getElementById('upper'); one.value = 'room';"
                " one.dispatchEvent(new Event('change')); })()")  # fmt: skip
    assert browser.run("document.querySelector('#curves > .chart').id") == "room"
    browser.run(f"{spin('tweeter.L1')}.focus()")
    browser.press("ArrowUp")
    wait_for_states(8)
    drawn = browser.run("[...plots.find((p) => p.figure.id === 'room').sources.in_room.data.y]")
    room = desk.sitting.candidate().curves.named_db["in_room"]
    assert np.array(drawn) == pytest.approx(room, abs=1e-4)
    assert np.max(np.abs(room - now.curves.named_db["in_room"])) > 1e-3
    browser.run("document.getElementById('undo').click()")
    browser.wait("!busy")

    browser.run("document.getElementById('keep').click()")
    browser.run("document.getElementById('file').value = 'turned.yaml'")
    browser.run("document.querySelector('#saving form').requestSubmit()")
    browser.wait("document.getElementById('told').textContent.startsWith('Saved')")
    saved = design.parent / "turned.yaml"
    done = laddersmith("check", design, saved, "--json", design.parent / "turned.json")
    assert done.returncode == 0, done.stderr
    told = json.loads((design.parent / "turned.json").read_text(encoding="utf-8"))
    found = told.get("candidate") or told["candidates"][0]
    rows = dict(
        browser.run(
            "[...document.querySelectorAll('.turned tbody tr')].map((row) =>"
            " [...row.children].slice(0, 2).map((cell) => cell.textContent))"
        )
    )
    for column in list_columns([now]):
        figure = found.get(column.name, found["goals"].get(column.name))
        if isinstance(figure, dict):
            figure = figure.get(column.unit, figure.get("value"))
        if figure is not None:
            assert rows[column.title.strip()] == column.say_value(figure), column.name
    assert len(rows) > 10
    assert "made 2" in saved.read_text(encoding="utf-8")
    # It can be used on a phone and by ear: nothing is cut, everything that is turned has a name.
    named = browser.call("Accessibility.getFullAXTree")["nodes"]
    turned = [n for n in named if n.get("role", {}).get("value") in ("button", "spinbutton", "slider",
              "checkbox", "textbox", "combobox")]  # fmt: skip
    assert len(turned) > 60
    assert all(n["name"].get("value") for n in turned if not n["ignored"])
    for width in (768, 390):
        browser.resize(width, 844, touch=width < 600)
        assert browser.run("document.documentElement.scrollWidth") <= width
    again = desk.answer({"do": "save", "name": "turned.yaml", "note": ""})
    assert "never overwritten" in again["refused"]
    ours = [c for c in browser.complaints() if not c.startswith(f"request: {address}")]
    assert ours == []


@pytest.fixture(scope="module")
def listed(problem: Problem, design: Path) -> Iterator[tuple[Desk, str]]:
    """A desk with networks of all kinds, some of which differ by one value."""
    space, rng = problem.space, np.random.default_rng(5)
    drawn = []
    for _ in range(10):
        share = rng.uniform(0.3, 0.7, len(space.genes))
        present = ~space.optional | (rng.random(len(space.slots)) < 0.6)
        log_value = (1.0 - share) * space.log_low + share * space.log_high
        drawn.append(
            LaidOut(problem=problem, genome=space.snap(log_value, present, space.polarity_start))
        )
    apart = [drawn[k] for k in (3, 6, 7, 2)]
    near = [drawn[2].step(label, 1) for label in ("woofer.Z1.R", "midrange.P1.Rs", "tweeter.L1")]
    offered = [
        Offered(name=f"no. {k}", parent="", candidate=build_candidate(problem, laid.network))
        for k, laid in enumerate([*apart, *near], 1)
    ]
    desk = Desk(Sitting.begin(problem, offered), design_name="design.yaml", folder=design.parent)
    with serve(desk) as opened:
        yield desk, opened


FORGET = """for (const name of ["pieces", "least"]) part(name).value = "";
sorted = { by: null, down: false };
order({ do: "look" }); 0"""


def meet(browser: Any, listed: tuple[Desk, str], *, start: int) -> tuple[Desk, Stranger]:
    """Show the page of a desk with one of its networks on it; opened once, since that takes longest."""
    desk, address = listed
    desk.sitting = Sitting.begin(desk.sitting.problem, desk.sitting.offered[:7]).choose(start)
    if browser.run("location.href") == address:
        browser.run(FORGET)
    else:
        browser.resize(1440, 900)
        browser.events.clear()
        browser.call("Page.navigate", url=address)
        browser.wait("location.protocol === 'http:'")
        browser.wait("document.documentElement?.dataset.ready === 'yes'")
    browser.wait("!busy && !asking")
    return desk, Stranger(browser)


def find_lines(figures: list[dict[str, float]], start: int) -> list[str]:
    """What 0.2 dB on the axis buys of goals off it, from one of some networks, found by looking."""
    here = figures[start]
    within = [one for one in figures if one["on_axis"] <= here["on_axis"] + 0.2]
    lines = []
    for goal, words in (
        ("directivity", "smoother directivity"),
        ("in_room", "smoother in the room"),
    ):
        best = min(within, key=lambda one: (one[goal], one["on_axis"]))
        given, gained = best["on_axis"] - here["on_axis"], here[goal] - best[goal]
        if gained >= 0.005:
            price = f"{given:.2f} dB" if given >= 0.005 else "nothing"
            lines.append(f"{price} of ripple on the axis buys {gained:.2f} dB {words}")
    return lines


def test_a_stranger_finds_what_he_came_for(browser: Any, listed: tuple[Desk, str]) -> None:
    """Three tasks, each in three actions at most; the answers are told by the engine alone."""
    # The network with the fewest pieces above 4 ohm.
    desk, stranger = meet(browser, listed, start=0)
    known = [one.candidate for one in desk.sitting.offered]
    above = [c for c in known if c.impedance_min_ohm >= 4.0]
    assert min(c.parts for c in known) < min(c.parts for c in above)
    stranger.write("spinbutton", "at least ohm", "4")
    stranger.press("button", "pieces")
    stranger.press("button", "no. ", pressed=True)
    assert stranger.actions <= 3
    chosen = desk.sitting.candidate()
    assert chosen.impedance_min_ohm >= 4.0
    assert chosen.parts == min(c.parts for c in above)

    # What 0.2 dB on the axis buys off it.
    figures = [{goal.name: goal.value for goal in c.goals} for c in known]
    told_from = [find_lines(figures, start) for start in range(len(known))]
    start = max(range(len(known)), key=lambda k: sum(one.startswith("0.") for one in told_from[k]))
    desk, stranger = meet(browser, listed, start=start)
    stranger.press("tab", "Trade")
    stranger.write("spinbutton", "Give up", "0.2")
    told = stranger.read("list")
    assert stranger.actions <= 3
    assert any(line.startswith("0.") for line in told_from[start])
    assert [line for line in told_from[start] if line not in told] == []

    # Which part to change for 1 dB less at 3 kHz.
    desk, stranger = meet(browser, listed, start=3)
    before = desk.sitting.candidate()
    f = before.curves.frequency_hz
    octave = (f >= 3000.0 / 2**0.5) & (f <= 3000.0 * 2**0.5)
    stranger.write("textbox", "What the sound should do", "at 3k -1 dB")
    stranger.press("button", "wish 1.1")
    assert stranger.actions <= 3
    after = desk.sitting.candidate()
    less = after.curves.named_db["on_axis"] - before.curves.named_db["on_axis"]
    rest = less[(f >= 100.0) & (f <= 16e3) & ~octave]
    assert -1.5 < less[octave].mean() - rest.mean() < -0.5
    changed = {
        label
        for label, part in list_parts(after.network).items()
        if list_parts(before.network).get(label) != part
    }
    assert 0 < len(changed) <= 3
    assert all(
        label in browser.run("document.getElementById('done').innerText") for label in changed
    )
    assert [c for c in browser.complaints() if not c.startswith("request: http://127.0.0.1")] == []


NOISE_HZ = 48_000


@pytest.fixture(scope="module")
def noise(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four seconds of noise in two channels."""
    rng = np.random.default_rng(8)
    path = tmp_path_factory.mktemp("music") / "noise.wav"
    wavfile.write(path, NOISE_HZ, (0.05 * rng.normal(size=(4 * NOISE_HZ, 2))).astype(np.float32))
    return path


ORDER = {
    "before": "0",
    "after": "2",
    "from": "0",
    "seconds": "3",
    "trials": "3",
    "name": "noise.wav",
}


def test_nothing_is_heard_that_makes_no_sense(
    listed: tuple[Desk, str], noise: Path, address: str
) -> None:
    """Music and orders that are no such are refused in words; sounds need the secret, and music first."""
    pytest.importorskip("pyloudnorm")
    desk, _ = listed
    raw = noise.read_bytes()
    for changed, data, words in (
        ({}, b"no music", "could not be read as WAV or FLAC"),
        ({"after": "99"}, raw, "no such network"),
        ({"after": "x"}, raw, "no such network"),
        ({"after": "0"}, raw, ""),  # a network against itself can be listened to
        ({"from": "3.9"}, raw, "at least 1 s"),
        ({"seconds": "500"}, raw, "up to 120 s"),
        ({"seconds": "-1"}, raw, "number from 0 up"),
        ({"trials": "51"}, raw, "1 to 50 trials"),
    ):
        assert words in desk.listen(data, {**ORDER, **changed})["refused"], words
    at = urlsplit(address)
    own = {"Origin": f"http://{at.netloc}"}
    assert ask(address, path=f"{at.path}sound/A") == 404
    assert ask(address, "POST", f"{at.path}music", "x", Origin="http://speakers.example") == 403
    assert ask(address, "POST", f"{at.path}music", "x", **own) == 200
    assert (
        ask(address, "POST", f"{at.path}music", "x", **{**own, "Content-Length": "400000000"})
        == 413
    )
    assert ask(address, path="/wrong/sound/A") == 403


def test_a_stranger_listens_without_knowing(
    browser: Any, listed: tuple[Desk, str], noise: Path, design: Path
) -> None:
    """What the browser plays as A is the music, as B is equally loud, as X one of both; right answers
    are counted, and the diary has them with both networks."""
    loudness = pytest.importorskip("pyloudnorm")
    diary = name_diary(design)
    add_deed(diary, Deed(did="note", says="begun"))
    desk, stranger = meet(browser, listed, start=4)
    stranger.press("tab", "Hear")
    assert "Begin at a low volume" in stranger.read("tabpanel", "Hear")
    root = browser.call("DOM.getDocument")["root"]["nodeId"]
    file = browser.call("DOM.querySelector", nodeId=root, selector="#music")["nodeId"]
    browser.call("DOM.setFileInputFiles", nodeId=file, files=[str(noise)])
    stranger.choose("combobox", "A, as built", "no. 4")
    stranger.write("spinbutton", "trials", "3")
    assert browser.run("document.getElementById('player').hidden") is False
    # The decoder may have another rate; what it has is read as it is played.
    rate, played = browser.run(
        "[player.context.sampleRate, Object.fromEntries(Object.entries(player.buffers).map(([k, b]) =>"
        " [k, [0, 1].map((c) => [...b.getChannelData(c)].map((v) => Math.round(v * 1e6)))]))]"
    )
    sounds = {name: np.array(channels).T / 1e6 for name, channels in played.items()}
    meter = loudness.Meter(rate)
    a, b = (meter.integrated_loudness(sounds[name]) for name in "AB")
    assert a == pytest.approx(b, abs=0.1)
    assert np.max(np.abs(sounds["A"] - sounds["B"])) > 1e-3
    listening = desk._listening
    assert listening is not None
    drawn = [listening._drawn[k] for k in range(3)]
    assert np.array_equal(sounds["X"], sounds[drawn[0]])
    for name in "ABX":
        stranger.press("button", name, pressed=True)
        assert browser.run("[player.plays, player.context.state]") == [name, "running"]
        browser.wait(f"player.gains.{name}.gain.value > 0.99", 10.0)
        others = [k for k in "ABX" if k != name]
        assert all(browser.run(f"player.gains.{k}.gain.value < 0.5") for k in others)
    for letter in drawn:
        stranger.press("button", f"X is {letter}")
    told = browser.run("document.getElementById('trial').textContent")
    assert told.startswith("3 of 3 right: by luck that or better comes in 12 % of all tries")
    entry = read_diary(diary).entries[-1]
    assert "no. 4 against no. 5 without knowing: 3 of 3 right" in entry.says
    assert len(entry.networks) == 2
    assert f"entry 2 of {diary}" in told
    ours = [c for c in browser.complaints() if not c.startswith("request: http://127.0.0.1")]
    assert ours == []


_HEAVY = ("serious", "critical")
_COLOURS = "color-contrast"  # nine tenths of what axe takes; the palette is judged by test_page.py


@pytest.mark.parametrize(
    "dark",
    [
        None,
        pytest.param(False, marks=THOROUGH, id="colours, light"),
        pytest.param(True, marks=THOROUGH, id="colours, dark"),
    ],
)
def test_pages_can_be_used_by_everybody(
    browser: Any,
    listed: tuple[Desk, str],
    fitted_demo: Path,
    laddersmith: Callable[..., Done],
    tmp_path: Path,
    dark: bool | None,
) -> None:
    """axe-core finds nothing serious or critical (WCAG 2.2, A and AA, and good practice) on any page."""
    found = find_spec("axe_playwright_python")
    if found is None or not found.submodule_search_locations:
        pytest.skip("axe is not installed")
    axe = Path(found.submodule_search_locations[0]) / "axe.min.js"
    script = axe.read_text(encoding="utf-8")
    check = ("check", fitted_demo / "design.yaml", f"{fitted_demo / 'results.json'}#1")
    for words in (check, ("guide",)):
        done = laddersmith(*words, "--page", tmp_path / f"{words[0]}.html")
        assert done.returncode == 0, done.stderr
    rules = {"rules": {_COLOURS: {"enabled": False}}} if dark is None else {"runOnly": [_COLOURS]}
    heavy: list[str] = []

    def judge(where: str) -> None:
        browser.run(f"window.axe || (0, eval)({json.dumps(script)}); 0")
        told = browser.run(
            f"axe.run(document, {json.dumps(rules)}).then((r) => [r.passes.length,"
            " r.violations.map((v) => [v.impact, v.id, v.nodes.length, v.nodes[0].target.join(' ')])])"
        )
        assert told[0] >= (20 if dark is None else 1), where
        heavy.extend(f"{where}: {one}" for one in told[1] if one[0] in _HEAVY)

    browser.set_dark(bool(dark))
    meet(browser, listed, start=0)
    # Everything that a tab or a step of a test would show is shown at once.
    browser.run("document.getElementById('tab-trade').click()")
    browser.wait("!busy && !asking && document.getElementById('bought').children.length > 0")
    browser.run(
        "document.querySelectorAll('.panel, #player').forEach((one) => { one.hidden = false; })"
    )
    judge("bench")
    browser.run("document.getElementById('keep').click()")
    judge("bench, saving")
    # The page of a check is made of what that of a fit is.
    checked = [] if dark is None else [tmp_path / "check.html"]
    for page in (
        fitted_demo / "page.html",
        fitted_demo / "build-sheet.html",
        tmp_path / "guide.html",
        *checked,
    ):
        browser.open(page, dark=bool(dark), ready="true")
        judge(page.name)
    assert heavy == []
