"""Serving the bench on this machine alone.

The address is 127.0.0.1; the URL carries a random token, compared in constant time, which a cookie
then keeps; a request or websocket whose Host or Origin is another is refused, so that no page of
another site can reach it. Scripts come from the server itself, never from a network.
"""

from __future__ import annotations

import hmac
import secrets
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from bokeh.application import Application
from bokeh.application.handlers.function import FunctionHandler
from bokeh.document import Document
from bokeh.server.auth_provider import AuthProvider
from bokeh.server.server import Server
from tornado.web import HTTPError

from calib.errors import UsageError
from calib.report.bench.page import lay_out
from calib.report.bench.subject import Subject

ADDRESS = "127.0.0.1"


class _OnlyMe(AuthProvider):  # type: ignore[misc]
    """Let in who has the token and comes by this server's own name."""

    def __init__(self, token: str, port: int) -> None:
        self._token = token
        self._hosts = {f"{ADDRESS}:{port}", f"localhost:{port}"}
        self._cookie = f"bench{port}"
        super().__init__()

    @property
    def get_user(self) -> None:
        return None

    @property
    def get_user_async(self) -> Callable[[Any], Any]:
        async def judged(handler: Any) -> str:
            return self._judge(handler)

        return judged

    def _judge(self, handler: Any) -> str:
        request = handler.request
        if request.host not in self._hosts:
            raise HTTPError(403, reason="Forbidden: wrong Host")
        origin = request.headers.get("Origin")
        if origin is not None and urlsplit(origin).netloc not in self._hosts:
            raise HTTPError(403, reason="Forbidden: wrong Origin")
        asked = handler.get_query_argument("token", None)
        given = asked if asked is not None else handler.get_cookie(self._cookie, "")
        if not hmac.compare_digest(given.encode(), self._token.encode()):
            raise HTTPError(403, reason="Forbidden: wrong token; use the URL that was printed")
        if asked is not None:
            handler.set_cookie(self._cookie, given, httponly=True, samesite="Strict")
        handler.set_header("Referrer-Policy", "no-referrer")
        handler.set_header("X-Frame-Options", "DENY")
        handler.set_header("Cache-Control", "no-store")
        return "me"

    @property
    def login_url(self) -> None:
        return None

    @property
    def get_login_url(self) -> Callable[[Any], str]:
        return lambda handler: "/"

    @property
    def login_handler(self) -> None:
        return None

    @property
    def logout_url(self) -> None:
        return None

    @property
    def logout_handler(self) -> None:
        return None


@dataclass(frozen=True)
class Bench:
    """A bench that listens.

    Attributes
    ----------
    url : str
        With the token.
    server : bokeh.server.server.Server
    """

    url: str
    server: Server

    def run(self) -> None:
        """Serve until interrupted."""
        self.server.io_loop.start()


def open_bench(
    subjects: Sequence[Subject],
    port: int = 0,
    *,
    compared: Callable[[], list[dict[str, Any]]] | None = None,
    after: Callable[[], None] | None = None,
) -> Bench:
    """Start to listen.

    Parameters
    ----------
    subjects : sequence of Subject
        Runs to look at.
    port : int, default 0
        0: one that is free.
    compared : callable, optional
        Returns the comparison of the first two runs, one mapping an analyte.
    after : callable, optional
        Called once, when the first page has been shown: for work that must not delay it.

    Returns
    -------
    Bench

    Raises
    ------
    UsageError
        If the port is taken.
    """
    port = port or _free()
    token = secrets.token_urlsafe(24)

    waiting = [after] if after is not None else []

    def make(document: Document) -> None:
        lay_out(document, subjects, compared)
        if waiting:
            document.add_timeout_callback(waiting.pop(), 1500)

    try:
        server = Server(
            {"/": Application(FunctionHandler(make))},
            address=ADDRESS, port=port, auth_provider=_OnlyMe(token, port),
            allow_websocket_origin=[f"{ADDRESS}:{port}", f"localhost:{port}"],
            generate_session_ids=True, sign_sessions=True,
            secret_key=secrets.token_urlsafe(32).encode(),
        )  # fmt: skip
    except OSError as error:
        raise UsageError(f"--port: {port} cannot be had: {error.strerror or error}") from None
    server.start()
    return Bench(f"http://{ADDRESS}:{port}/?token={token}", server)


def _free() -> int:
    with socket.socket() as probe:
        probe.bind((ADDRESS, 0))
        return int(probe.getsockname()[1])
