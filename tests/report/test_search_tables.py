"""What people see of a search in a terminal of 80 columns: whole names, every figure, no more."""

from dataclasses import replace

import pytest
from rich.console import Console

from simchain.board import Board, Order
from simchain.decide.found import Found, Group, Lost
from simchain.report.search_document import search_document
from simchain.report.search_tables import search_parts
from tests.report.search_found import WEIGHTS, found, two_orders


def printed(result: Found) -> str:
    console = Console(width=80)
    with console.capture() as capture:
        for part in search_parts(search_document(result)):
            console.print(part)
    text = capture.get()
    print(text)
    assert max(map(len, text.splitlines())) <= 80
    return text


def flowing(text: str) -> str:
    return " ".join(text.split())


def test_the_counts_come_first_in_one_sentence():
    said = flowing(printed(found()))
    counts = (
        "362,880 orders; 10,080 after the rules; 2,880 that differ; "
        f"{len(found().groups)} groups expected to sound apart."
    )
    assert said.startswith(f"Train board: amplifier crunch {counts}")
    assert "362,881 orders" in flowing(printed(replace(found(), orders_total=362_881)))


def test_ten_orders_are_shown_with_every_figure_and_none_that_sounds_like_one_before():
    text = printed(found())
    said = flowing(text)
    firsts = {}
    for place, ranked in enumerate(found().ranking, 1):
        firsts.setdefault(ranked.group, (place, ranked))
    shown = list(firsts.values())[:10]
    assert [place for place, _ in shown] != list(range(1, 11))
    for place, ranked in shown:
        loop = f" in the loop: {' '.join(ranked.order.loop)}" if ranked.order.loop else ""
        words = f"{place} {' '.join(ranked.order.front)}{loop} group"
        assert words in said
        figures = said.split(words)[1].split("group")[0]
        for name in WEIGHTS:
            assert f"{abs(ranked.values[name]):.1f}" in figures
        assert f"score {ranked.score:.2f}" in figures
    assert "(places 2 to " in said


def test_a_figure_that_changes_is_seen_to_change():
    small = two_orders()
    assert "off its levels 0.2 LU" in printed(small)
    other = replace(small.ranking[0], values={"levels": 7.7}, score=4.25, quality="coarse")
    said = printed(replace(small, ranking=(other,)))
    assert "score 4.25; off its levels 7.7 LU; coarse figures" in said


def test_unbeaten_orders_are_marked_and_those_out_of_sight_are_named():
    said = flowing(printed(found()))
    assert "Orders 1, 4, 9 and 42 are unbeaten" in said
    words = " ".join(found().ranking[41].order.front)
    assert f"42 {words}" in said
    assert "unbeaten" not in printed(
        replace(two_orders(), ranking=(replace(two_orders().ranking[0], unbeaten=False),))
    )


def test_groups_say_how_many_sound_alike_and_what_is_free():
    said = flowing(printed(two_orders()))
    assert "Group A (place 1): 2 orders alike, 1 of them by proof, loudness within 0.4 LU" in said
    assert "push may also stand before grit" in said
    alone = Group(
        Order(front=("grit", "push")), (Order(front=("grit", "push")),), 0, 0.0, (), "full"
    )
    assert "Group A (place 1): stands alone" in printed(replace(two_orders(), groups=(alone,)))


@pytest.mark.parametrize(
    ("lost", "said"),
    [
        (Lost(60, 1, 12), "stood 1st in the coarse ranking, its best 10 at 12th at the latest; "
                          "the coarse pass alone finds the same winner"),
        (Lost(60, 5, 41), "the best of them stood 5th in the coarse ranking, its best 10 at 41st "
                          "at the latest; the coarse pass alone would have put another first"),
        (Lost(1, 1, 1), "1 order was rendered again at full quality"),
    ],
)  # fmt: skip
def test_how_far_the_coarse_pass_went_wrong(lost, said):
    assert said in flowing(printed(replace(found(), lost=lost)))
    assert said not in flowing(printed(replace(found(), lost=None)))


def test_from_which_pass_the_figures_are():
    said = flowing(printed(found()))
    assert (
        "Figures of 60 orders are from the full pass, those of the other 2,820 from the coarse one "
        "(the first 4 s of each passage at 24 kHz)." in said
    )
    assert "All figures are from the full pass." in printed(two_orders())


def test_groups_that_the_coarse_pass_judged_are_owned_up_to():
    given = found()
    coarsely = [replace(group, quality="coarse") for group in given.groups]
    fully = [replace(group, quality="full") for group in given.groups]
    warned = "it may call alike what a whole passage tells apart"
    assert f"{len(fully) - 1} groups were judged" in flowing(
        printed(replace(given, groups=(fully[0], *coarsely[1:])))
    )
    assert "All groups were judged" in flowing(printed(replace(given, groups=tuple(coarsely))))
    assert warned not in flowing(printed(replace(given, groups=tuple(fully))))
    alone = replace(two_orders(), groups=(replace(two_orders().groups[0], quality="coarse"),))
    alone = replace(alone, coarse_rate=24_000, coarse_s=4.0)
    assert "The one group was judged" in flowing(printed(alone))


def test_a_beam_says_what_it_has_not_visited():
    said = flowing(printed(replace(found(), beam=200, orders_visited=5_000)))
    assert "5,000 of them visited" in said
    assert "Searched by a beam of 200: 5,000 of 10,080 orders were visited" in said


def test_the_sentence_on_the_winner_stands_as_it_comes():
    assert "Because we say so." in printed(replace(two_orders(), why="Because we say so."))


def test_long_names_wrap_and_are_not_cut_off():
    names = tuple(f"a_block_with_a_very_long_name_{number:02d}" for number in range(9))
    order = Order(front=names[:6], loop=names[6:])
    ranked = replace(two_orders().ranking[0], order=order)
    group = Group(order, (order,), 0, 0.0, (), "full")
    said = printed(
        replace(two_orders(), board=Board(title="t" * 60), ranking=(ranked,), groups=(group,))
    )
    for name in names:
        assert name in said


def test_nothing_ranked_is_said():
    assert "No order to rank" in printed(replace(two_orders(), ranking=(), groups=()))
