"""The ten questions players argue about (practice.md §2): does the tool say what a player would nod
at? The directions are common practice, no source; sizes are checked in test_order_questions*.py.

Two orders of a few blocks behind a humbucking guitar, real links, defaults unless said; five
seconds of a clip. Each test prints its sentence.
"""

from pathlib import Path

import pytest

from simchain.board import load_board
from simchain.decide.compare import compare
from simchain.report.documents import key_of
from simchain.report.page_data import page_data
from simchain.report.sentences import passage_sentence
from simchain.signal import Signal, write_float_wav
from tests.references.order_bench import GRIT, HUMBUCKING, PRESS, PUSH_6, RATE, TREMOLO, clip

# Full scale 1.0 is 1 V peak.
HEAD = """
tail_s = 2
[source]
clip = "clip.wav"
full_scale_dbu = -0.79181246
"""
ECHO = 'kind = "delay"'
ROOM = 'kind = "reverb"'
BUMP = 'kind = "equalizer", bands = [{ hz = 800, db = 6, q = 1 }]'
WIDE = 'kind = "modulation", shape = "chorus", outputs = 2'


class Asker:
    """Asks how the second of two orders differs from the first."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(
        self,
        blocks: dict[str, str],
        first: str,
        second: str,
        *,
        played: str = "riff",
        seconds: int = 5,
        amp: float | None = None,
        on: list[str] | None = None,
        events: str = "",
    ) -> str:
        """Return the sentence; an order is "front | loop", `amp` an amplifier's gain in dB."""
        write_float_wav(self.folder / "clip.wav", Signal(clip(played, seconds)[None], RATE))
        text = [
            HEAD,
            HUMBUCKING % 1.0,
            "[blocks]",
            *(f"{name} = {{ {each} }}" for name, each in blocks.items()),
        ]
        if amp is not None:
            text += ["[amps.stack]", f"gain_db = {amp}", "[output]", 'amps = ["stack"]']
        for name, order in (("first", first), ("second", second)):
            front, _, loop = order.partition("|")
            text += [f"[orders.{name}]", f"front = {front.split()}", f"loop = {loop.split()}"]
        text += ["[passages.music]", f"on = {list(blocks) if on is None else on}"]
        text += [f"events = [{events}]"]
        path = self.folder / "board.toml"
        path.write_text("\n".join(text).replace("'", '"'))
        comparison = compare(load_board(path), ["first", "second"])
        keys = [key_of(one) for one in comparison.heard]
        data = page_data(comparison, dict.fromkeys(keys, "-"), dict.fromkeys(keys, "AAAA"))
        said = passage_sentence(data, "music", comparison.amps[0]).removeprefix("Music: ")
        print(said)
        return said


@pytest.fixture
def ask(tmp_path: Path) -> Asker:
    return Asker(tmp_path)


def test_1_boost_and_drive(ask: Asker) -> None:
    """After: level, and hardly any dirt (220 Hz: 26 against 25 % of harmonics).

    Into an amplifier that crunches, much less of it: the amplifier decides.
    """
    blocks = {"push": PUSH_6, "grit": GRIT}
    said = ask(blocks, "push grit", "grit push")
    assert said.startswith("A clear difference expected")
    assert "moving push after grit makes it" in said
    assert "LU louder and hardly dirtier" in said
    crunch = ask(blocks, "push grit", "grit push", amp=16)
    assert loudness(crunch) < loudness(said) - 2.0


def loudness(said: str) -> float:
    """The LU of "3.7 LU louder" in a sentence."""
    before = said.split(" LU louder")[0]
    return float(before.split()[-1])


def test_2_compressor_and_drive(ask: Asker) -> None:
    """Before: dirt that is even down to the soft notes; after, their harmonics go first."""
    blocks = {"press": PRESS, "grit": GRIT}
    said = ask(blocks, "press grit", "grit press", played="lead", seconds=10)
    assert "difference expected" in said
    assert ", by tone and evenness (" in said
    assert "less above 2.5 kHz in soft moments" in said
    assert "from moving press after grit" in said


def test_3_modulation_and_drive(ask: Asker) -> None:
    """After: wide, obvious sway; before, the drive evens it out."""
    blocks = {"wobble": TREMOLO, "grit": GRIT}
    said = ask(blocks, "wobble grit", "grit wobble", played="arpeggio")
    assert "by movement: moving wobble after grit" in said
    assert "more sway" in said
    phaser = {"sweep": 'kind = "modulation", shape = "phaser"', "grit": GRIT}
    swept = ask(phaser, "sweep grit", "grit sweep")
    assert "A clear difference expected" in swept
    assert " dirtier" not in swept


def test_4_delay_in_front_or_in_the_loop(ask: Asker) -> None:
    """Clean amplifier: the two extra cables stay at home. High gain: in front, repeats clog."""
    clean = ask({"echo": ECHO}, "echo", "| echo", amp=8)
    assert clean.startswith("No difference expected: A and B are equally loud")
    hot = ask({"echo": ECHO}, "echo", "| echo", amp=40)
    assert "moving echo into the loop" in hot
    assert "less echo" in hot


def test_4_reverb_in_front_or_in_the_loop(ask: Asker) -> None:
    """The same; with high gain, in front, it becomes mush: as loud as the notes."""
    clean = ask({"room": ROOM}, "room", "| room", amp=8)
    assert clean.startswith("No difference expected: A and B are equally loud")
    hot = ask({"room": ROOM}, "room", "| room", amp=40)
    assert hot.startswith("A clear difference expected, by echo (")
    assert "moving room into the loop" in hot
    assert "less echo" in hot
    assert "dirtier (" not in hot


def test_5_wah_and_fuzz(ask: Asker) -> None:
    """After: a filter's sweep, thinner; and louder where the wah raises enough (18 dB, see
    test_order_questions_of_wires.py), not with the default of 6 dB."""
    for gain_db, change in ((6, "LU quieter"), (18, "LU louder")):
        blocks = {"vowel": f'kind = "wah", gain_db = {gain_db}', "fur": 'kind = "fuzz"'}
        said = ask(blocks, "vowel fur", "fur vowel")
        assert said.startswith("A clear difference expected")
        assert "moving vowel after fur makes it" in said
        assert change in said
        assert "dB less a" in said, "above or around so many kHz"


def test_6_equalizer_and_drive(ask: Asker) -> None:
    """After: louder, and what you boost is what you hear."""
    said = ask({"bump": BUMP, "grit": GRIT}, "bump grit", "grit bump")
    assert said.startswith("A clear difference expected")
    assert "moving bump after grit makes it" in said
    assert "LU louder" in said


def test_7_gate_before_and_after_a_drive_and_a_delay(ask: Asker) -> None:
    """After a delay it cuts repeats under its threshold: clear. After a drive: rests are silent,
    and there is little else to tell."""
    gate = 'kind = "gate", threshold_dbu = -28'
    echo = f"{ECHO}, feedback = 0.4"
    said = ask({"hush": gate, "echo": echo}, "hush echo", "echo hush", played="arpeggio")
    assert said.startswith("A clear difference expected")
    assert "less echo" in said
    drive = ask({"hush": 'kind = "gate"', "grit": GRIT}, "hush grit", "grit hush", played="funk")
    assert drive.startswith("A subtle difference expected")


def test_8_volume_first_or_after_a_drive(ask: Asker) -> None:
    """First it is the guitar's volume; after, a fade: quieter, and no cleaner."""
    swell = 'kind = "volume", position = 0.8'
    said = ask({"swell": swell, "grit": GRIT}, "swell grit", "grit swell")
    assert "moving swell after grit makes it" in said
    assert "LU quieter and no cleaner" in said


def test_9_looper_before_or_after_a_drive(ask: Asker) -> None:
    """The drive goes on over a loop that plays: before it, the loop gets dirty too."""
    blocks = {"layers": 'kind = "looper"', "grit": GRIT}
    events = (
        "{ at = 0, block = 'layers', do = 'record' }, { at = 2, block = 'layers', do = 'play' }, "
        "{ at = 2.5, block = 'grit', do = 'on' }"
    )
    said = ask(blocks, "layers grit", "grit layers", on=["layers"], events=events)
    assert "difference expected" in said
    assert "No difference" not in said
    assert "moving layers after grit" in said
    assert "dirtier" not in said, "tones do not go round in a loop: nothing is claimed of dirt"


def test_10_delay_and_drive(ask: Asker) -> None:
    """Into a drive, repeats come closer: after it there is less in the gaps."""
    said = ask({"echo": ECHO, "grit": GRIT}, "echo grit", "grit echo")
    assert said.startswith("A clear difference expected, by echo (")
    assert "in soft moments" in said
    assert " dB less " in said


def test_10_delay_and_a_compressor_that_works(ask: Asker) -> None:
    """Into a compressor repeats of -6, -14, -22 become -1.5, -4, -10 dB: after it there is less."""
    said = ask({"echo": ECHO, "press": PRESS}, "echo press", "press echo")
    assert said.startswith("A clear difference expected")
    assert "moving echo after press" in said
    assert "less echo" in said


def test_10_tremolo_and_reverb(ask: Asker) -> None:
    """After the reverb its tail is chopped in time too."""
    room = f"{ROOM}, decay_s = 2.0, mix = 0.3"
    said = ask({"wobble": TREMOLO, "room": room}, "wobble room", "room wobble")
    assert "moving wobble after room" in said
    assert "more sway" in said
    assert "less echo" in said


def test_10_reverb_and_delay_are_the_same(ask: Asker) -> None:
    said = ask({"room": ROOM, "echo": ECHO}, "room echo", "echo room")
    assert said.startswith("A and B are the same: their difference is ")


def test_10_a_stereo_block_before_a_mono_one(ask: Asker) -> None:
    said = ask({"wide": WIDE, "push": PUSH_6}, "push wide", "wide push")
    assert said.startswith("A clear difference expected")
    assert "by stereo width" in said
    assert "narrower" in said


def test_10_repeats_from_side_to_side_before_a_mono_block(ask: Asker) -> None:
    """Folded, repeats lose 3 to 6 dB beside the dry sound, and all width."""
    blocks = {"echo": f"{ECHO}, spread = 1, outputs = 2", "push": PUSH_6}
    said = ask(blocks, "push echo", "echo push")
    assert said.startswith("A clear difference expected")
    assert "moving push after echo makes it" in said
    assert "narrower" in said
    assert "less echo" in said


def test_10_what_is_free(ask: Asker) -> None:
    """A tuner anywhere; a compressor and a small equalizer (3 dB at 2.5 kHz)."""
    blocks = {"tuner": 'kind = "tuner"', "press": PRESS}
    tuner = ask(blocks, "tuner press", "press tuner", on=["press"])
    assert tuner.startswith("No difference expected")
    tilt = 'kind = "equalizer", bands = [{ hz = 2500, db = 3, q = 1 }]'
    said = ask({"press": PRESS, "tilt": tilt}, "press tilt", "tilt press")
    assert said.startswith(("No difference", "A subtle difference expected (borderline)"))
