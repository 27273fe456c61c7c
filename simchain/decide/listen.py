"""Sounds sent down many orders at once: planned, cut into branches, grown by an engine.

What is found does not depend on the engine, nor on how often a search was stopped and taken up.
"""

import hashlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from threading import Event
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.chain.step import Tally
from simchain.chain.tree import Branch, Ground, Grown, branches, grow, peak_of
from simchain.decide.checkpoint import Checkpoint
from simchain.decide.engine import Engine
from simchain.decide.kept_ear import Row
from simchain.decide.library import Library, Notes
from simchain.decide.parallel import Stop
from simchain.decide.plan import Ints, Swap, Words, plan_of, too_hot
from simchain.decide.runs import Run

Floats = NDArray[np.float64]

# What the ears of all sounds may take together, in all takes; where it is more, they are not kept.
EARS_BYTES = 200_000_000

# A tree is cut into so many branches or so, however many workers there are: a checkpoint then fits
# whatever goes on from it.
_BRANCHES = 64
_LEAST_NODES = 12

Progress = Callable[[int, int, str], None]


@dataclass(eq=False)
class Listened:
    """One run at the end of all orders.

    `leaf_of` numbers the sound of each order. `figures`, shape (sounds, figures), are what was
    read of each, `ears` what the ear has of it where that is kept. `barred` counts swaps that
    were not proved because of a rail. `tally` counts units run and their seconds, `reading_s` those
    of reading.
    """

    run: Run
    leaf_of: Ints
    figures: Floats
    ears: list[Row | None]
    barred: int = 0
    tally: Tally = field(default_factory=Tally)
    reading_s: float = 0.0

    def of_orders(self, numbers: Ints) -> "Listened":
        """Return it for some of the orders only."""
        return replace(self, leaf_of=self.leaf_of[numbers])


class _Work:
    """A run, its plan, and what is known of it so far.

    Where it goes on from one `before`, that one has given up its plan: two are never there at once.
    """

    def __init__(
        self,
        run: Run,
        words: Words,
        label: str,
        known: Notes | None,
        before: "_Work | None" = None,
        hot: Collection[Swap] = (),
    ) -> None:
        self.run, self.label = run, label
        self.barred: frozenset[Swap] = (before.barred if before else frozenset()) | set(hot)
        self.plan = plan_of(run.ground, words, run.volts.shape[1], self.barred)
        self.peaks = np.full((len(self.plan.tree.parents), 2), np.nan)
        self.is_read = np.zeros(self.plan.leaves, dtype=np.bool_)
        self.figures = np.empty((self.plan.leaves, 0))
        self.ears: dict[int, Row] = {}
        self.tally: Tally = before.tally if before else Tally()
        self.reading_s: float = before.reading_s if before else 0.0
        if known is not None:
            self._take_from(known)
        self.peaks[0] = np.nan, peak_of(run.volts)
        self.wanted = self._wanted()

    def _take_from(self, known: Notes) -> None:
        tree = self.plan.tree
        rows = known.rows(tree.keys)
        self.peaks[rows >= 0] = known.peaks[rows[rows >= 0]]
        sounds = np.where(rows >= 0, known.sounds[rows], -1)
        read = (sounds >= 0) & (tree.leaves >= 0)
        leaves, sounds = tree.leaves[read], sounds[read]
        self._room_for(known.figures.shape[1])
        self.figures[leaves], self.is_read[leaves] = known.figures[sounds], True
        for leaf, sound in zip(leaves.tolist(), sounds.tolist(), strict=True):
            ear = known.ears[sound]
            if ear is not None:
                self.ears[leaf] = ear

    def _room_for(self, figures: int) -> None:
        """Make room for so many figures of each sound; how many is known once one was read."""
        if self.figures.shape[1] != figures:
            self.figures = np.full((self.plan.leaves, figures), np.nan)

    def _wanted(self) -> NDArray[np.bool_]:
        """Return the nodes to be run: what is not read yet, and blocks with peaks not known.

        Some of those lead to nothing new: they are run to know that neighbours commute.
        """
        tree = self.plan.tree
        unread = (tree.leaves >= 0) & ~self.is_read[tree.leaves]
        return np.asarray(unread | (tree.blocks & np.isnan(self.peaks[:, 1])))

    def notes(self) -> Notes:
        """Return what is known, all leaves having been read."""
        tree = self.plan.tree
        return Notes(tree.keys, self.peaks, tree.leaves, self.figures, self._all_ears())

    def _all_ears(self) -> list[Row | None]:
        return [self.ears.get(leaf) for leaf in range(self.plan.leaves)]

    @property
    def name(self) -> str:
        return f"{self.label}{self.run.name}, without {len(self.barred)} swaps"

    def ear_bytes(self) -> int:
        """Return about how much memory the ears of all sounds take."""
        return self.plan.leaves * self.run.ear_bytes()

    def too_hot(self) -> set[Swap]:
        """Return the swaps that the plan should not have made use of."""
        return too_hot(self.plan, self.run.ground.timeline, self.peaks)

    def jobs(self, number: int, stop: Event) -> Iterator[tuple[int, Branch]]:
        """Yield what is to be grown elsewhere; what all share is run here."""
        ground, tree, wanted = self.run.ground, self.plan.tree, self.wanted
        largest = max(int(wanted.sum()) // _BRANCHES, _LEAST_NODES)
        for part in branches(ground, tree, self.run.volts, largest, wanted=wanted, stop=stop):
            if isinstance(part, Branch):
                yield number, part
            else:
                self.take(part)

    def take(self, grown: Grown) -> None:
        """Keep what became of some nodes."""
        for leaf, (figures, ear) in grown.read.items():
            self._room_for(len(figures))
            self.figures[leaf], self.is_read[leaf] = figures, True
            if ear is not None:
                self.ears[leaf] = ear
        if grown.nodes:
            self.peaks[grown.nodes] = grown.peaks
        self.tally.units += grown.tally.units
        self.tally.seconds += grown.tally.seconds
        self.reading_s += grown.reading_s

    def listened(self) -> Listened:
        """Return what was heard, all leaves having been read."""
        return Listened(
            self.run,
            self.plan.leaf_of,
            self.figures,
            self._all_ears(),
            len(self.barred),
            self.tally,
            self.reading_s,
        )


def listen(
    engine: Engine,
    runs: Sequence[Run],
    words: Words,
    *,
    checkpoint: Checkpoint | None = None,
    label: str = "",
    library: Library | None = None,
    progress: Progress | None = None,
    stop: Event | None = None,
    ears_fit: bool = False,
) -> list[Listened]:
    """Send the sounds of `runs` down the orders `words`, shape (orders, tokens), ascending.

    Where blocks turn out to come too near their rails to commute, what was left out for it is run
    too. `label` is that of the runs in the `checkpoint`. What a `library` holds is not run again;
    what is found is put into it. `progress` is called with nodes done and nodes there are, and with
    the run's name. `ears_fit` tells that the room that ears take has been looked at. Raises
    StoppedError once `stop` is set.
    """
    known = [None if library is None else library.of(run.name) for run in runs]
    works = [_Work(run, words, label, each) for run, each in zip(runs, known, strict=True)]
    if not ears_fit and sum(work.ear_bytes() for work in works) > EARS_BYTES:
        for work in works:
            work.run = work.run.without_ears()
    unsure = list(range(len(works)))
    while unsure:
        _grow_all(engine, [works[at] for at in unsure], checkpoint, progress, stop)
        unsure = [at for at in unsure if _planned_again(works, at, words, library)]
    if library is not None:
        for work in works:
            library.add(work.run.name, work.notes())
    return [work.listened() for work in works]


def _planned_again(works: list[_Work], at: int, words: Words, library: Library | None) -> bool:
    """Plan a run again without the swaps that came too near a rail; tell whether there are any."""
    work = works[at]
    hot = work.too_hot()
    if not hot:
        return False
    notes = work.notes()
    if library is not None:
        library.add(work.run.name, notes)
    del work.plan
    works[at] = _Work(work.run, words, work.label, notes, work, hot)
    return True


def _grow_all(
    engine: Engine,
    works: Sequence[_Work],
    checkpoint: Checkpoint | None,
    progress: Progress | None,
    told_to: Event | None,
) -> None:
    stop = Stop(told_to)
    total = sum(int(work.wanted.sum()) for work in works)
    done = 0

    def told(number: int, branch: Branch) -> None:
        nonlocal done
        done += len(branch.nodes)
        if progress:
            progress(min(done, total), total, works[number].run.name)

    def jobs() -> Iterator[tuple[int, Branch]]:
        for number, work in enumerate(works):
            for job in work.jobs(number, stop):
                name = _called(work, job[1])
                saved = None if checkpoint is None else checkpoint.get(name)
                if saved is None:
                    yield job
                else:
                    work.take(_from_payload(saved))
                    told(*job)

    grounds = engine.share((stop, tuple(work.run.ground for work in works)))
    for (number, branch), grown in engine.unordered(_grow, grounds, jobs(), stop=stop):
        works[number].take(grown)
        if checkpoint is not None:
            checkpoint.add(_called(works[number], branch), _to_payload(grown))
        told(number, branch)


def _grow(shared: tuple[Event, tuple[Ground, ...]], job: tuple[int, Branch]) -> Grown:
    stop, grounds = shared
    number, branch = job
    return grow(grounds[number], branch, stop)


def _called(work: _Work, branch: Branch) -> str:
    """Return the name of a branch in a checkpoint."""
    nodes = hashlib.blake2b(np.ascontiguousarray(branch.nodes).data, digest_size=8).hexdigest()
    return f"{work.name}: {len(branch.nodes)} nodes {nodes}"


def _to_payload(grown: Grown) -> dict[str, Any]:
    leaves = list(grown.read)
    ears = [ear for _, ear in grown.read.values() if ear is not None]
    return {
        "leaves": np.array(leaves, dtype=np.int32),
        "figures": np.array([figures for figures, _ in grown.read.values()], dtype=np.float64),
        "ears": np.concatenate(ears) if ears else np.empty(0, dtype=np.float32),
        "lengths": np.array([ear.size for ear in ears], dtype=np.int32),
        "nodes": np.array(grown.nodes, dtype=np.int32),
        "peaks": np.array(grown.peaks, dtype=np.float64),
        "units": grown.tally.units,
        "seconds": grown.tally.seconds,
        "reading_s": grown.reading_s,
    }


def _from_payload(saved: Mapping[str, Any]) -> Grown:
    ends = np.cumsum(saved["lengths"])[:-1]
    ears: list[Row | None] = list(np.split(saved["ears"], ends)) if saved["lengths"].size else []
    rows = saved["figures"].tolist()
    read = {
        leaf: (tuple(figures), ear)
        for leaf, figures, ear in zip(
            saved["leaves"].tolist(), rows, ears or [None] * len(rows), strict=True
        )
    }
    nodes = saved["nodes"].tolist()
    peaks = [tuple(row) for row in saved["peaks"].reshape(-1, 2).tolist()]
    tally = Tally(int(saved["units"]), float(saved["seconds"]))
    return Grown(read, nodes, peaks, tally, float(saved["reading_s"]))
