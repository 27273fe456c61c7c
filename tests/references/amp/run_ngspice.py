"""Runs this folder's circuits with ngspice; as a script it writes their figures to figures.json."""

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

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


def all_figures() -> dict[str, object]:
    """Return every figure of this folder."""
    return {
        "tone_network": [{"tmb": tmb, "hz_db": tone(*tmb)} for tmb in TONE_SETTINGS],
        "triode_stage": plain("triode_stage"),
        "triode_bias": plain("triode_bias"),
        "speaker": plain("speaker"),
    }


if __name__ == "__main__":
    FIGURES.write_text(json.dumps(all_figures(), indent=None, separators=(",", ":")) + "\n")
    sys.stdout.write(f"wrote {FIGURES.name}\n")
