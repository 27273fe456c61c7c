"""The judge of `simchain.kernels.diodes`: both drive circuits, slow and plain.

Written from the circuits part by part (nothing shared with the kernel): each sample, Kirchhoff's
current law at the diodes is solved by Newton's rule from the sample before, with two exponentials
an iteration. Same third-order backward rule. Plain Python; a benchmark compiles it.

`values` of both: step_s, gain, series_ohm, low_cut_hz, high_cut_hz, gbw_hz, saturation_a,
up_volts, down_volts (k n Vt of each string).
"""

import math

import numpy as np


def feedback(x, values):
    step, gain, lower, low_cut, high_cut, gbw, saturation, up, down = values
    upper = lower * (gain - 1.0)
    c1 = 1.0 / (2 * math.pi * lower * low_cut)
    k1, k2 = c1 / step, 1.0 / (2 * math.pi * upper * high_cut) / step
    speed = step * 2 * math.pi * gbw
    a = 11.0 / 6.0
    leg = 1.0 / (1.0 / (a * k1) + lower)
    share = 1.0 / (1.0 + speed / a)
    conductance = 1.0 / upper + a * k2 + leg * share
    y = np.zeros(x.size)
    c1_1 = c1_2 = c1_3 = y_1 = y_2 = y_3 = w_1 = w_2 = w_3 = 0.0
    for i in range(x.size):
        past_c1 = 3 * c1_1 - 1.5 * c1_2 + c1_3 / 3
        past_y = 3 * y_1 - 1.5 * y_2 + y_3 / 3
        past_w = 3 * w_1 - 1.5 * w_2 + w_3 / 3
        # With no voltage across the upper leg the inverting input would stand at `still`.
        still = share * (past_y + speed * x[i]) / a
        current = leg * (still - past_c1 / a) + k2 * past_w
        w = w_1
        for _ in range(2000):
            forward, backward = math.exp(min(w / up, 300.0)), math.exp(min(-w / down, 300.0))
            error = conductance * w + saturation * (forward - backward) - current
            change = error / (conductance + saturation * (forward / up + backward / down))
            w -= change
            if abs(change) < 1e-13:
                break
        minus = still - share * w
        y[i] = minus + w
        c1_now = (minus / lower + k1 * past_c1) / (1.0 / lower + a * k1)
        c1_1, c1_2, c1_3 = c1_now, c1_1, c1_2
        y_1, y_2, y_3 = y[i], y_1, y_2
        w_1, w_2, w_3 = w, w_1, w_2
    return y


def shunt(x, values):
    step, gain, series, low_cut, high_cut, gbw, saturation, up, down = values
    slow, fast = step * 2 * math.pi * low_cut, step * 2 * math.pi * gbw / gain
    k = 1.0 / (2 * math.pi * series * high_cut) / step
    a = 11.0 / 6.0
    conductance = 1.0 / series + a * k
    v = np.zeros(x.size)
    c_1 = c_2 = c_3 = u_1 = u_2 = u_3 = v_1 = v_2 = v_3 = 0.0
    for i in range(x.size):
        c = (3 * c_1 - 1.5 * c_2 + c_3 / 3 + slow * x[i]) / (a + slow)
        u = (3 * u_1 - 1.5 * u_2 + u_3 / 3 + fast * gain * (x[i] - c)) / (a + fast)
        current = u / series + k * (3 * v_1 - 1.5 * v_2 + v_3 / 3)
        now = v_1
        for _ in range(2000):
            forward, backward = math.exp(min(now / up, 300.0)), math.exp(min(-now / down, 300.0))
            error = conductance * now + saturation * (forward - backward) - current
            change = error / (conductance + saturation * (forward / up + backward / down))
            now -= change
            if abs(change) < 1e-13:
                break
        v[i] = now
        c_1, c_2, c_3 = c, c_1, c_2
        u_1, u_2, u_3 = u, u_1, u_2
        v_1, v_2, v_3 = now, v_1, v_2
    return v
