"""What every test may use: the commands in-process, and the rule that nothing skips in CI."""

import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
import soundfile

CHROMIUM_ARGUMENTS = (
    "--no-sandbox",
    "--autoplay-policy=no-user-gesture-required",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


# A shell that starts the tests in the background has them ignore interrupts, and so would every
# program that they start.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


class Ran(NamedTuple):
    """Exit status and what a command printed."""

    status: int
    out: str
    err: str


Simchain = Callable[..., Ran]

TWO_ORDERS = """
tail_s = 0.1
source = { kind = "guitar", clip = "clip.wav" }
[blocks]
grit = { kind = "drive" }
push = { kind = "boost" }
[orders.a]
front = ["grit", "push"]
[orders.b]
front = ["push", "grit"]
[passages.riff]
on = ["grit", "push"]
[passages.off]
on = []
"""


def board_beside_tone(
    folder: Path, text: str, seconds: float = 0.5, silence_s: float = 0.0
) -> Path:
    """Write `text` as a board into `folder`, beside its clip: a tone, and silence after it."""
    volts = np.zeros(round((seconds + silence_s) * 48_000))
    n = np.arange(round(seconds * 48_000))
    volts[: n.size] = 0.1 * np.sin(2 * np.pi * 220 * n / 48_000)
    soundfile.write(folder / "clip.wav", volts, 48_000)
    path = folder / "board.toml"
    path.write_text(text)
    return path


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless Chromium; tests that need it are skipped where there is none."""
    path = shutil.which("chromium")
    if path is None:
        pytest.skip("there is no chromium on the path")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=list(CHROMIUM_ARGUMENTS))
        yield browser
        browser.close()


@pytest.fixture
def simchain_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Simchain:
    """Return a function that runs ``simchain ARGUMENTS`` in this process."""
    from simchain import cli

    def run(*arguments: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["simchain", *map(str, arguments)])
        capsys.readouterr()
        try:
            cli.main()
            status = 0
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else int(end.code is not None)
        return Ran(status, *capsys.readouterr())

    return run


def pytest_collection_modifyitems(items: list[pytest.Item], config: pytest.Config) -> None:
    """Leave out the soak runs unless they are asked for."""
    if "soak" in (config.option.markexpr or ""):
        return
    kept = [item for item in items if item.get_closest_marker("soak") is None]
    config.hook.pytest_deselected(items=[item for item in items if item not in kept])
    items[:] = kept


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):  # noqa: ARG001
    """Turn a skip into a failure where SIMCHAIN_NOTHING_SKIPS is set, as CI does."""
    report = yield
    if report.skipped and os.environ.get("SIMCHAIN_NOTHING_SKIPS"):
        report.outcome = "failed"
        report.longrepr = f"skipped where nothing may skip: {call.excinfo}"
    return report
