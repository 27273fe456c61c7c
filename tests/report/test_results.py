"""Files that a render and a comparison leave: sounds by an outside meter, sizes, names, JSON."""

import json
import math
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile

from simchain.board import load_board, read_board, starter
from simchain.chain.render import render
from simchain.decide.compare import compare
from simchain.report.results import write_comparison, write_render
from tests.conftest import TWO_ORDERS, board_beside_tone


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict, dict]:
    """The demo board's four orders over three of its passages: 12 sounds of 10 s or more.

    Not judged: what ears are expected to tell has no part in how loud, long or large they are.
    """
    folder = tmp_path_factory.mktemp("page")
    board = read_board(starter("demo"))
    names = ["verse", "solo", "intro"]
    found = compare(board, list(board.orders), passages=names, judged=False)
    document, data = write_comparison(found, folder)
    return folder, document, data


def test_auditions_are_equally_loud_by_an_outside_meter(written: tuple[Path, dict, dict]) -> None:
    folder, document, _ = written
    loudness, peaks = [], []
    for audition in document["auditions"]:
        samples, rate = soundfile.read(folder / audition["file"], always_2d=True)
        assert samples.shape[1] == 2
        mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
        meter = pyebur128.R128State(2, rate, mode)
        meter.add_frames(samples.ravel(), len(samples))
        loudness.append(pyebur128.get_loudness_global(meter))
        peaks.append(max(20 * math.log10(pyebur128.get_true_peak(meter, c)) for c in (0, 1)))
    print(
        f"{len(loudness)} auditions: {min(loudness):.3f} to {max(loudness):.3f} LUFS (libebur128), "
        f"highest true peak {max(peaks):.2f} dBTP"
    )
    assert len(loudness) == 12
    assert max(loudness) - min(loudness) <= 0.1
    assert max(peaks) <= -1.0


def test_a_page_of_twelve_sounds_of_ten_seconds_is_under_12_mb(
    written: tuple[Path, dict, dict],
) -> None:
    folder, document, data = written
    size = (folder / document["page"]).stat().st_size
    seconds = [passage["seconds"] for passage in data["passages"]]
    print(
        f"page of 12 sounds, {min(seconds):.1f} to {max(seconds):.1f} s each: {size / 1e6:.2f} MB"
    )
    assert min(seconds) >= 10
    assert size < 12e6


def test_the_documents_names_are_those_agreed(tmp_path: Path) -> None:
    board = load_board(board_beside_tone(tmp_path, TWO_ORDERS))
    document, _ = write_comparison(compare(board, list(board.orders)), tmp_path / "out")
    assert {"simchain", "orders", "passages", "pairs", "auditions", "page"} <= set(document)
    pair_names = "a b passage trim_lu null_db max_band_change_db score decided_by verdict causes"
    assert set(pair_names.split()) <= set(document["pairs"][0])
    assert {"order", "passage", "file"} <= set(document["auditions"][0])
    json.dumps(document, allow_nan=False)


def test_files_lie_beside_the_page(written: tuple[Path, dict, dict]) -> None:
    folder, document, _ = written
    names = {audition["file"] for audition in document["auditions"]} | {document["page"]}
    assert names == {path.name for path in folder.iterdir()}


BOARD = """
tail_s = 0.0
source = { kind = "line", clip = "clip.wav" }
[blocks]
push = { kind = "boost", gain_db = 6 }
room = { kind = "reverb", outputs = 2 }
[orders.one]
front = ["push", "room"]
[passages.p]
on = ["push", "room"]
"""


@pytest.fixture
def small_board(tmp_path: Path) -> Path:
    random = np.random.default_rng(3)
    soundfile.write(tmp_path / "clip.wav", 0.02 * random.standard_normal(24_000), 48_000, "FLOAT")
    (tmp_path / "board.toml").write_text(BOARD)
    return tmp_path / "board.toml"


def test_points_are_written_in_volts(small_board: Path, tmp_path: Path) -> None:
    rendering = render(load_board(small_board), "one", "p")
    document = write_render(rendering, tmp_path / "out", points=True)
    for name, point in document["points"].items():
        volts, rate = soundfile.read(tmp_path / "out" / point["file"], always_2d=True)
        kept = rendering.points[name].volts
        assert rate == 48_000
        np.testing.assert_allclose(volts.T, kept, atol=1e-6)
        louder = max(kept, key=np.linalg.norm)
        assert point["peak_volts"] == pytest.approx(np.abs(louder).max(), rel=1e-6)
    assert document["points"]["out"]["file"] == "p.one.out.wav"
    samples, _ = soundfile.read(tmp_path / "out" / document["output"]["file"])
    np.testing.assert_allclose(samples.T, rendering.output.samples, atol=1e-7)


def test_render_names_agreed(small_board: Path, tmp_path: Path) -> None:
    rendering = render(load_board(small_board), "one", "p", points=False)
    document = write_render(rendering, tmp_path / "out", points=False)
    assert {"order", "passage", "rate", "left_out", "points", "output"} <= set(document)
    names = "rms_dbu peak_dbu peak_volts crest_db headroom_db floor_dbu channels file"
    assert set(names.split()) <= set(document["points"]["push.out"])
    assert document["points"]["push.out"]["file"] is None
    assert {"integrated_lufs", "true_peak_dbtp", "file"} <= set(document["output"])
    assert len(document["points"]["room.out"]["channels"]) == 2
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["p.one.wav"]


def test_silence_is_null_in_json(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "clip.wav", np.zeros(24_000), 48_000, "FLOAT")
    (tmp_path / "board.toml").write_text(BOARD)
    rendering = render(load_board(tmp_path / "board.toml"), "one", "p", points=False)
    document = write_render(rendering, tmp_path / "out", points=False)
    json.dumps(document, allow_nan=False)
    assert document["points"]["out"]["rms_dbu"] is None
    assert document["output"]["integrated_lufs"] is None
