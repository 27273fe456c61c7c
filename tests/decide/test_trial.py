"""What many orders read in one pass: the same as each of them rendered alone."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from simchain.board import Board, Order
from simchain.chain.path import path_from
from simchain.chain.render import render
from simchain.chain.source import Source, clip_in_volts, clip_name, source_of
from simchain.chain.timeline import timeline_of_passage
from simchain.chain.walk import Rendering, walk
from simchain.decide.dirt import LEAST_SHARE, tone_peaks
from simchain.decide.judge import Judge
from simchain.decide.listen import Listened
from simchain.decide.probe import Probe
from simchain.decide.runs import COARSE, FULL, Pass, Run
from simchain.decide.trial import Trial
from simchain.errors import RequestError
from simchain.measure.clarity import burst, clarity_db
from simchain.measure.loudness import ungated_lufs
from simchain.measure.stereo import stereo_of
from simchain.signal import Signal, resampled
from tests.decide.asking import Asks, Given, asking, louder

WEIGHTS = {"headroom": 1.0, "floor": 1.0, "dirt": 1.0, "clarity": 1.0, "width": 1.0}
GIVEN = Given(
    'press = { kind = "compressor" }\n'
    'grit = { kind = "drive", gain_db = 14 }\n'
    'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 2, q = 1 }] }\n'
    'cut = { kind = "equalizer", bands = [{ hz = 3000, db = -2, q = 1 }] }\n'
    'echo = { kind = "delay", outputs = 2, spread = 0.5 }',
    passages='[passages.verse]\non = ["press", "tilt", "cut"]\n'
    '[passages.solo]\non = ["grit", "tilt", "cut", "echo"]\n'
    'events = [{ at = 0.4, block = "press", do = "on" }]',
    rest='[rules]\nlast = ["echo"]\ntogether = [["tilt", "cut"]]\n'
    'front_only = ["press", "grit", "tilt", "cut"]',
    amps="one = { gain_db = 14 }\ntwo = { gain_db = 30 }",
    seconds=0.8,
)
# Sounds that are proved the same differ by rounding: by less than 1e-10 of them (decide.proof).
TOLERANCE = 1e-8
PASSES = {"full": FULL, "coarse": COARSE}


@pytest.fixture(scope="module")
def asks() -> Iterator[Asks]:
    with asking() as made:
        yield made


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return GIVEN.board(tmp_path_factory.mktemp("board"))


@pytest.fixture(scope="module", params=PASSES)
def trial(request: pytest.FixtureRequest, asks: Asks, board: Board) -> Trial:
    """All orders; they are so short that both passes hear the whole of them."""
    weights = {name: weight for name, weight in WEIGHTS.items() if name != "floor"}
    asked = asks(board, weights=weights)
    return Trial(asked, PASSES[request.param], asked.allowed.words())


def every_order(trial: Trial) -> Iterator[tuple[int, Order]]:
    """Yield all orders that were given, each with the number of the one that stands for it."""
    given = [
        (number, trial.asked.allowed.order(word))
        for number in range(len(trial.words))
        for word in trial.members(number)
    ]
    assert len(given) == trial.asked.allowed.count
    yield from given


def some_orders(trial: Trial) -> list[tuple[int, Order]]:
    """Return some of `every_order`, among them one that is proved to be another."""
    every = list(every_order(trial))
    like = next(one for one in every if one[1] != trial.orders[one[0]])
    return [like, *every[:: len(every) // 3]]


def test_readings_are_those_of_each_order_alone(trial: Trial) -> None:
    """Loudness, headroom, width and dirt against `render`, `Probe` and their measures."""
    values, passages = trial.table().values, trial.asked.passages
    probe = Probe(trial.board, "one")
    judges = [Judge(trial.board, name, "one") for name in passages]
    for number, order in some_orders(trial):
        alone = [render(trial.board, order, name) for name in passages]
        headroom_db = min(map(least_headroom_db, alone))
        assert values["headroom"][number] == pytest.approx(headroom_db, abs=TOLERANCE)
        width = np.mean([stereo_of(one.output.samples).width for one in alone])
        assert values["width"][number] == pytest.approx(width, abs=TOLERANCE)
        driven = [judge.sounds([order])[0].driven for judge in judges]
        shares = [probe.shares(*one) for one in zip(passages, driven, strict=True)]
        dirt_db = np.mean([10.0 * np.log10(np.mean(each) + LEAST_SHARE) for each in shares])
        assert values["dirt"][number] == pytest.approx(dirt_db, abs=TOLERANCE)
        row = int(np.flatnonzero(trial.class_of == number)[0])
        for music, one in zip(trial.music, alone, strict=True):
            lufs = music.figures[music.leaf_of[row], 0]
            assert lufs == pytest.approx(one.output.integrated_lufs, abs=TOLERANCE)


def least_headroom_db(one: Rendering) -> float:
    return min(p.headroom.db for p in one.points.values() if p.headroom is not None)


@pytest.mark.parametrize("how", PASSES.values(), ids=PASSES)
def test_the_floor_is_that_of_each_order_alone(asks: Asks, board: Board, how: Pass) -> None:
    asked = asks(board, weights={"floor": 1.0})
    trial = Trial(asked, how, asked.allowed.words())
    read = trial.table().values["floor"]
    for number in range(0, len(trial.words), 3):
        alone = [
            render(trial.board, trial.orders[number], name, floors=True) for name in asked.passages
        ]
        floor_db = np.mean([floor_of(one) - one.output.integrated_lufs for one in alone])
        assert read[number] == pytest.approx(floor_db, abs=TOLERANCE)


def test_the_quietest_stands_for_orders_that_are_the_same_in_music_alone(
    asks: Asks, tmp_path: Path
) -> None:
    """A boost behind what hisses lifts the hiss; in music the two change places freely."""
    board = Given(
        'lift = { kind = "boost", gain_db = 12, supply_volts = 60 }\n'
        'hiss = { kind = "equalizer", noise_nv = 1000, level_db = -12, supply_volts = 60 }',
        seconds=0.8,
    ).board(tmp_path)
    quiet = board.source.model_copy(update={"hum_dbu": -120.0})
    asked = asks(board.model_copy(update={"source": quiet}), weights={"floor": 1.0})
    trial = Trial(asked, FULL, asked.allowed.words())
    read = trial.table().values["floor"]
    floors = {}
    for number, order in every_order(trial):
        assert number == 0, "in music they are one"
        alone = render(trial.board, order, "p", floors=True)
        floors[order] = floor_of(alone) - alone.output.integrated_lufs
    assert max(floors.values()) - min(floors.values()) > 5.0
    assert read[0] == pytest.approx(min(floors.values()), abs=TOLERANCE)
    assert floors[trial.orders[0]] == min(floors.values())


def floor_of(one: Rendering) -> float:
    assert one.quiet is not None
    return ungated_lufs(one.quiet, one.rate)


def test_clarity_is_that_of_a_burst_sent_down_each_order_alone(trial: Trial) -> None:
    """Only the solo has echoes, so nothing is played in the verse."""
    board, read = trial.board, trial.table().values["clarity"]
    clip = resampled(clip_in_volts(board, clip_name(board, "solo")), board.rate)
    volts = burst(tone_peaks(clip.volts, board.rate)[1], board.rate)
    at_rest = timeline_of_passage(board, "solo").at_rest()
    for number, order in some_orders(trial):
        signal = Signal(volts.copy(), board.rate)
        source = Source(signal, at_rest, 1, volts.shape[1], noisy=False, key=b"burst")
        path = path_from(source, board, order, "one")
        heard = walk(board, [path], source)[0].output
        assert read[number] == pytest.approx(clarity_db(heard.samples, heard.rate), abs=TOLERANCE)
    assert read.max() > 5.0


def test_each_given_order_is_a_member_once(trial: Trial) -> None:
    words = trial.asked.allowed.words()
    assert len(trial.words) < len(words), "some are proved the same"
    for number, word in enumerate(trial.words):
        members = trial.members(number)
        assert members[0].tobytes() == word.tobytes()
        assert [row.tobytes() for row in members] == sorted(row.tobytes() for row in members)
        assert all(trial.number_of(member) == number for member in members)
    assert trial.counted.tolist() == list(range(len(trial.words)))
    assert [row.tobytes() for row in trial.words] == sorted(row.tobytes() for row in trial.words)


# What sways.


@pytest.mark.parametrize("how", [COARSE, FULL], ids=["coarse", "full"])
def test_what_sways_is_listened_to_at_further_phases(
    asks: Asks, tmp_path: Path, how: Pass, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = Given(
        'wobble = { kind = "modulation", shape = "tremolo" }\npress = { kind = "compressor" }',
        passages='[passages.still]\non = ["press"]\n[passages.sway]\non = ["wobble", "press"]',
        seconds=0.8,
    )
    asked = asks(given.board(tmp_path))
    trial = Trial(asked, how, asked.allowed.words())
    played: list[tuple[str, float]] = []
    listen = trial._listen

    def noted(runs: Sequence[Run], words: np.ndarray, **more: bool) -> list[Listened]:
        played.extend((run.passage, run.ground.turn) for run in runs)
        return listen(runs, words, **more)

    monkeypatch.setattr(trial, "_listen", noted)
    assert louder(trial.alike, 0, 1) is None or played
    trial.alike.score("sway", 0, 1)
    assert played == [("sway", take / how.takes) for take in range(1, how.takes)]


# The order that others are compared with.


def test_a_reference_outside_the_rules_is_compared_with_and_never_ranked(
    asks: Asks, board: Board
) -> None:
    goals = board.goals.model_copy(update={"reference": "odd"})
    odd = Order(front=("echo", "cut", "tilt", "grit", "press"))
    changed = board.model_copy(update={"goals": goals, "orders": {**board.orders, "odd": odd}})
    asked = asks(changed, weights={"closeness": 1.0}, passages=("verse",))
    words = asked.allowed.words()
    word = bytes(asked.allowed.word(odd))
    assert word not in {row.tobytes() for row in words}
    trial = Trial(asked, COARSE, words)
    reference = trial.number_of(np.frombuffer(word, dtype=np.uint8))
    assert word not in {row.tobytes() for at in trial.counted for row in trial.members(at)}
    assert sum(len(trial.members(at)) for at in trial.counted) == len(words)
    read = trial.table().values["closeness"]
    judge = Judge(trial.board, "verse", "one")
    known = judge.sounds([odd])[0]
    for number in (0, len(read) - 1):
        sound = judge.sounds([trial.orders[number]])[0]
        (judged,) = judge.judged([(known, sound)])
        assert read[number] == pytest.approx(judged.score.score, abs=1e-5)
    assert read[reference] == 0.0


def test_a_reference_within_the_rules_reads_nothing_and_is_ranked(asks: Asks, board: Board) -> None:
    goals = board.goals.model_copy(update={"reference": "given"})
    asked = asks(
        board.model_copy(update={"goals": goals}), weights={"closeness": 1.0}, passages=("verse",)
    )
    trial = Trial(asked, COARSE, asked.allowed.words())
    assert asked.reference is not None
    number = trial.number_of(np.frombuffer(asked.reference, dtype=np.uint8))
    assert number in trial.counted
    assert trial.table().values["closeness"][number] == 0.0
    assert len(trial.counted) == len(trial.words)


def test_a_reference_of_other_blocks_is_refused(asks: Asks, board: Board) -> None:
    goals = board.goals.model_copy(update={"reference": "short"})
    orders = {**board.orders, "short": Order(front=("grit",))}
    asked = asks(
        board.model_copy(update={"goals": goals, "orders": orders}), weights={"closeness": 1.0}
    )
    with pytest.raises(RequestError, match="reference"):
        Trial(asked, COARSE, asked.allowed.words())


def test_a_reference_that_is_proved_to_be_an_allowed_order_does_not_stand_for_it(
    asks: Asks, tmp_path: Path
) -> None:
    """The rules want `low` first; the other way round is the same sound, and is not allowed."""
    given = Given(
        'high = { kind = "equalizer", bands = [{ hz = 3000, db = -6, q = 1 }] }\n'
        'low = { kind = "equalizer", bands = [{ hz = 800, db = 6, q = 1 }] }',
        rest='[rules]\nbefore = [["low", "high"]]\n[goals]\nreference = "given"',
        seconds=0.8,
    )
    asked = asks(given.board(tmp_path), weights={"closeness": 1.0})
    trial = Trial(asked, COARSE, asked.allowed.words())
    assert [trial.orders[number] for number in trial.counted] == [Order(front=("low", "high"))]
    assert trial.table().values["closeness"].tolist() == [0.0]


# Other amplifiers.


def test_on_another_amplifier_orders_read_what_they_read_there(asks: Asks, board: Board) -> None:
    asked = asks(board, weights={"headroom": 1.0})
    trial = Trial(asked, COARSE, asked.allowed.words())
    there = trial.on_amp("two").table()
    for number in range(0, len(trial.words), 5):
        alone = [
            render(trial.board, trial.orders[number], name, amp="two") for name in asked.passages
        ]
        least = min(map(least_headroom_db, alone))
        assert there.values["headroom"][number] == pytest.approx(least, abs=TOLERANCE)


def hot_and_cold(folder: Path) -> Board:
    """Two equalizers in a loop that is so hot on one amplifier that they clip."""
    return Given(
        'low = { kind = "equalizer", bands = [{ hz = 800, db = 6, q = 1 }] }\n'
        'high = { kind = "equalizer", bands = [{ hz = 3000, db = -6, q = 1 }] }',
        rest='[rules]\nloop_only = ["low", "high"]',
        amps="hot = { gain_db = 40, loop_level_dbu = 10 }\ncold = { gain_db = 0 }",
        seconds=0.8,
    ).board(folder)


def test_orders_that_are_the_same_on_another_amplifier_only_are_compared_there(
    asks: Asks, tmp_path: Path
) -> None:
    asked = asks(hot_and_cold(tmp_path), weights={"headroom": 1.0, "every_amp": 1.0})
    trial = Trial(asked, COARSE, asked.allowed.words())
    assert len(trial.words) == 2, "on the hot one they clip, and are not proved the same"
    made = trial.table([trial.on_amp("cold")])
    # On the cold one both have room: nothing is worse there.
    assert made.values["every_amp"].tolist() == [0.0, 0.0]


def test_every_amp_is_what_the_other_goals_lose(asks: Asks, board: Board) -> None:
    """By hand: the score of headroom on each, the worse less one's own."""
    weights = {"headroom": 2.0, "every_amp": 1.0}
    asked = asks(board, weights=weights, passages=("solo",))
    trial = Trial(asked, COARSE, asked.allowed.words())
    there = trial.on_amp("two")
    made = trial.table([there])
    own, other = (
        2.0 * np.maximum(6.0 - headroom_of(each, trial), 0.0) / 3.0 for each in (trial, there)
    )
    assert made.values["every_amp"] == pytest.approx(np.maximum(own, other) - own, abs=1e-12)
    assert made.score == pytest.approx(own + np.maximum(other - own, 0.0), abs=1e-12)


def headroom_of(trial: Trial, like: Trial) -> np.ndarray:
    """Return the headroom of each order of another trial."""
    numbers = [trial.number_of(word) for word in like.words]
    return trial.table().values["headroom"][numbers]


# A passage without weight.


def test_a_passage_without_weight_counts_for_nothing_but_what_sounds_alike(
    asks: Asks, tmp_path: Path
) -> None:
    given = Given(
        'grit = { kind = "drive", gain_db = 30 }\npush = { kind = "boost", gain_db = 12 }',
        passages='[passages.light]\non = ["grit", "push"]\nweight = 0\n'
        '[passages.heavy]\non = ["push"]\nweight = 2',
        seconds=0.8,
    )
    asked = asks(given.board(tmp_path), weights={"headroom": 1.0, "dirt": 1.0})
    trial = Trial(asked, COARSE, asked.allowed.words())
    assert len(trial.words) == 2, "apart in `light`"
    assert louder(trial.alike, 0, 1) is None
    of_heavy = asks(asked.board, weights=asked.weights, passages=("heavy",))
    heavy = Trial(of_heavy, COARSE, trial.words)
    assert len(heavy.words) == 1, "the drive is off"
    for name, values in trial.table().values.items():
        assert values == pytest.approx(np.repeat(heavy.table().values[name], 2), abs=TOLERANCE)


def test_a_source_is_cut_for_the_coarse_pass_alone(board: Board) -> None:
    """So that both passes above do hear the same seconds."""
    seconds = source_of(board, "solo").clip_frames / board.rate
    assert COARSE.longest_s is not None
    assert seconds < COARSE.longest_s
    assert board.tail_s <= 0.5
