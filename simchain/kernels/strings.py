"""One plucked string as the sum of its modes.

Each mode is a damped oscillator turned by one complex factor a sample, so its frequency and decay
are exact, nothing aliases, and a bend or a hand on the string only changes the factor. Nothing but
+ - * / and the square root is used, in a fixed order: IEEE 754 defines those to the last bit, so
a clip comes out the same on every processor.

Sources: N. H. Fletcher and T. D. Rossing, The Physics of Musical Instruments, chapter 2 (modes of
the plucked and the stiff string, damping); R. Rabenstein and L. Trautmann, Signal Processing 83(8),
2003 (a string as parallel second-order recursions); both from memory.
"""

import math

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel

Reals = NDArray[np.float64]

STEP = 16
"""Samples between two rows of `controls`."""

CONTROLS = ("hz", "length_m", "pluck_m", "contact_m", "damp_flat", "damp_slope")
STRING = (
    "rate",
    "stiffness_m2",
    "loss_flat",
    "loss_slope",
    "loss_square",
    "slow_ratio",
    "side_detune",
    "side_pickup",
    "pickup_m",
    "aperture_m",
    "at_bridge",
    "limit_hz",
)
WORK_ROWS = 8


@kernel
def ring(
    force: Reals, controls: Reals, step: int, string: Reals, work: Reals, sound: Reals
) -> None:
    """Add to `sound` (frames,) what the pickup of one string gives.

    force: (2, frames), the deflection in metres that the pick would give the string if it rested,
    up-and-down and sideways. controls: (frames / step rounded up, 6), a row of `CONTROLS`: pitch in
    hertz; sounding length, pluck position from the bridge and width of the contact in metres;
    damping by hands, 1/s and 1/s for each hertz. string: (12,), see `STRING`. work: zeros of
    (2, 8, modes), the number of modes kept in each direction.

    sound: velocity of the string over the pickup, m/s; or, with `at_bridge` 1, its slope at the
    bridge, which times the tension is the force on the saddle.

    Mode n of direction d, excited by the force F:
        z' = (-sigma + i omega) z + G F,   z = q' + sigma q + i omega q
        omega = 2 pi n f sqrt(1 + B n^2),  B = stiffness_m2 / length^2
        sigma = (loss_flat + loss_slope f_n) (sideways: slow_ratio) + loss_square f_n^2
        G = 2 sin(n pi b) (2 pi f)^2 / (pi^2 b (1 - b)),  b = pluck / length
    so that a resting string let go at F has amplitudes F 2 sin(n pi b) / (n^2 pi^2 b (1 - b)).
    Where sigma changes, q and q' go on, not z.
    """
    frames = sound.size
    terms = np.zeros((2, work.shape[2]))
    live = False
    for row in range(controls.shape[0]):
        if row == 0 or _differs(controls[row], controls[row - 1]):
            _tune(controls[row], string, work)
        first = row * step
        last = min(first + step, frames)
        pushed = False
        for frame in range(first, last):
            pushed = pushed or force[0, frame] != 0.0 or force[1, frame] != 0.0
        if not (live or pushed):
            continue
        for frame in range(first, last):
            _turn(work[0], force[0, frame], terms[0])
            _turn(work[1], force[1, frame], terms[1])
            up, side = _sums(terms)
            sound[frame] = (sound[frame] + up) + side
        first_live = _drop_the_faint(work[0])
        live = _drop_the_faint(work[1]) or first_live


@kernel
def _turn(work: Reals, push: float, terms: Reals) -> None:
    """Turn every mode by one sample; fill `terms` with what the pickup reads of them."""
    re, im, cosine, sine = work[0], work[1], work[2], work[3]
    gain, reads_re, reads_im = work[4], work[5], work[6]
    for mode in range(terms.size):
        turned = re[mode] * cosine[mode] - im[mode] * sine[mode] + gain[mode] * push
        im[mode] = re[mode] * sine[mode] + im[mode] * cosine[mode]
        re[mode] = turned
        terms[mode] = reads_re[mode] * re[mode] + reads_im[mode] * im[mode]


@kernel
def _sums(terms: Reals) -> tuple[float, float]:
    """Sum both rows from the first mode on, side by side: each sum waits for itself."""
    up, side = 0.0, 0.0
    for mode in range(terms.shape[1]):
        up += terms[0, mode]
        side += terms[1, mode]
    return up, side


@kernel
def _tune(control: Reals, string: Reals, work: Reals) -> None:
    """Set each mode's factor, drive and reading for one row of controls (rows 2 to 7 of work)."""
    hz, length, pluck, contact = control[0], control[1], control[2], control[3]
    rate, limit = string[0], string[11]
    share = pluck / length
    drive = 8.0 * (hz * hz) / (share * (1.0 - share) * rate)
    sine_pluck, twice_pluck = _sine_and_twice_cosine(math.pi * share)
    sine_pickup, twice_pickup = _sine_and_twice_cosine(math.pi * string[8] / length)
    before_pluck, before_pickup = 0.0, 0.0
    for mode in range(work.shape[2]):
        number = mode + 1.0
        own_hz = number * hz * math.sqrt(1.0 + string[1] / (length * length) * number * number)
        contact_blur = _blur(number * contact / length)
        read = sine_pickup * _blur(number * string[9] / length)
        for direction in range(2):
            w = work[direction]
            mode_hz, loss = own_hz, string[2] + string[3] * own_hz
            if direction == 1:
                mode_hz *= string[6]
                loss *= string[5]
            loss += string[4] * mode_hz * mode_hz + control[4] + control[5] * mode_hz
            fade = min(max((limit - mode_hz) / (0.2 * limit), 0.0), 1.0)
            if fade == 0.0:
                mode_hz, loss = 0.25 * rate, 2000.0
            omega = 2.0 * math.pi * mode_hz
            w[0, mode] += (loss / omega - w[7, mode]) * w[1, mode]
            w[7, mode] = loss / omega
            size = _exponential(-loss / rate)
            half_cosine, half_sine = _cosine_sine(omega / rate)
            w[2, mode] = size * half_cosine
            w[3, mode] = size * half_sine
            w[4, mode] = drive * sine_pluck * fade * contact_blur
            if string[10] == 1.0:
                w[5, mode] = 0.0
                w[6, mode] = number * math.pi / (length * omega)
            else:
                w[5, mode] = read
                w[6, mode] = -w[5, mode] * w[7, mode]
            if direction == 1:
                w[5, mode] *= string[7]
                w[6, mode] *= string[7]
        sine_pluck, before_pluck = twice_pluck * sine_pluck - before_pluck, sine_pluck
        sine_pickup, before_pickup = twice_pickup * sine_pickup - before_pickup, sine_pickup


@kernel
def _differs(left: Reals, right: Reals) -> bool:
    changes = 0
    for column in range(left.size):
        changes += left[column] != right[column]
    return changes > 0


@kernel
def _drop_the_faint(work: Reals) -> bool:
    """Set modes below 1e-15 m/s to rest, before they become slow denormal numbers."""
    live = False
    for mode in range(work.shape[1]):
        if work[0, mode] * work[0, mode] + work[1, mode] * work[1, mode] < 1e-30:
            work[0, mode] = 0.0
            work[1, mode] = 0.0
        else:
            live = True
    return live


@kernel
def _sine_and_twice_cosine(angle: float) -> tuple[float, float]:
    """First sine, and the factor of sin((n+1)x) = 2 cos(x) sin(nx) - sin((n-1)x)."""
    cosine, sine = _cosine_sine(angle)
    return sine, 2.0 * cosine


@kernel
def _cosine_sine(angle: float) -> tuple[float, float]:
    """Cosine and sine within 1e-14: Taylor series of an eighth of the angle, then doubled."""
    small = (angle - 2.0 * math.pi * np.floor(angle / (2.0 * math.pi) + 0.5)) * 0.125
    square = small * small
    cosine, sine, term_cosine, term_sine = 1.0, small, 1.0, small
    for order in range(1, 8):
        term_cosine *= -square / ((2.0 * order - 1.0) * (2.0 * order))
        term_sine *= -square / ((2.0 * order) * (2.0 * order + 1.0))
        cosine += term_cosine
        sine += term_sine
    for _ in range(3):
        cosine, sine = cosine * cosine - sine * sine, 2.0 * cosine * sine
    return cosine, sine


@kernel
def _exponential(power: float) -> float:
    """exp(power) for power <= 0 within 1e-13: Taylor series of a small part, squared back up."""
    small, doublings = power, 0
    while small < -0.125:
        small *= 0.5
        doublings += 1
    total, term = 1.0, 1.0
    for order in range(1, 11):
        term *= small / order
        total += term
    for _ in range(doublings):
        total *= total
    return total


@kernel
def _blur(waves: float) -> float:
    """What a contact of Gaussian shape leaves of a mode with `waves` half waves on its width."""
    return _exponential(-waves * waves * (math.pi * math.pi / 8.0))
