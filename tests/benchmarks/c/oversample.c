/* The loops of simchain/kernels/oversample.py. */
#include <stdlib.h>

static long least(long a, long b) { return a < b ? a : b; }

static void add_tap(const double *restrict before, const double *restrict after, double tap,
                    double *restrict summed, long size)
{
    for (long i = 0; i < size; i++)
        summed[i] += tap * (before[i] + after[i]);
}

static void add_taps(const double *restrict back, const double *restrict ahead,
                     const double *restrict taps, long pairs, double *restrict summed, long size)
{
    long k = 0;
    for (; k + 1 < pairs; k += 2) {
        const double near = taps[k], far = taps[k + 1];
        for (long i = 0; i < size; i++)
            summed[i] += near * (back[i - k] + ahead[i + k]) +
                         far * (back[i - k - 1] + ahead[i + k + 1]);
    }
    if (k < pairs)
        add_tap(back - k, ahead + k, taps[k], summed, size);
}

void oversample_double(const double *restrict x, long, const double *restrict taps, long pairs,
                       long lost, double *restrict y, long made)
{
    double between[512];
    for (long start = 0; start < made / 2; start += 512) {
        const long size = least(512, made / 2 - start);
        const double *here = x + start + lost;
        double *there = y + 2 * start;
        for (long i = 0; i < size; i++)
            between[i] = 0.0;
        add_taps(here, here + 1, taps, pairs, between, size);
        for (long i = 0; i < size; i++) {
            there[2 * i] = here[i];
            there[2 * i + 1] = between[i];
        }
    }
}

void oversample_halve(const double *restrict y, long samples, const double *restrict taps,
                      long pairs, long lost, double *restrict x, long made)
{
    double *odd = malloc(samples / 2 * sizeof *odd), summed[512];
    for (long i = 0; i < samples / 2; i++)
        odd[i] = y[2 * i + 1];
    for (long start = 0; start < made; start += 512) {
        const long size = least(512, made - start), first = start + lost;
        for (long i = 0; i < size; i++)
            summed[i] = y[2 * (first + i)];
        add_taps(odd + first - 1, odd + first, taps, pairs, summed, size);
        for (long i = 0; i < size; i++)
            x[start + i] = 0.5 * summed[i];
    }
    free(odd);
}

void oversample_halve_late(const double *restrict y, long samples, const double *restrict taps,
                           long pairs, long lost, double *restrict x, long made)
{
    double *even = malloc(samples / 2 * sizeof *even), *odd = malloc(samples / 2 * sizeof *odd);
    double summed[512];
    for (long i = 0; i < samples / 2; i++) {
        even[i] = y[2 * i];
        odd[i] = y[2 * i + 1];
    }
    for (long start = 0; start < made; start += 512) {
        const long size = least(512, made - start);
        for (long i = 0; i < size; i++)
            summed[i] = 0.0;
        for (long k = 0; k < pairs; k++) {
            const long back = start + lost - (k + 1) / 2, ahead = start + lost + (k + 1) / 2;
            const double *before = (k % 2 ? odd : even) + back;
            const double *after = (k % 2 ? even : odd) + ahead;
            add_tap(before, after, taps[k], summed, size);
        }
        for (long i = 0; i < size; i++)
            x[start + i] = summed[i];
    }
    free(even);
    free(odd);
}
