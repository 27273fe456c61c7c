"""Run the two drive circuits through ngspice and store the harmonics of their outputs.

    python tests/references/drive/run_ngspice.py

writes harmonics.json beside itself: for each case the peak volts of harmonics 1 to 45 in the
settled state (diodes by ngspice's own model, 27 °C, no series resistance, no junction capacitance).
The last period of the run is laid on an even grid by a cubic spline and Fourier-transformed. The
file also holds how far the figures move when the largest step is halved.
"""

import json
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

HERE = Path(__file__).parent
FIGURES = HERE / "harmonics.json"
LEVELS = (0.01, 0.05, 0.1, 0.3, 1.0)
HARMONICS = 45
SETTLING_S = 0.03
STEPS_A_PERIOD = 8_000

Case = dict[str, str | float]


def cases() -> list[Case]:
    """Return defaults at five levels and two frequencies, high gain, and uneven diodes."""
    found: list[Case] = []
    for clip in ("feedback", "shunt"):
        for hz in (220.0, 1000.0):
            usual: Case = {"clip": clip, "hz": hz, "gain_db": 26.0, "up": 1, "down": 1}
            found += [{**usual, "peak": peak} for peak in LEVELS]
            found += [{**usual, "peak": 0.3, "gain_db": 40.0}]
            found += [{**usual, "peak": 0.1, "up": 2}]
    return found


def netlist(case: Case, steps_a_period: int) -> str:
    """Return the circuit's file with the case's values, its diodes, and the length of the run."""
    period = 1.0 / float(case["hz"])
    stop = np.ceil(SETTLING_S / period + 1) * period
    times = {"step": period / steps_a_period, "stop": stop, "start": stop - 1.1 * period}
    values = {**times, "peak": case["peak"], "hz": case["hz"]}
    values["gain"] = 10 ** (float(case["gain_db"]) / 20)
    extra = ".param " + " ".join(f"{name}={value:.15g}" for name, value in values.items())
    text = (HERE / f"{case['clip']}.cir").read_text()
    low = "minus" if case["clip"] == "feedback" else "0"
    diodes = _string("up", "out", low, int(case["up"]))
    diodes += _string("down", low, "out", int(case["down"]))
    return text.replace("* values", extra).replace("* diodes", "\n".join(diodes))


def harmonics(case: Case, steps_a_period: int = STEPS_A_PERIOD) -> NDArray[np.float64]:
    """Run one case and return the peak volts of harmonics 1 to 45."""
    with tempfile.TemporaryDirectory() as folder:
        circuit, raw = Path(folder) / "case.cir", Path(folder) / "case.raw"
        circuit.write_text(netlist(case, steps_a_period))
        subprocess.run(
            ["ngspice", "-b", "-r", str(raw), str(circuit)], check=True, capture_output=True
        )
        times, volts = _read_raw(raw)
    period = 1.0 / float(case["hz"])
    grid = times[-1] - period + period * np.arange(1 << 14) / (1 << 14)
    spectrum = np.fft.rfft(CubicSpline(times, volts)(grid)) / (1 << 13)
    return np.abs(spectrum[1 : HARMONICS + 1])


def main() -> None:
    """Write the figures."""
    rows = []
    for case in cases():
        figures, finer = harmonics(case), harmonics(case, 2 * STEPS_A_PERIOD)
        seen = finer > 1e-3 * finer[0]
        moved = np.abs(20 * np.log10(figures[seen] / finer[seen])).max()
        rows.append(
            {**case, "moved_db": round(moved, 6), "volts": [float(f"{v:.8g}") for v in finer]}
        )
        print(case, f"moves {moved:.2g} dB when the step is halved", flush=True)
    lines = ",\n".join(json.dumps(row) for row in rows)
    FIGURES.write_text(f"[\n{lines}\n]\n")


def _string(name: str, first: str, last: str, count: int) -> list[str]:
    nodes = [first, *(f"{name}{i}" for i in range(1, count)), last]
    return [f"D{name}{i} {nodes[i]} {nodes[i + 1]} string" for i in range(count)]


def _read_raw(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times and v(out) of a binary raw file of real numbers."""
    header, _, body = path.read_bytes().partition(b"Binary:\n")
    points = next(int(line.split(b":")[1]) for line in header.splitlines() if b"No. Points" in line)
    both = np.frombuffer(body, dtype=np.float64)[: 2 * points].reshape(points, 2)
    return both[:, 0], both[:, 1]


if __name__ == "__main__":
    main()
