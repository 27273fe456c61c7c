"""A board's text while it is edited: moves, changes, undo, redo, saving. No web."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from simchain import files
from simchain.bench.desk_tables import with_table, with_table_renamed, without_table
from simchain.board import Board, new_board, read_board, starter
from simchain.board.read import LARGEST_FILE, text_of
from simchain.board.wording import shown
from simchain.board.write import updated
from simchain.errors import BoardError, RequestError, SimchainError, one_line, unknown_name

# So many changes can be taken back.
MOST_STEPS = 1000
LONGEST_SAY = 120
LONGEST_FILE_NAME = 100


class ConflictError(SimchainError):
    """What is asked does not go with what has happened meanwhile: nothing is changed."""


@dataclass(frozen=True)
class _Sheet:
    """A text that loads as a board, which change it came by, and in words what was done."""

    text: str
    board: Board
    say: str = ""
    revision: int = 0


class Desk:
    """One board while it is edited.

    Every change is made in the board's TOML text and read back as a board before it counts: one
    that would not load raises BoardError or RequestError and leaves all as it was. `revision`
    counts changes, undo and redo.
    """

    def __init__(self, text: str, folder: Path, file: Path | None = None) -> None:
        """Take a board's `text` to the desk; `file` is where it was read from, if it has a file.

        Raises BoardError for a text that does not load.
        """
        self.folder, self.file = folder, file
        self._on_disk = text if file else None
        self._now = _Sheet(text, self._read(text))
        self._past: list[_Sheet] = []
        self._ahead: list[_Sheet] = []

    @classmethod
    def opened(cls, path: Path) -> "Desk":
        """Open a board file. Raises BoardError."""
        return cls(text_of(path), path.parent, path)

    @classmethod
    def begun(cls, name: str, folder: Path, file: str | None = None) -> "Desk":
        """Begin with a starter, written as `file` into `folder` or, without one, not saved yet.

        Raises RequestError for an unknown starter or a name no file can have, OutputError when
        something is there already.
        """
        if file is None:
            return cls(starter(name), folder)
        path = folder / checked_file_name(file)
        new_board(path, name)
        return cls.opened(path)

    @property
    def board(self) -> Board:
        """The board as it stands."""
        return self._now.board

    @property
    def revision(self) -> int:
        """How many changes there have been, undo and redo among them."""
        return self._now.revision

    def standing(self) -> tuple[int, Board]:
        """Return the revision and its board, which belong together in the midst of a change too."""
        now = self._now
        return now.revision, now.board

    @property
    def text(self) -> str:
        """Its TOML text."""
        return self._now.text

    @property
    def saved(self) -> bool:
        """Whether the file holds what the desk holds, as far as the desk knows."""
        return self._now.text == self._on_disk

    @property
    def would_undo(self) -> str | None:
        """What undo would take back, in words."""
        return self._now.say if self._past else None

    @property
    def would_redo(self) -> str | None:
        """What redo would do once more, in words."""
        return self._ahead[-1].say if self._ahead else None

    # Changes

    def move(self, order: str, block: str, to: str, at: int) -> None:
        """Put `block` at place `at` of a stretch of `order`: front or loop.

        Places count once the block was taken out. A block that the order leaves out is put in.
        """
        stretches = self._stretches(order)
        self._refuse_unknown_block(block)
        if to not in stretches:
            raise RequestError(f"to = {shown(to)}: allowed is front or loop")
        was_in = block in stretches["front"] + stretches["loop"]
        moved = {key: [name for name in names if name != block] for key, names in stretches.items()}
        if not 0 <= at <= len(moved[to]):
            raise RequestError(f"at = {shown(at)}: {to} of '{order}' has 0 to {len(moved[to])}")
        moved[to].insert(at, block)
        self._take_lists(
            order, stretches, moved, f"{block} {'moved in' if was_in else 'put into'} {order}"
        )

    def add(
        self, family: str, name: str, *, kind: str | None = None, like: str | None = None
    ) -> None:
        """Add a table to a family: blocks, amps, orders, passages or songs; see `with_table`."""
        text = with_table(self.text, family, name, kind=kind, like=like)
        self._take(text, f"{like} copied as {name}" if like else f"{name} added")

    def remove(self, family: str, name: str) -> None:
        """Take a table off the board, and what refers to it out of all the others."""
        self._take(without_table(self.text, family, name), f"{name} removed")

    def rename(self, family: str, name: str, new: str) -> None:
        """Give a table another name, also wherever the board refers to it."""
        self._take(with_table_renamed(self.text, family, name, new), f"{name} renamed {new}")

    def change(self, changes: Mapping[tuple[str, ...], Any], say: str) -> None:
        """Make changes in the text, all or none; see `board.write.updated`. `say`: in words."""
        try:
            text = updated(self.text, changes)
        except RecursionError:
            raise RequestError("a value is nested too deeply to be in a board") from None
        self._take(text, one_line(say)[:LONGEST_SAY] or "a change")

    def undo(self) -> None:
        """Take the last change back. Raises ConflictError when there is none."""
        if not self._past:
            raise ConflictError("there is nothing to undo")
        self._ahead.append(self._now)
        self._now = replace(self._past.pop(), revision=self.revision + 1)

    def redo(self) -> None:
        """Do once more what was taken back. Raises ConflictError when there is nothing."""
        if not self._ahead:
            raise ConflictError("there is nothing to redo")
        self._past.append(self._now)
        self._now = replace(self._ahead.pop(), revision=self.revision + 1)

    # The file

    def save(self, *, over: bool = False, file: str | None = None) -> None:
        """Write the text to its file, whole or not at all; a board without a file needs a name.

        Raises ConflictError when the file is no longer what was read or saved last, unless `over`;
        OutputError when it cannot be written.
        """
        if self.file is not None:
            path = self.file
        elif file is not None:
            path = self.folder / checked_file_name(file)
        else:
            raise RequestError("this board has no file yet: give a name, such as board.toml")
        there = path.resolve()
        with files.alone_in(there.parent):  # another bench may be saving the same board
            if not over:
                self._refuse_if_changed(path)
            files.write_text(there, self.text)
        self.file, self._on_disk = path, self.text

    def reload(self) -> None:
        """Take what is in the file now; undo gives back what was on the desk.

        Raises BoardError when the file is gone or does not load.
        """
        if self.file is None:
            raise RequestError("this board has no file to read again")
        text = text_of(self.file)
        self._take(text, f"{self.file.name} read again")
        self._on_disk = text

    def _refuse_if_changed(self, path: Path) -> None:
        is_there = os.path.lexists(path)
        if self.file is None:
            if is_there:
                raise ConflictError(f"{path.name} is there already")
            return
        if not is_there:
            raise ConflictError(
                f"{path.name} was taken away by another program since it was read: save over it "
                "to have it there again"
            )
        try:
            there = text_of(path)
        except BoardError as error:
            raise ConflictError(str(error)) from error
        if there != self._on_disk:
            raise ConflictError(
                f"{path.name} was changed by another program since it was read: read it again, or "
                "save over it"
            )

    # Taking a text

    def _take_lists(
        self,
        order: str,
        before: Mapping[str, list[str]],
        after: Mapping[str, list[str]],
        say: str,
    ) -> None:
        changes: dict[tuple[str, ...], list[str]] = {
            ("orders", order, key): names for key, names in after.items() if names != before[key]
        }
        self._take(updated(self.text, changes), say)

    def _take(self, text: str, say: str) -> None:
        """Make `text` what is on the desk, once it loads."""
        if text == self.text:
            return
        sheet = _Sheet(text, self._read(text), say, self.revision + 1)
        self._past = [*self._past, self._now][-MOST_STEPS:]
        self._now, self._ahead = sheet, []

    def _read(self, text: str) -> Board:
        if len(text.encode()) > LARGEST_FILE:
            raise RequestError(f"a board file has {LARGEST_FILE // 1_000_000} MB at most")
        return read_board(text, file=str(self.file or "board.toml"), folder=self.folder)

    def _stretches(self, order: str) -> dict[str, list[str]]:
        """Return the blocks of an order as its two lists."""
        found = self.board.order(order)
        return {"front": list(found.front), "loop": list(found.loop)}

    def _refuse_unknown_block(self, name: str) -> None:
        if name not in self.board.blocks:
            raise unknown_name("block", name, self.board.blocks)


def checked_file_name(name: str) -> str:
    """Return the name of a board file to make beside others; nothing that leads elsewhere.

    A name without an ending gets its own. Raises RequestError.
    """
    if name and "." not in name:
        name = f"{name}.toml"
    plain = Path(name).name == name and not set(name) & set('\\/:*?"<>|')
    fits = name.endswith(".toml") and not name.startswith(".") and len(name) <= LONGEST_FILE_NAME
    if not (plain and fits and name.isprintable()):
        raise RequestError(f"file = {shown(name)}: a plain name that ends in .toml is wanted")
    return name
