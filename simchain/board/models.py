"""The board: what the user describes, as frozen tables."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import Field, SerializeAsAny, model_validator

from simchain.amp.settings import Amp
from simchain.blocks.base import Block
from simchain.board.gear import Cables, Floor, Output, Pickup, Source, Supply
from simchain.board.rules import Rules
from simchain.board.wishes import Goals, Judging, SetLevels
from simchain.errors import RequestError, unknown_name
from simchain.settings import Settings, control

Table = TypeVar("Table", bound=Settings)

RESERVED = ("source", "amp", "amp2", "speaker", "speaker2", "out")

# What belongs to the unit and its wiring: a passage cannot change it.
OF_THE_UNIT = frozenset(Block.model_fields) - {"level_db"}


class Order(Settings):
    """Which block feeds which: `front` into the amplifier's input, `loop` in its effects loop."""

    front: tuple[str, ...] = control((), "blocks before the amplifier's input, in this sequence")
    loop: tuple[str, ...] = control((), "blocks in the amplifier's effects loop")

    def __init__(
        self, front: tuple[str, ...] = (), loop: tuple[str, ...] = (), **more: Any
    ) -> None:
        given = {"front": front, "loop": loop}
        super().__init__(**{key: names for key, names in given.items() if names != ()}, **more)

    @property
    def blocks(self) -> tuple[str, ...]:
        """The sequence: front, then loop."""
        return self.front + self.loop


class Event(Settings):
    """Something that happens during a passage: a switch, or settings that change."""

    at: float = control(..., "when, from the start of the passage", unit="s", ge=0, le=86400)
    block: str = control(..., "the block it happens to")
    do: Literal["on", "off", "record", "play", "overdub", "stop"] | None = control(
        None, "what is done: on or off; record, play, overdub or stop for loops"
    )
    set: dict[str, Any] = control({}, "settings that change, in place of `do`")
    over_ms: float = control(0.0, "how long the change takes", unit="ms", ge=0, le=600e3)

    @model_validator(mode="after")
    def _does_one_thing(self) -> Self:
        if (self.do is None) == ("set" not in self.model_fields_set):
            raise ValueError("an event has either do or set, one of them and never both")
        if self.do is not None and "over_ms" in self.model_fields_set:
            raise ValueError("over_ms goes with set; a switch fades by the block's fade_ms")
        return self


class Above(Settings):
    """How much louder than another passage one should be."""

    passage: str = control(..., "the other passage")
    lu: float = control(..., "how much louder", unit="LU", ge=-60, le=60, usual=(-12, 12))


class Passage(Settings):
    """A part of the music: its clip, which blocks are on, what is switched or set."""

    on: tuple[str, ...] = control((), "blocks that are on from the start")
    clip: str | None = control(None, "its clip; left out, the source's clip")
    above: Above | None = control(None, "how much louder than another passage it should be")
    target_lufs: float | None = control(
        None, "loudness it should have in the files", unit="LUFS", ge=-120, le=20, usual=(-40, -5)
    )
    weight: float = control(1.0, "how much it counts", ge=0, le=1000, usual=(0, 10))
    set: dict[str, dict[str, Any]] = control({}, "settings of blocks that differ in this passage")
    events: tuple[Event, ...] = control((), "what is switched during the passage")
    tail_s: float | None = control(
        None, "time after the clip; left out, the board's", unit="s", ge=0, le=60, usual=(0, 15)
    )

    @model_validator(mode="after")
    def _has_one_target(self) -> Self:
        if self.above is not None and self.target_lufs is not None:
            raise ValueError("above and target_lufs are both given: keep one of them")
        return self


# Parts on end: far more than anybody plays.
MOST_OF_A_SONG = 200


class Song(Settings):
    """Passages one after another on one timeline."""

    passages: Annotated[tuple[str, ...], Field(max_length=MOST_OF_A_SONG)] = control(
        (), "its passages, in this sequence"
    )


class Board(Settings):
    """The whole description. `load_board` reads one; `folder` and `file` say from where."""

    title: str = control("Board", "what the board is called")
    rate: int = control(
        48000,
        "samples a second inside the chain",
        unit="Hz",
        ge=44100,
        le=192000,
    )
    links: Literal["ideal", "real"] = control(
        "real", "real: cables, loading and impedances count; ideal: every link is a wire"
    )
    tail_s: float = control(
        2.0, "time rendered after each clip", unit="s", ge=0, le=60, usual=(0, 15)
    )
    source: Source = control(Source(), "the guitar")
    cables: Cables = control(Cables(), "lengths of cable")
    supply: Supply = control(Supply(), "the power supply")
    blocks: dict[str, SerializeAsAny[Block]] = control({}, "the effect units")
    amps: dict[str, Amp] = control({}, "the amplifiers")
    output: Output = control(Output(), "where orders end")
    orders: dict[str, Order] = control({}, "which block feeds which")
    passages: dict[str, Passage] = control({}, "parts of the music")
    songs: dict[str, Song] = control({}, "passages one after another")
    rules: Rules = control(Rules(), "which sequences are wanted")
    judging: Judging = control(Judging(), "how differences are judged")
    set_levels: SetLevels = control(SetLevels(), "which controls may be turned")
    goals: Goals = control(Goals(), "what a good order does")
    floor: Floor = control(Floor(), "the board the blocks stand on")
    folder: Path | None = control(None, "the folder of the file it was read from")
    file: str = control("", "the file it was read from")

    def order(self, wanted: str | Order) -> Order:
        """Return the order of that name, or `wanted` itself when it fits the board.

        Raises RequestError for a name, or for blocks, that the board does not have, for a block
        that stands twice, and for a loop on a board that ends at a mixer.
        """
        if isinstance(wanted, str):
            if wanted not in self.orders:
                raise unknown_name("order", wanted, self.orders)
            return self.orders[wanted]
        for name in wanted.blocks:
            if name not in self.blocks:
                raise unknown_name("block", name, self.blocks)
            if wanted.blocks.count(name) > 1:
                raise RequestError(f"'{name}' stands twice in the order; a block has one place")
        if wanted.loop and not self.amps:
            raise RequestError("a loop needs an amplifier, and this board has none")
        return wanted

    def passage(self, name: str) -> Passage:
        """Return the passage of that name. Raises RequestError when there is none."""
        if name not in self.passages:
            raise unknown_name("passage", name, self.passages)
        return self.passages[name]

    def song(self, name: str) -> Song:
        """Return the song of that name. Raises RequestError when there is none."""
        if name not in self.songs:
            raise unknown_name("song", name, self.songs)
        return self.songs[name]

    def block_in(self, passage: str, name: str) -> Block:
        """Return block `name` with the settings that the passage gives it."""
        block, changes = self.blocks[name], self.passage(passage).set.get(name)
        return with_settings(block, changes) if changes else block

    def pickup_in(self, passage: str) -> Pickup:
        """Return the pickup with the settings (volume, tone) that the passage gives it."""
        pickup, changes = self.source.pickup, self.passage(passage).set.get("source")
        return with_settings(pickup, changes) if changes else pickup


def with_settings(table: Table, changes: dict[str, Any]) -> Table:
    """Return `table` with some settings changed; raises pydantic.ValidationError."""
    written = table.model_dump(mode="json", exclude_unset=True)
    return type(table).model_validate_json(json_of(written | changes), strict=True)


def json_of(table: Any) -> str:
    """Return a table as JSON.

    Strict reading of JSON takes lists where tuples are wanted and whole numbers where numbers
    are, but no text in place of a number.
    """
    return json.dumps(table)
