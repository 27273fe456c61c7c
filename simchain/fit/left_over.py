"""What a fitted block does not copy: by band, by level, in noise, and to the ear."""

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.board import Judging
from simchain.chain.alone import alone
from simchain.decide.score import Score
from simchain.fit.aligning import shifted
from simchain.fit.apart import heard_apart
from simchain.fit.received import quiet
from simchain.fit.sent import RATE, sent, step_frames, swept_frames
from simchain.signal import Volts

Floats = NDArray[np.float64]

OCTAVES_HZ = tuple(62.5 * 2.0**number for number in range(8))
# What is judged by ear: it has dynamics, chords, and every frequency, and rests between.
JUDGED = ("steps1", "loud1", "bursts1", "chord")
_BAND_NOISE_HZ = 20_000.0
# Of a step, until the unit has come to rest.
_SETTLED_SHARE, _PROBE_VOLTS = 0.2, 1e-5


def by_band(heard: Floats, made: Floats, late: float) -> list[tuple[float, float]]:
    """Return (Hz, dB) for octaves: what is left of a loud sweep against what was received of it.

    A sweep passes each octave in its own time, so each is a stretch of it.
    """
    left = shifted(made, late) - heard
    found = []
    for centre in OCTAVES_HZ:
        frames = swept_frames("loud1", centre / 2**0.5, centre * 2**0.5)
        found.append((centre, _db(left[frames], heard[frames])))
    return found


def by_level(heard: Floats, made: Floats, late: float, given: Floats) -> list[tuple[float, float]]:
    """Return (volts peak at the input, dB) for the steps of a tone: what is left of each."""
    left = shifted(made, late) - heard
    return [
        (float(np.abs(given[step]).max()), _db(left[step], heard[step]))
        for step in step_frames(begin=_SETTLED_SHARE)
    ]


def judged(heard: Floats, made: Floats, judging: Judging) -> Score:
    """Judge what the block makes against what was received, as far as it sounds in `JUDGED`.

    The recording's noise, as it stands in its silence, is given to what the block makes too: it is
    the interface's, or a setting of its own.
    """
    parts = [sent().parts[name].frames(with_rest=False) for name in JUDGED]
    noisy = made + np.resize(quiet(heard), made.size)
    a, b = (np.concatenate([line[part] for part in parts]) for line in (heard, noisy))
    return heard_apart(a, b, RATE, judging=judging)


def noise_settings(block: Block, own_noise_volts: float) -> dict[str, float]:
    """Return the settings that make a block hiss as the unit does.

    A unit that amplifies what is soft hisses at its input, any other at its output; a passive pot
    has no noise of its own to set.
    """
    if block.pot is not None:
        return {}
    own_noise_volts *= (_BAND_NOISE_HZ / (RATE / 2)) ** 0.5
    rng = np.random.default_rng(0)
    probe: Volts = _PROBE_VOLTS * rng.standard_normal((block.inputs, RATE))
    made = alone(block, probe, RATE)[0]
    gain = float(np.sqrt(np.mean(np.square(made)))) / _PROBE_VOLTS
    if gain >= 2.0:
        return {
            "noise_nv": own_noise_volts / gain / _BAND_NOISE_HZ**0.5 * 1e9,
            "noise_out_uv": 0.0,
        }
    return {"noise_nv": 0.0, "noise_out_uv": own_noise_volts * 1e6}


def _db(left: Floats, heard: Floats) -> float:
    return 10.0 * float(
        np.log10((np.square(left).sum() + 1e-30) / (np.square(heard).sum() + 1e-30))
    )
