"""The reverb's motion and shimmer: what moves, and that the tail still falls as told."""

from typing import Any

import numpy as np
import pytest

from simchain.blocks.base import Moment
from simchain.blocks.reverb import Reverb

RATE = 48_000
BARE: dict[str, Any] = {
    "mix": 1,
    "low_cut_hz": 0,
    "predelay_ms": 0,
    "latency_ms": 0,
    "damping_hz": 0,
}


def impulse_response(rate: int, seed: int, **given: Any) -> np.ndarray:
    unit = Reverb.model_validate(BARE | given)
    impulse = np.zeros((1, round((0.9 * unit.decay_s + 0.3) * rate)))
    impulse[0, 0] = 1.0
    return unit.process(impulse, Moment(rate, seed))[0]


def t30_s(row: np.ndarray, rate: int) -> float:
    left = np.cumsum(row[::-1] ** 2)[::-1]
    level = 10 * np.log10(left / left[0])
    used = np.flatnonzero((level <= -5) & (level >= -35))
    return -60 / float(np.polyfit(used / rate, level[used], 1)[0])


@pytest.mark.parametrize("rate", [44_100, 96_000])
@pytest.mark.parametrize("decay_s", [0.3, 1.0, 1.8, 8.0])
def test_t30_is_decay_s_however_it_moves(decay_s: float, rate: int) -> None:
    """Motion within 5 %, shimmer within 10 %, on and off together and at each end."""
    for motion, shimmer, within in ((1, 0, 0.05), (0, 0.25, 0.1), (1, 0.5, 0.1), (0, 1, 0.1)):
        errors = [
            t30_s(
                impulse_response(rate, seed, decay_s=decay_s, motion=motion, shimmer=shimmer), rate
            )
            / decay_s
            - 1
            for seed in range(3)
        ]
        worst = max(errors, key=abs)
        print(
            f"{decay_s} s at {rate}, motion {motion}, shimmer {shimmer}: T30 {100 * worst:+.2f} %"
        )
        assert abs(worst) < within


def tail_spectrum(shimmer: float, hz: float = 440.0) -> tuple[np.ndarray, np.ndarray]:
    """Two seconds from half a second on, of a 3 s tail after a burst of 0.3 s."""
    x = np.zeros((1, 3 * RATE))
    t = np.arange(round(0.3 * RATE)) / RATE
    x[0, : t.size] = np.sin(2 * np.pi * hz * t) * np.hanning(t.size)
    tail = Reverb(decay_s=3, mix=1, shimmer=shimmer).process(x, Moment(RATE, 1))[0, RATE // 2 :]
    return np.fft.rfftfreq(1 << 18, 1 / RATE), np.abs(
        np.fft.rfft(tail * np.hanning(tail.size), 1 << 18)
    ) ** 2


@pytest.mark.parametrize("shimmer", [0.3, 0.5, 1.0])
def test_octaves_of_a_burst(shimmer: float) -> None:
    """880 and 1760 Hz within 1 %, well above what the still room leaves there."""
    hz, power = tail_spectrum(shimmer)
    still = tail_spectrum(0.0)[1]
    first = power[np.abs(hz - 440) < 44].sum()
    for octave in (880, 1760):
        band = np.abs(hz - octave) < 0.1 * octave
        strongest = hz[band][np.argmax(power[band])]
        middle = np.sum(hz[band] * power[band]) / np.sum(power[band])
        level = 10 * np.log10(power[band].sum() / first)
        print(
            f"shimmer {shimmer}: {octave} Hz strongest at {strongest:.1f}, centre {middle:.1f}, "
            f"{level:+.1f} dB against 440 Hz"
        )
        assert strongest == pytest.approx(octave, rel=0.01)
        assert middle == pytest.approx(octave, rel=0.01)
        assert level > -20
        assert power[band].sum() > 1e6 * still[band].sum()


def test_what_folds_back_lies_far_down() -> None:
    """A 17 kHz burst would come back at 44.1 - 34 = 10.1 kHz: kept out by the split."""
    rate = 44_100
    x = np.zeros((1, 2 * rate))
    t = np.arange(rate // 2) / rate
    x[0, : t.size] = np.sin(2 * np.pi * 17_000 * t) * np.hanning(t.size)
    unit = Reverb.model_validate(BARE | {"shimmer": 1.0})
    made = unit.process(x, Moment(rate, 1))[0]
    power = np.abs(np.fft.rfft(made * np.hanning(made.size))) ** 2
    hz = np.fft.rfftfreq(made.size, 1 / rate)
    folded = power[(hz > 1000) & (hz < 12_000)].sum() / power[np.abs(hz - 17_000) < 400].sum()
    print(f"17 kHz comes back below 12 kHz at {10 * np.log10(folded):.1f} dB")
    assert 10 * np.log10(folded) < -70


def test_motion_spreads_a_note_and_keeps_its_pitch() -> None:
    """A tail of 3 s in a still room keeps the note's own few modes; swaying lines blur them."""
    spread = []
    for motion in (0.0, 1.0):
        x = np.zeros((1, 4 * RATE))
        t = np.arange(2 * RATE) / RATE
        x[0, : t.size] = np.sin(2 * np.pi * 1000 * t)
        made = Reverb(decay_s=3, mix=1, motion=motion).process(x, Moment(RATE, 1))[0]
        part = made[RATE : 2 * RATE] * np.hanning(RATE)
        power = np.abs(np.fft.rfft(part, 1 << 18)) ** 2
        hz = np.fft.rfftfreq(1 << 18, 1 / RATE)
        middle = np.sum(hz * power) / power.sum()
        spread.append(power[np.abs(hz - 1000) > 2.5].sum() / power.sum())
        assert middle == pytest.approx(1000, rel=0.003)
    print(f"outside ±2.5 Hz of a held 1 kHz: still {spread[0]:.1e}, moving {spread[1]:.1e}")
    assert spread[0] < 0.001
    assert spread[1] > 0.01


@pytest.mark.parametrize("given", [{"motion": 1.0}, {"shimmer": 0.5}, {"motion": 1, "shimmer": 1}])
def test_short_and_long_clips_agree(given: dict[str, Any]) -> None:
    x = np.random.default_rng(3).normal(size=(1, 60_000))
    unit = Reverb.model_validate(given)
    whole = unit.process(x, Moment(RATE, 4))
    for frames in (1, 2, 1033, 45_678):
        assert np.array_equal(unit.process(x[:, :frames], Moment(RATE, 4)), whole[:, :frames])


def test_phase_comes_from_the_seed_and_the_turn() -> None:
    x = np.zeros((1, RATE))
    x[0, 0] = 1.0
    unit = Reverb.model_validate(BARE | {"motion": 1})
    one, again, turned, full = (
        unit.process(x, Moment(RATE, 1, turn)) for turn in (0.2, 0.2, 0.7, 1.2)
    )
    assert np.array_equal(one, again)
    assert np.abs(one - turned).max() > 0.1 * np.abs(one).max()
    assert np.abs(one - full).max() < 1e-2 * np.abs(one).max()


def test_two_channels_and_extremes() -> None:
    x = np.random.default_rng(1).uniform(-20, 20, size=(2, 30_000))
    for rate in (44_100, 192_000):
        for decay_s in (0.05, 0.2, 60.0):
            unit = Reverb(decay_s=decay_s, inputs=2, outputs=2, motion=1, shimmer=1, size=0)
            made = unit.process(x, Moment(rate, 2))
            assert np.isfinite(made).all()
            assert not unit.process(np.zeros((2, 5000)), Moment(rate, 2)).any()


def test_only_what_moves_is_not_linear() -> None:
    assert Reverb().is_lti()
    assert not Reverb(motion=0.1).is_lti()
    assert not Reverb(shimmer=0.1).is_lti()
    assert Reverb(shimmer=0.1, mix=0).is_lti()
