"""The verb `studio`: start the server, say where it is, open the page."""

from __future__ import annotations

import asyncio
import os
import secrets
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable

import uvicorn

from ..faults import Faults
from .app import Studio
from .session import Session

HOST = "127.0.0.1"
TOKEN_BYTES = 18
BACKLOG = 64


def serve(session: Session, port: int = 0, open_page: bool = True, say: Callable[[str], None] = print) -> None:
    """Serve a show until stopped. `port` 0: one that is free. Raises `Faults` (port taken)."""
    listening = listener(port)
    port = listening.getsockname()[1]
    with listening:
        token = secrets.token_urlsafe(TOKEN_BYTES)
        studio = Studio(session)
        url = f"http://{HOST}:{port}/{token}/"
        say(url)
        if open_page and has_screen():
            threading.Thread(target=webbrowser.open, args=(url,), daemon=True).start()
        server = Server(studio, token, port)
        asyncio.run(server.serve(sockets=[listening]))


def has_screen() -> bool:
    """Whether a page can be opened in a window: over a bare line, a browser of letters would take the terminal."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def listener(port: int) -> socket.socket:
    """A socket on this computer alone. Raises `Faults` where the port is taken."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((HOST, port))
        made.listen(BACKLOG)  # from now on a browser may come: it waits until the server is ready
    except (OSError, OverflowError) as error:
        made.close()
        why = getattr(error, "strerror", None) or error
        raise Faults.one("studio", "--port", f"port {port} cannot be used: {why}") from None
    return made


class Server(uvicorn.Server):
    """Runs a studio. Pages that listen for events are told when it stops, else it would wait for them."""

    def __init__(self, studio: Studio, token: str, port: int) -> None:
        super().__init__(config(studio, token, port))
        self.studio = studio

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop."""
        self.studio.say_closing()
        await super().shutdown(sockets)


def config(studio: Studio, token: str, port: int) -> uvicorn.Config:
    """How the server is run: no log of addresses, since they hold the token."""
    return uvicorn.Config(
        studio.app(token, port),
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=64 * 1024,
        limit_concurrency=200,
        ws="none",
    )
