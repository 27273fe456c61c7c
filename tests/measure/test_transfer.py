"""Response and coherence against scipy, delays that are known, and a body that is known."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from simchain import clips
from simchain.blocks.base import Moment
from simchain.blocks.body import Body, Mode, even_gain, even_hz, modal_response
from simchain.errors import ClipError
from simchain.measure.bands import third_octaves_db
from simchain.measure.body import BodyResponse, body_of
from simchain.measure.transfer import (
    CrossSpectra,
    cross_spectra,
    frames_late,
    smoothed,
    turns,
)
from simchain.signal import Signal, read_clip, resampled, write_float_wav

RATE = 48_000
LATE_S = 0.0031
# A body as tables of guitars have it: air, top, back, and three higher; none is the block's own.
KNOWN = (
    Mode(hz=100, q=25, db=0),
    Mode(hz=196, q=18, db=-1),
    Mode(hz=390, q=20, db=-4),
    Mode(hz=560, q=25, db=-3),
    Mode(hz=1150, q=15, db=-6),
    Mode(hz=2800, q=8, db=-8),
)


def noise(frames: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(frames)


def through_body(line: np.ndarray, rate: int) -> np.ndarray:
    """`line` through the analogue body itself, exact, by the spectrum with silence after it."""
    hz = np.fft.rfftfreq(2 * line.size, 1.0 / rate)
    hz[0] = 1e-6
    spectrum = np.fft.rfft(line, 2 * line.size) * modal_response(KNOWN, hz)
    return np.fft.irfft(spectrum)[: line.size]


@cache
def recorded(
    clip: str, rate: int = RATE, noise_db: float = -50.0, late_s: float = LATE_S
) -> tuple[Signal, Signal]:
    """Ten seconds of pickup and microphone: late, upside down, each with its own white noise."""
    line = resampled(read_clip(clips.path(clip)), rate).volts[0][: 10 * rate]
    late = round(late_s * rate)
    heard = -through_body(line, rate)
    heard = np.concatenate((np.zeros(late), heard[: heard.size - late]))
    both = []
    for seed, one in enumerate((line, heard)):
        floor = float(np.sqrt(np.mean(one * one))) * 10.0 ** (noise_db / 20.0)
        both.append(Signal(one + floor * noise(one.size, seed), rate))
    return both[0], both[1]


@cache
def found(clip: str, rate: int = RATE) -> BodyResponse:
    return body_of(*recorded(clip, rate))


def true_db(hz: np.ndarray) -> np.ndarray:
    """The known body as a body block levels it."""
    gain = even_gain(modal_response(KNOWN, even_hz()))
    return 20.0 * np.log10(gain * np.abs(modal_response(KNOWN, hz)))


def within(body: BodyResponse, hz: np.ndarray) -> np.ndarray:
    return np.any([(hz >= low) & (hz <= high) for low, high in body.agreed], axis=0)


def test_against_scipy() -> None:
    """scipy.signal's csd, welch and coherence, of one window and overlap."""
    from scipy.signal import coherence, csd, lfilter, welch

    x = noise(60_000, 1)
    y = lfilter([1.0, 0.5], [1.0, -0.6], x) + 0.3 * noise(x.size, 2)
    ours = cross_spectra(x, y, 4096, RATE)
    how = {"fs": RATE, "nperseg": 4096, "noverlap": 3072, "detrend": False}
    hz, cross = csd(x, y, **how)
    _, power = welch(x, **how)
    _, share = coherence(x, y, **how)
    assert ours.hz == pytest.approx(hz)
    assert ours.response == pytest.approx(cross / power, rel=1e-8)
    assert ours.coherence == pytest.approx(share, rel=1e-8)


def test_coherence_of_a_known_share() -> None:
    """Equal powers of signal and noise in y: 1/2, and so in x; both: 1/4 (Bendat and Piersol)."""
    s, m, n = (noise(500_000, seed) for seed in (3, 4, 5))
    for x, y, asked, gain in (
        (s, s + n, 0.5, 1.0),
        (s + m, s, 0.5, 0.5),
        (s + m, s + n, 0.25, 0.5),
    ):
        spectra = cross_spectra(x, y, 2048, RATE)
        share, response = spectra.coherence.mean(), spectra.response.real.mean()
        print(f"coherence {share:.4f}, asked {asked}; H1 {response:.4f}, asked {gain}")
        assert share == pytest.approx(asked, abs=0.005)
        assert response == pytest.approx(gain, rel=0.01)


def test_smoothing_keeps_what_is_even_and_counts_what_turns() -> None:
    hz = np.arange(1001.0)
    even = CrossSpectra(hz, np.full(1001, 2.0), np.full(1001, 8.0), np.full(1001, 4.0 + 0.0j))
    at = smoothed(even, np.array([3.0, 100.0, 900.0]), 1 / 12, 1.0)
    assert at.response == pytest.approx([2.0] * 3)
    assert at.coherence == pytest.approx([1.0] * 3)
    # A mean over a whole turn of phase is nothing: 100 Hz wide, 10 ms late.
    turning = CrossSpectra(hz, even.given, even.heard, 4.0 * np.exp(-2j * np.pi * 0.01 * hz))
    at = smoothed(turning, np.array([500.0]), 0.01, 100.0)
    assert at.coherence[0] < 1e-3


def test_what_is_silent_has_no_coherence() -> None:
    quiet = cross_spectra(np.zeros(8192), noise(8192, 6), 4096, RATE)
    assert not quiet.coherence.any()
    assert not quiet.response.any()


def test_a_window_must_fit() -> None:
    with pytest.raises(ValueError, match="one length"):
        cross_spectra(np.zeros(100), np.zeros(101), 64, RATE)
    with pytest.raises(ValueError, match="64 frames at least"):
        cross_spectra(np.zeros(10), np.zeros(10), 64, RATE)


@pytest.mark.parametrize("late", [0, 1, 700, -700])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_delay_of_whole_frames(late: int, sign: float) -> None:
    x = noise(50_000, 7)
    turned = turns(cross_spectra(x, sign * np.roll(x, late), 8192, RATE))
    assert frames_late(turned, 1000) == (late, sign < 0.0)


@pytest.mark.parametrize("clip", ["fingers", "strum", "arpeggio"])
def test_a_known_body_is_recovered(clip: str) -> None:
    """Six resonances, ten seconds of playing, noise at -50 dB in both: 1 dB where it is coherent.

    No level is matched before: the response is levelled as a body block levels the true one.
    """
    body = found(clip)
    counted = within(body, body.hz) & (body.coherence > 0.9)
    off = (body.db - true_db(body.hz))[counted]
    low, high = body.hz[counted][[0, -1]]
    print(
        f"{clip}: {counted.sum()} points of {counted.size}, {low:.0f} to {high:.0f} Hz: off by "
        f"{np.abs(off).max():.2f} dB at most, {np.sqrt(np.mean(off**2)):.2f} dB RMS"
    )
    assert counted.sum() > 96 * 5
    assert np.abs(off).max() < 1.0
    outside = (body.coherence > 0.9) & ~within(body, body.hz)
    assert outside.sum() < 0.02 * counted.sum()


@pytest.mark.parametrize("clip", ["fingers", "strum"])
def test_its_resonances_are_found(clip: str) -> None:
    """All six and no other: pitch within 1 %, level within 1 dB, Q within a quarter.

    A window and a mean half a hertz wide make Q 25 at 100 Hz, 4 Hz wide, some 20.
    """
    resonances = found(clip).resonances()
    print(clip, [f"{one.hz:.1f} Hz {one.db:+.1f} dB Q {one.q:.1f}" for one in resonances])
    assert [one.hz for one in resonances] == pytest.approx([mode.hz for mode in KNOWN], rel=0.01)
    assert [one.q for one in resonances] == pytest.approx([mode.q for mode in KNOWN], rel=0.25)
    at_peaks = true_db(np.array([mode.hz for mode in KNOWN]))
    assert [one.db for one in resonances] == pytest.approx(list(at_peaks), abs=1.0)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_delay_and_polarity_are_found(rate: int) -> None:
    body = found("strum", rate)
    print(f"{rate}: {body.offset_s * 1e3:.3f} ms, asked {LATE_S * 1e3:.3f}")
    assert body.offset_s == pytest.approx(LATE_S, abs=1e-4)
    assert body.inverted


def test_a_microphone_recorded_far_apart_is_brought_back() -> None:
    """0.7 s late, and early: the same body within 0.5 dB, RMS."""
    pickup, microphone = recorded("strum")
    apart = round(0.7 * RATE)
    for first, second, late_s in (
        (pickup.volts[:, apart:], microphone.volts[:, :-apart], 0.7 + LATE_S),
        (pickup.volts[:, :-apart], microphone.volts[:, apart:], LATE_S - 0.7),
    ):
        body = body_of(Signal(first, RATE), Signal(second, RATE))
        counted = within(body, body.hz) & (body.coherence > 0.9)
        assert body.offset_s == pytest.approx(late_s, abs=1e-4)
        assert np.sqrt(np.mean((body.db - true_db(body.hz))[counted] ** 2)) < 0.5


def test_where_nothing_agrees_nothing_is_changed() -> None:
    """0 dB a sixth of an octave beyond what agrees, in the curve and in the impulse response."""
    body = found("fingers")
    high = body.agreed[-1][1]
    beyond = body.hz > high * 2.0 ** (1 / 6)
    assert beyond.sum() > 96
    assert not body.db[beyond].any()
    spectrum = np.abs(np.fft.rfft(body.impulse, RATE))
    assert 20.0 * np.log10(spectrum[round(1.2 * high) : 20_000]) == pytest.approx(0.0, abs=0.05)


def test_the_impulse_response_is_the_curve() -> None:
    """To 0.2 dB where it agrees, below a second, and levelled for a body block to 0.1 dB."""
    body = found("strum")
    hz = np.fft.rfftfreq(8 * RATE, 1.0 / RATE)
    spectrum = np.abs(np.fft.rfft(body.impulse, hz.size * 2 - 2))
    read = 20.0 * np.log10(np.interp(body.hz, hz, spectrum))
    assert np.abs(read - body.db)[within(body, body.hz)].max() < 0.2
    assert body.impulse.size < RATE
    even = even_gain(np.interp(even_hz(), hz, spectrum).astype(complex))
    assert 20.0 * np.log10(even) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("clip", ["fingers", "strum"])
def test_in_a_body_block_it_sounds_as_the_true_one(clip: str, tmp_path: Path) -> None:
    """The other clip played through a body block with the found file and with the true modes.

    Within 1 dB in every third of an octave that agrees.
    """
    body = found(clip)
    file = tmp_path / "body.wav"
    write_float_wav(file, Signal(body.impulse, RATE))
    played = read_clip(clips.path("strum" if clip == "fingers" else "fingers")).volts
    levels = []
    for block in (Body(file=str(file), mix=1.0), Body(modes=KNOWN, mix=1.0)):
        sound = block.process(played.copy(), Moment(rate=RATE))
        centres, db = third_octaves_db(Signal(sound, RATE))
        levels.append(db)
    low, high = body.agreed[0]
    inside = (centres * 10.0**-0.05 > max(low, 75.0)) & (centres * 10.0**0.05 < high)
    off = (levels[0] - levels[1])[inside]
    print(f"{clip}: off by {np.abs(off).max():.2f} dB at most in {inside.sum()} bands")
    assert inside.sum() >= 15
    assert np.abs(off).max() < 1.0


def test_more_noise_is_told() -> None:
    """At -20 dB less agrees, and the coherence says so: what it leaves is within 3 dB."""
    loud = body_of(*recorded("strum", noise_db=-20.0))
    quiet = found("strum")
    assert within(loud, loud.hz).sum() < 0.7 * within(quiet, quiet.hz).sum()
    assert loud.coherence.mean() < quiet.coherence.mean() - 0.2
    counted = within(loud, loud.hz) & (loud.coherence > 0.9)
    assert np.abs(loud.db - true_db(loud.hz))[counted].max() < 3.0


@pytest.mark.parametrize("other", ["fingers", "arpeggio"])
def test_unrelated_recordings_are_refused(other: str) -> None:
    with pytest.raises(ClipError, match="too little in common"):
        body_of(recorded("strum")[0], recorded(other)[1])


def test_the_same_playing_another_time_is_unrelated() -> None:
    pickup, microphone = recorded("strum")
    with pytest.raises(ClipError, match="at the same time"):
        body_of(
            Signal(pickup.volts[:, 3 * RATE :], RATE),
            Signal(microphone.volts[:, : -3 * RATE], RATE),
        )


def test_recordings_of_two_rates_are_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="one rate"):
        body_of(recorded("strum")[0], recorded("strum", 44_100)[1])
