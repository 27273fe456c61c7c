"""Memory is given back once after whatever was done, and not while somebody asks."""

import ctypes
from pathlib import Path

import numpy as np
import pytest

from simchain.bench.memory import IDLE_S, GivingBack, give_back, share


def test_once_after_whatever_was_done() -> None:
    giving = GivingBack()
    assert not giving.look((0, 0), busy=False, now_s=100.0)  # nothing was done yet
    assert not giving.look((1, 0), busy=False, now_s=101.0)
    assert not giving.look((1, 0), busy=False, now_s=101.0 + IDLE_S - 0.1)
    assert giving.look((1, 0), busy=False, now_s=101.0 + IDLE_S)
    assert not giving.look((1, 0), busy=False, now_s=200.0)
    assert not giving.look((2, 0), busy=False, now_s=201.0)
    assert giving.look((2, 0), busy=False, now_s=300.0)
    assert not giving.look((2, 1), busy=False, now_s=301.0)  # a line that came, or was let go
    assert giving.look((2, 1), busy=False, now_s=400.0)


def test_not_while_somebody_asks() -> None:
    giving = GivingBack()
    for second in range(20):
        assert not giving.look((0, 0), busy=True, now_s=float(second))
        assert not giving.look((second, 0), busy=False, now_s=float(second))


def rss_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="needs glibc")
def test_what_is_free_goes_back() -> None:
    """A hundred megabytes in small pieces, under one that stays."""
    pieces = [np.ones(2_000) for _ in range(6_250)]
    last = np.ones(2_000)
    del pieces
    before = rss_bytes()
    give_back()
    assert before - rss_bytes() > 80e6
    assert last.all()


def test_elsewhere_nothing_is_done(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []

    def none_there(name: object) -> None:
        asked.append(name)
        raise OSError

    monkeypatch.setattr(ctypes, "CDLL", none_there)
    give_back()
    share()
    assert asked == [None, None]
