"""Small boards with short clips, and what is asked of a search of them."""

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from simchain import clips
from simchain.board import Allowed, Board, load_board
from simchain.decide.alike import Alike
from simchain.decide.engine import engine
from simchain.decide.trial import Asked
from simchain.signal import Signal, read_clip, write_float_wav


@dataclass
class Given:
    """A board in TOML: its `blocks`, one a line, and all else; a clip of its first `seconds`.

    All blocks are on in passage `p`, unless `passages` says otherwise. `amps` are lines of `[amps]`
    of which the first is the one that is heard.
    """

    blocks: str
    rest: str = ""
    passages: str = ""
    amps: str = ""
    clip: str = "riff"
    seconds: float = 2.0
    tail_s: float = 0.3
    links: str = "ideal"
    names: list[str] = field(init=False)

    def __post_init__(self) -> None:
        self.names = [line.split(" ")[0] for line in self.blocks.strip().splitlines()]

    def board(self, folder: Path) -> Board:
        """Write it into a folder, beside its clip, and load it."""
        played = read_clip(clips.path(self.clip))
        short = played.volts[:, : round(self.seconds * played.rate)]
        write_float_wav(folder / "clip.wav", Signal(short, played.rate))
        first = self.amps.strip().split(" ")[0]
        parts = [
            f'links = "{self.links}"\ntail_s = {self.tail_s}',
            'source = { kind = "guitar", clip = "clip.wav" }',
            f"[blocks]\n{self.blocks.strip()}",
            f'[amps]\n{self.amps.strip()}\n[output]\namps = ["{first}"]' if first else "",
            self.passages or f"[passages.p]\non = {self.names!r}",
            f"[orders.given]\nfront = {self.names!r}",
            self.rest,
        ]
        path = folder / "board.toml"
        path.write_text("\n".join(parts))
        return load_board(path)


def louder(alike: Alike, a: int, b: int) -> float | None:
    """Return by how much two orders differ in level; None where they sound apart."""
    (found,) = alike.louder_lu(a, np.array([b], dtype=np.int32)).tolist()
    return None if math.isnan(found) else found


Asks = Callable[..., Asked]


@contextmanager
def asking() -> Iterator[Asks]:
    """Give a function that makes an `Asked` of a board, on threads."""
    with engine() as threads:

        def make(board: Board, **more: Any) -> Asked:
            amp = more.pop("amp", board.output.amps[0] if board.output.amps else None)
            return Asked(
                board,
                amp,
                more.pop("passages", tuple(board.passages)),
                more.pop("weights", {"headroom": 1.0}),
                Allowed(board, has_amplifier=amp is not None),
                threads,
                **more,
            )

        yield make
