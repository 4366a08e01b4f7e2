"""The review server: one output folder, on this machine only.

Nothing the client sends is ever used as a path: it names tracks by their number.  Every address starts with a secret
token; `Host` and `Origin` are checked, so that no other page in the same browser can reach it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import threading
from collections.abc import Awaitable, Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from spillgate.cli.desk import Desk
from spillgate.cli.job import CORRECTIONS, page_of, stems_of
from spillgate.cli.report.players import removed
from spillgate.dsp import reading
from spillgate.dsp.errors import DspError
from spillgate.dsp.plan.corrections import Corrections
from spillgate.dsp.take.model import Take
from spillgate.dsp.writing import write_atomically

__all__ = ["DRAFT", "Review", "make_app"]

DRAFT = ".draft.json"
"""Edits that were made on the page but not saved; survives a closed page and a killed server."""

LARGEST_BODY = 2_000_000
"""Bytes; a song's corrections are a few kilobytes."""

LARGEST_PIECE_S = 60.0
"""Sound sent in one answer."""


class Review:
    """What the server knows: the desk, the corrections with their revision, and the render that is running.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        desk.take = desk.take.replace(progress=self._tell)
        self.desk = desk
        self.token = secrets.token_urlsafe(24)
        self.lock = threading.Lock()
        self.revision = 1
        self._seen = self._on_disk()
        self.state: dict[str, Any] = {"state": "idle", "done": 0, "of": 0, "what": "", "error": "", "files": []}
        self._stems: Take | None = None
        self._warm = False

    # ---- corrections

    def current(self) -> dict[str, Any]:
        """Corrections on the page: the draft if there is one, else what is saved."""
        draft = self.desk.out / DRAFT
        problem = ""
        with self.lock:
            self._look()
        try:
            saved = self.desk.corrections().to_dict()
        except DspError as error:
            saved, problem = Corrections().to_dict(), f"{error}; saving replaces it"
        data = saved
        if draft.is_file():
            try:
                data = Corrections.from_dict(reading.from_json(draft.read_text("utf-8")), DRAFT).to_dict()
            except (DspError, ValueError) as error:
                problem = f"The edits not yet saved cannot be read ({error}); what is saved is shown."
        return {"revision": self.revision, "corrections": data, "saved": data == saved, "problem": problem}

    def keep(self, revision: int, data: Any, save: bool) -> dict[str, Any]:
        """Keep corrections as a draft, or save them.

        Raises
        ------
        DspError
            If they are not valid.
        StaleError
            If another page has changed them since.
        """
        corrections = Corrections.from_dict(data)
        self.desk.check(corrections)
        with self.lock:
            self._look()
            if revision != self.revision:
                raise StaleError("another page has changed the corrections since; load them again")
            self.revision += 1
            if save:
                write_atomically(self.desk.out / CORRECTIONS, corrections.to_toml().encode())
                (self.desk.out / DRAFT).unlink(missing_ok=True)
            else:
                write_atomically(self.desk.out / DRAFT, json.dumps(corrections.to_dict()).encode())
            self._seen = self._on_disk()
            return {"revision": self.revision, "saved": save}

    def _look(self) -> None:
        """Count what another server or an editor has written meanwhile as a change by another page."""
        now = self._on_disk()
        if now != self._seen:
            self._seen = now
            self.revision += 1

    def _on_disk(self) -> tuple[bytes | None, ...]:
        paths = (self.desk.out / CORRECTIONS, self.desk.out / DRAFT)
        return tuple(p.read_bytes() if p.is_file() else None for p in paths)

    # ---- rendering

    def start(self) -> bool:
        """Start a render with the saved corrections; False if one is running."""
        with self.lock:
            if self.state["state"] == "running":
                return False
            self.state = {"state": "running", "done": 0, "of": 0, "what": "", "error": "", "files": []}
        threading.Thread(target=self._run, daemon=True).start()
        return True

    def _run(self) -> None:
        try:
            files = self.desk.render()
        except DspError as error:
            self.state = {**self.state, "state": "failed", "error": str(error)}
        except Exception as error:  # the page must learn of it; the terminal shows the rest
            self.state = {**self.state, "state": "failed", "error": f"{type(error).__name__}: {error}"}
            raise
        else:
            self._stems = None
            self.state = {**self.state, "state": "done", "files": sorted(files)}

    def _tell(self, done: int, of: int, what: str) -> None:
        if self.state["state"] == "running":
            self.state = {**self.state, "done": done, "of": of, "what": what}

    def warm(self) -> None:
        """Measure and decide in the background, once, so that the first render costs no more than the next."""
        with self.lock:
            if self._warm:
                return
            self._warm = True

        def work() -> None:
            # what is wrong with the corrections is told when they are rendered
            with contextlib.suppress(DspError):
                self.desk.warm()

        threading.Thread(target=work, daemon=True).start()

    # ---- sound

    def samples(self, index: int, which: str, start: int, n: int) -> NDArray[np.float32]:
        """Samples of one track on the take's timeline; ``removed`` is before, moved like the stem, minus after."""
        drums = self.desk.take.drum_tracks
        track = drums[index]
        if which == "before":
            return self.desk.take.read(track, start, start + n)
        if self._stems is None:
            self._stems = stems_of(self.desk.take, self.desk.out / "stems", plan=self.desk.plan)
        if which == "after":
            x: NDArray[np.float32] = self._stems.read(self._stems.track(track.id), start, start + n)
            return x
        return removed(self.desk.take, self.desk.plan, self._stems, track, start, start + n)


class StaleError(Exception):
    """Somebody else changed the same thing first."""


class Guard:
    """Refuses every request that does not come from the page this server gave out."""

    def __init__(self, app: ASGIApp, token: str, hosts: frozenset[str]) -> None:
        self.app = app
        self.token = token
        self.hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer 403."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        host, origin = headers.get("host", ""), headers.get("origin")
        part = scope["path"].split("/")[1] if "/" in scope["path"] else ""
        right = (
            host in self.hosts
            and (origin is None or origin in {f"http://{h}" for h in self.hosts})
            and secrets.compare_digest(part.encode(), self.token.encode())
        )
        if not right:
            await PlainTextResponse("not for you", 403)(scope, receive, send)
            return

        async def stamped(message: Any) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message.get("headers", []),
                    (b"cache-control", b"no-store"),
                    (b"x-content-type-options", b"nosniff"),
                    (b"referrer-policy", b"no-referrer"),
                    (b"x-frame-options", b"DENY"),
                    (b"cross-origin-resource-policy", b"same-origin"),
                ]
            await send(message)

        await self.app(scope, receive, stamped)


def make_app(review: Review, port: int) -> Starlette:
    """Build the application.

    Parameters
    ----------
    review : Review
    port : int
        The port it will listen on: part of the `Host` that is accepted.

    Returns
    -------
    app : Starlette
    """
    base = f"/{review.token}"

    async def page(request: Request) -> Response:
        nonce = secrets.token_urlsafe(12)
        desk = review.desk
        text = await run_in_threadpool(page_of, desk.take, desk.plan, desk.out, base, nonce, desk.pictures)
        review.warm()  # not before: the page comes first
        policy = (
            f"default-src 'none'; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; connect-src 'self'; "
            "media-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
        return Response(text, media_type="text/html; charset=utf-8", headers={"content-security-policy": policy})

    async def state(request: Request) -> Response:
        return JSONResponse(await run_in_threadpool(review.current))

    def keeper(save: bool) -> Callable[[Request], Awaitable[Response]]:
        async def keep(request: Request) -> Response:
            body = await _body(request)
            if body is None:
                return JSONResponse({"error": "too large"}, 413)
            try:
                data = json.loads(body)
                revision, corrections = data["revision"], data["corrections"]
                if not isinstance(revision, int):
                    raise TypeError
            except (ValueError, KeyError, TypeError, RecursionError):
                return JSONResponse({"error": "not what this page sends"}, 400)
            try:
                return JSONResponse(await run_in_threadpool(review.keep, revision, corrections, save))
            except StaleError as error:
                return JSONResponse({"error": str(error)}, 409)
            except DspError as error:
                return JSONResponse({"error": str(error)}, 422)

        return keep

    async def render(request: Request) -> Response:
        return JSONResponse({"started": review.start()})

    async def progress(request: Request) -> Response:
        return JSONResponse(review.state)

    async def samples(request: Request) -> Response:
        try:
            index, start, n = (int(request.query_params[k]) for k in ("track", "start", "n"))
            which = request.query_params["which"]
        except (KeyError, ValueError):
            return JSONResponse({"error": "not what this page sends"}, 400)
        take = review.desk.take
        wrong = (
            not 0 <= index < len(take.drum_tracks)
            or which not in ("before", "after", "removed")
            or not 0 < n <= LARGEST_PIECE_S * take.sr
            or abs(start) > 2 * take.n_samples + take.sr
        )
        if wrong:
            return JSONResponse({"error": "not what this page sends"}, 400)
        x = await run_in_threadpool(review.samples, index, which, start, n)
        return Response(x.astype("<f4").tobytes(), media_type="application/octet-stream")

    routes = [
        Route(f"{base}/", page),
        Route(f"{base}/state", state),
        Route(f"{base}/draft", keeper(False), methods=["POST"]),
        Route(f"{base}/save", keeper(True), methods=["POST"]),
        Route(f"{base}/render", render, methods=["POST"]),
        Route(f"{base}/progress", progress),
        Route(f"{base}/samples", samples),
    ]
    hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})
    return Starlette(
        routes=routes,
        middleware=[Middleware(Guard, token=review.token, hosts=hosts)],
        exception_handlers={DspError: _told},
    )


async def _told(request: Request, error: Exception) -> Response:
    """Answer in one line when a recording is gone or the output cannot be read."""
    return JSONResponse({"error": str(error)}, 422)


async def _body(request: Request) -> bytes | None:
    """Read a body of bounded size; slow clients are given half a minute."""
    parts: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(30):
            async for part in request.stream():
                size += len(part)
                if size > LARGEST_BODY:
                    return None
                parts.append(part)
    except TimeoutError:
        return None
    return b"".join(parts)
