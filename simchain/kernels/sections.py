"""Second-order sections, one after another, as scipy.signal.sosfilt takes and runs them."""

import numpy as np

from simchain.kernels.compile import kernel
from simchain.signal import Volts


@kernel
def _through_one(section: Volts, memory: Volts, volts: Volts, out: Volts) -> None:
    """Pass `volts` through one section (transposed direct form II) into `out`, or in place."""
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[4], section[5]
    m0, m1 = memory[0], memory[1]
    for n in range(volts.shape[0]):
        x = volts[n]
        y = b0 * x + m0
        m0 = (b1 * x + m1) - a1 * y
        m1 = b2 * x - a2 * y
        out[n] = y
    memory[0], memory[1] = m0, m1


@kernel
def _through_two(sections: Volts, memory: Volts, volts: Volts, out: Volts) -> None:
    """Pass `volts` through two sections at once: each works while the other waits for itself."""
    b0, b1, b2, a1, a2 = (
        sections[0, 0],
        sections[0, 1],
        sections[0, 2],
        sections[0, 4],
        sections[0, 5],
    )
    d0, d1, d2, c1, c2 = (
        sections[1, 0],
        sections[1, 1],
        sections[1, 2],
        sections[1, 4],
        sections[1, 5],
    )
    m0, m1, k0, k1 = memory[0, 0], memory[0, 1], memory[1, 0], memory[1, 1]
    for n in range(volts.shape[0]):
        x = volts[n]
        y = b0 * x + m0
        m0 = (b1 * x + m1) - a1 * y
        m1 = b2 * x - a2 * y
        z = d0 * y + k0
        k0 = (d1 * y + k1) - c1 * z
        k1 = d2 * y - c2 * z
        out[n] = z
    memory[0, 0], memory[0, 1], memory[1, 0], memory[1, 1] = m0, m1, k0, k1


@kernel
def _still(memory: Volts) -> None:
    """Set what is far below anything that is heard to 0: denormal numbers are slow."""
    for k in range(memory.shape[0]):
        for i in range(2):
            if abs(memory[k, i]) < 1e-100:
                memory[k, i] = 0.0


@kernel
def _through(sections: Volts, memory: Volts, volts: Volts, out: Volts) -> None:
    count = sections.shape[0]
    source = volts
    if count % 2:
        _through_one(sections[0], memory[0], source, out)
        source = out
    for k in range(count % 2, count, 2):
        _through_two(sections[k : k + 2], memory[k : k + 2], source, out)
        source = out
    _still(memory)


@kernel
def through_sections(sections: Volts, memory: Volts, volts: Volts, out: Volts) -> None:
    """Pass each line of `volts`, shape (lines, frames), through `sections`, shape (n, 6), n > 0.

    `memory`, shape (lines, n, 2), is moved on; all 0 is rest. `out` may be `volts`.
    """
    for line in range(volts.shape[0]):
        _through(sections, memory[line], volts[line], out[line])


@kernel
def squares_behind_sections(sections: Volts, volts: Volts, hop: int, sums: Volts) -> None:
    """Add the squares behind `sections`, from rest, of one line to `sums`, hop after hop.

    `volts` has shape (frames,), `sums` ceil(frames / hop): the last hop may not be full.
    """
    memory, made = np.zeros((sections.shape[0], 2)), np.empty(hop)
    for i in range(sums.shape[0]):
        part = volts[i * hop : (i + 1) * hop]
        _through(sections, memory, part, made)
        total = 0.0
        for n in range(part.shape[0]):
            total += made[n] * made[n]
        sums[i] += total
