"""The commands as a newcomer types them, with mistakes: plain lines, nothing half done."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

import simchain
from simchain.board import read_board
from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A small board with a clip beside it."""
    return board_beside_tone(tmp_path, TWO_ORDERS)


def test_render_prints_one_json_document(simchain_command: Simchain, board: Path) -> None:
    out = board.parent / "out"
    ran = simchain_command(
        "render", board, "--order", "a", "--passage", "riff", "--out", out, "--points", "--json"
    )
    document = json.loads(ran.out)
    assert ran.status == 0
    assert document["order"] == "a"
    assert (out / document["output"]["file"]).is_file()
    assert all((out / point["file"]).is_file() for point in document["points"].values())
    assert document["left_out"] == []


def test_render_says_what_it_measured_and_where_it_lies(
    simchain_command: Simchain, board: Path
) -> None:
    out = board.parent / "out"
    ran = simchain_command("render", board, "--order", "a", "--passage", "riff", "--out", out)
    assert ran.status == 0
    assert "grit.out" in ran.out
    assert f"written: {out / 'riff.a.wav'}" in ran.out


def test_levels_of_every_passage(simchain_command: Simchain, board: Path) -> None:
    out = board.parent / "out"
    ran = simchain_command("levels", board, "--order", "a", "--out", out)
    assert ran.status == 0
    assert "grit.out" in ran.out
    assert (out / "a.levels.png").is_file()
    assert (out / "a.levels.svg").is_file()
    document = json.loads(simchain_command("levels", board, "--order", "a", "--json").out)
    point = document["points"]["grit.out"]["riff"]
    names = {"rms_dbu", "peak_volts", "rail_volts", "headroom_db", "floor_dbu"}
    assert names <= set(point)
    assert set(document["points"]["grit.out"]) == {"riff", "off"}
    wrong = simchain_command("levels", board, "--order", "c")
    assert wrong.status == 2
    assert "no order 'c'" in wrong.err


def test_check_lists_warnings_and_ends_well(simchain_command: Simchain, tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    assert simchain_command("new", path).status == 0
    ran = simchain_command("check", path)
    assert ran.status == 0
    assert "can be played" in ran.out
    document = json.loads(simchain_command("check", path, "--json").out)
    assert document["errors"] == []


@pytest.mark.parametrize("name", ["electric", "acoustic"])
def test_each_starter_renders(simchain_command: Simchain, tmp_path: Path, name: str) -> None:
    path = tmp_path / f"{name}.toml"
    assert simchain_command("new", path, "--starter", name).status == 0
    board = read_board(path.read_text())
    order, passage = next(iter(board.orders)), next(iter(board.passages))
    ran = simchain_command(
        "render", path, "--order", order, "--passage", passage, "--out", tmp_path / "out"
    )
    assert ran.status == 0, ran.err


def test_new_leaves_what_is_there(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("new", board)
    assert ran.status == 2
    assert "is there already" in ran.err
    assert board.read_text() == TWO_ORDERS


def test_blocks_lists_kinds_and_offers_the_nearest(simchain_command: Simchain) -> None:
    assert "compressor" in simchain_command("blocks").out
    drive = simchain_command("blocks", "drive")
    assert "gain_db" in drive.out
    assert "470 kohm" in drive.out
    wrong = simchain_command("blocks", "drvie")
    assert wrong.status == 2
    assert "did you mean 'drive'?" in wrong.err
    names = [kind["kind"] for kind in json.loads(simchain_command("blocks", "--json").out)["kinds"]]
    assert names == sorted(names)


def test_the_amplifiers_keys_are_listed_too(simchain_command: Simchain) -> None:
    assert "loop_level_dbu" in simchain_command("blocks", "amp").out
    wrong = simchain_command("blocks", "phaser")
    assert 'it is a modulation with shape = "phaser"' in wrong.err


def test_version(simchain_command: Simchain) -> None:
    assert simchain_command("--version").out.strip() == simchain.__version__


def test_a_level_nobody_gave_is_said(simchain_command: Simchain, board: Path) -> None:
    assert "full_scale_dbu = 12 is assumed" in simchain_command("check", board).out
    board.write_text(TWO_ORDERS.replace('"clip.wav"', '"clip.wav", full_scale_dbu = 12'))
    assert "is assumed" not in simchain_command("check", board).out


def test_help_names_every_command(simchain_command: Simchain) -> None:
    ran = simchain_command("--help")
    for command in ("demo", "new", "check", "blocks", "render", "levels", "set-levels", "compare"):
        assert command in ran.out


MISTAKES = [
    ('kind = "drive"', "kind = drive", "text stands in quotes"),
    ('kind = "drive"', 'kind = "drive', "a quote is not closed"),
    ('kind = "drive"', 'kind = "phaser"', 'it is a modulation with shape = "phaser"'),
    ('kind = "drive"', 'kind = "drive", blend = 30', "30 % is 0.3"),
    ("tail_s = 0.1", "tail_s = 0,1", "a number has a point, not a comma"),
    ("tail_s = 0.1", "tail_s = 2s", "without its unit"),
    ("tail_s = 0.1", "tail_s = 30%", "30 % is 0.3"),
    ('clip = "clip.wav"', 'clip = "gone.wav"', "no such file"),
    ('kind = "drive"', 'kind = "drvie"', "did you mean 'drive'"),
    ('kind = "drive"', 'kind = "drive", gian_db = 3', "did you mean 'gain_db'"),
    ('kind = "drive"', 'kind = "drive", gain_db = 900', "allowed is -60 to 80 dB"),
    ('front = ["grit", "push"]', 'front = ["grit", "grit"]', '"grit" stands there twice'),
    ('front = ["grit", "push"]', 'front = ["grit", "psuh"]', "did you mean 'push'"),
    ('front = ["grit", "push"]', 'front = ["grit"]\nloop = ["push"]', "needs an amplifier"),
    ('on = ["grit", "push"]', 'on = ["girt"]', "did you mean 'grit'"),
    ("[passages.riff]", '[passages."../x"]', "cannot be used"),
    ("tail_s = 0.1", "tail_s = -1", "allowed is"),
    ("tail_s = 0.1", "tail_s = ", "is not TOML"),
]


@pytest.mark.parametrize(("before", "after", "words"), MISTAKES)
@pytest.mark.parametrize("command", ["check", "render"])
def test_a_mistake_in_the_board_is_one_plain_line(
    simchain_command: Simchain, board: Path, command: str, before: str, after: str, words: str
) -> None:
    board.write_text(TWO_ORDERS.replace(before, after))
    out = board.parent / "out"
    more = ["--order", "a", "--passage", "riff", "--out", out] if command == "render" else []
    ran = simchain_command(command, board, *more)
    said = ran.out + ran.err
    assert ran.status == 2
    assert words in said
    assert "board.toml" in said
    assert "Traceback" not in said
    assert not list(out.glob("*"))


def test_check_gives_mistakes_as_json(simchain_command: Simchain, board: Path) -> None:
    board.write_text(TWO_ORDERS.replace('kind = "drive"', 'kind = "drive", gain_db = 900'))
    ran = simchain_command("check", board, "--json")
    (error,) = json.loads(ran.out)["errors"]
    assert ran.status == 2
    assert error["table"] == "blocks.grit"
    assert error["key"] == "gain_db"
    assert error["value"] == "900"
    assert {"file", "allowed", "text"} <= set(error)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--order", "aa", "--passage", "riff"], "no order 'aa'"),
        (["--order", "a", "--passage", "rif"], "did you mean 'riff'"),
        (["--order", "a", "--passage", "riff", "--amp", "loud"], "no amplifier 'loud'"),
        (["--order", "a"], "one passage or one song is rendered; name one of them"),
        (["--order", "a", "--passage", "riff", "--pionts"], "No such option"),
    ],
)
def test_names_that_are_not_there(
    simchain_command: Simchain, board: Path, arguments: list[str], words: str
) -> None:
    out = board.parent / "out"
    ran = simchain_command("render", board, *arguments, "--out", out)
    assert ran.status == 2
    assert words in ran.err
    assert not list(out.glob("*"))


def _not_sound(path: Path) -> None:
    path.write_text("hello, this is no sound")


def _not_a_number(path: Path) -> None:
    samples = np.zeros(4_800)
    samples[1_234] = np.nan
    soundfile.write(path, samples, 48_000, "FLOAT")


def _too_long(path: Path) -> None:
    soundfile.write(path, np.zeros(8_000 * 601, dtype=np.int16), 8_000, "PCM_U8")


def _cut_off(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:2_000])


def _emptied(path: Path) -> None:
    path.write_bytes(b"")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (Path.unlink, "no such file"),
        (_emptied, "is empty"),
        (_cut_off, "is cut off"),
        (_not_sound, "cannot be read as sound"),
        (_not_a_number, "not a finite number at frame 1234"),
        (_too_long, "10 minutes"),
    ],
)
@pytest.mark.parametrize("command", ["check", "compare"])
def test_clips_that_cannot_be_used(
    simchain_command: Simchain, board: Path, command: str, spoil, words: str
) -> None:
    spoil(board.parent / "clip.wav")
    out = board.parent / "out"
    ran = simchain_command(command, board, *(["--out", out] if command == "compare" else []))
    said = ran.out + ran.err
    assert ran.status == 2
    assert words in said
    assert "clip.wav" in said
    assert not list(out.glob("*"))


def test_a_normalised_clip_is_warned_of(simchain_command: Simchain, board: Path) -> None:
    soundfile.write(board.parent / "clip.wav", 0.99 * np.sin(np.arange(24_000) / 30), 48_000)
    ran = simchain_command("check", board)
    assert ran.status == 0
    assert "a passive pickup gives 0.03 to 2.5 V" in ran.out
    rendered = simchain_command(
        "render", board, "--order", "a", "--passage", "riff", "--out", board.parent / "out"
    )
    assert rendered.status == 0
    assert "a passive pickup gives" in rendered.err


def test_an_output_that_cannot_be_a_folder(simchain_command: Simchain, board: Path) -> None:
    (board.parent / "taken").write_text("a file stands here")
    ran = simchain_command("compare", board, "--out", board.parent / "taken")
    assert ran.status == 2
    assert "cannot write into" in ran.err
    assert (board.parent / "taken").read_text() == "a file stands here"


@pytest.mark.skipif(sys.platform != "linux", reason="limits file sizes with Linux's means")
def test_a_full_disk_leaves_nothing_half_written(board: Path) -> None:
    """A file-size limit stands for a disk that fills up while the results are written."""
    out = board.parent / "out"
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "from simchain.cli import main; import simchain.decide.compare, simchain.report.page;"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000));"
        f"sys.argv = ['simchain', 'compare', {str(board)!r}, '--out', {str(out)!r}]; main()"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 2, ran.stderr
    assert "cannot write" in ran.stderr
    assert "Traceback" not in ran.stderr
    for path in out.glob("*.flac"):
        soundfile.read(path)
    assert not list(out.glob(".simchain-*"))
    assert not (out / "audition.html").exists()


def test_ctrl_c_leaves_no_partial_file(board: Path, tmp_path: Path) -> None:
    long = 0.1 * np.sin(np.arange(48_000 * 120) / 40)
    soundfile.write(board.parent / "clip.wav", long, 48_000)
    out = tmp_path / "out"
    command = shutil.which("simchain", path=os.path.dirname(sys.executable))  # noqa: PTH120
    assert command
    process = subprocess.Popen(
        [command, "compare", str(board), "--out", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    while not out.exists():
        time.sleep(0.02)
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in said
    assert not list(out.iterdir())


def test_a_fault_of_ours_is_one_line_and_a_file(
    simchain_command: Simchain, board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr("simchain.decide.compare.compare", broken)
    ran = simchain_command("compare", board, "--out", board.parent / "out")
    assert ran.status == 1
    assert "Traceback" not in ran.err
    (line,) = ran.err.strip().splitlines()
    kept = Path(line.rsplit(" ", 1)[-1])
    assert "made up" in kept.read_text()
    kept.unlink()


@pytest.mark.parametrize("arguments", [["--help"], ["check", "BOARD"], ["blocks", "drive"]])
def test_light_commands_load_nothing_heavy(board: Path, arguments: list[str]) -> None:
    code = (
        "import sys; from simchain import cli\n"
        f"sys.argv = ['simchain', *{[str(board) if a == 'BOARD' else a for a in arguments]!r}]\n"
        "try: cli.main()\n"
        "except SystemExit: pass\n"
        "late = 'numba scipy.signal matplotlib jinja2 numpy.random numpy.polynomial numpy.ma'\n"
        "found = set(late.split()) & set(sys.modules)\n"
        "print('loaded:', sorted(found), file=sys.stderr)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "loaded: []" in ran.stderr


def test_a_passage_is_rendered_without_what_is_slow_to_load(board: Path, tmp_path: Path) -> None:
    """Loading scipy.signal takes most of a second, longer than the sound."""
    words = [*("render", str(board), "--order", "a", "--passage", "riff"), "--out", "out"]
    code = (
        f"import sys; from simchain import cli; sys.argv = ['simchain', *{words!r}]\n"
        "try: cli.main()\n"
        "except SystemExit as end: assert not end.code\n"
        "print('loaded:', sorted({'scipy.signal', 'matplotlib'} & set(sys.modules)))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path
    )
    assert "loaded: []" in ran.stdout
