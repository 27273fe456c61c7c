"""The bench's requests: what each of them asks of the desk and the sounds."""

import asyncio
import re
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route, Router

from simchain.bench.answering import Answering, not_there, stale, told
from simchain.bench.asked import (
    document_of,
    number_in,
    order_in,
    seconds_in,
    text_in,
    text_or_none_in,
    whole_in,
)
from simchain.bench.changes import CHANGES, Asked
from simchain.bench.clips import full_scale_from_tone, keep_clip
from simchain.bench.desk import ConflictError, Desk
from simchain.bench.facts import board_document, starters_document
from simchain.bench.files import KINDS, environment, static_files
from simchain.bench.guard import fault_line
from simchain.bench.guide_pages import guide_page
from simchain.bench.job_routes import job_routes
from simchain.bench.jobs import Jobs
from simchain.bench.settings import settings_document
from simchain.bench.threads import GoneError, done_aside, done_while_wanted, place_among
from simchain.board import Board
from simchain.errors import RequestError

if TYPE_CHECKING:
    from simchain.bench.sounds import Sounds

# So many sounds may be rendered at once, and so much be done that takes longer; others wait.
SOUNDS_AT_ONCE = 4
LONG_AT_ONCE = 4
# Nobody waits longer for one of these places.
TURN_WITHIN_S = 30.0
LONGEST_SLICE_S = 60.0
LATEST_S = 86_400.0
NOBODY = "nobody waits for this sound any more"
BUSY = "too much is being asked for at once: ask again"
FOR_EVER = "private, max-age=31536000, immutable"
_KEY = re.compile(r"[0-9a-f]{8,128}")


class Bench:
    """The desk, the sounds, and the page's token: what requests share.

    Without a `desk` the page offers starters, which would be saved in `folder`.
    """

    def __init__(self, desk: Desk | None, folder: Path, sounds: "Sounds", token: str) -> None:
        self.desk, self.folder, self.sounds, self.token = desk, folder, sounds, token
        self.jobs = Jobs(fault_line)
        self._one_change_at_a_time = asyncio.Lock()
        self._few_sounds = asyncio.Semaphore(SOUNDS_AT_ONCE)
        self._few_long = asyncio.Semaphore(LONG_AT_ONCE)

    def app(self) -> Router:
        """Return the application. Faults escape from it; `guard.Guard` belongs around it."""
        routes = [
            Route("/", told(self.page), methods=["GET"]),
            Route("/static/{name}", told(self.static), methods=["GET"]),
            Route("/guide/{name}", told(guide_page), methods=["GET"]),
            Route("/board", told(self.board), methods=["GET"]),
            Route("/starters", told(self.starters), methods=["GET"]),
            Route("/settings", told(self.settings), methods=["GET"]),
            Route("/tone", told(self.tone), methods=["GET"]),
            Route("/tones.wav", told(self.tones), methods=["GET"]),
            Route("/clip", told(self.clip), methods=["POST"]),
            Route("/heard", told(self.heard), methods=["GET"]),
            Route("/against", told(self.against), methods=["GET"]),
            Route("/point", told(self.point), methods=["GET"]),
            Route("/where", told(self.where), methods=["GET"]),
            Route("/free", told(self.free), methods=["GET"]),
            Route("/traces", told(self.traces), methods=["GET"]),
            Route("/slice.wav", told(self.slice), methods=["GET"]),
            Route("/sound/{name}", told(self.sound), methods=["GET"]),
            Route("/start", told(self.start), methods=["POST"]),
        ]
        routes += [
            Route(path, told(self._changing(do)), methods=["POST"]) for path, do in CHANGES.items()
        ]
        routes += job_routes(self.jobs, self._board_at)
        return Router(routes, redirect_slashes=False)

    # What is only looked at

    async def page(self, _: Request) -> Response:
        """Return the page, with the token that changes are asked with."""
        document = await self._document()
        template = environment().get_template("bench.html.j2")
        html = template.render(token=self.token, data=document)
        return Response(html, media_type="text/html")

    async def static(self, request: Request) -> Response:
        """Return one of the files that there are; a name is looked up, and is no path."""
        name = request.path_params["name"]
        content = static_files().get(name)
        if content is None:
            return not_there()
        kind = KINDS[f".{name.rpartition('.')[2]}"]
        return Response(content, media_type=kind)

    async def tones(self, _: Request) -> Response:
        """Return the tones to play through a unit."""
        from simchain.fit.sent import tones_wav

        return Response(await run_in_threadpool(tones_wav), media_type="audio/wav")

    async def board(self, _: Request) -> Response:
        """Return the board document."""
        return JSONResponse(await self._document())

    async def starters(self, _: Request) -> Response:
        """Return the boards there are to start from."""
        return JSONResponse(starters_document(self.folder))

    async def settings(self, _: Request) -> Response:
        """Return every setting of the board, with what it may be."""
        async with self._one_change_at_a_time:
            return JSONResponse(await run_in_threadpool(settings_document, self._begun()))

    async def tone(self, request: Request) -> Response:
        """Say what full scale is, from a recorded tone of known volts."""
        asked = request.query_params
        volts = number_in(asked, "volts")
        name, folder = text_in(asked, "clip"), self._begun().folder
        return JSONResponse(await run_in_threadpool(full_scale_from_tone, folder, name, volts))

    async def _document(self) -> dict[str, Any]:
        async with self._one_change_at_a_time:
            return await run_in_threadpool(board_document, self.desk)

    # Sounds

    async def heard(self, request: Request) -> Response:
        """Render an order in a passage and return what it reads."""
        board, asked = self._asked_of(request)
        order, passage = text_in(asked, "order"), text_in(asked, "passage")
        render = partial(self.sounds.heard, by_order=asked.get("ways") == "order")
        heard = await self._sound(request, render, board, order, passage, asked.get("amp"))
        return JSONResponse(heard.facts)

    async def point(self, request: Request) -> Response:
        """Render an order up to a test point."""
        board, asked = self._asked_of(request)
        order, passage, point = (text_in(asked, key) for key in ("order", "passage", "point"))
        found = await self._sound(
            request, self.sounds.point, board, order, passage, asked.get("amp"), point
        )
        return JSONResponse(found)

    async def where(self, request: Request) -> Response:
        """Say at which moment two orders differ most."""
        board, asked = self._asked_of(request)
        orders = [order_in(asked, key) for key in ("a", "b")]
        passage = text_in(asked, "passage")
        found = await self._sound(
            request, self.sounds.where, board, *orders, passage, asked.get("amp")
        )
        return JSONResponse(found)

    async def against(self, request: Request) -> Response:
        """Hold one order against another in a passage."""
        board, asked = self._asked_of(request)
        orders = [order_in(asked, key) for key in ("a", "b")]
        passage, amp = text_in(asked, "passage"), asked.get("amp")
        words = asked.get("first", "A"), asked.get("second", "B")
        found = await self._long(request, self.sounds.against, board, *orders, passage, amp, words)
        return JSONResponse(found)

    async def free(self, request: Request) -> Response:
        """Say where each block of an order may stand without being heard to."""
        board, asked = self._asked_of(request)
        names = [text_in(asked, key) for key in ("order", "passage")]
        found = await self._long(request, self.sounds.free, board, *names, asked.get("amp"))
        return JSONResponse(found)

    async def traces(self, request: Request) -> Response:
        """Say what happens over time in an order: events, what is turned down, repeats."""
        board, asked = self._asked_of(request)
        names = [text_in(asked, key) for key in ("order", "passage")]
        found = await self._long(request, self.sounds.traces, board, *names, asked.get("amp"))
        return JSONResponse(found)

    async def slice(self, request: Request) -> Response:
        """Return a part of an order that may not be rendered yet."""
        board, asked = self._asked_of(request)
        order, passage = text_in(asked, "order"), text_in(asked, "passage")
        start_s = seconds_in(asked, "from", LATEST_S) or 0.0
        seconds = seconds_in(asked, "seconds", LONGEST_SLICE_S)
        if seconds is None:
            raise RequestError("seconds: how much of it is wanted")
        content, gains_db = await self._sound(
            request,
            self.sounds.slice_wav,
            board,
            order,
            passage,
            asked.get("amp"),
            start_s,
            seconds,
        )
        headers = {
            "Bench-Gain-Db": f"{gains_db['passage']:.6f}",
            "Bench-As-Is-Db": f"{gains_db['as_is']:.6f}",
        }
        return Response(content, media_type="audio/wav", headers=headers)

    async def sound(self, request: Request) -> Response:
        """Return a sound that /heard has told of, or a part of it."""
        key, dot, kind = request.path_params["name"].partition(".")
        if (dot, kind) != (".", "wav") or not _KEY.fullmatch(key):
            return not_there()
        start_s = seconds_in(request.query_params, "from", LATEST_S)
        seconds = seconds_in(request.query_params, "seconds", LATEST_S)
        content = await run_in_threadpool(self.sounds.wav, key, start_s, seconds)
        if content is None:
            return not_there()
        return Response(content, media_type="audio/wav", headers={"Cache-Control": FOR_EVER})

    async def _sound(self, request: Request, render: Callable[..., Any], *asked: Any) -> Any:
        async with place_among(self._few_sounds, TURN_WITHIN_S, ConflictError(BUSY)):
            if await request.is_disconnected():  # the page wants something else by now
                raise ConflictError(NOBODY)
            return await done_aside(render, *asked)

    async def _long(self, request: Request, work: Callable[..., Any], *asked: Any) -> Any:
        """Return what takes a second or more; it stops when the page wants something else."""
        async with place_among(self._few_long, TURN_WITHIN_S, ConflictError(BUSY)):
            try:
                return await done_while_wanted(request.is_disconnected, work, *asked)
            except GoneError as error:
                raise ConflictError(NOBODY) from error

    def _asked_of(self, request: Request) -> tuple[Board, Mapping[str, str]]:
        """Return the board as it stands, and what is asked of it."""
        revision, board = self._begun().standing()
        if request.query_params.get("revision") not in (None, str(revision)):
            raise stale()
        return board, request.query_params

    # What changes something

    async def start(self, request: Request) -> Response:
        """Begin with a starter."""
        asked = document_of(await request.body())
        name, file = text_in(asked, "name"), text_or_none_in(asked, "file")
        async with self._one_change_at_a_time:
            if self.desk is not None:
                raise ConflictError("there is a board on the bench already")
            self.desk = await run_in_threadpool(Desk.begun, name, self.folder, file)
            return JSONResponse(await run_in_threadpool(board_document, self.desk))

    async def clip(self, request: Request) -> Response:
        """Keep a sound file beside the board."""
        name, content = text_in(request.query_params, "name"), await request.body()
        async with self._one_change_at_a_time:
            kept = await run_in_threadpool(keep_clip, self._begun().folder, name, content)
        return JSONResponse(kept)

    def _changing(self, do: Callable[[Desk, Asked], None]) -> Answering:
        async def answering(request: Request) -> Response:
            asked = document_of(await request.body())
            async with self._one_change_at_a_time:
                desk = self._begun()
                if whole_in(asked, "revision") != desk.revision:
                    raise stale()
                await run_in_threadpool(do, desk, asked)
                return JSONResponse(await run_in_threadpool(board_document, desk))

        return answering

    def _board_at(self, asked: int) -> Board:
        """Return the board as it stands, if it is that of the revision that is asked for."""
        revision, board = self._begun().standing()
        if asked != revision:
            raise stale()
        return board

    def _begun(self) -> Desk:
        if self.desk is None:
            raise ConflictError("there is no board on the bench yet")
        return self.desk
