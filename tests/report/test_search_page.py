"""The page of a search as text: its answers come from what was found, and nothing breaks out."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from html import unescape

import pytest

from simchain.board import Board, Order, load_board
from simchain.decide.compare import compare
from simchain.decide.found import FreePlace, Group
from simchain.report.search_document import search_document
from simchain.report.search_page import audition_orders, search_page, write_search_page
from tests.conftest import TWO_ORDERS, board_beside_tone
from tests.report import conftest
from tests.report.search_found import WEIGHTS, found, two_orders
from tests.report.test_page import HOSTILE, Sketch


def page_of(result, data=None) -> str:
    return search_page(search_document(result, members=True), data)


def data_of(monkeypatch: pytest.MonkeyPatch, orders: tuple[Order, ...]) -> dict:
    """Return made-up sounds of orders that the board does not name."""
    loops = [f" | {' '.join(order.loop)}" if order.loop else "" for order in orders]
    named = {
        " ".join(order.front) + loop: (list(order.front), list(order.loop))
        for order, loop in zip(orders, loops, strict=True)
    }
    monkeypatch.setattr(conftest, "ORDERS", named)
    trims = dict.fromkeys(conftest.PASSAGES, (0.5,) * (len(orders) - 1))
    monkeypatch.setattr(conftest, "TRIMS", trims)
    return conftest.make_data()


def text_of(html: str) -> str:
    body = re.sub(r"<(script|style|title)\b.*?</\1>", "", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body)).split())


def lines_of(html: str) -> list[str]:
    [lines] = re.findall(r'<ol class="lines" id="lines">.*?</ol>', html, re.DOTALL)
    return [text_of(line) for line in lines.split("</li>")[:-1]]


def test_the_three_answers_stand_first():
    said = text_of(page_of(replace(found(), why="Because we say so.")))
    counts = said.index("362,880 orders; 10,080 after the rules; 2,880 that differ; ")
    best = said.index("Which order meets the goals best?")
    why = said.index("Because we say so.")
    free = said.index("Where is order free, for foot and plugs?")
    assert counts < best < why < free < said.index("The 10 best that are expected to sound apart")


def test_the_bar_is_as_wide_as_the_groups_are_large():
    result = found()
    html = page_of(result)
    bar = re.search(r'<svg class="shares".*?</svg>', html, re.DOTALL).group()
    widths = [
        float(width) for width in re.findall(r'<rect x="[\d.]+%" y="0" width="([\d.]+)%"', bar)
    ]
    sizes = [len(group.members) for group in result.groups]
    assert widths == pytest.approx([100 * size / sum(sizes) for size in sizes], abs=1e-3)
    assert sum(widths) == pytest.approx(100, abs=0.1)
    assert len(re.findall(r'<g class="order-\d">', bar)) == 10


def test_ten_lines_show_words_places_goals_and_what_is_free():
    result = found()
    lines = lines_of(page_of(result))
    assert len(lines) == 10
    firsts = {}
    for place, ranked in enumerate(result.ranking, 1):
        firsts.setdefault(ranked.group, (place, ranked))
    for line, (place, ranked), group in zip(lines, firsts.values(), result.groups, strict=False):
        assert f"place {place}" in line
        assert f"score {ranked.score:.2f}" in line
        assert ("unbeaten" in line) == ranked.unbeaten
        assert ("coarse figures" in line) == (ranked.quality == "coarse")
        assert f"{len(group.members):,} orders alike" in line
        assert line.count(" or ") >= len(group.free_places)
        for name in WEIGHTS:
            assert f"{abs(ranked.values[name]):.1f}" in line


def test_a_figure_that_changes_is_seen_to_change():
    small = two_orders()
    assert "off its levels 0.2 LU" in lines_of(page_of(small))[0]
    other = replace(small.ranking[0], values={"levels": 7.7}, score=4.25)
    [line] = lines_of(page_of(replace(small, ranking=(other,))))
    assert "off its levels 7.7 LU" in line
    assert "score 4.25" in line


def test_bars_are_what_goals_cost_with_their_weights():
    """The largest of all takes up the whole; what has no end does too; nothing is no bar."""
    small = two_orders(weights={"levels": 2.0, "headroom": -1.0, "floor": 1.0, "width": 1.0})
    costs = {"levels": 1.5, "headroom": 1.5, "floor": 0.0, "width": float("inf")}
    ranked = replace(small.ranking[0], costs=costs, values=dict.fromkeys(costs, 1.0))
    html = page_of(replace(small, ranking=(ranked,)))
    shares = re.findall(r'<rect width="([\d.]+)%" height="7">', html)
    assert shares == ["100.0", "50.0", "0.0", "100.0"]


def test_without_a_search_by_both_passes_nothing_is_said_of_the_other():
    said = text_of(page_of(two_orders()))
    assert "All figures are from the full pass." in said
    assert "coarse ranking" not in said
    assert "the best of them stood 3rd in the coarse ranking" in text_of(page_of(found()))
    assert "a beam of 50" in text_of(page_of(replace(found(), beam=50)))
    assert "too little" in text_of(page_of(replace(two_orders(), warnings=("too little",))))


def test_the_table_holds_the_first_and_every_unbeaten_order():
    result = found()
    late = replace(result.ranking[777], unbeaten=True)
    ranking = (*result.ranking[:777], late, *result.ranking[778:])
    html = page_of(replace(result, ranking=ranking))
    table = re.search(r'<table id="ranking">.*?</table>', html, re.DOTALL).group()
    places = re.findall(r'<th scope="row" class="number">(\d+)</th>', table)
    assert [int(place) for place in places] == [*range(1, 101), 778]
    assert table.count("<td>unbeaten</td>") == 5


def test_orders_to_look_through_are_those_of_the_groups():
    result = found()
    html = page_of(result)
    scripts = Sketch(html).scripts
    facts = json.loads(next(text for attrs, text in scripts if attrs.get("id") == "search-facts"))
    read = [
        [
            Order(
                front=tuple(facts["blocks"][int(code, 36)] for code in order.split("|")[0]),
                loop=tuple(facts["blocks"][int(code, 36)] for code in (*order.split("|"), "")[1]),
            )
            for order in group[:5]
        ]
        for group in facts["groups"]
    ]
    assert read == [list(group.members[:5]) for group in result.groups]
    assert facts["orders"] == 10_080
    assert len(facts["ranking"]) == len(result.ranking)
    assert len(html) < 400_000


def test_too_many_orders_are_not_looked_through(monkeypatch):
    from simchain.report import search_page_data

    monkeypatch.setattr(search_page_data, "MOST_MEMBERS", 1)
    html = page_of(two_orders())
    assert Sketch(html).count("select") == 0
    assert "too many orders to look through" in html


def test_without_sounds_there_is_no_player():
    sketch = Sketch(page_of(found()))
    assert sketch.count("button", id="play") == 0
    assert sketch.count("main") == sketch.count("h1") == 1
    assert not any(attrs.get("type") == "text/plain" for attrs, _ in sketch.scripts)


def test_the_best_of_the_first_groups_are_heard_by_their_letters(monkeypatch):
    orders = audition_orders(found(), 3)
    assert orders == tuple(group.representative for group in found().groups[:3])
    data = data_of(monkeypatch, orders)
    html = page_of(found(), data)
    sketch = Sketch(html)
    embedded = [text for attrs, text in sketch.scripts if attrs.get("type") == "text/plain"]
    assert [text.strip() for text in embedded] == [s["flac_base64"] for s in data["sounds"]]
    [bar] = re.findall(r'<div class="letters".*?</div>', html, re.DOTALL)
    places = [next(p for p, r in enumerate(found().ranking, 1) if r.group == g) for g in range(3)]
    assert re.findall(r'aria-label="([^"]+)">[A-C]<', bar) == [
        f"{letter}, place {place}" for letter, place in zip("ABC", places, strict=True)
    ]
    assert html.index('id="play"') < html.index('class="note caution"') < html.index('id="lines"')
    assert html.count('id="play"') == html.count("start low") == 1
    ids = re.findall(r' id="([^"]+)"', html.split("<script")[0])
    assert len(ids) == len(set(ids))


def test_other_orders_than_the_best_are_refused(monkeypatch):
    data = data_of(monkeypatch, audition_orders(found(), 3)[::-1])
    with pytest.raises(ValueError, match="not the best of the first groups"):
        page_of(found(), data)


def test_one_group_alone_has_nothing_to_be_compared_with():
    assert audition_orders(two_orders()) == ()


def test_hostile_names_stay_text(monkeypatch):
    data = data_of(monkeypatch, audition_orders(found(), 2))
    plain = Sketch(page_of(found(), data))
    a, b = Order(front=(HOSTILE, "push")), Order(front=("push", HOSTILE))
    group = Group(a, (a, b), 1, 0.4, (FreePlace(HOSTILE, (b,)), FreePlace("push", (b,))), "full")
    ranked = replace(two_orders().ranking[0], order=a, values={HOSTILE: 1.0})
    hostile = two_orders(
        board=Board(title=HOSTILE),
        amp=HOSTILE,
        blocks=(HOSTILE, "push"),
        weights={HOSTILE: 1.0},
        ranking=(ranked,),
        groups=(group,),
        why=HOSTILE,
        warnings=(HOSTILE,),
    )
    data["orders"] = [{"name": HOSTILE, "front": [HOSTILE, "push"], "loop": [], "left_out": []}]
    data["title"] = HOSTILE
    data["pairs"] = []
    data["sounds"] = [s for s in data["sounds"] if s["order"] == data["sounds"][0]["order"]]
    for sound in data["sounds"]:
        sound["order"] = HOSTILE
    for html, scripts in ((page_of(hostile, data), None), (page_of(hostile), 2)):
        sketch = Sketch(html)
        assert sketch.count("img") == 0
        assert "alert(1)</script>" not in html
        own = [attrs for attrs, _ in sketch.scripts if attrs.get("type") != "text/plain"]
        assert sketch.count("script") - len(data["sounds"]) * (scripts is None) == (scripts or 3)
        facts = next(text for attrs, text in sketch.scripts if attrs.get("id") == "search-facts")
        assert not set("<>&\u2028") & set(facts)
        assert json.loads(facts)["blocks"][0] == HOSTILE
        assert len(own) >= 2
    assert plain.count("img") == 0


@pytest.mark.parametrize("heard", [False, True])
def test_it_fetches_nothing_and_its_policy_allows_its_own_only(monkeypatch, heard):
    data = data_of(monkeypatch, audition_orders(found(), 2)) if heard else None
    html = page_of(found(), data)
    sketch = Sketch(html)
    addresses = [
        value
        for _, attrs in sketch.tags
        for key, value in attrs.items()
        if key in ("src", "href", "srcset", "action", "data")
    ]
    assert addresses == ["#play" if heard else "#best-head", "#wish-head"]
    assert not re.search(r"url\(|@import|fetch\(|XMLHttpRequest|\bimport\(", html)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html).group(1)
    assert "unsafe" not in policy
    for tag in ("script", "style"):
        [text] = re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert not re.search(r"<[a-z][^>]* (style|on[a-z]+)=", html.split("<script>")[0])


def test_it_is_written_with_the_sounds_of_a_comparison_beside_it(tmp_path):
    """On sounds that were rendered: a page, one file of sound an order and passage."""
    board = load_board(board_beside_tone(tmp_path, TWO_ORDERS))
    a, b = Order(front=("grit", "push")), Order(front=("push", "grit"))
    group, ranked = two_orders().groups[0], two_orders().ranking[0]
    apart = [replace(group, representative=one, members=(one,), free_places=()) for one in (a, b)]
    result = two_orders(
        board=board,
        ranking=(ranked, replace(ranked, order=b, group=1)),
        groups=tuple(apart),
    )
    heard = compare(board, audition_orders(result), judged=False)
    out = tmp_path / "out"
    page = write_search_page(out, result, heard)
    assert page == out / "search.html"
    files = sorted(path.name for path in out.iterdir())
    assert files == ["off.a.flac", "off.b.flac", "riff.a.flac", "riff.b.flac", "search.html"]
    html = page.read_text(encoding="utf-8")
    assert base64.b64encode((out / "riff.b.flac").read_bytes()).decode() in html
    assert "b, place 2" in html
    assert write_search_page(out, result, None).read_text().count("text/plain") == 0
