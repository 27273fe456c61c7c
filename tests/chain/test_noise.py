"""Noise floors against worked values, and noise in the sound where it was asked for."""

import math
from collections.abc import Callable

import numpy as np
import pytest

import simchain
from simchain.board import Board

MakeBoard = Callable[..., Board]
RATE = 48_000
DBU_VOLTS = math.sqrt(0.6)

# A mixer's input that loads nothing, and a guitar that neither hums nor plays.
QUIET = """
[output]
input_ohm = 100e6
[cables]
guitar_m = 0
patch_m = 0
amp_m = 0
"""


def silent() -> np.ndarray:
    return np.zeros((1, RATE // 10))


def quiet_board(make_board: MakeBoard, text: str, *, links: str = "ideal", hum: float = -200):
    board = make_board(QUIET + text, silent(), links=links)
    source = board.source.model_copy(update={"hum_dbu": hum})
    return board.model_copy(update={"source": source})


def floors(board: Board, order: str, passage: str = "on") -> dict[str, float]:
    rendering = simchain.render(board, order=order, passage=passage, points=False, floors=True)
    return {name: point.floor_volts for name, point in rendering.points.items()}


def off_db(got: float, wanted: float) -> float:
    return 20 * math.log10(got / wanted)


def flat(gain_db: float, uv: float) -> str:
    """A flat gain whose input noise is `uv` microvolts over 20 kHz."""
    nv = 1e3 * uv / math.sqrt(20e3)
    return (
        f'{{ kind = "boost", gain_db = {gain_db}, low_cut_hz = 0, high_cut_hz = 0, '
        f"noise_nv = {nv} }}"
    )


def test_cascaded_noise_is_the_worked_example(make_board: MakeBoard) -> None:
    """References §9: x10 with 2 uV, x1 with 10 uV: 22.3607 uV, the other way 101.9804 uV."""
    text = f"""
    [blocks]
    a = {flat(20, 2)}
    b = {flat(0, 10)}
    [orders]
    ab = {{ front = ["a", "b"] }}
    ba = {{ front = ["b", "a"] }}
    [passages]
    on = {{ on = ["a", "b"] }}
    """
    board = quiet_board(make_board, text)
    for order, wanted in (("ab", 22.3607e-6), ("ba", 101.9804e-6)):
        got = floors(board, order)["out"]
        print(f"{order}: {1e6 * got:.3f} uV, worked value {1e6 * wanted:.4f} uV")
        assert abs(off_db(got, wanted)) < 0.1


@pytest.mark.parametrize(
    ("ohm", "volts"), [(10e3, 1.82032e-6), (250e3, 9.1016e-6), (1e6, 18.2032e-6)]
)
def test_a_resistance_hisses_by_johnson_s_law(make_board: MakeBoard, ohm: float, volts: float):
    """References §9, 300 K over 20 kHz: an output's resistance, read at an input far larger."""
    text = f"""
    [blocks]
    first = {{ kind = "boost", bypass = "buffered", output_ohm = {ohm}, noise_nv = 0 }}
    [orders.one]
    front = ["first"]
    [passages.on]
    on = []
    """
    board = quiet_board(make_board, text, links="real")
    got = floors(board, "one")["out"]
    # The input beside it is real too: both side by side are what hisses; and what comes through
    # the buffer is the hiss of the line that feeds it, 1 kohm: 0.5756 uV.
    wanted = math.hypot(volts * math.sqrt(1 / (1 + ohm / 100e6)), 0.575635e-6)
    print(f"{ohm:g} ohm: {1e6 * got:.3f} uV, by Johnson's law {1e6 * wanted:.3f} uV")
    assert abs(off_db(got, wanted)) < 0.1


def test_an_op_amp_s_three_sources_add_in_power(make_board: MakeBoard) -> None:
    """References §9: 5 nV at the input and 10 kohm: sqrt(5^2 + 12.87^2) = 13.81 nV.

    Through the buffer comes the hiss of a line of 1 kohm, 4.07 nV.
    """
    text = """
    [blocks]
    first = { kind = "boost", bypass = "buffered", output_ohm = 10e3, noise_nv = 0 }
    second = { kind = "boost", bypass = "buffered", input_ohm = 100e6, noise_nv = 5 }
    [orders.one]
    front = ["first", "second"]
    [passages.on]
    on = []
    """
    got = floors(quiet_board(make_board, text, links="real"), "one")["second.out"]
    wanted = 1e-9 * math.hypot(5.0, 12.8719, 4.0704) * math.sqrt(20e3)
    print(f"{1e6 * got:.4f} uV, worked value {1e6 * wanted:.4f} uV")
    assert abs(off_db(got, wanted)) < 0.1


def test_a_unit_s_input_and_output_hiss_apart(make_board: MakeBoard) -> None:
    """20 uV at the input of a flat gain of 0 dB and 20 uV made at its output: 28.28, not 40."""
    text = f"""
    [blocks]
    a = {flat(0, 20).removesuffix(" }")}, noise_out_uv = 20 }}
    [orders.one]
    front = ["a"]
    [passages.on]
    on = ["a"]
    """
    got = floors(quiet_board(make_board, text), "one")["out"]
    print(f"{1e6 * got:.2f} uV")
    assert abs(off_db(got, 20e-6 * math.sqrt(2))) < 0.1


def test_a_floor_is_measured_when_repeats_have_come(make_board: MakeBoard) -> None:
    """A delay of 1 s, wet alone, passes the guitar's hum as it is, a second later."""
    text = """
    [blocks]
    late = { kind = "delay", time_ms = 1000, feedback = 0, mix = 1, tone_hz = 0, noise_out_uv = 0 }
    [orders.one]
    front = ["late"]
    [passages.on]
    on = ["late"]
    """
    got = floors(quiet_board(make_board, text, hum=-65), "one")["out"]
    assert 20 * math.log10(got / DBU_VOLTS) == pytest.approx(-65, abs=0.1)


def test_hum_is_amplified_as_nobody_plays(make_board: MakeBoard) -> None:
    """A drive at rest has all its gain: the reason why dirt hums."""
    text = """
    [blocks]
    push = { kind = "boost", gain_db = 20, low_cut_hz = 0, high_cut_hz = 0 }
    [orders.one]
    front = ["push"]
    [passages]
    on = { on = ["push"] }
    off = { on = [] }
    """
    board = quiet_board(make_board, text, hum=-65)
    for passage, wanted_dbu in (("off", -65.0), ("on", -45.0)):
        floor_dbu = 20 * math.log10(floors(board, "one", passage)["out"] / DBU_VOLTS)
        print(f"{passage}: floor {floor_dbu:.2f} dBu")
        assert floor_dbu == pytest.approx(wanted_dbu, abs=0.1)


GATED = """
[blocks]
still = { kind = "gate", threshold_dbu = -52, range_db = 60 }
grit = { kind = "drive", gain_db = 24, level_db = -12 }
late = { kind = "gate", threshold_dbu = -40, range_db = 60 }
[orders]
bare = { front = ["grit"] }
first = { front = ["still", "grit"] }
behind = { front = ["grit", "late"] }
[passages]
bare = { on = ["grit"] }
first = { on = ["still", "grit"] }
behind = { on = ["grit", "late"] }
"""


def test_a_gate_first_leaves_the_drive_s_own_hiss(make_board: MakeBoard) -> None:
    """Practice §2 question 7 (common practice): first, the drive's hiss stays; behind, silence."""
    board = quiet_board(make_board, GATED, hum=-65)
    dbu = {
        name: 20 * math.log10(floors(board, name, name)["out"] / DBU_VOLTS)
        for name in ("bare", "first", "behind")
    }
    print(", ".join(f"{name}: {level:.1f} dBu" for name, level in dbu.items()))
    # 50 Hz lies below the drive's low cut; its harmonics get 12 dB and more.
    assert -62 < dbu["bare"] < -50
    assert dbu["behind"] < dbu["bare"] - 55
    assert dbu["behind"] < dbu["first"] - 10
    hiss_alone = floors(quiet_board(make_board, GATED), "bare", "bare")["out"]
    assert dbu["first"] == pytest.approx(20 * math.log10(hiss_alone / DBU_VOLTS), abs=1.0)


def test_sounds_are_without_noise_unless_asked_for_or_gated(make_board: MakeBoard) -> None:
    board = quiet_board(make_board, GATED, hum=-65)

    def out(passage: str, order: str = "bare", **asked: bool) -> np.ndarray:
        return simchain.render(board, order, passage, **asked).points["out"].volts

    assert not out("bare").any()
    assert out("bare", noise=True).any()
    assert out("first", "first").any(), "a gate is on: noise is what it works on"
    np.testing.assert_array_equal(out("bare", noise=True), out("bare", noise=True))
    # Asked of the passage and not of the order: two orders stay comparable.
    assert out("first", "bare").any()


def test_a_unit_hisses_alike_in_every_order(make_board: MakeBoard) -> None:
    """Two flat gains that change places: the same two hisses, each with the gain behind it."""
    text = f"""
    [blocks]
    a = {flat(6, 20)}
    b = {flat(0, 20)}
    [orders]
    ab = {{ front = ["a", "b"] }}
    ba = {{ front = ["b", "a"] }}
    [passages]
    on = {{ on = ["a", "b"] }}
    """
    board = quiet_board(make_board, text)
    out = {o: simchain.render(board, o, "on", noise=True).points["out"].volts for o in ("ab", "ba")}
    gain = 10 ** (6 / 20)
    # ab: gain a + b; ba: gain (a + b).
    b = (out["ba"] - out["ab"]) / (gain - 1)
    a = (out["ab"] - b) / gain
    assert abs(off_db(np.sqrt(np.mean(a**2)), 20e-6)) < 0.5
    assert abs(off_db(np.sqrt(np.mean(b**2)), 20e-6)) < 0.5
    assert abs(np.corrcoef(a[0], b[0])[0, 1]) < 0.1


def test_both_channels_hiss_apart(make_board: MakeBoard) -> None:
    text = """
    [blocks]
    room = { kind = "reverb", outputs = 2, mix = 0 }
    [orders.one]
    front = ["room"]
    [passages.on]
    on = ["room"]
    """
    board = quiet_board(make_board, text)
    volts = simchain.render(board, "one", "on", noise=True).points["room.out"].volts
    left, right = volts
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.1
