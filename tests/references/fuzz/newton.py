"""The judge of `simchain.kernels.fuzz`: the second stage's base, slow and plain.

Written node by node from the circuit, nothing shared with the kernel: at each sample the nodes of
its transistor (base, emitter, collector) are solved by Newton's rule on Kirchhoff's current law,
started from the sample before, with the laws of both junctions. Same third-order backward rule.
"""

import numpy as np

VT, SATURATION, FORWARD, REVERSE = 25.865e-3, 1e-14, 150.0, 2.0


def second_base(e, circuit, step_s):
    """Return base 2's volts from rest for e before its resistor, both of shape (frames,)."""
    stage = circuit.stage
    nodes = np.array([circuit.second_base_volts, 0.1, 0.5 * stage.supply_volts])
    nodes = solve(stage, nodes, 1e12, 0.0, fixed=True)
    idle = base_amps(nodes)
    k_base, k_couple = circuit.base_farad / step_s, circuit.coupling_farad / step_s
    a = 11.0 / 6.0
    # The coupling capacitor and its resistor: i = branch (e - u - past_c / a).
    branch = 1.0 / (circuit.ohm + 1.0 / (a * k_couple))
    conductance = branch + 1.0 / circuit.leak_ohm + a * k_base
    u1 = u2 = u3 = c1 = c2 = c3 = 0.0
    found = np.empty(e.size)
    for i in range(e.size):
        past_u, past_c = 3 * u1 - 1.5 * u2 + u3 / 3, 3 * c1 - 1.5 * c2 + c3 / 3
        pushed = branch * (e[i] - past_c / a) + k_base * past_u
        source = circuit.second_base_volts + (pushed + idle) / conductance
        nodes = solve(stage, nodes, 1.0 / conductance, source)
        u = nodes[0] - circuit.second_base_volts
        c = (past_c + branch * (e[i] - past_c / a - u) / k_couple) / a
        u1, u2, u3, c1, c2, c3 = u, u1, u2, c, c1, c2
        found[i] = u
    return found


def base_amps(nodes):
    """Return the current into the base."""
    forward, reverse = np.exp((nodes[0] - nodes[1]) / VT), np.exp((nodes[0] - nodes[2]) / VT)
    return SATURATION / FORWARD * (forward - 1) + SATURATION / REVERSE * (reverse - 1)


def solve(stage, start, ohm, source, fixed=False):
    """Return base, emitter and collector volts; `fixed` holds the base where it starts.

    No step moves a junction by more than two thermal voltages.
    """
    nodes = start.copy()
    for _ in range(5000):
        forward, reverse = np.exp((nodes[0] - nodes[1]) / VT), np.exp((nodes[0] - nodes[2]) / VT)
        gf, gr = SATURATION * forward / VT, SATURATION * reverse / VT
        through = SATURATION * (forward - reverse)
        back = SATURATION / REVERSE * (reverse - 1)
        base = SATURATION / FORWARD * (forward - 1) + back
        collector = through - back
        d_base = np.array([gf / FORWARD + gr / REVERSE, -gf / FORWARD, -gr / REVERSE])
        d_collector = np.array([gf - gr - gr / REVERSE, -gf, gr + gr / REVERSE])
        error = np.array(
            [
                (nodes[0] - source) / ohm + base,
                nodes[1] / stage.emitter_ohm - base - collector,
                (nodes[2] - stage.supply_volts) / stage.collector_ohm + collector,
            ]
        )
        slope = np.array([d_base, -d_base - d_collector, d_collector])
        slope += np.diag([1 / ohm, 1 / stage.emitter_ohm, 1 / stage.collector_ohm])
        if fixed:
            error[0], slope[0] = 0.0, (1.0, 0.0, 0.0)
        change = np.linalg.solve(slope, error)
        nodes -= change * min(1.0, 2 * VT / max(np.abs(change).max(), 1e-300))
        if np.abs(change).max() < 1e-12:
            break
    return nodes
