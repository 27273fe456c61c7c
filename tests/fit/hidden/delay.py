"""A delay of another make, in three voices, from what each is: no kernel of simchain's.

clean: repeats as a geometric sum over the whole sound's spectrum, exact between frames.
bucket-brigade and tape: a loop sample by sample at eight times the rate. Compander 2 to 1 about -6
dBu with 20 ms, band limits, coupling and soft buckets; a tape's saturation, treble, head bump and
unsteady speed: the figures of simchain's documentation, which are common practice without a source.
A tape's wow, flutter and wandering have phases of its own.
"""

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

from tests.fit.hidden.oversampled import FAST, RATE, down, ratio, up

Floats = NDArray[np.float64]

DIGITAL_CEILING_VOLTS = 0.7746 * 10.0 ** (9.0 / 20.0) * math.sqrt(2.0)  # +9 dBu, converters
ANALOGUE_CEILING_VOLTS = 3.5  # 9 V, half of it less a volt
OUTPUT_OHM, INTO_OHM = 500.0, 1e6
BUCKETS = 8192
COMPANDER_VOLTS = 0.7746 * 10.0 ** (-6.0 / 20.0) * 2.0 * math.sqrt(2.0) / math.pi
WOW, FLUTTER, WANDERING = (0.7, 25.0), (6.5, 12.0), ((1.0, 15.0), 5.0)  # Hz, cents at flutter 1
SWAY_HZ = 500
TURNS = (0.0, 0.33, 0.66)

BOUNDS = {
    "time_ms": ("share", 0.01),
    "feedback": ("", 0.03),
    "mix": ("", 0.03),
    "tone_hz": ("share", 0.05),
    "level_db": ("db", 0.3),
    "flutter": ("share", 0.1),
}


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have; the voice is one of three in turn of chance."""
    voice = str(rng.choice(["clean", "bucket-brigade", "tape"]))
    given = {
        "voice": voice,
        "time_ms": float(np.exp(rng.uniform(np.log(20.0), np.log(1500.0)))),
        "feedback": float(rng.uniform(0.0, 0.9 if voice == "clean" else 0.8)),
        "mix": float(rng.uniform(0.1, 0.7)),
        "tone_hz": float(np.exp(rng.uniform(np.log(800.0), np.log(12e3)))),
        "level_db": float(rng.uniform(-6.0, 3.0)),
    }
    if voice == "tape":
        given |= {"flutter": float(rng.uniform(0.05, 0.6)), "swayed_by": int(rng.integers(1000))}
    return given


def board(given: dict[str, Any]) -> dict[str, Any]:
    """Return what the user knows: which of the three voices it is."""
    return {"voice": given["voice"]}


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return found and true values, of what the recording could tell: all."""
    names = ["time_ms", "feedback", "mix", "tone_hz", "level_db"]
    return {name: (found[name], given[name]) for name in names + ["flutter"] * ("flutter" in given)}


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    voices = {"clean": _clean, "bucket-brigade": _buckets, "tape": _tape}
    wet = voices[given["voice"]](volts, given)
    turn = 0.5 * math.pi * given["mix"]
    made = math.cos(turn) * volts + math.sin(turn) * wet
    ceiling = (
        ANALOGUE_CEILING_VOLTS if given["voice"] == "bucket-brigade" else DIGITAL_CEILING_VOLTS
    )
    if np.abs(made).max() > 0.95 * ceiling:
        made = down(np.clip(up(made), -ceiling, ceiling))
    return made * ratio(given["level_db"]) * (INTO_OHM / (INTO_OHM + OUTPUT_OHM))


def _clean(volts: Floats, given: dict[str, Any]) -> Floats:
    """Sum of feedback^(k-1) (F D)^k for all k whose repeat begins within the sound."""
    frames = given["time_ms"] / 1e3 * RATE
    count = max(1, math.ceil(volts.size / frames))
    length = 1 << math.ceil(math.log2(volts.size + (count + 1) * frames))
    hz = np.fft.rfftfreq(length, 1.0 / RATE)
    once = np.exp(-2j * np.pi * hz * given["time_ms"] / 1e3) / (1.0 + 1j * hz / given["tone_hz"])
    again = given["feedback"] * once
    wet = once * (1.0 - again**count) / (1.0 - again)
    return np.asarray(np.fft.irfft(np.fft.rfft(volts, length) * wet, length)[: volts.size])


def _buckets(volts: Floats, given: dict[str, Any]) -> Floats:
    time_s = given["time_ms"] / 1e3
    corner = min(max(BUCKETS / (2.0 * time_s) / 3.0, 1e3), 10e3)
    low_pass = butter(3, corner, fs=FAST, output="sos")
    out = np.array([*_high_pass(30.0), *_low_pass(given["tone_hz"])])
    late = (time_s - 4.0 / (2.0 * np.pi * corner)) * FAST
    wet = _companded(
        up(volts), low_pass, out, late, given["feedback"], math.exp(-1.0 / (0.02 * FAST))
    )
    return down(wet)


def _tape(volts: Floats, given: dict[str, Any]) -> Floats:
    treble = butter(2, 8e3, fs=FAST, output="sos")
    bump_w = 2.0 * np.pi * 90.0 / math.sqrt(2.0)  # Q of 1: 1.25 dB at 90 Hz
    bump = _second([1.0, 0.0, 0.0], [1.0, bump_w, bump_w**2])
    tone = np.array([*_low_pass(given["tone_hz"])])
    late_s = given["time_ms"] / 1e3 - math.sqrt(2.0) / (2.0 * np.pi * 8e3)
    # Played another time, a motor wavers in another way.
    seed = given["swayed_by"] + round(1000 * given.get("phase", 0.0))
    late = FAST * (late_s + _sway(volts.size / RATE, given["flutter"], seed))
    return down(_taped(up(volts), np.vstack((treble, bump)), tone, late, given["feedback"]))


def _sway(lasts_s: float, share: float, seed: int) -> Floats:
    """Return what is added to a tape's delay, in seconds, at 500 Hz and a bit beyond the end."""
    rng = np.random.default_rng(seed)
    times = np.arange(math.ceil(lasts_s * SWAY_HZ) + 4) / SWAY_HZ
    sway = np.zeros(times.size)
    for hz, cents in (WOW, FLUTTER):
        depth = math.expm1(math.log(2.0) * cents / 1200.0) / (2.0 * np.pi * hz)
        sway += depth * np.sin(2.0 * np.pi * (hz * times + rng.uniform()))
    (low, high), cents = WANDERING
    run_in = 10 * SWAY_HZ
    bent = sosfilt(
        butter(1, (low, high), "bandpass", fs=SWAY_HZ, output="sos"),
        rng.standard_normal(times.size + run_in),
    )[run_in:]
    bent *= math.log(2.0) * cents / 1200.0 / np.sqrt(np.mean(np.square(bent)))
    wandered = np.cumsum(bent) / SWAY_HZ
    wandered = lfilter(*butter(1, 0.1, "highpass", fs=SWAY_HZ), wandered)
    return np.asarray(share * (sway + wandered - wandered.mean()))


def _low_pass(hz: float) -> tuple[float, float, float]:
    """Return b0, b1, -a1 of a first-order low-pass by the bilinear transform."""
    warped = math.tan(math.pi * hz / FAST)
    return warped / (1.0 + warped), warped / (1.0 + warped), (1.0 - warped) / (1.0 + warped)


def _high_pass(hz: float) -> tuple[float, float, float]:
    warped = math.tan(math.pi * hz / FAST)
    return 1.0 / (1.0 + warped), -1.0 / (1.0 + warped), (1.0 - warped) / (1.0 + warped)


def _second(above: list[float], below: list[float]) -> Floats:
    from scipy.signal import bilinear

    b, a = bilinear(above, below, FAST)
    return np.concatenate((b, a))


@njit(cache=True)
def _biquad(x: float, sos: Floats, state: Floats) -> float:
    for k in range(sos.shape[0]):
        y = sos[k, 0] * x + state[k, 0]
        state[k, 0] = sos[k, 1] * x - sos[k, 4] * y + state[k, 1]
        state[k, 1] = sos[k, 2] * x - sos[k, 5] * y
        x = y
    return float(x)


@njit(cache=True)
def _first(x: float, section: Floats, state: Floats) -> float:
    y = section[0] * x + section[1] * state[0] + section[2] * state[1]
    state[0], state[1] = x, y
    return float(y)


@njit(cache=True)
def _companded(
    dry: Floats, low_pass: Floats, out: Floats, late: float, feedback: float, keeps: float
) -> Floats:
    """Buckets between a compressor and an expander, sample by sample."""
    unity = 0.34948
    floor = unity / math.sqrt(1000.0)
    held, wet = np.zeros(dry.size), np.zeros(dry.size)
    before, after = np.zeros((2, 2)), np.zeros((2, 2))
    coupling, tone = np.zeros(2), np.zeros(2)
    small, large = floor, floor
    whole = int(late)
    rest = late - whole
    for n in range(dry.size):
        at = n - whole
        if at >= 1:
            wet[n] = (1.0 - rest) * held[at] + rest * held[at - 1]
        x = (dry[n] + feedback * wet[n]) * unity / small
        small = max(floor, keeps * small + (1.0 - keeps) * abs(x))
        x = _biquad(x, low_pass, before)
        x = x / math.sqrt(1.0 + (x / 2.0) ** 2)
        x = _biquad(x, low_pass, after)
        y = x * large / unity
        large = max(floor, keeps * large + (1.0 - keeps) * abs(x))
        held[n] = _first(_first(y, out[:3], coupling), out[3:], tone)
    return wet


@njit(cache=True)
def _taped(dry: Floats, sos: Floats, tone: Floats, late: Floats, feedback: float) -> Floats:
    """A tape whose heads stand `late` frames apart, (points,) at 500 Hz, sample by sample."""
    held, wet = np.zeros(dry.size), np.zeros(dry.size)
    state, toned = np.zeros((sos.shape[0], 2)), np.zeros(2)
    points = dry.size / (late.size - 4)
    for n in range(dry.size):
        place = n / points
        k = int(place)
        read = n - (late[k] + (place - k) * (late[k + 1] - late[k]))
        at = math.floor(read)
        if at >= 0:
            rest = read - at
            wet[n] = (1.0 - rest) * held[at] + rest * held[at + 1]
        x = dry[n] + feedback * wet[n]
        x = x / math.sqrt(1.0 + (x / 2.084) ** 2)
        held[n] = _first(_biquad(x, sos, state), tone, toned)
    return wet
