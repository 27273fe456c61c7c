"""Sound files that must stay what they are while they are listened to again and again."""

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar, cast

from simchain.board import Board, clip_path
from simchain.errors import ClipError
from simchain.files import digest_of

Work = TypeVar("Work", bound=Callable[..., Any])


def of_unchanged_sounds(work: Work) -> Work:
    """Let `work` on a board raise ClipError where one of its sound files changed meanwhile.

    Clips are read anew for each order: what is found would be of two sounds. A file that is gone by
    the end, and was not missed, has been the same throughout.
    """

    @wraps(work)
    def checked(board: Board, *args: Any, **kwargs: Any) -> Any:
        before = {path: digest_of(path) for path in _sound_files(board)}
        result = work(board, *args, **kwargs)
        for path, digest in before.items():
            if path.exists() and digest_of(path) != digest:
                raise ClipError(
                    f"{path} was changed while it was listened to, so what was found is of two "
                    "sounds: run this once more"
                )
        return result

    return cast(Work, checked)


def _sound_files(board: Board) -> Iterator[Path]:
    """Yield the clips that there are, and the files that blocks and amplifiers name."""
    for clip in (board.source.clip, *(passage.clip for passage in board.passages.values())):
        if clip is not None:
            with suppress(ClipError):  # whoever needs it is told
                yield clip_path(board, clip)
    for table in (*board.blocks.values(), *board.amps.values()):
        yield from map(Path, table.named_files().values())
