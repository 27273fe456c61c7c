"""One trial: a hidden unit is recorded, fitted, and laid beside what it is.

A hidden unit is a file of `tests.fit.hidden`, named as its kind: `settings(rng)` draws them,
`play(volts, settings)` is the unit, from scipy, numpy or ngspice alone, `same(found, settings)`
pairs each control that the recording can tell with the true one, by the names of `BOUNDS`: decibels
("db"), or a share of the value ("share").
"""

import importlib
import math
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block, kinds
from simchain.chain.alone import alone
from simchain.fit.apart import heard_apart_in_takes
from simchain.fit.fitting import Fitted, fitted
from simchain.fit.looked_for import fit_of
from simchain.fit.received import Received, given_volts, read_loopback, read_received
from tests.fit.recorder import RATE, Interface

Floats = NDArray[np.float64]

# 1 kohm into the recording side's 1 Mohm, as every unit here is measured.
INTO_OHM = 1e6
ALIKE = ("same", "free")


@dataclass(frozen=True)
class Trial:
    """What was hidden, what was found, how far off (1.0 is the bound), and how it sounds.

    `verdict` is that of a clip through the hidden unit and through what was found. Where it is
    heard apart, `at_best` is that of the hidden unit and the block with the true settings: two
    rooms of the same settings are two rooms.
    """

    kind: str
    seed: int
    given: dict[str, Any]
    found: dict[str, float]
    off: dict[str, float]
    residual_db: float
    verdict: str
    at_best: str
    seconds: float

    @property
    def holds(self) -> bool:
        """Whether every control is within its bound."""
        return all(off <= 1.0 for off in self.off.values())

    @property
    def is_alike(self) -> bool:
        """Whether nothing but level is heard between the unit and what was found."""
        return self.verdict in ALIKE


def hidden(kind: str) -> Any:
    """Return the module of a hidden unit."""
    return importlib.import_module(f"tests.fit.hidden.{kind}")


def recorded(kind: str, given: dict[str, Any], seed: int, folder: Path) -> Received:
    """Record the hidden unit and a loop-back with one interface, and read both."""
    rng = np.random.default_rng(1000 + seed)
    sent_volts = given_volts()
    heard = hidden(kind).play(sent_volts, given)
    loudest = max(float(np.abs(heard).max()), float(np.abs(sent_volts).max()))
    interface = Interface(
        loudest * 10.0 ** ((6.0 + rng.uniform(-3.0, 3.0)) / 20.0),
        drift=float(rng.choice([-1e-4, 1e-4])),
        inverted=bool(rng.integers(2)),
    )
    for name, volts in (("unit", heard), ("loop", sent_volts)):
        begins_s = float(rng.uniform(0.1, 1.0))
        interface.record(folder / f"{name}.wav", volts, begins_s=begins_s, seed=seed)
    return read_received(folder / "unit.wav", loopback=read_loopback(folder / "loop.wav"))


def block_of(kind: str, given: dict[str, Any]) -> Block:
    """Return the board's block before it is fitted: the kind's usual settings.

    What the hidden unit names `board` is known to the user and stands on the board.
    """
    return kinds()[kind](**hidden(kind).__dict__.get("board", lambda _: {})(given))


def tried(kind: str, seed: int, *, clip: Floats | None = None) -> Trial:
    """Hide a unit with settings drawn from `seed`, fit it, and compare; `clip` is then judged."""
    unit = hidden(kind)
    given = unit.settings(np.random.default_rng(seed))
    with tempfile.TemporaryDirectory() as folder:
        received = recorded(kind, given, seed, Path(folder))
    began = time.perf_counter()
    result = fitted("unit", block_of(kind, given), fit_of(kind), received, into_ohm=INTO_OHM)
    seconds = time.perf_counter() - began
    found = found_controls(result)
    off = dict(_off(unit, found, given))
    verdict = at_best = "" if clip is None else judged(unit, given, result.block, clip)
    if verdict and verdict not in ALIKE:
        at_best = judged(unit, given, true_block(unit, given, result.block), clip)
    return Trial(kind, seed, given, found, off, result.residual_db, verdict, at_best, seconds)


def found_controls(result: Fitted) -> dict[str, Any]:
    """Return all settings of the block that was found, the unit's loading of 0.1 % taken out."""
    return dict(result.block.model_dump())


def true_block(unit: Any, given: dict[str, Any], found: Block) -> Block:
    """Return the block with the hidden settings, as far as it has them."""
    true = unit.__dict__.get("as_block", dict)(given)
    return found.model_copy(
        update={name: value for name, value in true.items() if name in type(found).model_fields}
    )


def judged(unit: Any, given: dict[str, Any], block: Block, clip: Floats) -> str:
    """Play a clip through the hidden unit and through a block; return the word.

    A unit that moves by itself names `TURNS`: a take begins at each of these places of its turn.
    """
    volts = np.repeat(clip[np.newaxis], block.inputs, axis=0)
    turns = unit.__dict__.get("TURNS", (None,))
    true = [unit.play(clip, given if at is None else given | {"phase": at}) for at in turns]
    made = [alone(block, volts, RATE, turn=at or 0.0, into_ohm=INTO_OHM)[0] for at in turns]
    return str(heard_apart_in_takes(true, made, RATE).verdict)


def _off(unit: Any, found: dict[str, Any], given: dict[str, Any]) -> Iterator[tuple[str, float]]:
    for name, (value, true) in unit.same(found, given).items():
        form, bound = unit.BOUNDS[name]
        if form == "share":
            yield name, abs(math.log(max(value, 1e-9) / max(true, 1e-9))) / math.log1p(bound)
        else:
            yield name, abs(value - true) / bound
