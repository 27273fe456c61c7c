"""An equalizer of another make: one to five second-order bands, one after another."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.fit.hidden.oversampled import down, up
from tests.fit.hidden.second_order import band, railed

Floats = NDArray[np.float64]

MOST = 5
BOUNDS = {"bands": ("db", 0.5)} | {
    f"{key}_{number}": bound
    for number in range(MOST)
    for key, bound in (("hz", ("share", 0.05)), ("db", ("db", 0.3)), ("q", ("share", 0.1)))
}
_PLACES = ("low_cut", "low_shelf", "peak", "peak", "notch", "peak", "high_shelf", "high_cut")


def settings(rng: np.random.Generator) -> dict[str, Any]:
    """Draw settings a player would have: bands for different places, each of which does something.

    Cuts and shelves stand at their ends of the range; peaks and notches, between 80 Hz and 8 kHz,
    are two thirds of an octave or more apart, and a peak or shelf lifts or lowers by 2 to 15 dB.
    A cut and a shelf at one end differ in q by a tenth or more: where they do not, the poles of one
    and of the other may change places, and no recording tells which pair of bands it was.
    """
    while True:
        bands = _drawn(rng)
        q = {one["shape"]: one["q"] for one in bands}
        pairs = [(q.get(f"{end}_cut"), q.get(f"{end}_shelf")) for end in ("low", "high")]
        if all(not (a and b) or abs(np.log(a / b)) >= 0.1 for a, b in pairs):
            return {"bands": bands}


def _drawn(rng: np.random.Generator) -> list[dict[str, Any]]:
    count = int(rng.integers(1, MOST + 1))
    shapes = [_PLACES[place] for place in sorted(rng.choice(len(_PLACES), count, replace=False))]
    middle = [shape for shape in shapes if shape in ("peak", "notch")]
    while True:
        hz = np.sort(80.0 * 100.0 ** rng.uniform(size=len(middle)))
        if np.all(np.diff(np.log2(hz)) >= 2.0 / 3.0):
            break
    between = iter(hz)
    bands = []
    for shape in shapes:
        one: dict[str, Any] = {"shape": shape, "db": 0.0}
        if shape in ("peak", "low_shelf", "high_shelf"):
            one["db"] = float(rng.uniform(2.0, 15.0) * rng.choice([-1.0, 1.0]))
        low, high = {
            "low_cut": (30.0, 200.0),
            "low_shelf": (80.0, 400.0),
            "high_shelf": (1500.0, 8000.0),
            "high_cut": (3000.0, 12e3),
        }.get(shape, (0.0, 0.0))
        one["hz"] = float(low * (high / low) ** rng.uniform()) if low else float(next(between))
        steepest, narrowest = {"peak": (0.5, 5.0), "notch": (1.0, 8.0)}.get(shape, (0.5, 1.0))
        one["q"] = float(steepest * (narrowest / steepest) ** rng.uniform())
        bands.append(one)
    return bands


def play(volts: Floats, given: dict[str, Any]) -> Floats:
    """Return what it makes of `volts`, (frames,) at 48 kHz."""
    line = up(volts)
    for one in given["bands"]:
        line = band(line, one["shape"], one["hz"], one["db"], one["q"])
    return down(railed(line))


def same(found: dict[str, Any], given: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Return how many bands there are, and each with the band of its shape that is nearest."""
    bands, true = found["bands"], given["bands"]
    pairs: dict[str, tuple[float, float]] = {"bands": (len(bands), len(true))}
    left = list(bands)
    for number, one in enumerate(true):
        alike = [other for other in left if other["shape"] == one["shape"]]
        if not alike:
            pairs["bands"] = (len(bands), -1.0)
            continue
        near = min(alike, key=lambda other: abs(np.log(other["hz"] / one["hz"])))
        left.remove(near)
        keys = ("hz", "db", "q") if one["db"] else ("hz", "q")
        pairs |= {f"{key}_{number}": (near[key], one[key]) for key in keys}
    return pairs
