"""Reverb: a feedback delay network whose control is the decay time itself."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from simchain.blocks._moving import rests_at
from simchain.blocks._paths import TailedBlock, to_channels
from simchain.blocks.base import Moment, current_ma, input_ohm, noise_out_uv, output_ohm
from simchain.settings import control
from simchain.signal import PIECE, Volts, pieces

if TYPE_CHECKING:
    from numpy.random import Generator

    from simchain.kernels.moving_lines import MovingLoop, Octaves, Sways
    from simchain.kernels.reverb import Loop

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHORTEST_ROOM_S, LARGEST_TO_SMALLEST = 0.03, 5.0
LONGEST_PART_OF_DECAY = 0.125
LONGEST_TO_SHORTEST_LINE = 2.5
JITTER = 0.03
DIFFUSERS = ((0.113, 0.079, 0.053, 0.037), (0.103, 0.087, 0.049, 0.041))
DIFFUSION = 0.6
EVEN_AT_HZ = 700.0
SMALLEST_LENGTH = 3
DRAWS = 16_384

RISING_LINES, SWAYING_LINES = 1, 3
RISING_HZ = (80.0, 4_000.0)
LONGEST_JUMP_MS, JUMP_PART_OF_LINE = 24.0, 0.4
SWING_MS, SWING_PART_OF_LINE = 1.0, 1 / 16
SWAY_HZ = (0.3, 0.8)


@dataclass(frozen=True, eq=False)
class Network:
    """Sixteen lines: lengths in frames, the filter at each end, what enters and leaves them.

    Line i ends in g_i (1 - p_i) / (1 - p_i z^-1), its sign the seed's. `into` and `out_of` have
    two rows, one for each channel. `diffusers` are the lengths of the all-passes before it.
    """

    rate: int
    lengths: Ints
    gains: Floats
    poles: Floats
    into: Floats
    out_of: Floats
    diffusers: tuple[tuple[int, ...], ...]

    def line_gain(self, hz: Floats) -> Floats:
        """Return |H_i| of each line's filter at each of `hz`, shape (16, points)."""
        turn = np.exp(-2j * np.pi * np.atleast_1d(hz) / self.rate)
        p = self.poles[:, np.newaxis]
        response = self.gains[:, np.newaxis] * (1.0 - p) / (1.0 - p * turn)
        return np.asarray(np.abs(response), dtype=np.float64)

    def decay_curve_s(self, hz: Floats) -> Floats:
        """Return the network's own T60 at each of `hz`, from its lines alone.

        Sound that is spread evenly over the lines loses sum 20 log10 |H_i| dB while it covers the
        sum of M_i + d_i frames, M_i a line's length and d_i its filter's group delay::

            T60(f) = -60 sum(M_i + d_i(f)) / (rate sum 20 log10 |H_i(f)|)
        """
        w = 2 * np.pi * np.atleast_1d(hz) / self.rate
        p = self.poles[:, np.newaxis]
        group_delay = p * (np.cos(w) - p) / (1.0 - 2.0 * p * np.cos(w) + p * p)
        frames = (self.lengths[:, np.newaxis] + group_delay).sum(axis=0)
        loss_db = 20.0 * np.log10(self.line_gain(hz)).sum(axis=0)
        return np.asarray(-60.0 * frames / (self.rate * loss_db))

    def evenness(self) -> float:
        """Return the factor that makes the response's energy 1 at 700 Hz.

        Noise of power 1 enters and the matrix keeps power; so 16 lines that each carry the power q
        lose sum(1 - |H_i|^2) q = 1, and 16 q leaves.
        """
        lost = (1.0 - self.line_gain(np.array([EVEN_AT_HZ])) ** 2).sum()
        return math.sqrt(lost / self.lengths.size)


@lru_cache(maxsize=32)
def network_of(decay_s: float, size: float, damping_hz: float, rate: int, seed: int) -> Network:
    """Design the network; another seed gives other lengths and signs of the same character.

    The longest line is 30 ms (size 0) to 150 ms (size 1), and never more than an eighth of
    `decay_s` (with a quarter, T30 strays by 4 % at 0.3 s); the shortest is 0.4 of it; all are
    different primes. Each line's gain is 10^(-3 M / (rate decay_s)) (Jot and Chaigne, 1991), so
    that all modes fall 60 dB in `decay_s`. With damping, each line's one-pole filter loses as
    much again at `damping_hz`, where the decay is thus half as long.
    """
    random = np.random.default_rng(seed)
    room_s = SHORTEST_ROOM_S * LARGEST_TO_SMALLEST**size
    longest = min(room_s, LONGEST_PART_OF_DECAY * decay_s) * rate
    lengths = _line_lengths(longest, random)
    gains = np.power(10.0, -3.0 * lengths.astype(np.float64) / (rate * decay_s))
    poles = _poles(gains, damping_hz, rate) if damping_hz > 0 else np.zeros(lengths.size)
    flips = random.choice((-1.0, 1.0), lengths.size)
    flips[0] = np.prod(flips[1:])
    into, out_of = _signs(flips, random)
    around = 1.0 + JITTER * random.uniform(-1.0, 1.0, np.shape(DIFFUSERS))
    diffusers = tuple(
        tuple(max(SMALLEST_LENGTH, round(part * longest)) for part in parts)
        for parts in np.array(DIFFUSERS) * around
    )
    return Network(
        rate, lengths, flips * gains, poles, into / math.sqrt(lengths.size), out_of, diffusers
    )


def _line_lengths(longest: float, random: "Generator") -> Ints:
    """Draw different primes, spread evenly on a log scale, in random order."""
    from simchain.kernels.reverb import LINES

    place = np.linspace(0.0, 1.0, LINES) - JITTER * random.random(LINES) * (np.arange(LINES) > 0)
    targets = longest * LONGEST_TO_SHORTEST_LINE ** (place - 1.0)
    sieve = np.ones(int(longest) + 1, dtype=bool)
    sieve[:2] = False
    for n in range(2, math.isqrt(sieve.size) + 1):
        sieve[n * n :: n] = False
    lengths = []
    for target in np.sort(targets)[::-1]:
        prime = int(np.flatnonzero(sieve[: int(target) + 1])[-1])
        sieve[prime] = False
        lengths.append(prime)
    return random.permutation(np.array(lengths, dtype=np.int64))


def _poles(gains: Floats, damping_hz: float, rate: int) -> Floats:
    """Return the pole p of each (1 - p) / (1 - p z^-1) whose gain at `damping_hz` is `gains`.

    (1 - p)^2 = g^2 (1 - 2 p cos w + p^2), a quadratic with roots p and 1/p.
    """
    square = gains**2
    middle = (1.0 - square * math.cos(2 * math.pi * damping_hz / rate)) / (1.0 - square)
    return np.asarray(middle - np.sqrt(middle**2 - 1.0))


def _signs(flips: Floats, random: "Generator") -> tuple[Floats, Floats]:
    """Draw the signs of two inputs and two outputs, shape (2, 16) each.

    An output c is drawn among those whose transform H c has entries of one size, 4 (bent
    sequences: Rothaus, Journal of Combinatorial Theory A 20, 1976): then one round through any one
    line comes back at the output with 1/16 of the power at most, where a careless choice gives up
    to a quarter and the tail buzzes at that line's rate. So is an input times `flips`, the signs
    of the lines. The outputs are orthogonal, and so are the inputs; each input meets its own
    output with the sum +-4, so that the first sound is as strong as what follows it, and the other
    with 0. (An odd number of -1 in `flips` would leave no such inputs.)
    """
    from scipy.linalg import hadamard

    matrix = hadamard(flips.size).astype(np.float64)
    while True:
        drawn = random.choice((-1.0, 1.0), (DRAWS, flips.size))
        outs = drawn[(np.abs(drawn @ matrix) == math.sqrt(flips.size)).all(axis=1)]
        left_out = outs[0]
        right_out = outs[np.flatnonzero(outs @ left_out == 0.0)[:1]]
        ins = outs * flips
        meets_left = np.abs(ins @ left_out)
        meets_right = np.abs(ins @ right_out[0]) if len(right_out) else meets_left
        lefts = ins[(meets_left == 4.0) & (meets_right == 0.0)]
        rights = ins[(meets_left == 0.0) & (meets_right == 4.0)]
        pairs = np.argwhere(lefts @ rights.T == 0.0)
        if len(pairs):
            left, right = pairs[0]
            return np.stack((lefts[left], rights[right])), np.stack((left_out, right_out[0]))


class Reverb(TailedBlock):
    """A room made of sixteen delay lines that feed each other through a matrix that keeps energy.

    The wet path: low cut, `predelay_ms` (and the converters), four all-passes, the network. For
    steady noise it is as loud as the dry, whatever the decay, so that `mix` means what it says.
    """

    kind: ClassVar[str] = "reverb"
    deepest: ClassVar[str] = (
        "motion: three of the lines sway by ±1 ms at 0.3 to 0.8 Hz, ±9 cents; shimmer: all "
        "that passes the longest line comes back an octave up, from 80 Hz to 4 kHz"
    )
    about: ClassVar[str] = (
        "A room around the sound: it rings on, and falls by 60 dB in decay_s seconds.\n"
        "damping_hz is where it falls twice as fast; size is the room, predelay_ms its distance."
    )
    checked_against: ClassVar[str] = (
        "T30 by backward integration against decay_s (2 %; moving 5 %, with shimmer 10 %), octaves "
        "against the lines' own losses, shimmer's 880 and 1760 Hz from 440"
    )

    decay_s: float = control(
        1.8, "how long it takes to fall by 60 dB", unit="s", ge=0.05, le=60, usual=(0.2, 12)
    )
    size: float = control(
        0.5, "the room: its longest line, from 30 to 150 ms", ge=0, le=1, usual=(0, 1)
    )
    damping_hz: float = control(
        4500.0,
        "where the decay is half as long (0: the same everywhere)",
        unit="Hz",
        ge=0,
        le=20_000,
        usual=(1000, 12_000),
    )
    low_cut_hz: float = control(
        150.0,
        "first-order low cut of the wet (0: none)",
        unit="Hz",
        ge=0,
        le=20_000,
        usual=(0, 500),
    )
    predelay_ms: float = control(
        20.0, "from the dry note to the first of the wet", unit="ms", ge=0, le=1000, usual=(0, 150)
    )
    mix: float = control(
        0.2, "from dry (0) to wet alone (1), equal power", ge=0, le=1, usual=(0, 1), movable=True
    )
    shimmer: float = control(
        0.0, "an octave up inside the room: the tail climbs as it rings", ge=0, le=1, usual=(0, 1)
    )
    motion: float = control(
        0.0, "how far the room's lines sway; 1 is ±1 ms", ge=0, le=1, usual=(0, 1)
    )

    input_ohm: float = input_ohm(1e6, (500e3, 10e6))
    output_ohm: float = output_ohm(500, (100, 1e3))
    current_ma: float = current_ma(120, (60, 300))
    noise_out_uv: float = noise_out_uv(25)

    @property
    def is_digital(self) -> bool:
        """A digital unit unless `digital` says otherwise."""
        return self.digital is not False

    def widens(self) -> bool:
        """See `Block.widens`."""
        return True

    def modulates(self) -> bool:
        """See `Block.modulates`."""
        return self.motion > 0.0 and self.mix > 0.0

    def frozen(self) -> Self:
        """See `Block.frozen`."""
        return self.model_copy(update={"motion": 0.0})

    def is_lti(self) -> bool:
        """It is, while nothing in it moves."""
        return self.mix == 0.0 or (self.motion == 0.0 and self.shimmer == 0.0)

    def network(self, now: Moment) -> Network:
        """The network behind these settings."""
        return network_of(self.decay_s, self.size, self.damping_hz, now.rate, now.seed)

    def process_over(self, volts: Volts, now: Moment) -> Volts:
        """Mix `volts` with the room; each channel has all-passes of its own before the network."""
        from simchain.filters import Running, low_cut
        from simchain.kernels.delay_line import Diffuser, Late

        mixed = to_channels(volts, self.outputs)
        if rests_at(self, "mix", now, 0.0):
            return mixed
        lines = self.network(now)
        sections = low_cut(self.low_cut_hz, now.rate) if self.low_cut_hz else np.empty((0, 6))
        cut = Running(sections)
        late_s = self.predelay_ms / 1e3 + self.wet_latency_s
        late = Late(self.outputs, math.floor(late_s * now.rate + 0.5))
        gain = lines.evenness() / math.sqrt(self.outputs)
        diffusers = [Diffuser(lengths, DIFFUSION) for lengths in lines.diffusers[: self.outputs]]
        loop = self._loop(lines, now)
        size = PIECE // loop.piece * loop.piece
        for part in pieces(mixed.shape[1], size):
            dry = mixed[:, part]
            wet = gain * late(cut(dry))
            for row, diffuse in zip(wet, diffusers, strict=True):
                diffuse(row)
            mixed[:, part] = self.mixed(dry, loop(wet), part, now)
        return mixed

    def _loop(self, lines: Network, now: Moment) -> "Loop | MovingLoop":
        """Return the network, at rest."""
        from simchain.kernels.moving_lines import MovingLoop
        from simchain.kernels.reverb import Loop

        into, out_of = lines.into[: self.outputs], lines.out_of[: self.outputs]
        loop = Loop(lines.lengths, lines.gains, lines.poles, into, out_of)
        if self.motion == 0.0 and self.shimmer == 0.0:
            return loop
        by_length = np.argsort(-lines.lengths)
        rising = by_length[: RISING_LINES if self.shimmer > 0 else 0]
        last = RISING_LINES + SWAYING_LINES
        swaying = by_length[RISING_LINES : last if self.motion > 0 else RISING_LINES]
        sways = _sways(swaying, lines, self.motion, now)
        return MovingLoop(loop, sways, _octaves(rising, lines, self.shimmer), now.rate)


def _sways(swaying: Ints, lines: Network, motion: float, now: Moment) -> "Sways":
    """Return how the lines `swaying` move; rates and phases are the seed's."""
    from simchain.kernels.moving_lines import Sways

    random = np.random.default_rng((now.seed, 1))
    places = (np.arange(swaying.size) + random.random(swaying.size)) / SWAYING_LINES
    slow, fast = SWAY_HZ
    hz = slow * (fast / slow) ** random.permutation(places)
    starts = now.turn + random.random(swaying.size) + hz * now.before_s
    most = np.minimum(SWING_MS / 1e3 * now.rate, SWING_PART_OF_LINE * lines.lengths[swaying])
    return Sways(swaying, motion * most, hz / now.rate, starts)


def _octaves(rising: Ints, lines: Network, shimmer: float) -> "Octaves":
    """Return the lines `rising`; each head's delay is in the middle as long as its line."""
    from simchain.kernels.moving_lines import Octaves
    from simchain.kernels.pitch import Splices

    plans = []
    for length in lines.lengths[rising].tolist():
        most = round(min(LONGEST_JUMP_MS / 1e3 * lines.rate, JUMP_PART_OF_LINE * length))
        least = most // 3
        coarse = max(1, round(lines.rate / 5000))
        nearest = length - (least + 3 * most) // 8
        plans.append(
            Splices(True, nearest, least, most, least, least, coarse, 2 * coarse, nearest + most)
        )
    return Octaves(
        rising, tuple(plans), shimmer, RISING_HZ[1] / lines.rate, RISING_HZ[0] / lines.rate
    )
