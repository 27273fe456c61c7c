"""Sounds of the bench: what `render` makes, by a key that changes when the sound does."""

import io
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simchain import clips
from simchain.bench.sounds import PLAYED_LUFS, Sounds
from simchain.board import Board, Event, Order, load_board
from simchain.chain.render import render
from simchain.chain.walk import StoppedError
from simchain.errors import ClipError, RequestError
from simchain.measure.loudness import integrated_lufs, ungated_lufs
from simchain.measure.true_peak import true_peak_dbtp
from simchain.signal import Signal, read_clip, write_float_wav

BOARD = """
tail_s = 0.2
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive", gain_db = 20 }
echo = { kind = "delay", outputs = 2, spread = 0.5 }
[amps.mine]
[amps.other]
gain_db = 30
[output]
amps = ["mine"]
[orders.now]
front = ["press", "grit", "echo"]
[orders.split]
front = ["press", "grit"]
loop = ["echo"]
[passages.soft]
on = ["press", "echo"]
[passages.loud]
on = ["press", "grit", "echo"]
"""


def write_clip(folder: Path, name: str, seconds: float = 1.0) -> None:
    played = read_clip(clips.path(name))
    short = np.ascontiguousarray(played.volts[:, : round(seconds * played.rate)])
    write_float_wav(folder / "clip.wav", Signal(short, played.rate))


@pytest.fixture
def board(tmp_path: Path) -> Board:
    write_clip(tmp_path, "riff")
    (tmp_path / "board.toml").write_text(BOARD)
    return load_board(tmp_path / "board.toml")


def with_order(board: Board, name: str, order: Order) -> Board:
    return board.model_copy(update={"orders": {**board.orders, name: order}})


def read(wav: bytes | None) -> np.ndarray:
    assert wav is not None
    samples, rate = soundfile.read(io.BytesIO(wav), dtype="float32", always_2d=True)
    assert rate == 48_000
    return samples.T


@pytest.mark.parametrize("order", ["now", "split"])
@pytest.mark.parametrize("amp", [None, "other"])
def test_what_is_played_is_what_render_makes(board: Board, order: str, amp: str | None) -> None:
    sounds = Sounds()
    for passage in ("soft", "loud"):
        heard = sounds.heard(board, order, passage, amp)
        there = render(board, order, passage, amp=amp)
        found = read(sounds.wav(heard.key))
        assert np.array_equal(found, there.output.samples.astype(np.float32))
        assert heard.facts["seconds"] == pytest.approx(1.2)
        assert heard.facts["amp"] == (amp or "mine")
        assert [point["name"] for point in heard.facts["points"]] == list(there.points)
        assert heard.facts["integrated_lufs"] == there.output.integrated_lufs


def test_a_part_of_a_sound(board: Board) -> None:
    sounds = Sounds()
    key = sounds.heard(board, "now", "loud", None).key
    whole = read(sounds.wav(key))
    for start_s, seconds, expected in (
        (0.25, 0.5, whole[:, 12_000:36_000]),
        (1.0, 2.0, whole[:, 48_000:]),
        (0.5, None, whole[:, 24_000:]),
        (9.0, 1.0, whole[:, :0]),
    ):
        assert np.array_equal(read(sounds.wav(key, start_s, seconds)), expected)
    wav, gains_db = sounds.slice_wav(board, "now", "loud", None, 0.25, 0.5)
    assert np.array_equal(read(wav), whole[:, 12_000:36_000])
    assert gains_db == sounds.heard(board, "now", "loud", None).facts["gain_db"]


def test_a_part_of_what_is_not_rendered_yet(board: Board) -> None:
    """It is played as loud as the same part of what was heard last."""
    sounds = Sounds()
    last = sounds.heard(board, "now", "loud", None)
    other = with_order(board, "now", Order(front=("grit", "press", "echo"), loop=()))
    ran = sounds._kept.steps_run
    wav, gains_db = sounds.slice_wav(other, "now", "loud", None, 0.5, 0.4)
    assert sounds._kept.steps_run == ran, "the whole is not rendered for it"
    part = read(wav).astype(np.float64)
    before = read(sounds.wav(last.key, 0.5, 0.4)).astype(np.float64)
    loud = [
        ungated_lufs(samples, 48_000) + gain_db
        for samples, gain_db in (
            (before, last.facts["gain_db"]["passage"]),
            (part, gains_db["passage"]),
        )
    ]
    assert loud[1] == pytest.approx(loud[0], abs=1e-6)


def test_the_key_is_that_of_the_sound(board: Board) -> None:
    """Another order, the same again, another name for it; another full scale."""
    sounds = Sounds()
    first = sounds.heard(board, "now", "loud", None).key
    moved = with_order(board, "now", Order(front=("grit", "press", "echo"), loop=()))
    assert sounds.heard(moved, "now", "loud", None).key != first
    same = with_order(board, "again", board.orders["now"])
    assert sounds.heard(same, "again", "loud", None).key == first
    louder = board.output.model_copy(update={"full_scale_dbu": 30.0})
    other = sounds.heard(board.model_copy(update={"output": louder}), "now", "loud", None)
    assert other.key != first
    assert sounds.wav("no such key") is None


def test_it_is_played_evenly_and_never_over_full_scale(board: Board) -> None:
    sounds = Sounds()
    for passage in ("soft", "loud"):
        heard = sounds.heard(board, "now", passage, None)
        samples = read(sounds.wav(heard.key)).astype(np.float64)
        assert heard.facts["gain_db"].pop("order") is None
        for way, gain_db in heard.facts["gain_db"].items():
            played = samples * 10.0 ** (gain_db / 20.0)
            assert true_peak_dbtp(played, 48_000) < -1.0, way
            if way == "passage":
                assert integrated_lufs(played, 48_000) == pytest.approx(PLAYED_LUFS, abs=1e-3)


def test_one_gain_for_an_order_keeps_its_passages_apart(board: Board) -> None:
    sounds = Sounds()
    facts = [
        sounds.heard(board, "now", passage, None, by_order=True).facts
        for passage in ("soft", "loud")
    ]
    gains_db = [each["gain_db"]["order"] for each in facts]
    assert gains_db[0] == gains_db[1]
    powers = [10.0 ** ((each["integrated_lufs"] + gains_db[0]) / 10.0) for each in facts]
    assert 10.0 * np.log10(np.mean(powers)) <= PLAYED_LUFS + 1e-6
    assert all(each["true_peak_dbtp"] + gains_db[0] < -1.0 for each in facts)


def test_the_chain_up_to_a_test_point(board: Board) -> None:
    sounds = Sounds()
    there = render(board, "now", "loud").points["grit.out"].volts
    assert there is not None
    found = sounds.point(board, "now", "loud", None, "grit.out")
    samples = read(sounds.wav(found["key"]))
    scaled = (there / np.abs(there).max()).astype(np.float32)
    assert np.array_equal(samples, np.broadcast_to(scaled, samples.shape))
    played = samples.astype(np.float64) * 10.0 ** (found["gain_db"]["passage"] / 20.0)
    assert true_peak_dbtp(played, 48_000) < -1.0
    with pytest.raises(RequestError, match="no_such"):
        sounds.point(board, "now", "loud", None, "no_such")


def test_the_moment_at_which_two_orders_differ_most(board: Board) -> None:
    """One in which a block is switched on late differs there."""
    sounds = Sounds()
    table = board.passage("loud")
    late = [Event(at=0.7, block="grit", do="on")]
    passage = table.model_copy(update={"on": ("press",), "events": tuple(late)})
    changed = board.model_copy(update={"passages": {**board.passages, "loud": passage}})
    moved = Order(front=("grit", "press", "echo"), loop=())
    assert 0.6 < sounds.where(changed, "now", moved, "loud", None)["at_s"] <= 1.2
    assert sounds.where(changed, "now", "now", "loud", None) == {"at_s": None}


def test_a_clip_that_changed_is_read_again(board: Board, tmp_path: Path) -> None:
    sounds = Sounds()
    first = sounds.heard(board, "now", "soft", None).key
    write_clip(tmp_path, "funk")
    assert sounds.heard(board, "now", "soft", None).key != first
    (tmp_path / "clip.wav").unlink()
    with pytest.raises(ClipError):
        sounds.heard(board, "now", "soft", None)


def test_what_the_board_does_not_have_is_refused(board: Board) -> None:
    sounds = Sounds()
    for order, passage, amp in (("no", "soft", None), ("now", "no", None), ("now", "soft", "no")):
        with pytest.raises(RequestError, match="no"):
            sounds.heard(board, order, passage, amp)


def test_one_order_against_another(board: Board) -> None:
    sounds = Sounds()
    moved = Order(front=("echo", "press", "grit"), loop=())
    found = sounds.against(board, "now", moved, "loud", None)
    assert found["verdict"] == "clear"
    assert found["a"] == "now"
    # Both in words where none moves to make one of the other, and the level is told of one.
    far = Order(front=("echo", "press"), loop=())
    named = sounds.against(board, "now", far, "loud", None, ("the first", "the second"))
    assert "the second" in named["sentence"].lower()


def test_free_moves_as_the_page_is_told_of_them(board: Board) -> None:
    """Off throughout, grit may stand anywhere, and that is proved where links are wires."""
    found = Sounds().free(board, "now", "soft", None)
    assert (found["order"], found["passage"]) == ("now", "soft")
    moves = {(each["block"], *each["front"], "|", *each["loop"]): each for each in found["moves"]}
    for line in (("grit", "press", "echo", "|"), ("press", "echo", "grit", "|")):
        assert moves["grit", *line]["louder_lu"] == pytest.approx(0.0, abs=0.1)
    assert ("echo", "echo", "press", "grit", "|") not in moves


def test_blocks_of_one_box_are_told_of_as_one(board: Board) -> None:
    """Filters and a level commute: the box may go anywhere, its second block with it.

    Before or behind a drive it is heard, and then both are bound, by one name.
    """
    text = """
    tail_s = 0.2
    links = "ideal"
    source = { kind = "guitar", clip = "clip.wav" }
    [blocks]
    low = { kind = "equalizer", bands = [{ shape = "peak", hz = 300, db = 15 }], box = "two" }
    lift = { kind = "boost", gain_db = 1 }
    high = { kind = "equalizer", bands = [{ shape = "peak", hz = 3000, db = 9 }], box = "two" }
    grit = { kind = "drive", gain_db = 30 }
    [orders.now]
    front = ["low", "high", "lift"]
    [orders.dirty]
    front = ["low", "high", "grit"]
    [passages.soft]
    on = ["lift", "high", "low", "grit"]
    """
    assert board.folder is not None
    (board.folder / "box.toml").write_text(text)
    boxed = load_board(board.folder / "box.toml")
    found = Sounds().free(boxed, "now", "soft", None)
    assert found["sentences"] == [
        "low with high may also stand after lift",
        "lift may also stand before low with high",
    ]
    assert found["bound"] == []
    fronts = {each["block"]: each["front"] for each in found["moves"]}
    assert fronts == {name: ["lift", "low", "high"] for name in ("low", "lift")}
    found = Sounds().free(boxed, "dirty", "soft", None)
    assert (found["sentences"], found["bound"]) == ([], ["low with high", "grit"])


def test_what_nobody_waits_for_stops(board: Board) -> None:
    stop = threading.Event()
    stop.set()
    sounds = Sounds()
    sounds.heard(board, "now", "loud", None)
    for ask in (
        lambda: sounds.free(board, "now", "loud", None, stop=stop),
        lambda: sounds.against(board, "now", "split", "loud", None, stop=stop),
        lambda: sounds.traces(board, "now", "loud", None, stop=stop),
    ):
        with pytest.raises(StoppedError):
            ask()
    assert not sounds._one_at_a_time.locked(), "and holds up nobody"


def test_many_may_ask_at_once(board: Board) -> None:
    sounds, expected = Sounds(), Sounds()
    asked = [(order, passage) for passage in ("soft", "loud") for order in ("now", "split")]
    keys: list[str] = []

    def ask() -> None:
        keys.extend(sounds.heard(board, *each, None).key for each in asked)

    threads = [threading.Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(keys) == 16
    for each in asked:
        heard = expected.heard(board, *each, None)
        assert keys.count(heard.key) == 4
        assert np.array_equal(read(sounds.wav(heard.key)), read(expected.wav(heard.key)))
