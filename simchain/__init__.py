"""simchain: hear and measure the order of effects on a guitar board before patching it.

>>> import simchain
>>> board = simchain.load_board("board.toml")                              # doctest: +SKIP
>>> sound = simchain.render(board, order="series", passage="solo")         # doctest: +SKIP
>>> sound.points["grit.out"].volts, sound.rate, sound.output.integrated_lufs   # doctest: +SKIP

Names load when they are first used, so that importing simchain costs nothing.
"""

import importlib
from typing import Any

__version__ = "0.1.0"

_homes = {
    "Board": "simchain.board",
    "Order": "simchain.board",
    "Signal": "simchain.signal",
    "SimchainError": "simchain.errors",
    "compare": "simchain.decide.compare",
    "levels": "simchain.decide.levels",
    "load_board": "simchain.board",
    "plan": "simchain.report.plan_document",
    "render": "simchain.chain.render",
    "search": "simchain.decide.search",
    "set_levels": "simchain.decide.set_levels",
    "swaps": "simchain.decide.swaps",
    "worth": "simchain.decide.worth",
}

__all__ = [
    "__version__",
    *_homes,
]


def __getattr__(name: str) -> Any:
    if name not in _homes:
        raise AttributeError(f"module 'simchain' has no attribute {name!r}")
    return getattr(importlib.import_module(_homes[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
