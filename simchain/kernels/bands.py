"""Power in bands of many spectra."""

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import summing_kernel

Floats = NDArray[np.float64]


@summing_kernel
def spectra_to_bands(
    spectra: NDArray[np.complex128], starts: NDArray[np.intp], weights: Floats, found: Floats
) -> None:
    """Write the weighted power of each spectrum in each band into `found`, shape (frames, bands).

    `spectra` has shape (frames, bins). Bins are gathered in groups: `starts` are their first bins
    and the end of the last; `weights`, shape (bands, groups), say what each counts in each band.
    """
    frames, (bands, groups) = spectra.shape[0], weights.shape
    powers = np.zeros((4, groups))
    for first in range(0, frames, 4):
        # Four at a time: a weight is read once for all of them.
        rows = min(4, frames - first)
        for row in range(rows):
            for group in range(groups):
                power = 0.0
                for at in range(starts[group], starts[group + 1]):
                    real, imag = spectra[first + row, at].real, spectra[first + row, at].imag
                    power += real * real + imag * imag
                powers[row, group] = power
        for band in range(bands):
            one, two, three, four = 0.0, 0.0, 0.0, 0.0
            for group in range(groups):
                weight = weights[band, group]
                one += powers[0, group] * weight
                two += powers[1, group] * weight
                three += powers[2, group] * weight
                four += powers[3, group] * weight
            sums = (one, two, three, four)
            for row in range(rows):
                found[first + row, band] = sums[row]
