"""Long renders stay small: peak memory of a process that renders and does nothing else."""

from itertools import pairwise

import numpy as np
import pytest

from simchain import signal
from simchain.blocks import Moment, kinds, reverb
from simchain.blocks.base import Curve
from simchain.board import load_board
from simchain.chain import wires
from simchain.chain.aside import Aside
from simchain.chain.gates import Blend, Gate
from simchain.chain.render import render
from simchain.kernels.rails import clipped
from simchain.measure import loudness
from simchain.measure.level import level_of
from simchain.measure.true_peak import true_peak_dbtp
from simchain.signal import PIECE, Signal, pieces, resampled, write_float_wav
from tests.benchmarks.memory import ASKED_GB, SEVEN, SWITCHED, measured, sound_bytes, stereo_board

# Two sounds and a half for what a minute adds: room for input, output, and half of one between.
SOUNDS_AT_ONCE = 2.5
ROW = (
    *SWITCHED,
    '{ at = 12, block = "grit", do = "off" }',
    '{ at = 13, block = "press", do = "off" }',
    '{ at = 14, block = "room", do = "off" }',
)


def test_a_minute_more_takes_the_room_of_two_sounds_more() -> None:
    """The program itself takes the rest; it is measured by the shorter of two renders."""
    measured(0.1)  # compiles what is not compiled yet
    lengths = (0.5, 1.0)
    peaks = [measured(minutes)[1] for minutes in lengths]
    more = (peaks[1] - peaks[0]) / (sound_bytes(lengths[1]) - sound_bytes(lengths[0]))
    print(f"peaks {peaks[0] / 1e6:.0f} and {peaks[1] / 1e6:.0f} MB: {more:.2f} sounds at once")
    assert more < SOUNDS_AT_ONCE
    assert peaks[0] - SOUNDS_AT_ONCE * sound_bytes(lengths[0]) < 0.3e9


@pytest.mark.soak
@pytest.mark.parametrize("events", [SWITCHED, ROW], ids=["one switched", "three in a row"])
@pytest.mark.parametrize("minutes", ASKED_GB)
def test_five_and_ten_minutes_in_stereo(minutes: float, events: tuple[str, ...]) -> None:
    seconds, peak = measured(minutes, events)
    asked = ASKED_GB[minutes]
    print(f"{minutes:g} minutes: asked {asked} GB, measured {peak / 1e9:.3f} GB, {seconds:.1f} s")
    assert peak < asked * 1e9


def test_sounds_put_aside_change_nothing(tmp_path, monkeypatch) -> None:
    volts = 0.05 * np.random.default_rng(1).normal(size=(2, 3 * PIECE))
    write_float_wav(tmp_path / "clip.wav", Signal(volts, 48_000))
    events = ", ".join(event.replace("at = 1", "at = 1.").replace("20", "2") for event in ROW)
    (tmp_path / "board.toml").write_text(stereo_board(SEVEN, [events]))
    board = load_board(tmp_path / "board.toml")
    made = []
    for least in (wires.LARGE_BYTES, 0):
        monkeypatch.setattr(wires, "LARGE_BYTES", least)
        made.append(render(board, "split", "long", points=False))
    assert np.array_equal(made[0].output.samples, made[1].output.samples)
    for name, point in made[0].points.items():
        assert point.channels == made[1].points[name].channels, name


def test_without_room_aside_a_sound_stays_where_it_is(monkeypatch) -> None:
    def full(*_given: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(wires, "Aside", type("Full", (Aside,), {"__init__": full}))
    monkeypatch.setattr(wires, "LARGE_BYTES", 0)
    volts = np.ones((2, 100))
    assert wires.Wires({0: volts}, frozenset({0})).waiting().outputs[0] is volts


def test_a_sound_aside_comes_back_as_it_was() -> None:
    volts = np.random.default_rng(2).normal(size=(2, PIECE + 7))
    aside = Aside(volts)
    assert np.array_equal(aside.whole(), volts)
    assert np.array_equal(aside.piece(slice(PIECE, PIECE + 7)), volts[:, PIECE:])


def test_pieces_cover_everything_once() -> None:
    for frames in (0, 1, PIECE, PIECE + 1, 3 * PIECE - 1):
        parts = list(pieces(frames))
        assert sum(part.stop - part.start for part in parts) == frames
        assert all(one.stop == after.start for one, after in pairwise(parts))


@pytest.mark.parametrize(
    "share",
    [
        Gate(on=True, switches=((30, False), (40, True), (45, False), (200, True)), fade_frames=20),
        Gate(on=False, switches=((0, True), (99, False)), fade_frames=0),
        Blend(((10, 0.0), (50, 1.0), (170, 0.0))),
    ],
)
def test_weights_of_a_piece_are_those_of_the_whole(share: Gate | Blend) -> None:
    whole = share.weights(250)
    for start, stop in ((0, 35), (35, 47), (47, 48), (48, 215), (215, 250)):
        assert np.array_equal(share.weights(stop - start, start), whole[start:stop])


CASES = [
    *((kind, {}, {}) for kind in kinds()),
    ("body", {"latency_ms": 2.0}, {"mix": 0.2}),
    ("boost", {}, {"gain_db": 20.0}),
    ("compressor", {}, {"threshold_dbu": -40.0, "blend": 0.3}),
    ("delay", {"voice": "tape", "spread": 0.5}, {}),
    ("delay", {"voice": "bucket-brigade"}, {"mix": 0.9}),
    ("delay", {"time_ms": 2000.3, "spread": 0.4}, {}),
    ("drive", {"blend": 0.5}, {}),
    ("drive", {}, {"blend": 0.2}),
    ("modulation", {"digital": True}, {"rate_hz": 3.0, "depth": 0.9, "mix": 0.8}),
    ("modulation", {"shape": "flanger"}, {}),
    ("modulation", {"shape": "phaser"}, {"rate_hz": 3.0, "depth": 0.9}),
    ("modulation", {"shape": "tremolo", "latency_ms": 3.0}, {"rate_hz": 3.0}),
    ("modulation", {"shape": "vibrato"}, {"rate_hz": 1.0}),
    ("reverb", {"shimmer": 0.4, "motion": 0.6}, {"mix": 0.7}),
]


@pytest.mark.parametrize(("kind", "given", "moves"), CASES, ids=str)
def test_it_does_not_matter_where_pieces_end(
    kind: str, given: dict, moves: dict, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = kinds()[kind].model_validate({"inputs": 2, "outputs": 2, **given})
    frames = PIECE + 9_000
    curves = tuple(
        (control, Curve(((100, unit.standing(control)), (frames, value))))
        for control, value in moves.items()
    )
    now = Moment(48_000, seed=3, curves=curves)
    volts = 0.1 * np.random.default_rng(3).normal(size=(2, frames))
    made = []
    for piece in (PIECE, 7_001, 40_000):
        monkeypatch.setattr(signal, "PIECE", piece)
        monkeypatch.setattr(reverb, "PIECE", piece)
        made.append(unit.process(volts, now))
    assert np.abs(made[0] - made[1]).max() < 1e-11
    assert np.abs(made[0] - made[2]).max() < 1e-11


def test_meters_do_not_mind_where_pieces_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Loud notes at the ends of pieces, so that a peak lies between the last and the first."""
    random = np.random.default_rng(4)
    volts = 0.1 * random.normal(size=(2, 150_000))
    for place in range(6_999, 150_000, 7_000):
        volts[0, place : place + 2] = 0.5 + 0.001 * place / 7_000
    read = []
    for piece in (1_000_000, 7_000, PIECE):
        monkeypatch.setattr(signal, "PIECE", piece)
        levels = [(one.rms_volts, one.peak_volts, one.mean_volts) for one in level_of(volts)]
        lufs = (loudness.integrated_lufs(volts, 48_000), loudness.ungated_lufs(volts, 48_000))
        rail = clipped(volts[0], 0.3, 48_000)[::100]
        read.append([*np.ravel(levels), *lufs, true_peak_dbtp(volts, 48_000), *rail])
    np.testing.assert_allclose(read[1], read[0], rtol=1e-12, atol=1e-14)
    np.testing.assert_allclose(read[2], read[0], rtol=1e-12, atol=1e-14)


@pytest.mark.parametrize("rates", [(44_100, 48_000), (96_000, 44_100), (44_101, 48_000)])
def test_stretches_of_a_long_clip_join_without_a_seam(rates, monkeypatch) -> None:
    """Below the edge of the filter, which moves by less than a line of a stretch's spectrum."""
    sound = Signal(np.random.default_rng(5).normal(size=7 * rates[0]), rates[0])
    whole = resampled(sound, rates[1])
    monkeypatch.setattr(signal, "_STRETCH_S", 1.3)
    joined = resampled(sound, rates[1])
    window = np.kaiser(whole.frames, 40.0)
    wanted, found = (
        np.abs(np.fft.rfft(window * one))
        for one in (whole.volts[0], joined.volts[0] - whole.volts[0])
    )
    heard = np.fft.rfftfreq(whole.frames, 1 / rates[1]) < 0.46 * min(rates)
    error_db = 20 * np.log10(found[heard].max() / wanted[heard].mean())
    print(f"{rates[0]} to {rates[1]}: joined stretches differ by {error_db:.0f} dB at most")
    assert joined.frames == whole.frames
    assert error_db < -170
