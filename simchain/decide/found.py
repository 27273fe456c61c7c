"""What a search of orders found: the ranking, groups that sound alike, and what it cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from simchain.board import Board, Order

Quality = Literal["coarse", "full"]


@dataclass(frozen=True, eq=False)
class Ranked:
    """One order in the ranking.

    `values` holds what each goal with a weight reads, in the goal's own unit; `costs` how far that
    falls short, in steps that matter, before its weight (0 is as good as it gets). `score` is their
    weighted sum: less is better. `quality` says from which pass the figures are. `group` numbers
    the group of orders that it is expected to sound like; `coarse_place` is its place, from 1, in
    the coarse pass. `unbeaten`: no other order is as good in every goal and better in one.
    """

    order: Order
    score: float
    values: Mapping[str, float]
    costs: Mapping[str, float]
    quality: Quality
    group: int
    coarse_place: int
    unbeaten: bool


@dataclass(frozen=True, eq=False)
class FreePlace:
    """A block of a representative that may stand elsewhere without a difference being expected.

    `orders` are those of the group in which it alone has moved.
    """

    block: str
    orders: tuple[Order, ...]


@dataclass(frozen=True, eq=False)
class Group:
    """Orders between which no difference but that in level is expected, in any passage.

    Every one of `members` is `same` or `free` against the `representative`, its best and first.
    `proved` of them are proved to give the very same sound. `louder_lu`: the largest difference in
    loudness within the group, in LU. `quality` says by which pass they were judged.
    """

    representative: Order
    members: Sequence[Order]
    proved: int
    louder_lu: float
    free_places: tuple[FreePlace, ...]
    quality: Quality


@dataclass(frozen=True)
class Lost:
    """How far the coarse pass went wrong, as far as the full one can tell.

    `tried` orders were rendered again at full quality. The best of them stood at `best_was` in the
    coarse ranking, and the best ten of them at `ten_were` at the latest (from 1).
    """

    tried: int
    best_was: int
    ten_were: int


@dataclass(frozen=True, eq=False)
class Found:
    """What a search found on one amplifier (None: into the mixer), or on several.

    `orders_total` counts all orders of the blocks, `orders_allowed` those that the rules leave,
    `orders_distinct` those that are not proved to sound like another in every passage; all exact,
    but for a search by beam (`beam` wide), which visits `orders_visited` only. `ranking` is best
    first, orders that are proved the same once; `groups` in order of their best.
    `blocks_rendered` counts the steps run in the pass that visits every order, `seconds` what the
    whole took. `weights` are those of the goals that counted.
    """

    board: Board
    amp: str | None
    blocks: tuple[str, ...]
    passages: tuple[str, ...]
    weights: Mapping[str, float]
    orders_total: int
    orders_allowed: int
    orders_visited: int
    orders_distinct: int
    ranking: tuple[Ranked, ...]
    groups: tuple[Group, ...]
    blocks_rendered: int
    seconds: float
    lost: Lost | None = None
    beam: int | None = None
    coarse_rate: int | None = None
    coarse_s: float | None = None
    warnings: tuple[str, ...] = ()
    why: str = ""
