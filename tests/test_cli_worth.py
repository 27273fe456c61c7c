"""`simchain worth` as a user types it: one document, words for people, faults in one line."""

import json
from pathlib import Path

import pytest

from simchain.report.duties import Duty, main_duty, same_duties
from tests.conftest import Simchain, board_beside_tone

BOARD = """
source = { kind = "line", clip = "clip.wav" }
tail_s = 0.3
[blocks]
tuner = { kind = "tuner" }
lift = { kind = "boost", gain_db = 4, supply_volts = 60 }
push = { kind = "boost", gain_db = 6, supply_volts = 60 }
room = { kind = "reverb", decay_s = 0.4, supply_volts = 60 }
spare = { kind = "drive" }
[orders.a]
front = ["tuner", "spare", "lift", "push", "room"]
[orders.short]
front = ["push", "room"]
[passages.riff]
on = ["lift", "push"]
[passages.wet]
on = ["room"]
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A small board with a clip beside it."""
    return board_beside_tone(tmp_path, BOARD, 1.0, 0.5)


def test_json_is_one_document_and_nothing_else(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("worth", board, "--order", "a", "--json")
    document = json.loads(ran.out)
    assert ran.status == 0
    assert list(document["blocks"]) == ["tuner", "spare", "lift", "push", "room"]
    push = document["blocks"]["push"]
    assert (push["on_share"], push["switched"], push["class"]) == (0.5, 0, "essential")
    assert push["passages"]["riff"]["trim_lu"] == pytest.approx(-6.0, abs=0.05)
    assert push["passages"]["riff"]["causes"]["level"]["text"] == "6.0 LU quieter"
    assert document["blocks"]["tuner"]["class"] == "rarely"
    assert document["renders"] <= 60
    best = document["best"][0]
    assert {"lift", "push", "room"} < set(best["blocks"])
    assert best["kept"] == 1.0
    (shared,) = document["shared"]
    assert shared["text"] == "lift and push both add level in riff."


def test_people_get_a_table_and_sentences(simchain_command: Simchain, board: Path) -> None:
    ran = simchain_command("worth", board, "--order", "a")
    said = " ".join(ran.out.split())
    assert ran.status == 0
    assert max(map(len, ran.out.splitlines())) <= 80
    assert "tuner is never on in these passages" in said
    assert "push is on 50 % of the time; without it, in riff no difference" in said
    assert "6.0 LU quieter" in said
    assert "keep 100 % of what all blocks do" in said
    assert "lift and push both add level in riff" in said


def test_what_the_user_must_mend_is_one_line(simchain_command: Simchain, board: Path) -> None:
    for asked in (
        ["--order", "b"],
        ["--order", "a", "--passages", "none"],
        ["--order", "a", "--amp", "hot"],
        ["--order", "short"],
    ):
        ran = simchain_command("worth", board, *asked)
        assert (ran.status, len(ran.err.strip().splitlines())) == (2, 1), ran.err
        assert ran.out == ""
    bare = board.with_name("bare.toml")
    bare.write_text(BOARD.split("[passages.riff]")[0])
    ran = simchain_command("worth", bare, "--order", "a")
    assert (ran.status, len(ran.err.strip().splitlines())) == (2, 1), ran.err


def _causes(**differences: float) -> dict[str, dict[str, float]]:
    names = ("level", "tone", "dirt", "touch", "movement", "tail", "noise", "width")
    found = {name: {"difference": differences.get(name, 0.0)} for name in names}
    found["tone"] |= {"band_db": differences.get("band_db", 0.0), "hz": differences.get("hz", 0.0)}
    return found


def test_a_duty_is_the_largest_cause_and_shared_where_alike() -> None:
    assert main_duty(None) is None
    assert main_duty(_causes(level=0.1)) is None
    assert main_duty(_causes(level=-6.0, dirt=-3.0)) == Duty("level", True)
    assert main_duty(_causes(level=-0.3, dirt=-12.0)) == Duty("dirt", True)
    low = Duty("tone", True, 100.0)
    assert low.is_like(Duty("tone", True, 150.0))
    assert not low.is_like(Duty("tone", True, 1000.0))
    assert not low.is_like(Duty("tone", False, 100.0))

    def block(missed: float, **differences: float) -> dict[str, object]:
        return {"passages": {"solo": {"missed": missed, "causes": _causes(**differences)}}}

    blocks = {
        "a": block(9.0, tone=2.0, band_db=-4.0, hz=800.0),
        "b": block(9.0, tone=1.0, band_db=-3.0, hz=900.0),
        "c": block(0.5, tone=0.4, band_db=-1.0, hz=900.0),
        "d": block(9.0, level=6.0),
    }
    found = list(same_duties(blocks, 1.0))
    assert [one["text"] for one in found] == [
        "a and b both bring up the tone around 800 Hz in solo."
    ]
