"""What the commands say of passages that are silent, or too short to have a loudness."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone

TOO_SHORT = "'riff' is too short or too quiet to have a loudness (ITU-R BS.1770 takes 400 ms"
SILENT = "'riff' is silent in order 'a'"


@pytest.mark.parametrize(
    ("seconds", "peak", "said"),
    [(0.2, 0.1, TOO_SHORT), (0.5, 1e-6, TOO_SHORT), (0.5, 0.0, SILENT)],
    ids=["short", "soft", "silent"],
)
def test_it_is_said(
    simchain_command: Simchain, tmp_path: Path, seconds: float, peak: float, said: str
) -> None:
    """As a warning, once, and in the JSON; the status is that of success."""
    board = board_beside_tone(tmp_path, TWO_ORDERS)
    tone = np.sin(2 * np.pi * 220 * np.arange(round(seconds * 48_000)) / 48_000)
    soundfile.write(tmp_path / "clip.wav", peak * tone, 48_000, subtype="FLOAT")
    compare = ("compare", board, "--passages", "riff", "--out", tmp_path / "out")
    for arguments in (compare, ("swaps", board, "--order", "a", "--passages", "riff")):
        plain = simchain_command(*arguments)
        assert plain.status == 0
        assert " ".join(plain.err.split()).count(said) == 1
        found = json.loads(simchain_command(*arguments, "--json").out)
        assert sum(text.startswith(said) for text in found["warnings"]) == 1


def test_nothing_is_said_of_what_has_a_loudness(simchain_command: Simchain, tmp_path: Path) -> None:
    """A short clip has one where its tail makes it long enough."""
    text = TWO_ORDERS.replace("tail_s = 0.1", "tail_s = 1.0")
    board = board_beside_tone(tmp_path, text, seconds=0.3)
    ran = simchain_command("swaps", board, "--order", "a", "--passages", "riff")
    assert ran.status == 0
    assert "loudness" not in ran.err
