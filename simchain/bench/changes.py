"""What a page may ask to have changed on the desk: one function a request."""

from collections.abc import Callable
from typing import Any

from simchain.bench.asked import changes_in, text_in, text_or_none_in, whole_in, yes_in
from simchain.bench.desk import Desk
from simchain.board.wording import shown
from simchain.errors import RequestError

Asked = dict[str, Any]


def _move(desk: Desk, asked: Asked) -> None:
    order, block, to = (text_in(asked, key) for key in ("order", "block", "to"))
    desk.move(order, block, to, whole_in(asked, "at"))


def _orders(desk: Desk, asked: Asked) -> None:
    do, order = text_in(asked, "do"), text_in(asked, "order")
    if do == "copy":
        desk.add("orders", text_in(asked, "name"), like=order)
    elif do == "rename":
        desk.rename("orders", order, text_in(asked, "name"))
    elif do == "remove":
        desk.remove("orders", order)
    else:
        raise RequestError(f"do = {shown(do)}: allowed is copy, remove or rename")


def _tables(desk: Desk, asked: Asked) -> None:
    do, what, name = (text_in(asked, key) for key in ("do", "what", "name"))
    if do == "add":
        kind, like = (text_or_none_in(asked, key) for key in ("kind", "like"))
        desk.add(what, name, kind=kind, like=like)
    elif do == "rename":
        desk.rename(what, name, text_in(asked, "new"))
    elif do == "remove":
        desk.remove(what, name)
    else:
        raise RequestError(f"do = {shown(do)}: allowed is add, remove or rename")


def _change(desk: Desk, asked: Asked) -> None:
    desk.change(changes_in(asked), text_or_none_in(asked, "say") or "")


def _save(desk: Desk, asked: Asked) -> None:
    desk.save(over=yes_in(asked, "over"), file=text_or_none_in(asked, "file"))


CHANGES: dict[str, Callable[[Desk, Asked], None]] = {
    "/move": _move,
    "/orders": _orders,
    "/tables": _tables,
    "/change": _change,
    "/undo": lambda desk, _: desk.undo(),
    "/redo": lambda desk, _: desk.redo(),
    "/save": _save,
    "/reload": lambda desk, _: desk.reload(),
}
