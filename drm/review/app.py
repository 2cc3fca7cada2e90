"""The page's server: a few addresses, none of which names a file of the user's by a path."""

from __future__ import annotations

import json
import math
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from drm.edit_log import Overtaken
from drm.edits import Edit
from drm.errors import DrmError, InputError
from drm.review import page_data
from drm.review.guard import LARGEST_BODY, Guard
from drm.review.session import Session
from drm.review.traces import AXES, columns_of
from drm.review.writer import Writer

__all__ = ["make_app"]

STATIC = Path(__file__).parent / "static"
#: What may be asked for, by name; nothing else is looked up on the disk.
FILES = {
    "review.css": "text/css",
    "uPlot.min.css": "text/css",
    "uPlot.iife.min.js": "text/javascript",
    "api.js": "text/javascript",
    "chart.js": "text/javascript",
    "draw.js": "text/javascript",
    "pane.js": "text/javascript",
    "review.js": "text/javascript",
}
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
MOST_COLUMNS = 8192


def make_app(session: Session, *, beside: Session | None, port: int, token: str) -> Guard:
    """The application for one result, and a second to look at."""
    pages = _Pages(session, beside, Writer(session))
    routes = [
        Route("/", pages.page),
        Route("/report", pages.report),
        Route("/static/{name}", pages.static),
        Route("/api/overview", _told(pages.overview)),
        Route("/api/reading", _told(pages.reading)),
        Route("/api/band", _told(pages.band)),
        Route("/api/columns", _told(pages.columns)),
        Route("/api/preview", _told(pages.preview), methods=["POST"]),
        Route("/api/decide", _told(pages.decide), methods=["POST"]),
        Route("/api/write", _told(pages.write), methods=["POST"]),
    ]

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        if session.written != session.version:
            pages.writer.soon()
        yield
        await run_in_threadpool(pages.writer.stop)

    return Guard(Starlette(routes=routes, lifespan=life), port=port, token=token)


def _told(answer: Callable[[Request], Awaitable[Response]]) -> Callable[[Request], Awaitable[Response]]:
    """Errors of this package as one line for the page."""

    async def run(request: Request) -> Response:
        try:
            return await answer(request)
        except Overtaken as error:
            return JSONResponse({"error": error.line(), "overtaken": True}, status_code=409)
        except InputError as error:
            return JSONResponse({"error": error.line()}, status_code=400)
        except DrmError as error:
            return JSONResponse({"error": error.line()}, status_code=500)

    return run


class _Pages:
    def __init__(self, session: Session, beside: Session | None, writer: Writer) -> None:
        self.session, self.beside, self.writer = session, beside, writer

    async def page(self, request: Request) -> Response:
        """The page itself."""
        return FileResponse(STATIC / "page.html", media_type="text/html; charset=utf-8")

    async def static(self, request: Request) -> Response:
        """One of the page's own files."""
        name = request.path_params["name"]
        if name not in FILES:
            return PlainTextResponse("drm review: no such file\n", status_code=404)
        return FileResponse(STATIC / name, media_type=FILES[name])

    async def report(self, request: Request) -> Response:
        """The report as it was last written."""
        path = self.session.folder / "report.html"
        # A link would lead out of the folder.
        if path.is_symlink() or not path.is_file():
            return PlainTextResponse("drm review: no report has been written yet\n", status_code=404)
        return FileResponse(
            path, media_type="text/html; charset=utf-8", headers={"content-security-policy": REPORT_POLICY}
        )

    async def overview(self, request: Request) -> Response:
        """Everything but the traces."""

        def work() -> dict[str, Any]:
            out = page_data.overview(self.session, self.session.refresh())
            if self.beside is not None:
                out["beside"] = page_data.overview(self.beside, self.beside.result)
            return out

        return JSONResponse(await run_in_threadpool(work))

    async def reading(self, request: Request) -> Response:
        """Figures and instants of one reading."""
        session, operation, who = self._asked(request)
        return JSONResponse(await run_in_threadpool(page_data.reading_data, session, session.result, operation, who))

    async def band(self, request: Request) -> Response:
        """The siblings of one reading."""
        session, operation, who = self._asked(request)
        unit = {"time": "ms", "travel": "mm"}[_axis(request)]
        return JSONResponse(await run_in_threadpool(page_data.band, session, session.result, operation, who, unit))

    async def columns(self, request: Request) -> Response:
        """Traces of one reading cut into columns: float64, row after row, see `columns_of`."""
        session, operation, who = self._asked(request)
        axis, low, high = _axis(request), _number(request, "low"), _number(request, "high")
        many = min(max(int(_number(request, "columns")), 16), MOST_COLUMNS)

        def work() -> bytes:
            sheet = session.sheet(operation, who, axis)
            return b"" if sheet is None else columns_of(sheet, low, high, many).tobytes()

        return Response(await run_in_threadpool(work), media_type="application/octet-stream")

    async def preview(self, request: Request) -> Response:
        """A reading with instants that are not kept yet, and what that would change."""
        told = await _body(request)
        operation, who = self._named(self.session, str(told.get("reading", "")))
        edits = self._edits(told, operation, who, draft=True)

        def work() -> dict[str, Any]:
            with self.session.lock:
                after = self.session.preview(edits)
                out = page_data.reading_data(self.session, after, operation, who)
                return out | {"changes": page_data.changes(self.session.result, after)}

        return JSONResponse(await run_in_threadpool(work))

    async def decide(self, request: Request) -> Response:
        """Edits to keep."""
        told = await _body(request)
        operation, who = self._named(self.session, str(told.get("reading", "")))
        seen = told.get("seen")
        if not isinstance(seen, int):
            raise InputError("does not say which edits were seen", place="seen", mend="load the page again")
        edits = self._edits(told, operation, who, draft=False)
        result = await run_in_threadpool(self.session.decide, edits, seen=seen)
        self.writer.soon()
        return JSONResponse({"version": len(result.edits)})

    async def write(self, request: Request) -> Response:
        """Tables and report now."""
        await run_in_threadpool(self.session.write)
        if self.session.trouble:
            return JSONResponse({"error": self.session.trouble}, status_code=500)
        return JSONResponse({"written": self.session.written})

    def _asked(self, request: Request) -> tuple[Session, int, str]:
        session = self.session
        if request.query_params.get("of") == "beside":
            if self.beside is None:
                raise InputError("there is no second result", place="of", mend="start with --beside DIR")
            session = self.beside
        return (session, *self._named(session, request.query_params.get("reading", "")))

    @staticmethod
    def _named(session: Session, key: str) -> tuple[int, str]:
        found = page_data.reading_of(session.result, key)
        if found is None:
            raise InputError("there is no such reading", place="reading", mend="load the page again")
        return found

    def _edits(self, told: dict[str, Any], operation: int, who: str, *, draft: bool) -> list[Edit]:
        wanted = told.get("edits")
        if not (isinstance(wanted, list) and 0 < len(wanted) <= 4 and all(isinstance(w, dict) for w in wanted)):
            raise InputError("holds no edits", place="edits", mend="load the page again")
        interrupters = {i.name: i.mechanism for i in self.session.result.breaker.interrupters}
        reference = next(o for o in self.session.result.operations if o.number == operation).reference_s[
            interrupters[who]
        ]
        person, reason = ("draft", "draft") if draft else (_text(told, "who"), _text(told, "reason"))
        out = []
        for w in wanted:
            at_ms, u_ms, undoes = w.get("at_ms"), w.get("u_ms"), w.get("undoes", 0)
            number = operation
            name = who
            if w.get("action") == "undo":
                undone = next((e for e in self.session.log.edits if e.number == undoes), None)
                if undone is None:
                    raise InputError(f"there is no edit {undoes}", place="undoes", mend="load the page again")
                # An undo belongs to the reading whose edit it takes back.
                number, name = undone.operation, undone.interrupter
            out.append(
                Edit(
                    0,
                    w.get("action", ""),
                    number,
                    name,
                    person,
                    "",
                    reason,
                    instant=w.get("instant", ""),
                    at_s=reference + 1e-3 * _finite(at_ms) if at_ms is not None else math.nan,
                    u_s=1e-3 * _finite(u_ms) if u_ms is not None else math.nan,
                    undoes=undoes if isinstance(undoes, int) else 0,
                )
            )
        return out


def _finite(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise InputError("is no number", place="instant", mend="give milliseconds")
    return float(value)


def _text(told: dict[str, Any], key: str) -> str:
    value = told.get(key)
    if not isinstance(value, str):
        raise InputError(f"has no {key}", place=key, mend=f"give a {key}")
    return value


def _axis(request: Request) -> str:
    axis = request.query_params.get("axis", "")
    if axis not in AXES:
        raise InputError(f"'{axis[:20]}' is no axis", place="axis", mend=f"allowed: {', '.join(AXES)}")
    return axis


def _number(request: Request, key: str) -> float:
    try:
        value = float(request.query_params[key])
    except (KeyError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise InputError("is no number", place=key, mend="load the page again")
    return value


async def _body(request: Request) -> dict[str, Any]:
    raw = b""
    async for chunk in request.stream():
        raw += chunk
        if len(raw) > LARGEST_BODY:
            raise InputError("is too long", place="request", mend="shorten the reason")
    try:
        told = json.loads(raw)
    except ValueError:
        told = None
    if not isinstance(told, dict):
        raise InputError("is no request of the page", place="request", mend="load the page again")
    return told
