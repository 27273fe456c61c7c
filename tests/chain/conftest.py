"""A board with a clip of its own, made from TOML text as a user would."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from simchain.board import Board, load_board
from simchain.signal import Signal, write_float_wav

RATE = 48_000
MakeBoard = Callable[..., Board]


@pytest.fixture
def make_board(tmp_path: Path) -> MakeBoard:
    """Return a function that loads a board whose clip holds the given volts (float file).

    Links are wires, unless asked for: what most tests of the chain are about.
    """

    def make(
        text: str,
        volts: np.ndarray,
        rate: int = RATE,
        links: str = "ideal",
        kind: str = "line",
    ) -> Board:
        write_float_wav(tmp_path / "clip.wav", Signal(volts, rate))
        source = 'source = { kind = "%s", clip = "clip.wav", full_scale_dbu = %.12f }'
        # Full scale 1.0 is 1 V peak: 20 log10(1 / sqrt(2) / sqrt(0.6)) dBu.
        full_scale_dbu = 20 * np.log10(1 / np.sqrt(2) / np.sqrt(0.6))
        path = tmp_path / "board.toml"
        path.write_text(
            f'tail_s = 0.0\nlinks = "{links}"\n' + source % (kind, full_scale_dbu) + "\n" + text
        )
        return load_board(path)

    return make


@pytest.fixture
def noise() -> np.ndarray:
    """Return half a second of noise at 50 mV RMS."""
    return 0.05 * np.random.default_rng(7).standard_normal((1, RATE // 2))


@pytest.fixture
def tone() -> Callable[..., np.ndarray]:
    """Return a function that makes a sine of `peak` volts."""

    def make(hz: float, peak: float, seconds: float = 0.5) -> np.ndarray:
        return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)[None, :]

    return make
