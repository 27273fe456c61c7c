"""Curves without memory as tables with their antiderivative, read so that they alias little.

A curve y = f(x) of volts is tabulated as cubics (its values and slopes at equally spaced
points), and between two samples x0 and x1 its mean is taken instead of its value:

    y = (F(x1) - F(x0)) / (x1 - x0),    F' = f

(first-order antiderivative anti-aliasing: Parker, Zavalishin and Le Bivic, DAFx-16, 2016;
equation from memory). That costs half a frame of delay, which the caller takes back, and the level
of a two-point average, |cos(w / 2)|. F is the exact integral of the tabulated cubics.
"""

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel

Numbers = NDArray[np.float64]


def cubic_table(values: Numbers, slopes: Numbers, zero: float) -> Numbers:
    """Return the table of a curve given at equally spaced points, shape (points + 1, 5).

    `values` and `slopes` (per cell, not per volt) have shape (points,). Row k + 1 holds, for
    the cell from point k with t from 0 to 1 inside it, F at t = 0 and the four coefficients of
    F(t) - F(0) = t (c1 + t (c2 + t (c3 + t c4))), F in units of one cell. The first and the last
    row hold the curve constant beyond its ends. `zero` is the position, in cells from the first
    point, where F is made 0: there small signals lose the fewest digits.
    """
    y0, y1, m0, m1 = values[:-1], values[1:], slopes[:-1], slopes[1:]
    rows = np.zeros((len(values) + 1, 5))
    inner = rows[1:-1]
    inner[:, 1] = y0
    inner[:, 2] = m0 / 2
    inner[:, 3] = (3 * (y1 - y0) - 2 * m0 - m1) / 3
    inner[:, 4] = (2 * (y0 - y1) + m0 + m1) / 4
    inner[1:, 0] = np.cumsum(inner[:, 1:].sum(axis=1))[:-1]
    rows[0, 1], rows[-1, 1] = values[0], values[-1]
    rows[-1, 0] = inner[-1].sum()
    rows[:, 0] -= integral_at(zero, rows)
    return rows


@kernel
def integral_at(position: float, table: Numbers) -> float:
    """Return F at `position`, counted in cells from the table's first point."""
    row, t = 0, position
    if position >= 0.0:
        row = table.shape[0] - 1
        if position < row - 1.0:
            row = int(position) + 1
        t = position - (row - 1.0)
    c = table[row]
    return float(c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * c[4]))))


@kernel
def value_at(position: float, table: Numbers) -> float:
    """Return the curve f at `position`, counted in cells from the table's first point."""
    row, t = 0, position
    if position >= 0.0:
        row = table.shape[0] - 1
        if position < row - 1.0:
            row = int(position) + 1
        t = position - (row - 1.0)
    c = table[row]
    return float(c[1] + t * (2.0 * c[2] + t * (3.0 * c[3] + t * 4.0 * c[4])))


@kernel
def mean_between(last: float, last_f: float, here: float, here_f: float, table: Numbers) -> float:
    """Return the curve's mean between two positions whose F is known."""
    step = here - last
    # Below this step the difference of F has lost more digits than the midpoint is off.
    if abs(step) < 1e-5:
        return value_at(0.5 * (here + last), table)
    return (here_f - last_f) / step


@kernel
def still(memory: Numbers) -> None:
    """Make 0 what has died away in `memory`, before it is too small to reckon fast with."""
    for k in range(memory.shape[0]):
        for i in range(memory.shape[1]):
            if abs(memory[k, i]) < 1e-100:
                memory[k, i] = 0.0


@kernel
def filter_and_shape(
    volts: Numbers,
    sections: Numbers,
    memory: Numbers,
    table: Numbers,
    first: float,
    per_volt: float,
    last: Numbers,
) -> None:
    """Pass `volts`, shape (frames,), through second-order sections and then a curve, in place.

    `sections`, shape (n, 6), are as scipy.signal.sosfilt takes them and run as it runs them
    (transposed direct form II), from `memory`, shape (n, 2). `first` is the table's first point in
    volts, `per_volt` its cells a volt. `last`, shape (1,), holds the filtered volts before the
    first frame. `memory` and `last` are moved on; all 0 is rest. One loop does both, because
    the filter's waiting for itself hides behind the reading of the table.
    """
    before = (last[0] - first) * per_volt
    before_f = integral_at(before, table)
    x = last[0]
    for n in range(volts.shape[0]):
        x = volts[n]
        for k in range(sections.shape[0]):
            c, m = sections[k], memory[k]
            y = c[0] * x + m[0]
            m[0] = (c[1] * x + m[1]) - c[4] * y
            m[1] = c[2] * x - c[5] * y
            x = y
        here = (x - first) * per_volt
        here_f = integral_at(here, table)
        volts[n] = mean_between(before, before_f, here, here_f, table)
        before, before_f = here, here_f
    last[0] = x
    still(memory)


@kernel
def filter_and_shape_under_bias(
    volts: Numbers,
    sections: Numbers,
    memory: Numbers,
    table: Numbers,
    numbers: Numbers,
    state: Numbers,
) -> None:
    """Pass `volts` through sections and then a curve that its own currents push aside, in place.

    `volts` has shape (base frames, factor), `sections` and `memory` are as for `filter_and_shape`.
    `table` has two columns more: what flows into the grid, value and rise a cell. Two
    capacitors, charged to c and g, move the curve; with means over a base frame:

        y = f(x - b),   b = cathode_weight c + coupling_weight g
        c += cathode_amps (grid - y / plate_ohm) - cathode_decay c
        g += coupling_amps grid - coupling_decay g

    b goes straight from one base frame to the next. It is reckoned two frames ahead, c and g
    going on as they went, so that the loop need not wait for itself.

    `numbers`: first point, cells a volt, 1 / plate_ohm, cathode_amps, cathode_decay,
    cathode_weight, coupling_amps, coupling_decay, coupling_weight. `state`: position before the
    first frame; b at the frame's start, at its end and one frame on; c; g.
    """
    first, per_volt, per_plate_ohm = numbers[0], numbers[1], numbers[2]
    cathode_amps, cathode_decay, cathode_weight = numbers[3], numbers[4], numbers[5]
    coupling_amps, coupling_decay, coupling_weight = numbers[6], numbers[7], numbers[8]
    before, start, end, after = state[0], state[1], state[2], state[3]
    cathode, coupling = state[4], state[5]
    factor = volts.shape[1]
    last_row = table.shape[0] - 1
    before_f = integral_at(before, table)
    for n in range(volts.shape[0]):
        plate, grid = 0.0, 0.0
        bias, step = first + start, (end - start) / factor
        for k in range(factor):
            bias += step
            x = volts[n, k]
            for i in range(sections.shape[0]):
                c, m = sections[i], memory[i]
                y = c[0] * x + m[0]
                m[0] = (c[1] * x + m[1]) - c[4] * y
                m[1] = c[2] * x - c[5] * y
                x = y
            here = (x - bias) * per_volt
            row, t = 0, here
            if here >= 0.0:
                row = last_row
                if here < row - 1.0:
                    row = int(here) + 1
                t = here - (row - 1.0)
            c = table[row]
            here_f = c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * c[4])))
            grid += c[5] + t * c[6]
            y = mean_between(before, before_f, here, here_f, table)
            before, before_f = here, here_f
            volts[n, k] = y
            plate += y
        grid /= factor
        cathode_step = cathode_amps * (grid - plate * per_plate_ohm / factor)
        cathode_step -= cathode_decay * cathode
        coupling_step = coupling_amps * grid - coupling_decay * coupling
        cathode += cathode_step
        coupling += coupling_step
        start, end = end, after
        after = cathode_weight * (cathode + 2.0 * cathode_step)
        after += coupling_weight * (coupling + 2.0 * coupling_step)
    state[0], state[1], state[2], state[3] = before, start, end, after
    state[4], state[5] = cathode, coupling
    still(memory)
    still(state[1:].reshape(1, state.size - 1))


@kernel
def shape_under_sag(volts: Numbers, table: Numbers, numbers: Numbers, state: Numbers) -> None:
    """Pass `volts` through a curve whose size follows a supply that gives way, in place.

    `volts` has shape (base frames, factor). The supply s moves once a base frame, straight from one
    value to the next, and answers two base frames late (so that the loop need not wait for itself):

        y = s f(x / s),    s += (rest - drop |y| - s) move,    |y| averaged over the base frame

    `numbers`: first point, cells a volt, rest, drop, move. `state`: position before the first
    frame, and the supply at the frame's start, at its end and one frame on.
    """
    first, per_volt, rest, drop, move = numbers[0], numbers[1], numbers[2], numbers[3], numbers[4]
    factor = volts.shape[1]
    before, start, end, after = state[0], state[1], state[2], state[3]
    before_f = integral_at(before, table)
    for n in range(volts.shape[0]):
        flow = 0.0
        # 1 / s goes straight as well: their product strays from 1 by the square of a tiny step.
        supply, supply_step = start, (end - start) / factor
        cells, cells_step = per_volt / start, per_volt * (1.0 / end - 1.0 / start) / factor
        for k in range(factor):
            supply += supply_step
            cells += cells_step
            here = volts[n, k] * cells - first * per_volt
            here_f = integral_at(here, table)
            y = supply * mean_between(before, before_f, here, here_f, table)
            before, before_f = here, here_f
            volts[n, k] = y
            flow += abs(y)
        start, end = end, after
        after += (rest - drop * flow / factor - after) * move
    state[0], state[1], state[2], state[3] = before, start, end, after
