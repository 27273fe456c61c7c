/* The loops of simchain/kernels/hearing.py; events frame by frame, which is slower than in one line.
   Sums over bands may be taken in any order, as there. */
#include <math.h>
#include <stdlib.h>
#pragma GCC optimize("associative-math", "no-signed-zeros", "no-trapping-math")

static double least(double a, double b)
{
    return a < b ? a : b;
}

static double most(double a, double b)
{
    return a > b ? a : b;
}

static double beyond_phase(const double *restrict a, const double *restrict b,
                           const double *restrict weights, long takes, long rows, long bands,
                           double *restrict sums)
{
    const long size = rows * bands;
    double *restrict off_a = sums, *restrict off_b = sums + bands;
    double *restrict squares_a = sums + 2 * bands, *restrict squares_b = sums + 3 * bands;
    double *restrict squares = sums + 4 * bands;
    double total = 0.0, square = 0.0, spread = 0.0, spread_a = 0.0, spread_b = 0.0;
    for (long i = 0; i < size; i += bands) {
        for (long j = 0; j < 5 * bands; j++)
            sums[j] = 0.0;
        for (long k = 1; k < takes; k++)
            for (long j = 0; j < bands; j++) {
                const double x = a[k * size + i + j] - a[i + j];
                const double y = b[k * size + i + j] - b[i + j];
                off_a[j] += x;
                off_b[j] += y;
                squares_a[j] += x * x;
                squares_b[j] += y * y;
                squares[j] += (y - x) * (y - x);
            }
        for (long j = 0; j < bands; j++) {
            const double weight = weights[i + j], apart = b[i + j] - a[i + j];
            const double moved = off_b[j] - off_a[j];
            total += weight;
            square += weight * (apart * apart * takes + 2.0 * apart * moved + squares[j]);
            spread += weight * (squares[j] * takes - moved * moved);
            spread_a += weight * (squares_a[j] * takes - off_a[j] * off_a[j]);
            spread_b += weight * (squares_b[j] * takes - off_b[j] * off_b[j]);
        }
    }
    if (total == 0.0)
        return 0.0;
    square /= takes;
    if (takes > 1) {
        const double pairs = takes * (takes - 1.0);
        spread /= pairs, spread_a /= pairs, spread_b /= pairs;
        square -= (1.0 + 2.0 / takes) * least(spread, 2.0 * least(spread_a, spread_b));
        square -= (1.0 - 1.0 / takes) * most(spread - spread_a - spread_b, 0.0);
    }
    return sqrt(most(square / total, 0.0));
}

void hearing_levels_apart(const double *one, long takes, long quantiles, long bands,
                          const double *loudness_of_one, long, const double *many, long sounds,
                          long, long, long, const double *loudness, long, long, double *found, long)
{
    const long size = quantiles * bands;
    double *weights = malloc(size * sizeof *weights), *sums = malloc(5 * bands * sizeof *sums);
    for (long n = 0; n < sounds; n++) {
        for (long i = 0; i < quantiles; i++)
            for (long j = 0; j < bands; j++)
                weights[i * bands + j] = loudness_of_one[j] + loudness[n * bands + j];
        found[n] = beyond_phase(one, many + n * takes * size, weights, takes, quantiles, bands,
                                sums);
    }
    free(weights);
    free(sums);
}

void hearing_swings_apart(const double *one, long takes, long filters, long groups,
                          const double *swings_of_one, long, long, const double *loudness_of_one,
                          long, const double *many, long sounds, long, long, long,
                          const double *swings, long, long, long, const double *loudness, long,
                          long, double *found, long)
{
    const long size = filters * groups;
    double *weights = malloc(size * sizeof *weights), *sums = malloc(5 * groups * sizeof *sums);
    for (long n = 0; n < sounds; n++) {
        for (long i = 0; i < filters; i++)
            for (long j = 0; j < groups; j++) {
                const double mine = swings_of_one[i * groups + j];
                const double theirs = swings[n * size + i * groups + j];
                const double loud = loudness_of_one[j] + loudness[n * groups + j];
                weights[i * groups + j] = (mine > theirs ? mine : theirs) * loud;
            }
        found[n] = beyond_phase(one, many + n * takes * size, weights, takes, filters, groups,
                                sums);
    }
    free(weights);
    free(sums);
}

static void means(const double *restrict x, long frames, long groups, long width,
                  double *restrict made)
{
    for (long i = 0; i < frames; i++) {
        const long from = i - width / 2, to = from + width;
        const long first = from > 0 ? from : 0, end = to < frames ? to : frames;
        for (long j = 0; j < groups; j++) {
            double sum = 0.0;
            for (long k = first; k < end; k++)
                sum += x[k * groups + j];
            made[i * groups + j] = sum / width;
        }
    }
}

void hearing_standing_out(const double *restrict a, long frames, long groups,
                          const double *restrict b, long, long, double floor, double beside,
                          long reach, const long *restrict over, long widths,
                          double *restrict found, long, long)
{
    double *mean_a = malloc(frames * groups * sizeof *mean_a);
    double *mean_b = malloc(frames * groups * sizeof *mean_b);
    double *near = malloc(groups * sizeof *near);
    for (long i = 0; i < frames * groups; i++)
        found[i] = 0.0;
    for (long w = 0; w < widths; w++) {
        means(a, frames, groups, over[w], mean_a);
        means(b, frames, groups, over[w], mean_b);
        for (long i = 0; i < frames; i++) {
            const long first = i > reach ? i - reach : 0;
            const long end = i + reach + 1 < frames ? i + reach + 1 : frames;
            const double *now = mean_b + i * groups;
            double loudest = 0.0;
            for (long j = 0; j < groups; j++) {
                near[j] = mean_a[i * groups + j];
                for (long k = first; k < end; k++)
                    near[j] = most(near[j], mean_a[k * groups + j]);
                loudest = most(loudest, most(near[j], now[j]));
            }
            const double hidden = most(beside * loudest, floor);
            for (long j = 0; j < groups; j++) {
                const double ratio = (now[j] + hidden) / (near[j] + hidden);
                found[i * groups + j] = most(found[i * groups + j], ratio);
            }
        }
    }
    free(mean_a);
    free(mean_b);
    free(near);
}
