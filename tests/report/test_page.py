"""The page as text: what it holds, what it must not hold, and what cannot break out of it."""

import base64
import hashlib
import json
import re
from html import unescape
from html.parser import HTMLParser

import pytest

from simchain.report.lead import lead
from simchain.report.page import ACCENTS, audition_page
from simchain.report.page_data import fingerprint
from simchain.report.plots import COLOURS
from tests.report.conftest import judgement

HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&\u2028"


class Sketch(HTMLParser):
    """Counts elements and keeps the text of scripts."""

    def __init__(self, html: str):
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.within: dict[str, str | None] | None = None
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.within = dict(attrs) if tag == "script" else None

    def handle_data(self, data):
        if self.within is not None:
            self.scripts.append((self.within, data))

    def handle_endtag(self, tag):
        if tag == "script":
            self.within = None

    def count(self, tag: str, **wanted: str) -> int:
        return sum(
            name == tag and all(attrs.get(key) == value for key, value in wanted.items())
            for name, attrs in self.tags
        )


def test_it_holds_the_orders_passages_and_sounds(data):
    html = audition_page(data)
    sketch = Sketch(html)
    assert sketch.count("li") >= 4
    assert sketch.count("input", name="passage") == 3
    assert sketch.count("input", name="mode") == 3
    assert sketch.count("input", name="amp") == 0
    assert sketch.count("main") == sketch.count("h1") == 1
    embedded = [text for attrs, text in sketch.scripts if attrs.get("type") == "text/plain"]
    assert [text.strip() for text in embedded] == [s["flac_base64"] for s in data["sounds"]]
    assert base64.b64decode(embedded[0]).startswith(b"fLaC")
    assert "B is 0.3 LU quieter than A, C 3.1 LU louder" in html
    assert "start low" in html
    assert "in the loop:" in html


def test_an_amplifier_is_chosen_only_where_there_are_several(two_amps):
    assert Sketch(audition_page(two_amps)).count("input", name="amp") == 2


def test_a_board_without_an_amplifier(data):
    data["amps"] = []
    for part in (*data["sounds"], *data["pairs"]):
        part["amp"] = None
    html = audition_page(data)
    assert "amplifier" not in html.split("<main>")[0].split("</style>")[1]
    assert "LU quieter than A" in html


def test_silence_is_shown_as_silence(data):
    for sound in data["sounds"]:
        sound.update(integrated_lufs=None, true_peak_dbtp=None, bands_db=[None] * 30)
        for point in sound["points"]:
            point.update(rms_dbu=None, peak_dbu=None, peak_volts=0.0, headroom_db=None)
    for pair in data["pairs"]:
        pair.update(trim_lu=None, max_band_hz=None, max_band_change_db=None)
        pair["band_change_db"] = [None] * 30
    assert "is silent" in audition_page(data)


def test_hostile_names_stay_text(data):
    plain = Sketch(audition_page(data))
    data["title"] = data["orders"][0]["front"][0] = HOSTILE
    data["orders"][0]["left_out"] = [HOSTILE]
    data["passages"][2]["timeline"]["events"][0]["text"] = HOSTILE
    data["passages"][2]["timeline"]["rows"][0]["label"] = HOSTILE
    data["sounds"][0]["file"] = data["sounds"][0]["points"][0]["name"] = HOSTILE
    rename = {"series": HOSTILE, "verse": HOSTILE + "v", "crunch": HOSTILE + "a"}
    data["amps"] = [rename["crunch"]]
    for part in (*data["orders"], *data["passages"]):
        part["name"] = rename.get(part["name"], part["name"])
    for part in (*data["sounds"], *data["pairs"]):
        for key in ("order", "passage", "amp", "a", "b"):
            if key in part:
                part[key] = rename.get(part[key], part[key])
    html = audition_page(data)
    sketch = Sketch(html)
    assert sketch.count("script") == plain.count("script")
    assert sketch.count("img") == 0
    assert "alert(1)</script>" not in html
    facts = next(text for attrs, text in sketch.scripts if attrs.get("id") == "facts")
    assert not set("<>&\u2028") & set(facts)
    assert json.loads(facts)["orders"][0]["name"] == HOSTILE


def test_a_sound_that_is_not_base64_is_refused(data):
    data["sounds"][0]["flac_base64"] = "AAAA</script>"
    with pytest.raises(ValueError, match=r"verse_series\.flac is not base64"):
        audition_page(data)


def test_the_script_knows_version_title_and_fingerprints(data):
    """What a saved result of the blind test is told by."""
    data["sounds"][1]["fingerprint"] = fingerprint(data["sounds"][1]["flac_base64"])
    scripts = Sketch(audition_page(data)).scripts
    facts = json.loads(next(text for attrs, text in scripts if attrs.get("id") == "facts"))
    assert (facts["simchain"], facts["title"]) == ("0.1.0", "Train board")
    embedded = [text.strip() for attrs, text in scripts if attrs.get("type") == "text/plain"]
    digest = hashlib.sha256(base64.b64decode(embedded[1])).hexdigest()
    assert [sound["fingerprint"] for sound in facts["sounds"][:2]] == ["00" * 8, digest[:16]]


def test_a_fingerprint_is_that_of_the_bytes():
    """The digest of "abc", an example beside FIPS 180-4 for SHA-256."""
    assert fingerprint(base64.b64encode(b"abc").decode()) == "ba7816bf8f01cfea"


def test_it_fetches_nothing(data):
    html = audition_page(data)
    sketch = Sketch(html)
    assert not {"link", "img", "iframe", "object", "embed", "base"} & {
        tag for tag, _ in sketch.tags
    }
    addresses = [
        value
        for _, attrs in sketch.tags
        for key, value in attrs.items()
        if key in ("src", "href", "srcset", "action", "data")
    ]
    assert addresses == ["#play"]
    assert set(re.findall(r"https?://[^\"' ]*", html)) == {"http://www.w3.org/2000/svg"}
    assert not re.search(r"url\(|@import|fetch\(|XMLHttpRequest|\bimport\(", html)


def test_the_policy_allows_its_own_script_and_style_only(data):
    html = audition_page(data)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html).group(1)
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert "*" not in policy
    for tag in ("script", "style"):
        [text] = re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert not re.search(r"<[a-z][^>]* (style|on[a-z]+)=", html.split("<script>")[0])


def test_an_order_has_one_colour_on_the_page_and_in_pictures(data):
    html = audition_page(data)
    light = re.findall(r"\.order-(\d) { --order: (#\w+); }", html.split("@media", 1)[0])
    assert [int(number) for number, _ in light] == list(range(1, ACCENTS + 1))
    assert tuple(colour for _, colour in light) == COLOURS
    assert f"const ACCENTS = {ACCENTS};" in html


def test_all_but_the_sounds_stays_small(data):
    html = audition_page(data)
    rest = len(html) - sum(len(sound["flac_base64"]) for sound in data["sounds"])
    print(f"page without its sounds: {rest / 1e3:.0f} kB")
    assert rest < 400_000


def test_a_dash_stands_for_what_is_not_there_and_nothing_is_minus_zero(data):
    data["pairs"][0].update(trim_lu=None)
    data["pairs"][1].update(trim_lu=-0.001)
    html = audition_page(data)
    assert '<td class="number">–</td>' in html
    assert "−0.00<" not in html


def _judged(data: dict) -> dict:
    """The first amplifier finds all free, the others find all clear."""
    for pair in data["pairs"]:
        is_first = pair["amp"] == data["amps"][0]
        pair.update(judgement("free", 0.3) if is_first else judgement("clear", 9.0), trim_lu=0.0)
    return data


def _lead_part(html: str) -> str:
    """The part of the page that is said first, as it stands there."""
    [part] = re.findall(r'<section class="part lead".*?</section>', html, re.DOTALL)
    return part


def test_what_is_said_first_stands_before_the_orders(data):
    html = audition_page(_judged(data))
    assert html.index("<main>") < html.index('id="lead-head"') < html.index('id="orders-head"')
    part, said = _lead_part(html), lead(data, "crunch")
    assert len(said.sentences) >= 1
    assert len(said.free) >= 2
    assert [unescape(text) for text in re.findall(r"<p class=\"fact\">(.*?)</p>", part)] == (
        said.sentences
    )
    assert re.findall(r"<h3>(.*?)</h3>", part) == ["Free moves"]
    assert [unescape(text) for text in re.findall(r"<li>(.*?)</li>", part)] == said.free


def test_without_a_judgement_nothing_is_said_first(data):
    html = audition_page(data)
    assert "lead-head" not in html
    assert "In short" not in html
    _judged(data)["pairs"][0]["verdict"] = None
    assert "lead-head" not in audition_page(data)


def test_hostile_names_in_what_is_said_first_stay_text(data):
    _judged(data)
    for order in data["orders"]:
        for part in ("front", "loop"):
            order[part] = [HOSTILE if name == "room" else name for name in order[part]]
    for part in (*data["passages"], *data["sounds"], *data["pairs"]):
        for key in ("name", "passage"):
            if part.get(key) == "solo":
                part[key] = HOSTILE
    for pair in data["pairs"]:
        pair["borderline"] = True
    html = audition_page(data)
    part = _lead_part(html)
    assert f"Moving {HOSTILE} after repeat" in unescape(part)
    assert "(borderline in verse, riff and " in part
    assert set(re.findall(r"</?([a-z]\w*)", part)) <= {
        "section",
        "h2",
        "h3",
        "div",
        "p",
        "ul",
        "li",
    }
    assert Sketch(html).count("img") == 0


def test_each_amplifier_has_its_own_and_one_is_shown(two_amps):
    part = _lead_part(audition_page(_judged(two_amps)))
    parts = re.findall(r'<div class="says" data-amp="(\d)"( hidden)?>(.*?)</div>', part, re.DOTALL)
    assert [(amp, bool(hidden)) for amp, hidden, _ in parts] == [("0", False), ("1", True)]
    crunch, hot = (unescape(text) for _, _, text in parts)
    for text, amp in ((crunch, "crunch"), (hot, "hot")):
        said = lead(two_amps, amp)
        assert all(line in text for line in (*said.sentences, *said.free, *said.heard))
    assert "Free moves" in crunch
    assert "a clear difference" not in crunch
    assert "Moves expected to be heard" in hot
    assert "No difference expected" not in hot
