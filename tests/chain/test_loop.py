"""The parallel loop: dips of what is late beside what is not, against the closed form."""

import math
from pathlib import Path

import numpy as np
import pytest

from simchain.board import Board, Order, load_board
from simchain.chain.loop import DEEPEST_DB, Loop, parallel_loop

# A vibrato's own delay while it stands still, beside its converters' (simchain blocks modulation).
VIBRATO_S = 0.5e-3

BOARD = """
links = "{links}"
source = {{ kind = "line", clip = "riff" }}
[blocks]
late = {{ kind = "delay", mix = 1, feedback = 0, tone_hz = 0, time_ms = {late_ms} }}
still = {{ kind = "modulation", shape = "vibrato", depth = 0, latency_ms = 1.5 }}
over = {{ kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, invert = true }}
plain = {{ kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0 }}
room = {{ kind = "reverb", mix = 1.0, decay_s = 2.0 }}
repeat = {{ kind = "delay", mix = 1.0, time_ms = 380 }}
sway = {{ kind = "modulation", shape = "vibrato", depth = 1.0, latency_ms = 1.5 }}
scoop = {{ kind = "equalizer", bands = [{{ shape = "notch", hz = 800, db = 0, q = 2 }}] }}
[amps.one]
loop_mix = {mix}
[amps.two]
[orders.late]
loop = ["late"]
[orders.over]
loop = ["over"]
[orders.none]
front = ["late"]
[passages.all]
on = ["late", "still", "over", "plain", "room", "repeat", "sway", "scoop"]
[passages.off]
on = []
"""


@pytest.fixture
def board_of(tmp_path: Path):
    def read(mix: float = 0.5, late_ms: float = 1.5, links: str = "ideal") -> Board:
        file = tmp_path / "board.toml"
        file.write_text(BOARD.format(mix=mix, late_ms=late_ms, links=links))
        return load_board(file)

    return read


def through(board: Board, *names: str, passage: str = "all") -> Loop:
    loop = parallel_loop(board, Order(loop=names), passage, "one")
    assert loop is not None
    return loop


@pytest.mark.parametrize("mix", [0.375, 0.6, 0.7])
@pytest.mark.parametrize("late_ms", [1.5, 3.0])
def test_a_late_loop_is_the_closed_form(board_of, mix: float, late_ms: float) -> None:
    """|m exp(-j w T) + 1 - m|: a closed form; its least is |1 - 2 m| at odd k / (2 T)."""
    loop = through(board_of(mix, late_ms), "late")
    turn = np.exp(-2j * np.pi * loop.hz * late_ms / 1e3)
    known_db = 20 * np.log10(np.abs(mix * turn + 1 - mix))
    off_db = np.abs(loop.gains_db - known_db).max()
    odd = np.arange(1, 2 * 10_000 * late_ms / 1e3, 2) / (2 * late_ms / 1e3)
    depth_db = 20 * math.log10(abs(1 - 2 * mix))
    print(
        f"m {mix}, {late_ms} ms late: within {off_db:.4f} dB of the closed form; dips at "
        f"{loop.dips[0].hz:.1f}, {loop.dips[1].hz:.1f} Hz of {loop.dips[0].db:.2f} dB "
        f"({odd[0]:.1f}, {odd[1]:.1f} Hz, {depth_db:.2f} dB)"
    )
    assert off_db < 0.01
    assert [dip.hz for dip in loop.dips] == pytest.approx(odd, abs=0.3)
    assert [dip.db for dip in loop.dips] == pytest.approx([depth_db] * len(odd), abs=0.02)


def test_half_and_half_cancel_whole(board_of) -> None:
    loop = through(board_of(0.5), "late")
    assert loop.dips[0].hz == pytest.approx(1000 / 3, abs=0.3)
    assert DEEPEST_DB <= loop.dips[0].db < -45


def test_a_shallow_mix_has_no_dip_of_3_db(board_of) -> None:
    """m 0.1: |1 - 2 m| is -1.9 dB."""
    assert through(board_of(0.1), "late").dips == ()


def test_what_is_turned_over_takes_the_rest_away(board_of) -> None:
    """m 0.4, no delay: 1 - 2 m = 0.2 is left of the louder part's 0.6: -9.5 dB; no comb."""
    loop = through(board_of(0.4), "over")
    print(f"turned over, m 0.4: {loop.level_db:.2f} dB against the louder part (-9.54)")
    assert loop.dips == ()
    assert loop.level_db == pytest.approx(20 * math.log10(0.2 / 0.6), abs=0.05)


def test_late_and_turned_over_dips_lie_between(board_of) -> None:
    """-m exp(-j w T) + 1 - m has its least at whole k / T: 667 Hz for 1.5 ms."""
    loop = through(board_of(0.4), "late", "over")
    assert loop.dips[0].hz == pytest.approx(1000 / 1.5, abs=0.3)
    assert loop.dips[0].db == pytest.approx(20 * math.log10(0.2), abs=0.05)


def test_nothing_late_or_everything_off_adds_up(board_of) -> None:
    board = board_of(0.5)
    for loop in (through(board, "plain"), through(board, "late", passage="off")):
        assert loop.dips == ()
        assert np.abs(loop.gains_db).max() < 0.1


def test_echoes_and_tails_are_no_colour(board_of) -> None:
    board = board_of(0.5)
    for name in ("repeat", "room"):
        dips = through(board, name).dips
        print(f"{name} beside the direct sound: {len(dips)} dips")
        assert dips == ()


def test_a_filter_in_the_loop_cancels_nothing(board_of) -> None:
    """A notch takes the loop's part away; what is left is the direct sound, whole."""
    loop = through(board_of(0.8), "scoop")
    at_notch = float(np.interp(800, loop.hz, loop.gains_db))
    print(f"notch in the loop, m 0.8: {at_notch:.1f} dB at 800 Hz, {len(loop.dips)} dips")
    assert at_notch < -8
    assert loop.dips == ()


def test_dips_that_move_are_averaged_away(board_of) -> None:
    """A vibrato of some ms sweeps its dips: far shallower than those of one that stands still."""
    still, moving = (through(board_of(0.5), name) for name in ("still", "sway"))
    deepest = min((dip.db for dip in moving.dips), default=0.0)
    print(f"still {still.dips[0].db:.0f} dB, moving {deepest:.1f} dB")
    assert still.dips[0].hz == pytest.approx(1 / (2 * (1.5e-3 + VIBRATO_S)), abs=0.3)
    assert deepest > still.dips[0].db + 20


def test_cables_and_loads_move_it_little(board_of) -> None:
    real, ideal = (through(board_of(0.375, links=links), "late") for links in ("real", "ideal"))
    print(f"cables: {real.dips[0]} against {ideal.dips[0]}")
    assert real.dips[0].hz == pytest.approx(ideal.dips[0].hz, rel=0.02)
    assert real.dips[0].db == pytest.approx(ideal.dips[0].db, abs=0.5)


def test_where_nothing_runs_beside_it_there_is_none(board_of) -> None:
    board = board_of(0.5)
    assert parallel_loop(board, "none", "all", "one") is None
    assert parallel_loop(board, "late", "all", "two") is None
    assert parallel_loop(board, "none", "all", None) is None
    pair = parallel_loop(board, "late", "all", "two+one")
    assert pair is not None
    assert pair.mix == 0.5
    assert pair.dips
