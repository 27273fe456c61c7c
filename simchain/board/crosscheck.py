"""What one table says about another, and what is asked for that is not simulated yet."""

from collections.abc import Iterable, Iterator
from typing import Any

from pydantic import ValidationError

from simchain.amp.settings import Amp
from simchain.blocks.base import Block
from simchain.board.level_controls import allowed_controls, control_fault
from simchain.board.models import OF_THE_UNIT, Board, Event, Order, Passage, with_settings
from simchain.board.names import Names
from simchain.board.wording import Findings, key_shown, shown, with_article
from simchain.errors import nearest
from simchain.settings import Settings, movable_in, unit_of


def add_problems(board: Board, names: Names, found: Findings) -> None:
    """Add to `found` where tables do not fit each other, or ask for what is not simulated yet."""
    check = _Crosscheck(board, names, found)
    check.ends()
    for name, order in board.orders.items():
        check.order(name, order)
    for name, passage in board.passages.items():
        check.passage(name, passage)
    check.targets()
    for name, song in board.songs.items():
        check.known("passages", song.passages, f"songs.{key_shown(name)}", "passages")
    check.rules_and_wishes()
    for name, block in board.blocks.items():
        check.block(f"blocks.{key_shown(name)}", block)
    for name, amp in board.amps.items():
        check.amp(f"amps.{key_shown(name)}", amp)


class _Crosscheck:
    def __init__(self, board: Board, names: Names, found: Findings):
        self.board, self.names, self.found = board, names, found

    def known(
        self, family: str, given: Iterable[str], table: str, key: str, *, once: bool = False
    ) -> None:
        """Add a problem for each name that the board does not have, or that stands there twice."""
        seen: dict[str, int] = {}
        for name in given:
            seen[name] = seen.get(name, 0) + 1
        known = self.names[family]
        # A name with capitals is told of where it is given, not again where it is used without.
        small = {name.lower() for name in known}
        for name, times in seen.items():
            if name not in known and name not in small:
                thing = "amplifier" if family == "amps" else family.removesuffix("s")
                hint = nearest(name, known) or _there_are(known)
                text = f"{key}: the board has no {thing} {shown(name)}{hint}"
                self.found.add(table, key, text, value=name, allowed=", ".join(known))
            elif once and times > 1:
                text = f"{key}: {shown(name)} stands there {_times(times)}; once is allowed"
                self.found.add(table, key, text, value=name, allowed="each name once")

    def ends(self) -> None:
        board, found = self.board, self.found
        amps = board.output.amps
        self.known("amps", amps, "output", "amps", once=True)
        if len(amps) > 2:
            text = f"amps = {shown(amps)}: one amplifier, or two for stereo, are allowed"
            found.add("output", "amps", text, value=amps, allowed="one or two names")

    def order(self, name: str, order: Order) -> None:
        table = f"orders.{key_shown(name)}"
        both = set(order.front) & set(order.loop)
        for key, stretch in (("front", order.front), ("loop", order.loop)):
            self.known("blocks", stretch, table, key, once=True)
        for block in sorted(both):
            text = f"loop: {shown(block)} stands in front too; a block has one place in an order"
            self.found.add(table, "loop", text, value=block, allowed="each block once")
        if order.loop and not self.board.output.amps:
            blocks = ", ".join(key_shown(block) for block in order.loop)
            text = (
                f"loop = {shown(order.loop)}: a split needs an amplifier, and this board ends at "
                f"a mixer; put {blocks} in front, or describe an amplifier in [amps.NAME]"
            )
            self.found.add(table, "loop", text, value=order.loop, allowed="an empty loop")

    def passage(self, name: str, passage: Passage) -> None:
        table = f"passages.{key_shown(name)}"
        self.known("blocks", passage.on, table, "on", once=True)
        if passage.above is not None:
            self.known("passages", [passage.above.passage], table, "above")
        for block, changes in passage.set.items():
            self._changes(table, block, changes)
        for number, event in enumerate(passage.events, start=1):
            self._event(table, f"events, entry {number}", event)

    def targets(self) -> None:
        """Add a problem for each passage that is, step by step, meant to be above itself."""
        told: set[str] = set()
        for start in self.board.passages:
            trail: list[str] = []
            name: str | None = start
            while name is not None and name not in trail:
                trail.append(name)
                passage = self.board.passages.get(name)
                name = passage.above.passage if passage and passage.above else None
            if name == start and start not in told:
                told.update(trail)
                circle = " above ".join(key_shown(each) for each in (*trail, start))
                text = f"above: goes in a circle ({circle}); one passage stands on its own"
                self.found.add(f"passages.{key_shown(start)}", "above", text, value=trail[-1])

    def rules_and_wishes(self) -> None:
        board = self.board
        for key, block in board.rules.blocks():
            self.known("blocks", [block], "rules", key)
        for control in board.set_levels.controls:
            self._level_control(control)
        if board.goals.reference is not None:
            self.known("orders", [board.goals.reference], "goals", "reference")

    def block(self, table: str, block: Block) -> None:
        """Add a problem where a block's settings ask for what is not simulated, or contradict."""
        for sentence in self._unsimulated(block):
            self.found.add(table, "", sentence)
        given = block.supply_range_volts
        if given is not None and not 0 < given[0] <= given[1]:
            text = (
                f"supply_range_volts = {shown(given)}: the lowest voltage, above 0, and then the "
                "highest are wanted"
            )
            self.found.add(table, "supply_range_volts", text, value=given, allowed="[low, high]")

    def amp(self, table: str, amp: Amp) -> None:
        """Add a problem where an amplifier asks for what is not simulated yet."""
        says = getattr(amp, "not_yet", None)
        if says is not None and (sentence := says()):
            self.found.add(table, "", sentence)

    def _unsimulated(self, block: Block) -> Iterator[str]:
        if sentence := block.not_yet():
            yield sentence
        refused_at = getattr(block, "refused_at", None)
        if refused_at is not None and (sentence := refused_at(self.board.rate)):
            yield sentence

    def _changes(self, table: str, name: str, changes: dict[str, Any]) -> None:
        """Check what a passage sets on one block."""
        where = f"{table}.set.{key_shown(name)}"
        if name == "source":
            self._changes_of_source(where, changes)
            return
        if name not in self.names["blocks"]:
            self.known("blocks", [name], table, "set")
            return
        block = self.board.blocks.get(name)
        if block is None:
            return
        fixed = [key for key in changes if key in OF_THE_UNIT or key == "kind"]
        for key in fixed:
            text = f"{key}: belongs to the unit and cannot change from passage to passage"
            self.found.add(where, key, text, value=changes[key])
        allowed = {key: value for key, value in changes.items() if key not in fixed}
        try:
            changed = with_settings(block, allowed)
        except ValidationError as error:
            self.found.add_invalid(error, type(block), where, with_article(block.kind))
            return
        for sentence in self._unsimulated(changed):
            if sentence not in self._unsimulated(block):
                self.found.add(where, "", sentence)

    def _changes_of_source(self, where: str, changes: dict[str, Any]) -> None:
        """Check what a passage sets on the guitar: its volume and tone."""
        pickup = self.board.source.pickup
        movable = movable_in(type(pickup))
        known = " and ".join(sorted(movable)) or "nothing: only a guitar has volume and tone"
        for key in [key for key in changes if key not in movable]:
            text = f"{key}: cannot change from passage to passage; of the source can: {known}"
            self.found.add(where, key, text, value=changes[key], allowed=known)
        allowed = {key: value for key, value in changes.items() if key in movable}
        try:
            with_settings(pickup, allowed)
        except ValidationError as error:
            what = f"the pickup of a {self.board.source.kind} source"
            self.found.add_invalid(error, type(pickup), where, what)

    def _event(self, table: str, key: str, event: Event) -> None:
        """Check one event: its block, what is done to it, and the controls that move."""
        when = f"{key}, at {event.at:g} s"
        if event.block == "source":
            if event.do is not None:
                text = f'{when}: the source cannot be switched; block = "source" goes with set'
                self.found.add(table, key, text, value=event.do)
            else:
                self._moved(table, when, self.board.source.pickup, event)
            return
        if event.block not in self.names["blocks"]:
            self.known("blocks", [event.block], table, when)
            return
        block = self.board.blocks.get(event.block)
        if block is None:
            return
        if event.do is None:
            self._moved(table, when, block, event)
        elif event.do not in ("on", "off") and block.loop is None:
            text = f"{when}: {with_article(block.kind)} has no loop to {event.do}"
            self.found.add(table, key, text, value=event.do, allowed='do = "on" or do = "off"')

    def _moved(self, table: str, when: str, settings: Settings, event: Event) -> None:
        """Check the controls that an event moves."""
        movable = movable_in(type(settings))
        known = ", ".join(sorted(movable)) or "none"
        for control in [control for control in event.set if control not in movable]:
            hint = nearest(control, movable) or f"; can move: {known}"
            text = f"{when}: {shown(control)} of '{event.block}' cannot move during a passage{hint}"
            self.found.add(table, control, text, value=event.set[control], allowed=known)
        moved = {control: value for control, value in event.set.items() if control in movable}
        try:
            changed = with_settings(settings, moved)
        except ValidationError as error:
            what = "the source" if event.block == "source" else f"'{event.block}'"
            self.found.add_invalid(error, type(settings), table, f"{when}, {what}")
            return
        for control in moved:
            in_log = unit_of(type(settings).model_fields[control]) == "Hz"
            if in_log and 0 in (settings.standing(control), changed.standing(control)):
                text = f"{when}: {control} moves from or to 0 Hz, which is off; name a frequency"
                self.found.add(table, control, text, value=event.set[control], allowed="above 0")

    def _level_control(self, control: str) -> None:
        name, _, setting = control.partition(".")
        block = self.board.blocks.get(name)
        if not setting:
            text = f'controls: {shown(control)}: a control is written "BLOCK.CONTROL"'
            self.found.add("set_levels", "controls", text, value=control, allowed="BLOCK.CONTROL")
        elif name not in self.names["blocks"]:
            self.known("blocks", [name], "set_levels", "controls")
        elif block is not None and (fault := control_fault(setting, block)):
            text = f"controls: {fault}"
            allowed = allowed_controls(block)
            self.found.add("set_levels", "controls", text, value=control, allowed=allowed)


def _there_are(known: tuple[str, ...]) -> str:
    if not known:
        return ""
    more = f" and {len(known) - 12} more" if len(known) > 12 else ""
    return f"; there are: {', '.join(key_shown(name) for name in known[:12])}{more}"


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"
