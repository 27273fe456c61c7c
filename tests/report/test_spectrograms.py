"""Spectrograms of a passage: a change that is known is found where and when it is."""

import numpy as np
import pytest

from simchain.measure.spectrogram import spectrogram
from simchain.report.spectrograms import WINDOW_S, change_db, spectrograms
from simchain.signal import Signal
from tests.report.test_plots import words_of

RATE = 48_000
TIME = np.arange(2 * RATE) / RATE


def chord(lift_db: float, soft_db: float = 0.0) -> Signal:
    """200 Hz throughout and 1 kHz, from 1 s on `lift_db` louder; 5 kHz at `soft_db`."""
    lift = np.where(TIME < 1.0, 1.0, 10 ** (lift_db / 20))
    soft = 10 ** (soft_db / 20)
    parts = (1.0, 200), (lift, 1000), (soft, 5000)
    return Signal(0.1 * sum(gain * np.sin(2 * np.pi * hz * TIME) for gain, hz in parts), RATE)


def change(a: Signal, b: Signal, hz: float, second: float) -> float:
    first, other = (spectrogram(one, WINDOW_S) for one in (a, b))
    centres, found = change_db(first, other)
    row = int(np.argmin(np.abs(np.log(centres / hz))))
    return float(found[row, int(np.argmin(np.abs(first.seconds - second)))])


def test_a_change_is_found_in_its_third_of_an_octave_and_its_second():
    a, b = chord(0.0), chord(6.0)
    assert change(a, b, 1000, 1.5) == pytest.approx(6.0, abs=0.01)
    assert change(a, b, 1000, 0.5) == pytest.approx(0.0, abs=0.01)
    assert change(a, b, 200, 1.5) == pytest.approx(0.0, abs=0.01)
    assert change(b, a, 1000, 1.5) == pytest.approx(-6.0, abs=0.01)


def test_what_is_soft_in_both_fades():
    """5 kHz is 6 dB louder in the second, 20, 40 and 60 dB below the rest: in full, less, none."""
    found = [change(chord(0, soft), chord(0, soft + 6), 5000, 1.0) for soft in (-26, -46, -66)]
    assert found[0] == pytest.approx(6.0, abs=0.01)
    assert 0.5 < found[1] < 5.0
    assert found[2] == 0.0


def test_the_picture_names_orders_and_says_where_nothing_changes():
    sounds = {"series": chord(0), "louder": chord(6), "same": chord(0)}
    words = words_of(spectrograms(sounds, title="Board: riff $", form="svg"))
    for word in ("Board: riff $", "A  series", "B  louder, against A", "more in A | in C, dB"):
        assert word in words
    assert words.count("nowhere 0.1 dB from A") == 1
    assert spectrograms(sounds, title="t") == spectrograms(sounds, title="t")


def test_silence_and_the_shortest_of_sounds_are_drawn():
    for volts in (np.zeros((2, RATE)), np.ones((1, 1))):
        sounds = {"a": Signal(volts, RATE), "b": Signal(volts, RATE)}
        assert spectrograms(sounds, title="t").startswith(b"\x89PNG")
    with pytest.raises(ValueError, match="png or svg, not gif"):
        spectrograms(sounds, title="t", form="gif")
