"""Comparing orders: every pair once, three fair ways of listening, and the errors a user meets."""

from pathlib import Path

import numpy as np
import pytest

from simchain.board import Board, Order, load_board, with_settings
from simchain.chain.render import render
from simchain.decide.compare import compare
from simchain.decide.comparison import Comparison, Music
from simchain.decide.gains import CEILING_DBTP, WAYS
from simchain.decide.levels import levels
from simchain.decide.songs import song_steps
from simchain.errors import RequestError
from simchain.signal import Signal, write_float_wav
from simchain.units import db_to_ratio

BOARD = """
title = "Two orders"
tail_s = 0.2
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
grit = { kind = "drive", gain_db = 24 }
push = { kind = "boost", gain_db = 9 }
room = { kind = "reverb", decay_s = 0.5 }
[amps.clean]
gain_db = 8
[amps.hot]
gain_db = 28
[orders.before]
front = ["push", "grit", "room"]
[orders.after]
front = ["grit", "push", "room"]
[orders.loop]
front = ["grit", "push"]
loop = ["room"]
[passages.verse]
on = []
[passages.solo]
on = ["push", "grit", "room"]
[songs.solo]
passages = ["verse", "solo"]
"""


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    folder: Path = tmp_path_factory.mktemp("board")
    rate = 48_000
    n = np.arange(2 * rate)
    plucks = np.exp(-3.0 * (n % (rate // 2)) / rate) * np.sin(2 * np.pi * 196 * n / rate)
    write_float_wav(folder / "clip.wav", Signal(0.1 * plucks, rate))
    (folder / "board.toml").write_text(BOARD)
    return load_board(folder / "board.toml")


@pytest.fixture(scope="module")
def comparison(board: Board) -> Comparison:
    return compare(board, ["before", "after", "loop"], amps=["clean", "hot"])


def test_every_pair_once_a_before_b_as_given(comparison: Comparison) -> None:
    pairs = [(pair.a, pair.b, pair.passage, pair.amp) for pair in comparison.pairs]
    assert len(pairs) == len(set(pairs)) == 3 * 2 * 2
    assert {pair[:2] for pair in pairs} == {
        ("before", "after"),
        ("before", "loop"),
        ("after", "loop"),
    }


def test_every_pair_is_judged(comparison: Comparison) -> None:
    for pair in comparison.pairs:
        assert pair.score is not None
        score = pair.score
        print(f"{pair.a} {pair.b} {pair.passage} {pair.amp}: {score.verdict} {score.score:.2f}")
        if pair.passage == "verse" and "loop" not in (pair.a, pair.b):
            assert score.verdict == "same"
    solo = [pair for pair in comparison.pairs if pair.passage == "solo" and pair.amp == "clean"]
    assert {pair.score.verdict for pair in solo if "before" in (pair.a, pair.b)} <= {
        "subtle",
        "clear",
    }


def test_judging_can_be_left_out_and_hears_no_noise(board: Board) -> None:
    def scores(**how: bool) -> list[float | None]:
        orders = ["before", "after"]
        found = compare(board, orders, passages=["solo"], amps=["clean"], **how)
        return [pair.score and pair.score.score for pair in found.pairs]

    assert scores(judged=False) == [None]
    assert scores(noise=True) == scores()


def test_orders_with_everything_off_are_the_same(comparison: Comparison) -> None:
    """But for the loop's two long cables, which take a little treble off a send of 1 kohm."""
    off = [pair for pair in comparison.pairs if pair.passage == "verse"]
    for pair in off:
        if "loop" in (pair.a, pair.b):
            assert -80 < pair.null_db < -20
            assert abs(pair.trim_lu) < 0.1
        else:
            assert (pair.null_db, pair.trim_lu) == (-400, 0)


def test_a_boost_behind_the_drive_is_louder_than_one_before_it(comparison: Comparison) -> None:
    """Common practice, no source: before gives dirt, after gives level (clean amplifier)."""
    pair = next(
        p
        for p in comparison.pairs
        if (p.a, p.b, p.passage, p.amp) == ("before", "after", "solo", "clean")
    )
    print(
        f"9 dB boost moved from before to behind the drive, clean amplifier: {pair.trim_lu:+.1f} LU"
    )
    assert pair.trim_lu > 2


def test_matched_per_passage_all_are_equally_loud(comparison: Comparison) -> None:
    loud = [
        one.rendering.output.integrated_lufs + one.gains_db["passage"] for one in comparison.heard
    ]
    assert np.ptp(loud) < 1e-9


def test_matched_for_the_order_keeps_an_orders_own_steps(comparison: Comparison) -> None:
    for name in comparison.orders:
        gains = {one.gains_db["order"] for one in comparison.heard if one.rendering.order == name}
        assert len(gains) == 1


def test_as_they_come_is_one_gain_for_all(comparison: Comparison) -> None:
    assert len({one.gains_db["as_is"] for one in comparison.heard}) == 1


@pytest.mark.parametrize("way", WAYS)
def test_no_way_of_listening_passes_the_ceiling(comparison: Comparison, way: str) -> None:
    outputs = [(one.rendering.output, one.gains_db[way]) for one in comparison.heard]
    assert max(o.true_peak_dbtp + gain for o, gain in outputs) <= CEILING_DBTP + 1e-9
    peaks = [np.abs(output.samples).max() * db_to_ratio(gain) for output, gain in outputs]
    assert max(peaks) < 1.0


def test_comparing_in_threads_changes_nothing(board: Board, comparison: Comparison) -> None:
    alone = compare(board, ["before", "after"], passages=["solo"], amps=["hot"])
    for one in alone.heard:
        same = next(
            other
            for other in comparison.heard
            if (other.rendering.order, other.rendering.passage, other.rendering.amp)
            == (one.rendering.order, "solo", "hot")
        )
        np.testing.assert_array_equal(one.rendering.output.samples, same.rendering.output.samples)


def test_orders_of_ones_own(board: Board) -> None:
    result = compare(board, ["before", Order(("grit", "room", "push"))], passages=["solo"])
    assert result.orders == ("before", "grit room push")


def test_progress_counts_to_the_end(board: Board) -> None:
    seen: list[tuple[int, int, str]] = []
    compare(board, ["before", "after"], progress=lambda *told: seen.append(told))
    assert [done for done, _, _ in seen] == [1, 2]
    assert seen[-1] == (2, 2, "solo on clean")


@pytest.mark.parametrize(
    ("orders", "asked", "words"),
    [
        (["before"], {}, "two orders or more are compared; 1 given"),
        (["before", "before"], {}, "order 'before' is given twice"),
        (["before", "aftr"], {}, "no order 'aftr'.*did you mean 'after'"),
        (["before", "after"], {"passages": ["sollo"]}, "no passage 'sollo'.*did you mean 'solo'"),
        (["before", "after"], {"songs": ["verse"]}, "no song 'verse'.*there are: solo"),
        (["before", "after"], {"amps": ["warm"]}, "no amplifier 'warm'.*there are: clean, hot"),
    ],
)
def test_what_the_board_does_not_have(
    board: Board, orders: list[str], asked: dict[str, list[str]], words: str
) -> None:
    with pytest.raises(RequestError, match=words):
        compare(board, orders, **asked)


def test_a_silent_clip_is_compared_without_a_loudness(tmp_path: Path) -> None:
    write_float_wav(tmp_path / "clip.wav", Signal(np.zeros(48_000), 48_000))
    (tmp_path / "board.toml").write_text(BOARD)
    result = compare(load_board(tmp_path / "board.toml"), ["before", "after"], passages=["solo"])
    assert result.pairs[0].null_db == -400
    assert all(one.gains_db == dict.fromkeys(WAYS, 0.0) for one in result.heard)


def test_every_point_tells_its_floor_and_it_is_that_of_levels(
    board: Board, comparison: Comparison
) -> None:
    """What orders share is run once: the floors are those of an order on its own."""
    alone = levels(board, "loop", passages=["solo"], amp="hot").renderings[0]
    one = next(
        one.rendering
        for one in comparison.heard
        if (one.rendering.order, one.rendering.passage, one.rendering.amp)
        == ("loop", "solo", "hot")
    )
    for name, point in one.points.items():
        assert point.floor_volts == alone.points[name].floor_volts
        assert point.floor_volts is not None
        assert 0 < point.floor_volts < point.level.rms_volts


def test_a_loop_that_overruns_a_block_is_warned_of_by_order(board: Board) -> None:
    small = with_settings(board.blocks["room"], {"max_dbu": -20})
    tight = board.model_copy(update={"blocks": {**board.blocks, "room": small}})
    result = compare(tight, ["after", "loop"], passages=["solo"], amps=["clean"])
    print(result.warnings[0])
    assert len(result.warnings) == 1
    assert result.warnings[0].startswith("loop on clean: room in the loop meets more than it takes")


@pytest.fixture(scope="module")
def with_song(board: Board) -> Comparison:
    return compare(board, ["before", "loop"], passages=["solo"], songs=["solo"], amps=["clean"])


def test_a_song_and_a_passage_of_one_name_are_told_apart(with_song: Comparison) -> None:
    assert with_song.passages == ("solo", "solo (song)")
    assert [pair.passage for pair in with_song.pairs] == ["solo", "solo (song)"]
    assert [(one.music, one.rendering.order) for one in with_song.heard] == [
        (Music("solo"), "before"),
        (Music("solo"), "loop"),
        (Music("solo", is_song=True), "before"),
        (Music("solo", is_song=True), "loop"),
    ]
    frames = [one.rendering.output.samples.shape[1] for one in with_song.heard]
    assert frames == [round(2.2 * 48_000)] * 2 + [round(4.2 * 48_000)] * 2


def test_a_song_in_a_comparison_is_the_song_rendered_alone(
    board: Board, with_song: Comparison
) -> None:
    alone = render(board, "loop", song="solo", amp="clean", points=False)
    one = with_song.heard[3]
    wanted = alone.output.samples.astype(np.float32)
    np.testing.assert_array_equal(one.rendering.output.samples, wanted)
    assert one.steps == song_steps(board, alone)
    assert [step.passage for step in one.steps] == ["verse", "solo"]
    assert with_song.heard[1].steps == ()


def test_songs_are_compared_alone_or_beside_passages(board: Board) -> None:
    two = ["before", "after"]
    assert compare(board, two, songs=["solo"], amps=["clean"]).passages == ("solo (song)",)
    both = compare(board, two, passages=["solo"], songs=["solo", "solo"], amps=["clean"])
    assert both.passages == ("solo", "solo (song)")


def test_every_sound_tells_how_far_its_sides_are_apart(board: Board) -> None:
    wide = with_settings(board.blocks["room"], {"outputs": 2})
    orders = {"last": Order(("grit", "push", "room")), "first": Order(("room", "grit", "push"))}
    blocks = {**board.blocks, "room": wide}
    output = board.output.model_copy(update={"amps": ()})
    mixer = board.model_copy(update={"blocks": blocks, "orders": orders, "output": output})
    last, first = compare(mixer, ["last", "first"], passages=["solo"]).heard
    print(f"width {last.sides.width:.3f}, correlation {last.sides.correlation:.3f}")
    left, right = last.rendering.output.samples.astype(np.float64)
    assert last.sides.width == pytest.approx(
        np.sum((left - right) ** 2) / (2 * np.sum(left**2 + right**2)), rel=1e-4
    )
    assert (first.sides.width, first.sides.correlation) == (0.0, pytest.approx(1.0))
    assert [one.stretch.ends for one in (*last.stereo, *first.stereo)] == [None, "grit.in"]
