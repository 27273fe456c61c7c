"""What set-levels prints: the JSON document and the lines for people."""

import io
import json
from pathlib import Path

from rich.console import Console

from simchain.board import read_board
from simchain.decide.limits import Limit
from simchain.decide.set_levels import LevelSettings, PassageLevel
from simchain.report.set_levels import set_levels_document, set_levels_parts

BOARD = """
[blocks]
push = { kind = "boost" }
grit = { kind = "drive" }
[orders.series]
front = ["push", "grit"]
[passages.solo]
on = ["push"]
"""


def result(gain_db: float = 9.5, limit: Limit | None = None) -> LevelSettings:
    return LevelSettings(
        board=read_board(BOARD),
        order="series",
        amp=None,
        settings={"push": {"gain_db": gain_db}, "grit": {"level_db": -11.0}},
        before={"push": {"gain_db": 6.0}, "grit": {"level_db": -11.0}},
        passages={
            "verse": PassageLevel(None, None, None, None, None, -20.0, -20.0),
            "solo": PassageLevel("verse", 3.0, 0.8, -0.04 if limit else 3.02, None, -19.2, -17.0),
            "coda": PassageLevel(None, -15.0, -16.0, -15.01, -15.0, -16.0, -15.01),
        },
        renders={"verse": 2, "solo": 6, "coda": 6},
        curve_renders={"verse": 0, "solo": 5, "coda": 0},
        limits={"solo": limit} if limit else {},
        warnings=("loud",),
    )


def printed(found: LevelSettings, *, written: bool = False) -> str:
    document = set_levels_document(found, written=written)
    console = Console(file=io.StringIO(), width=100)
    for part in set_levels_parts(document, Path("b.toml")):
        console.print(part, soft_wrap=True)
    return console.file.getvalue()  # type: ignore[attr-defined]


def test_the_document_has_its_fixed_names() -> None:
    document = set_levels_document(result(), written=False)
    assert set(document) >= {"simchain", "order", "amp", "settings", "passages", "renders",
                             "limits", "written", "warnings"}  # fmt: skip
    assert document["settings"] == {"push": {"gain_db": 9.5}, "grit": {"level_db": -11.0}}
    assert document["passages"]["solo"] == {
        "above": "verse",
        "target_lu": 3.0,
        "before_lu": 0.8,
        "reached_lu": 3.02,
        "target_lufs": None,
        "before_lufs": -19.2,
        "reached_lufs": -17.0,
    }
    assert document["passages"]["verse"]["target_lu"] is None
    assert document["passages"]["coda"]["target_lu"] == -15.0
    assert document["passages"]["coda"]["target_lufs"] == -15.0
    json.dumps(document, allow_nan=False)


def test_a_limit_keeps_its_curve() -> None:
    limit = Limit("push.gain_db", "dB", ((0.0, 0.1), (25.0, float("-inf"))), "push cannot")
    document = set_levels_document(result(limit=limit), written=False)
    assert document["limits"]["solo"] == {
        "control": "push.gain_db",
        "unit": "dB",
        "curve": [[0.0, 0.1], [25.0, None]],
        "text": "push cannot",
    }


def test_people_see_old_and_new_target_and_reached() -> None:
    lines = [line.split() for line in printed(result()).splitlines()]
    assert ["push.gain_db", "6", "9.5"] in lines
    assert ["grit.level_db", "-11", "as", "it", "is"] in lines
    assert ["solo", "+3.0", "LU", "against", "verse", "+0.8", "+3.0", "-17.0"] in lines
    assert ["coda", "-15.0", "LUFS", "-16.0", "-15.0", "-15.0"] in lines
    assert ["verse", "-", "-20.0"] in lines
    assert "b.toml is untouched; add --write to keep these settings" in printed(result())
    assert "written into b.toml" in printed(result(), written=True)


def test_people_see_why_not_with_the_curve() -> None:
    limit = Limit("push.gain_db", "dB", ((0.0, -0.04), (25.0, 1.6)), "push.gain_db cannot do it")
    text = printed(result(limit=limit))
    assert "solo misses its target. push.gain_db cannot do it." in text
    assert "push.gain_db dB  solo against verse, LU" in text
    lines = [line.split() for line in text.splitlines()]
    assert ["0", "0.0"] in lines
    assert ["25", "+1.6"] in lines


def test_nothing_turned_is_said() -> None:
    assert "nothing is turned; b.toml stays as it is" in printed(result(gain_db=6.0))
