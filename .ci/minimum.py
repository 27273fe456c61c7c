"""Print what pyproject.toml allows at least, as pins: python .ci/minimum.py > constraints.txt

For each of the package's own dependencies and those of its extras but `test`, the very version of
its lower bound, so that a bound that is written is a bound that is tried.
"""

import re
import tomllib
from pathlib import Path

PROJECT = Path(__file__).parents[1] / "pyproject.toml"
BOUND = re.compile(r"([A-Za-z0-9_.-]+)>=([0-9][0-9.]*)")


def pins() -> list[str]:
    """Return one line a dependency. Raises SystemExit for one without a lower bound."""
    project = tomllib.loads(PROJECT.read_text())["project"]
    extras = project["optional-dependencies"]
    named = {*project["dependencies"], *(one for e in extras if e != "test" for one in extras[e])}
    if odd := sorted(one for one in named if not BOUND.fullmatch(one)):
        raise SystemExit(f"{PROJECT.name}: no lower bound of the form NAME>=VERSION: {odd}")
    return sorted("{}=={}".format(*BOUND.fullmatch(one).groups()) for one in named)


if __name__ == "__main__":
    print("\n".join(pins()))
