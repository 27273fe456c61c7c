"""When a block is on: its switch at 0 s and each switching after that, with raised-cosine fades."""

from dataclasses import dataclass

import numpy as np

from simchain.board import Passage
from simchain.signal import Volts


@dataclass(frozen=True)
class Gate:
    """The state of one block's switch through a passage.

    `on` is the state at 0 s, with no fade and no history. `switches` are (frame, state) pairs in
    time order; each fades over `fade_frames` from where the gate is to its new state.
    """

    on: bool
    switches: tuple[tuple[int, bool], ...] = ()
    fade_frames: int = 0

    @property
    def is_constant(self) -> bool:
        """Whether nothing is switched."""
        return not self.switches

    @property
    def is_never_on(self) -> bool:
        """Whether the block stays off for the whole passage."""
        return not self.on and self.is_constant

    @property
    def is_always_on(self) -> bool:
        """Whether the block stays on for the whole passage."""
        return self.on and self.is_constant

    @property
    def inverted(self) -> "Gate":
        """What the bypass gets: one less these weights, at every frame."""
        switches = tuple((frame, not state) for frame, state in self.switches)
        return Gate(not self.on, switches, self.fade_frames)

    def weights(self, frames: int) -> Volts:
        """Return the weight of the block's own sound, 0 to 1, for each of `frames` frames.

        A fade is (1 - cos(pi t / T)) / 2 of the way; what the block's sound loses the bypass gets.
        """
        weights = np.full(frames, float(self.on))
        for frame, state in self.switches:
            if frame >= frames:
                break
            start, target = weights[frame], float(state)
            weights[frame:] = target
            length = min(self.fade_frames, frames - frame)
            if length > 0:
                share = (1.0 - np.cos(np.pi * np.arange(length) / self.fade_frames)) / 2.0
                weights[frame : frame + length] = start + (target - start) * share
        return weights


def block_gate(name: str, passage: Passage, fade_ms: float, rate: int) -> Gate:
    """Return the gate of block `name` in `passage`; switchings that change nothing are left out."""
    state = name in passage.on
    switches = []
    first = state
    for event in sorted(passage.events, key=lambda event: event.at):
        if event.block == name and event.do in ("on", "off") and state != (event.do == "on"):
            state = not state
            switches.append((round(event.at * rate), state))
    return Gate(first, tuple(switches), round(fade_ms / 1e3 * rate))
