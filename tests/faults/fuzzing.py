"""What is done to good files to make hostile ones, and how often."""

import io
import struct
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import soundfile
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

# The usual run tries the same few each time, a soak run others each time.
FEW = settings(
    max_examples=40,
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
MANY = settings(FEW, max_examples=3000, derandomize=False)

RATE = 48_000
READ = ("WAV", "WAVEX", "FLAC", "AIFF", "OGG", "W64", "RF64")
NUMBERS = (
    *(0, 1, 2, 3, 7, 8, 15, 16, 17, 31, 32, 127, 128, 255, 256, 4095, 32_767, 32_768, 65_535),
    *(2**20, 2**24, 2**31 - 1, 2**31, 2**32 - 1, 2**40, 2**63 - 1, 2**63, 2**64 - 1),
)
FLOATS = (float("nan"), float("inf"), 1e308, 5e-324, 3e38, 1e-45, 1e6, 0.0, -0.0)
ENDINGS = (
    *[""] * 12,
    ".wav",
    ".flac",
    ".aiff",
    ".ogg",
    ".raw",
    ".mp3",
    ".sd2",
    ".au",
    ".RAW",
    ".wav.raw",
)


@lru_cache(maxsize=1)
def sounds() -> dict[str, bytes]:
    """A short good file of every format that the sound library writes, and every subtype."""
    made = {}
    tone = 0.3 * np.sin(np.arange(700) / 9.0)
    for form in sorted({*soundfile.available_formats()} - {"SD2"}):  # which writes a second file
        for subtype in soundfile.available_subtypes(form):
            for channels in (1, 2):
                content, line = io.BytesIO(), np.stack([tone] * channels, axis=1)
                rate = 48_000 if subtype == "OPUS" else 44_100
                try:
                    soundfile.write(content, line, rate, format=form, subtype=subtype)
                except (soundfile.LibsndfileError, ValueError, TypeError):
                    continue  # not with so many channels, or not at this rate
                made[f"{form} {subtype} {channels}"] = content.getvalue()
    return made


@st.composite
def hostile_sounds(draw: st.DrawFn) -> tuple[str, bytes]:
    """A sound file to which something was done, and the ending of its name."""
    names = [*sounds()]
    ours = [name for name in names if name.split()[0] in READ]
    content = sounds()[draw(st.sampled_from(ours if draw(st.integers(0, 7)) else names))]
    for _ in range(draw(st.sampled_from((1, 1, 1, 2, 4)))):
        content = draw(st.sampled_from(CHANGES))(draw, content)
    if draw(st.booleans()):
        content = with_sums_of_ogg(content)
    return draw(st.sampled_from(ENDINGS)), content


SCALES = (0.0, 5e-324, 1e-310, 1e-160, 1e-30, 1e-9, 1e-4, 0.3, 1.0, 1.5, 1e3, 1e6)
SHAPES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "one": np.ones_like,
    "click": lambda n: np.where(n == n[-1] // 2, 1.0, 0.0),
    "last": lambda n: np.where(n == n[-1], 1.0, 0.0),
    "back and forth": lambda n: 1.0 - 2.0 * (n % 2),
    "tone": lambda n: np.sin(n / 9.0),
    "noise": lambda n: np.random.default_rng(n.size).uniform(-1.0, 1.0, n.size),
    "grows": lambda n: (n + 1.0) / n.size,
    "dies": lambda n: 0.5**n,
}


@st.composite
def strange_sounds(draw: st.DrawFn, longest_s: float) -> tuple[str, bytes]:
    """A good file of a sound that nobody plays, and the ending of its name."""
    rate = draw(st.sampled_from((8_000, 8_001, 44_100, 48_000, 192_000, 384_000)))
    frames = draw(st.sampled_from((1, 2, 3, 17, 1000, rate // 3, round(longest_s * rate))))
    line = SHAPES[draw(st.sampled_from([*SHAPES]))](np.arange(frames, dtype=np.float64))
    line = line * draw(st.sampled_from(SCALES))
    other = draw(st.sampled_from((None, 1.0, -1.0, 0.0, 1e-6)))
    lines = line if other is None else np.stack([line, other * line], axis=1)
    content, subtype = io.BytesIO(), draw(st.sampled_from(("DOUBLE", "FLOAT", "PCM_16", "PCM_U8")))
    soundfile.write(content, lines, rate, format="WAV", subtype=subtype)
    return ".wav", content.getvalue()


# What is done to bytes


def place(draw: st.DrawFn, content: bytes) -> int:
    """A place in a file, most often in its head."""
    end = len(content)
    return draw(st.integers(0, min(end, 128) if draw(st.integers(0, 2)) else end))


def other_bytes(draw: st.DrawFn, content: bytes) -> bytes:
    at = place(draw, content)
    given = draw(st.binary(min_size=1, max_size=8))
    return content[:at] + given + content[at + len(given) :]


def flipped_bit(draw: st.DrawFn, content: bytes) -> bytes:
    if not content:
        return content
    at = min(place(draw, content), len(content) - 1)
    return content[:at] + bytes([content[at] ^ 1 << draw(st.integers(0, 7))]) + content[at + 1 :]


def other_number(draw: st.DrawFn, content: bytes) -> bytes:
    """A number of a strange size, of either byte order, in place of what stands there."""
    at, size = place(draw, content), draw(st.sampled_from((1, 2, 4, 8)))
    number = draw(st.sampled_from(NUMBERS)) % 2 ** (8 * size)
    given = number.to_bytes(size, draw(st.sampled_from(("little", "big"))))
    return content[:at] + given + content[at + size :]


def other_float(draw: st.DrawFn, content: bytes) -> bytes:
    """A strange floating-point number among the samples, on its place."""
    kind, size = draw(st.sampled_from((("f", 4), ("d", 8))))
    at = max(0, len(content) - size * draw(st.integers(1, 600)))
    order = draw(st.sampled_from("<>"))
    with np.errstate(over="ignore"):
        given = (
            struct.pack(order + kind, np.float32(f) if kind == "f" else f)
            if (f := draw(st.sampled_from(FLOATS))) is not None
            else b""
        )
    return content[:at] + given + content[at + size :]


def cut(draw: st.DrawFn, content: bytes) -> bytes:
    return content[: place(draw, content)]


def without(draw: st.DrawFn, content: bytes) -> bytes:
    at = place(draw, content)
    return content[:at] + content[at + draw(st.integers(1, 64)) :]


def twice(draw: st.DrawFn, content: bytes) -> bytes:
    at, size = place(draw, content), draw(st.integers(1, 200))
    return content[: at + size] + content[at : at + size] * draw(st.integers(1, 40)) + content[at:]


def more(draw: st.DrawFn, content: bytes) -> bytes:
    at = place(draw, content)
    given = draw(st.one_of(st.binary(max_size=40), st.integers(0, 5000).map(bytes)))
    return content[:at] + given + content[at:]


def spliced(draw: st.DrawFn, content: bytes) -> bytes:
    """The head of one file before the rest of another."""
    other = sounds()[draw(st.sampled_from([*sounds()]))]
    return content[: place(draw, content)] + other[place(draw, other) :]


def other_chunks(draw: st.DrawFn, content: bytes) -> bytes:
    """Chunks left out, doubled, exchanged, and given a size that is not theirs."""
    if content[:4] not in (b"RIFF", b"FORM", b"RF64"):
        return other_number(draw, content)
    order = "big" if content[:4] == b"FORM" else "little"
    chunks, at = [], 12
    while at + 8 <= len(content) and len(chunks) < 20:
        end = at + 8 + int.from_bytes(content[at + 4 : at + 8], order)
        end += end % 2
        chunks.append(content[at:end])
        at = end
    if not chunks:
        return content
    chosen = draw(st.integers(0, len(chunks) - 1))
    match draw(st.sampled_from(("leave out", "double", "exchange", "size"))):
        case "leave out":
            chunks.pop(chosen)
        case "double":
            chunks.insert(draw(st.integers(0, len(chunks))), chunks[chosen])
        case "exchange":
            chunks.append(chunks.pop(chosen))
        case "size":
            size = draw(st.sampled_from(NUMBERS)) % 2**32
            chunks[chosen] = (
                chunks[chosen][:4] + size.to_bytes(4, order) + chunks[chosen][8:]  # type: ignore[arg-type]
            )
    return content[:12] + b"".join(chunks)


CHANGES: tuple[Callable[[st.DrawFn, bytes], bytes], ...] = (
    *(other_bytes, flipped_bit, other_number, other_number, other_float, cut),
    *(without, twice, more, spliced, other_chunks),
)


def with_sums_of_ogg(content: bytes) -> bytes:
    """Make the sums of Ogg pages right (RFC 3533, 6): what is in them is read, then."""
    made, at = bytearray(content), 0
    while (at := content.find(b"OggS", at)) >= 0 and at + 27 <= len(content):
        lacing = content[at + 27 : at + 27 + content[at + 26]]
        end = at + 27 + len(lacing) + sum(lacing)
        page = bytearray(content[at:end])
        page[22:26] = bytes(4)
        made[at + 22 : at + 26] = ogg_sum(bytes(page)).to_bytes(4, "little")
        at += 4
    return bytes(made)


def ogg_sum(page: bytes) -> int:
    """The sum of a page: a cyclic redundancy check of the polynomial 0x04c11db7."""
    register = 0
    for byte in page:
        register = (register << 8) & 0xFFFFFFFF ^ _SUMS[(register >> 24) ^ byte]
    return register


def _sum_of(byte: int) -> int:
    register = byte << 24
    for _ in range(8):
        register = (register << 1) & 0xFFFFFFFF ^ (0x04C11DB7 if register >> 31 else 0)
    return register


_SUMS = [_sum_of(byte) for byte in range(256)]
