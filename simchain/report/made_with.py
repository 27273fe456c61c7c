"""What a result was made with: versions, and the board's settings. The same again, the same bytes.

Nothing is drawn at random but from seeds that are made from names: a block's hiss, its modulators,
its reverb from the block's, dither from the sound's. So settings and versions say it all.
"""

import hashlib
import json
import platform
from importlib.metadata import version
from pathlib import Path
from typing import Any

import simchain
from simchain import files
from simchain.board import Board

FILE = "made-with.json"
_LIBRARIES = ("numpy", "scipy", "numba", "soundfile")
# Where a file lies, and what it is called, makes no other sound.
_PLACES = {"folder", "file"}


def made_with(board: Board) -> dict[str, Any]:
    """Return versions, rate, and a hash of all settings, for a JSON document.

    `settings_sha256` is that of the board's settings as JSON, defaults written out, keys in
    sequence; files that it names count by their names.
    """
    return {
        "versions": {
            "simchain": simchain.__version__,
            "python": platform.python_version(),
            **{name: version(name) for name in _LIBRARIES},
        },
        "machine": platform.machine(),
        "rate": board.rate,
        "seeds": "from the names of blocks and sounds",
        "settings_sha256": hashlib.sha256(_settings_json(board).encode()).hexdigest(),
    }


def write_made_with(folder: Path, board: Board) -> None:
    """Write the same with all settings into a folder of results.

    Raises OutputError when it cannot be written.
    """
    document = made_with(board) | {"settings": json.loads(_settings_json(board))}
    files.write_text(folder / FILE, json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def _settings_json(board: Board) -> str:
    settings = board.model_dump(mode="json", exclude=_PLACES)
    for family in ("blocks", "amps"):
        for name, table in getattr(board, family).items():
            for key, path in table.named_files().items():
                settings[family][name][key] = Path(path).name
    return json.dumps(settings, sort_keys=True, ensure_ascii=False)
