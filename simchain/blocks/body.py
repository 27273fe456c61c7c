"""The body: an acoustic guitar's box put back on its pickup."""

import math
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from simchain import units
from simchain.blocks._moving import rests_at, value_of
from simchain.blocks._paths import to_channels
from simchain.blocks.base import Block, Moment, current_ma, input_ohm, noise_out_uv, output_ohm
from simchain.filters import Running
from simchain.filters.resonance import resonance_sections
from simchain.settings import Settings, control
from simchain.signal import Volts, pieces

MOST_MODES = 16
HIGHEST_OF_RATE = 0.45
LONGEST_RESPONSE_S = 1.0
EVEN_HZ = (80.0, 20e3)
EVEN_STEP_HZ = 0.5


class Mode(Settings):
    """One resonance of the body: H(s) = 10^(db/20) (s w/q) / (s^2 + s w/q + w^2), w = 2 pi hz."""

    hz: float = control(..., "pitch", unit="Hz", ge=20, le=20e3, usual=(60, 1500))
    q: float = control(
        15, "how long it rings: q / (pi hz) seconds to 1/e", ge=1, le=100, usual=(5, 40)
    )
    db: float = control(
        0, "level beside the other modes", unit="dB", ge=-60, le=60, usual=(-20, 12)
    )


USUAL_MODES = (
    Mode(hz=100, q=12, db=0),
    Mode(hz=200, q=18, db=0),
    Mode(hz=400, q=20, db=-3),
    Mode(hz=550, q=25, db=-3),
)


class Body(Block):
    """(1 - mix) of the pickup and mix of the body: modes side by side, or an impulse response.

    The body's gain is such that a spectrum falling 6 dB an octave from 80 Hz leaves it with the
    power it came with: that of the force on the bridge of a string plucked at a point, whose
    harmonics fall as 1/n. So mix hardly changes the loudness, and only the modes' levels
    beside each other count.

    Dry and body pass the same converters, so neither is late against the other unless
    `latency_ms` says that the body is.
    """

    kind: ClassVar[str] = "body"
    about: ClassVar[str] = (
        "Gives a bridge pickup back the wood and the air of an acoustic guitar.\n"
        "Without it the string alone is heard, thin and quick; too much of it booms and howls."
    )
    checked_against: ClassVar[str] = (
        "closed form of second-order resonances: level, width hz / q, ringing q / (pi hz)"
    )

    modes: Annotated[tuple[Mode, ...], Field(min_length=1, max_length=MOST_MODES)] = control(
        USUAL_MODES, f"up to {MOST_MODES} resonances, each {{hz, q, db}}"
    )
    file: str | None = control(
        None, "impulse response of a body, a file beside the board, in place of modes", file=True
    )
    mix: float = control(
        0.5, "from dry (0) to body alone (1)", ge=0, le=1, usual=(0, 1), movable=True
    )
    digital: bool | None = control(True, "digital unit; left out, the kind decides")
    latency_ms: float | None = control(
        0.0, "delay of the body behind the dry", unit="ms", ge=0, le=100, usual=(0, 25)
    )
    bypass: Literal["true", "buffered"] = control(
        "buffered", "what the footswitch does when off: a straight wire, or a buffer that stays in"
    )
    input_ohm: float = input_ohm(1e6, (100e3, 10e6))
    output_ohm: float = output_ohm(200, (50, 25e3))
    current_ma: float = current_ma(100, (40, 200))
    noise_out_uv: float = noise_out_uv(25)

    @model_validator(mode="after")
    def _has_one_body(self) -> Self:
        if self.file is not None and self.modes != USUAL_MODES:
            raise ValueError("modes and file contradict each other: leave one of them out")
        return self

    def late_s(self) -> float:
        """See `Block.late_s`."""
        return self.wet_latency_s if self.mix == 1.0 else 0.0

    def is_lti(self) -> bool:
        """Always: resonances, or an impulse response."""
        return True

    def refused_at(self, rate: int) -> str | None:
        """Say in one line which mode lies too high for a board of this rate, or None."""
        highest = HIGHEST_OF_RATE * rate
        for number, mode in enumerate(self.modes, 1):
            if mode.hz >= highest:
                return (
                    f"modes, entry {number}, hz = {mode.hz:g} is too high for rate = {rate}: "
                    f"below {highest:g} Hz is allowed"
                )
        return None

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """See `Block.process_over`."""
        from simchain.kernels.delay_line import Late

        mixed = to_channels(volts, self.outputs)
        if rests_at(self, "mix", now, 0.0):
            return mixed
        moves = "mix" in dict(now.curves)
        late = Late(self.outputs, math.floor(self.wet_latency_s * now.rate + 0.5))
        for part, body in self._body(mixed, now.rate, 1.0 if moves else self.mix):
            mix = value_of(self, "mix", now, part)
            wet = late(body)
            if moves:
                wet = mix * wet
            mixed[:, part] = wet + (1.0 - mix) * mixed[:, part]
        return mixed

    def check_files(self, rate: int) -> None:
        """Raise ClipError when the impulse response cannot be used at `rate`."""
        if self.file is not None:
            from simchain.filters.impulse import impulse_response

            impulse_response(Path(self.file), rate, LONGEST_RESPONSE_S)

    def _body(self, volts: Volts, rate: int, mix: float) -> Iterator[tuple[slice, Volts]]:
        """Yield `mix` of what the body makes of `volts` in pieces, each with its place."""
        if self.file is not None:
            from simchain.filters.impulse import convolved_in_pieces, impulse_response

            response = impulse_response(Path(self.file), rate, LONGEST_RESPONSE_S)
            response = mix * even_gain(_spectrum(response, rate)) * response
            yield from convolved_in_pieces(response, volts)
            return
        gain = mix * _modal_gain(self.modes)
        ringing = []
        for mode in self.modes:
            sections = resonance_sections(mode.hz, mode.q, rate)
            sections[0, :3] *= gain * units.db_to_ratio(mode.db)
            ringing.append(Running(sections))
        for part in pieces(volts.shape[1]):
            yield part, sum((ring(volts[:, part]) for ring in ringing), start=np.zeros(()))


def modal_response(modes: tuple[Mode, ...], hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return H of all `modes` side by side at each of `hz`, before it is made even."""
    response = np.zeros(hz.shape, dtype=np.complex128)
    for mode in modes:
        off = hz / mode.hz - mode.hz / hz
        response += units.db_to_ratio(mode.db) / (1.0 + 1j * mode.q * off)
    return response


def even_hz() -> NDArray[np.float64]:
    """Return the frequencies over which a body is made even: 80 Hz to 20 kHz by half hertz."""
    lowest, highest = EVEN_HZ
    return np.arange(lowest, highest + EVEN_STEP_HZ, EVEN_STEP_HZ)


def even_gain(response: NDArray[np.complex128]) -> float:
    """Return the gain that keeps the power of a spectrum falling as 1/f^2; see `Body`.

    `response` at each of `even_hz()`: 1 / sqrt(sum(|H|^2 / f^2) / sum(1 / f^2)). One that ends
    earlier, at half a low rate, is made even over what it has.
    """
    weight = even_hz()[: response.size] ** -2.0
    return float(np.sqrt(weight.sum() / np.sum(weight * np.abs(response) ** 2)))


@lru_cache(maxsize=64)
def _modal_gain(modes: tuple[Mode, ...]) -> float:
    return even_gain(modal_response(modes, even_hz()))


def _spectrum(response: NDArray[np.float64], rate: int) -> NDArray[np.complex128]:
    """Return the spectrum of an impulse response at each of `even_hz()`, up to half its rate."""
    spectrum = np.fft.rfft(response, round(rate / EVEN_STEP_HZ))
    first, last = (round(hz / EVEN_STEP_HZ) for hz in EVEN_HZ)
    return np.asarray(spectrum[first : last + 1], dtype=np.complex128)
