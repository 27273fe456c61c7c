"""Each fault that a board file may have is told in one plain line that says where and what."""

import re
import tomllib
from collections.abc import Callable

import pytest

Told = Callable[[str], list[str]]

# In each list: what stands in the table, and what is said about it.

BLOCK = [
    ("gain_db = 900", r"\[blocks\.push\] gain_db = 900: allowed is -60 to 80 dB"),
    ("gian_db = 6", r"\[blocks\.push\] gian_db: no such key for a boost; did you mean 'gain_db'\?"),
    ('gain_db = "loud"', r'gain_db = "loud": a number is wanted, -60 to 80 dB'),
    ('gain_db = "6"', r'gain_db = "6": a number is wanted'),
    ("gain_db = true", r"gain_db = true: a number is wanted"),
    ("gain_db = nan", r"gain_db = nan: a finite number is wanted"),
    ("gain_db = -inf", r"gain_db = -inf: a finite number"),
    ("gain_db = 1979-05-27", r"blocks\.push\.gain_db = 1979-05-27: a board has no dates or times"),
    ("gain_db = 1000000000000000000000000000000", r"gain_db: the number has too many digits"),
    ("supply_volts = 0", r"supply_volts = 0: allowed is above 0 and up to 60 V"),
    ("supply_volts = 1.5", r"supply_volts = 1\.5 leaves nothing"),
    (
        'bypass = "ture"',
        r'bypass = "ture": allowed is "true" or "buffered"; did you mean',
    ),
    ("inputs = 3", r"inputs = 3: allowed is 1 or 2"),
    ("invert = 1", r"invert = 1: true or false is wanted"),
    ("size_mm = 40", r"size_mm = 40: a list of 2 numbers is wanted"),
    (
        "supply_range_volts = [18, 9]",
        r"supply_range_volts = \[18, 9\]: the lowest voltage, above 0, and then the highest",
    ),
]

SOURCE = [
    (
        "full_scale_dbu = 12\nloudest_peak_volts = 0.6",
        r"\[source\] full_scale_dbu and loudest_peak_volts are both given",
    ),
    ('kind = "giutar"', r'kind = "giutar": allowed is "guitar", "piezo" or "line"'),
    ("hum_hz = 55", r"hum_hz = 55: allowed is 50 or 60"),
    ("recorded_ohm = 1e6", r"\[source\] recorded_ohm: belongs in \[source\.pickup\]"),
    ("pickup = { volume = 1.5 }", r"\[source\.pickup\] volume = 1\.5: allowed is 0 to 1"),
    (
        'kind = "piezo"\npickup = { tone_nf = 22 }',
        r"\[source\.pickup\] tone_nf: no such key for the pickup of a piezo source",
    ),
    ("pickup = 3", r"\[source\.pickup\] is given as 3; a table is wanted"),
]

PASSAGE = [
    ('on = ["girt"]', r"\[passages\.verse\] on: the board has no block \"girt\"; did"),
    ('on = ["grit", "grit"]', r'on: "grit" stands there twice'),
    ("on = [3]", r"on, entry 1 = 3: text in quotes is wanted"),
    ('above = { passage = "sloo", lu = 3 }', r"above: the board has no passage \"sloo\"; did"),
    ('above = { passage = "verse", lu = 3 }', r"above: goes in a circle \(verse above verse\)"),
    ('above = { passage = "solo" }', r"above, lu is missing; a number is wanted"),
    (
        'above = { passage = "solo", lu = 1 }\ntarget_lufs = -20',
        r"above and target_lufs are both given",
    ),
    ("tail_s = -1", r"tail_s = -1: allowed is 0 to 60 s"),
    ("set = { puhs = { gain_db = 3 } }", r"set: the board has no block \"puhs\"; did you mean"),
    (
        "set = { push = { gain_db = 99 } }",
        r"\[passages\.verse\.set\.push\] gain_db = 99: allowed is -60 to 80 dB",
    ),
    ("set = { push = { gian_db = 9 } }", r"gian_db: no such key for a boost; did you mean"),
    ("set = { push = { supply_volts = 18 } }", r"supply_volts: belongs to the unit"),
    ("set = { push = { kind = 'drive' } }", r"kind: belongs to the unit"),
    ("set = { push = 3 }", r"set, push = 3: a table is wanted"),
    ("set = { source = { volume = 1.5 } }", r"set\.source\] volume = 1\.5: allowed is 0 to 1"),
    (
        "set = { source = { tone_nf = 10 } }",
        r"tone_nf: cannot change from passage to passage; of the source can: tone and volume",
    ),
    (
        "events = [{ at = 1, block = 'push', set = { supply_volts = 9 }, over_ms = 10 }]",
        r"events, entry 1, at 1 s: \"supply_volts\" of 'push' cannot move during a passage",
    ),
    (
        "events = [{ at = 1, block = 'push', do = 'record' }]",
        r"events, entry 1, at 1 s: a boost has no loop to record",
    ),
    (
        "events = [{ at = 1, block = 'pish', do = 'on' }]",
        r"events, entry 1, at 1 s: the board has no block \"pish\"; did you mean 'push'",
    ),
    ("events = [{ at = 1, block = 'source', do = 'on' }]", r"the source cannot be switched"),
    ("events = [{ at = 1, block = 'push' }]", r"events, entry 1: an event has either do or set"),
    ("events = [{ at = 1, block = 'push', do = 'on', set = {} }]", r"either do or set, one"),
    ("events = [{ at = 1, block = 'push', do = 'on', over_ms = 3 }]", r"over_ms goes with set"),
    ("events = [{ at = -1, block = 'push', do = 'on' }]", r"at = -1: allowed is 0 to 86400 s"),
    ("events = [{ at = 1, block = 'push', do = 'of' }]", r'do = "of": allowed is "on", "off"'),
]

ORDER = [
    (
        'loop = ["repaet"]',
        r"\[orders\.split\] loop: the board has no block \"repaet\"; did you mean 'repeat'\?",
    ),
    ('loop = ["repeat", "repeat"]', r'loop: "repeat" stands there twice; once is'),
    ('loop = ["grit"]', r'\[orders\.split\] loop: "grit" stands in front too'),
    ("loop = 'repeat'", r'loop = "repeat": a list of texts is wanted'),
    ("lop = ['repeat']", r"lop: no such key for an order; did you mean 'loop'"),
]

TOP = [
    ("rate = 22050", r"my\.toml: rate = 22050: allowed is 44100 to 192000 Hz"),
    ("rate = 48000.5", r"rate = 48000\.5: a whole number is wanted"),
    ("links = 'short'", r'links = "short": allowed is "ideal" or "real"'),
    ("title = 3", r"title = 3: text in quotes is wanted"),
    ("cables = 3", r"\[cables\] is given as 3; a table is wanted"),
    ("goals = []", r"\[goals\] is given as \[\]; a table is wanted"),
    ("songs = 3", r"\[songs\] is given as 3; a table is wanted"),
    ("cables = { patch_m = 200 }", r"\[cables\] patch_m = 200: allowed is 0 to 100 m"),
    (
        "songs = { a = { passages = ['vers'] } }",
        r"\[songs\.a\] passages: the board has no passage \"vers\"; did you mean 'verse'",
    ),
    ("rules = { first = ['gritt'] }", r"\[rules\] first: the board has no block \"gritt\""),
    (
        "rules = { before = [['grit']] }",
        r"\[rules\] before, entry 1 = \[\"grit\"\]: a list of texts is wanted, 2 entries or more",
    ),
    ("rules = { fixed = { grit = 0 } }", r"fixed, grit = 0: allowed is at least 1"),
    (
        "set_levels = { controls = ['push.gian_db'] }",
        r"controls: a boost has no control \"gian_db\"; did you mean 'gain_db'",
    ),
    ("set_levels = { controls = ['push'] }", r'a control is written "BLOCK\.CONTROL"'),
    ("set_levels = { controls = ['pus.gain_db'] }", r"the board has no block \"pus\""),
    ("goals = { reference = 'serie' }", r"reference: the board has no order \"serie\"; did"),
    ("goals = { loudness = 3 }", r"\[goals\] loudness: no such key for \[goals\]"),
]

# What is replaced in the small board, by what, and what is said.
OTHER = [
    (
        'kind = "boost"',
        'kind = "bost"',
        r'\[blocks\.push\] kind = "bost": no such kind; did you mean',
    ),
    (
        'kind = "boost"',
        'kind = "qqqq"',
        r"kinds are: body, boost, .*tuner",
    ),
    ('kind = "boost"', "kind = 3", r"kind = 3: text in quotes is wanted, one of: body, boost"),
    ('kind = "boost"', "", r"\[blocks\.push\] kind is missing; it is one of: body, boost"),
    (
        'kind = "boost"',
        'kind = "equalizer"\nbands = [{ hz = 100 }, { hz = 1 }]',
        r"bands, entry 2, hz = 1: allowed is 20 to 20000 Hz",
    ),
    (
        'kind = "boost"',
        'kind = "equalizer"\nbands = [{ hz = 100, gain = 3 }]',
        r"bands, entry 1, gain: no such key for an entry of bands",
    ),
    (
        'kind = "boost"',
        'kind = "equalizer"\nbands = [{ db = 3 }]',
        r"bands, entry 1, hz is missing; a number is wanted",
    ),
    ("[blocks.push]", "[blocks.amp]", r"\[blocks\] amp: this name is taken for a test point"),
    ("[blocks.push]", '[blocks."../x"]', r'\[blocks\] the name "\.\./x" cannot be used; a name is'),
    ("[blocks.push]", "[blocks.Push]", r'the name "?Push"? cannot be used'),
    ("[blocks.push]", '[blocks.""]', r'the name "" cannot be used'),
    ("[blocks.push]", '[blocks."push\\n"]', r'the name "push\\n" cannot be used'),
    ("[amps.mine]", "[amps.speaker]", r"\[amps\] speaker: this name is taken"),
    ("[orders.split]", '[orders."a/b"]', r'\[orders\] the name "a/b" cannot be used'),
    ("[passages.solo]", '[passages.".."]', r'\[passages\] the name "\.\." cannot be used'),
    (
        "[amps.mine]",
        "[amps.mine]\nwats = 3",
        r"\[amps\.mine\] wats: no such key for an amplifier; did you",
    ),
    ("[amps.mine]", "[amps.mine]\nsag = 2", r"\[amps\.mine\] sag = 2: allowed is 0 to 1"),
    (
        "[amps.mine]",
        "[output]\namps = ['mien']\n[amps.mine]",
        r"\[output\] amps: the board has no amplifier \"mien\"; did you mean 'mine'\?",
    ),
    (
        "[amps.mine]",
        "[output]\namps = ['mine', 'two', 'x']\n[amps.mine]\n[amps.two]\n[amps.x]",
        r"one amplifier, or two for stereo, are allowed",
    ),
    (
        "[amps.mine]",
        "[output]\namps = 'mine'\n[amps.mine]",
        r'amps = "mine": a list of texts is wanted',
    ),
    ("[amps.mine]", "", r'\[orders\.split\] loop = \["repeat"\]: a split needs an amplifier'),
    (
        "[amps.mine]",
        "[output]\namps = []\n[amps.mine]",
        r"\[orders\.split\] loop = .*: a split needs",
    ),
    (
        "[amps.mine]",
        "[amps.mine]\n[cabels]",
        r"cabels: a board has no such key or table; did you mean 'cables'",
    ),
    (
        'front = ["grit", "push"]\nloop = ["repeat"]',
        "",
        r"\[orders\.split\] an order lists its blocks",
    ),
    ('[source]\nclip = "riff"', "source = 3", r"\[source\] is given as 3; a table is wanted"),
    ("[amps.mine]", "[amps]\nmine = 3", r"\[amps\.mine\] is given as 3; a table is wanted"),
]


def put(text: str, old: str, new: str) -> str:
    assert old in text
    changed = text.replace(old, new, 1)
    tomllib.loads(changed)
    return changed


def told(found: list[str], says: str) -> bool:
    return any(re.search(says, problem) for problem in found)


@pytest.mark.parametrize(("line", "says"), BLOCK)
def test_in_a_block(small: str, problems_of: Told, line: str, says: str):
    text = put(small, 'kind = "boost"', f'kind = "boost"\n{line}')
    assert told(problems_of(text), says), problems_of(text)


@pytest.mark.parametrize(("line", "says"), SOURCE)
def test_in_the_source(small: str, problems_of: Told, line: str, says: str):
    text = put(small, 'clip = "riff"', f'clip = "riff"\n{line}')
    assert told(problems_of(text), says), problems_of(text)


@pytest.mark.parametrize(("line", "says"), PASSAGE)
def test_in_a_passage(small: str, problems_of: Told, line: str, says: str):
    text = put(small, 'on = ["grit"]', line)
    assert told(problems_of(text), says), problems_of(text)


@pytest.mark.parametrize(("line", "says"), ORDER)
def test_in_an_order(small: str, problems_of: Told, line: str, says: str):
    text = put(small, 'loop = ["repeat"]', line)
    assert told(problems_of(text), says), problems_of(text)


@pytest.mark.parametrize(("line", "says"), TOP)
def test_at_the_top_of_the_file(small: str, problems_of: Told, line: str, says: str):
    text = put(small, "[source]", f"{line}\n[source]")
    assert told(problems_of(text), says), problems_of(text)


@pytest.mark.parametrize(("old", "new", "says"), OTHER)
def test_elsewhere(small: str, problems_of: Told, old: str, new: str, says: str):
    text = put(small, old, new)
    assert told(problems_of(text), says), problems_of(text)


@pytest.mark.parametrize(
    "table",
    [
        '[passages."\\n"]\non = ["nobody"]',
        '[orders."\\n"]\nfront = ["nobody"]',
        '[songs."\\n"]\npassages = ["nobody"]',
        '[passages."\\n"]\nabove = { passage = "\\n", lu = 1 }',
    ],
)
def test_a_name_with_a_line_end_is_still_told_in_one_line(
    small: str, problems_of: Told, table: str
):
    for said in problems_of(f"{small}\n{table}\n"):
        assert "\n" not in said
