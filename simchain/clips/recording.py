"""From the hands' work to the volts that a recording interface saw at the guitar's jack."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.clips import hands
from simchain.clips.guitars import GUITARS, Guitar, String
from simchain.clips.score import Piece
from simchain.kernels import strings as kernel

Reals = NDArray[np.float64]

RATE = 48_000
FULL_SCALE_V = math.sqrt(2.0 * 0.6 * 10.0**1.2)
BITS = 20
COUPLING_HZ = 5.0


@dataclass(frozen=True)
class Coil:
    """A magnetic pickup with its pots at full, a cable and the recording interface's input."""

    inductance_h: float = 2.6
    resistance_ohm: float = 6200.0
    capacitance_f: float = 115e-12
    cable_f: float = 500e-12
    pots_ohm: float = 125e3
    input_ohm: float = 1e6


@dataclass(frozen=True)
class Piezo:
    """A saddle piezo with a short cable into an input of 10 Mohm."""

    capacitance_f: float = 600e-12
    cable_f: float = 300e-12
    input_ohm: float = 10e6


# The top and the air of the body move the saddle a little: (hertz, Q, share); common practice, no
# source. A piezo hears far less of it than a microphone.
BODY = ((104.0, 12.0, 0.3), (203.0, 15.0, 0.35), (392.0, 18.0, 0.2), (548.0, 18.0, 0.15))


def volts(piece: Piece) -> Reals:
    """Play `piece`: volts at the jack, (frames,), 48 kHz."""
    guitar = GUITARS[piece.guitar]
    total = np.zeros(round(piece.seconds * RATE))
    for number, string in zip(range(6, 0, -1), guitar.strings, strict=True):
        total += string.gain * string_sound(piece, guitar, string, number)
    total = _through_saddle(total) if guitar.at_bridge else _through_coil(total, Coil())
    return _ends_still(_without_dc(total, COUPLING_HZ))


def string_sound(piece: Piece, guitar: Guitar, string: String, number: int) -> Reals:
    """What one string of the piece gives the pickup, before `String.gain`: (frames,)."""
    sound = np.zeros(round(piece.seconds * RATE))
    notes = hands.played(piece, number)
    if not notes:
        return sound
    rows = hands.controls(piece, guitar, string, notes, RATE)
    modes = int(guitar.limit_hz / rows[:, 0].min())
    kernel.ring(
        hands.force(piece, string, notes, RATE),
        rows,
        kernel.STEP,
        string_constants(guitar, string, 0.001 * piece.pickup_mm),
        np.zeros((2, kernel.WORK_ROWS, modes)),
        sound,
    )
    return sound


def string_constants(guitar: Guitar, string: String, pickup_m: float) -> Reals:
    """The row of `simchain.kernels.strings.STRING` for one string."""
    return np.array(
        [
            RATE,
            string.stiffness * guitar.scale_m**2,
            string.loss_flat,
            string.loss_slope,
            string.loss_square,
            guitar.slow_ratio,
            guitar.side_detune,
            guitar.side_pickup,
            pickup_m,
            guitar.aperture_m,
            float(guitar.at_bridge),
            guitar.limit_hz,
        ]
    )


def samples(piece: Piece) -> NDArray[np.int32]:
    """The clip as 24-bit numbers in the high bits of 32, with the low 4 bits of 24 at 0.

    20 bits with triangular dither put the floor at -105 dBu, little above the hiss of a pickup and
    an interface; four more bits would only store noise.
    """
    scaled = volts(piece) * (2.0 ** (BITS - 1) / FULL_SCALE_V)
    chance = hands.Chance(piece.seed + 1)
    dither = 0.5 * (chance.draw(scaled.size) + chance.draw(scaled.size))
    return np.rint(scaled + dither).astype(np.int32) << (32 - BITS)


def flac(piece: Piece) -> bytes:
    """The clip as a 24-bit mono FLAC file."""
    import io

    import soundfile

    content = io.BytesIO()
    soundfile.write(content, samples(piece), RATE, format="FLAC", subtype="PCM_24")
    return content.getvalue()


def coil_poles(coil: Coil) -> tuple[float, float, float]:
    """Resonance in rad/s, its Q, and the gain at 0 Hz of the loaded pickup.

    w0 = sqrt((1 + Rs/Rp) / (L C)), Q = w0 / (Rs/L + 1/(Rp C)), dc = 1 / (1 + Rs/Rp), with L and Rs
    in series, C and Rp across them: two-pole circuit theory (references, Electronics).
    """
    farad = coil.capacitance_f + coil.cable_f
    load = 1.0 / (1.0 / coil.pots_ohm + 1.0 / coil.input_ohm)
    ratio = 1.0 + coil.resistance_ohm / load
    omega = math.sqrt(ratio / (coil.inductance_h * farad))
    q = omega / (coil.resistance_ohm / coil.inductance_h + 1.0 / (load * farad))
    return omega, q, 1.0 / ratio


def coil_filter(coil: Coil, rate: int) -> tuple[Reals, Reals]:
    """Numerator and denominator of the loaded pickup as a digital filter.

    Poles exp(pT); two zeros at one place match the gain at 0 Hz and at the resonance, as in
    M. Vicanek, Matched Second Order Digital Filters, 2016 (from memory).
    """
    omega, q, dc = coil_poles(coil)
    angle, damping = omega / rate, 0.5 / q
    radius = math.exp(-damping * angle)
    a1 = -2.0 * radius * math.cos(angle * math.sqrt(1.0 - damping * damping))
    a2 = radius * radius
    phi1 = math.sin(0.5 * angle) ** 2
    phi0, phi2 = 1.0 - phi1, 4.0 * (1.0 - phi1) * phi1
    at_0 = (1.0 + a1 + a2) ** 2
    at_top = (1.0 - a1 + a2) ** 2
    wanted = q * q * (at_0 * phi0 + at_top * phi1 - 4.0 * a2 * phi2)
    zero_top = (wanted - at_0 * phi0) / phi1
    b0 = 0.5 * (math.sqrt(at_0) + math.sqrt(max(zero_top, 0.0)))
    b1 = math.sqrt(at_0) - b0
    return dc * np.array([b0, b1, 0.0]), np.array([1.0, a1, a2])


def _through_coil(induced: Reals, coil: Coil) -> Reals:
    from scipy.signal import lfilter

    return np.asarray(lfilter(*coil_filter(coil, RATE), induced))


def _through_saddle(slope: Reals) -> Reals:
    from scipy.signal import iirpeak, lfilter

    total = slope.copy()
    for hz, q, share in BODY:
        total += share * lfilter(*iirpeak(hz, q, fs=RATE), slope)
    piezo = Piezo()
    farad = piezo.capacitance_f + piezo.cable_f
    shared = piezo.capacitance_f / farad
    return _without_dc(shared * total, 1.0 / (2.0 * math.pi * piezo.input_ohm * farad))


def _without_dc(sound: Reals, hz: float) -> Reals:
    """First-order high-pass: pole exp(-2 pi f T), zero at 0 Hz."""
    from scipy.signal import lfilter

    pole = math.exp(-2.0 * math.pi * hz / RATE)
    half = 0.5 * (1.0 + pole)
    return np.asarray(lfilter([half, -half], [1.0, -pole], sound))


def _ends_still(sound: Reals) -> Reals:
    """Fade the last 200 ms, where hardly anything is left."""
    count = RATE // 5
    way = np.arange(count, 0, -1) / count
    sound[-count:] *= way * way * (3.0 - 2.0 * way)
    return sound
