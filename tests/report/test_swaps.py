"""The matrix of exchanges reads at a glance in 80 columns; its sentences say what was judged."""

import json
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from simchain.board import Board, Order
from simchain.decide.difference import Difference
from simchain.decide.exchanges import Exchange
from simchain.decide.holding import Held
from simchain.decide.judge import Cost, Judged
from simchain.decide.score import Score
from simchain.decide.swaps import Exchanged, Swap, Swaps
from simchain.report.swaps import swaps_document, swaps_parts

SCORE = Score("free", 0.4, "distribution", False, 0.12, 0.1, 0.2, 0.0, 0.1, 1000.0, False)
DIFFERENCE = Difference(0.02, -30.0, 0.3, 1000.0, np.zeros(30))


def a_swap(passage: str, verdict: str, score: float, trim_lu: float, **more: object) -> Swap:
    proved, more_dirt_db = more.pop("proved", False), more.pop("more_dirt_db", 0.0)
    null_db = -280.0 if proved else -30.0
    return Swap(
        more.pop("exchange", Exchange("push", "room", "swap")),
        passage,
        Judged(
            replace(DIFFERENCE, trim_lu=trim_lu, null_db=null_db),
            replace(SCORE, verdict=verdict, score=score, **more),
            more_dirt_db,
        ),
        None if proved else "push is switched",
    )


def exchanged(*swaps: Swap, **more: object) -> Exchanged:
    order = Order(front=("room", "push"))
    return Exchanged(swaps[0].exchange, order, tuple(swaps), **more)


def a_held(condition: str, verdict: str = "free", left_lu: float = 0.1, **more: object) -> Held:
    score = replace(SCORE, verdict=verdict, borderline=more.pop("borderline", False))
    holds = verdict in ("same", "free") and abs(left_lu) < 0.5
    music = more.pop("passage", "solo")
    return Held(condition, music, Judged(DIFFERENCE, score, 0.0), left_lu, holds)


def result(
    *found: Exchanged, passages: tuple[str, ...] = ("verse", "solo"), holds: Cost | None = None
) -> Swaps:
    order = Order(front=("push", "room"))
    cost = Cost(renders=6, takes=1, probes=2)
    return Swaps(Board(), "series", order, "crunch", passages, found, cost, (), holds)


def text_of(found: Exchanged) -> str:
    text: str = swaps_document(result(found))["exchanges"][0]["text"]
    print(text)
    return text


def printed(swaps: Swaps) -> list[str]:
    console = Console(width=80)
    with console.capture() as capture:
        for part in swaps_parts(swaps_document(swaps)):
            console.print(part)
    lines = capture.get().splitlines()
    print("\n".join(lines))
    return lines


def test_what_is_free_in_every_passage_is_a_free_move() -> None:
    swaps = [a_swap("verse", "free", 0.4, 0.1), a_swap("solo", "same", 0.0, 0.0)]
    assert text_of(exchanged(*swaps)) == ("push and room are free to move: no difference expected.")


def test_level_is_said_and_turned_where_one_turn_serves() -> None:
    louder = [a_swap("verse", "free", 0.4, 3.0), a_swap("solo", "free", 0.2, 3.2)]
    assert text_of(exchanged(*louder)) == (
        "push and room are free after turning the level down by 3.1 dB."
    )
    unlike = [a_swap("verse", "free", 0.4, 3.0), a_swap("solo", "free", 0.2, 0.0)]
    assert text_of(exchanged(*unlike)) == (
        "push and room are free but for the level, 3.0 LU louder in verse and equally loud in "
        "solo: no one turn evens that out."
    )
    document = swaps_document(result(exchanged(*louder), exchanged(*unlike)))
    assert [one["free_move"] for one in document["exchanges"]] == [False, False]
    assert [one["turn_db"] for one in document["exchanges"]] == [pytest.approx(-3.1), None]


def test_the_worst_passage_decides() -> None:
    swaps = [
        a_swap("verse", "free", 0.4, 0.0),
        a_swap("solo", "subtle", 1.2, 0.0, decided_by="dirt", borderline=True),
    ]
    assert text_of(exchanged(*swaps)) == (
        "push and room are no free move: subtle in solo (borderline), by dirt."
    )
    raised = a_swap("solo", "subtle", 0.5, 0.0, raised_by_band=True)
    assert text_of(exchanged(raised)).endswith("subtle in solo, by one narrow band, around 1 kHz.")


def test_what_is_proved_what_was_not_judged_and_what_rules_forbid_is_said() -> None:
    move = Exchange("room", None, "to_loop")
    swap = a_swap("verse", "same", 0.0, 0.0, proved=True, exchange=move)
    one = exchanged(swap, not_judged=("solo",), breaks=("front_only: 'room' belongs in front",))
    assert text_of(one) == (
        "room, into the loop, is proved the same in verse: free to move; not judged in solo, where "
        "other blocks stand beside it; against your rules (front_only: 'room' belongs in front)."
    )


def test_json_holds_each_exchange_in_each_passage() -> None:
    proved = a_swap("solo", "same", 0.0, 0.0, proved=True)
    one = exchanged(a_swap("verse", "clear", 9.0, -2.0), proved)
    document = json.loads(json.dumps(swaps_document(result(one)), allow_nan=False))
    assert document["order"] == "series"
    first, second = document["pairs"]
    assert {
        key: first[key] for key in ("first", "second", "move", "passage", "proved", "verdict")
    } == {"first": "push", "second": "room", "move": "swap", "passage": "verse",
          "proved": False, "verdict": "clear"}  # fmt: skip
    assert (first["trim_lu"], first["null_db"], first["score"]) == (-2.0, -30.0, 9.0)
    assert (second["proved"], second["null_db"]) == (True, -280.0)
    assert document["cost"] == {"renders": 6, "takes": 1, "probes": 2, "holds": None}
    assert document["exchanges"][0]["holds"] is None


EVERYTHING = ("picking_softer", "picking_harder", "volume_half", "levels_up", "levels_down")


def test_where_a_free_move_holds_goes_on_the_sentence() -> None:
    swap = a_swap("solo", "free", 0.4, 0.1)
    start = "push and room are free to move: no difference expected"
    for conditions, words in (
        (EVERYTHING, "when picked 6 dB softer or harder, with the guitar's volume at half and with "
         "levels off by 2 dB"),
        (("volume_half", "volume_full"), "with the guitar's volume at half or full"),
        (("picking_softer", "levels_down"), "when picked 6 dB softer and with levels 2 dB down"),
    ):  # fmt: skip
        held = tuple(a_held(each) for each in conditions)
        assert text_of(exchanged(swap, held=held)) == f"{start}; holds {words}."
    assert text_of(exchanged(swap, held=())) == f"{start}."


def test_where_it_stops_holding_the_condition_and_why_are_said() -> None:
    held = [a_held(each) for each in EVERYTHING]
    held[1] = a_held("picking_harder", "subtle", borderline=True)
    softer = [a_held("picking_harder", "clear", passage="verse")]
    swap = a_swap("solo", "free", 0.4, 0.1)
    start = "push and room are free to move: no difference expected; stops holding"
    assert text_of(exchanged(swap, held=tuple(held))) == (
        f"{start} in solo when picked 6 dB harder (subtle, borderline)."
    )
    assert text_of(exchanged(swap, held=tuple(softer + held))) == (
        f"{start} in verse and solo when picked 6 dB harder (clear)."
    )
    held[2] = a_held("volume_half", left_lu=-1.2)
    assert text_of(exchanged(swap, held=tuple(held))) == (
        f"{start} in solo when picked 6 dB harder (subtle, borderline) and in solo with the "
        "guitar's volume at half (1.2 LU quieter)."
    )


def test_level_is_told_against_what_was_said_of_it() -> None:
    held = (a_held("levels_up", left_lu=0.9),)
    louder = a_swap("verse", "free", 0.4, 3.0)
    assert text_of(exchanged(louder, held=held)) == (
        "push and room are free after turning the level down by 3.0 dB; stops holding in solo with "
        "levels 2 dB up (0.9 LU louder after that turn)."
    )
    unlike = exchanged(louder, a_swap("solo", "free", 0.2, 0.0), held=held)
    assert text_of(unlike).endswith("with levels 2 dB up (0.9 LU louder than that).")


def test_json_tells_each_condition_and_what_trying_it_cost() -> None:
    held = (a_held("picking_softer"), a_held("picking_harder", "subtle"))
    one = exchanged(a_swap("solo", "free", 0.4, 0.1), held=held)
    found = result(one, holds=Cost(renders=4, takes=8, probes=3))
    document = json.loads(json.dumps(swaps_document(found), allow_nan=False))
    assert document["cost"]["holds"] == {"renders": 4, "takes": 8, "probes": 3}
    holds = document["exchanges"][0]["holds"]
    assert holds["holds"] is False
    assert holds["conditions"][1] == {
        "condition": "picking_harder", "passage": "solo", "verdict": "subtle", "score": 0.4,
        "borderline": False, "trim_lu": 0.02, "left_lu": 0.1, "holds": False,
    }  # fmt: skip
    assert swaps_document(result(exchanged(a_swap("solo", "free", 0.4, 0.1), held=held[:1])))[
        "exchanges"
    ][0]["holds"]["holds"]


def test_people_are_told_what_was_not_tried_and_how_to() -> None:
    free, heard = a_swap("solo", "free", 0.4, 0.1), a_swap("solo", "clear", 9.0, 0.0)
    hint = "--holds tries these"
    assert hint in " ".join(printed(result(exchanged(free))))
    assert hint not in " ".join(printed(result(exchanged(heard))))
    tried = printed(result(exchanged(free, held=()), holds=Cost(renders=4)))
    assert hint not in " ".join(tried)
    assert "to try where moves hold: 4 passage renders" in "\n".join(tried)
    assert max(map(len, tried)) <= 80


def test_the_matrix_fits_80_columns_and_goes_on_below() -> None:
    passages = tuple(f"passage_{number}" for number in range(6))
    swaps = [
        a_swap(passage, word, score, trim, borderline=score == 4.0, proved=word == "same")
        for passage, (word, score, trim) in zip(
            passages,
            [("same", 0, 0), ("free", 0.4, 0.5), ("subtle", 4.0, -12.3), ("clear", 9, 3)] * 2,
            strict=False,
        )
    ]
    lines = printed(result(exchanged(*swaps), passages=passages))
    assert max(map(len, lines)) <= 80
    rows = [line for line in lines if line.startswith("push / room")]
    assert len(rows) == 2
    assert rows[0].split("  ")[1:] != []
    for cell in ("same, proved", "free +0.5", "subtle? -12.3", "clear +3.0"):
        assert cell in rows[0]
    assert any("Expected to be heard" in line for line in lines)


def test_free_moves_come_first() -> None:
    free = exchanged(a_swap("verse", "free", 0.4, 0.0), also=(a_swap("intro", "same", 0.0, 0.0),))
    heard = exchanged(
        a_swap("solo", "clear", 9.0, 0.0, exchange=Exchange("c", "d", "swap")),
        not_judged=("intro",),
    )
    lines = printed(result(heard, free, passages=("verse", "solo", "intro")))
    text = "\n".join(lines)
    order = ["Put these where", "push and room are free", "Expected to be heard", "c and d are no"]
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    row = next(line for line in lines if line.startswith("push / room"))
    assert row.split() == ["push", "/", "room", "free", "·", "same"]


def test_what_is_not_free_in_another_passage_is_no_free_move() -> None:
    one = exchanged(a_swap("verse", "free", 0.4, 0.0), also=(a_swap("solo", "clear", 7.0, 0.0),))
    assert text_of(one) == "push and room are no free move: clear in solo, by tone and evenness."


def test_an_order_without_neighbours_says_so() -> None:
    assert any("nothing to exchange" in line for line in printed(result()))
