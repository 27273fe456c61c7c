"""How an order becomes series and back: which cables are pulled, added, or only moved."""

from collections.abc import Iterable
from itertools import product
from typing import Any

from simchain.board import Board, Order
from simchain.patch.cables import Cable, Patching, in_series, repatching

Ends = tuple[str, str]


def repatching_facts(board: Board, order: Order) -> dict[str, Any] | None:
    """Return the way between series and split of one sequence; None where there is but one.

    `split` names the order of the board with a loop, or is null where it is the order itself.
    `to_split` and `to_series` list `pulled` and `added` cables, with the `number` of those that
    are cables of `order`; `moved` are stage cables that only change one end. `bag` are the patch
    leads that series needs besides.
    """
    partner = _with_loop(board, order)
    if partner is None:
        return None
    name, split = partner
    series = in_series(split)
    patching = Patching(board)
    in_a_row, in_two = (_by_ends(patching.cables(one)) for one in (series, split))
    on_sheet = {ends: one.number for ends, one in (in_two if order.loop else in_a_row).items()}
    there, back = _way(in_a_row, in_two, on_sheet), _way(in_two, in_a_row, on_sheet)
    spare = [in_a_row[ends] for ends in _added(back)]
    return {
        "split": name,
        "to_split": there,
        "to_series": back,
        "bag": [
            {"from": c.leaves.jack, "to": c.arrives.jack, "metres": c.metres, "buy_m": c.buy_m}
            for c in spare
            if c.kind == "patch"
        ],
    }


def _with_loop(board: Board, order: Order) -> tuple[str | None, Order] | None:
    """Return the split order that shares its sequence with `order`, and its name."""
    if order.loop:
        return None, order
    return next(
        (
            (name, other)
            for name, other in board.orders.items()
            if other.loop and other.blocks == order.blocks
        ),
        None,
    )


def _by_ends(cables: Iterable[Cable]) -> dict[Ends, Cable]:
    return {(cable.leaves.jack, cable.arrives.jack): cable for cable in cables}


def _way(
    before: dict[Ends, Cable], after: dict[Ends, Cable], on_sheet: dict[Ends, int]
) -> dict[str, Any]:
    change = repatching(tuple(before.values()), tuple(after.values()))
    pulled, added = list(change.pulled), list(change.added)
    moved = []
    # The amplifier's end stays where it can: its other end lies on the board, in easy reach.
    for side in ("arrives", "leaves"):
        for old, new in product(change.pulled, change.added):
            if old in pulled and new in added and _only_moves(before[old], after[new], side):
                pulled.remove(old)
                added.remove(new)
                moved.append({**_ends(old), "new_from": new[0], "new_to": new[1]})
    return {
        "pulled": [{**_ends(ends), "number": on_sheet.get(ends)} for ends in pulled],
        "added": [
            {**_ends(ends), "kind": after[ends].kind, "number": on_sheet.get(ends)}
            for ends in added
        ],
        "moved": moved,
    }


def _only_moves(old: Cable, new: Cable, side: str) -> bool:
    """Whether the cable that is there serves, with the end at `side` left where it is."""
    is_shared = getattr(old, side).jack == getattr(new, side).jack
    is_stage = "patch" not in (old.kind, new.kind)
    return is_shared and is_stage and old.buy_m >= new.metres


def _added(way: dict[str, Any]) -> list[Ends]:
    return [(cable["from"], cable["to"]) for cable in way["added"]]


def _ends(ends: Ends) -> dict[str, str]:
    return {"from": ends[0], "to": ends[1]}
