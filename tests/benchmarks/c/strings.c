/* The loop of simchain/kernels/strings.py. */
#include <math.h>
#include <stdlib.h>

static const double TURN = 2.0 * M_PI;

static void turn(double *restrict work, long modes, double push, double *restrict terms)
{
    double *restrict re = work, *restrict im = work + modes;
    const double *cosine = work + 2 * modes, *sine = cosine + modes, *gain = sine + modes;
    const double *reads_re = gain + modes, *reads_im = reads_re + modes;
    for (long m = 0; m < modes; m++) {
        const double turned = re[m] * cosine[m] - im[m] * sine[m] + gain[m] * push;
        im[m] = re[m] * sine[m] + im[m] * cosine[m];
        re[m] = turned;
        terms[m] = reads_re[m] * re[m] + reads_im[m] * im[m];
    }
}

static double sums(const double *terms, long modes, double *side)
{
    double up = 0.0, across = 0.0;
    for (long m = 0; m < modes; m++) {
        up += terms[m];
        across += terms[modes + m];
    }
    *side = across;
    return up;
}

static void cosine_sine(double angle, double *cosine, double *sine)
{
    const double small = (angle - TURN * floor(angle / TURN + 0.5)) * 0.125, square = small * small;
    double c = 1.0, s = small, term_c = 1.0, term_s = small;
    for (int order = 1; order < 8; order++) {
        term_c *= -square / ((2.0 * order - 1.0) * (2.0 * order));
        term_s *= -square / ((2.0 * order) * (2.0 * order + 1.0));
        c += term_c;
        s += term_s;
    }
    for (int turn = 0; turn < 3; turn++) {
        const double doubled = 2.0 * c * s;
        c = c * c - s * s, s = doubled;
    }
    *cosine = c, *sine = s;
}

static double exponential(double power)
{
    double small = power, total = 1.0, term = 1.0;
    int doublings = 0;
    for (; small < -0.125; doublings++)
        small *= 0.5;
    for (int order = 1; order < 11; order++) {
        term *= small / order;
        total += term;
    }
    for (int turn = 0; turn < doublings; turn++)
        total *= total;
    return total;
}

static double blur(double waves) { return exponential(-waves * waves * (M_PI * M_PI / 8.0)); }

static void tune(const double *control, const double *string, double *work, long rows, long modes)
{
    const double hz = control[0], length = control[1], contact = control[3];
    const double rate = string[0], limit = string[11], share = control[2] / length;
    const double drive = 8.0 * (hz * hz) / (share * (1.0 - share) * rate);
    double twice_pluck, sine_pluck, twice_pickup, sine_pickup, before_pluck = 0.0, before_pickup = 0;
    cosine_sine(M_PI * share, &twice_pluck, &sine_pluck);
    cosine_sine(M_PI * string[8] / length, &twice_pickup, &sine_pickup);
    twice_pluck *= 2.0, twice_pickup *= 2.0;
    for (long m = 0; m < modes; m++) {
        const double number = m + 1.0;
        const double own = number * hz * sqrt(1.0 + string[1] / (length * length) * number * number);
        const double contact_blur = blur(number * contact / length);
        const double read = sine_pickup * blur(number * string[9] / length);
        for (int sideways = 0; sideways < 2; sideways++) {
            double mode_hz = own, loss = string[2] + string[3] * own;
            if (sideways)
                mode_hz *= string[6], loss *= string[5];
            loss += string[4] * mode_hz * mode_hz + control[4] + control[5] * mode_hz;
            const double fade = fmin(fmax((limit - mode_hz) / (0.2 * limit), 0.0), 1.0);
            if (fade == 0.0)
                mode_hz = 0.25 * rate, loss = 2000.0;
            const double omega = TURN * mode_hz, size = exponential(-loss / rate);
            double *at = work + sideways * rows * modes + m, cosine, sine;
            at[0] += (loss / omega - at[7 * modes]) * at[modes];
            at[7 * modes] = loss / omega;
            cosine_sine(omega / rate, &cosine, &sine);
            at[2 * modes] = size * cosine;
            at[3 * modes] = size * sine;
            at[4 * modes] = drive * sine_pluck * fade * contact_blur;
            at[5 * modes] = string[10] == 1.0 ? 0.0 : read;
            at[6 * modes] = string[10] == 1.0 ? number * M_PI / (length * omega)
                                              : -at[5 * modes] * at[7 * modes];
            if (sideways)
                at[5 * modes] *= string[7], at[6 * modes] *= string[7];
        }
        const double pluck = twice_pluck * sine_pluck - before_pluck;
        const double pickup = twice_pickup * sine_pickup - before_pickup;
        before_pluck = sine_pluck, sine_pluck = pluck;
        before_pickup = sine_pickup, sine_pickup = pickup;
    }
}

static int drop_the_faint(double *work, long modes)
{
    int live = 0;
    for (long m = 0; m < modes; m++)
        if (work[m] * work[m] + work[modes + m] * work[modes + m] < 1e-30)
            work[m] = work[modes + m] = 0.0;
        else
            live = 1;
    return live;
}

void strings_ring(const double *restrict force, long, long, const double *restrict controls,
                  long rows, long columns, long step, const double *restrict string, long,
                  double *restrict work, long, long work_rows, long modes, double *restrict sound,
                  long frames)
{
    double *terms = calloc(2 * modes, sizeof *terms), *side = work + work_rows * modes;
    int live = 0;
    for (long row = 0; row < rows; row++) {
        const double *control = controls + columns * row;
        int differs = row == 0;
        for (long c = 0; c < columns && row > 0; c++)
            differs |= control[c] != control[c - columns];
        if (differs)
            tune(control, string, work, work_rows, modes);
        const long first = row * step, last = first + step < frames ? first + step : frames;
        int pushed = 0;
        for (long n = first; n < last; n++)
            pushed |= force[n] != 0.0 || force[frames + n] != 0.0;
        if (!live && !pushed)
            continue;
        for (long n = first; n < last; n++) {
            double across, up;
            turn(work, modes, force[n], terms);
            turn(side, modes, force[frames + n], terms + modes);
            up = sums(terms, modes, &across);
            sound[n] = (sound[n] + up) + across;
        }
        const int up = drop_the_faint(work, modes), across = drop_the_faint(side, modes);
        live = up || across;
    }
    free(terms);
}
