"""Every benchmark, one after another, each in a process of its own: python -m tests.benchmarks"""

import subprocess
import sys

NAMES = (
    *("aliases", "chain", "kernels", "drive", "amp", "time_blocks", "measures", "startup"),
    "search",
)

if __name__ == "__main__":
    for name in NAMES:
        print(f"\n== {name}", flush=True)
        subprocess.run([sys.executable, "-m", f"tests.benchmarks.{name}"], check=True)
