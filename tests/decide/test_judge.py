"""Judging orders through real boards: takes, tones, words; the pairs of judging.md §4 once more."""

from dataclasses import replace

import numpy as np
import pytest

from simchain import clips
from simchain.board import Board, Order
from simchain.decide.judge import TAKES, Cost, Judge, Judged
from simchain.decide.probe import TONE_S, Driven, Probe, is_linear, tones
from simchain.signal import read_clip
from simchain.units import dbu_to_peak_volts
from tests.decide.conftest import RATE, MakeBoard

FULL_SCALE_DBU = 12.0


def a_board(make: MakeBoard, text: str, clip: str = "riff", seconds: float = 8.0) -> Board:
    """A board without an amplifier; all blocks of `text` are on in passage ``p``."""
    volts = read_clip(clips.path(clip)).volts * dbu_to_peak_volts(FULL_SCALE_DBU)
    names = [line.split(" ")[0] for line in text.strip().splitlines()]
    passage = "" if "[passages" in text else f"\n[passages.p]\non = {names!r}\n"
    short = volts[:, : round(seconds * RATE)]
    order = f"\n[orders.o]\nfront = {names[:1]!r}\n"
    return make(f"[blocks]\n{text}\n{passage}{order}", short, tail_s=1.0)


def judged(board: Board, first: str, second: str) -> tuple[Judged, Cost]:
    judge = Judge(board, "p", None)
    sounds = judge.sounds([Order(front=tuple(order.split())) for order in (first, second)])
    (found,) = judge.judged([(sounds[0], sounds[1])])
    print(
        f"{first} | {second}: {found.score.verdict}, S {found.score.score:.2f} by "
        f"{found.score.decided_by}, {found.difference.trim_lu:+.2f} LU, "
        f"null {found.difference.null_db:.0f} dB; {judge.cost}"
    )
    return found, judge.cost


@pytest.mark.parametrize(
    ("text", "first", "second", "words"),
    [
        ('push = { kind = "boost", supply_volts = 60 }\n'
         'grit = { kind = "drive", supply_volts = 60 }',
         "push grit", "grit push", {"clear"}),
        ('grit = { kind = "drive" }\n'
         'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 6, q = 1 }] }',
         "grit tilt", "tilt grit", {"clear"}),
        ('room = { kind = "reverb" }\necho = { kind = "delay", supply_volts = 60 }',
         "room echo", "echo room", {"same"}),
        ('press = { kind = "compressor" }\n'
         'tilt = { kind = "equalizer", bands = [{ hz = 2500, db = 3, q = 1 }] }',
         "press tilt", "tilt press", {"free"}),
    ],
)  # fmt: skip
def test_10_swaps_through_a_board(
    make_board: MakeBoard, text: str, first: str, second: str, words: set[str]
) -> None:
    """judging.md §4, 10 and practice.md §2: clear around a drive, same for reverb and delay."""
    found, cost = judged(a_board(make_board, text), first, second)
    assert found.score.verdict in words
    assert cost.renders == 2
    assert cost.takes == 0


def test_what_sways_is_rendered_five_times_at_phases_of_its_own(make_board: MakeBoard) -> None:
    """judging.md §4, 9: 5 Hz and 450 ms do not commute: subtle; K = 5."""
    text = (
        'wobble = { kind = "modulation", shape = "tremolo", rate_hz = 5, depth = 0.7 }\n'
        'echo = { kind = "delay", time_ms = 450, latency_ms = 0, tone_hz = 0 }'
    )
    board = a_board(make_board, text)
    found, cost = judged(board, "wobble echo", "echo wobble")
    assert cost == Cost(renders=2, takes=2 * (TAKES - 1), probes=cost.probes)
    assert found.score.verdict == "subtle"
    judge = Judge(board, "p", None)
    (sound,) = judge.sounds([Order(front=("wobble", "echo"))])
    judge.judged([(sound, judge.sounds([Order(front=("echo", "wobble"))])[0])])
    takes = [ear.samples for ear in sound.ears]
    assert len(takes) == TAKES
    assert all(not np.allclose(takes[0], take) for take in takes[1:])
    assert all(not take[:, : round(0.3 * RATE)].any() for take in takes)


def test_the_other_way_round_is_the_same_but_for_signs(make_board: MakeBoard) -> None:
    text = 'push = { kind = "boost" }\ngrit = { kind = "drive" }'
    board = a_board(make_board, text, seconds=3.0)
    there, _ = judged(board, "push grit", "grit push")
    back, _ = judged(board, "grit push", "push grit")
    assert replace(back.score, dirt_db=0.0) == replace(there.score, dirt_db=0.0)
    assert back.score.dirt_db == pytest.approx(there.score.dirt_db, rel=1e-12)
    assert back.difference.trim_lu == -there.difference.trim_lu
    assert back.difference.null_db == pytest.approx(there.difference.null_db, rel=1e-12)


def test_what_commutes_at_one_phase_needs_no_more_takes(make_board: MakeBoard) -> None:
    """judging.md §4, 9: 5 Hz and 400 ms commute."""
    text = (
        'wobble = { kind = "modulation", shape = "tremolo", rate_hz = 5, depth = 0.7 }\n'
        'echo = { kind = "delay", time_ms = 400, latency_ms = 0, tone_hz = 0 }'
    )
    found, cost = judged(a_board(make_board, text), "wobble echo", "echo wobble")
    assert found.score.verdict == "same"
    assert cost == Cost(renders=2)


def test_silence_is_the_same(make_board: MakeBoard) -> None:
    text = 'mute = { kind = "tuner" }\ngrit = { kind = "drive" }'
    found, _ = judged(a_board(make_board, text, seconds=1.0), "mute grit", "grit mute")
    assert found.score.verdict == "same"
    assert found.difference.trim_lu == 0.0


def test_a_short_clip_is_judged_by_rms(make_board: MakeBoard) -> None:
    text = 'push = { kind = "boost" }\ngrit = { kind = "drive" }'
    board = a_board(make_board, text, seconds=0.2)
    found, _ = judged(board.model_copy(update={"tail_s": 0.0}), "push grit", "grit push")
    assert np.isfinite(found.score.score)
    assert found.score.verdict != "same"


def test_tones_are_as_loud_as_the_clip_and_softer_ones_come_first() -> None:
    clip = np.linspace(0.0, 1.0, RATE)[None]
    volts = tones(clip, RATE)
    frames = round(TONE_S * RATE)
    peaks = np.abs(volts).reshape(9, frames).max(axis=1)
    assert volts.shape == (1, 9 * frames)
    assert peaks == pytest.approx(np.repeat([0.5, 0.9, 0.99], 3), abs=0.02)


def test_the_probe_hears_drive_alone_dry_and_still(make_board: MakeBoard) -> None:
    """Echoes and modulation add no dirt, so where they stand costs no more tones."""
    text = (
        'grit = { kind = "drive" }\nroom = { kind = "reverb", mix = 0.9 }\n'
        'push = { kind = "boost", supply_volts = 60, gain_db = 12 }\n'
        '[passages.p]\non = ["grit"]\nset = { room = { mix = 1.0 } }\n'
        'events = [{ at = 0.5, block = "room", do = "on" }, '
        '{ at = 0.6, block = "push", do = "on" }]'
    )
    board = a_board(make_board, text)
    probe = Probe(board, None)
    orders = [
        Driven(Order(front=tuple(order.split())))
        for order in ("grit room push", "room grit push", "grit push room", "push grit room")
    ]
    assert probe.more_dirt_db(["p"], orders[0], orders[1]) == 0.0
    assert probe.more_dirt_db(["p"], orders[0], orders[2]) == 0.0
    assert probe.probes == 2, "without push, and with it"
    assert abs(probe.more_dirt_db(["p"], orders[0], orders[3])) > 0.5
    assert probe.probes == 3
    probe.play(["p"], [orders[1]._replace(clipping=frozenset({"room"}))])
    assert probe.probes > 3, "a room that clips stays in"


def test_linear_orders_need_no_tones(make_board: MakeBoard) -> None:
    text = 'push = { kind = "boost", supply_volts = 60 }\nroom = { kind = "reverb" }'
    board = a_board(make_board, text)
    judge = Judge(board, "p", None)
    (sound,) = judge.sounds([Order(front=("push", "room"))])
    assert is_linear(sound.rendering.path)
    assert not sound.distorts
    tight = board.model_copy(
        update={"blocks": {**board.blocks, "push": board.blocks["push"].model_copy(
            update={"rail_volts": 0.05})}}
    )  # fmt: skip
    (clipped,) = Judge(tight, "p", None).sounds([Order(front=("push", "room"))])
    assert clipped.distorts
    assert "push" in clipped.driven.clipping
