"""In which part of the music two sounds differ, and at which moment."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from simchain.decide.ear import QUANTILES, Ear, Heard
from simchain.decide.where import when, where
from simchain.measure.excitation import CENTRES_HZ
from tests.references.graded_pairs import filtered, played, shelf

RATE = 48_000


def heard(sound: np.ndarray) -> list[Heard]:
    return [Ear(sound[None], RATE).heard()[0]]


def notes() -> np.ndarray:
    """Eight notes of pinkish noise that fall off, ten seconds in all."""
    t = np.arange(10 * RATE) / RATE
    white = np.random.default_rng(5).standard_normal(t.size)
    pinkish = sosfiltfilt(butter(1, (200.0, 1500.0), "bandpass", fs=RATE, output="sos"), white)
    return pinkish * np.exp(-3.0 * (t % 1.25))


@pytest.mark.parametrize("moments", ["soft", "loud", "all"])
@pytest.mark.parametrize("expected", ["low", "middle", "high", "all"])
def test_every_part(moments: str, expected: str) -> None:
    """3 dB in one part of the levels, 0.2 dB of anything elsewhere."""
    (plain,) = heard(notes())
    bands = {"low": CENTRES_HZ < 250, "high": CENTRES_HZ > 2500, "all": CENTRES_HZ > 0}
    bands["middle"] = ~bands["low"] & ~bands["high"]
    times = {"soft": QUANTILES < 0.41, "loud": QUANTILES > 0.59, "all": QUANTILES > 0}
    part = np.outer(times[moments], bands[expected])
    off = 0.2 * np.random.default_rng(3).standard_normal(part.shape)
    other = replace(plain, levels_db=plain.levels_db + np.where(part, 3.0, off))
    found, back = where([plain], [other]), where([other], [plain])
    if (moments, expected) == ("all", "all"):
        assert found is None
        return
    assert found is not None
    assert (found.moments, found.range) == (moments, expected)
    assert found.change_db == pytest.approx(3.0, abs=0.05)
    assert back == found._replace(change_db=-found.change_db)


def test_more_treble_is_high() -> None:
    sound = played("riff")[0]
    found = where(heard(sound), heard(filtered(shelf(3000, 0.7, 4.0))(sound[None])[0]))
    assert found is not None
    assert (found.range, found.moments) == ("high", "all")
    assert 1.0 < found.change_db < 4.0


def test_soft_moments() -> None:
    sound = notes()
    fall = np.exp(-3.0 * (np.arange(sound.size) / RATE % 1.25))
    found = where(heard(sound), heard(np.where(fall < 0.15, 0.5 * sound, sound)))
    assert found is not None
    assert (found.moments, found.range) == ("soft", "all")
    assert found.change_db == pytest.approx(-6.02, abs=0.7)


@pytest.mark.parametrize(("hz", "expected"), [(120.0, "low"), (900.0, "middle"), (6000.0, "high")])
@pytest.mark.parametrize("at_s", [0.5, 3.21])
def test_when_a_blip_stands_out(hz: float, expected: str, at_s: float) -> None:
    t = np.arange(5 * RATE) / RATE
    sound = 0.02 * np.random.default_rng(2).standard_normal(t.size)
    blip = 0.5 * np.sin(2 * np.pi * hz * t) * np.exp(-(((t - at_s) / 0.015) ** 2))
    found = when(heard(sound), heard(sound + blip))
    assert found.at_s == pytest.approx(at_s, abs=0.03)
    assert found.range == expected
    assert when(heard(sound + blip), heard(sound)) == found
