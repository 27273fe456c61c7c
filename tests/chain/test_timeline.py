"""Passages in time: movements, takes, and songs as one timeline."""

import math
from collections.abc import Callable

import numpy as np
import pytest

import simchain
from simchain.board import Board
from simchain.chain.source import check_clips, source_of
from simchain.chain.timeline import timeline_of_passage
from simchain.errors import RequestError
from simchain.signal import Signal, write_float_wav

MakeBoard = Callable[..., Board]
RATE = 48_000


def steady(seconds: float = 1.0) -> np.ndarray:
    return np.full((1, round(seconds * RATE)), 0.1)


def gain_board(make_board: MakeBoard, events: str) -> Board:
    text = f"""
    [blocks]
    push = {{ kind = "boost", low_cut_hz = 0, high_cut_hz = 0, gain_db = 0 }}
    [orders.one]
    front = ["push"]
    [passages.on]
    on = ["push"]
    events = [{events}]
    """
    return make_board(text, steady())


def gain_db(board: Board) -> np.ndarray:
    out = simchain.render(board, "one", "on").points["push.out"].volts[0]
    return 20 * np.log10(out / 0.1)


@pytest.mark.parametrize("control", ["gain_db", "level_db"])
def test_a_movement_is_a_straight_line_from_where_it_is(make_board: MakeBoard, control) -> None:
    event = f'{{ at = 0.2, block = "push", set = {{ {control} = 6.0 }}, over_ms = 500 }}'
    line = np.interp(np.arange(RATE) / RATE, [0.2, 0.7], [0, 6])
    np.testing.assert_allclose(gain_db(gain_board(make_board, event)), line, atol=1e-6)


def test_a_movement_takes_over_from_one_that_still_runs(make_board: MakeBoard) -> None:
    events = (
        '{ at = 0.0, block = "push", set = { gain_db = 10.0 }, over_ms = 1000 },'
        '{ at = 0.5, block = "push", set = { gain_db = 0.0 }, over_ms = 250 }'
    )
    line = np.interp(np.arange(RATE) / RATE, [0, 0.5, 0.75], [0, 5, 0])
    np.testing.assert_allclose(gain_db(gain_board(make_board, events)), line, atol=1e-6)


def test_a_control_turned_at_once_does_not_click(make_board: MakeBoard) -> None:
    event = '{ at = 0.5, block = "push", set = { gain_db = 6.0 } }'
    found = gain_db(gain_board(make_board, event))
    assert found[round(0.505 * RATE)] == pytest.approx(6.0)
    assert np.abs(np.diff(found)).max() < 6.0 / 200


def test_events_of_one_time_apply_in_file_order(make_board: MakeBoard) -> None:
    events = (
        '{ at = 0.5, block = "push", set = { gain_db = 9.0 } },'
        '{ at = 0.5, block = "push", set = { gain_db = 3.0 } }'
    )
    assert gain_db(gain_board(make_board, events))[-1] == pytest.approx(3.0)
    off = '{ at = 0.1, block = "push", do = "on" }, { at = 0.1, block = "push", do = "off" }'
    assert (
        timeline_of_passage(gain_board(make_board, off), "on").gate("push").switches[-1][1] is False
    )


def test_events_out_of_order_are_sorted_and_said(make_board: MakeBoard) -> None:
    events = (
        '{ at = 0.6, block = "push", set = { gain_db = 3.0 } },'
        '{ at = 0.2, block = "push", set = { gain_db = 9.0 } }'
    )
    board = gain_board(make_board, events)
    found = gain_db(board)
    assert found[RATE // 2] == pytest.approx(9.0)
    assert found[-1] == pytest.approx(3.0)
    said = simchain.render(board, "one", "on").warnings
    assert said == ("passage 'on': events are not in order of time; they are done in it",)
    assert said[0] in [warning.text for warning in check_clips(board)[1]]


def test_an_event_beyond_the_end_is_said(make_board: MakeBoard) -> None:
    board = gain_board(make_board, '{ at = 7.5, block = "push", do = "off" }')
    said = simchain.render(board, "one", "on").warnings
    assert said == (
        "passage 'on': the event at 7.5 s on 'push' lies beyond the end, 1 s, and never happens",
    )


def test_the_guitar_s_volume_rolls_back_through_its_circuit(make_board: MakeBoard) -> None:
    """Before, after, and at a point of the way it is the link of that position."""
    text = """
    [blocks]
    push = { kind = "boost" }
    [orders.one]
    front = ["push"]
    [passages.moved]
    on = []
    events = [{ at = 0.3, block = "source", set = { volume = 0.3, tone = 0.2 }, over_ms = 400 }]
    [passages.low]
    on = []
    set = { source = { volume = 0.3, tone = 0.2 } }
    [passages.high]
    on = []
    [passages.half]
    on = []
    set = { source = { volume = 0.65, tone = 0.6 } }
    """
    noise = 0.05 * np.random.default_rng(1).standard_normal((1, RATE))
    board = make_board(text, noise, links="real", kind="guitar")
    sounds = {
        name: simchain.render(board, "one", name).points["out"].volts[0] for name in board.passages
    }

    def off_db(part: slice, name: str) -> float:
        rest = np.linalg.norm(sounds["moved"][part] - sounds[name][part])
        return 20 * math.log10(max(rest, 1e-15) / np.linalg.norm(sounds[name][part]))

    before, after = off_db(slice(0, 14_400), "high"), off_db(slice(33_700, None), "low")
    midway = off_db(slice(round(0.499 * RATE), round(0.501 * RATE)), "half")
    print(f"before {before:.0f} dB, after {after:.0f} dB, midway {midway:.0f} dB")
    assert before < -200
    assert after < -200
    assert midway < -40


def test_a_passive_pedal_sweeps_as_its_taper_says(make_board: MakeBoard) -> None:
    text = """
    [blocks]
    foot = { kind = "volume", position = 0.2 }
    [orders.one]
    front = ["foot"]
    [passages.on]
    on = ["foot"]
    events = [{ at = 0.1, block = "foot", set = { position = 0.9 }, over_ms = 800 }]
    """
    found = simchain.render(make_board(text, steady()), "one", "on").points["foot.out"].volts[0]
    pedal = simchain.blocks.kinds()["volume"](position=0.2)
    position = np.interp(np.arange(RATE) / RATE, [0.1, 0.9], [0.2, 0.9])
    wanted = 0.1 * pedal.wiper_at(position)
    off = np.abs(20 * np.log10(found / wanted)).max()
    print(f"a pedal's sweep within {off:.3f} dB of its taper")
    assert off < 0.1


LOOPS = """
[blocks]
around = { kind = "looper", latency_ms = 0 }
[orders.one]
front = ["around"]
[passages.loop]
on = []
events = [{ at = 0.1, block = "around", do = "record" },
          { at = 0.3, block = "around", do = "play" },
          { at = 0.8, block = "around", do = "off" }]
"""


def test_a_loop_plays_although_nobody_switched_the_looper_on(make_board: MakeBoard) -> None:
    volts = np.zeros((1, RATE))
    volts[0, 7_200] = 0.1
    out = simchain.render(make_board(LOOPS, volts), "one", "loop").points["out"].volts[0]
    # The impulse lies 0.05 s into a loop of 0.2 s that starts to play at 0.3 s; off at 0.8 s.
    assert np.flatnonzero(np.abs(out) > 0.05).tolist() == [7_200, 16_800, 26_400, 36_000]


@pytest.mark.parametrize(
    ("events", "words"),
    [
        ('{ at = 0.5, block = "around", do = "play" }', "play at 0.5 s: nothing is recorded yet"),
        ('{ at = 0.5, block = "around", do = "overdub" }', "overdub at 0.5 s: nothing is recorded"),
        (
            '{ at = 0.1, block = "around", do = "record" }, '
            '{ at = 0.9, block = "around", do = "play" }',
            "ends a take of 0.8 s that began at 0.1 s: the loop holds 0.5 s",
        ),
    ],
)
def test_a_loop_asked_in_vain_is_one_line(make_board: MakeBoard, events: str, words: str) -> None:
    text = f"""
    [blocks]
    around = {{ kind = "looper", max_s = 0.5 }}
    [orders.one]
    front = ["around"]
    [passages.solo]
    events = [{events}]
    """
    board = make_board(text, steady())
    with pytest.raises(RequestError, match=f"passage 'solo': 'around': .*{words}"):
        simchain.render(board, "one", "solo")
    assert words in str(check_clips(board)[0][0])


SONG = """
[blocks]
foot = { kind = "volume", active = true, position = 0.8 }
push = { kind = "boost", gain_db = 3 }
tone = { kind = "equalizer", bands = [{ shape = "peak", hz = 800, db = 4, q = 1 }] }
grit = { kind = "drive", gain_db = 24 }
[orders.one]
front = ["foot", "push", "tone", "grit"]
[passages.verse]
on = ["foot", "tone"]
[passages.loud]
on = ["push", "grit"]
set = { push = { gain_db = 9.0 }, grit = { clip = "shunt", level_db = -6.0 } }
[passages.soft]
on = ["foot", "tone", "grit"]
[passages.soft.set]
foot = { position = 0.5 }
tone = { bands = [{ shape = "peak", hz = 2000, db = -6, q = 2 }] }
[songs.set]
passages = ["verse", "loud", "soft", "verse"]
"""


def phrase() -> np.ndarray:
    """A second of a plucked note, then one of silence.

    5 ms of silence before it: the drive's oversampling filters are linear-phase, and ring that
    long ahead of a note that starts at once.
    """
    n = np.arange(RATE)
    volts = np.zeros((1, 2 * RATE))
    volts[0, 240 : RATE + 240] = 0.2 * np.sin(2 * np.pi * 196 * n / RATE) * np.exp(-5 * n / RATE)
    volts[0, RATE:] = 0.0
    return volts


def test_a_song_is_its_passages_end_to_end(make_board: MakeBoard) -> None:
    """Issue 5: passages that end in 1 s of silence null against the song below -120 dB."""
    board = make_board(SONG, phrase())
    song = simchain.render(board, "one", song="set")
    assert (song.passage, song.path.timeline.parts[2].start) == ("set", 2 * 96_000)
    whole = song.points["out"].volts[0]
    assert whole.size == 4 * 96_000
    for part in song.path.timeline.parts:
        alone = simchain.render(board, "one", part.passage).points["out"].volts[0]
        heard = whole[part.start : part.start + alone.size]
        rest = max(np.linalg.norm(heard - alone), 1e-15)
        null_db = 20 * math.log10(rest / np.linalg.norm(alone))
        print(f"{part.passage} at {part.start / RATE:g} s: the song nulls at {null_db:.0f} dB")
        assert null_db < -120


def test_a_song_s_switches_are_over_when_a_passage_begins(make_board: MakeBoard) -> None:
    board = make_board(SONG, phrase())
    timeline = source_of(board, "set", song=True).timeline
    loud = timeline.parts[1].start
    for name in ("push", "grit"):
        gate = timeline.gate(name)
        assert gate.switches[0] == (loud - gate.fade_frames, True)
        assert gate.weights(1, loud)[0] == 1.0
    curve = dict(timeline.curves("push"))["gain_db"]
    assert (curve.value(loud - 240), curve.value(loud)) == (3.0, 9.0)


def test_a_song_s_tails_ring_over_and_its_loops_go_on(make_board: MakeBoard) -> None:
    text = """
    [blocks]
    repeat = { kind = "delay", time_ms = 300, feedback = 0.5, mix = 0.5, tone_hz = 0 }
    around = { kind = "looper", latency_ms = 0 }
    [orders.one]
    front = ["repeat", "around"]
    [passages.first]
    on = ["repeat"]
    events = [{ at = 0.2, block = "around", do = "record" },
              { at = 0.6, block = "around", do = "play" }]
    [passages.second]
    on = []
    clip = "silence.wav"
    [songs.both]
    passages = ["first", "second"]
    """
    volts = np.zeros((1, RATE))
    volts[0, round(0.9 * RATE)] = 0.1
    volts[0, round(0.4 * RATE)] = 0.1
    board = make_board(text, volts)
    write_float_wav(board.folder / "silence.wav", Signal(np.zeros((1, RATE)), RATE))
    out = simchain.render(board, "one", song="both").points["out"].volts[0]
    later = np.flatnonzero(np.abs(out[RATE:]) > 0.01) / RATE
    print("heard in the second passage at", later.round(3))
    # The delay's repeat of the note at 0.9 s, and the loop's 0.4 s with the note at 0.2 s into it.
    assert 0.2 in later.round(3)
    assert {0.2, 0.6} <= set(later.round(3))


def test_a_song_needs_passages_and_a_name(make_board: MakeBoard) -> None:
    board = make_board(SONG, phrase())
    with pytest.raises(RequestError, match=r"no song 'sett'.*did you mean 'set'"):
        simchain.render(board, "one", song="sett")
    with pytest.raises(RequestError, match="one passage or one song"):
        simchain.render(board, "one", "verse", song="set")
    with pytest.raises(RequestError, match="one passage or one song"):
        simchain.render(board, "one")


def test_what_is_played_in_a_song_may_be_recorded_before(make_board: MakeBoard) -> None:
    text = """
    [blocks]
    around = { kind = "looper" }
    [orders.one]
    front = ["around"]
    [passages.first]
    events = [{ at = 0.1, block = "around", do = "record" }]
    [passages.second]
    events = [{ at = 0.1, block = "around", do = "play" }]
    [songs.both]
    passages = ["first", "second"]
    [songs.wrong]
    passages = ["second", "first"]
    """
    board = make_board(text, steady())
    simchain.render(board, "one", song="both")
    alone = simchain.render(board, "one", "second")
    assert "play at 0.1 s: nothing is recorded yet" in alone.warnings[0]
    with pytest.raises(RequestError, match=r"song 'wrong': 'around': play at 0.1 s: nothing"):
        simchain.render(board, "one", song="wrong")
    (problem,) = check_clips(board)[0]
    assert (problem.table, problem.key) == ("songs.wrong", "passages")


def test_a_movement_in_hz_is_straight_in_its_logarithm(make_board: MakeBoard) -> None:
    text = """
    [blocks.grit]
    kind = "drive"
    tone_hz = 1000
    [orders.one]
    front = ["grit"]
    [passages.on]
    on = ["grit"]
    events = [{ at = 0, block = "grit", set = { tone_hz = 4000 }, over_ms = 1000 }]
    """
    timeline = timeline_of_passage(make_board(text, steady()), "on")
    ((control, curve),) = timeline.curves("grit")
    assert control == "tone_hz"
    assert curve.value(RATE // 2) == pytest.approx(2000)


def test_a_song_s_source_lies_end_to_end_with_one_tail(make_board: MakeBoard) -> None:
    board = make_board(SONG, phrase()).model_copy(update={"tail_s": 0.5})
    source = source_of(board, "set", song=True)
    assert source.signal.frames == 4 * 96_000 + 24_000
    assert source.clip_frames == 4 * 96_000
