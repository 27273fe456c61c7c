"""Run the fuzz's circuit through ngspice and store the harmonics of its output.

    python tests/references/fuzz/run_ngspice.py

writes harmonics.json beside itself: for each case the peak volts of harmonics 1 to 45 behind the
second collector's coupling capacitor in the settled state. The transistors are ngspice's own, with
no capacitances, no resistances and no Early voltage, at 27 °C. Bias, gain and the base's capacitor
come from `values`, by a textbook's formulas for the active region. The last period of the run is
laid on an even grid by a cubic spline and Fourier-transformed. The file also holds how far the
figures move when the largest step is halved.
"""

import json
import math
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

HERE = Path(__file__).parent
FIGURES = HERE / "harmonics.json"
LEVELS = (0.01, 0.03, 0.1, 0.3, 1.0)
HARMONICS = 45
SETTLING_S = 0.25
STEP_S = 0.5e-6

THERMAL_VOLTS = 1.380649e-23 * 300.15 / 1.602176634e-19
SUPPLY_VOLTS = 9.0
COLLECTOR_OHM, EMITTER_OHM, BASE_OHM, LEAK_OHM = 10e3, 220.0, 22e3, 47e3
FORWARD_GAIN, SATURATION_A = 150.0, 1e-14
HIGH_CUT_HZ = 8000.0
BIAS_SPAN_VOLTS = 1.0

Case = dict[str, float]


def cases() -> list[Case]:
    """Return defaults at five levels and two frequencies; other bias, more gain, the octave."""
    found: list[Case] = []
    for hz in (220.0, 1000.0):
        usual: Case = {"hz": hz, "gain_db": 45.0, "bias": 0.5, "octave": 0.0}
        found += [{**usual, "peak": peak} for peak in LEVELS]
        found += [{**usual, "peak": peak, "bias": 0.2} for peak in (0.03, 0.3)]
        found += [{**usual, "peak": 0.1, "bias": 0.0}]
        found += [{**usual, "peak": 0.1, "bias": 0.8}]
        found += [{**usual, "peak": peak, "gain_db": 60.0} for peak in (0.03, 0.3)]
        found += [{**usual, "peak": peak, "octave": 1.0} for peak in (0.03, 0.3)]
        found += [{**usual, "peak": 0.1, "octave": 0.4}]
    return found


def values(case: Case) -> dict[str, float]:
    """Return the sources that bias both bases, the gain ahead, and the base's capacitor.

    Collectors idle at half the supply; rb = (forward + 1) (Vt / Ie + Re) at a base.
    """
    amps = 0.5 * SUPPLY_VOLTS / COLLECTOR_OHM
    base_amps, emitter_amps = amps / FORWARD_GAIN, amps * (1 + 1 / FORWARD_GAIN)
    base = EMITTER_OHM * emitter_amps + THERMAL_VOLTS * math.log(amps / SATURATION_A + 1)
    base_ohm = (FORWARD_GAIN + 1) * (THERMAL_VOLTS / emitter_amps + EMITTER_OHM)
    to_collector = FORWARD_GAIN * COLLECTOR_OHM / base_ohm
    loaded = 1 / (1 / BASE_OHM + 1 / LEAK_OHM + 1 / base_ohm)
    first = to_collector * base_ohm / (base_ohm + BASE_OHM)
    own_gain = first * to_collector * loaded / BASE_OHM
    moved = (case["bias"] - 0.5) * BIAS_SPAN_VOLTS
    return {
        "supply": SUPPLY_VOLTS,
        "source1": base + BASE_OHM * base_amps,
        "source2": base + LEAK_OHM * base_amps + moved,
        "gain": 10 ** (case["gain_db"] / 20) / own_gain,
        "basefarad": 1 / (2 * math.pi * loaded * HIGH_CUT_HZ),
    }


def netlist(case: Case, step_s: float) -> str:
    """Return the circuit's file with the case's values and the length of the run."""
    period = 1.0 / case["hz"]
    stop = np.ceil(SETTLING_S / period + 1) * period
    times = {"step": step_s, "stop": stop, "start": stop - 1.1 * period}
    given = {name: case[name] for name in ("peak", "hz", "octave")}
    extra = ".param " + " ".join(
        f"{name}={value:.15g}" for name, value in {**times, **given, **values(case)}.items()
    )
    return (HERE / "fuzz.cir").read_text().replace("* values", extra)


def harmonics(case: Case, step_s: float = STEP_S) -> NDArray[np.float64]:
    """Run one case and return the peak volts of harmonics 1 to 45."""
    with tempfile.TemporaryDirectory() as folder:
        circuit, raw = Path(folder) / "case.cir", Path(folder) / "case.raw"
        circuit.write_text(netlist(case, step_s))
        subprocess.run(
            ["ngspice", "-b", "-r", str(raw), str(circuit)], check=True, capture_output=True
        )
        times, volts = _read_raw(raw)
    period = 1.0 / case["hz"]
    grid = times[-1] - period + period * np.arange(1 << 14) / (1 << 14)
    spectrum = np.fft.rfft(CubicSpline(times, volts)(grid)) / (1 << 13)
    return np.abs(spectrum[1 : HARMONICS + 1])


def main() -> None:
    """Write the figures."""
    rows = []
    for case in cases():
        figures, finer = harmonics(case), harmonics(case, 0.5 * STEP_S)
        seen = finer > 10 ** (-50 / 20) * finer.max()
        moved = np.abs(20 * np.log10(figures[seen] / finer[seen])).max()
        rows.append(
            {**case, "moved_db": round(moved, 6), "volts": [float(f"{v:.8g}") for v in finer]}
        )
        print(case, f"moves {moved:.2g} dB when the step is halved", flush=True)
    lines = ",\n".join(json.dumps(row) for row in rows)
    FIGURES.write_text(f"[\n{lines}\n]\n")


def _read_raw(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times and v(out) of a binary raw file of real numbers."""
    header, _, body = path.read_bytes().partition(b"Binary:\n")
    points = next(int(line.split(b":")[1]) for line in header.splitlines() if b"No. Points" in line)
    both = np.frombuffer(body, dtype=np.float64)[: 2 * points].reshape(points, 2)
    return both[:, 0], both[:, 1]


if __name__ == "__main__":
    main()
