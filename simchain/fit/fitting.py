"""From a recording to the settings of one block."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.board import Board, Judging
from simchain.board.write import REMOVED
from simchain.chain.alone import INTO_OHM
from simchain.decide.score import Score
from simchain.errors import ClipError, unknown_name
from simchain.fit.aligning import SAME_MARKER, likeness
from simchain.fit.comparing import Comparison
from simchain.fit.left_over import by_band, by_level, judged, noise_settings
from simchain.fit.looked_for import KindFit, Stretch, fit_of, unit_of_control
from simchain.fit.received import Received, read_loopback, read_received
from simchain.fit.searching import Found, found
from simchain.fit.sent import PLAYBACK_DBU

Floats = NDArray[np.float64]

# Above it most of what was received is something else than what the block makes.
NO_FIT_DB = -10.0
# The same of levels in bands over time, where waveforms cannot agree: another room of the same
# decay leaves some -3 dB, another kind of unit 0 or more.
NO_FIT_BY_LEVELS_DB = -2.0
# Kinds that pass what goes in as it is where they are set so.
MAY_BE_A_WIRE = ("boost", "volume", "tuner", "looper")
# The unit's own noise is told where it is so large a share of all that was recorded.
_TELLS_NOISE = 0.7
# A wire, or a unit that is off: as loud as what goes in, and nothing else in it.
_OFF_DB, _OFF_LEFT_DB = 0.5, -40.0
_SURE_DIGITS = 4


@dataclass(frozen=True)
class FoundControl:
    """A free control as it was found: its `name`, value and standard deviation, in `unit`."""

    name: str
    value: float
    deviation: float
    unit: str


@dataclass(frozen=True, eq=False)
class Fitted:
    """A block's settings as a recording has them.

    `settings` are those that were found and chosen, rounded, the unit's noise among them where it
    could be told; `controls` has the free ones with their standard deviations. Of all that was
    received `residual_db` is not copied: of waveforms where `by_waveform`, else of
    magnitudes in bands over time. `left_by_band` is (Hz, dB), `left_by_level` (volts peak at the
    input, dB), empty where waveforms were not compared. `score` is how far the block and the unit
    are expected to sound apart on what was played.
    """

    name: str
    block: Block
    settings: dict[str, Any]
    controls: tuple[FoundControl, ...]
    residual_db: float
    by_waveform: bool
    left_by_band: list[tuple[float, float]]
    left_by_level: list[tuple[float, float]]
    score: Score
    received: Received
    blind_to: dict[str, str]

    @property
    def fits(self) -> bool:
        """Whether the kind is near the unit at all."""
        return self.residual_db <= (NO_FIT_DB if self.by_waveform else NO_FIT_BY_LEVELS_DB)


# Settings that say the same in another way, and so must go where one is written.
_INSTEAD_OF = {"time_ms": ("bpm", "note"), "modes": ("file",)}


def changes_of(board: Board, result: "Fitted") -> dict[tuple[str, ...], Any]:
    """Return what a board's file needs to have the settings that were found.

    A delay's time takes the place of a tempo and a note value, modes that of an impulse response.
    """
    given = board.blocks[result.name].model_fields_set
    gone = {
        ("blocks", result.name, other): REMOVED
        for name in result.settings
        for other in _INSTEAD_OF.get(name, ())
        if other in given
    }
    return gone | {("blocks", result.name, name): one for name, one in result.settings.items()}


def fit_block(
    board: Board,
    name: str,
    recording: Path,
    *,
    loopback: Path | None = None,
    playback_dbu: float = PLAYBACK_DBU,
    into_ohm: float = INTO_OHM,
    told: Callable[[str], None] = lambda _: None,
) -> Fitted:
    """Return the settings of the board's block `name` that come nearest to a recording of the unit.

    `recording` is of the unit while the file of `simchain tones` was played through it, `loopback`
    the same without a unit. `playback_dbu` is the level at the unit's input of a sine at full scale
    of what was played, `into_ohm` the recording side's input impedance.

    Raises RequestError for a name or a kind that cannot be fitted, ClipError for recordings that
    cannot be used.
    """
    if name not in board.blocks:
        raise unknown_name("block", name, board.blocks)
    block = board.blocks[name]
    kind = fit_of(block.kind)
    told("reading the recording")
    received = read_received(
        recording,
        loopback=read_loopback(loopback) if loopback else None,
        playback_dbu=playback_dbu,
        full_scale_dbu=board.source.full_scale_dbu,
    )
    received = _looked_at(received, recording, block.kind)
    return fitted(name, block, kind, received, into_ohm=into_ohm, judging=board.judging, told=told)


def fitted(
    name: str,
    block: Block,
    kind: KindFit,
    received: Received,
    *,
    into_ohm: float = INTO_OHM,
    judging: Judging | None = None,
    told: Callable[[str], None] = lambda _: None,
) -> Fitted:
    """Return the settings of `block` that come nearest to what was received.

    Both ways up are tried where the likelier one does not fit: a unit may turn the sound over.
    """
    alike = likeness(*reversed(received.part("marker1")))
    ends = []
    for inverted in (alike < 0.0, alike >= 0.0):
        upright = replace(received, line=-received.line) if inverted else received
        found_so = _fitted(name, block, kind, upright, into_ohm, judging or Judging(), told)
        # Levels do not tell which way up a sound is, the marker does.
        if found_so.by_waveform or abs(alike) >= SAME_MARKER:
            found_so = _turned_over(found_so, block, inverted=inverted)
        ends.append(found_so)
        if found_so.fits:
            break
    return min(ends, key=lambda end: end.residual_db)


def _turned_over(end: Fitted, board_has: Block, *, inverted: bool) -> Fitted:
    """Return `end` with whether the unit turns the sound over, where that can be known and set."""
    if not end.received.calibrated or board_has.pot is not None:
        return end
    settings = end.settings
    if inverted != board_has.invert:
        settings = settings | {"invert": inverted}
    return replace(end, block=end.block.model_copy(update={"invert": inverted}), settings=settings)


def _fitted(
    name: str,
    block: Block,
    kind: KindFit,
    received: Received,
    into_ohm: float,
    judging: Judging,
    told: Callable[[str], None],
) -> Fitted:
    """Return the same of what was received the right way up."""
    block = block.model_copy(update={"invert": False})
    told("first values, straight from the recording")
    starts = list(kind.starts(block, received))
    near, nearer = kind.stretches(starts[0].block, received)
    coarse = Comparison(received, near, into_ohm=into_ohm)
    fine = Comparison(received, nearer, into_ohm=into_ohm) if nearer else None
    end = found(starts, coarse, fine, told)
    told("listening to what is left")
    whole = Comparison(received, [Stretch("lead", "marker2", 0.0)], into_ohm=into_ohm)
    made = whole.rendered(end.block, end.turn)
    line = made[0]
    by_waveform, late, heard = end.by_waveform, end.late, received.line
    if by_waveform and any(one.times > 1 for one in nearer):
        late = whole.late_near(made, late)
    return Fitted(
        name,
        end.block,
        _settings(end, received),
        _controls(end),
        whole.residual_db(made, late) if by_waveform else whole.level_residual_db(made),
        by_waveform,
        by_band(heard, line, late) if by_waveform else [],
        by_level(heard, line, late, received.given) if by_waveform else [],
        judged(heard, line, judging),
        received,
        dict(kind.blind_to),
    )


def _settings(end: Found, received: Received) -> dict[str, Any]:
    """Return what was found and chosen, as it stands in a board file."""
    names = dict.fromkeys(
        (
            *(
                free.nested[0] if free.nested else free.control
                for free in (*end.start.free, *(one for one, _ in end.start.read))
            ),
            *end.start.chosen,
        )
    )
    settings = {name: _rounded(getattr(end.block, name)) for name in names}
    if received.own_noise_volts >= _TELLS_NOISE * received.noise_volts:
        noise = noise_settings(end.block, received.own_noise_volts)
        settings |= {name: _rounded(value) for name, value in noise.items()}
    return settings


def _controls(end: Found) -> tuple[FoundControl, ...]:
    return tuple(
        FoundControl(
            free.control,
            free.value(number),
            free.spread(number, deviation),
            unit_of_control(end.block, free),
        )
        for free, number, deviation in zip(end.start.free, end.numbers, end.deviations, strict=True)
    ) + tuple(
        FoundControl(
            free.control,
            free.value(free.of(end.block)),
            deviation,
            unit_of_control(end.block, free),
        )
        for free, deviation in end.start.read
    )


def _rounded(value: Any) -> Any:
    """Return a setting with four digits that count; tables as a board file has them."""
    if isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, float | np.floating):
        return float(f"{value:.{_SURE_DIGITS}g}")
    if isinstance(value, tuple | list):
        return [_rounded(one) for one in value]
    return {key: _rounded(one) for key, one in value.model_dump(exclude_unset=False).items()}


def _looked_at(received: Received, path: Path, kind: str) -> Received:
    """Return what was received, with a warning where it is what went in.

    Raises ClipError where that can only be a unit that was off, or not in the way.
    """
    if not received.calibrated or not _is_a_wire(received):
        return received
    told = f"{path}: what came back is what went in: was the unit on while it was recorded?"
    if kind not in MAY_BE_A_WIRE:
        raise ClipError(f"{told} Switch it on and record again")
    return replace(received, warnings=(*received.warnings, told))


def _is_a_wire(received: Received) -> bool:
    given, heard = (
        np.concatenate([received.part(name, with_rest=False)[side] for name in ("level", "loud1")])
        for side in (0, 1)
    )
    gain = float(given @ heard / (given @ given))
    left = float(np.square(heard - gain * given).sum() / np.square(heard).sum())
    is_unity = abs(20.0 * np.log10(abs(gain) + 1e-12)) <= _OFF_DB
    return bool(is_unity and 10.0 * np.log10(left) <= _OFF_LEFT_DB)
