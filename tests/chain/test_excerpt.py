"""A part of a passage by itself sounds as it does in the whole, but for what rang before."""

from pathlib import Path

import numpy as np
import pytest

from simchain import clips
from simchain.board import Board, load_board
from simchain.chain.excerpt import RUN_IN_S, excerpt
from simchain.chain.path import path_from
from simchain.chain.render import render
from simchain.chain.source import source_of
from simchain.chain.walk import walk
from simchain.signal import Signal, read_clip, write_float_wav

HEAD = """
tail_s = 0.5
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive", gain_db = 20 }
swell = { kind = "volume", position = 0.2 }
wobble = { kind = "modulation", shape = "tremolo", rate_hz = 3.7, depth = 0.9 }
sea = { kind = "modulation", shape = "chorus", rate_hz = 0.9 }
sweep = { kind = "modulation", shape = "phaser", rate_hz = 0.7 }
hall = { kind = "reverb", motion = 0.5 }
again = { kind = "delay" }
[amps.mine]
[output]
amps = ["mine"]
[orders.now]
front = ["press", "grit", "swell", "wobble", "sea", "sweep", "hall", "again"]
"""
RATE = 48_000


def board_of(folder: Path, passage: str) -> Board:
    played = read_clip(clips.path("riff"))
    short = np.ascontiguousarray(played.volts[:, : 4 * played.rate])
    write_float_wav(folder / "clip.wav", Signal(short, played.rate))
    (folder / "board.toml").write_text(HEAD + passage)
    return load_board(folder / "board.toml")


def null_db(board: Board, start_s: float, seconds: float) -> float:
    """What is left where the part's sound is taken from the whole's."""
    source = source_of(board, "p")
    volts = source.taken()
    part = excerpt(board, "p", source, volts, start_s, seconds)
    assert part is not None
    kept = volts.copy()
    path = path_from(part.source, part.board, "now", "mine", before_s=part.before_s)
    made = walk(part.board, [path], part.source)[0].output.samples[:, part.run_in :]
    assert np.array_equal(volts, kept), "the whole source stays as it is"
    start = round(start_s * RATE)
    there = render(board, "now", "p", points=False).output.samples[:, start:]
    there = there[:, : round(seconds * RATE)]
    assert made.shape == there.shape
    left = np.mean((made - there) ** 2) / np.mean(there**2)
    return float(10 * np.log10(left + 1e-30))


@pytest.mark.parametrize("on", ["grit", "wobble", "sea", "sweep", "hall", "press"])
def test_from_the_beginning_it_is_the_whole(tmp_path: Path, on: str) -> None:
    board = board_of(tmp_path, f'[passages.p]\non = ["{on}"]')
    assert null_db(board, 0.0, 9.0) < -290.0


@pytest.mark.parametrize("on", ["grit", "wobble", "sea", "sweep", "press"])
@pytest.mark.parametrize("start_s", [1.3, 2.71])
def test_later_it_is_the_whole_but_for_what_rang(tmp_path: Path, on: str, start_s: float) -> None:
    """What sways stands where it does in the whole: half a turn off would null at some -6 dB."""
    found_db = null_db(board_of(tmp_path, f'[passages.p]\non = ["{on}"]'), start_s, 1.0)
    print(f"{on} from {start_s} s: {found_db:.0f} dB")
    assert found_db < -90.0


def test_switches_and_movements_stand_where_they_do_in_the_whole(tmp_path: Path) -> None:
    """Off by then, on by then, switched within; moved by then, and on its way at that moment."""
    board = board_of(
        tmp_path,
        """
[passages.p]
on = ["press", "swell"]
events = [
  { at = 0.2, block = "press", do = "off" },
  { at = 0.3, block = "grit", do = "on" },
  { at = 2.4, block = "grit", do = "off" },
  { at = 0.1, block = "swell", set = { position = 0.9 } },
  { at = 1.5, block = "swell", set = { position = 0.4 }, over_ms = 900 },
]
""",
    )
    for start_s in (1.1, 1.6, 2.0, 2.6):
        found_db = null_db(board, start_s, 1.0)
        print(f"from {start_s} s: {found_db:.0f} dB")
        assert found_db < -90.0


def test_it_has_a_run_in_and_ends_where_the_passage_does(tmp_path: Path) -> None:
    board = board_of(tmp_path, '[passages.p]\non = ["grit"]')
    source = source_of(board, "p")
    volts = source.taken()
    for start_s, seconds, run_in_s, whole_s in (
        (0.0, 2.0, 0.0, 2.0),
        (0.4, 2.0, 0.4, 2.4),
        (3.0, 1.0, RUN_IN_S, RUN_IN_S + 1.0),
        (4.0, 9.0, RUN_IN_S, RUN_IN_S + 0.5),
        (99.0, 1.0, RUN_IN_S, RUN_IN_S),
    ):
        part = excerpt(board, "p", source, volts, start_s, seconds)
        assert part is not None
        assert part.source.signal is not None
        assert part.run_in == pytest.approx(run_in_s * RATE)
        assert part.source.signal.frames == pytest.approx(whole_s * RATE)


def test_a_loop_is_not_cut(tmp_path: Path) -> None:
    event = '{ at = 0.1, block = "again", do = "record" }'
    board = board_of(tmp_path, f'[passages.p]\non = ["again"]\nevents = [{event}]')
    source = source_of(board, "p")
    assert excerpt(board, "p", source, source.taken(), 1.0, 1.0) is None
