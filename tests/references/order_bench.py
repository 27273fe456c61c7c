"""Rendering and measuring for the questions about order: see test_order_questions.py."""

from pathlib import Path

import numpy as np

import simchain
from simchain import clips, units
from simchain.board import load_board
from simchain.chain.walk import Rendering
from simchain.decide.difference import Difference, difference
from simchain.signal import Signal, read_clip, write_float_wav

RATE = 48_000
DELAY_S, NOTE_S = 0.38, 0.25
TREMOLO_HZ = 5.0

# How far off is still the size asked for, in dB or LU.
ROUGHLY = 1.5

PUSH_6, PUSH_12 = 'kind = "boost", gain_db = 6', 'kind = "boost", gain_db = 12'
PRESS = 'kind = "compressor"'
TREMOLO = 'kind = "modulation", shape = "tremolo", depth = 0.8'
REPEAT = 'kind = "delay", mix = 0.3, feedback = 0.4'
GRIT = 'kind = "drive", gain_db = 24'
# A buffer and no more: an input of 1 Mohm, an output of 600 ohm.
FLAT = 'kind = "boost", gain_db = 0, low_cut_hz = 0, high_cut_hz = 0'

# Lines of [source]: a pickup of the humbucking sort, its volume pot to be filled in.
HUMBUCKING = """
[source.pickup]
inductance_h = 4.4
resistance_ohm = 8000
capacitance_pf = 130
volume_ohm = 500e3
tone_ohm = 500e3
volume = %g
"""

Blocks = dict[str, str]
Orders = dict[str, list[str] | tuple[list[str], list[str]]]


class Bench:
    """Renders orders of a few blocks, everything in an order being on, behind a guitar.

    Cables, loading and impedances are real. Without an amplifier an order ends at an input of
    1 Mohm, as the trial's did, and not at a mixer's 10 kohm: that would take 0.4 dB more from one
    kind's output than from another's.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def render(
        self,
        volts: np.ndarray,
        blocks: Blocks,
        orders: Orders,
        amp_gain_db: float | None = None,
        tail_s: float = 0.0,
        source: str = "",
        off: tuple[str, ...] = (),
        events: str = "",
        **asked: bool,
    ) -> dict[str, Rendering]:
        """Render each order, front alone or (front, loop), into an input or an amplifier.

        `source` holds more lines of [source], `off` what is off at first, `events` what is switched
        in each passage; `asked` goes to `simchain.render`.
        """
        write_float_wav(self.folder / "clip.wav", Signal(volts, RATE))
        # Full scale 1.0 is 1 V peak.
        text = [f"tail_s = {tail_s}", "[source]", "clip = 'clip.wav'"]
        text += ["full_scale_dbu = -0.79181246", source, "[blocks]"]
        text += [f"{name} = {{ {settings} }}" for name, settings in blocks.items()]
        text += ["[output]", "input_ohm = 1e6"]
        if amp_gain_db is not None:
            text += ["[amps.a]", f"gain_db = {amp_gain_db}"]
        for name, order in orders.items():
            front, loop = order if isinstance(order, tuple) else (order, [])
            on = [block for block in front + loop if block not in off]
            text += [f"[orders.{name}]", f"front = {front}", f"loop = {loop}"]
            text += [f"[passages.{name}]", f"on = {on}", f"events = [{events}]"]
        path = self.folder / "board.toml"
        path.write_text("\n".join(text).replace("'", '"'))
        board = load_board(path)
        return {name: simchain.render(board, name, name, **asked) for name in orders}


def clip(name: str, seconds: int = 5) -> np.ndarray:
    """Return the first seconds of a clip that ships, in volts."""
    return read_clip(clips.path(name)).volts[0, : seconds * RATE] * units.dbu_to_peak_volts(12.0)


def tone(hz: float, peak: float, seconds: float = 2.0) -> np.ndarray:
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)


def single_note(peak: float = 0.3) -> np.ndarray:
    """Return a quarter of a second of 220 Hz with soft ends, and two seconds of rest."""
    t = np.arange(round(2.4 * RATE)) / RATE
    shape = np.sin(np.pi * np.minimum(t / NOTE_S, 1.0)) ** 0.3
    return tone(220, peak, 2.4) * shape


def struck() -> np.ndarray:
    """Return an impulse that meets no rail; its spectrum is 0.1 mV at every frequency."""
    volts = np.zeros(RATE)
    volts[100] = 1e-4
    return volts


def response(rendering: Rendering, point: str) -> np.ndarray:
    """Return what `struck` has become at a test point, a ratio for each whole Hz."""
    return np.abs(np.fft.rfft(rendering.points[point].volts[0])) / 1e-4


def level_dbu(volts: np.ndarray, start_s: float, long_s: float) -> float:
    return level_db(volts, start_s, long_s) - 10 * np.log10(0.6)


def out(rendering: Rendering, channel: int = 0) -> np.ndarray:
    return rendering.points["out"].volts[channel]


def louder(a: Rendering, b: Rendering) -> float:
    """By how many LU `b` is louder than `a`."""
    return b.output.integrated_lufs - a.output.integrated_lufs


def compared(a: Rendering, b: Rendering) -> Difference:
    return difference(a.output.samples, b.output.samples, RATE)


def level_db(volts: np.ndarray, start_s: float, long_s: float) -> float:
    part = volts[round(start_s * RATE) : round((start_s + long_s) * RATE)]
    return 10 * np.log10(np.mean(part**2))


def repeats_db(rendering: Rendering, number: int = 4, channel: int = 0) -> np.ndarray:
    """Levels of the repeats against the note."""
    volts = out(rendering, channel)
    levels = [level_db(volts, k * DELAY_S, NOTE_S) for k in range(number + 1)]
    return np.array(levels[1:]) - levels[0]


def sway_db(volts: np.ndarray) -> float:
    """Depth of a steady tone's sway: loudest less softest 10 ms, from half a second on."""
    pieces = volts[RATE // 2 :]
    pieces = pieces[: pieces.size // 480 * 480].reshape(-1, 480)
    levels = 10 * np.log10(np.mean(pieces**2, axis=1))
    return float(levels.max() - levels.min())


def thd_percent(volts: np.ndarray, hz: int = 220) -> float:
    second = np.abs(np.fft.rfft(volts[RATE // 2 : RATE // 2 + RATE]))
    harmonics = second[hz:20_000:hz]
    return float(100 * np.linalg.norm(harmonics[1:]) / harmonics[0])


def says(what: str, found: object, expected: str) -> None:
    print(f"{what}: {np.round(found, 2)}, expected {expected}")


def noise_sway_db(volts: np.ndarray) -> float:
    """Depth of noise's sway, its periods from 4 s on laid over one another."""
    period = round(RATE / TREMOLO_HZ)
    rest = volts[4 * RATE :]
    rows = rest[: rest.size // period * period].reshape(-1, period)
    powers = np.mean(rows**2, axis=0).reshape(-1, 480).mean(axis=1)
    return float(10 * np.log10(powers.max() / powers.min()))
