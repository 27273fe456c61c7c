"""Many orders listened to in one pass: what they read for the goals, and which sound alike."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from threading import Event

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.board import Allowed, Board, Order
from simchain.chain.timeline import timeline_of_passage
from simchain.decide.alike import Alike
from simchain.decide.checkpoint import Checkpoint
from simchain.decide.dirt import LEAST_SHARE
from simchain.decide.engine import Engine
from simchain.decide.goals import Readings, Table, on_the_floor, table
from simchain.decide.groups import Orders
from simchain.decide.kept_ear import row_bytes
from simchain.decide.library import Library
from simchain.decide.listen import EARS_BYTES, Listened, Progress, listen
from simchain.decide.plan import Ints, Words
from simchain.decide.runs import Figures, Pass, Run, bursts, music, quiet, whole_s
from simchain.errors import RequestError

Floats = NDArray[np.float64]

# Goals for which something else than music is sent down the orders.
_TESTS = {"floor": quiet, "clarity": bursts}
_FROM_MUSIC = ("lufs", "room_db", "width")


@dataclass(frozen=True, eq=False)
class Asked:
    """What is searched: all that stays the same from pass to pass."""

    board: Board
    amp: str | None
    passages: tuple[str, ...]
    weights: dict[str, float]
    allowed: Allowed
    engine: Engine
    checkpoint: Checkpoint | None = None
    progress: Progress | None = None
    stop: Event | None = None
    library: Library | None = None

    @cached_property
    def reference(self) -> bytes | None:
        """The word of the order that `closeness` compares with; None where it does not count.

        Raises RequestError where it has other blocks than are searched.
        """
        name = self.board.goals.reference
        if "closeness" not in self.weights or name is None:
            return None
        try:
            return bytes(self.allowed.word(self.board.orders[name]))
        except RequestError as error:
            raise RequestError(f"[goals] reference '{name}': {error}") from error

    def modulates(self, passage: str) -> bool:
        """Whether a block that is ever on in a passage sways by itself."""
        return any(block.modulates() for block in self._on_in(passage))

    def echoes(self, passage: str) -> bool:
        """Whether a block that is ever on in a passage makes echoes."""
        return any(block.dry() != block for block in self._on_in(passage))

    def _on_in(self, passage: str) -> list[Block]:
        timeline = timeline_of_passage(self.board, passage)
        return [timeline.block(name) for name in timeline.ever_on]


class Trial:
    """Orders that were listened to in one pass, one for each that is not proved to be another.

    `words`, shape (orders, tokens), are those, each the first of all that are proved the same, or
    the quietest where the goal `floor` counts; the order of the goal `closeness` is among them.
    `members(i)` are the given words that order i stands for. `music` is what was listened to of
    each passage at the modulators' own phase.
    """

    def __init__(self, asked: Asked, how: Pass, given: Words, *, amp: str | None = None) -> None:
        self.asked, self.how, self.amp = asked, how, amp or asked.amp
        self._given, self._reference = _with(given, asked.reference)
        tests = [each for goal in _TESTS if goal in asked.weights for each in self._tests_of(goal)]
        runs = [self._music(passage) for passage in asked.passages]
        listened = self._listen([*runs, *(self._test(*test) for test in tests)], self._given)
        self.music = listened[: len(runs)]
        self._tested = dict(zip(tests, listened[len(runs) :], strict=True))
        leaves = [each.leaf_of for each in self.music]
        self._first, self.class_of = _classes(leaves, self._preference())
        self.words = self._given[self._first]

    def _preference(self) -> Ints:
        """Return the given rows in the sequence in which they may stand for others.

        Hiss is not in the music: where it counts, the quietest stands for what sounds alike. The
        reference comes last, as it may break the rules.
        """
        rows = np.arange(len(self._given), dtype=np.int32)
        floors = [
            listened.figures[listened.leaf_of, 0]
            for (goal, _), listened in self._tested.items()
            if goal == "floor"
        ]
        if floors:
            rows = rows[np.argsort(np.round(np.mean(floors, axis=0), 1), kind="stable")]
        return np.concatenate([rows[rows != self._reference], rows[rows == self._reference]])

    @property
    def board(self) -> Board:
        """The board as it is rendered in this pass."""
        return self.how.board(self.asked.board)

    @cached_property
    def orders(self) -> Sequence[Order]:
        """The orders, one for each word."""
        return Orders(self.asked.allowed, self.words)

    @cached_property
    def counted(self) -> Ints:
        """The orders that are ranked: all, but for a reference order that was not given."""
        numbers = range(len(self.words))
        return np.array([each for each in numbers if len(self.members(each))], dtype=np.int32)

    def number_of(self, word: Words) -> int:
        """Return the number of the order that stands for one of the given words."""
        return self._number_of[word.tobytes()]

    @cached_property
    def _number_of(self) -> dict[bytes, int]:
        numbers = self.class_of.tolist()
        return {word.tobytes(): at for word, at in zip(self._given, numbers, strict=True)}

    def on_amp(self, amp: str) -> "Trial":
        """Return the same orders on another amplifier."""
        return Trial(self.asked, self.how, self.words, amp=amp)

    def members(self, number: int) -> Words:
        """Return the given words that order `number` stands for."""
        rows = self._rows[self._starts[number] : self._starts[number + 1]]
        return np.asarray(self._given[rows[rows != self._reference]])

    @cached_property
    def _rows(self) -> Ints:
        return np.argsort(self.class_of, kind="stable").astype(np.int32)

    @cached_property
    def _starts(self) -> Ints:
        every = np.arange(len(self.words) + 1)
        return np.searchsorted(self.class_of[self._rows], every).astype(np.int32)

    @cached_property
    def keeps_ears(self) -> bool:
        """Whether what the ear has of every sound is kept."""
        return all(ear is not None for each in self.music for ear in each.ears)

    def most_with_ears(self, how: Pass) -> int:
        """Return of how many orders what the ear has of two channels fits into memory in a pass."""
        frames_s = (each.run.volts.shape[1] / self.board.rate for each in self.music)
        if how.longest_s is None and self.how.longest_s is not None:
            frames_s = (whole_s(self.asked.board, name) for name in self.asked.passages)
        rate = how.board(self.asked.board).rate
        each = sum(
            2 * self._takes_of(name, how) * row_bytes(round(seconds * rate), rate)
            for name, seconds in zip(self.asked.passages, frames_s, strict=True)
        )
        return max(1, EARS_BYTES // each)

    @cached_property
    def alike(self) -> Alike:
        """Tells which of the orders are expected to sound alike."""
        asked = self.asked
        first = {
            name: listened.of_orders(self._first)
            for name, listened in zip(asked.passages, self.music, strict=True)
        }
        return Alike(self.board, self.amp, self.orders, first, self._further_takes, asked.stop)

    def _further_takes(self) -> dict[str, list[Listened]]:
        """Listen to passages in which something sways at further phases of it."""
        runs = [
            self._music(name, take=take)
            for name in filter(self.asked.modulates, self.asked.passages)
            for take in range(1, self.how.takes)
        ]
        takes: dict[str, list[Listened]] = {}
        heard = self._listen(runs, self.words, ears_fit=True)
        for run, listened in zip(runs, heard, strict=True):
            takes.setdefault(run.passage, []).append(listened)
        return takes

    def table(self, on_amps: Sequence["Trial"] = ()) -> Table:
        """Return what each order reads and is charged for each goal.

        `on_amps` are the same orders on other amplifiers, for the goal `every_amp`.
        """
        weights = dict(self.asked.weights)
        readings = {name: self._readings(at) for at, name in enumerate(self.asked.passages)}
        return table(
            self.asked.board,
            self.asked.passages,
            readings,
            weights,
            on_the_floor=on_the_floor(self.asked.board, self.orders, weights),
            on_amps=[self._aligned(other) for other in on_amps],
        )

    def _aligned(self, other: "Trial") -> Table:
        """Return the table of another trial for the orders of this one."""
        made = other.table()
        rows = [other.number_of(word) for word in self.words]
        values, costs = (
            {goal: each[rows] for goal, each in columns.items()}
            for columns in (made.values, made.costs)
        )
        return Table(values, costs, made.score[rows])

    def _readings(self, at: int) -> Readings:
        passage, music = self.asked.passages[at], self.music[at]
        figures = music.figures[music.leaf_of[self._first]]
        lufs, room, width = (figures[:, Figures._fields.index(name)] for name in _FROM_MUSIC)
        floor = self._test_read("floor", passage)
        return Readings(
            lufs,
            room,
            width,
            floor_db=None if floor is None else _below(floor, lufs),
            dirt_db=self._dirt_db(passage) if "dirt" in self.asked.weights else None,
            clarity_db=self._test_read("clarity", passage),
            apart=self._apart(passage) if self.asked.reference is not None else None,
        )

    def _tests_of(self, goal: str) -> Iterator[tuple[str, str]]:
        """Yield what is played for a goal: bursts in passages that have echoes, if any has."""
        passages = self.asked.passages
        if goal == "clarity":
            passages = tuple(filter(self.asked.echoes, passages)) or passages
        yield from ((goal, passage) for passage in passages)

    def _test_read(self, goal: str, passage: str) -> Floats | None:
        listened = self._tested.get((goal, passage))
        if listened is None:
            return None
        return np.asarray(listened.figures[listened.leaf_of[self._first], 0])

    def _dirt_db(self, passage: str) -> Floats:
        """Return how much of tones is dirt in each order, over all sets of blocks that are on."""
        shares = self.alike.dirt_shares(passage, range(len(self.words)))
        return np.asarray(10.0 * np.log10(np.array(shares) + LEAST_SHARE))

    def _apart(self, passage: str) -> Floats:
        """Return the score against the reference order; 0 for all where no ears are kept."""
        if not self.keeps_ears:
            return np.zeros(len(self.words))
        reference = self._number_of[self.asked.reference or b""]
        numbers = range(len(self.words))
        return np.array([self.alike.score(passage, reference, number) for number in numbers])

    def _music(self, passage: str, take: int = 0) -> Run:
        tokens, takes = self.asked.allowed.tokens, self._takes_of(passage, self.how)
        board = self.asked.board
        return music(board, passage, tokens, self.amp, self.how, take=take, takes=takes)

    def _takes_of(self, passage: str, how: Pass) -> int:
        return how.takes if self.asked.modulates(passage) else 1

    def _test(self, goal: str, passage: str) -> Run:
        return _TESTS[goal](
            self.asked.board, passage, self.asked.allowed.tokens, self.amp, self.how
        )

    def _listen(
        self, runs: Sequence[Run], words: Words, *, ears_fit: bool = False
    ) -> list[Listened]:
        asked = self.asked
        label = f"{self.how.quality} {self.amp or ''} {_hash_of(words)} "
        return listen(
            asked.engine,
            runs,
            words,
            checkpoint=asked.checkpoint,
            label=label,
            library=asked.library,
            progress=self._progress,
            stop=asked.stop,
            ears_fit=ears_fit,
        )

    def _progress(self, done: int, total: int, what: str) -> None:
        if self.asked.progress:
            self.asked.progress(done, total, f"{self.how.quality} pass, {what}")


def _with(words: Words, more: bytes | None) -> tuple[Words, int]:
    """Return words with one more, and its row if it was not there, else -1; still ascending."""
    if more is None:
        return words, -1
    row = np.frombuffer(more, dtype=np.uint8)
    if (words == row).all(axis=1).any():
        return words, -1
    at = int(sum(word.tobytes() < more for word in words))
    return np.insert(words, at, row, axis=0), at


def _classes(leaves: Sequence[Ints], preference: Ints) -> tuple[Ints, Ints]:
    """Return which row stands for each combination of sounds, and the combination of each row.

    That is the first of them in `preference`; combinations in ascending sequence of these rows.
    """
    _, first, class_of = np.unique(
        np.column_stack(leaves)[preference], axis=0, return_index=True, return_inverse=True
    )
    chosen = preference[first]
    ascending = np.argsort(chosen, kind="stable")
    place = np.empty(len(chosen), dtype=np.int32)
    place[ascending] = np.arange(len(chosen))
    of_rows = np.empty(len(preference), dtype=np.int32)
    of_rows[preference] = place[class_of.ravel()]
    return chosen[ascending].astype(np.int32), of_rows


def _below(floor_lufs: Floats, lufs: Floats) -> Floats:
    """Return a floor against the music: plus infinity where there is none."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isfinite(lufs), floor_lufs - lufs, np.inf)


def _hash_of(words: Words) -> str:
    return hashlib.blake2b(np.ascontiguousarray(words).data, digest_size=8).hexdigest()
