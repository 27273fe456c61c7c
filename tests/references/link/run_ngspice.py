"""AC runs of three links in ngspice; python -m tests.references.link.run_ngspice stores them.

The netlists are written by hand from the circuit's description, not by simchain.
"""

import json
import subprocess
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
NETLISTS = {"single_volume.cir": 2, "humbucker_into_fuzz.cir": 5, "humbucker_pedal.cir": 7}


def figures(netlist: str) -> list[list[float]]:
    """Return [Hz, dB] at a tenth of a decade from 20 Hz to 10 kHz."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            ["ngspice", "-b", str(HERE / netlist)], cwd=folder, check=True, capture_output=True
        )
        rows = (Path(folder) / "out.txt").read_text().split("\n")
    return [[float(word) for word in row.split()] for row in rows if row.strip()]


if __name__ == "__main__":
    found = [
        {"netlist": netlist, "case": case, "hz_db": figures(netlist)}
        for netlist, case in NETLISTS.items()
    ]
    (HERE / "figures.json").write_text(json.dumps(found, indent=1) + "\n")
