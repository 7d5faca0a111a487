"""The door to the desk: a server that only this machine reaches, with a secret in its address.

Whoever may open pages on this machine is kept out by what every web page is kept out by: the
address has a random token, the Host must be our own (else a name made to point here would do), and
an Origin, where a browser sends one, must be ours. What changes anything must send it.
"""

from __future__ import annotations

import contextvars
import json
import secrets
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from socketserver import TCPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from optimizer.errors import InputError
from optimizer.live.desk import Desk

LOOPBACK = "127.0.0.1"
_LARGEST_ORDER_BYTES = 64 * 1024
_LARGEST_MUSIC_BYTES = 300_000_000
_SILENCE_S = 60.0  # after which a connection that asks nothing is closed

_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; font-src data:; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    allow_reuse_address = False

    def __init__(self, port: int, desk: Desk, token: str) -> None:
        self.desk = desk
        self.token = token
        # What was claimed, read and written is kept by context: requests share that of the command.
        self._context = contextvars.copy_context()
        super().__init__((LOOPBACK, port), _Handler)

    def server_bind(self) -> None:
        """Bind without asking a name service who we are."""
        TCPServer.server_bind(self)
        self.server_name, self.server_port = LOOPBACK, self.server_address[1]

    @property
    def place(self) -> str:
        """Host and port, as a browser names them."""
        return f"{LOOPBACK}:{self.server_address[1]}"

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Handle one connection, in its own thread, in the context of the command."""
        self._context.copy().run(super().process_request_thread, request, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of a browser that went away; show the trace of a fault of ours."""
        if not isinstance(sys.exception(), OSError):
            traceback.print_exc()


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    protocol_version = "HTTP/1.1"
    server_version = "laddersmith"
    sys_version = ""
    disable_nagle_algorithm = True
    wbufsize = -1
    timeout = _SILENCE_S

    def log_message(self, format: str, *args: Any) -> None:
        """Keep quiet."""

    def do_GET(self) -> None:
        """Give the page."""
        if self._refused(changes=False):
            return
        path = self.path.removeprefix(f"/{self.server.token}/")
        if not path:
            self._say(200, "text/html", self.server.desk.page())
            return
        wanted = path.removeprefix("sound/")
        sound = None if wanted == path else self.server.desk.sound(wanted)
        if sound is None:
            self._say(404, "text/plain", "There is nothing here.")
        else:
            self._send(200, "audio/wav", sound)

    def do_POST(self) -> None:
        """Do what the page asks for."""
        if self.path.partition("?")[0] == f"/{self.server.token}/music":
            self._take_music()
            return
        body = self._read_body(_LARGEST_ORDER_BYTES, "An order has a known length, and is short.")
        if body is None or self._refused(changes=True):
            return
        if self.path != f"/{self.server.token}/do":
            self._say(404, "text/plain", "There is nothing here.")
            return
        try:
            order = json.loads(body)
        except (ValueError, RecursionError):
            order = None
        if not isinstance(order, dict):
            self._say(400, "text/plain", "One JSON object is needed.")
            return
        self._answer(lambda: self.server.desk.answer(order))

    def _take_music(self) -> None:
        """Take a recording, once it is known to come from the page."""
        if self._refused(changes=True):
            self.close_connection = True
            return
        body = self._read_body(_LARGEST_MUSIC_BYTES, "Music has a known length, up to 300 MB.")
        if body is None:
            return
        query = parse_qs(urlsplit(self.path).query, max_num_fields=20)
        order = {name: values[-1] for name, values in query.items()}
        self._answer(lambda: self.server.desk.listen(body, order))

    def _answer(self, make: Callable[[], dict[str, Any]]) -> None:
        """Send what is to be seen."""
        try:
            answer = json.dumps(make())
        except Exception:
            self._say(500, "text/plain", "The program itself failed: its terminal says where.")
            raise
        self._say(200, "application/json", answer)

    def _read_body(self, most: int, rule: str) -> bytes | None:
        """Read what was sent; None, and an answer, where that is too much or of unknown length."""
        length = self.headers.get("Content-Length", "")
        if not (length.isascii() and length.isdigit() and int(length) <= most):
            self.close_connection = True
            self._say(413, "text/plain", rule)
            return None
        return self.rfile.read(int(length))

    def _refused(self, *, changes: bool) -> bool:
        """Turn away whoever is not the page, and say whether that was done."""
        own = f"http://{self.server.place}"
        origin = self.headers.get("Origin")
        given = self.path.partition("/")[2].partition("/")[0]
        known = secrets.compare_digest(given.encode(), self.server.token.encode())
        welcome = (
            self.headers.get_all("Host") == [self.server.place]
            and (origin == own or (origin is None and not changes))
            and self.headers.get("Sec-Fetch-Site", "none") in ("none", "same-origin")
            and known
        )
        if not welcome:
            self._say(403, "text/plain", "Open the address that laddersmith bench printed.")
        return not welcome

    def _say(self, status: int, kind: str, text: str) -> None:
        self._send(status, f"{kind}; charset=utf-8", text.encode("utf-8", errors="replace"))

    def _send(self, status: int, kind: str, data: bytes) -> None:
        self.send_response(status)
        for name, value in _HEADERS.items():
            self.send_header(name, value)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)
        self.wfile.flush()


@contextmanager
def serve(desk: Desk, *, port: int = 0) -> Iterator[str]:
    """Keep the door open for the time of a block.

    Parameters
    ----------
    desk : Desk
        What is behind it.
    port : int
        Of this machine's loopback address; 0 for any that is free.

    Yields
    ------
    str
        The address to open, with its secret.

    Raises
    ------
    InputError
        When the port cannot be had.
    """
    token = secrets.token_urlsafe(24)
    try:
        server = _Server(port, desk, token)
    except (OSError, OverflowError) as error:
        raise InputError(
            "the port must be free, and one that you may use",
            key="--port",
            value=f"{port} ({getattr(error, 'strerror', None) or error})",
            remedy="choose another, or leave the option out for any that is free",
        ) from error
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1})
    thread.daemon = True
    thread.start()
    try:
        yield f"http://{server.place}/{token}/"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
