/* The loop of simchain/kernels/pitch.py. */
#include <math.h>

static long least(long a, long b) { return a < b ? a : b; }
static long most_of(long a, long b) { return a > b ? a : b; }

static double product(const double *one, const double *two, long half, long stride)
{
    double total = 0.0;
    for (long k = -half; k <= half; k += stride)
        total += one[k] * two[k];
    return total;
}

static double likeness_of(const double *one, const double *two, double own, long half, long stride)
{
    double cross = 0.0, power = 0.0;
    for (long k = -half; k <= half; k += stride) {
        cross += one[k] * two[k];
        power += two[k] * two[k];
    }
    const double energy = own * power;
    return energy > 0.0 ? cross / sqrt(energy) : 0.0;
}

static long best_jump(const double *here, long way, const long *plan, double longer, double *like)
{
    const long shortest = plan[1], longest = plan[2], half = plan[4];
    const long coarse = plan[5], stride = plan[6], fine = most_of(1, coarse / 2);
    double own = product(here, here, half, stride), best = -2.0;
    long lag = longest;
    for (long tried = longest; tried >= shortest; tried -= coarse) {
        double found = likeness_of(here, here + way * tried, own, half, stride);
        found += longer * (tried - shortest) / (longest - shortest);
        if (found > best)
            best = found, lag = tried;
    }
    const long centre = lag;
    best = -2.0;
    own = product(here, here, half, fine);
    for (long tried = most_of(shortest, centre - coarse); tried <= least(longest, centre + coarse);
         tried++) {
        const double found = likeness_of(here, here + way * tried, own, half, fine);
        if (found > best)
            best = found, lag = tried;
    }
    const double before = likeness_of(here, here + way * (lag - 1), own, half, fine);
    const double after = likeness_of(here, here + way * (lag + 1), own, half, fine);
    const double bend = before - 2.0 * best + after;
    double top = bend < 0.0 ? 0.5 * (before - after) / bend : 0.0;
    top = fmin(fmax(top, -1.0), 1.0);
    *like = fmin(fmax(best, 0.0), 1.0);
    return way * (long)floor((lag + top) * 512.0 + 0.5);
}

static double value(const double *line, long place, const double *table)
{
    const double *x = line + (place >> 9) - 5, *t = table + 12 * (place & 511);
    const double a = t[0] * x[0] + t[4] * x[4] + t[8] * x[8];
    const double b = t[1] * x[1] + t[5] * x[5] + t[9] * x[9];
    const double c = t[2] * x[2] + t[6] * x[6] + t[10] * x[10];
    const double d = t[3] * x[3] + t[7] * x[7] + t[11] * x[11];
    return (a + b) + (c + d);
}

void pitch_read(const double *restrict line, long, long first, long step, const long *plan, long,
                double longer, const double *restrict table, long, long, const double *rise, long,
                long *places, long, double *like, long, double *restrict out, long frames)
{
    long place = places[0], old = places[1], left = places[2];
    const long turns_at = plan[0] * 512, fade = plan[3];
    for (long n = 0; n < frames; n++) {
        const long late = (first + n) * 512 - place;
        if (left == 0 && ((step > 512 && late <= turns_at) || (step < 512 && late >= turns_at))) {
            old = place, left = fade;
            place += best_jump(line + (place >> 9), step > 512 ? -1 : 1, plan, longer, like);
        }
        out[n] = value(line, place, table);
        if (left > 0) {
            const double b = rise[fade - left], a = 1.0 - b;
            const double power = a * a + b * b + 2.0 * like[0] * a * b;
            out[n] = (a * value(line, old, table) + b * out[n]) / sqrt(power);
            old += step;
            left--;
        }
        place += step;
    }
    places[0] = place, places[1] = old, places[2] = left;
}
