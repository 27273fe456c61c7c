"""Loudness of passages with controls turned: each sound rendered once, several at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from threading import Event

import numpy as np
from numpy.typing import NDArray

from simchain.board import Board, Order
from simchain.chain.render import render
from simchain.decide.parallel import in_parallel
from simchain.decide.targets import LevelControl, acts_in, turned

Floats = NDArray[np.float64]

SILENT_LUFS = -150.0


@dataclass(frozen=True, eq=False)
class Heard:
    """Loudness at `out` of one passage, and the RMS level at each test point on its path.

    `over_db` says by how much each point clips that does.
    """

    lufs: float
    rms_dbu: Mapping[str, float]
    over_db: Mapping[str, float]
    warnings: tuple[str, ...]


class Meter:
    """Renders passages with controls turned; the same sound is never rendered twice.

    `renders` counts the renders of each passage. `acting` has a row for each passage and a column
    for each control: whether the control can change that passage. Settings are given as values of
    the controls, in their sequence.
    """

    def __init__(
        self,
        board: Board,
        order: str | Order,
        amp: str | None,
        passages: Sequence[str],
        controls: Sequence[LevelControl],
        say: Callable[[str], None] | None = None,
        stop: Event | None = None,
    ):
        self.board, self.order, self.amp = board, order, amp
        self.passages, self.controls = tuple(passages), tuple(controls)
        sequence = board.order(order)
        self.acting = np.array(
            [[acts_in(board, sequence, c, p) for c in self.controls] for p in self.passages],
            dtype=bool,
        ).reshape(len(self.passages), len(self.controls))
        self.renders = dict.fromkeys(self.passages, 0)
        self._known: dict[tuple[str, tuple[float, ...]], Heard] = {}
        self._say, self._stop = say, stop

    @property
    def most_renders(self) -> int:
        """Renders of the passage that was rendered most."""
        return max(self.renders.values())

    def heard(
        self, settings: Sequence[Floats], passages: Sequence[str] | None = None
    ) -> list[dict[str, Heard]]:
        """Return each passage (default all) as heard with each of the `settings`."""
        wanted = tuple(passages or self.passages)
        jobs = {self._key(p, values): (p, values) for values in settings for p in wanted}
        self._render({key: job for key, job in jobs.items() if key not in self._known})
        return [{p: self._known[self._key(p, values)] for p in wanted} for values in settings]

    def lufs(self, settings: Sequence[Floats]) -> Floats:
        """Return loudness as shape (settings, passages); silence reads SILENT_LUFS."""
        found = [[one[p].lufs for p in self.passages] for one in self.heard(settings)]
        lufs: Floats = np.maximum(np.array(found), SILENT_LUFS)
        return lufs

    def _key(self, passage: str, values: Floats) -> tuple[str, tuple[float, ...]]:
        acting = self.acting[self.passages.index(passage)]
        return passage, tuple(float(value) for value in values[acting])

    def _render(self, jobs: Mapping[tuple[str, tuple[float, ...]], tuple[str, Floats]]) -> None:
        """Render what is not known yet, as many at once as there are cores."""
        if not jobs:
            return
        for passage, _ in jobs.values():
            self.renders[passage] += 1
        if self._say:
            self._say(f"{sum(self.renders.values())} renders")
        heard = in_parallel(lambda job: self._one(*job), list(jobs.values()))
        self._known |= zip(jobs, heard, strict=True)

    def _one(self, passage: str, values: Floats) -> Heard:
        settings = dict(zip(self.controls, map(float, values), strict=True))
        board = turned(self.board, settings) if settings else self.board
        rendering = render(board, self.order, passage, amp=self.amp, points=False, stop=self._stop)
        levels = {name: point.level.rms_dbu for name, point in rendering.points.items()}
        over_db = {
            name: -point.headroom.db
            for name, point in rendering.points.items()
            if point.headroom is not None and point.headroom.db < 0.0
        }
        return Heard(rendering.output.integrated_lufs, levels, over_db, rendering.warnings)
