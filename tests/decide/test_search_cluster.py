"""The same search on threads, processes and a cluster; stopped, and taken up again."""

import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import simchain
from simchain.board import Board
from simchain.decide.found import Found
from simchain.errors import RequestError
from simchain.report.search_document import search_document
from tests.searched import BOARD, written

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs signals")


def told(found: Found) -> str:
    """Return all that was found but for how long it took."""
    return json.dumps(search_document(found, members=True) | {"seconds": None})


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return simchain.load_board(written(tmp_path_factory.mktemp("board")))


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, board: Board) -> tuple[str, bytes]:
    """What an undisturbed search finds, and its checkpoint."""
    path = tmp_path_factory.mktemp("kept") / "heard"
    return told(coarsely(board, checkpoint=path)), path.read_bytes()


def coarsely(board: Board, **asked: object) -> Found:
    return simchain.search(board, full=False, **asked)


def keys_of(checkpoint: bytes) -> list[str]:
    return [json.loads(line)["key"] for line in checkpoint.splitlines()[1:]]


@pytest.mark.parametrize("threads", [1, 2, pytest.param(3, marks=pytest.mark.soak)])
def test_threads(
    board: Board, kept: tuple[str, bytes], threads: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: threads)
    assert told(coarsely(board)) == kept[0]


def workers() -> list[int]:
    """Return the processes that work for this one."""
    import psutil

    return [
        child.pid
        for child in psutil.Process().children(recursive=True)
        if any("spawn_main" in part for part in child.cmdline())
    ]


def test_local_workers(board: Board, kept: tuple[str, bytes]) -> None:
    assert told(coarsely(board, local_workers=2)) == kept[0]
    assert workers() == []


@posix
def test_a_worker_killed_halfway(board: Board, kept: tuple[str, bytes]) -> None:
    killed: list[int] = []

    def kill(done: int, total: int, _: str) -> None:
        if not killed and 2 * done >= total:
            killed.append(workers()[0])
            os.kill(killed[0], signal.SIGKILL)

    assert told(coarsely(board, local_workers=2, progress=kill)) == kept[0]
    assert len(killed) == 1
    assert workers() == []


def test_a_scheduler_elsewhere(board: Board, kept: tuple[str, bytes]) -> None:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=False,
        protocol="tcp",
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        scheduler_kwargs={"dashboard": False},
    ) as cluster:
        assert told(coarsely(board, scheduler=cluster.scheduler_address)) == kept[0]


class Stopped(Exception):  # noqa: N818 - it stands for whatever ends a search
    """Ends a search from its progress."""


def stop_after(share: float) -> Callable[[int, int, str], None]:
    def progress(done: int, total: int, _: str) -> None:
        if done >= share * total:
            raise Stopped

    return progress


@pytest.mark.parametrize("share", [pytest.param(0.01, marks=pytest.mark.soak), 0.5])
def test_a_search_that_was_stopped_goes_on(
    board: Board, kept: tuple[str, bytes], share: float, tmp_path: Path
) -> None:
    path = tmp_path / "heard"
    with pytest.raises(Stopped):
        coarsely(board, checkpoint=path, progress=stop_after(share))
    before = path.read_bytes()
    assert 1 <= len(keys_of(before)) < len(keys_of(kept[1]))
    assert told(coarsely(board, checkpoint=path)) == kept[0]
    # What was there is still there, and nothing of it was worked on again.
    assert path.read_bytes().startswith(before)
    assert sorted(keys_of(path.read_bytes())) == sorted(keys_of(kept[1]))


def test_a_search_that_is_done_renders_nothing_again(
    board: Board, kept: tuple[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "heard"
    path.write_bytes(kept[1])
    assert told(coarsely(board, checkpoint=path)) == kept[0]
    assert path.read_bytes() == kept[1]


@pytest.mark.soak
def test_threads_go_on_where_workers_stopped(
    board: Board, kept: tuple[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "heard"
    with pytest.raises(Stopped):
        coarsely(board, checkpoint=path, local_workers=2, progress=stop_after(0.5))
    assert workers() == []
    assert told(coarsely(board, checkpoint=path)) == kept[0]
    assert sorted(keys_of(path.read_bytes())) == sorted(keys_of(kept[1]))


@pytest.mark.parametrize(
    "cut",
    [
        pytest.param(1, marks=pytest.mark.soak),
        40,
        "middle",
        pytest.param("all but a byte", marks=pytest.mark.soak),
    ],
)
def test_a_last_line_that_was_cut(
    board: Board, kept: tuple[str, bytes], cut: int | str, tmp_path: Path
) -> None:
    *whole, last = kept[1].splitlines(keepends=True)
    bytes_left = {"middle": len(last) // 2, "all but a byte": len(last) - 1}.get(cut, cut)
    path = tmp_path / "heard"
    path.write_bytes(b"".join(whole) + last[: int(bytes_left)])
    assert told(coarsely(board, checkpoint=path)) == kept[0]
    assert sorted(keys_of(path.read_bytes())) == sorted(keys_of(kept[1]))
    assert path.read_bytes().startswith(b"".join(whole))


CHANGES = [
    ('"boost", gain_db = 2', '"boost", gain_db = 3', "[blocks]"),
    ("tail_s = 0.2", "tail_s = 0.3", "tail_s"),
    ('links = "ideal"', 'links = "real"', "links"),
    ('full_scale_dbu = 12', 'full_scale_dbu = 13', "[source], sound of a clip"),
    ("[goals]", "[judging]\nlistening_db_spl = 70\n[goals]", "listening_db_spl"),
    ('on = ["tilt", ', "on = [", "[passages]"),
    ("[goals]", "[amps.valves]\n[output]\namps = [\"valves\"]\n[goals]",
     "[amps], [output], choice of blocks, choice of amplifier"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "named"), CHANGES, ids=[named for *_, named in CHANGES])
def test_a_checkpoint_of_another_search_is_refused(
    kept: tuple[str, bytes], old: str, new: str, named: str, tmp_path: Path
) -> None:
    path = tmp_path / "heard"
    path.write_bytes(kept[1])
    assert old in BOARD
    other = simchain.load_board(written(tmp_path, BOARD.replace(old, new, 1)))
    with pytest.raises(RequestError) as caught:
        coarsely(other, checkpoint=path)
    verb = "differ" if "," in named else "differs"
    assert str(caught.value) == (
        f"checkpoint {path} is of another search ({named} {verb}); name another file or remove it"
    )
    assert path.read_bytes() == kept[1]


def test_another_clip_or_choice_is_refused(
    board: Board, kept: tuple[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "heard"
    path.write_bytes(kept[1])
    other = simchain.load_board(written(tmp_path, loud=0.11))
    with pytest.raises(RequestError, match=r"\(sound of a clip differs\)"):
        coarsely(other, checkpoint=path)
    with pytest.raises(RequestError, match=r"\(choice of blocks differs\)"):
        coarsely(board, blocks=["tilt", "push", "grit"], checkpoint=path)
    assert path.read_bytes() == kept[1]


def test_choices_of_as_many_blocks_are_told_apart(board: Board, tmp_path: Path) -> None:
    path = tmp_path / "heard"
    coarsely(board, blocks=["tilt", "push"], checkpoint=path)
    with pytest.raises(RequestError, match=r"\(choice of blocks differs\)"):
        coarsely(board, blocks=["grit", "squash"], checkpoint=path)


def test_other_goals_and_rules_are_no_other_search(kept: tuple[str, bytes], tmp_path: Path) -> None:
    """What was heard holds: other weights render nothing, fewer orders are their own plan."""
    path = tmp_path / "heard"
    path.write_bytes(kept[1])
    weights = BOARD.replace("headroom = 1", "headroom = 7").replace(
        "[passages.riff]", "[passages.riff]\nweight = 3\ntarget_lufs = -20"
    )
    board = simchain.load_board(written(tmp_path, weights))
    found = coarsely(board, checkpoint=path)
    assert found.weights["headroom"] == 7.0
    assert path.read_bytes() == kept[1]
    assert told(found) == told(coarsely(board))
    ruled = simchain.load_board(written(tmp_path, BOARD + '[rules]\nfirst = ["grit"]\n'))
    assert told(coarsely(ruled, checkpoint=path)) == told(coarsely(ruled))
    assert path.read_bytes().startswith(kept[1])


@pytest.mark.soak
def test_searches_by_beam_share_a_checkpoint(
    board: Board, kept: tuple[str, bytes], tmp_path: Path
) -> None:
    """The same orders by other ways: what is kept of one may not pass for the other's."""
    path = tmp_path / "heard"
    blocks = list(board.blocks)[1:]
    alone = {beam: told(coarsely(board, blocks=blocks, beam=beam)) for beam in (1, 6, None)}
    for beam in (*alone, 1):
        found = coarsely(board, blocks=blocks, beam=beam, checkpoint=path)
        assert told(found) == alone[beam], beam
    path.write_bytes(kept[1])
    found = coarsely(board, beam=2, checkpoint=path)
    assert told(found) == told(coarsely(board, beam=2))
