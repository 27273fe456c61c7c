"""From board, order and passage to the steps on the signal's path. No sound is touched here."""

from simchain.amp.settings import Amp
from simchain.board import Board, Order
from simchain.chain.draft import Draft
from simchain.chain.source import Source
from simchain.chain.steps import PAIR, AmpUnit, Path
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
) -> Path:
    """Return the path of a passage, or of any other timeline, in `order`.

    `amp` names the amplifier at the end, or both of a stereo pair joined by `PAIR` (None: the
    board's mixer input). `source_key` stands for
    the sound at the source, `channels` is its number of channels, `turn` shifts free-running
    modulators. With `noisy` every unit and wire hisses.

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
    draft = Draft(timeline, turn, source_key, channels, noisy)
    cables = board.cables
    draft.lay(cables.guitar_m)
    draft.add_blocks(wanted.front)
    if wanted.front:
        draft.lay(cables.amp_m)
    if amp is not None:
        amps = tuple(board.amps[name] for name in amp.split(PAIR))
        _add_amplifiers(draft, amps, wanted.loop)
    else:
        draft.add_end("out", board.output.input_ohm)
    left_out = tuple(name for name in timeline.ever_on if name not in wanted.blocks)
    return Path(order_name, wanted, timeline, amp, tuple(draft.steps), draft.points, left_out)


def path_from(
    source: Source, board: Board, order: str | Order, amp: str | None, *, turn: float = 0.0
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


def _add_amplifiers(draft: Draft, amps: tuple[Amp, ...], loop: tuple[str, ...]) -> None:
    cables = draft.board.cables
    into = [amp.input_ohm for amp in amps]
    draft.add_amplifier("preamp", AmpUnit(amps, "preamp"), "amp.in", "amp.send", into)
    draft.start_from([Output(amp.send_ohm) for amp in amps], channels=len(amps))
    if loop:
        draft.lay(cables.send_m)
        draft.add_blocks(loop)
        draft.lay(cables.return_m)
    shares = tuple(amp.loop_mix for amp in amps)
    mix = shares if loop and min(shares) < 1.0 else None
    into = [amp.return_ohm for amp in amps]
    draft.add_amplifier("power", AmpUnit(amps, "power"), "amp.return", "speaker", into, mix)
    draft.add_amplifier("cabinet", AmpUnit(amps, "cabinet"), None, "out", [])
