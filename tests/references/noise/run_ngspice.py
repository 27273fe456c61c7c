"""Impedance and noise of five networks; python -m tests.references.noise.run_ngspice stores them.

The netlists are written by hand from the circuits' description, not by simchain. At 26.85 C
(300 K); the source held at 0 V, 1 A into the node that is read.
"""

import json
import subprocess
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
NETLISTS = (
    "single_buffered",
    "humbucker_into_fuzz",
    "humbucker_pedal",
    "loaded_pickup",
    "piezo",
)


def figures(netlist: str) -> dict[str, object]:
    """Return [Hz, real, imaginary ohm] and [Hz, V/sqrt(Hz)] at a tenth of a decade from 20 Hz to
    20 kHz, and the noise from 1 Hz to 20 kHz in V.
    """
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            ["ngspice", "-b", str(HERE / f"{netlist}.cir")],
            cwd=folder,
            check=True,
            capture_output=True,
        )
        tables = {name: table(Path(folder) / f"{name}.txt") for name in ("impedance", "density")}
        total = table(Path(folder) / "total.txt")[-1][-1]
    return {"netlist": netlist, **tables, "total_volts": total}


def table(path: Path) -> list[list[float]]:
    """Return the numbers of a file, line by line."""
    return [[float(word) for word in row.split()] for row in path.read_text().splitlines() if row]


if __name__ == "__main__":
    found = [figures(netlist) for netlist in NETLISTS]
    (HERE / "figures.json").write_text(json.dumps(found, indent=1) + "\n")
