"""The desk never loses work: changes, undo, redo, saving, and a file changed behind its back."""

import re
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simchain.bench.desk import ConflictError, Desk
from simchain.board import load_board, read_board, starter
from simchain.board.write import REMOVED
from simchain.errors import BoardError, OutputError, RequestError, SimchainError

ON_A_MIXER = """
[source]
clip = "riff"
[blocks]
grit = { kind = "drive" }
push = { kind = "boost" }
[orders.a]
front = ["grit", "push"]
[passages.riff]
on = ["grit"]
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "my.toml"
    path.write_text(starter("demo"))
    return path


@pytest.fixture
def desk(path: Path) -> Desk:
    return Desk.opened(path)


def lists(desk: Desk, order: str) -> tuple[list[str], list[str]]:
    found = desk.board.orders[order]
    return list(found.front), list(found.loop)


# Moves


def test_a_block_moves_within_its_stretch(desk: Desk):
    desk.move("split", "tuner", "front", 5)
    assert lists(desk, "split") == (
        ["press", "grit", "push", "sweep", "wobble", "tuner"],
        ["room", "repeat"],
    )
    assert (desk.revision, desk.would_undo, desk.saved) == (1, "tuner moved in split", False)


def test_a_block_moves_into_the_loop_and_out_of_it(desk: Desk):
    desk.move("series", "repeat", "loop", 0)
    assert lists(desk, "series")[1] == ["repeat"]
    desk.move("series", "repeat", "front", 0)
    assert lists(desk, "series")[0][0] == "repeat"
    assert lists(desk, "series")[1] == []


def test_a_block_that_was_left_out_is_put_in(desk: Desk):
    desk.change({("orders", "split", "loop"): ["room"]}, "repeat taken out")
    desk.move("split", "repeat", "loop", 1)
    assert lists(desk, "split")[1] == ["room", "repeat"]
    assert desk.would_undo == "repeat put into split"


def test_a_move_to_where_it_stands_is_no_change(desk: Desk):
    desk.move("split", "tuner", "front", 0)
    assert (desk.revision, desk.would_undo, desk.saved) == (0, None, True)


def test_a_move_changes_the_lines_of_its_order_only(desk: Desk, path: Path):
    before = path.read_text().splitlines()
    desk.move("split", "press", "front", 0)
    after = desk.text.splitlines()
    assert [old for old, new in zip(before, after, strict=True) if old != new] == [
        'front = ["tuner", "press", "grit", "push", "sweep", "wobble"]'
    ]


REFUSED: list[tuple[Callable[[Desk], object], str]] = [
    (lambda desk: desk.move("splt", "grit", "front", 0), "did you mean 'split'"),
    (lambda desk: desk.move("split", "girt", "front", 0), "did you mean 'grit'"),
    (lambda desk: desk.move("split", "grit", "back", 0), "allowed is front or loop"),
    (lambda desk: desk.move("split", "grit", "front", 6), "front of 'split' has 0 to 5"),
    (lambda desk: desk.move("split", "grit", "front", -1), "front of 'split' has 0 to 5"),
    (lambda desk: desk.add("orders", "new", like="gone"), "no order 'gone'"),
    (lambda desk: desk.add("orders", "series", like="split"), "an order 'series' already"),
    (lambda desk: desk.add("orders", "My Order", like="split"), "a name is a small letter"),
    (lambda desk: desk.rename("orders", "split", "series"), "an order 'series' already"),
    (lambda desk: desk.rename("orders", "split", ""), "a name is a small letter"),
    (lambda desk: desk.remove("orders", "gone"), "no order 'gone'"),
    (lambda desk: desk.change({("blocks", "grit", "gain_db"): 900}, ""), "allowed is"),
    (lambda desk: desk.change({("blocks", "grit", "kind"): REMOVED}, ""), "kind is missing"),
    (lambda desk: desk.change({("blocks", "grit"): REMOVED}, ""), 'the board has no block "grit"'),
    (lambda desk: desk.change({("title", "x"): 1}, ""), "title is not a table"),
    (lambda desk: desk.change({("rate",): 1, ("title",): "x"}, ""), "rate = 1"),
    (lambda desk: desk.change({("title",): "x" * 1_000_001}, ""), "1 MB at most"),
]


@pytest.mark.parametrize(("ask", "said"), REFUSED, ids=[said for _, said in REFUSED])
def test_what_would_not_load_leaves_all_as_it_was(
    desk: Desk, path: Path, ask: Callable[[Desk], object], said: str
):
    desk.move("split", "tuner", "front", 1)
    desk.undo()
    before = desk.text, desk.board, desk.revision, desk.would_undo, desk.would_redo
    with pytest.raises(SimchainError, match=re.escape(said)):
        ask(desk)
    assert (desk.text, desk.board, desk.revision, desk.would_undo, desk.would_redo) == before
    assert path.read_text() == starter("demo")


def test_a_problem_names_table_and_key(desk: Desk):
    with pytest.raises(BoardError) as caught:
        desk.change({("blocks", "grit", "gain_db"): 900}, "")
    (problem,) = caught.value.problems
    assert (problem.table, problem.key) == ("blocks.grit", "gain_db")


def test_a_loop_needs_an_amplifier(tmp_path: Path):
    desk = Desk(ON_A_MIXER, tmp_path)
    with pytest.raises(BoardError, match="a split needs an amplifier"):
        desk.move("a", "push", "loop", 0)
    assert (desk.text, desk.revision) == (ON_A_MIXER, 0)


def test_a_value_nested_without_end_is_refused(desk: Desk):
    deep: list[object] = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(RequestError, match="nested too deeply"):
        desk.change({("title",): deep}, "")
    assert desk.revision == 0
    while deep:  # freed by itself it would go as deep
        deep = deep.pop()  # type: ignore[assignment]


# Orders


def test_an_order_is_copied_renamed_and_removed(desk: Desk):
    desk.add("orders", "mine", like="split")
    assert lists(desk, "mine") == lists(desk, "split")
    assert list(desk.board.orders)[-1] == "mine"
    desk.rename("orders", "mine", "yours")
    assert desk.would_undo == "mine renamed yours"
    desk.remove("orders", "yours")
    assert desk.text.replace("\n", "") == starter("demo").replace("\n", "")


def test_the_last_order_stays(tmp_path: Path):
    desk = Desk(ON_A_MIXER, tmp_path)
    with pytest.raises(BoardError, match="at least one order"):
        desk.remove("orders", "a")


def test_goals_follow_a_new_name(desk: Desk):
    desk.change({("goals", "reference"): "split", ("goals", "closeness"): 1}, "goals")
    desk.rename("orders", "split", "other")
    assert desk.board.goals.reference == "other"
    assert list(desk.board.orders)[1] == "other"
    desk.remove("orders", "other")
    assert desk.board.goals.reference is None


# Undo and redo


def test_undo_and_redo_give_the_very_text(desk: Desk):
    texts = [desk.text]
    desk.move("split", "tuner", "front", 3)
    texts.append(desk.text)
    desk.change({("blocks", "grit", "gain_db"): 20}, "grit gain_db")
    texts.append(desk.text)
    desk.undo()
    assert (desk.text, desk.would_undo, desk.would_redo) == (
        texts[1],
        "tuner moved in split",
        "grit gain_db",
    )
    desk.undo()
    assert (desk.text, desk.would_undo, desk.saved) == (texts[0], None, True)
    desk.redo()
    desk.redo()
    assert (desk.text, desk.would_redo, desk.revision) == (texts[2], None, 6)


def test_a_change_after_undo_ends_redo(desk: Desk):
    desk.move("split", "tuner", "front", 3)
    desk.undo()
    desk.move("split", "tuner", "front", 1)
    with pytest.raises(ConflictError, match="nothing to redo"):
        desk.redo()


def test_nothing_to_undo_is_told(desk: Desk):
    with pytest.raises(ConflictError, match="nothing to undo"):
        desk.undo()


def test_what_a_change_says_is_one_line(desk: Desk):
    desk.change({("rate",): 96000}, "a\nb" + "x" * 500)
    assert desk.would_undo is not None
    assert "\n" not in desk.would_undo
    assert len(desk.would_undo) <= 120
    desk.change({("rate",): 48000}, "")
    assert desk.would_undo == "a change"


deeds = st.lists(
    st.one_of(
        st.tuples(
            st.just("move"),
            st.sampled_from(["series", "split", "delay_first"]),
            st.sampled_from(["tuner", "press", "grit", "room", "repeat"]),
            st.sampled_from(["front", "loop"]),
            st.integers(0, 8),
        ),
        st.tuples(st.sampled_from(["undo", "redo"])),
        st.tuples(st.just("add"), st.just("orders"), st.sampled_from(["x", "y"])),
        st.tuples(st.just("remove"), st.just("orders"), st.sampled_from(["x", "y", "split"])),
        st.tuples(st.just("rename"), st.just("orders"), st.sampled_from(["x", "y"]), st.just("z")),
    ),
    max_size=25,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(deeds)
def test_whatever_is_done_the_text_is_the_board_and_all_can_be_undone(deeds: list[tuple[str, ...]]):
    desk = Desk(starter("demo"), Path("nowhere"))
    notes = [line for line in desk.text.splitlines() if line.startswith("#")]
    for do, *given_to in deeds:
        revision, text = desk.revision, desk.text
        try:
            getattr(desk, do)(*given_to, **({"like": "series"} if do == "add" else {}))
        except SimchainError:
            assert (desk.revision, desk.text) == (revision, text)
        again = read_board(desk.text, file="board.toml", folder=Path("nowhere"))
        assert desk.board == again
        assert [line for line in desk.text.splitlines() if line.startswith("#")] == notes
        assert desk.revision >= revision
    while desk.would_undo is not None:
        desk.undo()
    assert desk.text == starter("demo")


# The file


def test_saving_writes_what_is_on_the_desk(desk: Desk, path: Path):
    desk.move("split", "tuner", "front", 3)
    desk.save()
    assert desk.saved
    assert path.read_text() == desk.text
    assert load_board(path).orders == desk.board.orders
    assert [file.name for file in path.parent.iterdir()] == ["my.toml"]
    desk.undo()
    assert not desk.saved
    desk.save()
    assert path.read_text() == starter("demo")


@pytest.mark.parametrize("other", ["# another hand\n", None])
def test_a_file_changed_meanwhile_is_not_written_over_unasked(
    desk: Desk, path: Path, other: str | None
):
    desk.move("split", "tuner", "front", 3)
    mine = desk.text
    if other is None:
        path.unlink()
    else:
        path.write_text(other + path.read_text())
    there = path.read_text() if path.exists() else None
    with pytest.raises(ConflictError, match=r"my\.toml"):
        desk.save()
    assert (path.read_text() if path.exists() else None) == there
    assert (desk.text, desk.saved) == (mine, False)
    desk.save(over=True)
    assert (path.read_text(), desk.saved) == (mine, True)


def test_line_ends_and_bytes_of_the_file_stay(path: Path):
    path.write_bytes(starter("demo").replace("\n", "\r\n").encode())
    desk = Desk.opened(path)
    desk.move("split", "tuner", "front", 1)
    desk.undo()
    desk.save()
    assert path.read_bytes() == starter("demo").replace("\n", "\r\n").encode()


def test_reading_again_takes_the_file_and_undo_brings_mine_back(desk: Desk, path: Path):
    desk.move("split", "tuner", "front", 3)
    mine = desk.text
    path.write_text("# theirs\n" + starter("demo"))
    desk.reload()
    assert desk.text.startswith("# theirs")
    assert (desk.saved, desk.would_undo) == (True, "my.toml read again")
    desk.undo()
    assert (desk.text, desk.saved) == (mine, False)
    desk.save()
    assert path.read_text() == mine


def test_a_file_that_no_longer_loads_is_not_taken(desk: Desk, path: Path):
    desk.move("split", "tuner", "front", 3)
    mine = desk.text
    path.write_text("[blocks")
    with pytest.raises(BoardError, match="is not TOML"):
        desk.reload()
    assert (desk.text, desk.saved, desk.revision) == (mine, False, 1)


def test_a_full_disk_loses_nothing(desk: Desk, path: Path, monkeypatch: pytest.MonkeyPatch):
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    desk.move("split", "tuner", "front", 3)
    monkeypatch.setattr("simchain.files.os.fsync", full)
    with pytest.raises(OutputError, match="no space left"):
        desk.save()
    assert path.read_text() == starter("demo")
    assert not desk.saved
    assert [file.name for file in path.parent.iterdir()] == ["my.toml"]


# Without a board


def test_a_starter_that_is_not_saved_yet_is_saved_under_a_name(tmp_path: Path):
    desk = Desk.begun("electric", tmp_path)
    assert (desk.saved, desk.file, list(tmp_path.iterdir())) == (False, None, [])
    with pytest.raises(RequestError, match="give a name"):
        desk.save()
    with pytest.raises(RequestError, match="no file to read again"):
        desk.reload()
    desk.save(file="mine.toml")
    assert (tmp_path / "mine.toml").read_text() == starter("electric") == desk.text
    assert desk.saved
    desk.reload()
    assert desk.revision == 0


def test_a_starter_is_written_at_once_when_it_has_a_name(tmp_path: Path):
    desk = Desk.begun("demo", tmp_path, "mine.toml")
    assert desk.saved
    with pytest.raises(OutputError, match="there already"):
        Desk.begun("demo", tmp_path, "mine.toml")
    other = Desk.begun("electric", tmp_path)
    with pytest.raises(ConflictError, match="there already"):
        other.save(file="mine.toml")
    assert (tmp_path / "mine.toml").read_text() == starter("demo")


@pytest.mark.parametrize(
    "name",
    ["", ".toml", "../up.toml", "/tmp/x.toml", "a/b.toml", "a\\b.toml", "c:x.toml", "x.txt",
     ".hidden.toml", "..", "new\nline.toml", "nul\0.toml", "x" * 200 + ".toml", "a?.toml"],
)  # fmt: skip
def test_names_that_lead_elsewhere(tmp_path: Path, name: str):
    desk = Desk.begun("electric", tmp_path)
    with pytest.raises(RequestError, match=r"plain name that ends in \.toml"):
        desk.save(file=name)
    with pytest.raises(RequestError, match=r"plain name that ends in \.toml"):
        Desk.begun("electric", tmp_path, name)
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_starter(tmp_path: Path):
    with pytest.raises(RequestError, match="did you mean 'electric'"):
        Desk.begun("electrik", tmp_path, "x.toml")
    assert list(tmp_path.iterdir()) == []


def test_a_revision_and_its_board_belong_together(desk: Desk) -> None:
    """Asked while another thread undoes and redoes: of odd revisions the boost is turned up."""
    desk.change({("blocks", "push", "gain_db"): 9.0}, "louder")
    boards = {1: desk.board}
    desk.undo()
    boards[0] = desk.board
    enough, seen = Event(), set()

    def undo_and_redo() -> None:
        while not enough.is_set():
            desk.redo()
            desk.undo()

    thread = Thread(target=undo_and_redo, daemon=True)
    thread.start()
    try:
        while len(seen) < 30:
            for _ in range(1000):
                revision, board = desk.standing()
                assert board is boards[revision % 2]
            seen.add(revision)
    finally:
        enough.set()
        thread.join()
