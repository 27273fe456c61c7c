"""What is proved the same is, to rounding; and what must withhold a proof does.

The rule is design's ("neighbours commute"); that linear, time-invariant systems with one input and
one output commute, and that matrices in general do not, is textbook.
"""

import itertools

import numpy as np
import pytest

from simchain.decide.judge import Judge
from simchain.decide.proof import why_not_proved
from tests.decide.conftest import RATE, MakeBoard

LINEAR = {
    "push": 'kind = "boost", gain_db = 3, low_cut_hz = 90',
    "tilt": 'kind = "equalizer", bands = [{ hz = 800, db = 4, q = 2, shape = "peak" }]',
    "room": 'kind = "reverb", decay_s = 0.4',
    "echo": 'kind = "delay", voice = "clean", time_ms = 90',
    "cry": 'kind = "wah", gain_db = -3',
    "wood": 'kind = "body"',
    "under": 'kind = "volume", active = true, position = 0.5',
}


def blocks(table: dict[str, str], common: str = "rail_volts = 100") -> str:
    return "[blocks]\n" + "\n".join(
        f"{name} = {{ {text}, {common} }}" if common else f"{name} = {{ {text} }}"
        for name, text in table.items()
    )


def held(make: MakeBoard, volts: np.ndarray, text: str, a: str, b: str, **more: object):
    """Why the two orders are not proved the same, and their null in dB."""
    orders = "\n[orders]\n" + "\n".join(
        f"{name} = {{ front = [{', '.join(repr(block) for block in order.split())}] }}"
        for name, order in (("a", a), ("b", b))
    )
    passage = "" if "[passages" in text else f"\n[passages.p]\non = {a.split()!r}\n"
    board = make(text + orders + passage, volts, **more)
    judge = Judge(board, "p", None)
    first, second = judge.sounds(["a", "b"])
    reason = why_not_proved(first.rendering, second.rendering)
    null_db = judge.difference(first, second).null_db
    print(f"{a} | {b}: {'proved' if reason is None else reason}; null {null_db:.0f} dB")
    return reason, null_db


def test_linear_neighbours_on_wires_are_proved_and_null(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    for a, b in itertools.combinations(LINEAR, 2):
        text = blocks({name: LINEAR[name] for name in (a, b)})
        reason, null_db = held(make_board, noise, text, f"{a} {b}", f"{b} {a}")
        assert reason is None
        assert null_db < -200


@pytest.mark.parametrize(("rail", "touched"), [(0.18, True), (0.42, False)])
def test_a_rail_touched_or_near_withholds_it(
    make_board: MakeBoard, noise: np.ndarray, rail: float, touched: bool
) -> None:
    """At 0.42 V the rail of `push` is free by less than 1 dB after 3 dB of gain, and is not met."""
    sound = noise * (0.28 / np.abs(noise).max())
    table = {
        "push": 'kind = "boost", gain_db = 3, low_cut_hz = 0, high_cut_hz = 0, '
        f"rail_volts = {rail}",
        "tilt": 'kind = "equalizer", rail_volts = 100, bands = [{ hz = 90, db = -3, q = 1 }]',
    }
    text = blocks(table, common="")
    reason, null_db = held(make_board, sound, text, "push tilt", "tilt push")
    assert "within 1 dB of its rail" in reason
    assert (null_db > -200) is touched


def test_a_link_that_is_no_wire_withholds_it(make_board: MakeBoard, noise: np.ndarray) -> None:
    table = {
        "push": 'kind = "boost", input_ohm = 10e3, output_ohm = 100',
        "tilt": 'kind = "equalizer", output_ohm = 10e3',
    }
    reason, null_db = held(make_board, noise, blocks(table), "push tilt", "tilt push", links="real")
    assert "is no wire" in reason
    assert null_db > -200


def test_the_same_filter_at_the_same_place_counts_as_a_wire(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    ends = ", input_ohm = 10e3, output_ohm = 10e3"
    table = {name: LINEAR[name] + ends for name in ("push", "room")}
    reason, null_db = held(make_board, noise, blocks(table), "push room", "room push", links="real")
    assert reason is None
    assert null_db < -200


def test_a_buffered_switch_withholds_it_too(make_board: MakeBoard, noise: np.ndarray) -> None:
    """No link changes with it: the switch itself is what does not commute."""
    table = blocks({name: LINEAR[name] for name in ("push", "room")}, 'bypass = "buffered"')
    event = '{ at = 0.2, block = "push", do = "off" }'
    text = f'{table}\n[passages.p]\non = ["push", "room"]\nevents = [{event}]\n'
    reason, null_db = held(make_board, noise, text, "push room", "room push")
    assert reason == "push is switched"
    assert null_db > -200


def test_an_event_on_the_block_withholds_it(make_board: MakeBoard, noise: np.ndarray) -> None:
    table = blocks({name: LINEAR[name] for name in ("push", "room")})
    looper = blocks({"push": LINEAR["push"], "loop": 'kind = "looper"'})
    events = {
        "is switched": '{ at = 0.2, block = "push", do = "off" }',
        "while it goes on": '{ at = 0.2, block = "push", set = { gain_db = 6 }, over_ms = 50 }',
    }
    for words, event in events.items():
        text = f'{table}\n[passages.p]\non = ["push", "room"]\nevents = [{event}]\n'
        reason, null_db = held(make_board, noise, text, "push room", "room push")
        assert words in reason
        assert null_db > -200
    loop = '{ at = 0.1, block = "loop", do = "record" }, { at = 0.3, block = "loop", do = "play" }'
    text = f'{looper}\n[passages.p]\non = ["push", "loop"]\nevents = [{loop}]\n'
    reason, _ = held(make_board, noise, text, "push loop", "loop push")
    assert "while it goes on" in reason


def test_an_event_on_another_block_does_not(make_board: MakeBoard, noise: np.ndarray) -> None:
    """A switched drive before them: what reaches the pair is the same in both orders."""
    table = {"grit": 'kind = "drive"', "push": LINEAR["push"], "room": LINEAR["room"]}
    event = 'events = [{ at = 0.2, block = "grit", do = "off" }]'
    text = f'{blocks(table)}\n[passages.p]\non = ["grit", "push", "room"]\n{event}\n'
    reason, null_db = held(make_board, noise, text, "grit push room", "grit room push")
    assert reason is None
    assert null_db < -200


def test_a_buffer_that_is_off_between_them_does_not(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    table = blocks({**LINEAR, "off": 'kind = "drive", bypass = "buffered"'})
    text = f'{table}\n[passages.p]\non = ["push", "room"]\n'
    reason, null_db = held(make_board, noise, text, "push off room", "room off push")
    assert reason is None
    assert null_db < -200


def test_folds_and_other_channels_withhold_it(make_board: MakeBoard, noise: np.ndarray) -> None:
    wide = 'kind = "reverb", decay_s = 0.4, outputs = 2'
    text = blocks({"push": LINEAR["push"], "room": wide})
    reason, null_db = held(make_board, noise, text, "push room", "room push")
    assert reason is not None
    assert null_db > -200
    text = blocks({"room": wide, "push": LINEAR["push"], "tilt": LINEAR["tilt"]})
    reason, _ = held(make_board, noise, text, "room push tilt", "room tilt push")
    assert "folded" in reason


def test_two_that_mix_left_and_right_do_not_commute(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    both = ", inputs = 2, outputs = 2"
    table = {
        "room": 'kind = "reverb", decay_s = 0.4' + both,
        "echo": 'kind = "delay", voice = "clean", time_ms = 90, spread = 1.0' + both,
        "push": LINEAR["push"] + both,
    }
    stereo = np.concatenate([noise, 0.3 * noise[:, ::-1]])
    reason, null_db = held(make_board, stereo, blocks(table), "room echo", "echo room")
    assert "in their own way" in reason
    assert null_db > -60
    reason, null_db = held(make_board, stereo, blocks(table), "room push", "push room")
    assert reason is None
    assert null_db < -200


def test_noise_withholds_it(make_board: MakeBoard, noise: np.ndarray) -> None:
    table = blocks({**{k: LINEAR[k] for k in ("push", "room")}, "shut": 'kind = "gate"'})
    reason, _ = held(make_board, noise, table, "shut push room", "shut room push")
    assert "hum and hiss" in reason


@pytest.mark.parametrize(
    "text", ['kind = "compressor"', 'kind = "drive"', 'kind = "modulation", shape = "tremolo"']
)
def test_what_is_not_linear_and_at_rest_withholds_it(
    make_board: MakeBoard, noise: np.ndarray, text: str
) -> None:
    table = blocks({"other": text, "push": LINEAR["push"]})
    reason, _ = held(make_board, noise, table, "other push", "push other")
    assert "not linear and time-invariant" in reason


def test_across_an_amplifier_nothing_is_proved(make_board: MakeBoard, noise: np.ndarray) -> None:
    text = blocks({"room": LINEAR["room"]}) + (
        "\n[amps.clean]\ngain_db = 8\n[orders.a]\nfront = ['room']\n[orders.b]\nloop = ['room']\n"
        "[passages.p]\non = ['room']\n"
    )
    board = make_board(text, noise)
    first, second = Judge(board, "p", "clean").sounds(["a", "b"])
    assert "amplifier" in why_not_proved(first.rendering, second.rendering)
    assert why_not_proved(first.rendering, first.rendering) is None
    assert first.rendering.output.samples.shape[1] == RATE // 2


@pytest.mark.parametrize("links", ["ideal", "real"])
def test_a_unit_off_throughout_moves_past_a_drive(
    make_board: MakeBoard, noise: np.ndarray, links: str
) -> None:
    """Its buffer is a wire below its rails; how the drive, which is on, clips does not matter."""
    table = {
        "grit": 'kind = "drive", input_ohm = 1e6, output_ohm = 500, rail_volts = 0.1',
        "idle": 'kind = "fuzz", bypass = "buffered", input_ohm = 1e6, output_ohm = 500',
    }
    text = f'{blocks(table, common="")}\n[passages.p]\non = ["grit"]\n'
    reason, null_db = held(make_board, noise, text, "grit idle", "idle grit", links=links)
    assert reason is None
    assert null_db < -200


@pytest.mark.parametrize(("level_db", "touched"), [(20.0, True), (-40.0, False)])
def test_a_unit_off_throughout_has_rails_all_the_same(
    make_board: MakeBoard, noise: np.ndarray, level_db: float, touched: bool
) -> None:
    table = {
        "grit": f'kind = "drive", level_db = {level_db}',
        "idle": 'kind = "fuzz", bypass = "buffered", rail_volts = 0.5',
    }
    text = f'{blocks(table, common="")}\n[passages.p]\non = ["grit"]\n'
    reason, null_db = held(make_board, noise, text, "grit idle", "idle grit")
    assert (reason is not None) is touched
    assert (null_db > -200) is touched
    if touched:
        assert "idle comes within 1 dB of its rail" in reason


def test_a_unit_off_throughout_still_folds_channels(
    make_board: MakeBoard, noise: np.ndarray
) -> None:
    """Two channels come to one input: before what spreads them it is another sound."""
    table = {
        "wide": 'kind = "modulation", shape = "chorus", outputs = 2, width = 1',
        "idle": 'kind = "fuzz", bypass = "buffered"',
    }
    text = f'{blocks(table)}\n[passages.p]\non = ["wide"]\n'
    reason, null_db = held(make_board, noise, text, "wide idle", "idle wide")
    assert "folded" in reason
    assert null_db > -200
