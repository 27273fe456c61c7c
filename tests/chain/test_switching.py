"""Issue 5: switching any kind at 50 random times does not click.

Asked: "the error against an ideal 20 ms raised-cosine switch has, above 8 kHz and in the 50 ms
round the switch, energy at least 50 dB below the passage's RMS (220 Hz sine); no step larger than
the fade explains". Read as follows:

- The ideal switch is w on + (1 - w) off, of the passage rendered with the unit always on and always
  off; w rises and falls as (1 - cos(pi t / 20 ms)) / 2 from the event on, where the product's fade
  begins too. A unit whose tail rings on (trails) is switched at its input: the ideal is then what
  it makes of w times its input, and (1 - w) times the input beside it.
- The error is what the unit's output differs from that, as it comes, with its fade of 5 ms. It is
  cut off below 8 kHz at once (all bins of the passage's spectrum), and its mean square in the 50 ms
  about the middle of the ideal's fade is set against the passage's: the worst of the 50 counts.
- The fade explains a step of pi / (2 T) times the difference of the two sounds, T frames being its
  length, on top of the larger of the two sounds' own steps.

A fade of 5 ms differs from one of 20 ms by design, and what a unit makes above 8 kHz shows in that
difference. So the same is asked with fade_ms = 20: then nothing at all may be left.

Units are found in the register, with every word that a control of theirs may take, true and
buffered, with trails and without; links are real, behind a guitar. A loop is switched by play and
stop. The 50 times are drawn at random, one from each of 50 equal stretches, so that no fade runs
into the next: what a switch within a fade does, tests/chain/test_gates.py.
"""

import itertools
import json
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args, get_origin
from zlib import crc32

import numpy as np
import pytest
from pydantic import ValidationError

import simchain
from simchain.blocks import Block, Moment, kinds
from simchain.board import Board, with_settings
from simchain.chain.walk import Rendering

MakeBoard = Callable[..., Board]

RATE = 48_000
SWITCHES = 50
STRETCH = 4_800
FIRST = 2_400
FRAMES = FIRST + SWITCHES * STRETCH + 2_400
IDEAL_MS, USUAL_MS = 20.0, 5.0
ASKED_DB = -50.0
NOTHING_DB = -200.0
HEARD_DB = -40.0
ABOVE_HZ = 8000.0
WINDOW = 2_400

# A take of whole periods of the tone, and the time that a delay's repeats need to settle before it.
TAKE, SETTLED = 24_000, 72_000

KINDS = {name: kind for name, kind in kinds().items() if kind.__module__.startswith("simchain.")}

# What makes a unit heard that does nothing as it comes, and forms that no word chooses.
FORMS = {
    "equalizer": ('bands = [{ shape = "peak", hz = 220, db = 6, q = 1 }]',),
    "fuzz": ("", "octave = 1.0"),
    "gate": ("threshold_dbu = 10",),
    "modulation": ("", "outputs = 2"),
    "delay": ("", "outputs = 2\nspread = 1.0"),
    "reverb": ("", "shimmer = 0.3\nmotion = 0.5", "outputs = 2"),
    "octave": ("", "up_mix = 0.5"),
    "volume": ("position = 0.5", "position = 0.5\nactive = true"),
    "body": ("mix = 1.0",),
}


@dataclass(frozen=True)
class Case:
    """A kind in one of its forms, as the lines of its table."""

    name: str
    lines: tuple[str, ...]

    def __str__(self) -> str:
        return ", ".join((self.name, *self.lines)).replace("\n", ", ")

    @property
    def table(self) -> str:
        return "\n".join((f'kind = "{self.name}"', *self.lines))

    @property
    def unit(self) -> Block:
        settings = tomllib.loads("\n".join(self.lines))
        return KINDS[self.name].model_validate_json(json.dumps(settings), strict=True)

    @property
    def is_taken(self) -> bool:
        """Whether the kind takes these settings together."""
        try:
            return self.unit is not None
        except ValidationError:
            return False

    @property
    def has_trails(self) -> bool:
        return self.unit.has_trails


def choices(kind: type[Block]) -> list[str]:
    """Return a line for every word that one of the kind's own controls may take."""
    own = {key: field for key, field in kind.model_fields.items() if key not in Block.model_fields}
    return [
        f'{key} = "{word}"'
        for key, field in own.items()
        if get_origin(field.annotation) is Literal
        for word in get_args(field.annotation)
    ]


def cases() -> Iterator[Case]:
    for name, kind in KINDS.items():
        if kind.always_passes:
            continue
        trails = ["trails = true", "trails = false"] if "trails" in kind.model_fields else [""]
        bypasses = ['bypass = "true"', 'bypass = "buffered"']
        forms = FORMS.get(name, ("",))
        for lines in itertools.product(choices(kind) or [""], forms, bypasses, trails):
            case = Case(name, tuple(line for line in lines if line))
            if case.is_taken:
                yield case


CASES = list(cases())
LOOPS = [
    Case(name, ("time_ms = 100\nfeedback = 0.2",) if "time_ms" in kind.model_fields else ())
    for name, kind in KINDS.items()
    if kind().loop is not None
]


def times() -> np.ndarray:
    """Return the frames of the switches: between 60 and 140 ms apart."""
    places = np.random.default_rng(2026).uniform(0.2, 0.8, SWITCHES)
    return (FIRST + (np.arange(SWITCHES) + places) * STRETCH).astype(int)


TIMES = times()


@cache
def rise(milliseconds: float) -> np.ndarray:
    """Return the raised cosine's frames, and a last one that is 1."""
    fade = round(milliseconds / 1e3 * RATE)
    return 0.5 - 0.5 * np.cos(np.pi * np.arange(fade + 1) / fade)


@cache
def weights(milliseconds: float) -> np.ndarray:
    """Return the weight of a unit that is off at first and switched at each of the times."""
    found, on = np.zeros(FRAMES), False
    for frame in TIMES:
        on = not on
        share = rise(milliseconds)
        found[frame:] = float(on)
        found[frame : frame + share.size] = share if on else 1.0 - share
    return found


def tone(frames: int = FRAMES) -> np.ndarray:
    return 0.2 * np.sin(2 * np.pi * 220 * np.arange(frames) / RATE)[np.newaxis]


def events(first: str, second: str, later: int = 0) -> str:
    """Return an event for each of the times, the one and the other in turn."""
    words = itertools.cycle((first, second))
    return ",\n".join(
        f'{{ at = {(frame + later) / RATE:.9f}, block = "unit", do = "{next(words)}" }}'
        for frame in TIMES
    )


def rendered(make_board: MakeBoard, case: Case) -> dict[str, Rendering]:
    """Render the unit off, on, and switched with its own fade and one of 20 ms."""
    text = f"""
    [orders.one]
    front = ["unit"]
    [passages.on]
    on = ["unit"]
    [passages.off]
    [passages.switched]
    events = [{events("on", "off")}]
    [blocks.unit]
    {case.table}
    """
    board = make_board(text, tone(), links="real", kind="guitar")
    slow = with_settings(board.blocks["unit"], {"fade_ms": IDEAL_MS})
    slowly = board.model_copy(update={"blocks": {"unit": slow}})
    noise = case.unit.works_on_noise
    made = {name: simchain.render(board, "one", name, noise=noise) for name in board.passages}
    return made | {"slowly": simchain.render(slowly, "one", "switched", noise=noise)}


def out(rendering: Rendering) -> np.ndarray:
    return rendering.points["unit.out"].volts


def ideal(case: Case, made: dict[str, Rendering], milliseconds: float) -> np.ndarray:
    """Return what a switch of that length gives at the unit's output."""
    w = weights(milliseconds)
    if case.has_trails:
        arriving = made["off"].points["unit.in"].volts
        now = Moment(RATE, crc32(b"unit"))
        return case.unit.process(arriving * w, now) + (1.0 - w) * arriving
    return w * out(made["on"]) + (1.0 - w) * out(made["off"])


def above(volts: np.ndarray) -> np.ndarray:
    """Return what of `volts` lies above 8 kHz."""
    spectrum = np.fft.rfft(volts)
    spectrum[:, np.fft.rfftfreq(volts.shape[1], 1 / RATE) < ABOVE_HZ] = 0.0
    return np.fft.irfft(spectrum, volts.shape[1])


def worst_high_db(error: np.ndarray, passage: np.ndarray) -> float:
    """Return the largest mean square above 8 kHz of the 50 windows, against the passage's."""
    high = above(error)
    middles = TIMES + round(IDEAL_MS / 2e3 * RATE)
    powers = [
        np.mean(high[:, max(0, middle - WINDOW // 2) : middle + WINDOW // 2] ** 2)
        for middle in middles
    ]
    return float(10 * np.log10(max(*powers, 1e-40) / np.mean(passage**2)))


def rest_db(error: np.ndarray, passage: np.ndarray) -> float:
    return float(20 * np.log10(max(np.linalg.norm(error), 1e-20) / np.linalg.norm(passage)))


def steps(volts: np.ndarray) -> np.ndarray:
    return np.abs(np.diff(volts))


def largest_step(case: Case, made: dict[str, Rendering]) -> float:
    """Return the largest step of the switched sound as a part of what the fade explains."""
    on, off = out(made["on"]), out(made["off"])
    own = np.maximum(steps(on), steps(off))
    apart = np.abs(on - off)
    if case.has_trails:
        # The tail is not that of a unit always on, and adds to what comes beside it.
        arriving = made["off"].points["unit.in"].volts
        wet = case.unit.process(arriving * weights(USUAL_MS), Moment(RATE, crc32(b"unit")))
        own, apart = steps(wet) + steps(arriving), np.abs(arriving)
    a_frame = np.pi / 2 / (USUAL_MS / 1e3 * RATE)
    allowed = own + a_frame * np.maximum(apart[:, 1:], apart[:, :-1]) + 1e-12
    return float(np.max(steps(out(made["switched"])) / allowed))


def test_every_kind_is_switched() -> None:
    """Found by the register: a new kind is switched, or says in FORMS what makes it heard."""
    assert {case.name for case in CASES + LOOPS} == set(KINDS)
    both = {(case.name, case.unit.bypass) for case in CASES}
    assert {name for name, bypass in both if bypass == "true"} >= {case.name for case in CASES}
    assert {name for name, bypass in both if bypass == "buffered"} >= {case.name for case in CASES}
    rings = {name for name, kind in KINDS.items() if "trails" in kind.model_fields}
    tailed = {(case.name, case.has_trails) for case in CASES if case.name in rings}
    assert tailed == {(name, on) for name in ("delay", "reverb") for on in (True, False)}
    assert len(CASES) > 50
    assert np.diff(TIMES).min() > RATE * 50e-3


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_switch_does_not_click(make_board: MakeBoard, case: Case) -> None:
    made = rendered(make_board, case)
    on, off, switched, slowly = (out(made[name]) for name in ("on", "off", "switched", "slowly"))
    wanted = ideal(case, made, IDEAL_MS)
    heard = rest_db(on - off, off)
    high = worst_high_db(switched - wanted, switched)
    null = rest_db(slowly - wanted, slowly)
    step = largest_step(case, made)
    print(
        f"{case}: above 8 kHz asked {ASKED_DB:.0f} dB, measured {high:.1f} dB; fade_ms = 20 nulls "
        f"at {null:.0f} dB; largest step {step:.2f} of what the fade explains; "
        f"the switch changes {heard:.0f} dB"
    )
    assert heard > HEARD_DB, "switching this does nothing: say in FORMS what makes it heard"
    assert high < ASKED_DB
    assert null < NOTHING_DB
    assert step <= 1.0


@pytest.mark.parametrize("name", ["boost", "drive", "volume"])
def test_a_switch_without_a_fade_does_click(make_board: MakeBoard, name: str) -> None:
    """The measure finds what it is made for."""
    case = Case(name, (*FORMS.get(name, ("",))[0].splitlines(), "fade_ms = 0"))
    made = rendered(make_board, case)
    switched = out(made["switched"])
    high = worst_high_db(switched - ideal(case, made, IDEAL_MS), switched)
    step = largest_step(case, made)
    print(f"{case}: above 8 kHz {high:.1f} dB, largest step {step:.1f} of what 5 ms explain")
    assert high > ASKED_DB
    assert step > 2.0


def rounds(loop: np.ndarray, late: int, length: int) -> np.ndarray:
    """Return what an ideal switch lets through of a loop played and stopped at the times."""
    found, share = np.zeros((1, length)), rise(IDEAL_MS)
    for start, stop in TIMES.reshape(-1, 2) + SETTLED + TAKE:
        end = stop + share.size
        gain = np.ones(end - start - late)
        gain[: share.size] = share
        gain[-share.size :] = 1.0 - share
        found[0, start + late : end] += gain * loop[0, np.arange(gain.size) % TAKE]
    return found


@pytest.mark.parametrize("case", LOOPS, ids=str)
def test_a_loop_comes_and_goes_without_a_click(make_board: MakeBoard, case: Case) -> None:
    """Half a second of the same sine goes round, played and stopped over the live sound.

    It plays from its start each time, late by the converters. The ideal switch lets each round come
    and go in 20 ms. The loop's own fades are straight lines, of 5 ms in and 10 ms out: of a step
    they explain 1/240 of the loop.
    """
    take = SETTLED / RATE, (SETTLED + TAKE) / RATE
    text = f"""
    [orders.one]
    front = ["unit"]
    [passages.alone]
    on = ["unit"]
    [passages.looped]
    on = ["unit"]
    events = [
    {{ at = {take[0]}, block = "unit", do = "record" }},
    {{ at = {take[1]}, block = "unit", do = "stop" }},
    {events("play", "stop", SETTLED + TAKE)}]
    [blocks.unit]
    {case.table}
    """
    volts = tone(SETTLED + TAKE + FRAMES)
    board = make_board(text, volts, links="real", kind="guitar")
    alone, looped = (out(simchain.render(board, "one", name)) for name in board.passages)
    loop = alone[:, SETTLED : SETTLED + TAKE]
    late = round(case.unit.wet_latency_s * RATE)
    wanted = alone + rounds(loop, late, alone.shape[1])
    played = slice(SETTLED + TAKE, None)
    high = worst_high_db((looped - wanted)[:, played], looped[:, played])
    allowed = steps(alone) + steps(loop).max() + np.abs(loop).max() / (USUAL_MS / 1e3 * RATE)
    step = float(np.max(steps(looped) / allowed))
    changed = rest_db(looped - alone, alone)
    print(
        f"{case}, loop: above 8 kHz asked {ASKED_DB:.0f} dB, measured {high:.1f} dB; largest step "
        f"{step:.2f} of what the fades explain; playing changes {changed:.0f} dB"
    )
    assert changed > HEARD_DB
    assert high < ASKED_DB
    assert step <= 1.0
