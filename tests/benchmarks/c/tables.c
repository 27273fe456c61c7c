/* The loops of simchain/kernels/tables.py. */
#include <math.h>

static const double *cell_of(double position, const double *table, long rows, long wide,
                             double *t)
{
    long row = 0;
    *t = position;
    if (position >= 0.0) {
        row = position < rows - 2.0 ? (long)position + 1 : rows - 1;
        *t = position - (row - 1.0);
    }
    return table + wide * row;
}

static double integral_at(double position, const double *table, long rows, long wide)
{
    double t;
    const double *c = cell_of(position, table, rows, wide, &t);
    return c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * c[4])));
}

static double value_at(double position, const double *table, long rows, long wide)
{
    double t;
    const double *c = cell_of(position, table, rows, wide, &t);
    return c[1] + t * (2.0 * c[2] + t * (3.0 * c[3] + t * 4.0 * c[4]));
}

static double mean_between(double last, double last_f, double here, double here_f,
                           const double *table, long rows, long wide)
{
    const double step = here - last;
    if (fabs(step) < 1e-5)
        return value_at(0.5 * (here + last), table, rows, wide);
    return (here_f - last_f) / step;
}

static void still(double *memory, long size)
{
    for (long i = 0; i < size; i++)
        if (fabs(memory[i]) < 1e-100)
            memory[i] = 0.0;
}

void tables_filter_and_shape(double *restrict volts, long frames, const double *restrict sections,
                             long number, long, double *restrict memory, long, long,
                             const double *restrict table, long rows, long wide, double first,
                             double per_volt, double *restrict last, long)
{
    double before = (last[0] - first) * per_volt, x = last[0];
    double before_f = integral_at(before, table, rows, wide);
    for (long n = 0; n < frames; n++) {
        x = volts[n];
        for (long k = 0; k < number; k++) {
            const double *c = sections + 6 * k;
            double *m = memory + 2 * k;
            const double y = c[0] * x + m[0];
            m[0] = (c[1] * x + m[1]) - c[4] * y;
            m[1] = c[2] * x - c[5] * y;
            x = y;
        }
        const double here = (x - first) * per_volt;
        const double here_f = integral_at(here, table, rows, wide);
        volts[n] = mean_between(before, before_f, here, here_f, table, rows, wide);
        before = here, before_f = here_f;
    }
    last[0] = x;
    still(memory, 2 * number);
}

void tables_shape_under_sag(double *restrict volts, long frames, long factor,
                            const double *restrict table, long rows, long wide,
                            const double *restrict numbers, long, double *restrict state, long)
{
    const double first = numbers[0], per_volt = numbers[1];
    const double rest = numbers[2], drop = numbers[3], move = numbers[4];
    double before = state[0], start = state[1], end = state[2], after = state[3];
    double before_f = integral_at(before, table, rows, wide);
    for (long n = 0; n < frames; n++) {
        double flow = 0.0, supply = start, cells = per_volt / start;
        const double supply_step = (end - start) / factor;
        const double cells_step = per_volt * (1.0 / end - 1.0 / start) / factor;
        for (long k = 0; k < factor; k++) {
            supply += supply_step;
            cells += cells_step;
            const double here = volts[n * factor + k] * cells - first * per_volt;
            const double here_f = integral_at(here, table, rows, wide);
            const double y = supply * mean_between(before, before_f, here, here_f, table, rows, wide);
            before = here, before_f = here_f;
            volts[n * factor + k] = y;
            flow += fabs(y);
        }
        start = end, end = after;
        after += (rest - drop * flow / factor - after) * move;
    }
    state[0] = before, state[1] = start, state[2] = end, state[3] = after;
}

void tables_filter_and_shape_under_bias(double *restrict volts, long frames, long factor,
                                        const double *restrict sections, long number, long,
                                        double *restrict memory, long, long,
                                        const double *restrict table, long rows, long wide,
                                        const double *restrict numbers, long,
                                        double *restrict state, long)
{
    const double first = numbers[0], per_volt = numbers[1], per_plate_ohm = numbers[2];
    const double cathode_amps = numbers[3], cathode_decay = numbers[4], cathode_weight = numbers[5];
    const double coupling_amps = numbers[6], coupling_decay = numbers[7];
    const double coupling_weight = numbers[8];
    double before = state[0], start = state[1], end = state[2], after = state[3];
    double cathode = state[4], coupling = state[5], before_f;
    before_f = integral_at(before, table, rows, wide);
    for (long n = 0; n < frames; n++) {
        double plate = 0.0, grid = 0.0, bias = first + start;
        const double step = (end - start) / factor;
        for (long k = 0; k < factor; k++) {
            bias += step;
            double x = volts[n * factor + k];
            for (long i = 0; i < number; i++) {
                const double *c = sections + 6 * i;
                double *m = memory + 2 * i;
                const double y = c[0] * x + m[0];
                m[0] = (c[1] * x + m[1]) - c[4] * y;
                m[1] = c[2] * x - c[5] * y;
                x = y;
            }
            const double here = (x - bias) * per_volt;
            double t;
            const double *c = cell_of(here, table, rows, wide, &t);
            const double here_f = c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * c[4])));
            grid += c[5] + t * c[6];
            const double y = mean_between(before, before_f, here, here_f, table, rows, wide);
            before = here, before_f = here_f;
            volts[n * factor + k] = y;
            plate += y;
        }
        grid /= factor;
        const double cathode_step =
            cathode_amps * (grid - plate * per_plate_ohm / factor) - cathode_decay * cathode;
        const double coupling_step = coupling_amps * grid - coupling_decay * coupling;
        cathode += cathode_step;
        coupling += coupling_step;
        start = end, end = after;
        after = cathode_weight * (cathode + 2.0 * cathode_step) +
                coupling_weight * (coupling + 2.0 * coupling_step);
    }
    state[0] = before, state[1] = start, state[2] = end, state[3] = after;
    state[4] = cathode, state[5] = coupling;
    still(memory, 2 * number);
}
