"""What to look at when something is wrong: the fault tree on the sheets."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from simchain.blocks.body import LONGEST_RESPONSE_S, Body
from simchain.board import Board, Order
from simchain.filters.impulse import impulse_response
from simchain.report.body import NOTCH_HZ
from simchain.report.wording import listed, round_frequency

Steps = tuple["str | tuple[str, Steps]", ...]

# Of the resonances in that range, how many are told, and how close to the strongest they are.
_TOLD, _WITHIN_DB = 2, 3.0

_TREE: Steps = (
    (
        "Silent",
        (
            "Tuner on? Volume pedal down? Amplifier on standby?",
            (
                "Guitar straight into the amplifier",
                (
                    "Still silent: guitar, its cable, or the amplifier.",
                    (
                        "Sounds: the board",
                        (
                            "No lamps: supply, its mains lead, its switch.",
                            "One unit dark: its power lead, voltage, polarity.",
                            "All lit: halve the chain. Plug the guitar into the middle unit; the "
                            "half that is silent has it. Halve again until one lead or one unit is "
                            "left, then change the lead first.",
                        ),
                    ),
                ),
            ),
            "Split, and silent only at the amplifier: send into return with one short lead. It "
            "sounds: the loop's cables or units. Silent: the amplifier; play in series.",
        ),
    ),
    (
        "Thin",
        (
            "Only with one unit on: its control of lows, or its mix.",
            "With all units off: a plug half in, or a lead whose sleeve is broken.",
            "Dull, not thin: too much cable before the first buffer; a shorter guitar cable tells.",
            "Only with both amplifiers: one of them turned over; try each alone.",
        ),
    ),
    (
        "Hum",
        (
            "Goes when the guitar's volume is at zero: the guitar picks it up; turn, or step away "
            "from lamps and transformers.",
            "Stays, and goes when the guitar's cable is pulled: that cable.",
            "Only split, not in series: the loop of screens; see sheet 2.",
            "Only with one unit on its outlet: give it another one, isolated.",
        ),
    ),
    (
        "Whine",
        (
            "Changes when a digital unit is unplugged: it shares an outlet, or its return; give it "
            "an isolated one of its own.",
            "Changes when a phone or its charger is moved away: there it comes from.",
            "Only with much gain on: whatever whines before the drive; look there first.",
        ),
    ),
    (
        "Pop",
        (
            "Only the first time after a while: a switch that settles; step once before playing.",
            "Every time: voltage on a signal lead. Measure DC at the unit's output, not playing: "
            "more than some millivolts is a fault of that unit.",
            "In the amplifier's loop only: send or return carries DC; leave it to a workshop.",
        ),
    ),
    (
        "Level dropped",
        (
            "Read the tone at the jacks: the first jack that is low names the place.",
            "Only one passage: a level control was moved; see the stage card.",
            "Getting worse: a battery, or an outlet that gives less than is asked of it.",
        ),
    ),
    (
        "Only when loud",
        (
            "A rattle: a plug that touches its neighbour, a loose nut, a unit on its dots.",
            "Crackle in time with the bass: a lead that moves; shake and listen again.",
            "Harsh on loud notes alone: a unit clips that should not; simchain levels names it.",
        ),
    ),
)


def fault_tree(howls_hz: Sequence[float]) -> Steps:
    """Return the tree; `howls_hz` are the resonances at which an acoustic guitar may howl."""
    return (*_TREE, ("Howl", tuple(_howl(howls_hz))))


def howls_hz(board: Board, order: Order) -> list[float]:
    """Return the strongest resonances, 60 to 400 Hz, of the bodies in `order`, strongest first."""
    found = [
        peak
        for name in order.blocks
        if isinstance(block := board.blocks[name], Body)
        for peak in _resonances(block, board.rate)
    ]
    low, high = NOTCH_HZ
    near = sorted((peak for peak in found if low <= peak[0] <= high), key=lambda peak: -peak[1])
    return [hz for hz, db in near[:_TOLD] if db >= near[0][1] - _WITHIN_DB]


def _howl(howls: Sequence[float]) -> Iterator[str]:
    yield "The guitar hears the speaker: turn, step aside, less gain, less in the monitor."
    if howls:
        named = listed([round_frequency(hz) for hz in howls])
        yield (
            f"It sings at one pitch: a narrow notch there. This body rings most at {named}; set "
            "notch_hz of the preamp to the one that sings, before you turn the lows down."
        )
        yield "Still: a cover in the sound hole, and low cut on the mixer's channel."


def _resonances(body: Body, rate: int) -> Iterator[tuple[float, float]]:
    """Yield Hz and dB of each resonance; those of a response are its spectrum's peaks."""
    if body.file is None:
        for mode in body.modes:
            yield mode.hz, mode.db
        return
    from scipy.signal import find_peaks

    response = impulse_response(Path(body.file), rate, LONGEST_RESPONSE_S)
    db = 20.0 * np.log10(np.abs(np.fft.rfft(response, rate)) + 1e-12)  # a line each hertz
    for at in find_peaks(db, prominence=3.0)[0]:
        yield float(at), float(db[at])
