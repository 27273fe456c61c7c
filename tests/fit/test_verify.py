"""`verify` on recordings of finished boards: faults named, sound boards left alone.

The boards are simchain's own chain with tolerances, hiss and another phase of the modulators (see
`tests.fit.finished`), so this shows that faults are told apart, not that the chain is true.
"""

import numpy as np
import pytest

from simchain.board.read import read_board
from simchain.errors import RequestError
from simchain.fit.faults import Fault, faults_of
from simchain.fit.received import given_volts
from simchain.fit.traits import Floor, readings, traits_of
from simchain.fit.wired import wired_board
from tests.fit.finished import played, real, recorded, tried, with_fault

BOARD = """
source = { kind = "guitar", clip = "riff", full_scale_dbu = 12 }
[blocks]
press = { kind = "compressor", threshold_dbu = -26, makeup_db = 6 }
lift = { kind = "boost", gain_db = 6 }
shape = { kind = "equalizer", bands = [{ hz = 800, db = -6 }] }
[orders]
series = { front = ["press", "lift", "shape"] }
none = { front = [] }
[passages]
riff = { on = ["press", "shape"] }
"""
CASE = ("own", "series", "riff")


@pytest.mark.parametrize(
    ("fault", "number"),
    [
        pytest.param(None, 0.0, marks=pytest.mark.soak),
        pytest.param(Fault("off", ("press",)), 0.0, marks=pytest.mark.soak),
        pytest.param(Fault("on", ("lift",)), 0.0, marks=pytest.mark.soak),
        pytest.param(Fault("upside_down", ("shape",)), 0.0, marks=pytest.mark.soak),
        pytest.param(Fault("dead", ("press",)), 0.0, marks=pytest.mark.soak),
        pytest.param(
            Fault("pad", ("press",), gap=0, tried=(-3.0, -8.0, -16.0, -30.0), unit="dB"),
            -12.0,
            marks=pytest.mark.soak,
        ),
    ],
    ids=lambda one: one.what if isinstance(one, Fault) else "",
)
def test_what_is_wrong_is_named_first(fault: Fault | None, number: float) -> None:
    board = read_board(BOARD)
    rng = np.random.default_rng(3)
    made = real(wired_board(board, "series", "riff", 1e6), rng)
    made = with_fault(made, fault, number) if fault else made
    found = recorded(board, CASE, played(made, noisy=True), rng, 3)
    named = [(one.fault.what, one.fault.blocks, round(one.number, 1)) for one in found.likely]
    print(f"{fault.what if fault else 'sound'}: {named}, misfit of the plan {found.misfit:.0f}")
    assert found.as_planned == (fault is None)
    assert found.silent == (fault is not None and fault.what == "dead")
    if fault is None:
        assert not named
    else:
        assert (fault.what, fault.blocks) in [one[:2] for one in named]
    if fault is not None and fault.what == "pad":
        assert next(one[2] for one in named if one[0] == "pad") == pytest.approx(number, abs=1.5)


def test_the_readings_of_what_is_played_itself() -> None:
    """Closed forms: a tone's level is its RMS, a sweep's in every third too, and no dirt."""
    read = traits_of(given_volts(), Floor(0.0, 0.0), noisy=True)
    assert len(read.db) == len(readings())
    level = read.of("level")[0]
    steps = read.of("steps")
    print(f"level {level:.3f} dB, steps {np.round(steps, 2)}, dirt {read.of('dirt').max():.1f} dB")
    assert level == pytest.approx(-20.0, abs=0.01)
    np.testing.assert_allclose(steps, np.arange(-48.0, 1.0, 4.0), atol=0.05)
    np.testing.assert_allclose(read.of("loud"), -10.0, atol=0.3)
    assert read.of("dirt").max() < -45.0


def test_every_place_for_a_pad_and_every_block_is_asked() -> None:
    wired = wired_board(read_board(BOARD), "series", "riff", 1e6)
    found = list(faults_of(wired))
    assert [one.gap for one in found if one.what == "pad"] == [0, 1, 2]
    assert {one.blocks[0] for one in found if one.what == "off"} == {"press", "shape"}
    assert [one.blocks for one in found if one.what == "on"] == [("lift",)]


def test_an_order_without_blocks_is_refused() -> None:
    with pytest.raises(RequestError, match="order 'none' has no blocks"):
        wired_board(read_board(BOARD), "none", "riff", 1e6)


@pytest.mark.soak
def test_a_compressor_behind_a_room_is_told_from_one_behind_an_echo() -> None:
    """By the plan's spread the echo is nearer: what a compressor makes of a room varies more."""
    found = tried(210)
    print(f"{found.hidden}: named {found.found}")
    assert found.hidden == "exchanged press/room"
    assert found.first


@pytest.mark.soak
def test_ninety_of_a_hundred_faults_and_no_sound_board_accused() -> None:
    outcomes = [tried(seed) for seed in range(100)]
    sound = [tried(5_000 + seed, sound=True) for seed in range(20)]
    right = sum(one.first for one in outcomes)
    silent = sum(one.as_planned for one in sound)
    print(f"named first: {right} of 100; silent on {silent} of 20 sound boards")
    assert right >= 90
    assert silent == 20
