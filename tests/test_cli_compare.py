"""`simchain compare` as it is typed: passages, songs, stereo, blind tests."""

import hashlib
import json
from pathlib import Path

import pytest
import soundfile

from simchain.decide.causes import CAUSES
from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone
from tests.heard_files import a_result, saved

BOARD = TWO_ORDERS.replace(
    "[passages.off]",
    """above = { passage = "off", lu = 12.0 }
events = [{ at = 0.2, block = "push", do = "off" }]
[passages.off]""",
)
BOARD += '[songs.riff]\npassages = ["off", "riff"]\n'


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A small board with a clip beside it."""
    return board_beside_tone(tmp_path, BOARD)


def test_compare_prints_one_json_document(simchain_command: Simchain, board: Path) -> None:
    out = board.parent / "out"
    ran = simchain_command("compare", board, "--orders", "b,a", "--out", out, "--json")
    document = json.loads(ran.out)
    assert ran.status == 0
    assert [(pair["a"], pair["b"]) for pair in document["pairs"]] == [("b", "a")] * 2
    assert (out / document["page"]).is_file()
    verdicts = {pair["passage"]: pair["verdict"] for pair in document["pairs"]}
    assert verdicts == {"riff": "clear", "off": "same"}
    for pair in document["pairs"]:
        assert pair["score"] >= 0.0
        assert pair["decided_by"] in ("distribution", "movement", "event", "dirt")
        assert set(pair["causes"]) == set(CAUSES)
        assert all(cause["text"] for cause in pair["causes"].values())
        assert pair["causes"]["level"]["difference"] == pair["trim_lu"]


def test_compare_says_one_sentence_for_a_passage(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("compare", board, "--out", board.parent / "out")
    assert ran.status == 0
    assert "A  a: grit push" in ran.out
    assert "Riff: A clear difference expected (borderline), by tone and evenness" in ran.out
    assert ": moving grit after push makes it 1.6 LU " in ran.out
    assert "Off: " in ran.out
    assert "audition.html in a browser" in ran.out


def test_compare_takes_songs_alone_and_beside_passages(
    simchain_command: Simchain, board: Path
) -> None:
    out = board.parent / "out"
    ran = simchain_command("compare", board, "--songs", "riff", "--out", out, "--json")
    document = json.loads(ran.out)
    assert ran.status == 0
    assert document["passages"] == ["riff (song)"]
    assert document["songs"] == [
        {"name": "riff (song)", "song": "riff", "passages": ["off", "riff"]}
    ]
    assert {pair["passage"] for pair in document["pairs"]} == {"riff (song)"}
    asked = ["--passages", "riff", "--songs", "riff"]
    document = json.loads(simchain_command("compare", board, *asked, "--out", out, "--json").out)
    assert document["passages"] == ["riff", "riff (song)"]
    files = [(sound["passage"], sound["file"]) for sound in document["auditions"]]
    assert files == [
        ("riff", "riff.a.flac"),
        ("riff", "riff.b.flac"),
        ("riff (song)", "song+riff.a.flac"),
        ("riff (song)", "song+riff.b.flac"),
    ]
    lengths = [soundfile.info(out / name).duration for _, name in files]
    assert lengths == pytest.approx([0.6, 0.6, 1.1, 1.1])


def test_compare_says_what_happens_in_a_song(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("compare", board, "--songs", "riff", "--out", board.parent / "out")
    assert ran.status == 0
    assert "Riff (song): A subtle difference expected (borderline), by tone" in ran.out
    assert "0:00.0  off begins: nothing on" in ran.out
    (line,) = [line for line in ran.out.splitlines() if "riff begins" in line]
    assert line.startswith("   0:00.5  riff begins: grit and push on. +")
    assert line.endswith("; +12.0 is wanted")
    assert "0:00.7  push off" in ran.out


def test_a_song_that_is_not_there(simchain_command: Simchain, board: Path) -> None:
    out = board.parent / "out"
    ran = simchain_command("compare", board, "--songs", "rif", "--out", out)
    assert ran.status == 2
    assert ran.err.strip() == "no song 'rif' on this board (there are: riff); did you mean 'riff'?"
    assert not list(out.iterdir())


def test_stereo_is_told_by_render_levels_and_compare(
    simchain_command: Simchain, board: Path
) -> None:
    wide = BOARD.replace('push = { kind = "boost" }', 'push = { kind = "reverb", outputs = 2 }')
    board.write_text(wide)
    out = board.parent / "out"
    one = ["--order", "a", "--passage", "riff", "--out", out]
    begins = "Stereo from push reaches out: "
    assert begins in simchain_command("render", board, *one).out
    assert "In riff: " + begins in simchain_command("levels", board, "--order", "a").out
    compared = simchain_command("compare", board, "--passages", "riff", "--out", out).out
    assert "   A: " + begins in compared
    assert "   B: Stereo from push ends at grit: it takes the mean of both sides" in compared
    document = json.loads(simchain_command("render", board, *one, "--json").out)
    (stretch,) = document["stereo"]
    assert (stretch["begins"], stretch["ends"], stretch["loss_db"]) == ("push", None, None)
    assert document["output"]["width"] == stretch["width"] > 0
    document = json.loads(simchain_command("levels", board, "--order", "b", "--json").out)
    (stretch,) = document["stereo"]["riff"]
    assert (stretch["ends"], stretch["how"], stretch["before"]) == ("grit.in", "mean", "push.out")
    assert document["stereo"]["off"] == []


def _heard(board: Path, name: str = "heard.json", **changes: object) -> Path:
    """Write a result of a blind test of the board's two orders beside it."""
    named = {"a": "a", "b": "b", "passage": "riff", "amp": None}
    return saved(board.parent, a_result(**{**named, **changes}), name)


def test_a_blind_test_stands_beside_the_prediction(simchain_command: Simchain, board: Path) -> None:
    """Fingerprints here are taken from the files on disk, apart from how the page takes them."""
    out = board.parent / "out"
    asked = ["compare", board, "--passages", "riff", "--out", out]
    document = json.loads(simchain_command(*asked, "--json").out)
    assert document["heard"] == []
    prints = {
        sound["order"]: hashlib.sha256((out / sound["file"]).read_bytes()).hexdigest()[:16]
        for sound in document["auditions"]
    }
    file = _heard(board, fingerprints=prints, trim_by_ear_db=0.3)
    other = _heard(board, "other.json", predicted=None)
    asked += ["--heard", f"{file},{other}"]
    ran = simchain_command(*asked, "--json")
    assert (ran.status, ran.err) == (0, "")
    first, second = json.loads(ran.out)["heard"]
    assert (first["a"], first["b"], first["passage"], first["amp"]) == ("a", "b", "riff", None)
    assert (first["right"], first["of"], first["planned"], first["needed"]) == (12, 16, 16, 12)
    assert first["probability"] == pytest.approx(0.038406, abs=5e-7)
    assert first["power_at_70"] == pytest.approx(0.4499, abs=5e-5)
    assert (first["trim_by_ear_db"], first["date"]) == (0.3, "2026-11-02T19:30:00.000Z")
    assert first["same_sounds"] is True
    assert "Predicted: a clear difference (borderline, score" in first["text"]
    assert first["text"].endswith("; both agree.")
    assert second["same_sounds"] is False
    assert second["text"].endswith("and the result belongs to those.")
    printed = simchain_command(*asked).out
    found = printed.index("Riff: A clear difference expected")
    heard = printed.index(f"Blind tests\n   {first['text']}\n   {second['text']}\n")
    assert found < heard < printed.index("audition.html in a browser")
    louder = BOARD.replace('"boost" }', '"boost", gain_db = 13 }')
    board.write_text(louder)
    changed = json.loads(simchain_command(*asked, "--json").out)["heard"]
    assert [one["same_sounds"] for one in changed] == [False, False]


def test_without_blind_tests_nothing_is_said_of_them(
    simchain_command: Simchain, board: Path
) -> None:
    out = board.parent / "out"
    assert "Blind" not in simchain_command("compare", board, "--passages", "off", "--out", out).out


@pytest.mark.parametrize(
    ("changes", "asked", "said"),
    [
        ({"right": 13}, [], "right = 13, but 12 of the 16 trials are right"),
        ({"heard": 2}, [], "heard = 2: this simchain reads format 1 alone"),
        ({"b": "c"}, [], "this comparison has the orders a and b"),
        ({"passage": "riff (song)"}, [], "this comparison has the passages riff and off"),
        ({}, ["--passages", "off"], "this comparison has the passage off"),
        ({"amp": "clean"}, [], "this comparison has no amplifier"),
    ],
)
def test_a_blind_test_that_does_not_fit_is_told_before_anything_is_rendered(
    simchain_command: Simchain, board: Path, changes: dict, asked: list[str], said: str
) -> None:
    out = board.parent / "out"
    file = _heard(board, **changes)
    ran = simchain_command("compare", board, "--out", out, "--heard", file, *asked)
    assert ran.status == 2
    assert ran.out == ""
    (line,) = ran.err.splitlines()
    assert line.startswith(str(file))
    assert line.endswith(said)
    assert not out.exists()


def test_measures_are_there_and_those_by_tones_when_asked(
    simchain_command: Simchain, board: Path
) -> None:
    out = board.parent / "out"
    asked = ["compare", board, "--out", out, "--json"]
    plain = json.loads(simchain_command(*asked).out)["auditions"]
    found = json.loads(simchain_command(*asked, "--measures").out)["auditions"]
    assert "Distortion and decay" in (out / "audition.html").read_text()
    by_tones = {"tones_dbu", "difference_tone_hz", "edt_s", "t20_s", "t30_s"} | {
        name for name in found[0]["measures"] if name.endswith("_percent")
    }
    for before, after in zip(plain, found, strict=True):
        figures = after["measures"]
        known = {name: value for name, value in figures.items() if name not in by_tones}
        assert before["measures"] == {**known, **dict.fromkeys(by_tones)}
        assert -60 < figures["most_momentary_lufs"] < 0
        assert figures["most_short_term_lufs"] is None
        assert figures["signal_to_noise_db"] > 30
        assert figures["difference_tone_hz"] == [19_000, 20_000]
        assert figures["t30_s"] is None
    thd = {(one["order"], one["passage"]): one["measures"]["thd_220_hz_percent"] for one in found}
    # Diodes in the feedback stop at their voltage, the tone itself passes beside them: twice the
    # tone is the smaller share of dirt.
    assert thd["a", "riff"] > thd["b", "riff"] > 5
    assert thd["a", "off"] < 1e-6


def test_pictures_are_files_that_the_document_names(
    simchain_command: Simchain, board: Path
) -> None:
    out = board.parent / "out"
    asked = ["compare", board, "--passages", "riff", "--songs", "riff", "--out", out, "--json"]
    assert json.loads(simchain_command(*asked).out)["pictures"] == []
    names = json.loads(simchain_command(*asked, "--pictures").out)["pictures"]
    assert set(names) == {
        *("a.levels.png", "b.levels.png", "riff.spectra.png", "song+riff.spectra.png"),
        *("riff.spectrograms.png", "song+riff.spectrograms.png"),
    }
    assert all((out / name).read_bytes().startswith(b"\x89PNG") for name in names)
