"""Circuits that no model has, by ngspice, and how honestly a fit of them tells what is left.

    python -m tests.benchmarks.fit_circuits [--seconds S]

Two circuits of our own from textbook parts: a transistor stage whose output is clipped by two
diodes one way and another sort of one the other way; and two amplifier stages in a row, each
clipped softly through a resistor in series with its diodes. ngspice plays the parts of the
recording that a fit compares (nothing is sent in the rest), at steps of at most 1/(8 x 48000) s. A
fit with each kind then says what it does not copy, by band and by level, and how that would sound
on the tones; the word for a clip that it never saw stands beside it.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import kinds
from simchain.chain.alone import alone
from simchain.fit.apart import heard_apart
from simchain.fit.fitting import Fitted, fitted
from simchain.fit.looked_for import fit_of
from simchain.fit.received import Received, given_volts
from simchain.fit.sent import RATE, sent
from tests.benchmarks.fit import clip_volts
from tests.benchmarks.table import Row, main

Floats = NDArray[np.float64]

STEP_S = 1.0 / (8 * RATE)
# The parts that a fit of these kinds and its words read, in stretches with their lead.
PLAYED = (("lead", "level"), ("steps1", "bursts1"), ("steps2", "bursts2"), ("chord", "marker2"))
LEAD_S = 0.1
NOISE_DBFS = -80.0
CIRCUITS = {
    "asymmetric clipper": """
Cin in base 100n
Rhigh vcc base 470k
Rlow base 0 100k
Q1 collector base emitter small
Rc vcc collector 10k
Re emitter foot 390
Rfoot foot 0 1k
Cfoot foot 0 4.7u
Cout collector clip 470n
Rclip clip out 4.7k
D1 out one silicon
D2 one 0 silicon
D3 0 out germanium
Cclip out 0 6.8n
Rload out 0 100k
""",
    "two-stage boost": """
Cin in plus1 100n
Rin plus1 0 470k
E1 out1 0 plus1 minus1 1e5
Rlower1 minus1 foot1 4.7k
Cfoot1 foot1 0 220n
Rupper1 out1 minus1 22k
Rsoft1 out1 soft1 4.7k
Dup1 soft1 minus1 silicon
Ddown1 minus1 soft1 silicon
Cbetween out1 plus2 47n
Rbetween plus2 0 100k
E2 out2 0 plus2 minus2 1e5
Rlower2 minus2 0 4.7k
Rupper2 out2 minus2 10k
Rsoft2 out2 soft2 6.8k
Dup2 soft2 minus2 silicon
Ddown2 minus2 soft2 silicon
Rtone out2 out 3.3k
Ctone out 0 10n
Rload out 0 100k
""",
}
# A source that reads its file as time goes on: a PWL source looks through all its points each step.
SOURCE = """a1 %v([in]) source
.model source filesource (file="{file}" amploffset=[0] amplscale=[1] timeoffset=0 timescale=1
+ timerelative=false amplstep=false)
"""
MODELS = """
Vcc vcc 0 9
.model small NPN(IS=1e-14 BF=200 BR=2 CJC=4p CJE=10p TF=0.4n VAF=80)
.model silicon D(IS=2.5n N=1.75 CJO=4p RS=0.6)
.model germanium D(IS=1u N=1.3 CJO=1p RS=5)
.options temp=27 tnom=27 reltol=1e-4 abstol=1e-12 vntol=1e-7 gmin=1e-13 method=trap
"""
KINDS = {"asymmetric clipper": ("drive", "boost"), "two-stage boost": ("drive", "boost")}


def played(circuit: str, volts: Floats) -> Floats:
    """Return what ngspice makes of `volts`, (frames,) at 48 kHz, from a settled circuit."""
    times = np.arange(volts.size) / RATE
    with tempfile.TemporaryDirectory() as folder:
        deck, given, made = (Path(folder) / name for name in ("unit.cir", "in.txt", "out.txt"))
        np.savetxt(given, np.stack([times, volts], axis=1), fmt="%.9e")
        end_s = times[-1]
        deck.write_text(
            f"* {circuit}\n{SOURCE.format(file=given)}{CIRCUITS[circuit]}{MODELS}"
            f".tran {STEP_S:.9e} {end_s:.9f} 0 {STEP_S:.9e}\n.save v(out)\n"
            ".control\nrun\nlinearize v(out)\nset wr_singlescale\n"
            f"wrdata {made} v(out)\n.endc\n.end\n"
        )
        done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True)
        if not made.exists():
            raise SystemExit(f"ngspice made nothing of {circuit}: {done.stderr[-500:]}")
        fast = np.loadtxt(made)[:, 1]
    fast -= fast[: round(0.002 / STEP_S)].mean()
    from scipy.signal import resample_poly

    line = resample_poly(fast, 1, 8, window=("kaiser", 12.0))
    return np.pad(line, (0, max(0, volts.size - line.size)))[: volts.size]


def recorded(circuit: str) -> Received:
    """Return the recording of a circuit as the interface has it: 16 bits, noise, volts."""
    whole = given_volts()
    given, heard = np.zeros(whole.size), np.zeros(whole.size)
    parts = sent().parts
    for first, last in PLAYED:
        begin, end = parts[first].frames().start, parts[last].frames().stop
        lead = min(begin, round(LEAD_S * RATE))
        given[begin:end] = whole[begin:end]
        heard[begin:end] = played(circuit, given[begin - lead : end])[lead:]
    full_volts = 2.0 * float(np.abs(heard).max())
    noise = 10.0 ** (NOISE_DBFS / 20.0) * full_volts
    heard += noise * np.random.default_rng(0).standard_normal(heard.size)
    heard = np.rint(heard / full_volts * 32768.0) / 32768.0 * full_volts
    return Received(given, heard, noise, 0.0, 0.0, True)


def told(circuit: str, kind: str, result: Fitted) -> Iterator[Row]:
    """Say what was found, and yield what is left by band and by level."""
    found = {one.name: f"{one.value:.4g}" for one in result.controls}
    said(f"{kind}: {found}, fits: {result.fits}; on the tones: {result.score.verdict}")
    what = f"{circuit} as a {kind}"
    yield Row.of(f"{what}, left over", result.residual_db, "dB")
    for hz, db in result.left_by_band:
        yield Row.of(f"{what}, left over at {hz:g} Hz", db, "dB")
    for volts, db in result.left_by_level:
        yield Row.of(f"{what}, left over at {volts * 1e3:.0f} mV", db, "dB")


def said(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seconds", type=float, default=4.0, help="of the clip")


def rows(given: argparse.Namespace) -> Iterator[Row]:
    """Tell for each circuit and kind what a fit says, and the word for a clip it never saw."""
    clip = clip_volts()[: round(given.seconds * RATE)]
    for circuit, fits in KINDS.items():
        began = time.perf_counter()
        received, true = recorded(circuit), played(circuit, clip)
        said(f"{circuit}: ngspice {time.perf_counter() - began:.0f} s")
        for kind in fits:
            result = fitted("unit", kinds()[kind](), fit_of(kind), received)
            made = alone(result.block, clip[np.newaxis], RATE)[0]
            yield from told(circuit, kind, result)
            said(f"on the clip: {heard_apart(true, made, RATE).verdict}")


if __name__ == "__main__":
    main(__doc__, rows, options)
