/* The loop of simchain/kernels/rails.py. */

static double excess(double u, double rail)
{
    return (u - rail > 0.0 ? u - rail : 0.0) + (u + rail < 0.0 ? u + rail : 0.0);
}

void rails_to_mean_excess(double *wave, long samples, double rail)
{
    double u0 = wave[0], e0 = excess(u0, rail);
    for (long i = 0; i < samples; i++) {
        const double u1 = wave[i], e1 = excess(u1, rail), step = u1 - u0;
        if (e1 - e0 == step || step == 0.0)
            wave[i] = 0.5 * (e1 + e0);
        else
            wave[i] = 0.5 * (e1 * e1 - e0 * e0) / step;
        u0 = u1, e0 = e1;
    }
}
