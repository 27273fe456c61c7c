"""The body: closed forms of its resonances, its loudness, and impulse responses."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile
from pydantic import ValidationError
from scipy.optimize import brentq

from simchain import clips
from simchain.blocks.base import Moment
from simchain.blocks.body import USUAL_MODES, Body, even_gain, even_hz, modal_response
from simchain.signal import read_clip

RATE = 48_000
HZ = np.geomspace(30, 10_000, 120)


def impulse_response(unit: Body, rate: int = RATE) -> np.ndarray:
    volts = np.zeros((1, rate))
    volts[0, 0] = 1
    return unit.process(volts, Moment(rate))[0]


def level_db(response: np.ndarray, hz: float, rate: int = RATE) -> float:
    turns = np.exp(-2j * np.pi * hz * np.arange(response.size) / rate)
    return float(20 * np.log10(abs(response @ turns)))


def analogue(modes: list[dict[str, float]], hz: np.ndarray) -> np.ndarray:
    """Sum of 10^(db/20) (s w/q) / (s^2 + s w/q + w^2), typed in here from the definition."""
    s = 2j * np.pi * hz
    total = np.zeros(hz.shape, dtype=complex)
    for mode in modes:
        w = 2 * np.pi * mode["hz"]
        band = s * w / mode["q"]
        total += 10 ** (mode["db"] / 20) * band / (s * s + band + w * w)
    return total


def even(response: np.ndarray, hz: np.ndarray) -> float:
    """Power kept of a spectrum falling as 1/f^2, by the trapezium rule."""
    return float(
        np.sqrt(np.trapezoid(hz**-2.0, hz) / np.trapezoid(np.abs(response) ** 2 * hz**-2.0, hz))
    )


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("mix", [0.3, 0.5, 1.0])
def test_modes_side_by_side_with_the_dry(mix: float, rate: int) -> None:
    unit = Body(mix=mix)
    modes = [mode.model_dump() for mode in unit.modes]
    fine = np.geomspace(80, 20e3, 200_001)
    gain = even(analogue(modes, fine), fine)
    truth = 20 * np.log10(np.abs(1 - mix + mix * gain * analogue(modes, HZ)))
    response = impulse_response(unit, rate)
    found = np.array([level_db(response, hz, rate) for hz in HZ])
    # Between two modes the body nearly vanishes; there it is compared with what is around it.
    heard = truth > truth.max() - 60
    off = np.max(np.abs(found - truth)[heard])
    print(f"{rate} Hz, mix {mix:g}: worst {off:.4f} dB; gain {20 * np.log10(gain):.3f} dB")
    assert heard.sum() > 90
    assert off < 0.03


@pytest.mark.parametrize("rate", [44_100, 96_000])
@pytest.mark.parametrize(("hz", "q"), [(98.0, 10.0), (550.0, 25.0)])
def test_a_mode_is_a_resonance(hz: float, q: float, rate: int) -> None:
    """Width hz / q at 3.01 dB, and amplitude exp(-pi hz t / q): closed forms, references §6."""
    unit = Body.model_validate({"modes": [{"hz": hz, "q": q}], "mix": 1})
    response = impulse_response(unit, rate)
    top = level_db(response, hz, rate) + 10 * np.log10(0.5)
    below = brentq(lambda at: level_db(response, at, rate) - top, hz * 0.8, hz * 0.999)
    above = brentq(lambda at: level_db(response, at, rate) - top, hz * 1.001, hz * 1.25)
    period = rate / hz
    late = response[round(3 * period) : round(23 * period)]
    halves = late[: late.size // 2], late[late.size // 2 : late.size // 2 * 2]
    fell = 0.5 * np.log(np.sum(halves[0] ** 2) / np.sum(halves[1] ** 2))
    rings_s = late.size // 2 / rate / fell
    print(f"{rate} Hz: {below:.3f} to {above:.3f} Hz, rings {1e3 * rings_s:.2f} ms to 1/e")
    assert above - below == pytest.approx(hz / q, rel=0.01)
    assert rings_s == pytest.approx(q / (np.pi * hz), rel=0.01)


def test_only_levels_beside_each_other_count() -> None:
    volts = np.random.default_rng(5).normal(size=(1, 400))
    modes = [mode.model_dump() for mode in USUAL_MODES]
    louder = [mode | {"db": mode["db"] + 20} for mode in modes]
    plain = Body().process(volts, Moment(RATE))
    assert Body.model_validate({"modes": louder}).process(volts, Moment(RATE)) == (
        pytest.approx(plain, rel=1e-9, abs=1e-12)
    )


@pytest.mark.parametrize("clip", ["fingers", "strum"])
def test_mix_hardly_changes_the_loudness(clip: str) -> None:
    """ITU-R BS.1770 by pyloudnorm: within 1.5 LU of the dry sound at any mix."""
    dry = read_clip(clips.path(clip))
    meter = pyloudnorm.Meter(dry.rate, filter_class="DeMan")
    loudness = [
        meter.integrated_loudness(Body(mix=mix).process(dry.volts, Moment(dry.rate)).T)
        for mix in (0, 0.25, 0.5, 0.75, 1)
    ]
    change = np.array(loudness) - loudness[0]
    print(f"{clip}: {np.round(change, 2)} LU at mix 0, 1/4, 1/2, 3/4, 1")
    assert np.abs(change).max() < 1.5
    assert np.abs(change).max() > 0.05


def test_even_gain_of_a_wire_is_one() -> None:
    hz = even_hz()
    assert even_gain(np.ones(hz.shape, dtype=complex)) == pytest.approx(1, rel=1e-12)
    assert even_gain(np.full(hz.shape, 0.1j)) == pytest.approx(10, rel=1e-12)


def test_dry_alone_is_a_wire() -> None:
    volts = np.random.default_rng(4).normal(size=(1, 100))
    out = Body(mix=0).process(volts, Moment(RATE))
    assert np.array_equal(out, volts)
    assert not np.shares_memory(out, volts)


def test_latency_is_the_bodys_alone() -> None:
    volts = np.random.default_rng(6).normal(size=(1, 2000))
    at_once = Body(mix=1).process(volts, Moment(RATE))
    late = Body(mix=1, latency_ms=2).process(volts, Moment(RATE))
    assert not late[0, :96].any()
    assert late[0, 96:] == pytest.approx(at_once[0, :-96], rel=1e-12)
    assert np.array_equal(Body(latency_ms=50).process(volts, Moment(RATE)), 0.5 * volts)
    assert Body().wet_latency_s == 0


def write_response(path: Path, response: np.ndarray, rate: int = RATE) -> str:
    soundfile.write(path, response, rate, subtype="FLOAT")
    return str(path)


@pytest.mark.parametrize("level", [1.0, 0.01])
def test_a_file_stands_in_for_modes(tmp_path: Path, level: float) -> None:
    """The modes' own response as a file, at any level, is the modes."""
    modes = impulse_response(Body(mix=1))
    file = write_response(tmp_path / "body.wav", level * modes[: RATE // 2])
    volts = np.random.default_rng(7).normal(size=(1, 6000))
    by_file = Body(file=file).process(volts, Moment(RATE))
    by_modes = Body().process(volts, Moment(RATE))
    off = 20 * np.log10(np.abs(by_file - by_modes).max() / np.abs(by_modes).max())
    print(f"file against modes: {off:.1f} dB")
    assert off < -60


def test_a_file_is_as_loud_at_half_the_rate(tmp_path: Path) -> None:
    """As the quick pass of a search runs it: half of that rate ends below 20 kHz."""
    file = write_response(tmp_path / "body.wav", impulse_response(Body(mix=1))[: RATE // 2])
    rms = []
    for rate in (RATE, RATE // 2):
        tone = np.sin(2 * np.pi * 200 * np.arange(rate) / rate)[np.newaxis]
        rms.append(np.std(Body(file=file, mix=1).process(tone, Moment(rate))[0, rate // 2 :]))
    assert 20 * np.log10(rms[1] / rms[0]) == pytest.approx(0, abs=0.05)


def test_a_file_is_linear_and_keeps_channels_apart(tmp_path: Path) -> None:
    random = np.random.default_rng(8)
    file = write_response(
        tmp_path / "body.wav", random.normal(size=300) * np.geomspace(1, 0.01, 300)
    )
    one, other = random.normal(size=(2, 2, 700))
    unit = Body(file=file, inputs=2, outputs=2)
    parts = 0.5 * unit.process(one, Moment(RATE)) - 3 * unit.process(other, Moment(RATE))
    assert unit.process(0.5 * one - 3 * other, Moment(RATE)) == pytest.approx(parts, abs=1e-10)
    alone = Body(file=file).process(one[:1], Moment(RATE))
    assert unit.process(one, Moment(RATE))[0] == pytest.approx(alone[0], abs=1e-10)
    assert not unit.process(np.zeros((2, 50)), Moment(RATE)).any()


def test_modes_and_file_contradict_each_other() -> None:
    with pytest.raises(ValidationError, match="modes and file contradict each other"):
        Body.model_validate({"modes": [{"hz": 100}], "file": "/body.wav"})
    unit = Body(file="/body.wav")
    assert Body.model_validate(json.loads(unit.model_dump_json())) == unit


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"modes": []}, "at least 1 item"),
        ({"modes": [{"hz": 100}] * 17}, "at most 16"),
        ({"modes": [{"q": 3}]}, r"modes\.0\.hz\s+Field required"),
        ({"modes": [{"hz": 100, "gain": 3}]}, r"modes\.0\.gain\s+Extra inputs"),
        ({"modes": [{"hz": 100, "q": 0.5}]}, r"modes\.0\.q"),
        ({"mix": 1.5}, "mix"),
    ],
)
def test_what_is_refused(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Body.model_validate(given)


def test_a_mode_too_high_for_the_rate_is_named() -> None:
    unit = Body.model_validate({"modes": [{"hz": 100}, {"hz": 19_900}]})
    assert unit.refused_at(48_000) is None
    assert unit.refused_at(44_100) == (
        "modes, entry 2, hz = 19900 is too high for rate = 44100: below 19845 Hz is allowed"
    )


def test_electrical_data() -> None:
    unit = Body()
    assert (unit.input_ohm, unit.output_ohm, unit.current_ma) == (1e6, 200, 100)
    assert (unit.noise_out_uv, unit.bypass, unit.is_digital) == (25, "buffered", True)
    assert unit.ceiling_volts == pytest.approx(3.09, abs=0.01)
    assert unit.is_lti()
    assert modal_response(unit.modes, np.array([100.0]))[0] == pytest.approx(1, abs=0.1)
