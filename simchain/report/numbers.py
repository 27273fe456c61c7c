"""Numbers as JSON can hold them."""

import math


def number(value: float | None) -> float | None:
    """Return `value` as a float; infinite and missing numbers are null."""
    return float(value) if value is not None and math.isfinite(value) else None
