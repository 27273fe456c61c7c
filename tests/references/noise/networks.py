"""The networks of the netlists in this folder, as circuits."""

from collections.abc import Callable

from simchain.filters.circuit import GROUND, Circuit


def loaded_pickup(henry: float, series: float, shunt: float, farad: float) -> Circuit:
    """The textbook model: coil and its resistance in series, seen across load and cable at w."""
    circuit = Circuit()
    circuit.ohm("open", "coil", series)
    circuit.henry("coil", "w", henry)
    circuit.farad("w", GROUND, farad)
    circuit.ohm("w", GROUND, shunt)
    return circuit


def guitar(henry: float, series: float, coil: float, pots: float, volume: float) -> Circuit:
    """A pickup, tone at full, volume at a share, both pots of `pots` ohm, 6 m of cable at w."""
    circuit = Circuit()
    circuit.ohm("open", "coil", series)
    circuit.henry("coil", "p", henry)
    circuit.farad("p", GROUND, coil)
    circuit.ohm("p", "tone", pots + 1.0)
    circuit.farad("tone", GROUND, 22e-9)
    circuit.ohm("p", "w", (1.0 - volume) * pots + 1.0)
    circuit.ohm("w", GROUND, volume * pots + 1.0)
    circuit.farad("w", GROUND, 600e-12)
    return circuit


def _single_buffered() -> tuple[Circuit, str]:
    circuit = guitar(2.6, 6200.0, 115e-12, 250e3, 1.0)
    circuit.ohm("w", GROUND, 500e3)
    return circuit, "w"


def _humbucker_into_fuzz() -> tuple[Circuit, str]:
    circuit = guitar(4.4, 8000.0, 130e-12, 500e3, 0.3)
    circuit.ohm("w", GROUND, 15e3)
    return circuit, "w"


def _humbucker_pedal() -> tuple[Circuit, str]:
    circuit = guitar(4.4, 8000.0, 130e-12, 500e3, 1.0)
    circuit.ohm("w", "v", 125001.0)
    circuit.ohm("v", GROUND, 125001.0)
    circuit.farad("v", GROUND, 600e-12)
    circuit.ohm("v", GROUND, 1e6)
    return circuit, "v"


def _loaded_pickup() -> tuple[Circuit, str]:
    return loaded_pickup(2.4, 6e3, 111_111.111, 610e-12), "w"


def _piezo() -> tuple[Circuit, str]:
    circuit = Circuit()
    circuit.farad("open", "w", 500e-12)
    circuit.farad("w", GROUND, 300e-12)
    circuit.ohm("w", GROUND, 1e6)
    return circuit, "w"


NETWORKS: dict[str, Callable[[], tuple[Circuit, str]]] = {
    "single_buffered": _single_buffered,
    "humbucker_into_fuzz": _humbucker_into_fuzz,
    "humbucker_pedal": _humbucker_pedal,
    "loaded_pickup": _loaded_pickup,
    "piezo": _piezo,
}
