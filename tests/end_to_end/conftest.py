"""A real browser for pages: Chromium driven over its own debugging pipe, no other program."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.on_the_bench import Bench, coarsen

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
    "--remote-debugging-pipe",
)


class Browser:
    """One Chromium with one tab; commands are those of the Chrome DevTools Protocol."""

    def __init__(self, program: str) -> None:
        self.folder = tempfile.mkdtemp(prefix="page-browser-")
        # Chromium reads commands from descriptor 3 and writes answers to descriptor 4.
        read_command, self.command = os.pipe()
        self.answer, write_answer = os.pipe()

        def hand_over() -> None:
            # Through high numbers, so that neither descriptor overwrites the other.
            one, two = os.dup(read_command), os.dup(write_answer)
            os.dup2(one, 103)
            os.dup2(two, 104)
            os.dup2(103, 3)
            os.dup2(104, 4)

        self.process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={self.folder}", "about:blank"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            preexec_fn=hand_over,
            close_fds=False,
            start_new_session=True,
        )
        os.close(read_command)
        os.close(write_answer)
        self.waiting = b""
        self.number = 0
        self.events: list[dict[str, Any]] = []
        self.session: str | None = None
        self.shows: dict[str, Any] | None = None
        target = next(
            t for t in self.call("Target.getTargets")["targetInfos"] if t["type"] == "page"
        )
        self.session = self.call(
            "Target.attachToTarget", targetId=target["targetId"], flatten=True
        )["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send one command and wait for its answer; events met on the way are kept."""
        self.number += 1
        message: dict[str, Any] = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.command, json.dumps(message).encode() + b"\0")
        deadline = time.monotonic() + 60.0
        while time.monotonic() < deadline:
            answer = self._next()
            if answer.get("id") == self.number:
                assert "error" not in answer, answer["error"]
                return dict(answer["result"])
            self.events.append(answer)
        raise TimeoutError(method)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self.waiting:
            chunk = os.read(self.answer, 1 << 20)
            if not chunk:
                raise EOFError("the browser has gone")
            self.waiting += chunk
        line, _, self.waiting = self.waiting.partition(b"\0")
        return dict(json.loads(line))

    def run(self, expression: str) -> Any:
        """Evaluate JavaScript in the page; promises are awaited."""
        answer = self.call(
            "Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def wait(self, condition: str, seconds: float = 30.0) -> None:
        """Wait until an expression is true."""
        deadline = time.monotonic() + seconds
        while not self.run(condition):
            assert time.monotonic() < deadline, f"never true: {condition}"
            time.sleep(0.01)

    def open(
        self,
        path: Path,
        *,
        width: int = 1280,
        height: int = 900,
        dark: bool = False,
        touch: bool = False,
        ready: str = "document.documentElement.dataset.ready === 'yes'",
    ) -> None:
        """Open a file at a size and wait until it says that it is ready."""
        self.resize(width, height, touch=touch)
        self.set_dark(dark)
        self.events.clear()
        self.call("Page.navigate", url=path.resolve().as_uri())
        self.wait("document.readyState === 'complete' && location.protocol === 'file:'")
        self.wait(ready)

    def show(self, path: Path, *, width: int = 1280, dark: bool = False, **more: Any) -> None:
        """Open a file as `open` does, unless that is what the test before left on the screen.

        For tests that leave a page as they found it: opening one takes longer than reading it.
        """
        wanted = {"path": path, "width": width, "dark": dark}
        if self.shows != wanted:
            self.open(path, width=width, dark=dark, touch=width < 600, **more)
            self.shows = wanted

    def resize(self, width: int, height: int, *, touch: bool = False) -> None:
        """Set the size of the page in CSS pixels."""
        self.shows = None
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=touch,
        )

    def set_dark(self, dark: bool) -> None:
        """Prefer dark or light colours."""
        self.call(
            "Emulation.setEmulatedMedia",
            features=[{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}],
        )

    def move(self, x: float, y: float) -> None:
        """Move the mouse."""
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def click(self, x: float, y: float) -> None:
        """Press and release the left button."""
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def press(self, key: str) -> None:
        """Press and release a key by its name."""
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key)

    def complaints(self) -> list[str]:
        """Errors and warnings of the console, and requests that left the file."""
        self.run("0")
        said = []
        for event in self.events:
            method, params = event.get("method"), event.get("params", {})
            if method == "Runtime.consoleAPICalled" and params["type"] in (
                "error",
                "warning",
                "assert",
            ):
                said.append(f"console: {params['args']}")
            elif method == "Runtime.exceptionThrown":
                said.append(f"exception: {params['exceptionDetails']}")
            elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
                said.append(f"log: {params['entry']}")
            elif method == "Network.requestWillBeSent" and not params["request"]["url"].startswith(
                ("file:", "data:")
            ):
                said.append(f"request: {params['request']['url']}")
        return said

    def shoot(self, path: Path, *, full: bool = True) -> None:
        """Save a picture of the page."""
        params: dict[str, Any] = {"format": "png", "captureBeyondViewport": full}
        if full:
            size = self.call("Page.getLayoutMetrics")["cssContentSize"]
            params["clip"] = {
                "x": 0,
                "y": 0,
                "width": size["width"],
                "height": size["height"],
                "scale": 1,
            }
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", **params)["data"]))

    def print_pdf(self, path: Path) -> None:
        """Print to A4 as the page's own style asks."""
        data = self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"]
        path.write_bytes(base64.b64decode(data))

    def close(self) -> None:
        """End this browser and its helpers, and nothing else."""
        for end in (self.command, self.answer):
            with contextlib.suppress(OSError):
                os.close(end)
        try:
            self.process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of Chromium; skips the test when there is none."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("chromium is not installed (Debian package chromium)")
    return program


@pytest.fixture(scope="session")
def browser(chromium: str) -> Iterator[Browser]:
    """A browser with one tab, started once; each test opens its page in it."""
    opened = Browser(chromium)
    try:
        yield opened
    finally:
        opened.close()


@pytest.fixture(scope="session")
def make_bench(
    laddersmith: Callable[..., Any],
    copy_demo: Callable[..., Path],
    tmp_path_factory: pytest.TempPathFactory,
) -> Callable[..., Bench]:
    """Return a function that finds a network for the demo on few points, texts of it replaced."""

    def make(*changes: tuple[str, str], options: tuple[Any, ...] = ()) -> Bench:
        design = copy_demo(tmp_path_factory.mktemp("bench"), *changes)
        return Bench(laddersmith, coarsen(design), *options)

    return make
