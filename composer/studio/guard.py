"""The door of the studio: who may ask, how much, and what every answer says to the browser.

The server listens on this computer alone, but so may a web page opened in the same browser try to reach it. So every
address holds a token that is new at each start; the Host must be this computer's own name (else a foreign name could be
pointed here), and a request that a foreign page makes is told by its Origin or by Sec-Fetch-Site.
"""

from __future__ import annotations

import hmac
import json
from collections.abc import Mapping

from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY = 2 << 20
NAMES = ("127.0.0.1", "localhost", "[::1]")
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; media-src 'self' blob:; "
    "connect-src 'self'; worker-src 'self' blob:; font-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
HEADERS: Mapping[str, str] = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "x-frame-options": "DENY",
}
READING = ("GET", "HEAD")


class Guard:
    """Lets through what comes from the page itself, with the token at the head of its path, which it takes off."""

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self.app, self.token = app, token
        self.hosts = {f"{name}:{port}" for name in NAMES} | ({*NAMES} if port == 80 else set())
        self.origins = {f"http://{host}" for host in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self.refusal(scope["method"], scope["path"], headers)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        head = f"/{self.token}"
        inner = {**scope, "path": scope["path"][len(head) :], "root_path": scope.get("root_path", "") + head}
        inner["raw_path"] = inner["path"].encode()
        inner["root_path"] = ""
        await self.app(inner, _measured(receive), _with_headers(send))

    def refusal(self, method: str, path: str, headers: Mapping[str, str]) -> tuple[int, str, str] | None:
        """Why a request is refused: (status, kind, message), None if it is not."""
        if headers.get("host", "").lower() not in self.hosts:
            return 403, "refused", "this server answers to 127.0.0.1 alone"
        if "origin" in headers and headers["origin"].lower() not in self.origins:
            return 403, "refused", "another page asked"
        parts = path.split("/", 2)
        site = headers.get("sec-fetch-site", "none")
        # A link may lead here: who follows it sees our page, and who wrote it learns nothing.
        followed = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
        if site not in ("same-origin", "none") and not (followed and method == "GET" and parts[2:] == [""]):
            return 403, "refused", "another page asked"
        token = parts[1] if len(parts) > 1 else ""
        if len(parts) < 3 or not hmac.compare_digest(token.encode(), self.token.encode()):
            return 404, "missing", "nothing here: use the address that the studio printed when it started"
        if method not in READING:
            return self._body_refusal(method, headers)
        return None

    def _body_refusal(self, method: str, headers: Mapping[str, str]) -> tuple[int, str, str] | None:
        if method != "POST":
            return 405, "bad", "GET and POST are all there is"
        # A form of another page can send text, but not JSON without asking first.
        if headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return 415, "type", "the body must be application/json"
        length = headers.get("content-length", "")
        if length.isdecimal() and int(length) > MOST_BODY:
            return 413, "large", f"the body is larger than {MOST_BODY} bytes"
        return None


def _measured(receive: Receive) -> Receive:
    """A body that says no length, or a wrong one, is cut off where it grows too large."""
    seen = 0

    async def next_part() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > MOST_BODY:
            raise TooLarge
        return message

    return next_part


class TooLarge(Exception):
    """A body of more than `MOST_BODY` bytes."""


def _with_headers(send: Send) -> Send:
    async def answer(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = {name.lower() for name, _ in message.get("headers", ())}
            more = [(name.encode(), value.encode()) for name, value in HEADERS.items() if name.encode() not in own]
            if b"cache-control" not in own:
                more.append((b"cache-control", b"no-store"))
            message = {**message, "headers": [*message.get("headers", ()), *more]}
        await send(message)

    return answer


async def _answer(send: Send, status: int, kind: str, message: str) -> None:
    body = json.dumps({"error": {"kind": kind, "message": message}}).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    headers += [(name.encode(), value.encode()) for name, value in HEADERS.items()]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
