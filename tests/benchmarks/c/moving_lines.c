/* The loops of simchain/kernels/moving_lines.py. */
#include <math.h>
#include <string.h>

static long least(long a, long b) { return a < b ? a : b; }

void moving_lines_sway(double *restrict lines, long, long room, const long *lengths, long,
                       const long *at, long, const long *moved, long number,
                       const double *motions, long, long, const double *restrict table,
                       long phases, long taps, const double *restrict past, long, long wide,
                       long fill, long start, long size)
{
    for (long j = 0; j < number; j++) {
        const double swing = motions[j], turns = motions[number + j];
        const long length = lengths[moved[j]];
        const double angle = 2.0 * M_PI * (motions[2 * number + j] + turns * start);
        const double step = 2.0 * M_PI * turns, ds = sin(step), dc = cos(step);
        const double *row = past + wide * j;
        double *ring = lines + room * moved[j], s = sin(angle), c = cos(angle);
        for (long n = 0, k = at[moved[j]]; n < size; n++) {
            const double place = fill + n - length - swing * s;
            const long whole = (long)place;
            const double *t = table + taps * (long)((place - whole) * phases), *x = row + whole - 5;
            const double d0 = t[0] * x[0] + t[4] * x[4] + t[8] * x[8];
            const double d1 = t[1] * x[1] + t[5] * x[5] + t[9] * x[9];
            const double d2 = t[2] * x[2] + t[6] * x[6] + t[10] * x[10];
            const double d3 = t[3] * x[3] + t[7] * x[7] + t[11] * x[11];
            ring[k] = (d0 + d1) + (d2 + d3);
            const double turned = s * dc + c * ds;
            c = c * dc - s * ds, s = turned;
            k = k + 1 < length ? k + 1 : 0;
        }
    }
}

void moving_lines_keep(const double *restrict lines, long, long room, const long *lengths, long,
                       const long *at, long, const long *moved, long number, long size,
                       double nothing, double *restrict past, long, long wide, long fill)
{
    for (long j = 0; j < number; j++) {
        const long length = lengths[moved[j]], before = at[moved[j]] - size;
        const long first = before < 0 ? before + length : before;
        const long straight = least(size, length - first);
        const double *ring = lines + room * moved[j];
        double *row = past + wide * j + fill;
        memcpy(row, ring + first, straight * sizeof *row);
        memcpy(row + straight, ring, (size - straight) * sizeof *row);
        for (long n = 0; n < size; n++)
            row[n] = fabs(row[n]) > nothing ? row[n] : 0.0;
    }
}

void moving_lines_split(double *restrict lines, long, long room, const long *lengths, long,
                        const long *at, long, const long *risen, long number, long size,
                        const double *sections, long, long, double *restrict states, long, long,
                        long, double share, double nothing, double *restrict past, long, long wide,
                        long fill)
{
    const double a0 = sections[0], b1 = sections[2], b2 = sections[3];
    const double c1 = sections[4], c2 = sections[5], d0 = sections[6];
    for (long j = 0; j < number; j++) {
        const long length = lengths[risen[j]];
        double *state = states + 8 * j, *ring = lines + room * risen[j];
        double *kept_row = past + wide * j + fill;
        long k = at[risen[j]] - size;
        k = k >= 0 ? k : k + length;
        double s = state[0], t0 = state[2], t1 = state[3], u0 = state[4], u1 = state[5];
        double v = state[6];
        for (long n = 0; n < size; n++) {
            const double x = fabs(ring[k]) > nothing ? ring[k] : 0.0;
            const double first = a0 * x + s;
            s = x - a0 * first;
            const double one = b2 * first + t0;
            t0 = b1 * (first - one) + t1;
            t1 = first - b2 * one;
            const double other = c2 * x + u0;
            u0 = c1 * (x - other) + u1;
            u1 = x - c2 * other;
            const double low = 0.5 * (one + other), slow = d0 * low + v;
            v = low - d0 * slow;
            const double kept = 0.5 * (low - slow);
            kept_row[n] = fabs(kept) > nothing ? kept : 0.0;
            ring[k] = one - (1.0 - share) * kept;
            k = k + 1 < length ? k + 1 : 0;
        }
        state[0] = s, state[2] = t0, state[3] = t1;
        state[4] = u0, state[5] = u1, state[6] = v;
        for (long m = 0; m < 8; m += 2)
            if (fabs(state[m]) + fabs(state[m + 1]) < nothing)
                state[m] = state[m + 1] = 0.0;
    }
}

static double trim(const double *powers, double share, double most)
{
    const double cross = powers[2];
    const double root = sqrt(cross * cross + share * share * powers[0] * powers[1]);
    return fmin((root - cross) / (share * powers[1]), most);
}

void moving_lines_add_raised(double *restrict lines, long, long room, const long *lengths, long,
                             const long *at, long, const long *risen, long number,
                             const double *restrict past, long, long wide, long fill,
                             const double *restrict raised, long, long piece, long size,
                             double share, const double *trimming, long, double *restrict powers,
                             long, long, double *restrict trims, long)
{
    for (long j = 0; j < number; j++) {
        const long length = lengths[risen[j]];
        const double *source = past + wide * j + fill - length, *up = raised + piece * j;
        double *ring = lines + room * risen[j], *power = powers + 3 * j;
        const double wanted = power[1] > 0.0 ? trim(power, share, trimming[1]) : trims[j];
        const double step = (wanted - trims[j]) / piece;
        double before = 0.0, after = 0.0, both = 0.0;
        for (long n = 0, k = at[risen[j]]; n < size; n++) {
            const double x = source[n], y = up[n], z = ring[k];
            ring[k] = z + share * (trims[j] + step * n) * y;
            before += x * x;
            after += y * y;
            both += z * y;
            k = k + 1 < length ? k + 1 : 0;
        }
        trims[j] = wanted;
        power[0] = trimming[0] * power[0] + before;
        power[1] = trimming[0] * power[1] + after;
        power[2] = trimming[0] * power[2] + both;
    }
}
