/* The loop of simchain/kernels/reverb.py. */
#include <math.h>
#include <string.h>

static long least(long a, long b) { return a < b ? a : b; }

static void read_four(const double *restrict lines, long row, const long *at, double *filters,
                      long count, long i, double *restrict work, long wide, long size)
{
    const double *r0 = lines + i * row + at[i], *r1 = lines + (i + 1) * row + at[i + 1];
    const double *r2 = lines + (i + 2) * row + at[i + 2], *r3 = lines + (i + 3) * row + at[i + 3];
    double *w0 = work + i * wide, *w1 = w0 + wide, *w2 = w1 + wide, *w3 = w2 + wide;
    const double *g = filters + i, *p = filters + count + i;
    double *last = filters + 2 * count + i;
    double a = last[0], b = last[1], c = last[2], d = last[3];
    for (long n = 0; n < size; n++) {
        a = g[0] * r0[n] + p[0] * a;
        b = g[1] * r1[n] + p[1] * b;
        c = g[2] * r2[n] + p[2] * c;
        d = g[3] * r3[n] + p[3] * d;
        w0[n] = (a + b) + (c + d);
        w1[n] = (a - b) + (c - d);
        w2[n] = (a + b) - (c + d);
        w3[n] = (a - b) - (c - d);
    }
    last[0] = a, last[1] = b, last[2] = c, last[3] = d;
}

static void write_four(const double *restrict work, long wide, const long *at, long i,
                       double *restrict lines, long row, long size)
{
    const double *w0 = work + i * wide, *w1 = w0 + 4 * wide, *w2 = w1 + 4 * wide;
    const double *w3 = w2 + 4 * wide;
    double *r0 = lines + i * row + at[i], *r1 = lines + (i + 4) * row + at[i + 4];
    double *r2 = lines + (i + 8) * row + at[i + 8], *r3 = lines + (i + 12) * row + at[i + 12];
    for (long n = 0; n < size; n++) {
        const double a = w0[n], b = w1[n], c = w2[n], d = w3[n];
        r0[n] = (a + b) + (c + d);
        r1[n] = (a - b) + (c - d);
        r2[n] = (a + b) - (c + d);
        r3[n] = (a - b) - (c - d);
    }
}

static void write_two(const double *restrict work, long wide, const long *at, long i,
                      double *restrict lines, long row, long size)
{
    const double *w0 = work + i * wide, *w1 = w0 + 4 * wide;
    double *r0 = lines + i * row + at[i], *r1 = lines + (i + 4) * row + at[i + 4];
    for (long n = 0; n < size; n++) {
        const double a = w0[n], b = w1[n];
        r0[n] = a + b;
        r1[n] = a - b;
    }
}

static void add_four(double *restrict out, const double *restrict lines, long row, const long *at,
                     const double *weights, long i, long size)
{
    const double *r0 = lines + i * row + at[i], *r1 = lines + (i + 1) * row + at[i + 1];
    const double *r2 = lines + (i + 2) * row + at[i + 2], *r3 = lines + (i + 3) * row + at[i + 3];
    const double c0 = weights[i], c1 = weights[i + 1], c2 = weights[i + 2], c3 = weights[i + 3];
    for (long n = 0; n < size; n++)
        out[n] += (c0 * r0[n] + c1 * r1[n]) + (c2 * r2[n] + c3 * r3[n]);
}

static int is_nothing(const double *lines, long size, double nothing)
{
    for (long n = 0; n < size; n++)
        if (fabs(lines[n]) > nothing)
            return 0;
    return 1;
}

void reverb_network(const double *volts, long inputs, long frames, const long *lengths, long count,
                    double *filters, long, long, const double *into, long, long,
                    const double *out_of, long outputs, long, const long *limits, long,
                    double nothing, long *at, long, double *lines, long, long row, double *work,
                    long, long wide, double *wet, long, long)
{
    long looked = limits[2];
    for (long done = limits[2], size; done < limits[3]; done += size) {
        size = least(limits[0], limits[3] - done);
        for (long i = 0; i < count; i++)
            size = least(size, lengths[i] - at[i]);
        for (long i = 0; i < count; i += 4)
            read_four(lines, row, at, filters, count, i, work, wide, size);
        for (long i = 0; i < 4; i++)
            if (count == 8)
                write_two(work, wide, at, i, lines, row, size);
            else
                write_four(work, wide, at, i, lines, row, size);
        for (long k = 0; k < inputs; k++)
            for (long i = 0; i < count; i++) {
                double *restrict line = lines + i * row + at[i];
                const double *restrict fresh = volts + k * frames + done;
                for (long n = 0; n < size; n++)
                    line[n] += into[k * count + i] * fresh[n];
            }
        for (long k = 0; k < outputs; k++)
            for (long i = 0; i < count; i += 4)
                add_four(wet + k * frames + done, lines, row, at, out_of + k * count, i, size);
        for (long i = 0; i < count; i++)
            at[i] = at[i] + size < lengths[i] ? at[i] + size : 0;
        if (done + size - looked >= limits[1]) {
            looked = done + size;
            if (is_nothing(lines, count * row, nothing)) {
                memset(lines, 0, count * row * sizeof *lines);
                memset(filters + 2 * count, 0, count * sizeof *filters);
            }
        }
    }
}
