"""Everything that is measured, in one table: python -m tests.benchmarks [NAME ...]

    python -m tests.benchmarks                          # ten to twenty minutes on two quiet cores
    python -m tests.benchmarks kernels drive            # some parts
    python -m tests.benchmarks --json FILE              # kept, with date, kind of machine, versions
    python -m tests.benchmarks --beside FILE            # laid beside an earlier run
    python -m tests.benchmarks NAME --help              # one part alone may be asked for more

Each part runs in a process of its own, one after another. Those that take longer are run when they
are named. A figure is the median of ratios within rounds of one run, with its quartiles; what is
asked for stands beside it.
"""

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks import table

USUAL = (
    *("kernels", "drive", "amp", "time_blocks", "measures", "chain"),
    *("startup", "memory", "bench", "search", "aliases"),
)
LONG = ("search_beam", "search_memory", "fit", "fit_circuits", "verify")


def rows(names: list[str]) -> Iterator[table.Row]:
    """Yield the rows of each part as soon as it is done."""
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            kept = Path(folder) / f"{name}.json"
            command = [sys.executable, "-m", f"tests.benchmarks.{name}", "--json", str(kept)]
            ran = subprocess.run(command, stdout=subprocess.PIPE, text=True)
            if ran.returncode or not kept.exists():
                raise SystemExit(f"{name} did not end well:\n{ran.stdout}")
            yield from table.load(kept)[1]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join((*USUAL, *LONG)))
    given = table.with_table_options(parser).parse_args()
    if unknown := set(given.names) - {*USUAL, *LONG}:
        parser.error(f"no part: {', '.join(sorted(unknown))}")
    table.printed(rows(given.names or list(USUAL)), given)


if __name__ == "__main__":
    main()
