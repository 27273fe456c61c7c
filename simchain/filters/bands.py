"""Second-order equalizer bands, as analogue circuits made digital by `analogue_sections`."""

import math
from typing import Literal, get_args

from simchain.filters.analogue import analogue_sections
from simchain.filters.sections import Sections

Shape = Literal["peak", "low_shelf", "high_shelf", "low_cut", "high_cut", "notch"]
SHAPES: tuple[str, ...] = get_args(Shape)
SHAPES_WITH_GAIN = ("peak", "low_shelf", "high_shelf")

Polynomial = tuple[float, float, float]
Circuit = tuple[tuple[complex, ...], tuple[complex, ...], float]


def band_circuit(shape: Shape, hz: float, db: float, q: float) -> Circuit:
    """Return zeros and poles (rad/s) and gain of one band.

    With s in units of 2 pi `hz` and A = 10^(db/40), which makes A^2 the gain of the band::

        peak        (s^2 + s A/q + 1) / (s^2 + s/(A q) + 1)             `db` at hz, 0 dB far away
        low_shelf   A (s^2 + s sqrt(A)/q + A) / (A s^2 + s sqrt(A)/q + 1)  `db` at 0 Hz
        high_shelf  A (A s^2 + s sqrt(A)/q + 1) / (s^2 + s sqrt(A)/q + A)  `db` far above hz
        low_cut     s^2 / (s^2 + s/q + 1)                            20 log10(q) dB at hz
        high_cut    1 / (s^2 + s/q + 1)                              20 log10(q) dB at hz
        notch       (s^2 + 1) / (s^2 + s/q + 1)                      nothing at hz

    A shelf stands at half its decibels at `hz`; it is steepest without overshoot at
    q = sqrt(1/2). `db` is not used by the last three.

    Source: the analogue prototypes of R. Bristow-Johnson, Audio EQ Cookbook (W3C note, 2021),
    from memory; its digital formulas are their bilinear transforms and are not used.

    Raises ValueError for an unknown shape, and for `hz` or `q` that are not above 0.
    """
    if not hz > 0 or not q > 0:
        raise ValueError(f"a band needs hz and q above 0, not hz = {hz:g}, q = {q:g}")
    above, below = band_polynomials(shape, db, q)
    w = 2.0 * math.pi * hz
    zeros, poles = _roots(above, w), _roots(below, w)
    gain = next(c for c in above if c) / below[0] * w ** (len(poles) - len(zeros))
    return zeros, poles, gain


def band_polynomials(shape: Shape, db: float, q: float) -> tuple[Polynomial, Polynomial]:
    """Return a band as it stands in `band_circuit`: above and below the line, s^2 first."""
    a = 10.0 ** (db / 40.0)
    slope = math.sqrt(a) / q
    plain = (1.0, 1.0 / q, 1.0)
    match shape:
        case "peak":
            return (1.0, a / q, 1.0), (1.0, 1.0 / (a * q), 1.0)
        case "low_shelf":
            return (a, a * slope, a * a), (a, slope, 1.0)
        case "high_shelf":
            return (a * a, a * slope, a), (1.0, slope, a)
        case "low_cut":
            return (1.0, 0.0, 0.0), plain
        case "high_cut":
            return (0.0, 0.0, 1.0), plain
        case "notch":
            return (1.0, 0.0, 1.0), plain
    raise ValueError(f"no band shape '{shape}' (there are: {', '.join(SHAPES)})")


def band_sections(shape: Shape, hz: float, db: float, q: float, rate: float) -> Sections:
    """Return one band (see `band_circuit`) as sections for `run_sections`.

    `hz` must lie below half of `rate`; a band with gain and `db` = 0 is a wire (no sections).
    """
    if not hz < rate / 2:
        raise ValueError(f"hz = {hz:g} must be below half of rate = {rate:g}")
    sections = analogue_sections(*band_circuit(shape, hz, db, q), rate)
    return sections[:0] if shape in SHAPES_WITH_GAIN and db == 0 else sections


def _roots(c: Polynomial, w: float) -> tuple[complex, ...]:
    """Return w times the roots of c[0] s^2 + c[1] s + c[2], without cancellation."""
    a, b, constant = c
    if a == 0:
        return ()
    square = b * b - 4.0 * a * constant
    if square < 0:
        root = complex(-b, math.sqrt(-square)) * w / (2.0 * a)
        return (root, root.conjugate())
    far = -(b + math.sqrt(square)) / (2.0 * a)
    near = constant / (a * far) if far else 0.0
    return (far * w, near * w)
