"""Work that may take long, in a thread that nobody waits for when the bench ends."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from functools import partial
from threading import Event, Thread
from typing import Any, TypeVar

Result = TypeVar("Result")

LOOK_EVERY_S = 0.1


@asynccontextmanager
async def place_among(
    places: asyncio.Semaphore, within_s: float, refusal: Exception
) -> AsyncIterator[None]:
    """Hold one of `places`. Raises `refusal` where none is free within so many seconds."""
    try:
        async with asyncio.timeout(within_s):
            await places.acquire()
    except TimeoutError:
        raise refusal from None
    try:
        yield
    finally:
        places.release()


class GoneError(Exception):
    """Nobody waits for it any more."""


async def done_while_wanted(
    gone: Callable[[], Awaitable[bool]], work: Callable[..., Result], *given: Any
) -> Result:
    """Return what `work` makes of `given` and of a `stop`, or raise what it raises.

    As soon as nobody waits, as `gone` tells, or this is cancelled, `stop` is set. Raises GoneError
    where nobody waits, once the work has ended: who counts what is under way counts it until then.
    """
    stop = Event()
    doing = asyncio.ensure_future(done_aside(partial(work, stop=stop), *given))
    try:
        while not (await asyncio.wait([doing], timeout=LOOK_EVERY_S))[0]:
            if await gone():
                stop.set()
                await asyncio.wait([doing])
                doing.exception()  # nobody is told any more
                raise GoneError
        return doing.result()
    finally:
        stop.set()
        doing.cancel()


async def done_aside(work: Callable[..., Result], *given: Any) -> Result:
    """Return what `work` makes of `given`, or raise what it raises, while others are answered.

    Threads of a pool are waited for at the end of the program, and a first sound may have kernels
    to compile for half a minute. This one just ends.
    """
    loop = asyncio.get_running_loop()
    outcome: asyncio.Future[Result] = loop.create_future()

    def tell(result: Result | None, error: BaseException | None) -> None:
        if outcome.cancelled():
            return
        if error is not None:
            outcome.set_exception(error)
        else:
            outcome.set_result(result)  # type: ignore[arg-type]

    def run() -> None:
        result: Result | None = None
        error: BaseException | None = None
        try:
            result = work(*given)
        except StopIteration as raised:  # which no future takes
            error = RuntimeError(repr(raised))
        except BaseException as raised:
            error = raised
        with suppress(RuntimeError):  # the bench has ended meanwhile
            loop.call_soon_threadsafe(tell, result, error)

    Thread(target=run, daemon=True).start()
    return await outcome
