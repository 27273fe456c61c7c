"""Real links on the path: every mix of bypasses and switch states against circuit theory."""

import itertools
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import simchain
from simchain.board import Board, load_board
from simchain.signal import Signal, write_float_wav

RATE = 48_000
BINS = np.arange(20, 10_001)
S = 2j * np.pi * BINS.astype(float)

SINGLE_COIL = {"henry": 2.6, "ohm": 6200.0, "pf": 115.0, "pots": 250e3, "tone_nf": 22.0}
HUMBUCKER = {"henry": 4.4, "ohm": 8000.0, "pf": 130.0, "pots": 500e3, "tone_nf": 22.0}

MakeBoard = Callable[..., Board]


@pytest.fixture
def guitar_board(tmp_path: Path) -> MakeBoard:
    """Return a function that loads a board whose clip is one small impulse from a guitar."""

    def make(text: str, pickup: dict, volume: float = 1.0, at: int = 100) -> Board:
        volts = np.zeros((1, RATE))
        volts[0, at] = 1.0
        write_float_wav(tmp_path / "clip.wav", Signal(volts, RATE))
        # 1 mV at full scale: nothing comes near a rail.
        head = f"""
        tail_s = 0.0
        [source]
        clip = "clip.wav"
        loudest_peak_volts = 0.001
        [source.pickup]
        inductance_h = {pickup["henry"]}
        resistance_ohm = {pickup["ohm"]}
        capacitance_pf = {pickup["pf"]}
        volume_ohm = {pickup["pots"]}
        tone_ohm = {pickup["pots"]}
        tone_nf = {pickup["tone_nf"]}
        volume = {volume}
        """
        path = tmp_path / "board.toml"
        path.write_text(head + text)
        return load_board(path)

    return make


def parallel(*impedances):
    return 1 / sum(1 / z for z in impedances)


def at_jack(pickup: dict, behind: object, volume: float = 1.0) -> np.ndarray:
    """Voltage at the guitar's jack over the coil's, with impedance `behind` at the jack.

    Written out by hand, from the load back to the coil.
    """
    below, above = volume * pickup["pots"] + 1.0, (1 - volume) * pickup["pots"] + 1.0
    jack = parallel(below, behind)
    tone = pickup["pots"] + 1.0 + 1 / (S * pickup["tone_nf"] * 1e-9)
    node = parallel(1 / (S * pickup["pf"] * 1e-12), tone, above + jack)
    coil = pickup["ohm"] + S * pickup["henry"]
    return node / (node + coil) * jack / (jack + above)


def cable(pf: float) -> np.ndarray:
    return 1 / (S * pf * 1e-12)


def over_recorded(pickup: dict, behind: object, volume: float = 1.0) -> np.ndarray:
    """What a link does to a clip: recorded with pots at full into 1 Mohm and 500 pF."""
    recorded = at_jack(pickup, parallel(1e6, cable(500.0)))
    return at_jack(pickup, behind, volume) / recorded


def spectrum(board: Board, point: str, order: str, passage: str) -> np.ndarray:
    rendering = simchain.render(board, order=order, passage=passage)
    volts = rendering.points[point].volts[0]
    if not board.amps:  # whose oversampling filters are linear-phase
        assert not volts[:100].any(), "sound before the string is struck"
    return np.fft.rfft(volts)[BINS] / 0.001


def db(response: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(response))


PEDALS = """
[cables]
guitar_m = 6.0
patch_m = 0.0
amp_m = 6.0
[blocks]
buffer = { kind = "tuner", bypass = "buffered" }
grit = { kind = "drive" }
push = { kind = "boost" }
press = { kind = "compressor" }
[output]
input_ohm = 1e6
[orders]
bare = { front = ["grit", "push", "press"] }
buffered = { front = ["buffer", "grit", "push", "press"] }
[passages]
off = { on = [] }
"""


def test_a_true_bypass_board_is_a_long_cable_and_a_buffer_restores_it(guitar_board) -> None:
    board = guitar_board(PEDALS, SINGLE_COIL)
    bare = spectrum(board, "out", "bare", "off")
    theory = over_recorded(SINGLE_COIL, parallel(1e6, cable(1200.0)))
    off = np.abs(db(bare) - db(theory)).max()
    print(f"12 m and everything off: {db(bare)[5000 - 20]:.2f} dB at 5 kHz, "
          f"within {off:.4f} dB of the circuit")  # fmt: skip
    assert off < 0.03
    assert db(bare)[5000 - 20] < -5
    restored = spectrum(board, "out", "buffered", "off")
    first = over_recorded(SINGLE_COIL, parallel(1e6, cable(600.0)))
    second = 1 / (1 + 100.0 / 1e6 + S * 100.0 * 600e-12)
    off = np.abs(db(restored) - db(first * second)).max()
    print(f"one buffer first: {db(restored)[5000 - 20]:.2f} dB at 5 kHz, within {off:.4f} dB")
    assert off < 0.03
    assert db(restored)[5000 - 20] > db(bare)[5000 - 20] + 4


FUZZ = """
[cables]
guitar_m = 6.0
patch_m = 0.0
amp_m = 0.0
[blocks]
dirt = { kind = "fuzz", input_ohm = 15e3 }
buffer = { kind = "tuner", bypass = "buffered" }
[output]
input_ohm = 1e6
[orders]
fuzz_first = { front = ["dirt"] }
buffer_first = { front = ["buffer", "dirt"] }
[passages]
on = { on = ["dirt"] }
"""


def test_fuzz_loads_the_pickup_and_a_buffer_takes_that_away(guitar_board) -> None:
    """Practice §2 question 5: 1 k -8, 3 k -16, 5 k -20 dB against +0.6, +5.4, -7.2 into 1 M."""
    board = guitar_board(FUZZ, HUMBUCKER)
    coil = at_jack(HUMBUCKER, parallel(1e6, cable(500.0)))
    into_fuzz = spectrum(board, "dirt.in", "fuzz_first", "on") * coil
    into_buffer = spectrum(board, "buffer.in", "buffer_first", "on") * coil
    at = [hz - 20 for hz in (1000, 3000, 5000)]
    print("into 15 k:", db(into_fuzz)[at].round(1), " into 1 M:", db(into_buffer)[at].round(1))
    assert db(into_fuzz)[at] == pytest.approx([-8, -16, -20], abs=1.0)
    assert db(into_buffer)[at] == pytest.approx([0.6, 5.4, -7.2], abs=1.0)
    gained = (db(into_buffer) - db(into_fuzz))[at]
    assert gained.min() > 8 - 0.5
    assert gained.max() < 21 + 1.0
    theory = over_recorded(HUMBUCKER, parallel(15e3, cable(600.0))) * coil
    assert np.abs(db(into_fuzz) - db(theory)).max() < 0.03


def test_volume_rolled_back_falls_more_into_a_fuzz(guitar_board) -> None:
    """Practice §2 question 5: at 0.3 of its resistance, buffered -12 dB, into the fuzz -28 dB."""
    down = guitar_board(FUZZ, HUMBUCKER, volume=0.3)
    low = slice(180, 381)
    coil = at_jack(HUMBUCKER, parallel(1e6, cable(500.0)))
    fuzz = (spectrum(down, "dirt.in", "fuzz_first", "on") * coil)[low]
    buffered = (spectrum(down, "buffer.in", "buffer_first", "on") * coil)[low]
    fuzz_db, buffered_db = db(fuzz).mean(), db(buffered).mean()
    print(f"volume at 0.3: buffered {buffered_db:.1f} dB, into the fuzz {fuzz_db:.1f} dB")
    assert buffered_db == pytest.approx(-12, abs=1.5)
    assert fuzz_db == pytest.approx(-28, abs=1.5)


# Four flat gains with odd impedances, so that every link is a filter of its own.
FOUR = {
    "a": (30e3, 20e3, 2.0),
    "b": (80e3, 10e3, 4.0),
    "c": (15e3, 40e3, -3.0),
    "d": (220e3, 5e3, 1.0),
}
LENGTHS = {"guitar": 4.0, "patch": 0.5, "amp": 7.0}


def four_blocks(bypasses: tuple[str, ...], order: tuple[str, ...], on: tuple[str, ...]) -> str:
    blocks = "".join(
        f"[blocks.{name}]\nkind = 'boost'\nlow_cut_hz = 0\nhigh_cut_hz = 0\n"
        f"gain_db = {gain}\ninput_ohm = {into}\noutput_ohm = {out}\nbypass = '{bypass}'\n"
        for (name, (into, out, gain)), bypass in zip(FOUR.items(), bypasses, strict=True)
    )
    return f"""
    [cables]
    guitar_m = {LENGTHS["guitar"]}
    patch_m = {LENGTHS["patch"]}
    amp_m = {LENGTHS["amp"]}
    [output]
    input_ohm = 47e3
    {blocks}
    [orders.one]
    front = {list(order)}
    [passages.one]
    on = {list(on)}
    """


def by_hand(bypasses: tuple[str, ...], order: tuple[str, ...], on: tuple[str, ...]) -> np.ndarray:
    """The same by pencil: which outputs drive which inputs, and through how much cable."""
    bypass = dict(zip(FOUR, bypasses, strict=True))
    response, source_ohm, metres = np.ones(len(S), complex), None, LENGTHS["guitar"]

    def into(load: float) -> np.ndarray:
        behind = parallel(load, cable(100 * metres))
        if source_ohm is None:
            return over_recorded(SINGLE_COIL, behind)
        return behind / (behind + source_ohm)

    for place, name in enumerate(order):
        metres += LENGTHS["patch"] if place else 0.0
        load, out, gain = FOUR[name]
        if name in on or bypass[name] == "buffered":
            response = response * into(load) * (10 ** (gain / 20) if name in on else 1.0)
            source_ohm, metres = out, 0.0
    metres += LENGTHS["amp"]
    return response * into(47e3)


@pytest.mark.parametrize("seed", range(6))
def test_every_mix_of_bypasses_and_switch_states(guitar_board, seed: int) -> None:
    random = np.random.default_rng(seed)
    order = tuple(random.permutation(list(FOUR)).tolist())
    worst = 0.0
    for bits in random.permutation(256)[:12].tolist():
        bypasses = tuple("buffered" if bits >> n & 1 else "true" for n in range(4))
        on = tuple(name for n, name in enumerate(FOUR) if bits >> (4 + n) & 1)
        board = guitar_board(four_blocks(bypasses, order, on), SINGLE_COIL)
        got = spectrum(board, "out", "one", "one")
        worst = max(worst, np.abs(db(got) - db(by_hand(bypasses, order, on))).max())
    print(f"order {' '.join(order)}: 12 states within {worst:.4f} dB")
    # Up to five filters, each 0.01 dB off at most.
    assert worst < 0.05


SWITCHED = """
[cables]
guitar_m = 6
patch_m = 0.5
amp_m = 0
[output]
input_ohm = 1e6
[blocks]
a = { kind = "boost", gain_db = 3, low_cut_hz = 0, high_cut_hz = 0, input_ohm = 12e3 }
b = { kind = "boost", gain_db = 2, low_cut_hz = 0, high_cut_hz = 0, input_ohm = 50e3 }
[orders.one]
front = ["a", "b"]
[passages]
none = { on = [] }
a = { on = ["a"] }
b = { on = ["b"] }
both = { on = ["a", "b"] }
[passages.switched]
on = []
events = [{ at = 0.2, block = "a", do = "on" }, { at = 0.202, block = "b", do = "on" },
          { at = 0.5, block = "a", do = "off" }, { at = 0.8, block = "b", do = "off" }]
"""


def test_a_switch_that_changes_a_link_mixes_its_states(guitar_board) -> None:
    """Memoryless units: at every frame the states' sounds, weighted; also while both fade."""
    board = guitar_board(SWITCHED, HUMBUCKER)
    noise = np.random.default_rng(3).standard_normal((1, RATE))
    write_float_wav(board.folder / "clip.wav", Signal(noise, RATE))
    states = {
        name: simchain.render(board, order="one", passage=name).points for name in board.passages
    }

    def fade(start: float) -> np.ndarray:
        t = np.clip((np.arange(RATE) / RATE - start) / 0.005, 0, 1)
        return (1 - np.cos(np.pi * t)) / 2

    a, b = fade(0.2) - fade(0.5), fade(0.202) - fade(0.8)
    weights = {"none": (1 - a) * (1 - b), "a": a * (1 - b), "b": (1 - a) * b, "both": a * b}
    for point in ("a.in", "a.out", "b.in", "out"):
        mixed = sum(weight * states[name][point].volts for name, weight in weights.items())
        got = states["switched"][point].volts
        off = 20 * math.log10(np.abs(got - mixed).max() / np.abs(mixed).max())
        print(f"{point}: the switched passage is its states mixed, to {off:.0f} dB")
        assert off < -200


def test_blocks_in_one_housing_have_no_cable_between(guitar_board) -> None:
    text = PEDALS.replace("patch_m = 0.0", "patch_m = 10.0")
    apart = guitar_board(text, SINGLE_COIL)
    lengths = {}
    for name, board in (("apart", apart), ("one box", guitar_board(boxed(text), SINGLE_COIL))):
        steps = simchain.chain.path.path_of(board, "bare", "off", None, source_key=b"").steps
        (link,) = steps[0].feeds[0].links
        lengths[name] = sum(part.pf for part in link.parts)
    assert lengths == {"apart": 600 + 600 + 2000, "one box": 600 + 600 + 1000}


def boxed(text: str) -> str:
    text = text.replace('kind = "drive"', 'kind = "drive", box = "twin"')
    return text.replace('kind = "boost"', 'kind = "boost", box = "twin"')


PEDAL = """
[cables]
guitar_m = 6
patch_m = 0
amp_m = 6
[output]
input_ohm = 1e6
[blocks.foot]
kind = "volume"
position = 0.5
taper = "linear"
pot_ohm = 250e3
[orders.one]
front = ["foot"]
[passages]
on = { on = ["foot"] }
off = { on = [] }
"""


def test_a_passive_volume_pedal_is_a_part_of_the_link(guitar_board) -> None:
    """Practice §2 question 8: it loads the pickup, and its source resistance dulls."""
    board = guitar_board(PEDAL, SINGLE_COIL)
    on = spectrum(board, "out", "one", "on")
    below = parallel(125e3 + 1, 1e6, cable(600.0))
    divider = below / (below + 125e3 + 1)
    theory = over_recorded(SINGLE_COIL, parallel(cable(600.0), below + 125e3 + 1)) * divider
    off = np.abs(db(on) - db(theory)).max()
    print(f"passive pedal half down: within {off:.4f} dB of its circuit")
    assert off < 0.03
    before = spectrum(board, "foot.in", "one", "on")
    assert np.abs(db(before) - db(theory / divider)).max() < 0.03
    up = guitar_board(PEDAL.replace("position = 0.5", "position = 1"), SINGLE_COIL)
    with_pot, without = (
        at_jack(SINGLE_COIL, parallel(1e6, cable(500.0))) * spectrum(up, "out", "one", passage)
        for passage in ("on", "off")
    )
    lost = db(without).max() - db(with_pot).max()
    print(f"at the toe it still takes {lost:.1f} dB off the resonance (practice: 2 to 4 dB)")
    assert 1.5 < lost < 4


LOOPED = """
[cables]
guitar_m = 0
patch_m = 0
amp_m = 0
send_m = 6
return_m = 4
[blocks]
room = { kind = "reverb", bypass = "true" }
[amps.one]
send_ohm = 25e3
return_ohm = 100e3
[orders]
series = { front = [] }
split = { front = [], loop = ["room"] }
[passages]
off = { on = [] }
"""


def test_the_loop_s_cables_and_its_return_load_the_send(guitar_board) -> None:
    """Practice §1: 25 k into 100 k is -1.9 dB, with the poles of the cable on top."""
    board = guitar_board(LOOPED, SINGLE_COIL)
    sent = spectrum(board, "amp.send", "split", "off")
    back = spectrum(board, "amp.return", "split", "off")
    theory = parallel(100e3, cable(1000.0)) / (parallel(100e3, cable(1000.0)) + 25e3)
    off = np.abs(db(back / sent) - db(theory)).max()
    print(f"send to return: {db(back / sent)[0]:.2f} dB, within {off:.4f} dB of the circuit")
    assert off < 0.03
    assert db(back / sent)[0] == pytest.approx(-1.94, abs=0.01)
    inside = spectrum(board, "amp.return", "series", "off") / sent
    assert np.abs(db(inside) + 1.938).max() < 0.01


def test_paths_that_differ_in_what_is_off_share_their_steps(guitar_board) -> None:
    """Two blocks that are off change places behind a stiff output: nothing is run twice."""
    board = guitar_board(PEDALS, SINGLE_COIL)
    orders = [
        simchain.Order(("buffer", *rest)) for rest in itertools.permutations(("grit", "push"))
    ]
    keys = {
        simchain.chain.path.path_of(board, order, "off", None, source_key=b"").steps[-1].key
        for order in orders
    }
    assert len(keys) == 1


def test_a_line_source_is_stiff(make_board: MakeBoard, noise: np.ndarray) -> None:
    text = """
    [blocks.push]
    kind = "boost"
    [orders.one]
    front = ["push"]
    [passages.off]
    on = []
    [cables]
    amp_m = 0
    [output]
    input_ohm = 1e6
    """
    points = simchain.render(
        make_board(text, noise, links="real"), order="one", passage="off"
    ).points
    np.testing.assert_array_equal(points["push.in"].volts, points["source"].volts)
