/* The loop of simchain/kernels/diodes.py. */
#include <math.h>
#include <stdint.h>
#include <string.h>

static double solved_upwards(double b, double leak, double up, double down)
{
    double low = 0.0, high = fmin(b, up * log1p(b / leak)), v = high;
    for (int turn = 0; turn < 100; turn++) {
        const double forward = leak * exp(v / up), backward = leak * exp(-v / down);
        const double error = v + forward - backward - b;
        if (error > 0.0)
            high = v;
        else
            low = v;
        double next = v - error / (1.0 + forward / up + backward / down);
        if (!(low <= next && next <= high))
            next = 0.5 * (low + high);
        if (fabs(next - v) <= 1e-15 * fabs(next))
            return next;
        v = next;
    }
    return v;
}

static double solved(double b, double leak, double up, double down)
{
    return b < 0.0 ? -solved_upwards(-b, leak, down, up) : solved_upwards(b, leak, up, down);
}

void diodes_step_through(const double *steps, long, long, const double *cells, long, long in_a_side,
                         long, long shift, long first, const double *scale, long, double *state,
                         long, double *wave, long samples)
{
    const double m00 = steps[0], m01 = steps[1], m02 = steps[2], b0 = steps[3];
    const double m10 = steps[4], m11 = steps[5], m12 = steps[6], b1 = steps[7];
    const double m20 = steps[8], m21 = steps[9], m22 = steps[10], b2 = steps[11];
    const double p1 = steps[13], p2 = steps[14];
    const double g0 = 3.0 * (m00 + m01 * p1 + m02 * p2);
    const double g1 = 3.0 * (m10 + m11 * p1 + m12 * p2);
    const double g2 = 3.0 * (m20 + m21 * p1 + m22 * p2);
    const double o0 = steps[16], o1 = steps[17], o2 = steps[18], direct = steps[19];
    double n0 = state[0], n1 = state[1], n2 = state[2], lack = state[3];
    double u0 = state[4], u1 = state[5], u2 = state[6];
    double w0 = state[7], w1 = state[8], w2 = state[9];
    const double unit = ldexp(1.0, (int)-shift);
    const int64_t rest = ((int64_t)1 << shift) - 1;
    for (long i = 0; i < samples; i++) {
        const double x = wave[i];
        const double s0 = (n0 + b0 * x) - g0 * lack;
        const double s1 = (n1 + b1 * x) - g1 * lack;
        const double s2 = (n2 + b2 * x) - g2 * lack;
        const double h0 = 3.0 * s0 - 1.5 * u0 + w0 / 3.0;
        const double h1 = 3.0 * s1 - 1.5 * u1 + w1 / 3.0;
        const double h2 = 3.0 * s2 - 1.5 * u2 + w2 / 3.0;
        n0 = m00 * h0 + m01 * h1 + m02 * h2;
        n1 = m10 * h0 + m11 * h1 + m12 * h2;
        n2 = m20 * h0 + m21 * h1 + m22 * h2;
        int64_t bits;
        memcpy(&bits, &s0, sizeof bits);
        bits &= 0x7FFFFFFFFFFFFFFF;
        const int64_t place = (bits >> shift) - first;
        double v;
        if (place < 0) {
            v = s0 * scale[3];
        } else if (place < in_a_side) {
            const double *cell = cells + 4 * ((s0 < 0.0 ? in_a_side : 0) + place);
            const double t = (double)(bits & rest) * unit;
            v = (cell[0] + cell[1] * t) + (t * t) * (cell[2] + cell[3] * t);
        } else {
            v = solved(s0, scale[0], scale[1], scale[2]);
        }
        lack = s0 - v;
        w0 = u0, w1 = u1, w2 = u2;
        u0 = v, u1 = s1 - p1 * lack, u2 = s2 - p2 * lack;
        wave[i] = o0 * u0 + o1 * u1 + o2 * u2 + direct * x;
    }
    const double left[10] = {n0, n1, n2, lack, u0, u1, u2, w0, w1, w2};
    memcpy(state, left, sizeof left);
}
