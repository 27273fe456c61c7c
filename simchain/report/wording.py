"""Words that all reports share: letters of orders, names, frequencies, lists, numbers."""

import math
from collections.abc import Sequence

# ISO 266 (R10 series): the rounded numbers by which thirds of octaves are named.
_PREFERRED = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)


def letter(index: int) -> str:
    """Return the letter of the order at `index`: A to Z, then A2 to Z2 and so on."""
    turn, place = divmod(index, 26)
    return chr(ord("A") + place) + (str(turn + 1) if turn else "")


def spoken(name: str) -> str:
    """Return a board's name as words: `boost_first` is "boost first"."""
    return name.replace("_", " ")


def frequency(hz: float) -> str:
    """Return a band's centre as it is called: exact base-ten centres by their ISO 266 numbers."""
    decade = 10.0 ** math.floor(math.log10(hz) + 1e-9)
    nominal = min(_PREFERRED, key=lambda number: abs(math.log(number * decade / hz))) * decade
    return _hertz(nominal if abs(nominal / hz - 1.0) < 0.02 else float(f"{hz:.3g}"))


def round_frequency(hz: float) -> str:
    """Return a frequency with two digits: the ear's bands are wider than more would say."""
    return _hertz(float(f"{hz:.2g}"))


def _hertz(hz: float) -> str:
    return f"{hz / 1000:g} kHz" if hz >= 1000.0 else f"{hz:g} Hz"


def listed(words: Sequence[str]) -> str:
    """Join words: "A", "A and B", "A, B and C"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""


def number_text(value: float) -> str:
    """Write a number the way it is said: 470 k, 2.5e-09, 1 M."""
    for least, factor, prefix in ((1e6, 1e6, " M"), (1e4, 1e3, " k")):
        if abs(value) >= least:
            return f"{value / factor:g}{prefix}"
    return f"{value:g}"


def with_unit(number: str, unit: str) -> str:
    """Join a number and its unit; a prefix belongs to the unit: 470 kohm."""
    joined = f"{number}{unit}" if number[-1:] in "kM" else f"{number} {unit}"
    return joined.strip()


def capital(words: str) -> str:
    """Return `words` with a capital letter at the beginning."""
    return words[:1].upper() + words[1:]


def order_line(front: Sequence[str], loop: Sequence[str]) -> str:
    """Return an order as a line of words: "grit push   in the loop: room"."""
    return " ".join(front) + (f"   in the loop: {' '.join(loop)}" if loop else "")


def count(number: int, word: str) -> str:
    """Say how many there are: "1 block", "3 blocks"."""
    return f"{number} {word}{'' if number == 1 else 's'}"
