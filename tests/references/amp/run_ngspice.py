"""Runs this folder's circuits with ngspice; as a script it writes their figures to figures.json."""

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
FIGURES = HERE / "figures.json"

# Treble, middle, bass.
TONE_SETTINGS = (
    (0.5, 0.5, 0.5),
    (0.5, 1.0, 0.3),
    (0.0, 0.0, 0.0),
    (1.0, 1.0, 1.0),
    (1.0, 0.0, 1.0),
    (0.8, 0.2, 0.1),
)

# What differs from the circuit as it stands, a stage fed through a capacitor and a divider; ahead
# of the others 1 F is a wire.
WIRED = {"stopper": "68k", "coupling": "1", "series": "1m", "leak": "1k"}
TRIODE_STAGES = {
    "first": WIRED,
    "second": {**WIRED, "bypass": "1e-18"},
    "third": {},
}
# Peak volts from clean over the edge to hard clipping; the third's divider takes 12 dB.
TRIODE_DRIVES = {"first": (0.1, 1, 3, 10), "second": (0.2, 2, 6, 20), "third": (0.4, 4, 12, 40)}
TRIODE_HZ = (220, 1000)
QUIET, LOUD, BURST_S, BURST_HZ = 0.8, 60.0, (0.05, 0.1), 1000


def rows(netlist: str) -> list[list[float]]:
    """Return the numbers of each line of the table that ngspice prints, without its index."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "circuit.cir"
        path.write_text(netlist)
        run = subprocess.run(
            ["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=60, check=False
        )
    lines = re.findall(r"^\d+\t(.+)$", run.stdout, re.MULTILINE)
    if not lines:
        lines = re.findall(r"^\S+ = (\S+)$", run.stdout, re.MULTILINE)
    return [[float(word) for word in line.split()] for line in lines]


def tone(treble: float, middle: float, bass: float) -> list[list[float]]:
    """Return rows of hertz and dB."""
    text = (HERE / "tone_network.cir").read_text()
    for letter, value in zip("tmb", (treble, middle, bass), strict=True):
        text = text.replace(f".param {letter}=0.5", f".param {letter}={value}")
    return rows(text)


def plain(name: str) -> list[list[float]]:
    """Return the rows of a circuit that is run as it stands."""
    return rows((HERE / f"{name}.cir").read_text())


def triode_over_time(changes: dict[str, object]) -> np.ndarray:
    """Return plate volts of a triode stage every 5 us, with parameters changed, shape (frames,)."""
    text = (HERE / "triode_transient.cir").read_text()
    for name, value in changes.items():
        text, found = re.subn(rf"(?<= ){name}=\S+", f"{name}={value}", text, count=1)
        assert found, name
    return np.array(rows(text))[:-1, -1]


def triode_harmonics(stage: str, hz: int, peak: float) -> list[float]:
    """Return plate volts of 0 Hz and the harmonics to 20 kHz, peak, in the steady state."""
    changes = {**TRIODE_STAGES[stage], "hz": hz, "quiet": peak, "loud": peak}
    return harmonics(triode_over_time(changes), hz, 200_000)


def harmonics(volts: np.ndarray, hz: int, rate: int) -> list[float]:
    """Return 0 Hz and the harmonics to 20 kHz of the last tenth of a second, peak."""
    tenth = volts[-rate // 10 :]
    lines = np.abs(np.fft.rfft(tenth))[: 2001 : hz // 10] / tenth.size
    lines[1:] *= 2
    return [float(f"{line:.7g}") for line in lines]


def triode_burst() -> list[list[float]]:
    """Return each cycle's mean and fundamental of the third stage's plate, through a loud burst."""
    text = (HERE / "triode_transient.cir").read_text()
    on, off = BURST_S
    text = text.replace(
        "hz=1000 quiet=1 loud=1 on=1 off=2",
        f"hz={BURST_HZ} quiet={QUIET} loud={LOUD} on={on} off={off}",
    ).replace("0.3 0.2 2u", "0.25 0 2u")
    return cycles(np.array(rows(text))[:-1, -1], BURST_HZ, 200_000)


def cycles(volts: np.ndarray, hz: int, rate: int) -> list[list[float]]:
    """Return mean and fundamental (peak) of each cycle."""
    lines = np.fft.rfft(volts.reshape(-1, rate // hz), axis=1) / (rate // hz)
    return [[round(line[0].real, 5), round(2 * abs(line[1]), 6)] for line in lines]


def all_figures() -> dict[str, object]:
    """Return every figure of this folder."""
    return {
        "tone_network": [{"tmb": tmb, "hz_db": tone(*tmb)} for tmb in TONE_SETTINGS],
        "triode_stage": plain("triode_stage"),
        "triode_bias": plain("triode_bias"),
        "speaker": plain("speaker"),
        "triode_harmonics": [
            {"stage": stage, "hz": hz, "peak": peak, "volts": triode_harmonics(stage, hz, peak)}
            for stage, peaks in TRIODE_DRIVES.items()
            for peak in peaks
            for hz in TRIODE_HZ
        ],
        "triode_burst": triode_burst(),
    }


if __name__ == "__main__":
    FIGURES.write_text(json.dumps(all_figures(), indent=None, separators=(",", ":")) + "\n")
    sys.stdout.write(f"wrote {FIGURES.name}\n")
