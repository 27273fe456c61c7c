"""A made-up search of the demo board: all 10,080 orders, told apart by a plain rule of our own."""

from dataclasses import replace
from functools import cache
from itertools import permutations
from typing import Any

from simchain.board import Board, Order
from simchain.decide.found import Found, FreePlace, Group, Lost, Ranked

FRONT = ("press", "grit", "push")
OTHERS = ("sweep", "wobble", "room", "repeat")
BLOCKS = ("tuner", *FRONT, *OTHERS)
WEIGHTS = {"levels": 2.0, "headroom": 1.0, "floor": 1.0, "clarity": 0.5}


def allowed_orders() -> list[Order]:
    """The tuner first; press, grit and push in front of the amplifier."""
    return [
        Order(front=("tuner", *sequence[:split]), loop=sequence[split:])
        for sequence in permutations(BLOCKS[1:])
        for split in range(max(map(sequence.index, FRONT)) + 1, len(sequence) + 1)
    ]


def sounds(order: Order) -> tuple[bool, ...]:
    """What is heard of an order, as this made-up search has it."""
    at = {name: place for place, name in enumerate(order.blocks)}
    return (
        at["push"] < at["grit"],
        at["press"] < at["grit"],
        at["repeat"] < at["grit"],
        at["room"] < at["grit"],
        at["repeat"] in range(len(order.front), 99) or at["room"] >= len(order.front),
        at["sweep"] < at["grit"] and at["sweep"] < at["press"],
    )


def values_of(order: Order, nudge: float = 0.0) -> dict[str, float]:
    heard = [float(one) for one in sounds(order)]
    moves = sum(place * BLOCKS.index(name) for place, name in enumerate(order.blocks)) % 17 / 40
    return {
        "levels": 0.3 + 1.1 * heard[0] + 0.4 * (1.0 - heard[1]) + moves + nudge,
        "headroom": 6.0 - 2.5 * heard[0] - 1.5 * heard[4] - moves,
        "floor": -62.0 + 9.0 * heard[1] - 4.0 * heard[4] + moves,
        "clarity": 14.0 - 8.0 * heard[2] - 3.0 * heard[3],
    }


def costs_of(values: dict[str, float]) -> dict[str, float]:
    return {
        "levels": values["levels"] / 0.5,
        "headroom": max(0.0, 6.0 - values["headroom"]) / 3.0,
        "floor": max(0.0, 60.0 + values["floor"]) / 6.0,
        "clarity": max(0.0, 12.0 - values["clarity"]) / 3.0,
    }


def score_of(costs: dict[str, float]) -> float:
    return sum(WEIGHTS[name] * cost for name, cost in costs.items())


def free_places(first: Order, members: list[Order]) -> tuple[FreePlace, ...]:
    found = []
    for block in first.blocks:
        rest = _without(first, block)
        moved = tuple(one for one in members if one != first and _without(one, block) == rest)
        if moved:
            found.append(FreePlace(block, moved))
    return tuple(found)


def _without(order: Order, block: str) -> tuple[tuple[str, ...], ...]:
    return tuple(
        tuple(name for name in part if name != block) for part in (order.front, order.loop)
    )


@cache
def found() -> Found:
    """The whole: what stands in the first sixty places is of the full pass."""
    orders = allowed_orders()
    distinct = [one for place, one in enumerate(orders) if place % 7 in (0, 3)]
    scored = sorted(
        ((score_of(costs_of(values_of(one))), one) for one in distinct),
        key=lambda pair: (round(pair[0], 9), pair[1].blocks),
    )
    by_sound: dict[Any, list[Order]] = {}
    for _, one in scored:
        by_sound.setdefault(sounds(one), [])
    for one in orders:
        if sounds(one) in by_sound:
            by_sound[sounds(one)].append(one)
    numbers = {heard: number for number, heard in enumerate(by_sound)}
    ranking = tuple(
        Ranked(
            order=one,
            score=score,
            values=values_of(one),
            costs=costs_of(values_of(one)),
            quality="full" if place < 60 else "coarse",
            group=numbers[sounds(one)],
            coarse_place=(place * 7) % 60 + 1 if place < 60 else place + 1,
            unbeaten=place in (0, 3, 8, 41),
        )
        for place, (score, one) in enumerate(scored)
    )
    groups = []
    for heard, members in by_sound.items():
        first = next(one for _, one in scored if sounds(one) == heard)
        rest = [one for one in members if one != first]
        groups.append(
            Group(
                representative=first,
                members=(first, *rest),
                proved=len(rest) // 4,
                louder_lu=len(rest) % 23 / 10.0,
                free_places=free_places(first, members),
                quality="full" if len(groups) < 12 else "coarse",
            )
        )
    return Found(
        board=Board(title="Train board"),
        amp="crunch",
        blocks=BLOCKS,
        passages=("verse", "riff", "solo", "intro"),
        weights=WEIGHTS,
        orders_total=362_880,
        orders_allowed=len(orders),
        orders_visited=len(orders),
        orders_distinct=len(distinct),
        ranking=ranking,
        groups=tuple(groups),
        blocks_rendered=48_211,
        seconds=51.3,
        lost=Lost(tried=60, best_was=3, ten_were=41),
        coarse_rate=24_000,
        coarse_s=4.0,
        why=(
            "It keeps every passage within 0.3 LU of where it should sit and has the most room "
            "below the rails; for that it gives up 2.1 dB of noise floor against order 4."
        ),
    )


def two_orders(**more: Any) -> Found:
    """A small one: two orders, one group, as a test wants them."""
    a, b = Order(front=("grit", "push")), Order(front=("push", "grit"))
    values = {"levels": 0.25}
    ranked = Ranked(a, 0.5, values, {"levels": 0.5}, "full", 0, 1, True)
    group = Group(a, (a, b), 1, 0.4, (FreePlace("push", (b,)),), "full")
    made = Found(
        board=Board(title="Two"),
        amp=None,
        blocks=("grit", "push"),
        passages=("riff",),
        weights={"levels": 1.0},
        orders_total=2,
        orders_allowed=2,
        orders_visited=2,
        orders_distinct=2,
        ranking=(ranked, replace(ranked, order=b, score=0.75, unbeaten=False)),
        groups=(group,),
        blocks_rendered=4,
        seconds=0.5,
    )
    return replace(made, **more)
