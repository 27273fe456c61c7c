/* The loops of simchain/kernels/dynamics.py. */
#include <math.h>

static double reduction_db(double level_db, double threshold_db, double slope, double knee_db)
{
    const double over = level_db - threshold_db;
    if (2.0 * over <= -knee_db)
        return 0.0;
    if (2.0 * over >= knee_db)
        return slope * over;
    const double into = over + 0.5 * knee_db;
    return slope * into * into / (2.0 * knee_db);
}

void dynamics_levels_to_reductions(double *levels_db, long frames, const double *curve, long,
                                   double attack, double release, double nothing_db)
{
    double held = 0.0, smooth = 0.0;
    for (long n = 0; n < frames; n++) {
        const double x = reduction_db(levels_db[n], curve[0], curve[1], curve[2]);
        const double falling = release * held + (1.0 - release) * x;
        held = x > falling ? x : falling;
        held = held > nothing_db ? held : 0.0;
        smooth = attack * smooth + (1.0 - attack) * held;
        smooth = smooth > nothing_db ? smooth : 0.0;
        levels_db[n] = smooth;
    }
}

/* What the compressor does from its input to its output, `level` decibels a neper and 0 dBu. */
void dynamics_compressed(const double *restrict volts, long frames, const double *restrict curve,
                         long, double attack, double release, double nothing_db,
                         const double *restrict level, long, double makeup_db, double *restrict out,
                         long)
{
    double held = 0.0, smooth = 0.0;
    for (long n = 0; n < frames; n++) {
        const double size = fabs(volts[n]) > 1e-12 ? fabs(volts[n]) : 1e-12;
        const double level_db = level[0] * log(size) - level[1];
        const double x = reduction_db(level_db, curve[0], curve[1], curve[2]);
        const double falling = release * held + (1.0 - release) * x;
        held = x > falling ? x : falling;
        held = held > nothing_db ? held : 0.0;
        smooth = attack * smooth + (1.0 - attack) * held;
        smooth = smooth > nothing_db ? smooth : 0.0;
        out[n] = volts[n] * exp((makeup_db - smooth) / level[0]);
    }
}
