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
    """Return a function that loads a board whose clip holds the given volts (float file)."""

    def make(text: str, volts: np.ndarray, links: str = "ideal", tail_s: float = 0.0) -> Board:
        write_float_wav(tmp_path / "clip.wav", Signal(volts, RATE))
        source = 'source = { kind = "line", clip = "clip.wav", full_scale_dbu = %.12f }'
        # Full scale 1.0 is 1 V peak: 20 log10(1 / sqrt(2) / sqrt(0.6)) dBu.
        full_scale_dbu = 20 * np.log10(1 / np.sqrt(2) / np.sqrt(0.6))
        path = tmp_path / "board.toml"
        head = f'tail_s = {tail_s}\nlinks = "{links}"\n{source % full_scale_dbu}\n'
        path.write_text(head + text)
        return load_board(path)

    return make


@pytest.fixture
def noise() -> np.ndarray:
    """Half a second of noise at 50 mV RMS."""
    return 0.05 * np.random.default_rng(7).standard_normal((1, RATE // 2))
