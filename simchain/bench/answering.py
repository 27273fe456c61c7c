"""How what the user can mend is answered."""

from collections.abc import Awaitable, Callable

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response

from simchain.bench.desk import ConflictError
from simchain.bench.facts import problems_document
from simchain.errors import SimchainError

Answering = Callable[[Request], Awaitable[Response]]


def told(answering: Answering) -> Answering:
    """Answer what the user can mend with what it is."""

    async def answered(request: Request) -> Response:
        try:
            return await answering(request)
        except ConflictError as error:
            return JSONResponse({"text": str(error)}, 409)
        except SimchainError as error:
            return JSONResponse(problems_document(error), 422)

    return answered


def stale() -> ConflictError:
    """Return what is raised when the page speaks of an older board."""
    return ConflictError("the board has changed since this page was told of it")


def not_there() -> Response:
    """Return the answer to a name that there is nothing of."""
    return PlainTextResponse("there is nothing of that name", 404)
