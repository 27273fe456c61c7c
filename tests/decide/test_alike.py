"""Whether many orders sound alike, by what was kept of the ear: the same words as `Judge`'s."""

import itertools
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from simchain.decide.judge import FREE_WORDS, Judge, Judged
from simchain.decide.runs import COARSE, FULL, Pass
from simchain.decide.trial import Asked, Trial
from tests.decide.asking import Given, asking, louder

AMP = "mine = { gain_db = 12 }"
BOARDS = {
    "dirt": Given(
        'press = { kind = "compressor" }\n'
        'grit = { kind = "drive", gain_db = 12 }\n'
        'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 2, q = 1 }] }\n'
        'room = { kind = "reverb" }',
        amps=AMP,
        links="real",
        rest='[rules]\nfront_only = ["press", "grit"]\nlast = ["room"]',
    ),
    "sway": Given(
        'wobble = { kind = "modulation", shape = "tremolo", rate_hz = 5, depth = 0.9 }\n'
        'sea = { kind = "modulation", shape = "chorus" }\n'
        'press = { kind = "compressor" }\n'
        'room = { kind = "reverb", mix = 0.5 }',
        clip="funk",
        rest='[rules]\nbefore = [["wobble", "sea"]]',
    ),
    "two channels": Given(
        'press = { kind = "compressor" }\n'
        'echo = { kind = "delay", outputs = 2, spread = 0.7 }\n'
        'hall = { kind = "reverb", inputs = 2, outputs = 2 }\n'
        'press2 = { kind = "compressor", inputs = 2, outputs = 2 }',
        clip="arpeggio",
        rest='[rules]\nbefore = [["echo", "hall"]]',
    ),
}


class Pair(NamedTuple):
    """Two orders, by their numbers in a full trial and in a coarse one, and what Judge says."""

    full: tuple[int, int]
    coarse: tuple[int, int]
    judged: Judged

    @property
    def is_free(self) -> bool:
        return self.judged.score.verdict in FREE_WORDS


class Heard(NamedTuple):
    full: Trial
    coarse: Trial
    pairs: list[Pair]


def trials(asked: Asked, *passes: Pass) -> list[Trial]:
    return [Trial(asked, how, asked.allowed.words()) for how in passes]


@pytest.fixture(scope="module", params=BOARDS)
def heard(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Heard:
    board = BOARDS[request.param].board(tmp_path_factory.mktemp("board"))
    with asking() as asks:
        asked = asks(board)
        full, coarse = trials(asked, FULL, COARSE)
        # Further phases are listened to when a score is first asked for: while threads are there.
        for trial in (full, coarse):
            trial.alike.score("p", 0, len(trial.words) - 1)
    numbers = range(len(full.words))
    judge = Judge(board, "p", asked.amp)
    sounds = judge.sounds([full.orders[number] for number in numbers])
    pairs = list(itertools.combinations(numbers, 2))
    judged = judge.judged([(sounds[a], sounds[b]) for a, b in pairs])
    there = [coarse.number_of(word) for word in full.words]
    return Heard(
        full,
        coarse,
        [
            Pair((a, b), (there[a], there[b]), one)
            for (a, b), one in zip(pairs, judged, strict=True)
        ],
    )


def test_at_full_quality_the_word_is_that_of_judge(heard: Heard) -> None:
    """Every pair of orders: free or not, by how much louder, and the score."""
    alike = heard.full.alike
    apart = []
    for full, _, judged in heard.pairs:
        free = judged.score.verdict in FREE_WORDS
        louder_lu = louder(alike, *full)
        assert (louder_lu is not None) == free, (full, judged.score)
        assert louder_lu == louder(alike, *reversed(full))
        score = alike.score("p", *full)
        # A null is not looked for: with a delay, which none of these makes, words might differ.
        assert judged.difference.delay_samples == 0
        assert score == pytest.approx(judged.score.score, abs=1e-5, rel=1e-6)
        if louder_lu is not None:
            assert louder_lu == pytest.approx(abs(judged.difference.trim_lu), abs=1e-9)
        apart.append(abs(score - judged.score.score))
    free = sum(pair.is_free for pair in heard.pairs)
    print(f"{len(heard.pairs)} pairs agree, {free} of them free; S off by {max(apart):.1e} at most")
    assert 0 < free < len(heard.pairs), "words of both kinds"


def test_what_the_coarse_pass_calls_otherwise_is_near_the_border(heard: Heard) -> None:
    """Figures for people; and of pairs that Judge puts far from free, none sounds alike.

    Orders hear the whole of these short clips in both passes: what is left is the lower rate, and
    fewer phases. That a coarse pass hears the first seconds of longer ones alone is not looked at.
    """
    table = np.zeros((2, 2, 2), dtype=int)
    ratios = []
    for _, coarse, judged in heard.pairs:
        is_free = judged.score.verdict in FREE_WORDS
        sounds_alike = louder(heard.coarse.alike, *coarse) is not None
        table[int(judged.score.borderline), int(is_free), int(sounds_alike)] += 1
        if judged.score.score > 0.3:
            ratios.append(heard.coarse.alike.score("p", *coarse) / judged.score.score)
        if sounds_alike:
            assert judged.score.score < 1.5
        # A narrow band may keep it from free in one pass alone: from 1.5 dB on.
        if judged.score.score < 0.5 and judged.score.max_erb_change_db < 1.0:
            assert sounds_alike, (judged.score, heard.coarse.alike.score("p", *coarse))
    for name, ((apart, false), (missed, free)) in zip(
        ("clear-cut ", "borderline"), table, strict=True
    ):
        print(f"{name}: free in both {free}, in neither {apart}, coarse alone {false}, ", end="")
        print(f"full alone {missed}")
    print(f"coarse over full score: {np.quantile(ratios, (0.1, 0.5, 0.9)).round(2)}")


def test_an_order_is_like_itself_and_one_that_is_proved_the_same(heard: Heard) -> None:
    for number in range(len(heard.full.words)):
        assert louder(heard.full.alike, number, number) == 0.0
        assert heard.full.alike.score("p", number, number) == 0.0


def test_every_passage_must_be_free(tmp_path: Path) -> None:
    """In `clean` the two change places freely, in `dirty` they do not."""
    given = Given(
        'press = { kind = "compressor" }\n'
        'grit = { kind = "drive", gain_db = 20 }\n'
        'tilt = { kind = "equalizer", bands = [{ hz = 800, db = 6, q = 1 }] }',
        passages='[passages.clean]\non = ["tilt"]\n[passages.dirty]\non = ["grit", "tilt"]',
    )
    with asking() as asks:
        board = given.board(tmp_path)
        clean, both = (
            trials(asks(board, passages=names), FULL)[0]
            for names in (("clean",), ("clean", "dirty"))
        )
        words = both.asked.allowed.words()
        one, other = (
            next(word for word in words if names == both.asked.allowed.order(word).front)
            for names in (("press", "grit", "tilt"), ("press", "tilt", "grit"))
        )
        assert louder(clean.alike, clean.number_of(one), clean.number_of(other)) is not None
        assert louder(both.alike, both.number_of(one), both.number_of(other)) is None
        assert both.alike.score("dirty", both.number_of(one), both.number_of(other)) > 1.0
        assert both.alike.score("clean", both.number_of(one), both.number_of(other)) < 0.01
