"""Clips sent to the bench over a real line: what is kept, what is refused, and a tone's volts."""

import io
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simchain.bench import guard
from simchain.bench.clips import LONGEST_NAME
from simchain.bench.desk import Desk
from simchain.board import starter
from tests.bench.serving import Answer, Client

RATE = 48_000


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    folder = tmp_path / "board"
    folder.mkdir()
    (folder / "board.toml").write_text(starter("demo"))
    return Desk.opened(folder / "board.toml")


def sine(peak: float, hz: float = 1000.0, seconds: float = 2.0) -> np.ndarray:
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)


def sound(samples: np.ndarray, kind: str = "WAV", subtype: str | None = None) -> bytes:
    held = io.BytesIO()
    soundfile.write(held, samples.T, RATE, format=kind, subtype=subtype)
    return held.getvalue()


def send(client: Client, name: str, content: bytes, kind: str = "audio/wav") -> Answer:
    return client.ask("POST", f"/clip?name={name}", content, {"Content-Type": kind})


def text_of(answer: Answer) -> str:
    return " ".join(each["text"] for each in answer.json()["problems"])


@pytest.mark.parametrize(
    ("name", "kind", "told"),
    [
        ("take.wav", "WAV", "audio/wav"),
        ("take.flac", "FLAC", "audio/flac"),
        ("my%20take.AIFF", "AIFF", "application/octet-stream"),
        ("take.ogg", "OGG", "audio/ogg; codecs=vorbis"),
    ],
)
def test_a_clip_is_kept_beside_the_board_byte_for_byte(
    client: Client, desk: Desk, name: str, kind: str, told: str
) -> None:
    content = sound(np.stack([sine(0.5), sine(0.25)]), kind)
    answer = send(client, name, content, told)
    assert answer.status == 200
    facts = answer.json()
    file = name.replace("%20", " ")
    assert (desk.folder / file).read_bytes() == content
    assert (facts["clip"], facts["rate"], facts["channels"]) == (file, RATE, 2)
    assert facts["seconds"] == pytest.approx(2.0, abs=0.01)
    if kind != "OGG":  # Vorbis keeps no sample as it was
        assert facts["peak"] == pytest.approx(0.5, abs=1e-4)
    assert file in client.get("/settings").json()["clips"]


def test_a_passage_then_plays_it(client: Client, desk: Desk) -> None:
    send(client, "take.wav", sound(sine(0.5, seconds=3.0)))
    change = {"path": ["passages", "solo", "clip"], "value": "take.wav"}
    board = client.post("/change", revision=0, changes=[change], say="solo clip").json()
    solo = next(each for each in board["passages"] if each["name"] == "solo")
    tail_s = desk.board.passages["solo"].tail_s
    assert solo["seconds"] == 3.0 + (desk.board.tail_s if tail_s is None else tail_s)


def test_no_file_is_written_over_unless_it_is_the_same(client: Client, desk: Desk) -> None:
    first, second = sound(sine(0.5)), sound(sine(0.4))
    assert send(client, "take.wav", first).status == 200
    assert send(client, "take.wav", first).status == 200
    answer = send(client, "take.wav", second)
    assert answer.status == 422
    assert "is there already and is another file" in text_of(answer)
    assert (desk.folder / "take.wav").read_bytes() == first


def test_a_link_is_not_followed(client: Client, desk: Desk) -> None:
    elsewhere = desk.folder.parent / "elsewhere.wav"
    (desk.folder / "take.wav").symlink_to(elsewhere)
    assert send(client, "take.wav", sound(sine(0.5))).status == 422
    assert not elsewhere.exists()


@pytest.mark.parametrize(
    "name",
    [
        "../take.wav",
        "..%2Ftake.wav",
        "%2Ftmp%2Ftake.wav",
        "a%5Ctake.wav",
        ".take.wav",
        "take.toml",
        "take",
        "take.wav%00",
        "take%0A.wav",
        " take.wav".replace(" ", "%20"),
        "C:take.wav",
        "",
        "a" * LONGEST_NAME + ".wav",
    ],
)
def test_names_that_lead_elsewhere_are_refused(client: Client, desk: Desk, name: str) -> None:
    before = sorted(desk.folder.parent.rglob("*"))
    answer = send(client, name, sound(sine(0.5)))
    assert answer.status == 422
    assert "a plain name is wanted" in text_of(answer)
    assert sorted(desk.folder.parent.rglob("*")) == before


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"RIFF",
        b"<svg onload=1>" * 100,
        sound(sine(0.5))[:40],
        sound(sine(0.5))[:-1000],
        sound(np.zeros((3, 100))),
        sound(np.array([0.0, math.nan]), subtype="FLOAT"),
        sound(np.zeros(0)),
    ],
)
def test_what_is_no_sound_is_refused_by_the_name_it_was_given(
    client: Client, desk: Desk, content: bytes
) -> None:
    answer = send(client, "take.wav", content)
    assert answer.status == 422
    assert text_of(answer).startswith("clip take.wav: ")
    assert not (desk.folder / "take.wav").exists()


def test_without_the_token_or_with_another_type_nothing_is_kept(
    client: Client, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    content, path = sound(sine(0.5)), "/clip?name=take.wav"
    bare = {"Content-Type": "audio/wav", "Bench-Token": ""}
    assert client.ask("POST", path, content, bare).status == 403
    assert send(client, "take.wav", content, "text/html").status == 415
    assert send(client, "take.wav", content, "application/json").status == 415
    assert client.ask("POST", "/change", b"{}", {"Content-Type": "audio/wav"}).status == 415
    small = guard.Limits(1000, guard.SOUND.kinds)
    monkeypatch.setitem(guard.LIMITS, "/clip", small)
    assert send(client, "take.wav", content).status == 413
    assert not (desk.folder / "take.wav").exists()


def test_only_this_route_takes_more_than_json_may_have(client: Client) -> None:
    large = sound(sine(0.5, seconds=30.0))
    assert len(large) > guard.LARGEST_JSON
    assert send(client, "take.wav", large).status == 200
    assert client.ask("POST", "/change", large).status == 413


@pytest.mark.parametrize("peak_dbfs", [-1.0, -12.0, -40.0])
@pytest.mark.parametrize("hz", [100.0, 440.3, 1000.0])
def test_a_tone_tells_what_full_scale_is(client: Client, peak_dbfs: float, hz: float) -> None:
    # A meter reads 0.7746 V RMS, which is 0 dBu; a sine at full scale is that much above it.
    send(client, "tone.wav", sound(sine(10 ** (peak_dbfs / 20), hz), subtype="PCM_24"))
    told = client.get("/tone?clip=tone.wav&volts=0.774597").json()
    assert told["full_scale_dbu"] == pytest.approx(-peak_dbfs, abs=0.02)
    assert told["hz"] == pytest.approx(hz, abs=1.0)
    twice = client.get("/tone?clip=tone.wav&volts=1.549193").json()
    assert twice["full_scale_dbu"] == pytest.approx(6.02 - peak_dbfs, abs=0.02)


def test_silence_and_clicks_around_a_tone_do_not_count(client: Client) -> None:
    tone = sine(0.1, seconds=3.0)
    tone[:20_000] = 0.0
    tone[100] = 0.9
    send(client, "tone.wav", sound(tone, subtype="PCM_24"))
    told = client.get("/tone?clip=tone.wav&volts=0.774597").json()
    assert told["full_scale_dbu"] == pytest.approx(20.0, abs=0.02)


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (sine(1.0), "reaches full scale"),
        (sine(0.3) + sine(0.3, 1500.0), "no steady tone"),
        (np.random.default_rng(1).normal(0, 0.1, RATE), "no steady tone"),
        (np.zeros(RATE), "no steady tone"),
        (sine(0.5, seconds=0.2), "half a second"),
    ],
)
def test_what_is_no_tone_is_refused(client: Client, samples: np.ndarray, words: str) -> None:
    send(client, "tone.wav", sound(samples, subtype="FLOAT"))
    answer = client.get("/tone?clip=tone.wav&volts=1")
    assert answer.status == 422
    assert words in text_of(answer)


@pytest.mark.parametrize(
    "asked",
    ["clip=tone.wav&volts=0", "clip=tone.wav&volts=-1", "clip=tone.wav&volts=nan", "volts=1",
     "clip=tone.wav", "clip=..%2Fboard%2Ftone.wav&volts=1", "clip=gone.wav&volts=1"],
)  # fmt: skip
def test_a_tone_is_asked_for_with_a_file_and_volts(client: Client, asked: str) -> None:
    send(client, "tone.wav", sound(sine(0.5)))
    assert client.get(f"/tone?{asked}").status == 422
