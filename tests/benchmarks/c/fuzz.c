/* The loops of simchain/kernels/fuzz.py. */
#include <math.h>
#include <stdint.h>
#include <string.h>

static const double *row_of(double x, const double *rows, long number, long wide, double *t)
{
    const long half = number / 2;
    int64_t bits;
    memcpy(&bits, &x, sizeof bits);
    bits &= 0x7FFFFFFFFFFFFFFF;
    int64_t place = (bits >> 45) - ((1023 - 20) << 7) + 1;
    *t = (double)(bits & 0x1FFFFFFFFFFF) * 0x1p-45;
    if (place <= 0) {
        place = 0;
        *t = fabs(x) * 0x1p20;
    } else if (place >= half) {
        place = half - 1;
        *t = 1.0;
    }
    return rows + wide * (place + (x < 0.0 ? half : 0));
}

static double value(double x, const double *rows, long number, long wide)
{
    double t;
    const double *c = row_of(x, rows, number, wide, &t);
    return (c[0] + c[1] * t) + (t * t) * (c[2] + c[3] * t);
}

static double value_and_integral(double x, const double *rows, long number, long wide,
                                 double *integral)
{
    double t;
    const double *c = row_of(x, rows, number, wide, &t);
    const double mean = (c[0] + 0.5 * c[1] * t) + (t * t) * ((1.0 / 3) * c[2] + 0.25 * c[3] * t);
    *integral = c[4] + c[5] * t * mean;
    return (c[0] + c[1] * t) + (t * t) * (c[2] + c[3] * t);
}

void fuzz_step_to_base(const double *steps, long, long wide, const double *restrict one,
                       long in_one, long one_wide, const double *restrict two, long in_two,
                       long two_wide, double *restrict state, long states, double *restrict wave,
                       long samples)
{
    const double m00 = steps[0], m01 = steps[1], b0 = steps[2];
    const double m10 = steps[wide], m11 = steps[wide + 1], b1 = steps[wide + 2];
    const double p1 = steps[2 * wide];
    const double g0 = 3.0 * (m00 + m01 * p1), g1 = 3.0 * (m10 + m11 * p1);
    double n0 = state[0], n1 = state[1], lack = state[2], u = state[3], c = state[4];
    double u1 = state[5], c1 = state[6], x = state[7], e = state[8], e_sum = state[9];
    for (long i = 0; i < samples; i++) {
        const double x1 = x, e1 = e, e_sum1 = e_sum;
        x = wave[i];
        e = value_and_integral(x, one, in_one, one_wide, &e_sum);
        double fed = e;
        if (fabs(x - x1) > 1e-6)
            fed += (e_sum - e_sum1) / (x - x1) - 0.5 * (e + e1);
        const double s0 = (n0 + b0 * fed) - g0 * lack, s1 = (n1 + b1 * fed) - g1 * lack;
        const double h0 = 3.0 * s0 - 1.5 * u + (1.0 / 3) * u1;
        const double h1 = 3.0 * s1 - 1.5 * c + (1.0 / 3) * c1;
        n0 = m00 * h0 + m01 * h1;
        n1 = m10 * h0 + m11 * h1;
        u1 = u, c1 = c;
        u = value(s0, two, in_two, two_wide);
        lack = s0 - u;
        c = s1 - p1 * lack;
        wave[i] = s0;
    }
    const double left[10] = {n0, n1, lack, u, c, u1, c1, x, e, e_sum};
    for (long k = 0; k < states; k++)
        state[k] = fabs(left[k]) < 1e-100 ? 0.0 : left[k];
}

void fuzz_read_means(const double *restrict rows, long number, long wide, double *restrict state,
                     long, double *restrict wave, long samples)
{
    double x = state[0], y = state[1], y_sum = state[2];
    for (long i = 0; i < samples; i++) {
        const double x1 = x, y1 = y, y_sum1 = y_sum;
        x = wave[i];
        y = value_and_integral(x, rows, number, wide, &y_sum);
        wave[i] = fabs(x - x1) > 1e-6 ? (y_sum - y_sum1) / (x - x1) : 0.5 * (y + y1);
    }
    state[0] = x, state[1] = y, state[2] = y_sum;
}
