"""What a crowd was told, held against what one who asks alone is told."""

import json
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from simchain.bench.changes import CHANGES
from simchain.bench.desk import Desk
from simchain.bench.sounds import Sounds
from simchain.board import Board
from tests.faults.crowd import Heard, Log, digest


def boards_of(log: Log, file: Path) -> Iterator[tuple[int, Board]]:
    """Yield each revision with its board: every change that was told of, made again in sequence.

    Raises where one is missing: what was sent in half was done then, or one was done unseen.
    """
    desk = Desk.opened(file)
    yield 0, desk.board
    for revision in range(1, max(log.changes, default=0) + 1):
        assert revision in log.changes, f"nobody was told of the change to revision {revision}"
        path, asked = log.changes[revision]
        CHANGES[path](desk, asked)
        assert desk.revision == revision
        yield revision, desk.board


def compared(log: Log, file: Path) -> int:
    """Hold all that was heard against what a bench of its own tells for each board, alone.

    Raises where anything differs; returns how many different questions there were.
    """
    of_revision: dict[int, dict[tuple[Any, ...], list[Any]]] = defaultdict(
        lambda: defaultdict(list)
    )
    sounds_of_keys: dict[str, set[str]] = defaultdict(set)
    for heard in log.heard:
        if heard.do == "sound":
            sounds_of_keys[dict(heard.asked)["key"]].add(heard.came)
        else:
            of_revision[heard.revision][heard.do, heard.asked].append(heard)
    for revision, board in boards_of(log, file):
        sounds = Sounds()
        for (do, asked), came in of_revision.pop(revision, {}).items():
            _compare(sounds, board, do, dict(asked), came, sounds_of_keys)
    assert of_revision == {}, "of these boards nobody was told"
    assert sounds_of_keys == {}, "of these sounds nobody was told"
    return len({(heard.revision, heard.do, heard.asked) for heard in log.heard})


def _compare(
    sounds: Sounds,
    board: Board,
    do: str,
    asked: dict[str, Any],
    came: list[Heard],
    sounds_of_keys: dict[str, set[str]],
) -> None:
    if do == "slice":
        wanted = _slices(board, asked)
        assert {heard.came for heard in came} <= wanted, (came[0].revision, asked)
        return
    answer = json.loads(json.dumps(_asked_alone(sounds, board, do, asked)))
    for heard in came:
        assert heard.came == answer, (heard.revision, do, asked)
    if do in ("heard", "point") and answer["key"] in sounds_of_keys:
        wav = sounds.wav(answer["key"])
        assert wav is not None
        assert sounds_of_keys.pop(answer["key"]) == {digest(wav)}, (do, asked)


def _asked_alone(sounds: Sounds, board: Board, do: str, asked: dict[str, Any]) -> Any:
    order, passage = asked["order"], asked["passage"]
    if do == "heard":
        return sounds.heard(board, order, passage, None).facts
    if do == "point":
        return sounds.point(board, order, passage, None, asked["point"])
    if do in ("where", "against"):
        return getattr(sounds, do)(board, asked["a"], asked["b"], passage, None)
    return getattr(sounds, do)(board, order, passage, None)


def _slices(board: Board, asked: dict[str, Any]) -> set[str]:
    """Return what a slice may be: cut from the whole, or rendered with a run-in before it is."""
    sounds = Sounds()
    music = board, asked["order"], asked["passage"], None
    stretch = asked["from"], asked["seconds"]
    early, _ = sounds.slice_wav(*music, *stretch)
    whole = sounds.wav(sounds.heard(*music).key, *stretch)
    assert whole is not None
    return {digest(early), digest(whole)}
