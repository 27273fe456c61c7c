"""What `simchain plan --json` prints and the sheets are made from: cables, power, checks, stage."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import simchain
from simchain.blocks import Block
from simchain.board import Board, Order
from simchain.chain.render import amp_name, render
from simchain.chain.steps import PAIR
from simchain.chain.unchanged import of_unchanged_sounds
from simchain.decide.parallel import in_parallel
from simchain.patch.cables import Cable, Patching, to_buy, unheard_sides
from simchain.patch.higher_volts import HigherVolts, headroom_gained
from simchain.patch.places import in_rows
from simchain.patch.power import Assignment, assign
from simchain.patch.tones import FED_VOLTS, TONES_HZ, Expected, expected_tones
from simchain.patch.units import units_in
from simchain.report.numbers import number
from simchain.report.plan_faults import howls_hz
from simchain.report.plan_power import power_facts
from simchain.report.plan_repatching import repatching_facts
from simchain.report.plan_stage import controls_facts, event_facts
from simchain.report.wording import spoken

Progress = Callable[[int, int, str], None]
Tones = dict[str, dict[float, dict[str, Expected]]]

SPARES = 1  # of each group to buy (common practice, no source)
TONE_FILES = {hz: f"tone-{hz:.0f}-hz.wav" for hz in TONES_HZ}
DOTS_A_UNIT, DOTS_A_WIDE_UNIT, WIDE_MM, DOTS_FOR_THE_SUPPLY = 4, 6, 100.0, 6


@dataclass(frozen=True, eq=False)
class Plan:
    """An order on its way to the floor.

    `board` ends at the amplifiers that were asked for. `sides` say where two channels meet one
    jack; `is_in_rows` tells that the units' places are not the file's. `tones` are volts by
    passage, tone in Hz and test point, `lufs` the loudness of each passage at the output. `gained`
    is what a higher voltage would bring. `warnings` name what is to be mended or known.
    """

    board: Board
    name: str
    order: Order
    cables: tuple[Cable, ...]
    power: Assignment
    gained: tuple[HigherVolts, ...]
    tones: Tones
    lufs: dict[str, float]
    sides: tuple[str, ...]
    places: tuple[str, ...]
    is_in_rows: bool
    warnings: tuple[str, ...]


@of_unchanged_sounds
def plan(
    board: Board,
    order: str | Order,
    *,
    amp: str | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Return the plan of `order`: each passage is rendered once, and once more for each tone.

    Only where a unit would gain headroom by a higher voltage that an outlet gives, the passages in
    which it is on are rendered once more as they are and once for each such voltage. `amp` puts an
    amplifier of the board in place of those in [output]. `progress` is told how many renders are
    done, of how many, and which was the last.

    Raises RequestError for names that the board does not have, ClipError for its clips.
    """
    board = _ending_at(board, amp_name(board, amp))
    chosen = board.order(order)
    name = order if isinstance(order, str) else " ".join(chosen.blocks)
    power = assign(board, chosen)
    patching = Patching(board)
    sides = tuple(unheard_sides(board, chosen))
    places = tuple(patching.floorplan(chosen).warnings())
    lufs, tones = _rendered(board, chosen, progress)
    able = [p for p in board.passages if _may_gain(board, chosen, p)]
    return Plan(
        board=board,
        name=name,
        order=chosen,
        cables=patching.cables(chosen),
        power=power,
        gained=headroom_gained(board, chosen, able),
        tones=tones,
        lufs=lufs,
        sides=sides,
        places=places,
        is_in_rows=bool(in_rows(board, units_in(board, chosen.blocks))),
        warnings=(*(fault.text for fault in power.faults), *sides, *places),
    )


def _ending_at(board: Board, amp: str | None) -> Board:
    ends = tuple(amp.split(PAIR)) if amp else ()
    return board.model_copy(update={"output": board.output.model_copy(update={"amps": ends})})


def _may_gain(board: Board, order: Order, passage: str) -> bool:
    """Whether a block is on in the passage that would take more than it is rendered with."""
    part = board.passage(passage)
    on = {*part.on, *(event.block for event in part.events if event.do == "on")}
    return any(
        limits[1] > board.blocks[name].supply_volts
        for name in on.intersection(order.blocks)
        if (limits := board.blocks[name].supply_range_volts) is not None
    )


def _rendered(
    board: Board, order: Order, progress: Progress | None
) -> tuple[dict[str, float], Tones]:
    """Return loudness and tones of every passage, as many renders at once as there are cores."""
    jobs = [(passage, hz) for passage in board.passages for hz in (None, *TONES_HZ)]

    def made(job: tuple[str, float | None]) -> Any:
        passage, hz = job
        if hz is None:
            return render(board, order, passage, points=False).output.integrated_lufs
        return expected_tones(board, order, [passage], [hz])[passage][hz]

    def told(done: int, job: tuple[str, float | None]) -> None:
        if progress:
            passage, hz = job
            what = f"{spoken(passage)}, {hz:g} Hz" if hz else spoken(passage)
            progress(done, len(jobs), what)

    found = dict(zip(jobs, in_parallel(made, jobs, each=told), strict=True))
    lufs = {passage: found[passage, None] for passage in board.passages}
    tones = {passage: {hz: found[passage, hz] for hz in TONES_HZ} for passage in board.passages}
    return lufs, tones


def plan_document(plan: Plan, file: str | None = None) -> dict[str, Any]:
    """Return what `simchain plan --json` prints.

    `power` lists the outlets in use: `ma` is what their units need with a fifth to spare,
    `higher` whether it gives more than the lowest voltage in use.
    `tones` are mV at the jacks, by passage and tone; `rough` marks what lies behind an echo or a
    room. `howls_hz` are resonances at which an acoustic guitar's body may feed back. `file` is null
    where no sheets were written.
    """
    board = plan.board
    return {
        "simchain": simchain.__version__,
        "title": board.title,
        "order": plan.name,
        "front": list(plan.order.front),
        "in_loop": list(plan.order.loop),
        "amps": list(board.output.amps),
        "cables": [cable_facts(cable) for cable in plan.cables],
        "to_buy": _to_buy(plan.cables),
        "not_to_buy": [cable.number for cable in plan.cables if cable.plugs is None],
        "repatching": repatching_facts(board, plan.order),
        "sides": list(plan.sides),
        "places": list(plan.places),
        "in_rows": plan.is_in_rows,
        **power_facts(plan.power, plan.gained),
        "tones": _tones(plan),
        "counts": _counts(plan),
        "passages": _passages(plan),
        "controls": controls_facts(board, plan.order),
        "howls_hz": howls_hz(board, plan.order),
        "warnings": list(plan.warnings),
        "file": file,
    }


def cable_facts(cable: Cable) -> dict[str, Any]:
    """Return a cable for JSON; sides and plugs are null where there is nothing to say."""
    return {
        "number": cable.number,
        "from": cable.leaves.jack,
        "to": cable.arrives.jack,
        "metres": cable.metres,
        "kind": cable.kind,
        "buy_m": cable.buy_m,
        "from_side": cable.leaves.side,
        "to_side": cable.arrives.side,
        "from_plug": cable.leaves.plug,
        "to_plug": cable.arrives.plug,
        "stereo": cable.is_stereo,
        "measured": cable.is_measured,
    }


def _to_buy(cables: Sequence[Cable]) -> list[dict[str, Any]]:
    return [
        {
            "use": use,
            "buy_m": metres,
            "plugs": list(plugs),
            "needed": needed,
            "spare": SPARES,
            "buy": needed + SPARES,
        }
        for (use, metres, plugs), needed in to_buy(cables).items()
    ]


# Checks


def _tones(plan: Plan) -> dict[str, Any]:
    return {
        "fed_mv": 1e3 * FED_VOLTS,
        "files": list(TONE_FILES.values()),
        "passages": {
            passage: {
                f"{hz:g}": {
                    jack: _reading(read[point], is_rough)
                    for jack, point, is_rough in _jacks(plan, passage)
                    if point in read
                }
                for hz, read in by_tone.items()
            }
            for passage, by_tone in plan.tones.items()
        },
    }


def _reading(expected: Expected, is_rough: bool) -> dict[str, Any]:
    return {
        "mv": 1e3 * expected.volts,
        "low_mv": 1e3 * expected.low,
        "high_mv": 1e3 * expected.high,
        "sways": expected.sways,
        "rough": is_rough,
    }


def _jacks(plan: Plan, passage: str) -> Iterator[tuple[str, str, bool]]:
    """Yield jacks that a meter can reach, their test points, and whether an echo is before them."""
    board, on = plan.board, plan.board.passage(passage).on
    amps = ("amp", "amp2")[: len(board.output.amps)]
    is_rough = False
    for row, entry in ((plan.order.front, "in"), (plan.order.loop, "return")):
        if entry == "return":
            if not row:
                break
            yield from ((f"{amp}.send", f"{amp}.send", is_rough) for amp in amps)
        for unit in units_in(board, row):
            yield f"{unit.name}.in", f"{unit.blocks[0]}.in", is_rough
            is_rough |= any(name in on and _rings(board.blocks[name]) for name in unit.blocks)
            yield f"{unit.name}.out", f"{unit.blocks[-1]}.out", is_rough
        yield from ((f"{amp}.{entry}", f"{amp}.{entry}", is_rough) for amp in amps)


def _rings(block: Block) -> bool:
    """Whether a steady tone meets its own echoes in it: delays and reverbs, that have trails."""
    return "trails" in type(block).model_fields


def _counts(plan: Plan) -> dict[str, int]:
    """Count ties and dots by the rule that `plan_words` tells (common practice, no source)."""
    units = [*units_in(plan.board, plan.order.front), *units_in(plan.board, plan.order.loop)]
    plugs = [plug for fed in plan.power.outlets for plug in fed.plugs] + [*plan.power.unpowered]
    sizes = [unit.size_mm for unit in {unit.housing: unit for unit in units}.values()]
    dots = [DOTS_A_WIDE_UNIT if size and size[0] > WIDE_MM else DOTS_A_UNIT for size in sizes]
    supply = DOTS_FOR_THE_SUPPLY if plan.board.supply.outlets else 0
    patches = sum(cable.kind == "patch" for cable in plan.cables)
    return {"ties": patches + len(plugs), "dots": sum(dots) + supply}


# Stage


def _passages(plan: Plan) -> dict[str, dict[str, Any]]:
    first = next(iter(plan.lufs.values()), 0.0)
    return {
        name: {
            "on": [block for block in plan.order.blocks if block in passage.on],
            "events": event_facts(plan.board, plan.order, name),
            "integrated_lufs": number(plan.lufs[name]),
            "lu_against_first": number(plan.lufs[name] - first),
            "lu_above": passage.above
            and number(plan.lufs[name] - plan.lufs[passage.above.passage]),
            "above": passage.above and {"passage": passage.above.passage, "lu": passage.above.lu},
        }
        for name, passage in plan.board.passages.items()
    }
