"""Folders that libraries keep their own files in: full, broken, read-only, or none at all."""

import importlib.util
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from simchain.errors import OutputError
from simchain.report.plots import empty_figure
from tests.conftest import TWO_ORDERS, board_beside_tone
from tests.faults.disks import files_up_to, read_only

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits are POSIX")

KERNEL = """
from simchain.kernels.compile import kernel

@kernel
def twice(number):
    return 2.0 * number
"""
Loaded = Callable[[], ModuleType]


@pytest.fixture
def loaded(tmp_path: Path) -> Loaded:
    """Load a file with a kernel, anew each time."""
    path = tmp_path / "twice.py"
    path.write_text(KERNEL)

    def load() -> ModuleType:
        spec = importlib.util.spec_from_file_location("twice", path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        assert module.twice(3.0) == 6.0
        return module

    return load


def hits(module: ModuleType) -> int:
    """Return how many kernels were found compiled."""
    return sum(module.twice.stats.cache_hits.values())


def test_a_kernel_is_compiled_once(loaded: Loaded) -> None:
    assert [hits(loaded()), hits(loaded())] == [0, 1]


@pytest.mark.parametrize("ending", [".nbi", ".nbc"])
@pytest.mark.parametrize("content", [b"", b"\x80\x04no pickle"], ids=["empty", "broken"])
def test_a_broken_file_is_made_anew(
    ending: str, content: bytes, loaded: Loaded, tmp_path: Path
) -> None:
    """As it may be found after the power has gone."""
    loaded()
    (kept,) = (tmp_path / "__pycache__").glob(f"*{ending}")
    kept.write_bytes(content)
    assert [hits(loaded()), hits(loaded())] == [0, 1]


def test_a_kernel_runs_where_nothing_can_be_kept_for_want_of_room(
    loaded: Loaded, tmp_path: Path
) -> None:
    with files_up_to(10):
        assert hits(loaded()) == 0
    assert [path.name for path in (tmp_path / "__pycache__").glob("*.nb*")] == []
    assert [hits(loaded()), hits(loaded())] == [0, 1]


def test_a_kernel_runs_where_there_is_no_folder_to_keep_it_in(
    loaded: Loaded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "__pycache__").mkdir()
    for variable in ("HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "__pycache__"))
    with read_only(tmp_path / "__pycache__"):
        assert hits(loaded()) == hits(loaded()) == 0
    assert list((tmp_path / "__pycache__").iterdir()) == []


NOWHERE = "/proc/nowhere"
PICTURES = ("levels", "board.toml", "--order", "a", "--out", "out")
SHEETS = ("plan", "board.toml", "--order", "a", "--out", "plan.html", "--pdf", "plan.pdf")


@pytest.mark.soak
@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a folder nobody may write into")
@pytest.mark.parametrize("home", [NOWHERE, None])
@pytest.mark.parametrize("words", [PICTURES, SHEETS], ids=["pictures", "sheets"])
def test_commands_without_a_home(words: tuple[str, ...], home: str | None, tmp_path: Path) -> None:
    """Libraries look fonts up anew, in the temporary folder, and nothing is said of that."""
    board_beside_tone(tmp_path, TWO_ORDERS)
    homes = ("HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "MPLCONFIGDIR")
    told = {name: value for name, value in os.environ.items() if name not in homes}
    if home:
        told |= dict.fromkeys(homes, home)
    code = "import sys; from simchain.cli import main; sys.argv[0] = 'simchain'; main()"
    ran = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=tmp_path, env=told, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert [line for line in ran.stderr.splitlines() if not line.startswith("warning: ")] == []
    assert ran.returncode == 0
    made = tmp_path / ("out/a.levels.png" if words is PICTURES else "plan.pdf")
    assert made.stat().st_size > 10_000


class NoFolder:
    """In place of what finds modules: what matplotlib meets where it may write nowhere."""

    def find_spec(self, name: str, *_: object) -> None:
        if name == "matplotlib.figure":
            raise PermissionError(13, "Permission denied")


def test_pictures_with_no_folder_at_all_are_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "matplotlib.figure", raising=False)
    monkeypatch.setattr(sys, "meta_path", [NoFolder(), *sys.meta_path])
    with pytest.raises(
        OutputError, match=r"cannot write into the temporary folder.*: permission denied; TMPDIR"
    ):
        empty_figure(1.0, 1.0)
