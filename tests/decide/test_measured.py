"""Measures of a comparison against closed forms, an outside meter, and the same done by hand."""

import math

import numpy as np
import pyebur128
import pytest

from simchain.chain.render import render
from simchain.decide.compare import compare
from simchain.decide.measured import Measured
from simchain.measure.distortion import harmonic_distortion
from simchain.measure.intermodulation import difference_distortion, modulation_distortion
from simchain.measure.tones import Tones, difference_tones, single_tone, smpte_tones
from simchain.units import db_to_ratio, dbu_to_peak_volts, volts_to_dbu
from tests.decide.conftest import RATE, MakeBoard

# Two orders, as a comparison needs them: what is measured, and a wire beside it.
ORDERS = """
[orders.here]
front = [{here}]
[orders.wire]
front = ["still"]
[passages.riff]
on = [{here}]
"""
BLOCKS = '[blocks]\nstill = { kind = "tuner" }\n'
HARD = 'push = { kind = "boost", gain_db = 12, low_cut_hz = 0, high_cut_hz = 0, rail_volts = 0.5 }'


def orders(*names: str) -> str:
    return ORDERS.format(here=", ".join(f'"{name}"' for name in names))


def sine(peak: float, seconds: float = 1.0, hz: float = 300.0) -> np.ndarray:
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)[np.newaxis]


def figures(board, **asked) -> list[Measured]:
    asked = {"measures": True, **asked}
    found = compare(board, ["here", "wire"], judged=False, **asked)
    return [one.measured for one in found.heard]


def hard_clip_thd(g: float, highest: int) -> float:
    """THD over the whole by the Fourier series of a clipped sine, a = asin(1/g), odd n only."""
    a = math.asin(1.0 / g)
    first = 2.0 * g / math.pi * (a + 0.5 * math.sin(2.0 * a))
    others = [
        2.0 * g / (math.pi * n)
        * (math.sin((n - 1) * a) / (n - 1) + math.sin((n + 1) * a) / (n + 1))
        for n in range(3, highest + 1, 2)
    ]  # fmt: skip
    rest = math.sqrt(sum(b * b for b in others))
    return rest / math.hypot(first, rest)


def test_thd_of_a_hard_clipper_is_that_of_its_fourier_series(make_board: MakeBoard) -> None:
    """The table's own value for +12 dB, 35.368990 % over the fundamental, is met on the way."""
    over_all = hard_clip_thd(db_to_ratio(12.0), 100_001)
    assert over_all / math.sqrt(1 - over_all**2) == pytest.approx(0.35368990, rel=1e-7)
    peak = 0.4
    here, wire = figures(make_board(BLOCKS + HARD + orders("push"), sine(peak)))
    distortion = here.injected.distortion
    assert dbu_to_peak_volts(distortion.level_dbu) == pytest.approx(peak, rel=1e-3)
    g = dbu_to_peak_volts(distortion.level_dbu) * db_to_ratio(12.0) / 0.5
    for hz, found in ((220, distortion.thd_220_hz_percent), (1000, distortion.thd_1_khz_percent)):
        expected = 100 * hard_clip_thd(g, 20_000 // hz)
        print(f"{hz} Hz clipped {20 * math.log10(g):.2f} dB: {found:.4f} %, series {expected:.4f}")
        assert found == pytest.approx(expected, rel=2e-3)
    assert wire.injected.distortion.thd_220_hz_percent < 1e-6


def clipped_finely(tones: Tones, g: float, times: int = 32) -> np.ndarray:
    """Peak volts on the lines of two tones clipped hard, computed at `times` the rate."""
    turns = np.arange(tones.frames * times) / (tones.frames * times)
    sound = sum(
        peak * np.sin(2 * np.pi * cycles * turns)
        for cycles, peak in zip(tones.cycles, tones.peaks, strict=True)
    )
    clipped = np.clip(g * sound, -0.5, 0.5)
    return np.abs(np.fft.rfft(clipped)) * 2 / clipped.size


def test_pairs_of_tones_through_a_hard_clipper(make_board: MakeBoard) -> None:
    """IEC 60268-3's ratios, written out, of a numerical clipper at 32 times the rate."""
    here, _ = figures(make_board(BLOCKS + HARD + orders("push"), sine(0.4)))
    found = here.injected.distortion
    assert found.pair_hz == (19_000, 20_000)
    tones = smpte_tones(found.level_dbu, RATE)
    low, high = tones.cycles
    u = clipped_finely(tones, db_to_ratio(12.0))
    second = (u[high - low] + u[high + low]) / u[high]
    third = (u[high - 2 * low] + u[high + 2 * low]) / u[high]
    assert found.smpte_percent == pytest.approx(100 * math.hypot(second, third), rel=5e-3)
    tones = difference_tones(found.level_dbu, RATE)
    low, high = tones.cycles
    u = clipped_finely(tones, db_to_ratio(12.0))
    second = u[high - low] / (u[low] + u[high])
    third = (u[2 * low - high] + u[2 * high - low]) / (u[low] + u[high])
    print(f"difference tones: {found.difference_tone_percent:.3f} %, finely {100 * third:.3f} %")
    assert found.difference_tone_percent == pytest.approx(100 * math.hypot(second, third), rel=2e-2)


AMP = """
[amps.one]
gain_db = 14
[output]
amps = ["one"]
"""
GRIT = 'grit = { kind = "drive", gain_db = 20, fade_ms = 0 }\n'
ECHOES = """
room = { kind = "reverb", mix = 0.4, outputs = 2, motion = 1 }
tape = { kind = "delay", voice = "tape", mix = 0.4, flutter = 1 }
"""


def test_tones_are_measured_as_if_they_were_rendered_as_a_clip(make_board: MakeBoard) -> None:
    """With echoes, motion and a later switch in the passage; by hand none of these is there."""
    late = 'events = [{ at = 0.1, block = "grit", do = "off" }]\n'
    volts = sine(0.15)
    text = BLOCKS + GRIT + ECHOES + AMP + orders("tape", "grit", "room") + late
    found = figures(make_board(text, volts, links="real"))[0].injected.distortion
    assert found.pair_hz == (3_000, 4_000)
    level = found.level_dbu
    by_hand = {
        "thd_220_hz_percent": (single_tone(220, level, RATE), harmonic_distortion, "thd_r"),
        "thd_1_khz_percent": (single_tone(1000, level, RATE), harmonic_distortion, "thd_r"),
        "smpte_percent": (smpte_tones(level, RATE), modulation_distortion, "total"),
        "difference_tone_percent": (
            difference_tones(level, RATE, 3000, 4000), difference_distortion, "total",
        ),
    }  # fmt: skip
    for name, (tones, measure, ratio) in by_hand.items():
        clip = tones.volts(1.5)
        dry = make_board(
            BLOCKS + GRIT + ECHOES + AMP + orders("tape", "grit", "room"), clip, "real"
        )
        plain = dry.model_copy(
            update={"blocks": {n: b.dry().frozen() for n, b in dry.blocks.items()}}
        )
        out = render(plain, "here", "riff").output.samples
        expected = 100 * max(getattr(one, ratio) for one in measure(out, tones))
        print(f"{name}: {getattr(found, name):.5f}, by hand {expected:.5f}")
        assert expected > 1
        assert getattr(found, name) == pytest.approx(expected, rel=1e-4)


def ring(make_board: MakeBoard, block: str, *others: str, blocks: str = "") -> Measured:
    text = BLOCKS + f"echo = {{ {block} }}\n" + blocks + orders(*others, "echo")
    return figures(make_board(text, sine(0.1)))[0]


@pytest.mark.parametrize(("decay_s", "mix"), [(1.8, 0.2), (1.8, 1.0), (0.4, 0.5), (12.0, 0.3)])
def test_a_room_rings_as_long_as_it_is_set(
    make_board: MakeBoard, decay_s: float, mix: float
) -> None:
    """Without damping all frequencies fall alike; the direct sound, whatever its share, is out."""
    room = f'kind = "reverb", decay_s = {decay_s}, mix = {mix}, damping_hz = 0, low_cut_hz = 0'
    found = ring(make_board, room).injected
    print(f"{decay_s} s, mix {mix}: EDT {found.edt_s:.3f}, T20 {found.t20_s:.3f}, "
          f"T30 {found.t30_s:.3f}")  # fmt: skip
    for seconds in (found.edt_s, found.t20_s, found.t30_s):
        assert seconds == pytest.approx(decay_s, rel=0.1)


@pytest.mark.parametrize(("feedback", "time_ms"), [(0.7, 100), (0.8, 60)])
def test_a_delay_falls_by_its_feedback_at_each_repeat(
    make_board: MakeBoard, feedback: float, time_ms: float
) -> None:
    """60 dB are -3 D / log10(feedback) seconds."""
    echo = f'kind = "delay", feedback = {feedback}, time_ms = {time_ms}, tone_hz = 0, mix = 0.3'
    found = ring(make_board, echo).injected
    expected = -3 * time_ms / 1e3 / math.log10(feedback)
    print(f"T20 {found.t20_s:.3f}, T30 {found.t30_s:.3f}, expected {expected:.3f}")
    assert found.t30_s == pytest.approx(expected, rel=0.1)


def test_single_repeats_have_no_early_decay(make_board: MakeBoard) -> None:
    """9.1 dB a repeat: the first 10 dB go in a step and a rest, and no line is one of decay.

    From -5 to -35 dB are three stairs, and by least squares a line through n stairs is 1 - 1/n^2
    as steep as they are.
    """
    found = ring(make_board, 'kind = "delay", feedback = 0.35, time_ms = 380, tone_hz = 0').injected
    assert math.isnan(found.edt_s)
    expected = -3 * 0.38 / math.log10(0.35)
    print(f"T30 {found.t30_s:.4f}, 9/8 of {expected:.4f} is {9 / 8 * expected:.4f}")
    assert found.t30_s == pytest.approx(9 / 8 * expected, rel=1e-3)


def test_dirt_gates_and_rails_do_not_change_how_long_it_rings(make_board: MakeBoard) -> None:
    room = 'kind = "reverb", damping_hz = 0, low_cut_hz = 0, mix = 0.3'
    alone = ring(make_board, room).injected.t30_s
    gate = 'shut = { kind = "gate", threshold_dbu = -20 }\n'
    found = ring(make_board, room, "grit", "shut", blocks=GRIT + gate).injected.t30_s
    assert found == pytest.approx(alone, rel=0.02)


def test_what_does_not_ring_or_never_stops_has_no_decay(make_board: MakeBoard) -> None:
    endless = 'kind = "delay", voice = "tape", feedback = 1.05, mix = 0.5'
    for block in ('kind = "reverb", mix = 0', 'kind = "boost"', endless):
        found = ring(make_board, block).injected
        assert [math.isnan(one) for one in (found.edt_s, found.t20_s, found.t30_s)] == [True] * 3


def test_signal_to_noise_is_what_lies_between_the_levels_at_out(make_board: MakeBoard) -> None:
    """Behind a speaker next to nothing is left above 20 kHz, which signal to noise leaves out."""
    board = make_board(BLOCKS + GRIT + AMP + orders("grit"), sine(0.05, hz=220), "real", 0.0)
    for one in compare(board, ["here", "wire"], judged=False).heard:
        out = one.rendering.points["out"]
        expected = out.level.rms_dbu - volts_to_dbu(out.floor_volts)
        found = one.measured.signal_to_noise
        print(f"{found.db:.3f} dB, levels {expected:.3f} dB, A-weighted {found.a_weighted_db:.3f}")
        assert found.db == pytest.approx(expected, abs=0.05)
        assert 10 < found.db < found.a_weighted_db
        assert one.measured.injected is None


def test_loudness_over_time_against_an_outside_meter(make_board: MakeBoard) -> None:
    """libebur128, asked every 10 ms; EBU Tech 3342's range of what it read every 100 ms.

    Its own range takes a window a second, too few in a sound this short.
    """
    swells = sine(0.3, 12.0) * np.interp(
        np.arange(12 * RATE) / RATE, (0, 4, 5, 12), (0.02, 1, 0.1, 0.3)
    )
    one = compare(
        make_board(BLOCKS + HARD + orders("push"), swells), ["here", "wire"], judged=False
    )
    samples = np.ascontiguousarray(one.heard[0].rendering.output.samples.T, dtype=np.float64)
    mode = pyebur128.MeasurementMode
    meter = pyebur128.R128State(2, RATE, mode.MODE_M | mode.MODE_S)
    momentary, short_term = [], []
    for start in range(0, len(samples), RATE // 100):
        meter.add_frames(samples[start : start + RATE // 100].ravel(), RATE // 100)
        momentary.append(pyebur128.get_loudness_momentary(meter))
        short_term.append(pyebur128.get_loudness_shortterm(meter))
    found = one.heard[0].measured
    windows = np.array(short_term[299::10])
    powers = 10 ** (windows[windows >= -70] / 10)
    counted = np.sort(windows[windows >= 10 * np.log10(powers.mean()) - 20])
    low, high = counted[[round((counted.size - 1) * share) for share in (0.1, 0.95)]]
    assert found.most_momentary_lufs == pytest.approx(max(momentary), abs=0.05)
    assert found.most_short_term_lufs == pytest.approx(max(short_term), abs=0.05)
    assert found.range_lu == pytest.approx(high - low, abs=0.05)
    assert found.range_lu > 5


def test_a_short_or_silent_passage_has_what_can_be_had(make_board: MakeBoard) -> None:
    short, _ = figures(make_board(BLOCKS + HARD + orders("push"), sine(0.3, 0.5)))
    assert math.isfinite(short.most_momentary_lufs)
    assert math.isnan(short.most_short_term_lufs)
    assert math.isnan(short.range_lu)
    silent, _ = figures(make_board(BLOCKS + HARD + orders("push"), np.zeros((1, RATE))))
    assert silent.signal_to_noise.db == -math.inf
    assert math.isnan(silent.injected.distortion.thd_220_hz_percent)


def test_a_song_is_measured_as_its_first_passage(make_board: MakeBoard) -> None:
    text = BLOCKS + HARD + orders("push") + "[passages.off]\non = []\n"
    text += '[songs.set]\npassages = ["riff", "off"]\n'
    found = figures(make_board(text, sine(0.4)), passages=["riff", "off"], songs=["set"])
    riff, off, song = (one.injected.distortion for one in found[::2])
    assert song == riff
    assert riff.thd_220_hz_percent > 10 > 1e-6 > off.thd_220_hz_percent
