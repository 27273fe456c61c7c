/* The loop of simchain/kernels/bands.py. Sums may be taken in any order, as there. */
#include <stdlib.h>
#pragma GCC optimize("associative-math", "no-signed-zeros", "no-trapping-math")

void bands_spectra_to_bands(const double *restrict spectra, long frames, long bins,
                            const long *restrict starts, long, const double *restrict weights,
                            long bands, long groups, double *restrict found, long, long)
{
    double *restrict powers = calloc(4 * groups, sizeof *powers);
    for (long first = 0; first < frames; first += 4) {
        const long rows = frames - first < 4 ? frames - first : 4;
        for (long row = 0; row < rows; row++) {
            const double *bin = spectra + 2 * bins * (first + row);
            for (long group = 0; group < groups; group++) {
                double power = 0.0;
                for (long at = 2 * starts[group]; at < 2 * starts[group + 1]; at++)
                    power += bin[at] * bin[at];
                powers[row * groups + group] = power;
            }
        }
        for (long band = 0; band < bands; band++) {
            const double *weight = weights + groups * band;
            double sums[4] = {0.0, 0.0, 0.0, 0.0};
            for (long group = 0; group < groups; group++)
                for (long row = 0; row < 4; row++)
                    sums[row] += powers[row * groups + group] * weight[group];
            for (long row = 0; row < rows; row++)
                found[(first + row) * bands + band] = sums[row];
        }
    }
    free(powers);
}
