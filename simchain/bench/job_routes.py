"""Requests for long work: begin it, ask how far it is, stop it, open the page it made."""

from collections.abc import Awaitable, Callable

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from simchain.bench.answering import Answering, not_there, told
from simchain.bench.asked import document_of, whole_in
from simchain.bench.guard import REPORT_HEADERS
from simchain.bench.job_kinds import work_asked
from simchain.bench.jobs import Job, Jobs
from simchain.board import Board


def job_routes(jobs: Jobs, board_at: Callable[[int], Board]) -> list[Route]:
    """Return the routes of long work; `board_at` gives the board of a revision, or raises."""

    async def begin(request: Request) -> Response:
        asked = document_of(await request.body())
        board = board_at(whole_in(asked, "revision"))
        job, work = await run_in_threadpool(work_asked, board, asked)
        return JSONResponse(jobs.begin(job, work).document())

    async def look(job: Job) -> Response:
        return JSONResponse(job.document())

    async def stop(job: Job) -> Response:
        job.stop.set()
        return JSONResponse(job.document())

    async def page(job: Job) -> Response:
        if job.page is None or job.state != "done":
            return not_there()
        return FileResponse(job.page, media_type="text/html", headers=REPORT_HEADERS)

    def of_job(answering: Callable[[Job], Awaitable[Response]]) -> Answering:
        async def answered(request: Request) -> Response:
            job = jobs.get(request.path_params["key"])
            return not_there() if job is None else await answering(job)

        return told(answered)

    return [
        Route("/job", told(begin), methods=["POST"]),
        Route("/job/{key}", of_job(look), methods=["GET"]),
        Route("/job/{key}/stop", of_job(stop), methods=["POST"]),
        Route("/job/{key}/page", of_job(page), methods=["GET"]),
    ]
