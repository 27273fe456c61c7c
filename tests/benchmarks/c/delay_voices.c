/* The loops of simchain/kernels/delay_voices.py. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

static long least(long a, long b) { return a < b ? a : b; }

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

static void saturate(double *row, long size, double ceiling)
{
    const double scale = 1.0 / (ceiling * ceiling);
    for (long n = 0; n < size; n++)
        row[n] /= sqrt(1.0 + scale * row[n] * row[n]);
}

static int is_nothing(const double *row, long size, double nothing)
{
    for (long n = 0; n < size; n++)
        if (fabs(row[n]) > nothing)
            return 0;
    return 1;
}

static double press(double *row, long size, double unity, double keeps, double floor, double mean)
{
    for (long n = 0; n < size; n++) {
        const double y = row[n] * (unity / mean), next = keeps * mean + (1.0 - keeps) * fabs(y);
        mean = next > floor ? next : floor;
        row[n] = y;
    }
    return mean;
}

static double release(double *row, long size, double unity, double keeps, double floor, double mean)
{
    for (long n = 0; n < size; n++) {
        const double x = row[n], next = keeps * mean + (1.0 - keeps) * fabs(x);
        row[n] = x * (mean / unity);
        mean = next > floor ? next : floor;
    }
    return mean;
}

static void feed_back(double *restrict feed, const double *own, const double *across,
                      const double *figures, double *restrict new, long size)
{
    for (long n = 0; n < size; n++) {
        new[n] = feed[n] + (figures[0] * own[n] + figures[1] * across[n]);
        feed[n] = own[n];
    }
}

static void swing_to(double *late, long size, const double *swing, long points,
                     const double *figures, long start)
{
    for (long n = 0; n < size; n++) {
        const double place = figures[4] + (start + n) * figures[5];
        const long k = least((long)place, points - 2);
        const double u = place - k, *at = swing + 2 * k;
        const double p = at[0], m = at[1], q = at[2], o = at[3];
        const double bend = 2.0 * (p - q) + m + o;
        late[n] = figures[2] +
                  figures[3] * (p + u * (m + u * (3.0 * (q - p) - 2.0 * m - o + u * bend)));
    }
}

static void read_moving(const double *restrict line, long at, const double *restrict late,
                        long size, const double *restrict table, long phases, long taps,
                        double *restrict out)
{
    for (long n = 0; n < size; n++) {
        const long whole = (long)late[n];
        const double row = (late[n] - whole) * phases;
        const long nearest = (long)row;
        const double blend = row - nearest;
        const double *past = line + at + n - whole - taps / 2;
        const double *low = table + nearest * taps, *high = low + taps;
        double a = 0.0, b = 0.0, c = 0.0, d = 0.0;
        for (long k = 0; k < taps; k += 4) {
            a += (low[k] + blend * (high[k] - low[k])) * past[k];
            b += (low[k + 1] + blend * (high[k + 1] - low[k + 1])) * past[k + 1];
            c += (low[k + 2] + blend * (high[k + 2] - low[k + 2])) * past[k + 2];
            d += (low[k + 3] + blend * (high[k + 3] - low[k + 3])) * past[k + 3];
        }
        out[n] = (a + b) + (c + d);
    }
}

static void read_still(const double *restrict past, const double *restrict taps, long number,
                       double *restrict out, long size)
{
    memset(out, 0, size * sizeof *out);
    for (long k = 0; k < number; k += 4) {
        const double *p = past + k;
        for (long n = 0; n < size; n++)
            out[n] += (taps[k] * p[n] + taps[k + 1] * p[n + 1]) +
                      (taps[k + 2] * p[n + 2] + taps[k + 3] * p[n + 3]);
    }
}

void delay_voices_tape(double *feed, long rows, long frames, double *lines, long, long room,
                       long at, const double *figures, long, const double *swing, long points,
                       long, const double *table, long phases, long taps, const double *sections,
                       long many, long, double *state, long, long, long, long piece)
{
    double *late = malloc(piece * sizeof *late), *heard = malloc(rows * piece * sizeof *heard);
    for (long start = 0; start < frames; start += piece) {
        const long size = least(piece, frames - start);
        swing_to(late, size, swing, points, figures, start);
        for (long r = 0; r < rows; r++)
            read_moving(lines + r * room, at + start, late, size, table, phases - 1, taps,
                        heard + r * piece);
        for (long r = 0; r < rows; r++) {
            double *new = lines + r * room + at + start, *kept = state + 2 * many * r;
            feed_back(feed + r * frames + start, heard + r * piece, heard + (rows - 1 - r) * piece,
                      figures, new, size);
            saturate(new, size, figures[6]);
            for (long k = 0; k < many; k++)
                section(new, size, sections + 6 * k, kept + 2 * k);
            if (is_nothing(new, size, figures[7])) {
                memset(new, 0, size * sizeof *new);
                memset(kept, 0, 2 * many * sizeof *kept);
            }
        }
    }
    free(late);
    free(heard);
}

void delay_voices_buckets(double *feed, long rows, long frames, double *lines, long, long room,
                          long at, const double *figures, long, const double *taps, long number,
                          const double *before, long befores, long, const double *after,
                          long afters, long, const double *tone, long tones, long, double *state,
                          long, long many, long, double *means, long, long, long piece)
{
    const double unity = figures[8], keeps = figures[9], floor = figures[10];
    double *heard = malloc(rows * piece * sizeof *heard);
    for (long start = 0; start < frames; start += piece) {
        const long size = least(piece, frames - start);
        const long first = at + start - (long)figures[2] - number / 2;
        for (long r = 0; r < rows; r++)
            read_still(lines + r * room + first, taps, number, heard + r * piece, size);
        for (long r = 0; r < rows; r++) {
            double *new = lines + r * room + at + start, *kept = state + 2 * many * r, *next = kept;
            feed_back(feed + r * frames + start, heard + r * piece, heard + (rows - 1 - r) * piece,
                      figures, new, size);
            means[2 * r] = press(new, size, unity, keeps, floor, means[2 * r]);
            for (long k = 0; k < befores; k++, next += 2)
                section(new, size, before + 6 * k, next);
            saturate(new, size, figures[6]);
            for (long k = 0; k < afters; k++, next += 2)
                section(new, size, after + 6 * k, next);
            means[2 * r + 1] = release(new, size, unity, keeps, floor, means[2 * r + 1]);
            for (long k = 0; k < tones; k++, next += 2)
                section(new, size, tone + 6 * k, next);
            if (is_nothing(new, size, figures[7])) {
                memset(new, 0, size * sizeof *new);
                memset(kept, 0, 2 * many * sizeof *kept);
            }
        }
    }
    free(heard);
}
