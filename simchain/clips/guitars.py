"""Two invented guitars: their strings, and what their pickups give."""

from dataclasses import dataclass


@dataclass(frozen=True)
class String:
    """One string of a guitar, open.

    `hz` in 12-TET with A4 = 440 Hz; `stiffness` is B of f_n = n f sqrt(1 + B n^2). The losses make
    the decay 1/s of the mode at f: `loss_flat` + `loss_slope` f + `loss_square` f^2. `gain` is
    what the pickup makes of the string: volts for each m/s over a magnet, volts for each unit of
    slope on a saddle. `rough` is the sound of the pick along the windings.
    """

    hz: float
    stiffness: float
    loss_flat: float
    loss_slope: float
    loss_square: float
    gain: float
    rough: float


@dataclass(frozen=True)
class Guitar:
    """Strings from 6, the lowest, to 1, and the way they are heard."""

    strings: tuple[String, ...]
    scale_m: float
    at_bridge: bool
    aperture_m: float
    limit_hz: float
    slow_ratio: float
    side_detune: float
    side_pickup: float
    fretted_loss: float


OPEN_HZ = (82.406889, 110.0, 146.832384, 195.997718, 246.941651, 329.627557)

# B = pi^3 E d^4 / (64 T L^2) (references, Strings) of the steel core: plain .010 .013 .017 inch,
# cores of .014 .0155 .017 inch in wound .026 .036 .046 strings. Decay: 60 dB in some 7 s for the
# lowest tones, more than twice that sideways, down to 1 s at 4 kHz on wound and 1.5 s on plain
# strings; common practice, no source.
ELECTRIC = Guitar(
    strings=(
        String(OPEN_HZ[0], 1.06e-4, 1.0, 7.0e-4, 3.0e-7, 0.145, 1.8),
        String(OPEN_HZ[1], 7.40e-5, 1.05, 7.0e-4, 2.3e-7, 0.13, 1.6),
        String(OPEN_HZ[2], 4.60e-5, 1.1, 6.0e-4, 1.7e-7, 0.12, 1.4),
        String(OPEN_HZ[3], 1.08e-4, 1.3, 6.0e-4, 9.0e-8, 0.108, 1.0),
        String(OPEN_HZ[4], 3.98e-5, 1.5, 6.0e-4, 7.0e-8, 0.081, 0.9),
        String(OPEN_HZ[5], 1.32e-5, 1.6, 6.0e-4, 6.0e-8, 0.065, 0.8),
    ),
    scale_m=0.648,
    at_bridge=False,
    aperture_m=0.016,
    limit_hz=13_000.0,
    slow_ratio=0.3,
    side_detune=1.00012,
    side_pickup=0.35,
    fretted_loss=0.35,
)

# The same formula with a set of .012 .016 plain and .024 .032 .042 .053 wound inch on 0.645 m. The
# top takes the strings' energy: 60 dB in 2 to 4 s at the lowest modes, more than three times that
# sideways; common practice, no source.
ACOUSTIC = Guitar(
    strings=(
        String(OPEN_HZ[0], 9.20e-5, 1.8, 2.2e-3, 2.2e-7, 48.0, 2.2),
        String(OPEN_HZ[1], 5.00e-5, 2.0, 2.0e-3, 1.8e-7, 50.0, 2.0),
        String(OPEN_HZ[2], 2.90e-5, 2.2, 1.8e-3, 1.5e-7, 52.0, 1.8),
        String(OPEN_HZ[3], 2.10e-5, 2.4, 1.6e-3, 1.3e-7, 54.0, 1.7),
        String(OPEN_HZ[4], 6.10e-5, 2.7, 1.5e-3, 7.0e-8, 54.0, 0.9),
        String(OPEN_HZ[5], 1.90e-5, 3.0, 1.5e-3, 6.0e-8, 54.0, 0.8),
    ),
    scale_m=0.645,
    at_bridge=True,
    aperture_m=0.0,
    limit_hz=17_000.0,
    slow_ratio=0.28,
    side_detune=1.00025,
    side_pickup=0.3,
    fretted_loss=0.7,
)

GUITARS = {"electric": ELECTRIC, "acoustic": ACOUSTIC}
