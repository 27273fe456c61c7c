"""The walk from the clip to `out`: wires are wires, points line up, splits and bypass behave."""

import math
from collections.abc import Callable

import numpy as np
import pytest

import simchain
from simchain.board import Board, Order
from simchain.chain import step as step_module
from simchain.chain.path import path_of
from simchain.chain.source import source_of
from simchain.chain.walk import walk
from simchain.errors import RequestError

MakeBoard = Callable[..., Board]

EVERY_KIND = """
[blocks]
press = { kind = "compressor" }
grit = { kind = "drive" }
push = { kind = "boost" }
tone = { kind = "equalizer", bands = [{ shape = "peak", hz = 800, db = 6, q = 1 }] }
sweep = { kind = "modulation", shape = "phaser", bypass = "buffered" }
room = { kind = "reverb" }
repeat = { kind = "delay" }
tuner = { kind = "tuner" }
[orders.all]
front = ["tuner", "press", "grit", "push", "tone", "sweep", "room", "repeat"]
[passages.off]
on = []
"""

TWO_LINEAR = """
[blocks]
push = { kind = "boost", gain_db = 6 }
tone = { kind = "equalizer", bands = [{ shape = "peak", hz = 800, db = 6, q = 1 }] }
room = { kind = "reverb", decay_s = 0.5 }
repeat = { kind = "delay", time_ms = 55 }
[orders.ab]
front = ["push", "tone", "room", "repeat"]
[orders.ba]
front = ["repeat", "room", "tone", "push"]
[passages.on]
on = ["push", "tone", "room", "repeat"]
"""

SPLIT = """
[blocks]
push = { kind = "boost", gain_db = 3 }
room = { kind = "reverb", decay_s = 0.5 }
[amps.clean]
gain_db = 8
[amps.hot]
gain_db = 30
[orders.series]
front = ["push", "room"]
[orders.split]
front = ["push"]
loop = ["room"]
[passages.dry]
on = ["push"]
[passages.wet]
on = ["push", "room"]
"""


def test_everything_off_on_ideal_links_is_a_wire(make_board: MakeBoard, noise: np.ndarray) -> None:
    board = make_board(EVERY_KIND, noise)
    rendering = simchain.render(board, order="all", passage="off")
    source = rendering.points["source"].volts
    for name, point in rendering.points.items():
        assert point.volts is not None
        np.testing.assert_array_equal(point.volts[0], source[0], err_msg=name)
    assert list(rendering.points)[:3] == ["source", "tuner.in", "tuner.out"]
    assert list(rendering.points)[-2:] == ["repeat.out", "out"]


def test_out_has_two_equal_channels(make_board: MakeBoard, noise: np.ndarray) -> None:
    rendering = simchain.render(make_board(EVERY_KIND, noise), order="all", passage="off")
    out = rendering.points["out"]
    assert out.volts.shape == (2, noise.shape[1])
    assert len(out.channels) == 2
    np.testing.assert_array_equal(out.volts[0], out.volts[1])
    # A mixer's full scale is a sine of +18 dBu (EBU R 68, from memory): 8.70 V peak.
    np.testing.assert_allclose(rendering.output.samples * 8.7013, out.volts, rtol=1e-4)


def test_linear_blocks_swapped_on_wires_null(make_board: MakeBoard, noise: np.ndarray) -> None:
    board = make_board(TWO_LINEAR, noise)
    a = simchain.render(board, order="ab", passage="on").output.samples
    b = simchain.render(board, order="ba", passage="on").output.samples
    null_db = 20 * math.log10(np.linalg.norm(a - b) / np.linalg.norm(a))
    print(f"two orders of four linear blocks null at {null_db:.0f} dB")
    assert 20 * math.log10(np.linalg.norm(a)) > -60
    assert null_db < -200


def test_loop_with_everything_off_is_the_series_sound(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    board = make_board(SPLIT, noise)
    series = simchain.render(board, order="series", passage="dry")
    split = simchain.render(board, order="split", passage="dry")
    np.testing.assert_array_equal(series.output.samples, split.output.samples)
    wanted = ["amp.in", "amp.send", "room.in", "room.out", "amp.return", "speaker", "out"]
    assert list(split.points)[-7:] == wanted


def test_amplifiers_are_exchanged_by_name(make_board: MakeBoard, noise: np.ndarray) -> None:
    board = make_board(SPLIT, noise)
    own = simchain.render(board, order="split", passage="wet")
    hot = simchain.render(board, order="split", passage="wet", amp="hot")
    assert (own.amp, hot.amp) == ("clean", "hot")
    assert hot.points["amp.send"].level.rms_dbu > own.points["amp.send"].level.rms_dbu + 3
    with pytest.raises(RequestError, match=r"no amplifier 'hto'.*did you mean 'hot'"):
        simchain.render(board, order="split", passage="wet", amp="hto")


def test_rails_clip_before_the_level_control(make_board: MakeBoard, tone: Callable) -> None:
    text = """
    [blocks.push]
    kind = "boost"
    gain_db = 20
    level_db = -6.0206
    low_cut_hz = 0
    high_cut_hz = 0
    [orders.one]
    front = ["push"]
    [passages.on]
    on = ["push"]
    """
    rendering = simchain.render(make_board(text, tone(100, 1.0)), order="one", passage="on")
    out = rendering.points["push.out"]
    # 9 V less 1 V at each rail: 3.5 V, halved by the level control behind the rails.
    assert out.level.peak_volts == pytest.approx(1.75, abs=0.02)
    assert out.headroom.db == pytest.approx(20 * math.log10(3.5 / 10.0), abs=0.01)
    assert out.headroom.ceiling_volts == pytest.approx(1.75, abs=1e-3)
    assert rendering.points["push.in"].headroom.db == pytest.approx(20 * math.log10(3.5), abs=0.01)


def test_buffered_bypass_clips_at_its_rails(make_board: MakeBoard, tone: Callable) -> None:
    text = """
    [blocks]
    wire = { kind = "boost", bypass = "true", supply_volts = 3 }
    buffer = { kind = "boost", bypass = "buffered", supply_volts = 3 }
    [orders.a]
    front = ["wire"]
    [orders.b]
    front = ["buffer"]
    [passages.off]
    on = []
    """
    board = make_board(text, tone(100, 2.0))
    through_wire = simchain.render(board, order="a", passage="off").points["out"].level.peak_volts
    through_buffer = simchain.render(board, order="b", passage="off").points["out"].level.peak_volts
    assert through_wire == pytest.approx(2.0, abs=1e-6)
    assert through_buffer == pytest.approx(0.5, abs=0.01)


def test_loop_mix_adds_dry_beside_the_loop(make_board: MakeBoard, noise: np.ndarray) -> None:
    text = """
    [blocks]
    turned = { kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0, invert = true }
    [amps.a]
    loop_mix = 0.75
    [orders.split]
    loop = ["turned"]
    [passages.on]
    on = ["turned"]
    """
    points = simchain.render(make_board(text, noise), order="split", passage="on").points
    send, back = points["amp.send"].volts, points["amp.return"].volts
    # 0.75 of the inverted loop and 0.25 dry: half the level, turned over.
    np.testing.assert_allclose(back, -0.5 * send, rtol=1e-9, atol=1e-15)


def test_blocks_left_out_are_said(make_board: MakeBoard, noise: np.ndarray) -> None:
    text = SPLIT + '[orders.short]\nfront = ["push"]\n'
    rendering = simchain.render(make_board(text, noise), order="short", passage="wet")
    assert rendering.left_out == ("room",)
    assert any("order 'short' has no room" in text for text in rendering.warnings)


def test_an_order_that_breaks_a_rule_is_rendered_with_a_warning(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    text = SPLIT + '[rules]\nfirst = ["room"]\n'
    rendering = simchain.render(make_board(text, noise), order="series", passage="wet")
    assert any("order 'series' breaks a rule" in text for text in rendering.warnings)


def test_an_order_may_be_given_in_place_of_a_name(make_board: MakeBoard, noise: np.ndarray) -> None:
    board = make_board(SPLIT, noise)
    given = simchain.render(board, order=Order(("push",), ("room",)), passage="wet")
    named = simchain.render(board, order="split", passage="wet")
    assert given.order == "split"
    np.testing.assert_array_equal(given.output.samples, named.output.samples)
    with pytest.raises(RequestError, match="'push' stands twice"):
        simchain.render(board, order=Order(("push", "push")), passage="wet")


def test_equal_keys_are_run_once(
    make_board: MakeBoard, noise: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = make_board(SPLIT, noise)
    ran: list[str] = []
    real = step_module.run

    def counted(step, volts, **given):
        ran.append(step.name)
        return real(step, volts, **given)

    monkeypatch.setattr("simchain.chain.walker.run", counted)
    source = source_of(board, "wet")
    paths = [path_of(board, o, "wet", "clean", source_key=source.key) for o in ("series", "split")]
    series, split = walk(board, paths, source)
    assert ran == [
        "push",
        "room",
        "preamp",
        "power",
        "cabinet",
        "preamp",
        "room",
        "power",
        "cabinet",
    ]
    assert (series.order, split.order) == ("series", "split")
    alone = simchain.render(board, order="split", passage="wet")
    np.testing.assert_array_equal(split.output.samples, alone.output.samples)


def test_orders_that_differ_in_blocks_that_are_off_share_everything(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    text = """
    [blocks]
    grit = { kind = "drive" }
    push = { kind = "boost" }
    [orders.a]
    front = ["grit", "push"]
    [orders.b]
    front = ["push", "grit"]
    [passages.quiet]
    on = ["push"]
    """
    board = make_board(text, noise)
    a, b = (path_of(board, o, "quiet", None, source_key=b"") for o in ("a", "b"))
    assert [step.key for step in a.steps] == [step.key for step in b.steps]


def test_events_switch_with_a_fade_and_trails_ring_over(
    make_board: MakeBoard, tone: Callable
) -> None:
    text = """
    [blocks]
    push = { kind = "boost", gain_db = 6, low_cut_hz = 0, high_cut_hz = 0 }
    repeat = { kind = "delay", time_ms = 100, feedback = 0.5, mix = 0.5, tone_hz = 0 }
    [orders.one]
    front = ["push", "repeat"]
    [passages.solo]
    on = ["push", "repeat"]
    events = [{ at = 0.25, block = "repeat", do = "off" }, { at = 0.3, block = "push", do = "off" }]
    """
    volts = tone(440, 0.1)
    volts[:, 12_000:] = 0.0
    rendering = simchain.render(make_board(text, volts), order="one", passage="solo")
    before, after = rendering.points["push.in"].volts, rendering.points["push.out"].volts
    np.testing.assert_allclose(after[:, :12_000], 1.995262 * before[:, :12_000], rtol=1e-6)
    tail = rendering.points["out"].volts[0, 13_000:16_000]
    assert np.abs(tail).max() > 0.01  # the repeat rings on after its own switch went off
    silent = rendering.points["out"].volts[0, -1]
    assert abs(silent) < 0.05


def test_stereo_folds_at_a_mono_input(make_board: MakeBoard, noise: np.ndarray) -> None:
    text = """
    [blocks]
    wide = { kind = "modulation", shape = "chorus", outputs = 2, width = 1.0 }
    push = { kind = "boost", low_cut_hz = 0, high_cut_hz = 0, gain_db = 0 }
    left = { kind = "boost", low_cut_hz = 0, high_cut_hz = 0, gain_db = 0, mono = "left" }
    [orders.mean]
    front = ["wide", "push"]
    [orders.left]
    front = ["wide", "left"]
    [orders.last]
    front = ["push", "wide"]
    [passages.on]
    on = ["wide", "push", "left"]
    [passages.off]
    on = ["wide"]
    """
    board = make_board(text, noise)
    mean = simchain.render(board, order="mean", passage="on").points
    wide = mean["wide.out"].volts
    assert wide.shape[0] == 2
    assert not np.array_equal(wide[0], wide[1])
    np.testing.assert_allclose(mean["push.in"].volts, wide.mean(axis=0, keepdims=True))
    left = simchain.render(board, order="left", passage="on").points["out"].volts
    np.testing.assert_array_equal(left[0], wide[0])
    folded = simchain.render(board, order="mean", passage="off").points["out"].volts
    np.testing.assert_array_equal(folded[0], folded[1])  # one wire: bypassed or not
    last = simchain.render(board, order="last", passage="on").points["out"].volts
    assert not np.array_equal(last[0], last[1])


def test_rendering_twice_gives_the_same_bytes(make_board: MakeBoard, noise: np.ndarray) -> None:
    board = make_board(
        EVERY_KIND.replace("on = []", 'on = ["press", "grit", "sweep", "room"]'), noise
    )
    first = simchain.render(board, order="all", passage="off").output.samples
    second = simchain.render(board, order="all", passage="off").output.samples
    assert first.tobytes() == second.tobytes()


@pytest.mark.parametrize("bypass", ["true", "buffered"])
def test_what_a_unit_would_clip_while_it_is_off_is_no_clipping(
    make_board: MakeBoard, tone: Callable, bypass: str
) -> None:
    text = f"""
    [blocks.push]
    kind = "boost"
    gain_db = 20
    low_cut_hz = 0
    high_cut_hz = 0
    bypass = "{bypass}"
    rail_volts = 0.5
    [orders.one]
    front = ["push"]
    [passages.on]
    on = []
    events = [{{ at = 0.5, block = "push", do = "on" }}]
    """
    volts = np.concatenate([tone(100, 1.0), tone(100, 0.01)], axis=1)
    points = simchain.render(make_board(text, volts), order="one", passage="on").points
    # 20 dB above 10 mV, below 0.5 V: 14 dB; the input's 1 V peak reaches a buffer only.
    assert points["push.out"].headroom.db == pytest.approx(20 * math.log10(0.5 / 0.1), abs=0.01)
    reached = 1.0 if bypass == "buffered" else 0.01
    assert points["push.in"].headroom.db == pytest.approx(20 * math.log10(0.5 / reached), abs=0.01)
