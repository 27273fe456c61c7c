/* The loops of simchain/kernels/delay_line.py. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

static long least(long a, long b) { return a < b ? a : b; }

static void add_taps(const double *restrict past, const double *restrict taps, long number,
                     double *restrict out, long size)
{
    const long last = number - 1;
    long k = 0;
    for (; k + 3 <= last; k += 4) {
        const double *p = past + last - k, *q = p - 1, *r = p - 2, *s = p - 3;
        for (long n = 0; n < size; n++)
            out[n] += taps[k] * p[n] + taps[k + 1] * q[n] + taps[k + 2] * r[n] + taps[k + 3] * s[n];
    }
    for (; k <= last; k++)
        for (long n = 0; n < size; n++)
            out[n] += taps[k] * past[last - k + n];
}

static void section(double *row, long size, const double *c, double *state)
{
    double s = state[0], t = state[1];
    for (long n = 0; n < size; n++) {
        const double x = row[n], y = c[0] * x + s;
        s = c[1] * x - c[4] * y + t;
        t = c[2] * x - c[5] * y;
        row[n] = y;
    }
    state[0] = s, state[1] = t;
}

static int is_nothing(const double *row, long size, double nothing)
{
    for (long n = 0; n < size; n++)
        if (fabs(row[n]) > nothing)
            return 0;
    return 1;
}

void delay_line_repeats(const double *restrict feed, long rows, long frames,
                        const double *restrict taps, long number, long lag, const double *shares,
                        long, const double *restrict sections, long many, long,
                        double *restrict state, long, long, long, long piece, double nothing,
                        double *restrict lines, long, long room, long before,
                        double *restrict wet, long, long)
{
    for (long start = 0; start < frames; start += piece) {
        const long size = least(piece, frames - start);
        for (long r = 0; r < rows; r++)
            add_taps(lines + r * room + before + start - lag - number + 1, taps, number,
                     wet + r * frames + start, size);
        for (long r = 0; r < rows; r++) {
            double *new = lines + r * room + before + start, *kept = state + 2 * many * r;
            const double *own = wet + r * frames + start;
            const double *across = wet + (rows - 1 - r) * frames + start;
            const double *fresh = feed + r * frames + start;
            for (long n = 0; n < size; n++)
                new[n] = fresh[n] + shares[0] * own[n];
            if (shares[1] != 0.0)
                for (long n = 0; n < size; n++)
                    new[n] += shares[1] * across[n];
            for (long k = 0; k < many; k++)
                section(new, size, sections + 6 * k, kept + 2 * k);
            if (is_nothing(new, size, nothing)) {
                memset(new, 0, size * sizeof *new);
                memset(kept, 0, 2 * many * sizeof *kept);
            }
        }
    }
}

void delay_line_all_pass(double *restrict row, long frames, double *restrict past, long length,
                         double gain, double nothing)
{
    for (long start = 0; start < frames; start += length) {
        const long size = least(length, frames - start);
        double *piece = row + start;
        for (long n = 0; n < size; n++) {
            const double y = gain * piece[n] + past[n], kept = piece[n] - gain * y;
            past[n] = fabs(kept) > nothing ? kept : 0.0;
            piece[n] = y;
        }
    }
}
