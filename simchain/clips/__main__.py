"""Make the clips again: python -m simchain.clips [FOLDER]."""

import sys
from pathlib import Path

from simchain import clips
from simchain.errors import SimchainError


def main(arguments: list[str]) -> int:
    """Write all clips into the folder given, or over the ones that are there."""
    if len(arguments) > 1:
        print("usage: python -m simchain.clips [FOLDER]", file=sys.stderr)
        return 2
    folder = Path(arguments[0]) if arguments else clips.path(clips.names()[0]).parent
    try:
        clips.write(folder)
    except SimchainError as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{len(clips.names())} clips written to {folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
