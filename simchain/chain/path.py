"""From board, order and passage to the steps on the signal's path. No sound is touched here."""

import copy
from collections.abc import Hashable

from simchain.board import Board, Order
from simchain.chain.draft import Draft
from simchain.chain.source import Source
from simchain.chain.steps import PAIR, AmpUnit, Path, Step
from simchain.chain.timeline import Timeline, timeline_of_passage
from simchain.electrics import Output
from simchain.errors import RequestError


def path_of(
    board: Board,
    order: str | Order,
    passage: str | Timeline,
    amp: str | None,
    *,
    source_key: bytes,
    channels: int = 1,
    turn: float = 0.0,
    noisy: bool = False,
    before_s: float = 0.0,
) -> Path:
    """Return the path of a passage, or of any other timeline, in `order`.

    `amp` names the amplifier at the end, or both of a stereo pair joined by `PAIR` (None: the
    board's mixer input). `source_key` stands for
    the sound at the source, `channels` is its number of channels, `turn` shifts free-running
    modulators, which have run for `before_s`. With `noisy` every unit and wire hisses.

    Raises RequestError for a name that the board does not have and for a loop without an
    amplifier.
    """
    order_name, wanted = named_order(board, order)
    timeline = passage if isinstance(passage, Timeline) else timeline_of_passage(board, passage)
    if wanted.loop and amp is None:
        raise RequestError(
            f"order '{order_name}' has a loop ({', '.join(wanted.loop)}) but there is no amplifier "
            "to hold it; name one in [output] amps or with --amp"
        )
    laying = Laying(
        timeline,
        amp,
        source_key=source_key,
        channels=channels,
        turn=turn,
        noisy=noisy,
        before_s=before_s,
    )
    for name in wanted.front:
        laying.add(name)
    if amp is not None:
        laying.split()
    for name in wanted.loop:
        laying.add(name)
    laying.end()
    draft = laying.draft
    left_out = tuple(name for name in timeline.ever_on if name not in wanted.blocks)
    return Path(order_name, wanted, timeline, amp, tuple(draft.steps), draft.points, left_out)


class Laying:
    """A path while it is laid block by block: at any place it can go on in several ways.

    See `path_of` for what it is made of. `split` enters the amplifier, `end` leaves it, or ends at
    the mixer.
    """

    def __init__(
        self,
        timeline: Timeline,
        amp: str | None,
        *,
        source_key: bytes,
        channels: int = 1,
        turn: float = 0.0,
        noisy: bool = False,
        before_s: float = 0.0,
    ) -> None:
        self.draft = Draft(timeline, turn, source_key, channels, noisy, before_s)
        self.board = timeline.board
        self.amps = tuple(self.board.amps[name] for name in amp.split(PAIR)) if amp else ()
        self.in_loop = False
        self.last: str | None = None
        self.draft.lay(self.board.cables.guitar_m)

    @property
    def steps(self) -> list[Step]:
        """The steps laid so far."""
        return self.draft.steps

    @property
    def driven_by(self) -> Hashable | None:
        """What drives the wire that ends here, as far as anything that follows can tell.

        None where more than one output does, in turn.
        """
        box = self.board.blocks[self.last].box if self.last is not None else None
        driver = self.draft.only_driver()
        return None if driver is None else (driver, self.in_loop, self.last is None, box)

    @property
    def all_drivers(self) -> Hashable:
        """All that drives the wire that ends here, and how far the path has come."""
        box = self.board.blocks[self.last].box if self.last is not None else None
        return self.draft.all_drivers(), self.in_loop, self.last is None, box

    def fork(self) -> "Laying":
        """Return another one that goes on from here."""
        other = copy.copy(self)
        other.draft = self.draft.fork()
        return other

    def add(self, name: str) -> None:
        """Lay a block, in the loop once the path is split."""
        if self.in_loop and self.last is None:
            self.draft.lay(self.board.cables.send_m)
        self.draft.add_block(name, behind=self.last)
        self.last = name

    def split(self) -> None:
        """Enter the amplifier: what is added from here on stands in its loop."""
        if self.last is not None:
            self.draft.lay(self.board.cables.amp_m)
        into = [amp.input_ohm for amp in self.amps]
        unit = AmpUnit(self.amps, "preamp")
        self.draft.add_amplifier("preamp", unit, "amp.in", "amp.send", into)
        sends = [Output(amp.send_ohm) for amp in self.amps]
        self.draft.start_from(sends, channels=len(sends))
        self.in_loop, self.last = True, None

    def end(self) -> None:
        """Lay what comes behind the last block, to the end of the path."""
        if not self.amps:
            if self.last is not None:
                self.draft.lay(self.board.cables.amp_m)
            self.draft.add_end("out", self.board.output.input_ohm)
            return
        has_loop = self.last is not None
        if has_loop:
            self.draft.lay(self.board.cables.return_m)
        shares = tuple(amp.loop_mix for amp in self.amps)
        mix = shares if has_loop and min(shares) < 1.0 else None
        into = [amp.return_ohm for amp in self.amps]
        power = AmpUnit(self.amps, "power")
        self.draft.add_amplifier("power", power, "amp.return", "speaker", into, mix)
        self.draft.add_amplifier("cabinet", AmpUnit(self.amps, "cabinet"), None, "out", [])


def path_from(
    source: Source,
    board: Board,
    order: str | Order,
    amp: str | None,
    *,
    turn: float = 0.0,
    before_s: float = 0.0,
) -> Path:
    """Return the path that `source` takes in `order`; see `path_of`."""
    return path_of(
        board,
        order,
        source.timeline,
        amp,
        source_key=source.key,
        channels=source.channels,
        turn=turn,
        noisy=source.noisy,
        before_s=before_s,
    )


def named_order(board: Board, order: str | Order) -> tuple[str, Order]:
    """Return an order with its name; an Order that the board does not name gets its blocks'.

    Raises RequestError for what the board does not have.
    """
    wanted = board.order(order)
    if isinstance(order, str):
        return order, wanted
    for name, known in board.orders.items():
        if known == order:
            return name, wanted
    loop = f" | {' '.join(order.loop)}" if order.loop else ""
    return " ".join(order.front) + loop, wanted
