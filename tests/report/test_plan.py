"""The plan of an order: its document against hand-worked boards, its sheets, its tones."""

import html.parser
import io
import math
import re
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simchain.board import Board, Order, load_board
from simchain.chain.render import render
from simchain.errors import RequestError
from simchain.patch.cables import Patching, in_series
from simchain.patch.tones import READ_S, SETTLE_S
from simchain.report import plan_words
from simchain.report.plan_document import Plan, plan, plan_document
from simchain.report.plan_page import plan_page, tone_wav
from tests.axe import looks, violations
from tests.conftest import board_beside_tone

BOARD = """
title = "Two <blocks> & a room"
tail_s = 0.1
source = { kind = "guitar", clip = "clip.wav" }
cables = { guitar_m = 5, amp_m = 6, send_m = 6, return_m = 6, patch_m = 0.12 }
[supply]
outlets = [
  { name = "A", volts = 9, ma = 300, isolated = true },
  { name = "B", volts = 18, ma = 100, isolated = true },
  { name = "C", volts = 9, ma = 300, isolated = true },
]
[amps.clean]
gain_db = 8
[output]
amps = ["clean"]
[blocks]
grit = { kind = "drive", gain_db = 20, current_ma = 8 }
push = { kind = "boost", gain_db = 6, supply_volts = 18, current_ma = 6 }
wobble = { kind = "modulation", shape = "tremolo", depth = 0.7, current_ma = 10 }
room = { kind = "reverb", current_ma = 100 }
[orders.split]
front = ["grit", "push", "wobble"]
loop = ["room"]
[orders.series]
front = ["grit", "push", "wobble", "room"]
[orders.other]
front = ["push", "grit", "wobble", "room"]
[passages.riff]
on = ["grit"]
[passages.solo]
on = ["grit", "push", "wobble", "room"]
events = [{ at = 0.3, block = "push", do = "off" }]
above = { passage = "riff", lu = 3 }
"""


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return load_board(board_beside_tone(tmp_path_factory.mktemp("plan"), BOARD))


@pytest.fixture(scope="module")
def made(board: Board) -> tuple[Plan, list[tuple[int, int]]]:
    told: list[tuple[int, int]] = []
    return plan(board, "split", progress=lambda done, total, _: told.append((done, total))), told


@pytest.fixture(scope="module")
def document(made: tuple[Plan, Any]) -> dict[str, Any]:
    return plan_document(made[0], "plan.html")


def test_cables_and_what_to_buy_by_hand(document: dict[str, Any]) -> None:
    cables = [(c["number"], c["from"], c["to"], c["kind"]) for c in document["cables"]]
    assert cables == [
        (1, "guitar", "grit.in", "instrument"),
        (2, "grit.out", "push.in", "patch"),
        (3, "push.out", "wobble.in", "patch"),
        (4, "wobble.out", "amp.in", "amplifier"),
        (5, "amp.send", "room.in", "send"),
        (6, "room.out", "amp.return", "return"),
    ]
    bought = [(b["use"], b["buy_m"], b["needed"], b["buy"]) for b in document["to_buy"]]
    assert bought == [("patch", 0.15, 2, 3), ("stage", 6.0, 4, 5)]


def test_power_by_hand(document: dict[str, Any]) -> None:
    """9.6 + 12 mA share one 9 V outlet, the reverb has the other, the boost the 18 V."""
    power = [(p["outlet"], p["blocks"], p["volts"], p["limit_ma"]) for p in document["power"]]
    assert power == [
        ("A", ["grit", "wobble"], 9.0, 300.0),
        ("B", ["push"], 18.0, 100.0),
        ("C", ["room"], 9.0, 300.0),
    ]
    needed = [p["ma"] for p in document["power"]]
    assert needed == pytest.approx([1.2 * 18, 1.2 * 6, 1.2 * 100])
    assert [p["higher"] for p in document["power"]] == [False, True, False]
    assert document["counts"] == {"ties": 2 + 4, "dots": 4 * 4 + 6}
    assert document["warnings"] == []


def test_series_to_split_and_back(document: dict[str, Any]) -> None:
    """One patch lead is pulled and two cables added; the amplifier's cable moves on the board."""
    facts = document["repatching"]
    there, back = facts["to_split"], facts["to_series"]
    assert there["pulled"] == [{"from": "wobble.out", "to": "room.in", "number": None}]
    numbers = {(c["from"], c["to"]): c["number"] for c in document["cables"]}
    assert [c["number"] for c in back["pulled"]] == [
        numbers["amp.send", "room.in"], numbers["room.out", "amp.return"],
    ]  # fmt: skip
    assert [(c["from"], c["to"], c["kind"]) for c in there["added"]] == [
        ("amp.send", "room.in", "send"),
        ("room.out", "amp.return", "return"),
    ]
    (moved,) = there["moved"]
    assert moved == {
        "from": "room.out", "to": "amp.in", "new_from": "wobble.out", "new_to": "amp.in",
    }  # fmt: skip
    assert [(c["from"], c["to"]) for c in back["pulled"]] == [
        ("amp.send", "room.in"), ("room.out", "amp.return"),
    ]  # fmt: skip
    assert [(c["from"], c["to"], c["buy_m"]) for c in facts["bag"]] == [
        ("wobble.out", "room.in", 0.15)
    ]


@pytest.mark.parametrize("way", ["to_split", "to_series"])
def test_the_steps_lead_from_one_patching_to_the_other(
    board: Board, document: dict[str, Any], way: str
) -> None:
    split = board.order("split")
    cables = Patching(board).cables
    ends = {
        one: {(c.leaves.jack, c.arrives.jack) for c in cables(order)}
        for one, order in (("to_split", split), ("to_series", in_series(split)))
    }
    steps = document["repatching"][way]
    (before,) = set(ends) - {way}
    lie = set(ends[before])
    lie -= {(c["from"], c["to"]) for c in steps["pulled"] + steps["moved"]}
    lie |= {(c["new_from"], c["new_to"]) for c in steps["moved"]}
    lie |= {(c["from"], c["to"]) for c in steps["added"]}
    assert lie == ends[way]


def test_which_orders_have_a_split(board: Board) -> None:
    from simchain.report.plan_repatching import repatching_facts

    found = repatching_facts(board, board.order("series"))
    assert found is not None
    assert found["split"] == "split"
    assert repatching_facts(board, board.order("other")) is None


def test_renders_no_more_than_it_may(made: tuple[Plan, list[tuple[int, int]]]) -> None:
    assert made[1] == [(done, 6) for done in range(1, 7)]


def test_readings_are_those_of_a_rendered_tone(
    board: Board, document: dict[str, Any], tmp_path: Path
) -> None:
    """The tone as a clip of its own, through render: within 0.1 dB at every jack."""
    import soundfile

    rate = board.rate
    wave_ = np.sin(2 * math.pi * 1000 * np.arange(round((SETTLE_S + READ_S) * rate)) / rate)
    soundfile.write(tmp_path / "tone.wav", 0.5 * wave_, rate, subtype="FLOAT")
    text = BOARD.replace(
        '{ kind = "guitar", clip = "clip.wav" }',
        f'{{ kind = "line", clip = "tone.wav", loudest_peak_volts = {0.1 * math.sqrt(2)} }}',
    ).replace('events = [{ at = 0.3, block = "push", do = "off" }]', "tail_s = 0")
    (tmp_path / "board.toml").write_text(text)
    points = render(load_board(tmp_path / "board.toml"), "split", "solo").points
    readings = document["tones"]["passages"]["solo"]["1000"]
    assert list(readings) == [
        "grit.in", "grit.out", "push.in", "push.out", "wobble.in", "wobble.out",
        "amp.in", "amp.send", "room.in", "room.out", "amp.return",
    ]  # fmt: skip
    for jack, reading in readings.items():
        line = points[jack].volts[0, round(SETTLE_S * rate) : round((SETTLE_S + READ_S) * rate)]
        rendered_mv = 1e3 * np.sqrt(np.mean(line**2))
        assert 20 * math.log10(reading["mv"] / rendered_mv) == pytest.approx(0.0, abs=0.1), jack


def test_what_sways_and_what_is_rough(document: dict[str, Any]) -> None:
    solo = document["tones"]["passages"]["solo"]["220"]
    assert [jack for jack, r in solo.items() if r["rough"]] == ["room.out", "amp.return"]
    assert not solo["wobble.in"]["sways"]
    assert solo["wobble.out"]["sways"]
    assert solo["wobble.out"]["low_mv"] < 0.5 * solo["wobble.out"]["high_mv"]
    riff = document["tones"]["passages"]["riff"]["220"]
    assert not any(r["rough"] or r["sways"] for r in riff.values())


def test_levels_are_those_of_renders(board: Board, document: dict[str, Any]) -> None:
    lufs = [
        render(board, "split", name, points=False).output.integrated_lufs for name in board.passages
    ]
    solo = document["passages"]["solo"]
    assert document["passages"]["riff"]["lu_against_first"] == 0.0
    assert solo["lu_against_first"] == pytest.approx(lufs[1] - lufs[0])
    assert solo["events"] == [{"at": 0.3, "text": "push off"}]
    assert solo["above"] == {"passage": "riff", "lu": 3.0}


def test_headroom_by_a_higher_voltage(board: Board) -> None:
    """9 V rails are 3.5 V, 18 V rails 8 V: 20 log10(8 / 3.5) = 7.18 dB more."""
    push = board.blocks["push"].model_copy(
        update={"supply_volts": 9.0, "supply_range_volts": (9.0, 18.0)}
    )
    changed = board.model_copy(update={"blocks": {**board.blocks, "push": push}})
    (each,) = plan_document(plan(changed, "split"))["higher_volts"]
    assert (each["block"], each["rail_volts"], each["higher_rail_volts"]) == ("push", 3.5, 8.0)
    gained = each["at_output"]["after_db"] - each["at_output"]["before_db"]
    assert gained == pytest.approx(20 * math.log10(8 / 3.5), abs=0.05)
    said = plan_words.higher_sentence(each)
    assert "clips at 8 V peak in place of 3.5" in said


def test_a_mixer_has_no_loop(tmp_path: Path) -> None:
    text = """
    source = { kind = "piezo", clip = "clip.wav" }
    tail_s = 0.1
    [blocks]
    pre = { kind = "piezo_preamp" }
    [orders.only]
    front = ["pre"]
    [passages.all]
    on = ["pre"]
    """
    found = plan_document(plan(load_board(board_beside_tone(tmp_path, text)), "only"))
    assert [(c["from"], c["to"]) for c in found["cables"]] == [
        ("guitar", "pre.in"), ("pre.out", "mixer.in"),
    ]  # fmt: skip
    assert found["repatching"] is None
    assert found["power"] == []
    assert "pre" in found["warnings"][0]
    page = plan_page(found)
    assert "there is no loop to split over" in page
    steps = [*plan_words.set_up(found), *plan_words.feeding(found)]
    assert not any("standby" in step or "speaker" in step for step in steps)


def test_an_order_of_ones_own(board: Board) -> None:
    few = board.model_copy(update={"passages": {}})
    found = plan_document(plan(few, Order(("grit",))))
    assert found["order"] == "grit"
    assert found["tones"]["passages"] == {}
    assert found["passages"] == {}
    assert "Checks after the build" in plan_page(found)


def test_unknown_names_are_told(board: Board) -> None:
    with pytest.raises(RequestError, match="no order 'splt'"):
        plan(board, "splt")
    with pytest.raises(RequestError, match="no amplifier 'loud'"):
        plan(board, "split", amp="loud")


# Sheets


class Tags(html.parser.HTMLParser):
    """Whether every element that opens closes, in its turn."""

    VOID = frozenset({"meta", "br"})

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: Any) -> None:  # noqa: ARG002
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_sheets(document: dict[str, Any]) -> None:
    page = plan_page(document)
    assert Tags(page).open == []
    assert "Two &lt;blocks&gt; &amp; a room" in page
    assert "<script" not in page
    assert not re.search(r"https?://|<img|<svg|url\(", page)
    assert page.count('<section class="sheet') == 5
    assert page.count("other end: ") == 2 * len(document["cables"])
    assert "18 V: only into push. In any other unit it is the costly accident." in page
    assert "Never lift the protective earth" in page
    assert "until it reads 100 mV" in page
    assert "size: A4" in page
    assert "size: letter" in plan_page(document, "letter")
    for word in ("Silent", "Thin", "Hum", "Whine", "Pop", "Level dropped", "Only when loud"):
        assert f"<b>{word}</b>" in page


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_pdf_has_a_page_for_each_sheet(
    document: dict[str, Any], paper: Any, size_mm: tuple[float, float]
) -> None:
    """Sheet 4 has two: what a meter reads, and what hands and ears do. Points are 1/72 inch."""
    import weasyprint

    pages = weasyprint.HTML(string=plan_page(document, paper)).render().pages
    assert len(pages) == 6
    for page in pages:
        found = page.width / 96 * 25.4, page.height / 96 * 25.4
        assert found == pytest.approx(size_mm, abs=0.1)


def test_the_stage_card_of_many_blocks_is_one_page(document: dict[str, Any]) -> None:
    """Sixteen blocks and eight passages, each with more to say than usual."""
    import weasyprint

    grit, solo = document["controls"]["grit"], document["passages"]["solo"]
    told = [f"control {number} 100 Hz" for number in range(8)]
    many = document | {
        "controls": {f"block{number}": {**grit, "controls": told} for number in range(16)},
        "passages": {f"passage{number}": solo for number in range(8)},
        "tones": {**document["tones"], "passages": {}},
    }
    few = document | {"tones": many["tones"]}
    for paper in ("a4", "letter"):
        pages = [
            len(weasyprint.HTML(string=plan_page(each, paper)).render().pages)
            for each in (few, many)
        ]
        assert pages[0] == pages[1]


@pytest.mark.browser
@looks
def test_no_rule_of_axe_is_broken(
    chromium: Any, document: dict[str, Any], scheme: str, width: int
) -> None:
    page = chromium.new_page(color_scheme=scheme, viewport={"width": width, "height": 900})
    page.set_content(plan_page(document))
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


@pytest.mark.parametrize(
    ("reading", "told"),
    [
        ({"mv": 98.23, "low_mv": 98.2, "high_mv": 98.3, "sways": False, "rough": False}, "98.2"),
        ({"mv": 640.2, "low_mv": 34, "high_mv": 961.7, "sways": True, "rough": False}, "34.0–962"),
        ({"mv": 99.96, "low_mv": 99, "high_mv": 101, "sways": False, "rough": False}, "100"),
        ({"mv": 5.04, "low_mv": 5, "high_mv": 5.1, "sways": False, "rough": True}, "~ 5.0"),
        ({"mv": 0.0, "low_mv": 0.0, "high_mv": 0.0, "sways": False, "rough": False}, "0"),
    ],
)
def test_how_a_reading_is_told(reading: dict[str, Any], told: str) -> None:
    assert plan_words.reading_words(reading) == told


@pytest.mark.parametrize("hz", [1000.0, 220.0])
def test_the_tones_are_what_the_sheet_says(hz: float) -> None:
    """60 s, peak 10^(-12/20) = 0.2512 of full scale, and one line in the spectrum."""
    with wave.open(io.BytesIO(tone_wav(hz))) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        rate = file.getframerate()
        line = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768.0
    assert line.size == 60 * rate
    assert np.abs(line).max() == pytest.approx(10 ** (-12 / 20), rel=1e-3)
    assert abs(line[0]) < 1e-3
    power = np.abs(np.fft.rfft(line[rate : 2 * rate])) ** 2
    assert int(power.argmax()) == hz
    assert power[int(hz)] / (power.sum() - power[int(hz)]) > 1e7


def test_power_leads_are_counted_by_their_plugs() -> None:
    units = [{"unit": name} for name in ("grit", "push", "room")]
    outlets = [
        {"outlet": "A", "units": units[:1]},
        {"outlet": "B", "units": units[1:]},
    ]
    assert plan_words.power_leads({"power": outlets}) == (
        "Power leads: 1 with one plug each and one spare; outlet B: one that splits into 2."
    )
    assert plan_words.power_leads({"power": outlets[:1]}).endswith("one spare.")


def test_a_level_is_told_against_what_it_was_wanted_against() -> None:
    passage = {
        "lu_against_first": 7.1,
        "lu_above": 4.8,
        "above": {"passage": "chorus", "lu": 3.0},
    }
    told = plan_words.level_words(passage, is_first=False)
    assert told == "+7.1 LU; +4.8 against chorus, wanted +3"
