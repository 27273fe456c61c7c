"""Electrical warnings: a sound board has none, each deliberate fault its own and no other."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simchain.blocks import Moment, kinds
from simchain.board import new_board, read_board
from simchain.chain.electrical import check_electrics
from simchain.chain.electrical.loading import PIEZO_CORNER_HZ, _loaded_piezo
from simchain.chain.loop import parallel_loop
from simchain.chain.render import render
from simchain.chain.source import check_clips
from simchain.electrics import Cable, Link, Piezo, Pot
from simchain.signal import Signal, write_float_wav

Simchain = Callable[..., Any]

SUPPLY = """supply = { outlets = [
  { name = "A", isolated = true }, { name = "B", isolated = true },
  { name = "C", isolated = true }, { name = "D", isolated = true },
] }
"""
SOUND = (
    'source = { kind = "guitar", clip = "riff" }\n'
    + SUPPLY
    + """
[blocks]
dirt = { kind = "fuzz" }
tune = { kind = "tuner", bypass = "buffered" }
grit = { kind = "drive" }
push = { kind = "boost", gain_db = 6 }
wobble = { kind = "modulation", shape = "tremolo" }
room = { kind = "reverb", max_dbu = 12 }
repeat = { kind = "delay", max_dbu = 12 }
[amps.mine]
[orders.series]
front = ["tune", "grit", "push", "wobble", "room", "repeat"]
[orders.split]
front = ["tune", "grit", "push"]
loop = ["wobble", "room", "repeat"]
[passages.verse]
on = ["push", "room"]
[passages.solo]
on = ["grit", "push", "wobble", "repeat"]
clip = "lead"
[passages.nothing]
on = []
"""
)

LOADING_CODES = ("first_input_low", "long_unbuffered")
IN_FRONT, IN_LOOP = 'front = ["tune", "grit", "push"]', "[amps.mine]"
FAULTS = {
    "fuzz first": (
        "first_input_low", "dirt",
        (IN_FRONT, 'front = ["dirt", "tune", "grit", "push"]'),
        ('on = ["grit"', 'on = ["dirt", "grit"'),
    ),
    "piezo into a guitar's input": (
        "first_input_low", "tune", ('kind = "guitar"', 'kind = "piezo"')
    ),
    "no buffer": ("long_unbuffered", "", ('bypass = "buffered"', 'bypass = "true"')),
    "no buffer once it is off": (
        "long_unbuffered", "", ('kind = "tuner", bypass = "buffered"', 'kind = "boost"'),
        ('["push", "room"]', '["tune", "push", "room"]'), ('["grit"', '["tune", "grit"'),
        ("on = []", 'on = ["tune"]\nevents = [{ at = 2, block = "tune", do = "off" }]'),
    ),
    "a long cable": ("long_unbuffered", "", (IN_LOOP, "[cables]\nguitar_m = 10\n[amps.mine]")),
    "a long cable behind a passive level control": (
        "long_unbuffered", "grit",
        ('kind = "drive"', 'kind = "drive", output_ohm = 25e3'),
        (IN_FRONT, 'front = ["tune", "push", "grit"]'),
        (IN_LOOP, "[cables]\namp_m = 15\n[amps.mine]"),
    ),
    "too much boost": ("near_rail", "push", ("gain_db = 6", "gain_db = 20")),
    "too much boost once it is turned up": (
        "near_rail", "push",
        ("on = []", 'on = ["push"]\n'
         'events = [{ at = 2, block = "push", set = { gain_db = 20 }, over_ms = 50 }]'),
    ),
    "a low rail": ("near_rail", "push", ("gain_db = 6", "rail_volts = 0.4")),
    "low converters": ("near_rail", "push", ("gain_db = 6", "gain_db = 12, max_dbu = 0")),
    "a hot send": ("loop_level", "wobble", (IN_LOOP, "[amps.mine]\nloop_level_dbu = 2")),
    "a loop below hiss": (
        "loop_level", "repeat", (IN_LOOP, "[amps.mine]\nloop_level_dbu = -20"),
        ('kind = "delay"', 'kind = "delay", noise_out_uv = 300'),
    ),
    "a late parallel loop": (
        "loop_comb", "wobble", (IN_LOOP, "[amps.mine]\nloop_mix = 0.5"),
        ('"tremolo"', '"tremolo", digital = true, max_dbu = 12'),
    ),
    "a parallel loop upside down": (
        "loop_comb", "room", (IN_LOOP, "[amps.mine]\nloop_mix = 0.5"),
        ('kind = "reverb"', 'kind = "reverb", invert = true'),
    ),
    "stereo into one input": (
        "stereo_ends", "room", ('kind = "reverb"', 'kind = "reverb", outputs = 2')
    ),
    "stereo into one amplifier": (
        "stereo_ends", "repeat",
        ('kind = "delay"', 'kind = "delay", outputs = 2, spread = 0.5'),
        ("[passages.verse]", '[orders.alone]\nfront = ["tune", "repeat"]\n[passages.verse]'),
        ("[orders.series]", "#[orders.series]"), ('front = ["tune", "grit", "push", "wobble"', "#"),
        ("[orders.split]", "#"), (IN_FRONT, "#"), ("loop = [", "#"),
    ),
    "a shared supply": ("ground_loop", "", ('name = "A", isolated = true', 'name = "A"')),
    "a supply that is not described": ("ground_loop", "", (SUPPLY, "")),
    "a soft clip": (
        "clip_level", "", ('clip = "riff"', 'clip = "soft.wav", full_scale_dbu = 12')
    ),
}  # fmt: skip


def changed(*edits: tuple[str, str]) -> str:
    text = SOUND
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    return text


def warned(simchain_command: Simchain, folder: Path, text: str) -> list[dict[str, str]]:
    """What `simchain check --json` warns of."""
    path = folder / "board.toml"
    path.write_text(text)
    ran = simchain_command("check", path, "--json")
    document = json.loads(ran.out)
    assert (ran.status, document["errors"]) == (0, [])
    assert set(document) == {"simchain", "errors", "warnings"}
    assert all(set(warning) == {"code", "block", "text"} for warning in document["warnings"])
    found: list[dict[str, str]] = document["warnings"]
    return found


def test_a_sound_board_has_no_warnings(simchain_command: Simchain, tmp_path: Path):
    assert warned(simchain_command, tmp_path, SOUND) == []


@pytest.mark.parametrize("name", ["electric", "acoustic", "demo"])
def test_the_starters_have_none(simchain_command: Simchain, tmp_path: Path, name: str):
    new_board(tmp_path / "starter.toml", name)
    text = (tmp_path / "starter.toml").read_text()
    assert warned(simchain_command, tmp_path, text) == []


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_has_its_warning_and_no_other(
    simchain_command: Simchain, tmp_path: Path, fault: str
):
    code, block, *edits = FAULTS[fault]
    soft = 0.004 * np.sin(2 * np.pi * 220 * np.arange(4800) / 48_000)[np.newaxis]
    write_float_wav(tmp_path / "soft.wav", Signal(soft, 48_000))
    found = warned(simchain_command, tmp_path, changed(*edits))
    print(f"{fault}: {code}", *(warning["text"] for warning in found), sep="\n  ")
    assert [(each["code"], each["block"]) for each in found] == [(code, block)]
    assert "\n" not in found[0]["text"]


def only(board: str, code: str, peaks: dict[str, float] | None = None) -> str:
    """The text of the single warning of that code."""
    found = [w.text for w in check_electrics(read_board(board), peaks or {}) if w.code == code]
    assert len(found) == 1, found
    return found[0]


def figures(text: str, pattern: str) -> list[float]:
    match = re.search(pattern, text)
    assert match, text
    return [float(figure) for figure in match.groups()]


def guitar_db(hz: np.ndarray, cable_pf: float, load_ohm: float, humbucking: bool = False):
    """Level at the load over the coil's open voltage, from the circuit's closed form.

    Coil in series with its resistance into P, on P its capacitance, the tone pot with its
    capacitor, the volume pot at full, cable and load: a plain voltage divider.
    """
    henry, ohm, coil_pf, pots = (4.4, 8e3, 130, 500e3) if humbucking else (2.6, 6200, 115, 250e3)
    s = 2j * np.pi * hz
    tone = 1 / (pots + 1 / (s * 22e-9))
    across = s * (coil_pf + cable_pf) * 1e-12 + tone + 1 / pots + 1 / load_ohm
    return 20 * np.log10(np.abs(1 / (1 + (ohm + s * henry) * across)))


def test_what_a_fuzz_takes_is_what_the_circuit_says():
    """Closed form; into 15 kohm a humbucking pickup loses 8 to 9 dB at 1 kHz (common practice)."""
    hz = np.geomspace(100, 5000, 2000)
    for humbucking, ohm in ((False, 12e3), (True, 15e3)):
        coil = "inductance_h = 4.4, resistance_ohm = 8e3, capacitance_pf = 130, "
        coil += "volume_ohm = 500e3, tone_ohm = 500e3"
        board = changed(*FAULTS["fuzz first"][2:], ('"fuzz"', f'"fuzz", input_ohm = {ohm:g}'))
        if humbucking:
            board = board.replace('clip = "riff"', f'clip = "riff", pickup = {{ {coil} }}')
        said = figures(
            only(board, "first_input_low"), r"takes ([\d.]+) dB at 1 kHz and ([\d.]+) dB"
        )
        lost = guitar_db(hz, 600, 1e6, humbucking) - guitar_db(hz, 600, ohm, humbucking)
        exact = [float(np.interp(1000, hz, lost)), float(lost.max())]
        print(f"{ohm / 1e3:g} kohm: said {said} dB, closed form {np.round(exact, 2)} dB")
        assert said == pytest.approx(exact, abs=0.1)
        if humbucking:
            assert said[0] == pytest.approx(8.6, abs=1.5)


def test_where_a_long_cable_begins_to_dull_is_what_the_circuit_says():
    """12.3 m against 6 m at 100 pF a metre, into 1 Mohm: the closed form's 3 dB."""
    text = only(changed(*FAULTS["no buffer"][2:]), "long_unbuffered")
    hz = np.geomspace(1000, 5000, 4000)
    lost = guitar_db(hz, 600, 1e6) - guitar_db(hz, 1230, 1e6)
    exact = hz[np.argmax(lost >= 3)]
    (said,) = figures(text, r"from ([\d.]+) kHz")
    print(f"said {said} kHz, closed form {exact / 1e3:.3f} kHz")
    assert said == pytest.approx(exact / 1e3, abs=0.06)
    assert figures(text, r"drives ([\d.]+) m of cable \((\d+) pF\)") == [12.3, 1230]


def test_an_output_of_high_resistance_and_its_cable():
    """25 kohm beside 1 Mohm into 1500 pF against 300 pF: a first-order corner in closed form."""
    text = only(changed(*FAULTS["a long cable behind a passive level control"][2:]),
                "long_unbuffered")  # fmt: skip
    ohm = 1 / (1 / 25e3 + 1 / 1e6)
    hz = np.geomspace(1000, 5000, 4000)
    long, short = (1 / np.abs(1 + 2j * np.pi * hz * ohm * pf * 1e-12) for pf in (1500, 300))
    exact = hz[np.argmax(20 * np.log10(short / long) >= 3)]
    assert figures(text, r"from ([\d.]+) kHz") == pytest.approx([exact / 1e3], abs=0.06)


def test_a_piezo_without_cable_into_1_mohm_has_the_corner_of_the_handbooks():
    """600 pF into 1 Mohm: 265 Hz, into 10 Mohm 27 Hz (1 / 2 pi R C)."""
    piezo = ('kind = "guitar", clip = "riff"', 'kind = "piezo", clip = "strum", '
             'pickup = { capacitance_pf = 600 }')  # fmt: skip
    bare = (IN_LOOP, "[cables]\nguitar_m = 0\n[amps.mine]")
    text = only(changed(piezo, bare), "first_input_low")
    assert figures(text, r"below (\d+) Hz") == [265]
    high = ('kind = "tuner"', 'kind = "tuner", input_ohm = 10e6')
    assert check_electrics(read_board(changed(piezo, bare, high)), {}) == []


def test_a_pot_on_the_way_loads_a_piezo():
    """The corner told is where the circuit's response is 3 dB below its height."""
    link = Link(Piezo(500.0), (Cable(600.0), Pot(1e6, 0.4)), 1e6)
    corner_hz = PIEZO_CORNER_HZ + _loaded_piezo(Piezo(500.0), link)[0]
    below, height = np.abs(link.at(np.array([corner_hz, 1e6])))
    assert 20 * np.log10(below / height) == pytest.approx(-3.01, abs=0.05)


def test_an_amplifier_or_a_mixer_may_be_the_first_input():
    text = only(changed((IN_LOOP, "[amps.mine]\ninput_ohm = 50e3"),
                        ('bypass = "buffered"', 'bypass = "true"')), "first_input_low")  # fmt: skip
    assert text.startswith("the amplifier's input, 50 kohm,")
    mixer = SOUND.replace(IN_LOOP, "").replace("[orders.split]", "").replace(IN_FRONT, "")
    mixer = mixer.replace('loop = ["wobble", "room", "repeat"]', "")
    mixer = mixer.replace('["tune", "grit", "push", "wobble", "room", "repeat"]', '["grit"]')
    text = only(mixer, "first_input_low")
    assert text.startswith("the mixer's input, 10 kohm,")


LOADING = [name for name, found in FAULTS.items() if found[0] in LOADING_CODES]


@pytest.mark.parametrize("fault", LOADING)
def test_on_ideal_links_nothing_loads(fault: str):
    board = read_board('links = "ideal"\n' + changed(*FAULTS[fault][2:]))
    assert check_electrics(board, {}) == []


@pytest.mark.parametrize("gain_db", [12, 20])
def test_the_rails_told_are_those_that_a_rendering_meets(gain_db: int):
    """Estimated from the clip's peak and the gain; measured on the rendering at push.out."""
    board = read_board(changed(("gain_db = 6", f"gain_db = {gain_db}, rail_volts = 1")))
    found = [w for w in check_electrics(board, check_clips(board)[2]) if w.code == "near_rail"]
    assert [each.block for each in found] == ["push"]
    (asked,) = figures(found[0].text, r"asked for ([\d.]+) V")
    headroom = render(board, "series", "verse").points["push.out"].headroom
    assert headroom is not None
    off_db = 20 * np.log10(asked) + headroom.db
    print(f"{gain_db} dB: told {asked} V, the rendering asks for {off_db:+.2f} dB less")
    assert abs(off_db) < 1.0


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        ("boost", {"gain_db": 12}),
        ("piezo_preamp", {"gain_db": -4, "notch_hz": 190}),
        ("volume", {"active": True, "position": 0.5}),
        ("equalizer", {"bands": ({"shape": "low_cut", "hz": 80},)}),
    ],
)
def test_a_nominal_gain_is_what_a_tone_gets(kind: str, settings: dict[str, Any]):
    """1 mV at 1 kHz through the block, its last half read."""
    block = kinds()[kind].model_validate(settings)
    tone = 1e-3 * np.sin(2 * np.pi * 1000 * np.arange(48_000) / 48_000)[np.newaxis]
    made = block.process(tone, Moment(48_000))[0, 24_000:]
    gain_db = 20 * np.log10(np.abs(made).max() / 1e-3)
    assert block.nominal_gain_db() == pytest.approx(gain_db, abs=0.1)


def test_what_is_not_known_is_not_told():
    """Behind a drive no level is followed; nor is one without a clip, or of a muted pedal."""
    loud = changed(("gain_db = 6", "gain_db = 40"), ('on = ["push", "room"]', "on = []"))
    board = read_board(loud)
    assert [w.code for w in check_electrics(board, {"lead": 0.5})] == []
    assert [w.code for w in check_electrics(read_board(SOUND), {})] == []
    heel = changed(('"tremolo"', '"tremolo", noise_nv = 1e6')).replace(
        '{ kind = "modulation", shape = "tremolo", noise_nv = 1e6 }',
        '{ kind = "volume", active = true, position = 0 }',
    )
    assert check_electrics(read_board(heel), {"lead": 0.5, "riff": 0.5}) == []


def test_the_comb_told_is_the_one_that_is_measured():
    """Against an impulse through the loop's blocks: first dip at 1 / 2t, here 333 Hz."""
    late = changed(*FAULTS["a late parallel loop"][2:], ('repeat"]\nclip', 'dirt"]\nclip'))
    for mix in (0.5, 0.7):
        board = read_board(late.replace("loop_mix = 0.5", f"loop_mix = {mix}").replace(
            '"tremolo"', '"tremolo", depth = 0'))  # fmt: skip
        text = only(late.replace("loop_mix = 0.5", f"loop_mix = {mix}"), "loop_comb")
        loop = parallel_loop(board, "split", "solo", "mine")
        assert loop is not None
        dips = [dip.hz for dip in loop.dips[:2]]
        told = figures(text, r"dips at (\d+) Hz, (\d) kHz")
        (deep,) = figures(text, r"(\d+) dB (?:or more )?deep")
        print(
            f"loop_mix {mix}: told {told}, {deep} dB; measured {np.round(dips)}, {loop.dips[0].db}"
        )
        assert [told[0], told[1] * 1e3] == pytest.approx(dips, rel=0.01)
        if mix == 0.7:
            assert deep == pytest.approx(-loop.dips[0].db, abs=1.0)
        else:
            assert loop.dips[0].db < -deep


BAD = [
    ("source", "pickup = { inductance_h = 0 }", "inductance_h"),
    ("source", "pickup = { inductance_h = -2.6 }", "inductance_h"),
    ("source", "pickup = { resistance_ohm = 0 }", "resistance_ohm"),
    ("source", "pickup = { capacitance_pf = -1 }", "capacitance_pf"),
    ("source", "pickup = { volume_ohm = -250e3 }", "volume_ohm"),
    ("source", "pickup = { tone_ohm = 0 }", "tone_ohm"),
    ("source", "pickup = { tone_nf = -22 }", "tone_nf"),
    ("source", "pickup = { volume = -0.1 }", "volume"),
    ("source", "pickup = { recorded_ohm = 0 }", "recorded_ohm"),
    ("source", 'kind = "piezo"\npickup = { capacitance_pf = 0 }', "capacitance_pf"),
    ("cables", "guitar_m = -6", "guitar_m"),
    ("cables", "patch_m = -0.1", "patch_m"),
    ("cables", "return_m = -1", "return_m"),
    ("cables", "pf_per_m = -100", "pf_per_m"),
    ("blocks.push", "input_ohm = 0", "input_ohm"),
    ("blocks.push", "output_ohm = -600", "output_ohm"),
    ("blocks.pedal", "pot_ohm = 0", "pot_ohm"),
    ("amps.mine", "input_ohm = -1e6", "input_ohm"),
    ("amps.mine", "send_ohm = 0", "send_ohm"),
    ("amps.mine", "return_ohm = 0", "return_ohm"),
    ("output", "input_ohm = 0", "input_ohm"),
]


@pytest.mark.parametrize(("table", "setting", "key"), BAD)
def test_values_that_no_circuit_has_are_one_line(
    simchain_command: Simchain, tmp_path: Path, table: str, setting: str, key: str
):
    tables = {
        "source": 'clip = "riff"',
        "cables": "",
        "blocks.push": 'kind = "boost"',
        "blocks.pedal": 'kind = "volume"',
        "amps.mine": "",
        "output": "",
        "orders.a": 'front = ["push", "pedal"]',
        "passages.verse": 'on = ["push"]',
    }
    tables[table] += f"\n{setting}"
    path = tmp_path / "board.toml"
    path.write_text("\n".join(f"[{name}]\n{held}" for name, held in tables.items()))
    ran = simchain_command("check", path)
    said, summary = ran.out.strip().splitlines()
    assert ran.status == 2
    assert key in said
    assert "allowed" in said
    assert summary.endswith("1 thing to mend")
    assert ran.err == ""
