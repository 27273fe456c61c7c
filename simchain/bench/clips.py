"""Clips that come from the page: read, kept beside the board, and tied to volts by a tone."""

import math
import tempfile
from pathlib import Path
from typing import Any

from simchain import files, units
from simchain.board.find_clips import SOUND_FILES
from simchain.board.wording import shown
from simchain.errors import ClipError, RequestError
from simchain.signal import Signal, read_clip

LONGEST_NAME = 100
# Of a tone file the middle counts: it begins and ends with switching noise.
MIDDLE = 0.5
SHORTEST_TONE_S = 0.25
# Share of the energy that is not the tone.
MOST_BESIDE_TONE = 0.01
FULL_SCALE = 0.999
LARGEST_TONE_VOLTS = 100.0


def keep_clip(folder: Path, name: str, content: bytes) -> dict[str, Any]:
    """Keep a sound file's `content` as `name` in `folder`, and return what is in it.

    Nothing is written over: the same file may come again, another one of its name is refused.
    Raises RequestError for a name that is none, ClipError for what is no sound that can be used,
    OutputError when it cannot be written.
    """
    name = checked_clip_name(name)
    facts = _facts(name, _decoded(name, content))
    path = folder / name
    if _lies_there(path):
        if not path.is_file() or path.is_symlink() or path.read_bytes() != content:
            raise RequestError(
                f"{shown(name)} is there already and is another file: give this one another name"
            )
    else:
        files.write_bytes(path, content)
    return facts


def checked_clip_name(name: str) -> str:
    """Return a plain file name of a sound; nothing that leads elsewhere. Raises RequestError."""
    plain = Path(name).name == name and not set(name) & set('\\/:*?"<>|')
    fits = name.lower().endswith(SOUND_FILES) and not name.startswith(".")
    short = len(name.encode()) <= LONGEST_NAME
    if not (plain and fits and short and name.isprintable() and name == name.strip()):
        endings = ", ".join(SOUND_FILES)
        raise RequestError(f"name = {shown(name)}: a plain name is wanted that ends in {endings}")
    return name


def full_scale_from_tone(folder: Path, name: str, tone_volts: float) -> dict[str, Any]:
    """Return what full scale is in dBu, from a recorded tone of known volts.

    `tone_volts`: RMS volts that a meter read at the input while the tone was recorded with the
    gain of the clips. The tone's level in the file is that of its own frequency, against a sine at
    full scale. Raises ClipError for a file that holds no steady tone, or one at full scale.
    """
    if not 0.0 < tone_volts <= LARGEST_TONE_VOLTS:
        raise RequestError(f"volts = {shown(tone_volts)}: allowed is above 0 to 100 V RMS")
    sound = read_clip(folder / checked_clip_name(name))
    level_dbfs, hz = tone_of(sound, name)
    return {
        "clip": name,
        "hz": hz,
        "level_dbfs": level_dbfs,
        "full_scale_dbu": round(units.volts_to_dbu(tone_volts) - level_dbfs, 2),
    }


def tone_of(sound: Signal, name: str = "tone") -> tuple[float, float]:
    """Return level (dB below a sine at full scale) and frequency (Hz) of the tone in a sound.

    Of two channels the louder counts. Raises ClipError where there is no one tone.
    """
    import numpy as np

    frames = sound.volts.shape[1]
    edge = round(frames * (1.0 - MIDDLE) / 2)
    middle = sound.volts[:, edge : frames - edge]
    if middle.shape[1] < SHORTEST_TONE_S * sound.rate:
        raise ClipError(f"clip {name}: a tone of half a second or more is wanted")
    line = max(middle, key=lambda each: float(np.sum(each**2)))
    if np.max(np.abs(line)) >= FULL_SCALE:
        raise ClipError(f"clip {name}: the tone reaches full scale: record it lower")
    # A Hann window keeps a tone within two lines on either side of its own.
    power = np.abs(np.fft.rfft(line * np.hanning(len(line)))) ** 2
    at = int(np.argmax(power))
    whole = float(np.sum(power))
    near = float(np.sum(power[max(0, at - 3) : at + 4]))
    if whole <= 0.0 or at < 4 or near < (1.0 - MOST_BESIDE_TONE) * whole:
        raise ClipError(f"clip {name}: no steady tone is heard in its middle half")
    mean_square = float(np.mean(line**2)) * near / whole
    return 10.0 * math.log10(2.0 * mean_square), at * sound.rate / len(line)


def _decoded(name: str, content: bytes) -> Signal:
    """Read a sound's bytes as a clip is read; messages name it as the user does."""
    with files.in_temporary_folder(), tempfile.TemporaryDirectory() as aside:
        path = Path(aside) / f"clip{Path(name).suffix.lower()}"
        path.write_bytes(content)
        try:
            return read_clip(path)
        except ClipError as error:
            raise ClipError(str(error).replace(str(path), name)) from error


def _facts(name: str, sound: Signal) -> dict[str, Any]:
    import numpy as np

    return {
        "clip": name,
        "seconds": sound.volts.shape[1] / sound.rate,
        "rate": sound.rate,
        "channels": sound.volts.shape[0],
        "peak": float(np.max(np.abs(sound.volts))),
    }


def _lies_there(path: Path) -> bool:
    return path.exists() or path.is_symlink()
