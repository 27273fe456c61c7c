"""The table of the benchmarks: its rows, what is kept of them, an earlier run; nothing is timed."""

import argparse
import importlib
import json
import platform
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import __main__ as everything
from tests.benchmarks import table, timing
from tests.benchmarks.table import Row


def some_rows() -> list[Row]:
    return [
        Row.of("a filter", [1.0, 3.0, 2.0, 5.0, 4.0], "times C", 3.0).of_part("kernels"),
        Row.of("two cores", [1.7, 1.8], "times one", 1.85, at_least=True).of_part("search"),
        Row.of("a clip", 12.5, "ms").of_part("chain"),
    ]


def shown(rows: list[Row], **asked: Path) -> list[Row]:
    return table.printed(iter(rows), argparse.Namespace(**{"json": None, "beside": None} | asked))


def test_a_row_has_the_median_and_the_quartiles() -> None:
    row = Row.of("a filter", [1.0, 3.0, 2.0, 5.0, 4.0], "times C")
    assert (row.low, row.median, row.high, row.count) == (2.0, 3.0, 4.0, 5)


@pytest.mark.parametrize(
    ("value", "at_least", "met"),
    [(1.0, False, True), (1.25, False, False), (1.25, True, True), (1.0, True, False)],
)
def test_a_row_says_whether_it_is_as_asked(value: float, at_least: bool, met: bool) -> None:
    assert Row.of("x", value, "s", 1.1, at_least=at_least).met is met


def test_nothing_is_missed_where_nothing_is_asked() -> None:
    assert Row.of("x", 1e9, "s").met is None


def test_what_is_kept_comes_back(tmp_path: Path) -> None:
    kept = tmp_path / "run.json"
    assert shown(some_rows(), json=kept) == some_rows()
    made, rows = table.load(kept)
    assert rows == some_rows()
    assert made.startswith("20")


def test_what_is_kept_names_the_kind_of_machine_and_no_machine(tmp_path: Path) -> None:
    kept = tmp_path / "run.json"
    table.save(kept, some_rows())
    document = json.loads(kept.read_text())
    assert {"processor", "cores", "python", "numpy", "numba"} <= set(document["machine"])
    told = json.dumps(document["machine"]) + document["date"]
    assert "/" not in told.replace(document["machine"]["processor"], "")
    assert platform.node() not in told.split()


def test_the_table_shows_what_was_missed(capsys: pytest.CaptureFixture[str]) -> None:
    shown(some_rows())
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].split()[-2:] == ["<=3", "yes"]
    assert lines[2].split()[-2:] == [">=1.85", "NO"]
    assert lines[-1] == "3 figures; 1 of 2 missed"


def test_an_earlier_run_stands_beside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "run.json"
    table.save(kept, [Row.of("a filter", 2.0, "times C").of_part("kernels")])
    shown(some_rows(), beside=kept)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("earlier: 20")
    assert lines[2].split()[-2:] == ["2", "1.50"]
    assert lines[3].split()[-1] == "none"


def test_runs_take_turns_and_the_first_round_does_not_count() -> None:
    called: list[str] = []
    runs = {name: lambda name=name: called.append(name) for name in "abc"}
    seconds = timing.timed(runs, rounds=2)
    assert "".join(called) == "cbaabccba"
    assert all(each.shape == (2,) for each in seconds.values())


def test_arguments_are_made_anew_before_each_call() -> None:
    seen: list[int] = []
    fresh = iter(range(10))
    timing.timed({"a": seen.append}, rounds=2, fresh={"a": lambda: (next(fresh),)})
    assert seen == [0, 1, 2]


def test_ratios_are_taken_within_each_round() -> None:
    seconds = {timing.SIX_SECTIONS: np.array([1.0, 2.0, 4.0]), "x": np.array([3.0, 6.0, 12.0])}
    ratio, yardstick = timing.rows_of(seconds, {"x": 3.0})
    assert (ratio.low, ratio.median, ratio.high, ratio.met) == (3.0, 3.0, 3.0, True)
    assert (yardstick.median, yardstick.unit) == (2000.0, "ms")


@pytest.mark.parametrize("name", [*everything.USUAL, *everything.LONG])
def test_every_part_yields_rows(name: str) -> None:
    part = Path(everything.__file__).with_name(f"{name}.py").read_text()
    assert "def rows(" in part
    assert "main(__doc__, rows" in part


def test_every_module_that_measures_is_a_part() -> None:
    folder = Path(everything.__file__).parent
    measuring = {
        path.stem for path in folder.glob("*.py") if "main(__doc__, rows" in path.read_text()
    }
    assert measuring - {"table"} == {*everything.USUAL, *everything.LONG}


def test_a_sum_of_blocks_makes_a_board() -> None:
    memory = importlib.import_module("tests.benchmarks.memory")
    text = memory.stereo_board(14, memory.SWITCHED)
    assert text.count("kind =") == 15  # with the source
