"""The clips that ship with simchain, and the players who make them again."""

from pathlib import Path
from typing import TYPE_CHECKING

from simchain.errors import ClipError, nearest

if TYPE_CHECKING:
    from simchain.clips.score import Piece
    from simchain.signal import Signal

_NAMES = ("arpeggio", "riff", "lead", "funk", "fingers", "strum")


def names() -> tuple[str, ...]:
    """All clips, in the order they are shown."""
    return _NAMES


def path(name: str) -> Path:
    """Where the clip lies: in the installed package, or in `audio/` of a source checkout.

    Raises ClipError for a name that is no clip's.
    """
    _known(name)
    package = Path(__file__).resolve().parent.parent
    installed = package / "audio" / f"{name}.flac"
    return installed if installed.is_file() else package.parent / "audio" / f"{name}.flac"


def make(name: str) -> "Signal":
    """Play the clip again: volts at the guitar's jack, one channel, 48 kHz, before quantising.

    Raises ClipError for a name that is no clip's.
    """
    from simchain.clips import recording
    from simchain.signal import Signal

    return Signal(recording.volts(piece(name)), recording.RATE)


def piece(name: str) -> "Piece":
    """The music of a clip. Raises ClipError for a name that is no clip's."""
    _known(name)
    from simchain.clips import eight_lanterns, kelp_and_copper, slipway

    pieces = (
        slipway.ARPEGGIO,
        slipway.RIFF,
        slipway.LEAD,
        kelp_and_copper.FUNK,
        eight_lanterns.FINGERS,
        eight_lanterns.STRUM,
    )
    return pieces[_NAMES.index(name)]


def write(folder: Path) -> None:
    """Play all clips and write them as FLAC files into `folder`.

    Raises OutputError when the folder cannot be written.
    """
    from simchain import files
    from simchain.clips import recording

    files.prepare_folder(folder)
    for name in _NAMES:
        files.write_bytes(folder / f"{name}.flac", recording.flac(piece(name)))


def _known(name: str) -> None:
    if name not in _NAMES:
        raise ClipError(
            f"no clip '{name}' ships with simchain (there are: {', '.join(_NAMES)})"
            f"{nearest(name, _NAMES)}"
        )
