"""A made-up comparison: short synthetic sounds in the shape the audition page is built from."""

import base64
import copy
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simchain.decide.causes import CAUSES
from simchain.report.documents import SCORE_FACTS
from simchain.report.page import audition_page
from simchain.signal import flac_16_bit
from simchain.units import dbu_to_peak_volts, ratio_to_db

RATE = 48_000
SECONDS = 4.0
# Exact base-ten centres of the thirds of octaves, IEC 61260-1:2014 clause 5: 25 Hz to 20 kHz.
BANDS_HZ = [1000.0 * 10.0 ** (x / 10.0) for x in range(-16, 14)]
ORDERS: dict[str, tuple[list[str], list[str]]] = {
    "series": (["tuner", "press", "grit", "push", "sweep", "wobble", "room", "repeat"], []),
    "split": (["tuner", "press", "grit", "push", "sweep", "wobble"], ["room", "repeat"]),
    "boost_first": (["tuner", "press", "push", "grit", "sweep", "wobble"], ["room", "repeat"]),
    "tail_swap": (["tuner", "press", "grit", "push", "sweep", "wobble"], ["repeat", "room"]),
}
PASSAGES: dict[str, list[str]] = {
    "verse": ["press", "room"],
    "riff": ["grit", "room"],
    "solo": ["press", "grit", "push", "repeat", "room"],
}
TRIMS = {"verse": (0.0, 0.0, 0.0), "riff": (-0.4, 0.7, -0.4), "solo": (-0.3, 3.1, -0.3)}


def tone_hz(order: int, passage: int) -> float:
    """Each sound has one note of its own, so that a capture shows which of them is heard."""
    return 220.0 * (order + 1) + 40.0 * passage


def sound_samples(order: int, passage: int) -> np.ndarray:
    """A steady sine whose first tenth of a second is a rising ramp: its start can be found."""
    time = np.arange(round(SECONDS * RATE)) / RATE
    swell = np.minimum(1.0, 0.15 + time / 0.1) * (0.6 + 0.4 * np.cos(2 * np.pi * 0.5 * time))
    return 0.25 * swell * np.sin(2 * np.pi * tone_hz(order, passage) * time)


def judgement(verdict: str, score: float, **more: Any) -> dict[str, Any]:
    """What a pair has beside its plain difference once it was judged: nothing worth a word."""
    causes = {name: {"difference": 0.0, "unit": "dB", "text": "-"} for name in CAUSES}
    causes["tone"] |= {"band_db": 0.0, "hz": 1000.0}
    facts = dict.fromkeys(SCORE_FACTS) | {
        "verdict": verdict, "score": score, "decided_by": "dirt", "borderline": False,
        "raised_by_band": False, "causes": causes,
    }  # fmt: skip
    return facts | more


def make_sound(order: int, passage: int, amp: str | None, rng: np.random.Generator) -> dict:
    name, label = list(ORDERS)[order], list(PASSAGES)[passage]
    samples = sound_samples(order, passage)
    flac = flac_16_bit(np.vstack([samples, samples]), RATE, seed=order)
    columns = samples.reshape(-1, 320)
    lift = (-1.5, 0.0, 2.5)[passage]
    as_is = -3.0 + lift + (0.0, *TRIMS[label])[order]
    return {
        "order": name,
        "passage": label,
        "amp": amp,
        "file": f"{label}_{name}.flac",
        "flac_base64": base64.b64encode(flac).decode(),
        "fingerprint": f"{order}{passage}" * 8,
        "gains_db": {"passage": 0.0, "order": -3.7 + lift, "as_is": as_is},
        "integrated_lufs": -16.0 + as_is,
        "true_peak_dbtp": -12.0 + as_is,
        "waveform": [[float(c.min()), float(c.max())] for c in columns],
        "bands_db": [-30.0 - abs(np.log2(hz / 400.0)) * 5.0 for hz in BANDS_HZ],
        "points": make_points(order, label, rng),
        "loops": {},
        "steps": [],
        "stereo": [],
    }


def make_points(order: int, passage: str, rng: np.random.Generator) -> list[dict]:
    front, loop = list(ORDERS.values())[order]
    rms, peak = -21.0, -7.0
    points = [point("source", rms, peak, None)]
    gain = {"press": (-4.0, -5.0), "grit": (4.0, 0.0), "push": (6.0, 6.0), "room": (0.5, 0.8)}

    def through(block: str) -> None:
        nonlocal rms, peak
        points.append(point(f"{block}.in", rms, peak, None))
        if block in PASSAGES[passage]:
            rms += gain.get(block, (0.2, 0.4))[0] + rng.uniform(-0.3, 0.3)
            peak += gain.get(block, (0.2, 0.4))[1] + rng.uniform(-0.3, 0.3)
        points.append(point(f"{block}.out", rms, peak, 3.5 if block != "push" else 8.0))

    for block in front:
        through(block)
    points.append(point("amp.in", rms, peak, None))
    rms, peak = rms + 10.0, peak + 15.5 if passage == "solo" else peak + 9.0
    points.append(point("amp.send", rms, peak, 14.0))
    for block in loop:
        through(block)
    points.append(point("amp.return", rms, peak, None))
    points.append(point("speaker", 22.0, 27.0, None))
    return [*points, point("out", -2.0, 9.0, None)]


def point(name: str, rms_dbu: float, peak_dbu: float, rail_volts: float | None) -> dict:
    peak_volts = dbu_to_peak_volts(peak_dbu)
    return {
        "name": name,
        "rms_dbu": rms_dbu,
        "peak_dbu": peak_dbu,
        "peak_volts": peak_volts,
        "rail_volts": rail_volts,
        "headroom_db": ratio_to_db(rail_volts / peak_volts) if rail_volts else None,
        "floor_dbu": rms_dbu - 44.0,
    }


def make_pair(first: int, second: int, passage: str, amp: str | None) -> dict:
    trims = (0.0, *TRIMS[passage])
    change = np.zeros(len(BANDS_HZ))
    null_db = -31.0
    if {first, second} == {1, 3}:
        null_db = -127.0
    else:
        size = {"verse": 0.4, "riff": 1.6, "solo": 2.6}[passage]
        centre = np.log(np.array(BANDS_HZ) / (500.0 * (second + 1)))
        change = size * (0.4 - 1.4 * np.exp(-(centre**2))) * (1.0 if second == 2 else 0.6)
    worst = int(np.argmax(np.abs(change)))
    names = list(ORDERS)
    return {
        "a": names[first],
        "b": names[second],
        "passage": passage,
        "amp": amp,
        "trim_lu": trims[second] - trims[first],
        "null_db": null_db,
        "max_band_change_db": float(abs(change[worst])),
        "max_band_hz": BANDS_HZ[worst],
        "band_change_db": change.tolist(),
    }


def make_timeline(passage: str, on: list[str]) -> dict:
    """In the solo the boost goes off at 2.5 s; all else stays as it begins."""
    ends = {block: 2.5 if (passage, block) == ("solo", "push") else SECONDS for block in on}
    return {
        "begins": f"{', '.join(on)} on",
        "parts": [],
        "rows": [
            row("on", block, block, stretches=[{"from": 0.0, "to": end, "text": ""}])
            for block, end in ends.items()
        ],
        "events": [{"at": 2.5, "text": "push off"}] if passage == "solo" else [],
    }


def row(kind: str, block: str, label: str, **what: Any) -> dict:
    """One row of a timeline: what it does not have is empty."""
    parts = {"stretches": [], "line": [], "values": [], **what}
    return {"kind": kind, "block": block, "label": label, **parts}


def make_data(amps: tuple[str, ...] = ("crunch",)) -> dict[str, Any]:
    rng = np.random.default_rng(7)
    count = range(len(ORDERS))
    return {
        "simchain": "0.1.0",
        "title": "Train board",
        "rate": RATE,
        "listening_db_spl": 75.0,
        "amps": list(amps),
        "orders": [
            {"name": name, "front": front, "loop": loop, "left_out": []}
            for name, (front, loop) in ORDERS.items()
        ],
        "passages": [
            {
                "name": name,
                "is_song": False,
                "on": on,
                "seconds": SECONDS,
                "timeline": make_timeline(name, on),
                "above": None,
            }
            for name, on in PASSAGES.items()
        ],
        "bands_hz": BANDS_HZ,
        "sounds": [
            make_sound(order, passage, amp, rng)
            for passage in range(len(PASSAGES))
            for amp in amps or (None,)
            for order in count
        ],
        "pairs": [
            make_pair(first, second, passage, amp)
            for passage in PASSAGES
            for amp in amps or (None,)
            for second in count
            for first in range(second)
        ],
        "free": None,
    }


_PLAIN = make_data()


@pytest.fixture
def data() -> dict[str, Any]:
    """Four orders, three passages, one amplifier; a copy that a test may change."""
    return copy.deepcopy(_PLAIN)


@pytest.fixture
def two_amps() -> dict[str, Any]:
    return make_data(("crunch", "hot"))


class Opened:
    """A page opened from disk, and all it said and asked for."""

    def __init__(self, chromium: Any, file: Path, before: str = "", **context: Any):
        context.setdefault("viewport", {"width": 1280, "height": 900})
        self.context = chromium.new_context(**context)
        self.page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        if before:
            self.page.add_init_script(before)
        self.page.goto(file.as_uri())

    def state(self, name: str) -> Any:
        return self.page.evaluate(f"window.simchain.{name}")

    def play(self) -> None:
        self.page.click("#play")
        self.until("window.simchain.playing")

    def until(self, condition: str, seconds: float = 10.0) -> None:
        """Wait for a condition; the page's policy forbids the driver's own way of asking."""
        end = time.monotonic() + seconds
        while not self.page.evaluate(condition):
            assert time.monotonic() < end, f"still not so after {seconds} s: {condition}"
            self.page.wait_for_timeout(20)


@pytest.fixture
def opened(chromium: Any, tmp_path: Path) -> Iterator[Callable[..., Opened]]:
    """Open page data in the browser; at the end, nothing must have been said or fetched."""
    pages: list[Opened] = []

    def open_page(data: dict[str, Any], before: str = "", **context: Any) -> Opened:
        file = tmp_path / f"audition-{len(pages)}.html"
        file.write_text(audition_page(data), encoding="utf-8")
        pages.append(Opened(chromium, file, before, **context))
        return pages[-1]

    yield open_page
    for page in pages:
        page.context.close()
        assert page.said == []
        assert [address.rsplit("/", 1)[0] for address in page.asked] == [tmp_path.as_uri()]
