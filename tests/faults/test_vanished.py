"""Sound files that go, come back, or are others than before, while something is made of them."""

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from simchain.bench.desk import Desk
from simchain.bench.server import Bench
from simchain.bench.sounds import Sounds
from simchain.board import load_board
from simchain.chain.render import render
from simchain.decide.compare import compare
from simchain.decide.search import search
from simchain.errors import ClipError
from tests.bench.serving import TOKEN, Answer, Client, served
from tests.conftest import TWO_ORDERS, Simchain, board_beside_tone
from tests.faults.writers import found_by_search

GONE = r"\[source\] clip = .clip\.wav.: no clip of this name ships with simchain .* no such file.*"
HEARD = "/heard?order=a&passage=riff"


def write_tone(path: Path, hz: float, seconds: float = 0.5, rate: int = 48_000) -> None:
    """Write another clip in the place of one: of the same age, whatever a clock says."""
    n = np.arange(round(seconds * rate))
    soundfile.write(path, 0.1 * np.sin(2 * np.pi * hz * n / rate), rate)
    os.utime(path, ns=(10**18, 10**18))


@pytest.fixture
def board(tmp_path: Path) -> Path:
    return board_beside_tone(tmp_path, TWO_ORDERS)


@pytest.fixture
def client(board: Path) -> Iterator[Client]:
    bench = Bench(Desk.opened(board), board.parent, Sounds(), TOKEN)
    with served(bench.app()) as client:
        yield client
        assert client.said == []


def refused(answer: Answer, words: str) -> None:
    (problem,) = answer.json()["problems"]
    assert answer.status == 422
    assert re.search(words, problem["text"]), problem


def test_a_clip_that_goes_between_check_and_render(simchain_command: Simchain, board: Path) -> None:
    assert simchain_command("check", board).status == 0
    (board.parent / "clip.wav").unlink()
    ran = simchain_command("render", board, "--order", "a", "--passage", "riff", "--out", "out")
    assert (ran.status, ran.out, len(ran.err.splitlines())) == (2, "", 1)
    assert re.search(GONE, ran.err)


def test_a_clip_that_goes_while_the_bench_runs_and_comes_back(client: Client, board: Path) -> None:
    clip, aside = board.parent / "clip.wav", board.parent / "aside"
    first = client.get(HEARD).json()
    clip.rename(aside)
    refused(client.get(HEARD), GONE)
    refused(client.get("/slice.wav?order=b&passage=riff&from=0&seconds=1"), GONE)
    told = client.get("/board").json()
    assert [each["seconds"] for each in told["passages"]] == [None, None]
    assert any(re.search(GONE, warning) for warning in told["warnings"])
    assert client.get(f"/sound/{first['key']}.wav").status == 200  # what was heard is still there
    aside.rename(clip)
    again = client.get(HEARD).json()
    assert again == first
    assert client.get("/board").json()["passages"][0]["seconds"] == pytest.approx(0.6)


def test_another_clip_in_its_place_is_what_is_heard(client: Client, board: Path) -> None:
    """Also of the same age and size; and it is the one that `render` makes of it."""
    clip = board.parent / "clip.wav"
    heard: dict[str, tuple[float, bytes]] = {}
    for hz, seconds, rate in (
        (220.0, 0.5, 48_000), (330.0, 0.5, 48_000), (330.0, 0.75, 48_000), (330.0, 0.5, 44_100),
    ):  # fmt: skip
        time.sleep(0.02)  # systems count a file's own time in steps of up to 10 ms
        write_tone(clip, hz, seconds, rate)
        told = client.get(HEARD).json()
        assert told["key"] not in heard
        assert told["seconds"] == pytest.approx(seconds + 0.1, abs=1e-3)
        heard[told["key"]] = hz, client.get(f"/sound/{told['key']}.wav").body
        (board.parent / "served.wav").write_bytes(heard[told["key"]][1])
        samples, _ = soundfile.read(board.parent / "served.wav", dtype="float32")
        expected = render(load_board(board), "a", "riff", points=False).output.samples
        assert np.array_equal(samples.T, expected.astype(np.float32))
    for key, (_, content) in heard.items():
        assert client.get(f"/sound/{key}.wav").body == content


def test_half_a_clip_is_told_and_the_whole_is_heard(client: Client, board: Path) -> None:
    """As it may be found while another program writes it."""
    clip = board.parent / "clip.wav"
    whole, first = clip.read_bytes(), client.get(HEARD).json()
    for part in (whole[: len(whole) // 2], whole[:20], b""):
        clip.write_bytes(part)
        refused(client.get(HEARD), r"clip\.wav")
    clip.write_bytes(whole)
    assert client.get(HEARD).json() == first


WITH_RESPONSES = TWO_ORDERS.replace(
    "[orders.a]", '[amps.mine]\ncabinet = "box.wav"\n[orders.a]'
).replace('push = { kind = "boost" }', 'push = { kind = "body", file = "wood.wav" }')


@pytest.mark.parametrize("name", ["box.wav", "wood.wav"])
def test_another_impulse_response_is_heard(name: str, tmp_path: Path) -> None:
    ring = np.random.default_rng(1).standard_normal(2_000) * np.exp(-np.arange(2_000) / 200)
    for file in ("box.wav", "wood.wav"):
        soundfile.write(tmp_path / file, 0.1 * ring, 48_000, "FLOAT")
    board = load_board(board_beside_tone(tmp_path, WITH_RESPONSES))
    sounds, path = Sounds(), tmp_path / name

    def heard() -> str:
        key = sounds.heard(board, "a", "riff", "mine").key
        wav = sounds.wav(key)
        assert wav is not None
        (tmp_path / "served.wav").write_bytes(wav)
        samples, _ = soundfile.read(tmp_path / "served.wav", dtype="float32")
        output = render(board, "a", "riff", amp="mine", points=False).output
        assert np.array_equal(samples.T, output.samples.astype(np.float32))
        return key

    first, before = heard(), path.read_bytes()
    age = path.stat().st_mtime_ns
    soundfile.write(path, 0.1 * ring[::-1], 48_000, "FLOAT")
    os.utime(path, ns=(age, age))
    assert heard() != first
    path.unlink()
    with pytest.raises(ClipError, match=re.escape(name)):
        sounds.heard(board, "a", "riff", "mine")
    path.write_bytes(before)
    assert heard() == first


class Happening:
    """Progress that does something once a part is done."""

    def __init__(self, does: Any, after: int = 1) -> None:
        self.does, self.after = does, after

    def __call__(self, *_: object) -> None:
        self.after -= 1
        if self.after == 0:
            self.does()


@pytest.mark.parametrize("after", [1, 2])
def test_a_clip_that_goes_in_the_middle_of_a_search(board: Path, after: int) -> None:
    """The search says so; with the clip back it goes on to what it would have found."""
    clip, aside, kept = (board.parent / name for name in ("clip.wav", "aside", "kept"))
    loaded = load_board(board)
    with pytest.raises(ClipError, match=GONE):
        found_by_search(loaded, kept, progress=Happening(lambda: clip.rename(aside), after))
    with pytest.raises(ClipError, match=GONE):
        found_by_search(loaded, kept)
    aside.rename(clip)
    assert found_by_search(loaded, kept) == found_by_search(loaded, board.parent / "whole")


@pytest.mark.parametrize("what", ["clip", "age"])
def test_a_clip_that_changes_while_it_is_listened_to(board: Path, what: str) -> None:
    """What is found would be of two sounds; another date alone changes nothing."""
    clip = board.parent / "clip.wav"
    loaded = load_board(board)

    def change() -> None:
        if what == "clip":
            write_tone(clip, 500.0)
        else:
            os.utime(clip, ns=(2 * 10**18, 2 * 10**18))

    for listens in (
        lambda told: compare(loaded, ["a", "b"], progress=told),
        lambda told: search(loaded, progress=told),
    ):
        if what == "age":
            assert listens(Happening(change))
            continue
        with pytest.raises(ClipError, match=r"clip\.wav was changed while it was listened to"):
            listens(Happening(change))
        write_tone(clip, 220.0)
