"""Sound as volts: the Signal, and sound files in and out.

Inside the chain a signal is float64 of shape (channels, frames), C-contiguous, one or two
channels. The one gate that checks sound is `Signal` itself; nothing behind it checks again.
"""

import io
import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from simchain import files
from simchain.errors import ClipError

if TYPE_CHECKING:
    from soundfile import SoundFile

Volts = NDArray[np.float64]

PIECE = 65_536
LONGEST_CLIP_S = 600.0
# Ten minutes of two channels at 96 kHz, 0.9 GB once they are read: a small file can promise more.
MOST_SAMPLES = 115_200_000
_FLAT = 0.94  # of the lower Nyquist frequency
_RINGING_S = 0.05  # more silence than the filter rings
# A longer sound is converted stretch by stretch; what it rings over a second lies 200 dB down.
_STRETCH_S, _LAP_S = 60.0, 1.0
FILE_RATES = (8_000, 384_000)
_LONGEST_OGG_PAGE = 65_307
_LONGEST_WAV_HEADER = 256
READABLE = ("WAV", "WAVEX", "FLAC", "AIFF", "OGG", "W64", "RF64")
# How files of these formats begin. Nothing else comes to the sound library: it would try two dozen
# formats more, one of which prints what it thinks of a broken file on the user's screen.
_BEGINNINGS = re.compile(
    rb"(?:RIFF|RIFX|RF64).{4}WAVE|FORM.{4}AIF[FC]|riff\x2e\x91\xcf\x11|fLaC|OggS", re.DOTALL
)
# What else people have, by how it begins (MPEG by eleven bits that are set).
_OTHERS = (
    (re.compile(rb"ID3|\xff[\xe0-\xff]"), "MP3"),
    (re.compile(rb".{4}ftyp", re.DOTALL), "M4A or MP4"),
    (re.compile(rb"caff"), "CAF"),
    (re.compile(rb"\.snd"), "AU"),
)
# 120 dB over full scale: files in volts stay far below, and what is squared and multiplied on the
# way of a larger number comes to an end of floating point.
LARGEST_SAMPLE = 1e6
# Below the last step of 32 bits: what is softer is no sound to be scaled by its own level.
SILENT_BELOW = 1e-10

# The sound library reads what is there of a file that was cut off and says so in its log only.
_CUT_OFF = re.compile(
    r"^ ?(?:data|SSND|riff|  Riff size) : (\d+) \(should be (\d+)\)", re.MULTILINE
)


@dataclass(frozen=True, eq=False)
class Signal:
    """Volts over time.

    `volts` is made float64, C-contiguous, of shape (channels, frames) with one or two channels;
    a one-dimensional array is one channel. `rate` is in frames a second.

    Raises ValueError for any other shape, and for samples that are not finite.
    """

    volts: Volts
    rate: int

    def __post_init__(self) -> None:
        volts = np.ascontiguousarray(np.atleast_2d(self.volts), dtype=np.float64)
        if volts.ndim != 2 or volts.shape[0] not in (1, 2):
            raise ValueError(f"a signal has shape (1 or 2 channels, frames), not {volts.shape}")
        for part in pieces(volts.shape[1]):
            if not np.isfinite(volts[:, part]).all():
                channel, frame = np.argwhere(~np.isfinite(volts[:, part]))[0]
                raise ValueError(
                    f"not a finite number at frame {part.start + frame} of channel {channel + 1}"
                )
        object.__setattr__(self, "volts", volts)

    @property
    def channels(self) -> int:
        """One or two."""
        return int(self.volts.shape[0])

    @property
    def frames(self) -> int:
        """Samples in each channel."""
        return int(self.volts.shape[1])

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate


def pieces(frames: int, size: int | None = None) -> Iterator[slice]:
    """Yield slices that cover `frames` one after another, each `size` (or `PIECE`) but the last.

    What can be done piece by piece is: ten minutes in stereo are 461 MB, and what is made of them
    on the way would be as large.
    """
    step = PIECE if size is None else size
    for start in range(0, frames, step):
        yield slice(start, min(start + step, frames))


def tone(hz: float, peak: float, frames: int, rate: int) -> Volts:
    """Return a sine of shape (1, frames)."""
    turns = np.arange(frames, dtype=np.float64) * (hz / rate)
    return np.asarray(peak * np.sin(2.0 * np.pi * turns[np.newaxis]))


def faded(line: Volts, frames: int) -> Volts:
    """Give `line`, shape (frames,), half a cosine at both ends, in place: nothing clicks."""
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
    line[:frames] *= rise
    line[-frames:] *= rise[::-1]
    return line


def twins(samples: NDArray[np.floating]) -> bool:
    """Whether `samples` are two channels that carry the same sound, sample for sample."""
    if samples.shape[0] != 2:
        return False
    return samples.strides[0] == 0 or all(
        np.array_equal(samples[0, part], samples[1, part]) for part in pieces(samples.shape[1])
    )


def read_clip(path: Path) -> Signal:
    """Read a WAV, FLAC, AIFF or Ogg file; full scale is 1.0, the rate is the file's own.

    Raises ClipError, naming the file, when it is missing, empty, longer than ten minutes, has
    more than two channels, holds anything but finite numbers or one of more than 120 dB over full
    scale, or is no sound file.
    """
    with _opened(path) as file:
        promised, rate = int(file.frames), int(file.samplerate)
        samples = np.empty((int(file.channels), promised))
        held = _read_into(samples, file)
    if held < promised:
        raise ClipError(
            f"clip {path}: is cut off: its header promises {promised} frames, {held} can be read"
        )
    try:
        signal = Signal(samples, rate)
    except ValueError as error:
        raise ClipError(f"clip {path}: {error}") from error
    _refuse_huge(path, signal)
    return signal


def clip_seconds(path: Path) -> float:
    """Return how long a sound file is, in seconds, from its header alone.

    Raises ClipError as `read_clip` does for what the header already shows.
    """
    with _opened(path) as file:
        return float(file.frames / file.samplerate)


@contextmanager
def _opened(path: Path) -> Iterator["SoundFile"]:
    """Open a sound file whose header promises what can be used. Raises ClipError, then and later.

    The sound library takes a file for one without a header where its name ends in .raw.
    """
    import soundfile

    try:
        if not path.is_file():
            kind = "is a folder, not a sound file" if path.is_dir() else "there is no such file"
            raise ClipError(f"clip {path}: {kind}")
        if path.suffix.lower() == ".raw":
            raise ClipError(f"clip {path}: is RAW by its name; WAV, FLAC, AIFF and Ogg are read")
        _refuse_others(path)
        with soundfile.SoundFile(path) as file:
            _refuse_unusable(path, file)
            yield file
    except soundfile.LibsndfileError as error:
        raise ClipError(
            f"clip {path}: {_plain(error)}; WAV, FLAC, AIFF and Ogg are read"
        ) from error
    except OSError as error:
        raise ClipError(f"clip {path}: cannot be read: {error.strerror or error}") from error


def _read_into(samples: Volts, file: "SoundFile") -> int:
    """Fill `samples`, shape (channels, frames), from `file`; return how many frames it held."""
    for part in pieces(samples.shape[1]):
        read = file.read(part.stop - part.start, dtype="float64", always_2d=True)
        held = int(part.start) + len(read)
        samples[:, part.start : held] = read.T
        if held < part.stop:
            return held
    return int(samples.shape[1])


def resampled(signal: Signal, rate: int) -> Signal:
    """Return `signal` at another rate: no delay, flat to 0.94 of the lower Nyquist frequency.

    By the spectrum of the whole signal with silence after it, which ends in half a cosine from 0.94
    to 1.0 of the lower Nyquist frequency; so images and aliases are gone, not small. Its length is
    a whole number of steps at both rates, so that any two rates will do, with no common measure
    too. Sounds above a minute are converted in stretches that lap over.
    """
    if rate == signal.rate:
        return signal
    from scipy.fft import next_fast_len

    shared = math.gcd(rate, signal.rate)
    up, down = rate // shared, signal.rate // shared
    stretch, lap = (math.ceil(seconds * signal.rate / down) for seconds in (_STRETCH_S, _LAP_S))
    volts = np.empty((signal.channels, -(-signal.frames * up // down)))
    # All stretches are of one length, since a filter's edge lies on a line of its spectrum.
    longest = min(signal.frames, (stretch + 2 * lap) * down)
    steps = next_fast_len(-(-(longest + round(_RINGING_S * signal.rate)) // down), real=True)
    for part in pieces(-(-signal.frames // down), stretch):
        first = max(0, part.start - lap)
        heard = signal.volts[:, first * down : (part.stop + lap) * down]
        for line, out in zip(heard, volts[:, part.start * up : part.stop * up], strict=True):
            made = _converted(line, up, down, steps)
            out[:] = made[(part.start - first) * up :][: out.size]
    return Signal(volts, rate)


def _converted(line: Volts, up: int, down: int, steps: int) -> Volts:
    """Return `line` and silence, `steps` times `down` frames, as `steps` times `up` frames."""
    nyquist = steps * min(up, down) // 2
    first = int(_FLAT * nyquist)
    spectrum = np.fft.rfft(line, steps * down)[: nyquist + 1]
    spectrum[first:] *= 0.5 + 0.5 * np.cos(np.linspace(0.0, math.pi, nyquist - first + 1))
    made: Volts = np.fft.irfft(spectrum, steps * up)
    made *= up / down
    return made


def write_float_wav(path: Path, signal: Signal) -> None:
    """Write 32-bit floating-point WAV: volts stay volts, nothing clips."""
    import soundfile

    content = io.BytesIO()
    shape = (signal.rate, signal.channels, "FLOAT")
    with soundfile.SoundFile(content, "w", *shape, format="WAV") as sound:
        for part in pieces(signal.frames):
            sound.write(signal.volts[:, part].T)
    _without_time(content)
    files.write_bytes(path, content.getbuffer())


def float_wav(samples: NDArray[np.floating], rate: int) -> bytes:
    """Encode `samples`, shape (channels, frames), as 32-bit floating-point WAV."""
    return _encoded(samples, rate, "WAV", "FLOAT")


def pcm_wav(samples: NDArray[np.floating], rate: int, bits: Literal[16, 24]) -> bytes:
    """Encode `samples`, shape (channels, frames), full scale 1.0, as WAV of `bits`, no dither."""
    return _encoded(samples, rate, "WAV", f"PCM_{bits}")


def flac_16_bit(samples: Volts, rate: int, seed: int = 0) -> bytes:
    """Encode `samples` (full scale 1.0) as 16-bit FLAC with triangular dither of two steps.

    Equal channels get equal dither, so that a mono sound in two channels stays mono.
    """
    random = np.random.default_rng(seed)
    steps = np.empty(samples.shape, dtype=np.int16)
    same = twins(samples)
    for channel, line in enumerate(samples):
        if channel == 1 and same:
            steps[1] = steps[0]
            break
        dither = random.random(line.size) - random.random(line.size)
        steps[channel] = np.clip(np.rint(line * 32768.0 + dither), -32768, 32767).astype(np.int16)
    return _encoded(steps, rate, "FLAC", "PCM_16")


def _refuse_others(path: Path) -> None:
    """Raise ClipError for a file that begins as none of what is read does."""
    with path.open("rb") as file:
        head = file.read(12)
    if _BEGINNINGS.match(head):
        return
    form = next((f"is {name}" for begins, name in _OTHERS if begins.match(head)), "")
    reason = form or ("cannot be read as sound" if head else "is empty (0 bytes)")
    raise ClipError(f"clip {path}: {reason}; WAV, FLAC, AIFF and Ogg are read")


def _refuse_unusable(path: Path, file: "SoundFile") -> None:
    """Raise ClipError for what the header already shows to be unusable."""
    frames, rate, channels, form = file.frames, file.samplerate, file.channels, file.format
    if cut := _CUT_OFF.search(file.extra_info):
        raise ClipError(
            f"clip {path}: is cut off: its header promises {cut[1]} bytes of sound, "
            f"{cut[2]} are there"
        )
    if form == "OGG" and not _ogg_ends(path):
        raise ClipError(f"clip {path}: is cut off: its last page is missing")
    if form not in READABLE:
        raise ClipError(f"clip {path}: is {form}; WAV, FLAC, AIFF and Ogg are read")
    if not FILE_RATES[0] <= rate <= FILE_RATES[1]:
        raise ClipError(
            f"clip {path}: has {rate} frames a second; {FILE_RATES[0]} to {FILE_RATES[1]} are read"
        )
    if channels > 2:
        raise ClipError(f"clip {path}: has {channels} channels; one or two are read")
    if frames == 0:
        raise ClipError(f"clip {path}: holds no sound (0 frames)")
    if frames / rate > LONGEST_CLIP_S:
        raise ClipError(
            f"clip {path}: is {frames / rate:.1f} s long; {LONGEST_CLIP_S:.0f} s (10 minutes) "
            "are the most"
        )
    if frames * channels > MOST_SAMPLES:
        raise ClipError(
            f"clip {path}: holds {frames * channels / 1e6:.0f} million samples, "
            f"{MOST_SAMPLES / 1e6:.0f} million are the most: save it at 48 kHz, or shorten it"
        )


def _refuse_huge(path: Path, signal: Signal) -> None:
    """Raise ClipError for a sample that no recording has."""
    for part in pieces(signal.frames):
        largest = float(np.abs(signal.volts[:, part]).max())
        if largest > LARGEST_SAMPLE:
            raise ClipError(
                f"clip {path}: holds a sample of {largest:.3g} where 1 is full scale; "
                f"{LARGEST_SAMPLE:g} is the most"
            )


def _ogg_ends(path: Path) -> bool:
    """Whether an Ogg file ends with a whole page that is marked as the last (RFC 3533, 6)."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _LONGEST_OGG_PAGE))
        end = file.read()
    page = end[max(end.rfind(b"OggS"), 0) :]
    if len(page) < 27 or len(page) < 27 + page[26]:
        return False
    is_last, length = page[5] & 4, 27 + page[26] + sum(page[27 : 27 + page[26]])
    return bool(is_last) and len(page) >= length


def _plain(error: Exception) -> str:
    """What the sound library says, without its own prefix."""
    return "cannot be read as sound: " + str(error).rsplit(": ", 1)[-1].strip().rstrip(".").lower()


def _encoded(samples: NDArray[np.generic], rate: int, form: str, subtype: str) -> bytes:
    import soundfile

    content = io.BytesIO()
    soundfile.write(content, samples.T, rate, format=form, subtype=subtype)
    _without_time(content)
    return content.getvalue()


def _without_time(content: io.BytesIO) -> None:
    """Take the time of writing out of a WAV file: the same sound is the same bytes.

    The sound library adds a PEAK chunk to floating-point files: its name, its size and a version,
    four bytes each, and then the time.
    """
    header = content.getbuffer()
    if (at := bytes(header[:_LONGEST_WAV_HEADER]).find(b"PEAK")) >= 0:
        header[at + 12 : at + 16] = bytes(4)
