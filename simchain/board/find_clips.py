"""Where a board's clips are."""

import contextlib
from pathlib import Path

from simchain.board.models import Board
from simchain.board.wording import shown
from simchain.errors import ClipError, Problem, nearest

SOUND_FILES = (".wav", ".flac", ".aiff", ".aif", ".ogg")


def clip_path(board: Board, name: str) -> Path:
    """Return the file of clip `name`: one that ships with simchain, or a file beside the board.

    A name that ships always means the clip that ships. Raises ClipError, naming the table that
    asks for the clip, when there is neither.
    """
    from simchain import clips

    if name in clips.names():
        return clips.path(name)
    path = (board.folder or Path()) / name
    with contextlib.suppress(OSError):
        if path.is_file():
            return path
    raise ClipError(str(_missing(board, name)))


def missing_clips(board: Board) -> list[Problem]:
    """Return a problem for each clip that cannot be found and each passage that has none."""
    problems = []
    for clip in dict.fromkeys([board.source.clip, *(p.clip for p in board.passages.values())]):
        if clip is not None:
            try:
                clip_path(board, clip)
            except ClipError:
                problems.append(_missing(board, clip))
    for name, passage in board.passages.items():
        if passage.clip is None and board.source.clip is None:
            text = f"clip is missing; name one here or in [source]: {_shipped()}, or a sound file"
            problems.append(Problem(board.file, f"passages.{name}", "clip", "", _shipped(), text))
    return problems


def _missing(board: Board, clip: str) -> Problem:
    from simchain import clips

    beside = []
    if board.folder is not None and board.folder.is_dir():
        beside = [p.name for p in board.folder.iterdir() if p.suffix.lower() in SOUND_FILES]
    hint = nearest(clip, [*clips.names(), *beside])
    text = (
        f"clip = {shown(clip)}: no clip of this name ships with simchain ({_shipped()}), and there "
        f"is no such file beside the board{hint}"
    )
    allowed = f"{_shipped()}, or a sound file beside the board"
    return Problem(board.file, _table_of(board, clip), "clip", shown(clip), allowed, text)


def _table_of(board: Board, clip: str) -> str:
    """The table that asks for `clip`."""
    asking = (f"passages.{name}" for name, p in board.passages.items() if p.clip == clip)
    return "source" if board.source.clip == clip else next(asking, "")


def _shipped() -> str:
    from simchain import clips

    return ", ".join(clips.names())
