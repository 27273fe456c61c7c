"""A board that carries every kind, and every shape, voice and circuit of them, renders."""

from collections.abc import Callable

import numpy as np
import pytest

import simchain
from simchain.blocks import kinds
from simchain.board import Board

MakeBoard = Callable[..., Board]

VARIANTS = {
    "drive": ['clip = "shunt"', "diodes_up = 2"],
    "fuzz": ["octave = 1.0"],
    "modulation": [
        f'shape = "{shape}"' for shape in ("chorus", "flanger", "phaser", "vibrato", "tremolo")
    ],
    "delay": ['voice = "tape"', 'voice = "bucket-brigade"'],
    "reverb": ["shimmer = 0.3\nmotion = 0.5"],
    "octave": ["up_mix = 0.5"],
}


def every_unit() -> dict[str, str]:
    """Return the lines of each block by its name: every kind as it comes, then its variants."""
    found = {name: f'kind = "{name}"' for name in kinds() if name != "tuner"}
    for kind, variants in VARIANTS.items():
        for place, lines in enumerate(variants, start=1):
            found[f"{kind}-{place}"] = f'kind = "{kind}"\n{lines}'
    return found


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_a_board_with_every_kind_renders(
    make_board: MakeBoard, tone: Callable[..., np.ndarray], rate: int
) -> None:
    units = every_unit()
    tables = "\n".join(f"[blocks.{name}]\n{lines}" for name, lines in units.items())
    names = str(list(units)).replace("'", '"')
    text = f"""
    [amps.a]
    [orders.all]
    front = {names}
    [orders.loop]
    front = ["drive"]
    loop = {str([name for name in units if name != "drive"]).replace("'", '"')}
    [passages.on]
    on = {names}
    {tables}
    """
    board = make_board(text, tone(220, 0.1))
    board = board.model_copy(update={"rate": rate})
    for order in ("all", "loop"):
        points = simchain.render(board, order=order, passage="on").points
        for name, point in points.items():
            assert np.isfinite(point.volts).all(), name
        for name in units:
            assert points[f"{name}.out"].level.rms_volts > 0, name


@pytest.mark.parametrize("name", sorted(every_unit()))
def test_each_alone_is_heard_and_lines_up(
    make_board: MakeBoard, noise: np.ndarray, name: str
) -> None:
    """On, each changes the sound (or is plainly a wire); its test points are equally long."""
    text = f"""
    [orders.one]
    front = ["unit"]
    [passages.on]
    on = ["unit"]
    [passages.off]
    on = []
    [blocks.unit]
    {every_unit()[name]}
    """
    board = make_board(text, noise)
    on = simchain.render(board, order="one", passage="on").points
    off = simchain.render(board, order="one", passage="off").points
    assert {point.volts.shape[1] for point in on.values()} == {noise.shape[1]}
    np.testing.assert_array_equal(off["out"].volts[0], off["source"].volts[0])
    same = np.array_equal(on["out"].volts, off["out"].volts)
    assert same == (name in ("equalizer", "looper", "volume")), (
        "only these do nothing at their defaults"
    )
