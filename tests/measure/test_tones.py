"""Tones for injection: level, whole cycles, and a stretch that repeats itself."""

import math

import numpy as np
import pytest

from simchain.measure.level import level_of
from simchain.measure.tones import Tones, difference_tones, single_tone, smpte_tones
from simchain.units import dbu_to_peak_volts

RATES = (44_100, 48_000, 96_000, 192_000)


@pytest.mark.parametrize("rate", RATES)
def test_frequencies_near_those_asked_for_and_whole_odd_cycles(rate: int) -> None:
    for hz in (60.0, 108.0, 442.0, 7_000.0):
        tones = single_tone(hz, 0.0, rate)
        assert tones.hz[0] == pytest.approx(hz, abs=1.0)
        assert tones.cycles[0] % 2 == 1
        assert math.log2(tones.frames).is_integer()
        assert tones.frames >= rate


def test_level_is_that_of_a_sine_with_the_same_peak() -> None:
    """A single tone reads its level as RMS; the peaks of a pair add up to that sine's."""
    for dbu in (-40.0, 0.0, 12.0):
        tone = single_tone(997.0, dbu, 48_000)
        (level,) = level_of(tone.volts()[:, -tone.frames :])
        assert level.rms_dbu == pytest.approx(dbu, abs=1e-9)
        for pair in (smpte_tones(dbu, 48_000), difference_tones(dbu, 48_000)):
            assert sum(pair.peaks) == pytest.approx(dbu_to_peak_volts(dbu), rel=1e-12)
            highest = float(np.abs(pair.volts()).max())
            assert highest == pytest.approx(dbu_to_peak_volts(dbu), rel=0.01)


def test_pairs_as_published() -> None:
    """SMPTE RP 120: 60 Hz and 7 kHz, 4:1; difference tones 19 and 20 kHz, 1:1."""
    low, high = smpte_tones(0.0, 48_000).peaks
    assert low == pytest.approx(4.0 * high)
    assert smpte_tones(0.0, 48_000).hz == pytest.approx((60.0, 7_000.0), abs=1.0)
    low, high = difference_tones(0.0, 48_000).peaks
    assert low == high
    assert difference_tones(0.0, 48_000).hz == pytest.approx((19_000.0, 20_000.0), abs=1.0)


def test_the_spectrum_reads_the_peaks_and_nothing_else() -> None:
    tones = smpte_tones(4.0, 48_000)
    peaks = tones.spectrum(tones.volts() + 0.25)
    assert peaks[0, 0] == pytest.approx(0.25, abs=1e-12)
    for cycles, peak in zip(tones.cycles, tones.peaks, strict=True):
        assert peaks[0, cycles] == pytest.approx(peak, rel=1e-12)
    others = np.delete(peaks[0], [0, *tones.cycles])
    print(f"everything else: {20 * math.log10(others.max() / tones.peaks[0]):.0f} dB")
    assert others.max() < 1e-13


def test_any_stretch_after_settling_will_do_and_the_start_is_soft() -> None:
    tones = single_tone(220.0, 0.0, 48_000)
    volts = tones.volts(settle_s=1.0)
    assert volts.shape == (1, 48_000 + tones.frames)
    assert volts[0, 0] == 0.0
    assert np.abs(volts[0, :480]).max() < 0.002
    np.testing.assert_allclose(tones.spectrum(volts[:, :-1000]), tones.spectrum(volts), atol=1e-12)
    assert tones.volts(settle_s=0.0).shape == (1, tones.frames)


def test_each_channel_is_read() -> None:
    tones = Tones((3,), (1.0,), 64, 48_000)
    both = np.concatenate((tones.volts(0.0), -0.5 * tones.volts(0.0)))
    np.testing.assert_allclose(tones.spectrum(both)[:, 3], [1.0, 0.5], rtol=1e-12)


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match=r"19000 and 20000 Hz are no tones .* 22050 a second"):
        difference_tones(0.0, 22_050)
    with pytest.raises(ValueError, match="100 and 100 Hz are no tones apart"):
        smpte_tones(0.0, 48_000, 100.0, 100.0)
    tones = single_tone(1000.0, 0.0, 48_000)
    with pytest.raises(ValueError, match="65536 frames are measured, 100 are there"):
        tones.spectrum(np.zeros((1, 100)))
