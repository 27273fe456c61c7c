"""An octave's three mixes: of a steady tone, what comes back at its pitch, above and below."""

from collections.abc import Iterator
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.fit.amplitude import amplitude
from simchain.fit.looked_for import Free, KindFit, Start, Stretch
from simchain.fit.received import Received
from simchain.fit.sent import BURST_HZ, BURST_S, LEVEL_HZ, RATE, STEPS_HZ, sent, step_frames

Floats = NDArray[np.float64]

MIXES = {
    "up_mix": Free("up_mix", 0.0, 1.0),
    "down_mix": Free("down_mix", 0.0, 1.0),
    "direct_mix": Free("direct_mix", 0.0, 1.0),
}
PITCHES = {"up_mix": 2.0, "down_mix": 0.5}
# Octaves are up to 100 ms late, and an attack is no steady tone.
_SETTLE_S = 0.12
# What is about a pitch: half an octave either way, for a unit that splices or wavers.
_WIDE = 2.0**0.5
_SHARE_OF_CEILING, _OVER_NOISE = 0.9, 30.0
# An octave that is 40 dB below the sound is none.
_NONE = 0.01


class OctaveFit(KindFit):
    """Each mix is a ratio of levels, whatever way the unit shifts pitch by.

    Waveforms and levels over time hang on where the unit cuts and joins, which no control says.
    """

    kind: ClassVar[str] = "octave"
    coarse: ClassVar[tuple[Stretch, ...]] = ()
    fine: ClassVar[tuple[Stretch, ...]] = ()
    blind_to: ClassVar[dict[str, str]] = {
        "latency_ms": "how late the octaves are sways with every join: the block's own stays"
    }

    def starts(self, block: Block, received: Received) -> Iterator[Start]:
        """See `KindFit.starts`: all of it read."""
        rows = np.array(list(_mixes(received, block.ceiling_volts)))
        if not len(rows):
            rows = np.array([[0.0, 0.0, 1.0]])
        found = np.clip(np.median(rows, axis=0), 0.0, 1.0)
        found[found < _NONE] = 0.0
        # 1.4826 median deviations are a standard deviation; of a mean of so many, less.
        spread = 1.4826 * np.median(np.abs(rows - np.median(rows, axis=0)), axis=0)
        spread /= len(rows) ** 0.5
        moved = {name: float(value) for name, value in zip(MIXES, found, strict=True)}
        read = tuple(zip(MIXES.values(), (float(one) for one in spread), strict=True))
        yield Start(block.model_copy(update=moved), (), read=read)


def _mixes(received: Received, ceiling_volts: float) -> Iterator[Floats]:
    """Yield the mixes, up, down and direct, as each steady tone has them."""
    for hz, frames in _tones():
        given, heard = received.given[frames], received.line[frames]
        if float(np.abs(heard).max()) > _SHARE_OF_CEILING * ceiling_volts:
            continue
        if float(np.sqrt(np.mean(np.square(given)))) < _OVER_NOISE * received.noise_volts:
            continue
        window = np.hanning(given.size)
        whole = np.square(np.abs(np.fft.rfft(given * window))).sum()
        powers = np.square(np.abs(np.fft.rfft(heard * window)))
        bins_hz = np.fft.rfftfreq(given.size, 1.0 / RATE)
        row = []
        for times in PITCHES.values():
            about = (bins_hz > times * hz / _WIDE) & (bins_hz < times * hz * _WIDE)
            noise = received.noise_volts**2 * np.square(window).sum() * about.sum()
            row.append(np.sqrt(max(0.0, powers[about].sum() - noise) / whole))
        row.append(abs(amplitude(heard, hz)) / abs(amplitude(given, hz)))
        yield np.array(row)


def _tones() -> Iterator[tuple[float, slice]]:
    """Yield the pitch of each steady tone, and where it stands in the recording."""
    level = sent().parts["level"].frames(with_rest=False)
    places = [(LEVEL_HZ, level)]
    for take in (1, 2):
        places += [(STEPS_HZ, step) for step in step_frames(f"steps{take}")]
        begin = sent().parts[f"bursts{take}"].frames().start
        loud = (begin + round(at * RATE) for at in (BURST_S[0], BURST_S[0] + BURST_S[1]))
        places.append((BURST_HZ, slice(*loud)))
    for hz, frames in places:
        yield hz, slice(frames.start + round(_SETTLE_S * RATE), frames.stop)
