"""One table of all figures: how rows are printed, kept as JSON and laid beside an earlier run.

A module of this folder that measures has two functions and one line at its end::

    def options(parser): ...          # what may be asked of it, if anything
    def rows(given): yield Row(...)   # what it has measured, one after another

    if __name__ == "__main__":
        main(__doc__, rows, options)

and so takes ``--json FILE`` and ``--beside FILE``. `python -m tests.benchmarks` puts the rows of
several into one table.
"""

import argparse
import json
import os
import platform
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

VERSIONS = ("simchain", "numpy", "scipy", "numba", "pydantic", "soundfile", "matplotlib")
WIDTH = 62


@dataclass(frozen=True)
class Row:
    """One figure: the median of `count` values, and their quartiles `low` and `high`.

    `unit` says of what, or against what ("times C"). `asked` is the most that is asked for, or with
    `at_least` the least; None where nothing is.
    """

    what: str
    median: float
    low: float
    high: float
    count: int
    unit: str
    asked: float | None = None
    at_least: bool = False
    part: str = ""

    @classmethod
    def of(
        cls,
        what: str,
        values: Sequence[float] | float,
        unit: str,
        asked: float | None = None,
        *,
        at_least: bool = False,
    ) -> "Row":
        """Return the row of some values, or of one."""
        each = np.atleast_1d(np.asarray(values, dtype=np.float64))
        low, median, high = (float(value) for value in np.quantile(each, (0.25, 0.5, 0.75)))
        return cls(what, median, low, high, each.size, unit, asked, at_least)

    @property
    def met(self) -> bool | None:
        """Whether the median is as asked; None where nothing is."""
        if self.asked is None:
            return None
        return self.median >= self.asked if self.at_least else self.median <= self.asked

    def of_part(self, part: str) -> "Row":
        """Return the same row as one of `part`."""
        return Row(**asdict(self) | {"part": part})


Rows = Callable[[argparse.Namespace], Iterator[Row]]
Options = Callable[[argparse.ArgumentParser], None]


def no_options(_: argparse.ArgumentParser) -> None:
    """Nothing may be asked of most parts."""


def heading(beside: Mapping[tuple[str, str], Row] | None) -> str:
    """Return the line above the figures."""
    columns = f"{'':{WIDTH}}{'median':>9}  {'quartiles':17}{'asked':>9}  {'':3}"
    return columns + (f"  {'earlier':>9}{'now to it':>11}" if beside is not None else "")


def line(row: Row, beside: Mapping[tuple[str, str], Row] | None = None) -> str:
    """Return the line of one row, with that of an earlier run beside it."""
    word = {None: "", True: "yes", False: "NO"}[row.met]
    asked = "" if row.asked is None else f"{'>=' if row.at_least else '<='}{_short(row.asked)}"
    spread = f"{_short(row.low)} to {_short(row.high)}" if row.count > 1 else ""
    text = f"{_cut(row):{WIDTH}}{_short(row.median):>9}  {spread:17}{asked:>9}  {word:3}"
    if beside is None:
        return text.rstrip()
    earlier = beside.get((row.part, row.what))
    if earlier is None:
        return f"{text}  {'none':>9}"
    change = row.median / earlier.median if earlier.median else float("nan")
    return f"{text}  {_short(earlier.median):>9}{change:>11.2f}"


def _cut(row: Row) -> str:
    name = f"{row.what}, {row.unit}"
    return name if len(name) < WIDTH else f"{name}\n{'':{WIDTH}}"


def _short(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def machine() -> dict[str, Any]:
    """Return what kind of machine this is: no name of it, no place on it."""
    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "system": platform.system(),
        "python": platform.python_version(),
        **{name: version(name) for name in VERSIONS},
    }


def _processor() -> str:
    known = Path("/proc/cpuinfo")
    if known.exists():
        for text in known.read_text().splitlines():
            if text.startswith("model name"):
                return text.partition(":")[2].strip()
    return platform.machine()


def save(path: Path, rows: Iterable[Row]) -> None:
    """Write a run as JSON."""
    document = {
        "date": datetime.now(UTC).isoformat(timespec="seconds"),
        "machine": machine(),
        "load": os.getloadavg()[0],
        "rows": [asdict(row) for row in rows],
    }
    path.write_text(json.dumps(document, indent=1) + "\n")


def load(path: Path) -> tuple[str, list[Row]]:
    """Return an earlier run: when and on what it was made, and its rows."""
    document = json.loads(path.read_text())
    kind = document["machine"]
    made = f"{document['date']}, {kind['processor']}, {kind['cores']} cores"
    return made, [Row(**row) for row in document["rows"]]


def by_name(rows: Iterable[Row]) -> dict[tuple[str, str], Row]:
    """Return rows by part and name."""
    return {(row.part, row.what): row for row in rows}


def with_table_options(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Add what every part takes."""
    parser.add_argument("--json", type=Path, metavar="FILE", help="also keep the figures")
    parser.add_argument("--beside", type=Path, metavar="FILE", help="an earlier run's figures")
    return parser


def printed(rows: Iterable[Row], given: argparse.Namespace) -> list[Row]:
    """Print rows as they come, and keep them where that was asked for; return them."""
    beside = None
    if given.beside:
        made, earlier = load(given.beside)
        beside = by_name(earlier)
        print(f"earlier: {made}")
    print(heading(beside))
    done = []
    for row in rows:
        done.append(row)
        print(line(row, beside), flush=True)
        if given.json:
            save(given.json, done)
    missed = [row for row in done if row.met is False]
    print(f"{len(done)} figures; {len(missed)} of {sum(r.met is not None for r in done)} missed")
    return done


def main(about: str, rows: Rows, options: Options = no_options) -> None:
    """Measure one part: what its module's last line calls."""
    parser = argparse.ArgumentParser(
        description=about, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options(parser)
    given = with_table_options(parser).parse_args()
    part = _part_run()
    printed((row.of_part(part) for row in rows(given)), given)


def _part_run() -> str:
    """Return the name of the module that was started."""
    import __main__

    return str(__main__.__spec__.name).rpartition(".")[2]
