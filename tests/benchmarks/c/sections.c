/* The loops of simchain/kernels/sections.py. */
#include <math.h>
#include <stdlib.h>

/* Restrict is left out where `out` may be `volts`. */
static void through_one(const double *c, double *restrict m, const double *volts, double *out,
                        long frames)
{
    const double b0 = c[0], b1 = c[1], b2 = c[2], a1 = c[4], a2 = c[5];
    double m0 = m[0], m1 = m[1];
    for (long n = 0; n < frames; n++) {
        const double x = volts[n], y = b0 * x + m0;
        m0 = (b1 * x + m1) - a1 * y;
        m1 = b2 * x - a2 * y;
        out[n] = y;
    }
    m[0] = m0, m[1] = m1;
}

static void through_two(const double *c, double *restrict m, const double *volts, double *out,
                        long frames)
{
    const double b0 = c[0], b1 = c[1], b2 = c[2], a1 = c[4], a2 = c[5];
    const double d0 = c[6], d1 = c[7], d2 = c[8], c1 = c[10], c2 = c[11];
    double m0 = m[0], m1 = m[1], k0 = m[2], k1 = m[3];
    for (long n = 0; n < frames; n++) {
        const double x = volts[n], y = b0 * x + m0;
        m0 = (b1 * x + m1) - a1 * y;
        m1 = b2 * x - a2 * y;
        const double z = d0 * y + k0;
        k0 = (d1 * y + k1) - c1 * z;
        k1 = d2 * y - c2 * z;
        out[n] = z;
    }
    m[0] = m0, m[1] = m1, m[2] = k0, m[3] = k1;
}

static void through(const double *sections, long count, double *memory, const double *volts,
                    double *out, long frames)
{
    const double *source = volts;
    if (count % 2) {
        through_one(sections, memory, source, out, frames);
        source = out;
    }
    for (long k = count % 2; k < count; k += 2) {
        through_two(sections + 6 * k, memory + 2 * k, source, out, frames);
        source = out;
    }
    for (long i = 0; i < 2 * count; i++)
        if (fabs(memory[i]) < 1e-100)
            memory[i] = 0.0;
}

void sections_through_sections(const double *sections, long count, long, double *memory, long, long,
                               long, const double *volts, long lines, long frames, double *out,
                               long, long)
{
    for (long line = 0; line < lines; line++)
        through(sections, count, memory + 2 * count * line, volts + frames * line,
                out + frames * line, frames);
}

void sections_squares_behind_sections(const double *sections, long count, long, const double *volts,
                                      long frames, long hop, double *restrict sums, long hops)
{
    double *memory = calloc(2 * count, sizeof *memory), *made = malloc(hop * sizeof *made);
    for (long i = 0; i < hops; i++) {
        const long first = i * hop, left = frames - first, size = left < hop ? left : hop;
        through(sections, count, memory, volts + first, made, size);
        double total = 0.0;
        for (long n = 0; n < size; n++)
            total += made[n] * made[n];
        sums[i] += total;
    }
    free(memory);
    free(made);
}
