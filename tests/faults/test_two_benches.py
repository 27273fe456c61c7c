"""A board that somebody else writes too: nobody's edit is lost without being asked.

Another bench, an editor, or a command with --write.
"""

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from simchain import files
from simchain.bench.desk import ConflictError, Desk
from simchain.bench.run import address_of, listening
from simchain.bench.server import Bench
from simchain.board import load_board
from simchain.board.write import save
from tests.bench.serving import TOKEN, Client, served
from tests.conftest import TWO_ORDERS, board_beside_tone

BY_ANOTHER = (
    "board.toml was changed by another program since it was read: read it again, or save over it"
)
TAKEN_AWAY = (
    "board.toml was taken away by another program since it was read: save over it to have it there "
    "again"
)


@pytest.fixture
def board(tmp_path: Path) -> Path:
    return board_beside_tone(tmp_path, TWO_ORDERS)


def a_bench(board: Path) -> Bench:
    return Bench(Desk.opened(board), board.parent, None, TOKEN)  # type: ignore[arg-type]


@pytest.fixture
def two(board: Path) -> Iterator[tuple[Client, Client]]:
    """Two benches on one board."""
    with served(a_bench(board).app()) as one, served(a_bench(board).app()) as other:
        assert one.port != other.port
        yield one, other
        assert one.said == other.said == []


def swap(client: Client, revision: int, order: str = "a") -> None:
    at = {"order": order, "to": "front", "at": 1}
    first = next(each for each in client.get("/board").json()["orders"] if each["name"] == order)
    answer = client.post("/move", revision=revision, block=first["front"][0], **at)
    assert answer.status == 200


def test_each_bench_takes_a_port_of_its_own() -> None:
    with listening(None) as one, listening(None) as other:
        ports = [each.getsockname()[1] for each in (one, other)]
        assert len(set(map(address_of, ports))) == 2


def test_what_one_saves_the_other_notices(two: tuple[Client, Client], board: Path) -> None:
    one, other = two
    swap(one, 0, "a")
    assert one.post("/save", revision=1).json()["saved"]
    swap(other, 0, "b")
    there = board.read_bytes()
    refused = other.post("/save", revision=1)
    assert (refused.status, refused.json()) == (409, {"text": BY_ANOTHER})
    assert board.read_bytes() == there
    assert not other.get("/board").json()["saved"]
    assert other.post("/reload", revision=1).json()["saved"]
    swap(other, 2, "b")
    assert other.post("/save", revision=3).json()["saved"]
    orders = load_board(board).orders
    assert (orders["a"].front, orders["b"].front) == (("push", "grit"), ("grit", "push"))


def test_of_two_that_save_at_once_one_is_refused(
    board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second begins between the first one's look at the file and its writing."""
    one, other = Desk.opened(board), Desk.opened(board)
    one.move("a", "grit", "front", 1)
    other.move("b", "grit", "front", 1)
    write, told, threads = files.write_text, [], []  # type: ignore[var-annotated]

    def save_other() -> None:
        with pytest.raises(ConflictError, match="changed by another program"):
            other.save()
        told.append(board.read_text())

    def meanwhile(path: Path, text: str) -> None:
        if not threads:
            threads.append(threading.Thread(target=save_other))
            threads[0].start()
            threads[0].join(0.3)  # it waits
            assert told == []
        write(path, text)

    monkeypatch.setattr(files, "write_text", meanwhile)
    one.save()
    threads[0].join(10.0)
    assert told == [one.text]
    assert board.read_text() == one.text


def test_who_waits_for_a_lock_that_is_never_given_up_goes_on(
    board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "_LONGEST_WAIT_S", 0.05)
    desk = Desk.opened(board)
    desk.move("a", "grit", "front", 1)
    with files.alone_in(board.parent):
        desk.save()
    assert board.read_text() == desk.text


def test_what_a_command_writes_the_bench_notices(board: Path) -> None:
    desk = Desk.opened(board)
    desk.move("a", "grit", "front", 1)
    save(board, {("blocks", "push", "gain_db"): 7.0})
    with pytest.raises(ConflictError, match="changed by another program"):
        desk.save()
    desk.reload()
    assert desk.board.blocks["push"].model_dump()["gain_db"] == 7.0


def test_what_a_command_writes_keeps_what_was_edited_meanwhile(board: Path) -> None:
    """It changes what is in the file then, not what it read first."""
    board.write_text(board.read_text() + "# mine\n")
    save(board, {("blocks", "push", "gain_db"): 7.0})
    assert board.read_text().endswith("# mine\n")
    assert load_board(board).blocks["push"].model_dump()["gain_db"] == 7.0


def make_broken(board: Path) -> None:
    board.write_text("[blocks")


def make_folder(board: Path) -> None:
    board.unlink()
    board.mkdir()


def make_other(board: Path) -> None:
    os.utime(board, ns=(10**18, 10**18))
    board.write_bytes(b"# the same size" + board.read_bytes()[15:])
    os.utime(board, ns=(10**18, 10**18))


@pytest.mark.parametrize(
    ("does", "says", "reloads", "over"),
    [
        (Path.unlink, TAKEN_AWAY, "there is no such file", True),
        (make_broken, BY_ANOTHER, "is not TOML", True),
        (make_folder, "is a folder", "is a folder", False),
        (lambda board: board.write_bytes(b"\xff\xfe"), "is not UTF-8 text", "is not UTF-8", True),
        (make_other, BY_ANOTHER, None, True),
    ],
    ids=["deleted", "broken", "a folder", "no text", "another of its age and size"],
)
def test_the_file_is_another(  # type: ignore[no-untyped-def]
    does, says: str, reloads: str | None, over: bool, board: Path
) -> None:
    board.write_text("#" * 15 + board.read_text())
    with served(a_bench(board).app()) as client:
        swap(client, 0)
        mine = client.get("/board").json()
        does(board)
        refused = client.post("/save", revision=1)
        assert refused.status == 409
        assert says in refused.json()["text"]
        assert "\n" not in refused.json()["text"]
        assert client.get("/board").json() == mine
        if reloads:
            read = client.post("/reload", revision=1)
            assert read.status == 422
            assert reloads in read.json()["problems"][0]["text"]
            assert client.get("/board").json() == mine
        saved = client.post("/save", revision=1, over=True)
        if over:
            assert saved.json()["saved"]
            assert load_board(board).orders["a"].front == ("push", "grit")
        else:
            assert saved.status == 422
            assert "is a directory" in saved.json()["problems"][0]["text"]
        assert client.said == []
