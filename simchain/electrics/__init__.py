"""What the wires do: source, cable, pots and loads as one circuit, and the noise of all that."""

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
from simchain.electrics.noise import Hiss, hum

__all__ = [
    "Cable",
    "Guitar",
    "Hiss",
    "Link",
    "Output",
    "Part",
    "Piezo",
    "Pot",
    "Terminal",
    "as_recorded",
    "hum",
    "link_response",
]
