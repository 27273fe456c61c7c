/* The loops of simchain/kernels/modulation.py. */
#include <math.h>

void modulation_swept_line(const double *restrict feed, long frames, const double *restrict delays,
                           long, const double *restrict table, long rows, long taps,
                           double feedback, double nothing, double *line, long whole_line,
                           double *restrict out, long)
{
    const long before = whole_line - frames, phases = rows - 1;
    for (long n = 0; n < frames; n++) {
        const long whole = (long)delays[n];
        const double row = (delays[n] - whole) * phases;
        const long nearest = (long)row;
        const double blend = row - nearest;
        const double *past = line + before + n - whole - taps / 2;
        const double *low = table + nearest * taps, *high = low + taps;
        double a = 0.0, b = 0.0, c = 0.0, d = 0.0;
        for (long k = 0; k < taps; k += 4) {
            a += (low[k] + blend * (high[k] - low[k])) * past[k];
            b += (low[k + 1] + blend * (high[k + 1] - low[k + 1])) * past[k + 1];
            c += (low[k + 2] + blend * (high[k + 2] - low[k + 2])) * past[k + 2];
            d += (low[k + 3] + blend * (high[k + 3] - low[k + 3])) * past[k + 3];
        }
        out[n] = (a + b) + (c + d);
        const double kept = feed[n] + feedback * out[n];
        line[before + n] = fabs(kept) > nothing ? kept : 0.0;
    }
}

void modulation_all_passes(const double *restrict feed, long frames,
                           const double *restrict coefficients, long, double feedback,
                           double nothing, double *restrict state, long stages,
                           double *restrict out, long)
{
    for (long start = 0; start < frames; start += 64) {
        const long stop = start + 64 < frames ? start + 64 : frames;
        for (long n = start; n < stop; n++) {
            const double c = coefficients[n], square = c * c, rest = 1.0 - c, grow = 1.0 + c;
            double through = 1.0, stored = 0.0;
            for (long k = 0; k < stages; k += 2) {
                through *= square;
                stored = square * stored + (c * (rest * state[k]) + rest * state[k + 1]);
            }
            const double chain =
                (through * feed[n] + stored) * (1.0 / (1.0 - feedback * through));
            double x = feed[n] + feedback * chain;
            for (long k = 0; k < stages; k += 2) {
                const double first = state[k], second = state[k + 1], q = rest * first;
                state[k] = grow * x - c * first;
                state[k + 1] = grow * (c * x + q) - c * second;
                x = square * x + (c * q + rest * second);
            }
            out[n] = chain;
        }
        for (long k = 0; k < stages; k++)
            if (fabs(state[k]) <= nothing)
                state[k] = 0.0;
    }
}
