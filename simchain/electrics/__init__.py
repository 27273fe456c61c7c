"""What the wires do: source, cable, pots and loads between two active terminals as one circuit."""

from simchain.electrics.link import (
    Cable,
    Guitar,
    Link,
    Output,
    Part,
    Piezo,
    Pot,
    Terminal,
    as_recorded,
    link_response,
)

__all__ = [
    "Cable",
    "Guitar",
    "Link",
    "Output",
    "Part",
    "Piezo",
    "Pot",
    "Terminal",
    "as_recorded",
    "link_response",
]
