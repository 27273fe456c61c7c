/* The loop of simchain/kernels/gate.py. */

void gate_peaks_to_reductions(double *peaks, long frames, const double *levels, long, long wait,
                              double range_db, const double *kept, long, double at_rest_db)
{
    const double opens_at = levels[0], closes_at = levels[1];
    const double opening = kept[0], closing = kept[1];
    double to_closed_db = 0.0;
    for (long n = 0; n < frames;) {
        for (; n < frames && peaks[n] < opens_at; n++) {
            to_closed_db = to_closed_db > at_rest_db ? to_closed_db * closing : 0.0;
            peaks[n] = range_db - to_closed_db;
        }
        double to_open_db = range_db - to_closed_db;
        for (long left = 0; n < frames && (left > 0 || peaks[n] >= closes_at); n++) {
            left = peaks[n] >= closes_at ? wait : left - 1;
            to_open_db = to_open_db > at_rest_db ? to_open_db * opening : 0.0;
            peaks[n] = to_open_db;
        }
        to_closed_db = range_db - to_open_db;
    }
}
