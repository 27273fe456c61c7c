"""`simchain plan` as it is typed: what it prints and writes, and what it refuses."""

import json
import sys
from pathlib import Path

import pytest

from tests.conftest import Simchain, board_beside_tone

BOARD = """
tail_s = 0.1
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
grit = { kind = "drive" }
push = { kind = "boost" }
[amps.clean]
[amps.hot]
gain_db = 28
[output]
amps = ["clean"]
[orders.a]
front = ["grit"]
loop = ["push"]
[passages.riff]
on = ["grit"]
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    return board_beside_tone(tmp_path, BOARD)


def test_one_json_document(simchain_command: Simchain, board: Path, tmp_path: Path) -> None:
    out, pdf = tmp_path / "sheets" / "plan.html", tmp_path / "sheets" / "plan.pdf"
    text = board.read_text()
    ran = simchain_command(
        "plan", board, "--order", "a", "--out", out, "--pdf", pdf, "--amp", "hot", "--json"
    )
    assert ran.status == 0
    document = json.loads(ran.out)
    assert {"simchain", "order", "cables", "power", "warnings", "file"} <= document.keys()
    assert {"from", "to", "metres", "kind"} <= document["cables"][0].keys()
    assert document["file"] == str(out)
    assert document["pdf"] == str(pdf)
    assert document["amps"] == ["hot"]
    assert any("the board lists none" in warning for warning in document["warnings"])
    assert "warning: " in ran.err
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert "amplifier hot" in out.read_text(encoding="utf-8")
    written = sorted(file.name for file in out.parent.iterdir())
    assert written == ["plan.html", "plan.pdf", "tone-1000-hz.wav", "tone-220-hz.wav"]
    assert board.read_text() == text


def test_what_people_read(simchain_command: Simchain, board: Path, tmp_path: Path) -> None:
    out = tmp_path / "plan.html"
    ran = simchain_command("plan", board, "--order", "a", "--out", out, "--paper", "letter")
    assert ran.status == 0
    assert f"written: {out}" in ran.out
    assert "size: letter" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--order", "b", "--out", "plan.html"], "no order 'b' on this board"),
        (["--order", "a"], "--out is missing"),
        (["--order", "a", "--out", "."], "is a folder"),
        (["--order", "a", "--out", "plan.txt"], "a name that ends in .html is wanted"),
        (["--order", "a", "--out", "board.toml"], "a name that ends in .html is wanted"),
        (["--order", "a", "--out", "clip.wav/plan.html"], "cannot write into"),
        (["--order", "a", "--out", "plan.html", "--pdf", "plan.html"], "ends in .pdf is wanted"),
        (["--order", "a", "--out", "plan.html", "--amp", "loud"], "no amplifier 'loud'"),
    ],
)
def test_what_is_refused_in_one_line(
    simchain_command: Simchain,
    board: Path,
    monkeypatch: pytest.MonkeyPatch,
    options: list[str],
    said: str,
) -> None:
    monkeypatch.chdir(board.parent)
    ran = simchain_command("plan", board, *options)
    assert ran.status == 2
    assert said in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    assert ran.out == ""
    assert not (board.parent / "plan.html").exists()


def test_without_what_makes_pdf(
    simchain_command: Simchain, board: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    ran = simchain_command(
        "plan", board, "--order", "a", "--out", board.parent / "plan.html",
        "--pdf", board.parent / "plan.pdf",
    )  # fmt: skip
    assert ran.status == 2
    assert "simchain[pdf]" in ran.err
    assert "print them" in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    assert not (board.parent / "plan.html").exists()
