"""What the electrical checks share: the worst case of each finding, and how figures are said."""

from collections.abc import Iterable, Iterator

from simchain.board import BoardWarning
from simchain.chain.steps import AmpUnit, Path, Step


class Worst:
    """Keeps one warning for each thing that was found, of the situation where it is worst."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[float, BoardWarning]] = {}

    def keep(self, thing: str, over: float, warning: BoardWarning) -> None:
        """Keep `warning` about `thing`, unless a worse one is kept; `over` says how bad it is."""
        if thing not in self._kept or over > self._kept[thing][0]:
            self._kept[thing] = (over, warning)

    def warnings(self) -> Iterator[BoardWarning]:
        """Yield what was kept, in the sequence in which it was first met."""
        return (warning for _, warning in self._kept.values())


def where(path: Path) -> str:
    """Say which situation a path is: "order series, passage solo"."""
    return f"order {path.order_name}, passage {path.timeline.name}"


def in_orders(names: Iterable[str]) -> str:
    """Say in which orders something is so: "order series", "orders series and split"."""
    listed = list(names)
    if len(listed) == 1:
        return f"order {listed[0]}"
    return f"orders {', '.join(listed[:-1])} and {listed[-1]}"


def block_of(step: Step) -> str:
    """Return the block's name, or '' where the step is a part of an amplifier or the mixer."""
    return step.name if not isinstance(step.unit, AmpUnit) and step.unit is not None else ""


def input_of(step: Step) -> str:
    """Say whose input a step's is."""
    if isinstance(step.unit, AmpUnit):
        return "the amplifier's return" if step.unit.part == "power" else "the amplifier's input"
    return "the mixer's input" if step.unit is None else f"the input of '{step.name}'"


def output_of(step: Step) -> str:
    """Say whose output a step's is."""
    return "the amplifier's send" if step.out_is_send else f"the output of '{step.name}'"


def ohms(ohm: float) -> str:
    """Say a resistance: 470 ohm, 12 kohm, 1 Mohm."""
    for size, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= size:
            return f"{ohm / size:.3g} {unit}"
    return f"{ohm:.3g} ohm"


def hertz(hz: float) -> str:
    """Say a frequency: 133 Hz, 3.5 kHz."""
    return f"{hz / 1e3:.2g} kHz" if hz >= 1e3 else f"{hz:.3g} Hz"
