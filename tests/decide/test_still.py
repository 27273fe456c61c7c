"""The board held still: every kind, and every way in which something could come back."""

import numpy as np
import pytest

from simchain.blocks import Block, Moment, kinds
from simchain.board import Board, Order
from simchain.chain.source import source_of
from simchain.decide.judge import Judge, modulates
from simchain.decide.still import dry_and_still, still
from tests.decide.conftest import RATE, MakeBoard

SHAPES = ("chorus", "flanger", "phaser", "vibrato", "tremolo")
VOICES = ("clean", "bucket-brigade", "tape")
# What sways or echoes of each kind that can; all other kinds neither sway nor echo.
LIVELY: dict[str, list[str]] = {
    "modulation": [f'shape = "{shape}", rate_hz = 5, depth = 0.9' for shape in SHAPES],
    "delay": [f'voice = "{voice}", time_ms = 50, mix = 0.6' for voice in VOICES],
    "reverb": ["mix = 0.6", "mix = 0.6, motion = 0.7, shimmer = 0.5"],
}
EACH = [
    f'kind = "{kind}"' + (f", {settings}" if settings else "")
    for kind in kinds()
    for settings in LIVELY.get(kind, [""])
]


ROOM = 'kind = "reverb", mix = 0'


def a_board(make: MakeBoard, block: str, volts: np.ndarray, more: str = "") -> Board:
    text = f'[blocks]\nit = {{ {block} }}\nwire = {{ kind = "boost" }}\n'
    text += '[orders.o]\nfront = ["it"]\n[passages.p]\non = ["it"]\n'
    return make(text + more, volts, tail_s=0.5)


def rendered(board: Board, music: str = "p", *, song: bool = False) -> np.ndarray:
    (sound,) = Judge(board, music, None, is_song=song).sounds([Order(front=("it",))])
    assert not modulates(sound.rendering.path)
    return sound.rendering.output.samples


@pytest.fixture
def burst() -> np.ndarray:
    """A twentieth of a second of noise, and silence to a second."""
    volts = np.zeros((1, RATE))
    volts[:, : RATE // 20] = 0.05 * np.random.default_rng(5).standard_normal(RATE // 20)
    return volts


def test_lively_kinds_are_all_there() -> None:
    """A new kind that sways or echoes says so in the table, or nobody holds it to this."""
    own = {
        name: {kind for kind, block in kinds().items() if _has_own(block, name)}
        for name in ("modulates", "frozen", "dry")
    }
    assert own["modulates"] == own["frozen"]
    assert own["modulates"] | own["dry"] == set(LIVELY)


def _has_own(block: type[Block], method: str) -> bool:
    return getattr(block, method) is not getattr(Block, method)


@pytest.mark.parametrize("block", EACH)
def test_every_kind_sways_no_more(make_board: MakeBoard, burst: np.ndarray, block: str) -> None:
    """Where nothing is to be held the block stays as it is; so does the rest of the board."""
    board = a_board(make_board, block, burst)
    before = board.model_copy(deep=True)
    for held in (still(board, ["it"]), dry_and_still(board, ["it"])):
        assert not held.blocks["it"].modulates()
        assert held.blocks["wire"] == board.blocks["wire"]
        assert held.passages == board.passages
        if board.blocks["it"].kind not in LIVELY:
            assert held.blocks["it"] == board.blocks["it"]
    assert board == before


@pytest.mark.parametrize("kind", ["delay", "reverb"])
def test_no_impulse_echoes(make_board: MakeBoard, burst: np.ndarray, kind: str) -> None:
    """What an impulse gives is the impulse; held still alone, it rings on."""
    impulse = np.zeros((1, RATE // 2))
    impulse[:, 7] = 0.01
    for settings in LIVELY[kind]:
        board = a_board(make_board, f'kind = "{kind}", {settings}', burst)
        dry, wet = (
            hold(board, ["it"]).blocks["it"].process(impulse, Moment(RATE))
            for hold in (dry_and_still, still)
        )
        assert np.array_equal(dry, impulse)
        assert np.abs(wet[:, 1000:]).max() > 1e-5


@pytest.mark.parametrize(
    "more",
    [
        "set = { it = { mix = 0.8 } }",
        'events = [{ at = 0.02, block = "it", set = { mix = 0.9 } }]',
        'events = [{ at = 0.0, block = "it", set = { mix = 0.9 }, over_ms = 30 }]',
        # Nothing of it is heard at first: held as well.
        'set = { it = { mix = 0 } }\nevents = [{ at = 0.0, block = "it", set = { mix = 0.9 } }]',
        'set = { it = { mix = 0 } }\nevents = [{ at = 0.0, block = "it", set = { mix = 0.9 } }, '
        '{ at = 0.02, block = "it", set = { level_db = -3 } }]',
        'set = { it = { mix = 0, level_db = 0 } }\n'
        'events = [{ at = 0.0, block = "it", set = { mix = 0.9, level_db = -3 }, over_ms = 20 }]',
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    "block", ['kind = "reverb"', 'kind = "reverb", mix = 0', 'kind = "delay", time_ms = 100']
)
def test_nothing_brings_the_echo_back(
    make_board: MakeBoard, burst: np.ndarray, block: str, more: str
) -> None:
    board = a_board(make_board, block, burst, more)
    live, dry = (rendered(each) for each in (board, dry_and_still(board, ["it"])))
    end = round(0.06 * RATE)
    assert np.abs(live[:, end:]).max() > 1e-5
    assert not dry[:, end:].any()
    assert dry[:, :end].any()


def test_of_an_event_what_is_not_held_stays(make_board: MakeBoard, burst: np.ndarray) -> None:
    """The level falls with the event, over its time; only the mix does not move."""
    event = '{ at = 0.02, block = "it", set = { mix = 0.9, level_db = -6 }, over_ms = 5 }'
    board = a_board(make_board, ROOM, burst, f"events = [{event}]")
    (kept,) = dry_and_still(board, ["it"]).passage("p").events
    assert (kept.at, kept.set, kept.over_ms) == (0.02, {"level_db": -6}, 5.0)
    (same,) = still(board, ["it"]).passage("p").events
    assert same == board.passage("p").events[0]
    board = a_board(make_board, ROOM, burst, f"events = [{event.replace(', level_db = -6', '')}]")
    assert dry_and_still(board, ["it"]).passage("p").events == (), "of which nothing is left"


def test_a_song_whose_passages_set_other_mixes(make_board: MakeBoard, burst: np.ndarray) -> None:
    more = """
[passages.q]
on = ["it"]
set = { it = { mix = 0.9 } }
[passages.r]
on = ["it"]
set = { it = { mix = 0.1, level_db = -3 } }
[songs.s]
passages = ["p", "q", "r"]
"""
    board = a_board(make_board, 'kind = "reverb"', burst, more)
    dry = rendered(dry_and_still(board, ["it"]), "s", song=True)
    parts = [dry[:, number * RATE :][:, : round(0.05 * RATE)] for number in range(3)]
    source = source_of(board, "p").taken()[:, : round(0.05 * RATE)]
    gains = [float(np.vdot(part[:1], source) / np.vdot(source, source)) for part in parts]
    assert gains[1] == pytest.approx(gains[0], rel=1e-6)
    assert gains[2] == pytest.approx(gains[0] * 10 ** (-3 / 20), rel=0.02), "after its fade"
    for number, part in enumerate(parts):
        rest = dry[:, number * RATE + round(0.06 * RATE) :][:, : RATE // 2]
        assert np.abs(rest).max() < 1e-9 * np.abs(part).max()


def test_what_moves_in_another_block_holds_nothing(
    make_board: MakeBoard, burst: np.ndarray
) -> None:
    more = (
        "set = { it = { level_db = -3 } }\n"
        'events = [{ at = 0.1, block = "other", set = { mix = 0.5 } }]'
    )
    text = 'kind = "reverb", mix = 0 }\nother = { kind = "reverb"'
    board = a_board(make_board, text, burst, more)
    assert dry_and_still(board, ["it"]).passages == board.passages


def test_a_tremolo_stays_where_it_is(make_board: MakeBoard, burst: np.ndarray) -> None:
    """Its rate would come back by passage and event; depth moves as before, and changes a level."""
    more = (
        "set = { it = { rate_hz = 9 } }\n"
        'events = [{ at = 0.5, block = "it", set = { rate_hz = 3, depth = 0.2 } }]'
    )
    board = a_board(make_board, 'kind = "modulation", shape = "tremolo", mix = 0', burst, more)
    held = still(board, ["it"])
    assert held.block_in("p", "it").rate_hz == 0.0
    assert [event.set for event in held.passage("p").events] == [{"depth": 0.2}]


def test_what_is_done_stays(make_board: MakeBoard, burst: np.ndarray) -> None:
    """On and off, record and play: no setting, and no echo."""
    done = ("record", "play", "off", "on")
    events = ", ".join(
        f'{{ at = {0.1 * (number + 1):.1f}, block = "it", do = "{do}" }}'
        for number, do in enumerate(done)
    )
    board = a_board(make_board, 'kind = "delay"', burst, f"events = [{events}]")
    for held in (still(board, ["it"]), dry_and_still(board, ["it"])):
        assert held.passage("p").events == board.passage("p").events
    other = dry_and_still(board, [])
    assert other.blocks == board.blocks
    assert other.passages == board.passages
