"""The studio's routes: what each address gives, and what a request changes. The list of them stands in `routes`.

A handler reads its request, asks the session, and answers; what takes long runs in a thread. Errors are one shape,
`{"error": {"kind", "message", ...}}`.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import logging
import mimetypes
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import Route

from .. import renumber
from ..faults import Faults, ShowFails
from ..pipeline import live, shown
from . import answers, describe
from .guard import Guard, TooLarge
from .jobs import Busy, Jobs
from .onlamps import OnLamps
from .session import Refused, Session
from .work import Auditor, Sound, Watcher

log = logging.getLogger(__name__)
PAGE = Path(__file__).with_name("page")
FOREVER = "private, max-age=31536000, immutable"
ALIVE_S = 15.0
MOST_EVENTS = 1000
TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
}
Handler = Callable[[Request], Awaitable[Response]]
T = TypeVar("T")


class Studio:
    """Everything that one started studio holds."""

    def __init__(self, session: Session, *, watch_s: float = 0.5, audit_after_s: float = 1.5) -> None:
        self.session = session
        self.jobs = Jobs(lambda row: session.publish("job", row))
        self.sound = Sound(session)
        self.auditor = Auditor(session, audit_after_s)
        self.watcher = Watcher(session, watch_s)
        self.lamps = OnLamps(session)
        self.closing = asyncio.Event()

    def start(self) -> None:
        """Start watching the files, and auditing when it is quiet."""
        self.watcher.start()
        self.auditor.start()

    def say_closing(self) -> None:
        """Tell every page that listens, and let go of it."""
        self.closing.set()
        self.session.publish("closing", {})

    def close(self) -> None:
        """Stop everything that runs beside the requests."""
        self.watcher.stop()
        self.auditor.stop()
        self.lamps.stop()
        self.jobs.close()
        self.sound.close()

    def app(self, token: str, port: int) -> Guard:
        """The whole server, to be run by one that speaks HTTP."""

        @contextlib.asynccontextmanager
        async def lifespan(app: Starlette) -> AsyncIterator[None]:
            self.start()
            yield
            self.say_closing()
            await run_in_threadpool(self.close)

        return Guard(Starlette(routes=self.routes(), lifespan=lifespan), token, port)

    def routes(self) -> list[Route]:
        """Every address. `{id}` is a piece's."""
        get: Mapping[str, Handler] = {
            "/": self.page,
            "/page/{name:path}": self.page,
            "/{name}.js": self.decoder,
            "/api/state": self.state,
            "/api/rig": self.rig,
            "/api/song": self.song,
            "/api/peaks": self.peaks,
            "/api/song.wav": self.wav,
            "/api/effects": self.effects,
            "/api/pieces": self.pieces,
            "/api/piece/{id}.png": self.picture,
            "/api/piece/{id}": self.piece,
            "/api/volts/{id}": self.volts,
            "/api/audit": self.audit,
            "/api/score": self.score,
            "/api/fixes": self.fixes,
            "/api/renumber": self.renumber,
            "/api/board": self.board,
            "/api/ports": self.ports,
            "/api/jobs": self.all_jobs,
            "/api/lamps": self.lamps_are,
            "/api/events": self.events,
        }
        post: Mapping[str, Handler] = {
            "/api/edit": self.edit,
            "/api/fix": self.fix,
            "/api/undo": self.undo,
            "/api/redo": self.redo,
            "/api/bake": self.bake,
            "/api/load": self.load,
            "/api/cancel": self.cancel,
            "/api/lamps": self.lamps_go,
            "/api/stand": self.stand,
        }
        routes = [Route(path, guarded(handler), methods=["GET"]) for path, handler in get.items()]
        routes += [Route(path, guarded(handler), methods=["POST"]) for path, handler in post.items()]
        return [*routes, Route("/{rest:path}", guarded(nothing), methods=["GET", "POST"])]

    # -- the page

    async def page(self, request: Request) -> Response:
        """A file of the page; there is one folder of them and nothing above it."""
        name = request.path_params.get("name") or "index.html"
        found = inside(PAGE, name)
        if found is None:
            raise Refused(404, "missing", f"there is no {name}")
        return file_of(found)

    async def decoder(self, request: Request) -> Response:
        """The decoder of rolls, in JavaScript."""
        found = inside(shown.decoder_folder(), f"{request.path_params['name']}.js")
        if found is None:
            raise Refused(404, "missing", "there is no such file")
        return file_of(found)

    # -- reading

    async def state(self, request: Request) -> Response:
        """The state, or 304 for who has it."""
        tag = f'"{self.session.version}"'
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers={"etag": tag})
        state = await run_in_threadpool(self.session.state)
        return answered(state, headers={"etag": f'"{state["version"]}"'})

    async def rig(self, request: Request) -> Response:
        """The rig as a packet."""
        return packed(await run_in_threadpool(answers.rig, self.session))

    async def song(self, request: Request) -> Response:
        """What was heard."""
        return answered(await run_in_threadpool(answers.song, self.session))

    async def peaks(self, request: Request) -> Response:
        """The waveform as a packet."""
        return packed(await run_in_threadpool(self.sound.peaks))

    async def wav(self, request: Request) -> Response:
        """The decoded song; answers Range."""
        path = await run_in_threadpool(self.sound.wav)
        return FileResponse(path, media_type="audio/wav", headers={"cache-control": "no-cache"})

    async def effects(self, request: Request) -> Response:
        """The table of effects."""
        return answered(describe.effects())

    async def pieces(self, request: Request) -> Response:
        """The pieces under another limiter mode."""
        mode = request.query_params.get("limiter", "on")
        if mode not in live.MODES:
            raise Refused(400, "bad", f"limiter is one of {', '.join(live.MODES)}")
        view = self.session.good()
        return answered(await run_in_threadpool(describe.pieces, view, mode))

    async def piece(self, request: Request) -> Response:
        """A bar: rolls, amperes, gains."""
        return packed(await run_in_threadpool(answers.piece, self.session, request.path_params["id"]), FOREVER)

    async def picture(self, request: Request) -> Response:
        """The light of a bar."""
        data = await run_in_threadpool(answers.picture, self.session, request.path_params["id"])
        return Response(data, media_type="image/png", headers={"cache-control": FOREVER})

    async def volts(self, request: Request) -> Response:
        """The lowest volts in a bar."""
        found = await run_in_threadpool(answers.volts, self.session, request.path_params["id"])
        return answered(found, headers={"cache-control": FOREVER})

    async def audit(self, request: Request) -> Response:
        """The whole show's audit, or how far it is."""
        found = self.auditor.found()
        return answered(found, 200 if found["ready"] else 202)

    async def score(self, request: Request) -> Response:
        """The score's text."""
        return answered(answers.text(self.session.score))

    async def fixes(self, request: Request) -> Response:
        """The fixes' text; null where there is no such file yet."""
        sheet = self.session.fixes
        if sheet is None:
            raise Refused(404, "missing", "there is no song")
        return answered(answers.text(sheet))

    async def renumber(self, request: Request) -> Response:
        """What following the bars would change in the score."""
        moved, notes = await run_in_threadpool(self.session.renumbered)
        sheet = self.session.score
        return answered({"difference": renumber.difference(sheet.text or "", moved, sheet.path.name), "notes": notes})

    async def board(self, request: Request) -> Response:
        """Sizes and the board check of the last bake."""
        return answered(await run_in_threadpool(answers.board, self.session))

    async def ports(self, request: Request) -> Response:
        """Boards that are plugged in."""
        return answered(await run_in_threadpool(shown.plugged_in))

    async def all_jobs(self, request: Request) -> Response:
        """Jobs, the newest last."""
        return answered(self.jobs.rows())

    async def events(self, request: Request) -> Response:
        """Events as they come."""
        queue: asyncio.Queue[tuple[str, Mapping[str, Any]]] = asyncio.Queue(MOST_EVENTS)
        loop = asyncio.get_running_loop()

        def put(event: str, content: Mapping[str, Any]) -> None:
            if not queue.full():  # a page that sleeps asks for the state when it wakes
                queue.put_nowait((event, content))

        def tell(event: str, content: Mapping[str, Any]) -> None:
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody listens
                loop.call_soon_threadsafe(put, event, content)

        stop = self.session.listen(tell)

        async def lines() -> AsyncIterator[bytes]:
            try:
                yield event_bytes("hello", {"version": self.session.version})
                while not self.closing.is_set():
                    try:
                        event, content = await asyncio.wait_for(queue.get(), ALIVE_S)
                        yield event_bytes(event, content)
                    except TimeoutError:
                        yield b": still here\n\n"
            finally:
                stop()

        return StreamingResponse(lines(), media_type="text/event-stream")

    # -- changing

    async def edit(self, request: Request) -> Response:
        """Operations on the score."""
        body = await body_of(request)
        page, what = short(body, "page"), short(body, "what")
        call = functools.partial(
            self.session.edit, body.get("base"), body.get("ops"), page, what, body.get("anyway") is True
        )
        added = await run_in_threadpool(call)
        return await self._done({"added": added})

    async def fix(self, request: Request) -> Response:
        """One correction."""
        body = await body_of(request)
        await run_in_threadpool(self.session.fix, body.get("base"), body, short(body, "page"))
        return await self._done()

    async def undo(self, request: Request) -> Response:
        """One step back."""
        body = await body_of(request)
        await run_in_threadpool(self.session.undo, short(body, "page"), body.get("anyway") is True)
        return await self._done()

    async def redo(self, request: Request) -> Response:
        """One step on again."""
        await run_in_threadpool(self.session.redo, short(await body_of(request), "page"))
        return await self._done()

    async def _done(self, more: Mapping[str, Any] | None = None) -> Response:
        state = await run_in_threadpool(self.session.state)
        return answered({"ok": True, **(more or {}), "state": state})

    async def bake(self, request: Request) -> Response:
        """Start a bake."""
        body = await body_of(request)
        limiter = body.get("limiter")
        if limiter not in (None, *live.MODES):
            raise Refused(400, "bad", f"limiter is one of {', '.join(live.MODES)}")
        options = {name: body.get(name) is True for name in ("small", "strict", "soften")}
        return await self._begun("bake", {**options, "limiter": limiter})

    async def load(self, request: Request) -> Response:
        """Start loading boards."""
        body = await body_of(request)
        options = {
            "controller": short(body, "controller"),
            "port": short(body, "port"),
            "wiring": body.get("wiring") is True,
        }
        return await self._begun("load", options)

    async def _begun(self, kind: str, options: Mapping[str, Any]) -> Response:
        try:
            job = await run_in_threadpool(self.jobs.start, kind, self.session.loader.path, options)
        except Busy:
            raise Refused(409, "busy", "another job is running: wait for it or cancel it") from None
        return answered({"job": job}, 202)

    async def cancel(self, request: Request) -> Response:
        """Stop a job."""
        body = await body_of(request)
        if not await run_in_threadpool(self.jobs.cancel, body.get("job")):
            raise Refused(404, "missing", "no such job is running")
        return answered({"ok": True})

    async def lamps_are(self, request: Request) -> Response:
        """Whether the real lamps show where the page stands."""
        return answered(self.lamps.row())

    async def lamps_go(self, request: Request) -> Response:
        """Turn the real lamps on or off."""
        body = await body_of(request)
        if body.get("on") is True:
            port = short(body, "port")
            return answered(await run_in_threadpool(self.lamps.start, None if port is None else [port]))
        await run_in_threadpool(self.lamps.stop)
        return answered(self.lamps.row())

    async def stand(self, request: Request) -> Response:
        """Where the page stands, for the lamps."""
        self.lamps.stand((await body_of(request)).get("us"))
        return answered({"ok": True})


# ---- small things ------------------------------------------------------------------------------------------------


async def nothing(request: Request) -> Response:
    """Any other address."""
    raise Refused(404, "missing", f"there is nothing at {request.url.path}")


def guarded(handler: Handler) -> Handler:
    """A handler whose errors become answers."""

    @functools.wraps(handler)
    async def safe(request: Request) -> Response:
        owner = getattr(handler, "__self__", None)
        studio = owner if isinstance(owner, Studio) else None
        waited_for = studio is not None and handler != studio.events  # events never end
        try:
            with studio.session.urgent() if studio and waited_for else contextlib.nullcontext():
                return await handler(request)
        except Refused as error:
            more = {key: value for key, value in error.more.items() if value is not None}
            body: dict[str, Any] = {"error": {"kind": error.kind, "message": str(error), **more}}
            if error.kind == "conflict" and studio is not None:
                body["state"] = await run_in_threadpool(studio.session.state)
            return answered(body, error.status)
        except TooLarge:
            return answered({"error": {"kind": "large", "message": "the body is too large"}}, 413)
        except (Faults, ShowFails) as error:
            return answered({"error": {"kind": "faults", "message": str(error)}}, 422)
        except ClientDisconnect:
            return Response(status_code=499)
        except Exception:
            log.exception("%s %s", request.method, request.url.path)
            message = "the studio made a mistake; nothing was changed. Its window says more"
            return answered({"error": {"kind": "broken", "message": message}}, 500)

    return safe


async def body_of(request: Request) -> dict[str, Any]:
    """The body as a JSON object. Raises `Refused`."""
    try:
        body = json.loads(await request.body() or b"{}", parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise Refused(400, "bad", "the body is not JSON") from None
    if not isinstance(body, dict):
        raise Refused(400, "bad", "the body needs an object")
    return body


def _no_number(name: str) -> Any:
    raise ValueError(f"{name} is no number of JSON")


def short(body: Mapping[str, Any], key: str) -> str | None:
    """A short text of the body, or None. Raises `Refused`."""
    value = body.get(key)
    if value is not None and (not isinstance(value, str) or len(value) > 200):
        raise Refused(400, "bad", f"{key} needs at most 200 letters")
    return value


def answered(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """JSON."""
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":"), default=answers.plain)
    return Response(text, status, dict(headers or {}), "application/json")


def packed(data: bytes, cache: str = "no-store") -> Response:
    """A packet."""
    return Response(data, media_type="application/octet-stream", headers={"cache-control": cache})


def event_bytes(event: str, content: Mapping[str, Any]) -> bytes:
    """One event as it goes down the line."""
    return f"event: {event}\ndata: {json.dumps(content, default=answers.plain)}\n\n".encode()


def inside(folder: Path, name: str) -> Path | None:
    """A file of a folder or of one below it; None for anything else, wherever its name leads."""
    if "\\" in name or "\0" in name:
        return None
    root = folder.resolve()
    path = (root / name).resolve()
    return path if path.is_relative_to(root) and path.is_file() else None


def file_of(path: Path) -> FileResponse:
    """A file with its type; asked for again at each start of the page, since the studio may be a newer one."""
    kind = TYPES.get(path.suffix) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    return FileResponse(path, media_type=kind, headers={"cache-control": "no-cache"})
