"""Long pieces of work, made up: one at a time, told how far, stopped, failed, forgotten."""

import time
from collections.abc import Callable
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from simchain.bench import jobs as module
from simchain.bench.desk import ConflictError
from simchain.bench.jobs import MOST_KEPT, Job, Jobs
from simchain.errors import RequestError

WITHIN_S = 5.0


def until(met: Callable[[], Any]) -> None:
    end = time.monotonic() + WITHIN_S
    while not met():
        assert time.monotonic() < end
        time.sleep(0.005)


def ended(job: Job) -> Job:
    until(lambda: job.state != "running")
    return job


@pytest.fixture
def jobs() -> Jobs:
    return Jobs(lambda error: f"a fault ({error})")


def in_steps(job: Job) -> dict[str, Any]:
    """Goes on until it is stopped."""
    step = 0
    while True:
        step += 1
        job.progress(step, 1_000_000, "stepping")
        time.sleep(0.001)


def held(go: Event) -> module.Work:
    def work(job: Job) -> dict[str, Any]:
        job.progress(3, 12, "in the middle")
        assert go.wait(WITHIN_S)
        return {"found": 7}

    return work


def test_it_says_what_it_is_at_and_in_the_end_what_it_found(jobs: Jobs) -> None:
    go = Event()
    job = jobs.begin(Job("some", "The work"), held(go))
    until(lambda: job.done == 3)
    told = job.document()
    assert (told["state"], told["says"]) == ("running", "The work: in the middle")
    assert (told["done"], told["of"], told["result"]) == (3, 12, None)
    go.set()
    told = ended(job).document()
    assert (told["state"], told["says"]) == ("done", "The work is done.")
    assert told["result"] == {"found": 7}
    assert jobs.get(told["job"]) is job


def test_a_phase_without_an_end_in_sight_has_no_figures() -> None:
    job = Job("some", "The work")
    job.progress(3, 12, "counting")
    job.say("writing")
    told = job.document()
    assert told["says"] == "The work: writing"
    assert (told["done"], told["of"], told["left_s"]) == (None, None, None)


def test_a_second_one_is_refused_until_the_first_has_ended(jobs: Jobs) -> None:
    go = Event()
    first = jobs.begin(Job("some", "The work"), held(go))
    with pytest.raises(ConflictError, match="The work is under way: stop it"):
        jobs.begin(Job("some", "More work"), held(go))
    go.set()
    ended(first)
    assert ended(jobs.begin(Job("some", "More work"), held(go))).state == "done"


def test_it_stops_soon_after_it_is_told(jobs: Jobs) -> None:
    job = jobs.begin(Job("some", "The work"), in_steps)
    until(lambda: job.done)
    job.stop.set()
    ended(job)
    told = job.document()
    assert (told["state"], told["says"], told["result"]) == (
        "stopped",
        "The work was stopped.",
        None,
    )


def test_what_is_stopping_says_so(jobs: Jobs) -> None:
    go = Event()
    job = jobs.begin(Job("some", "The work"), held(go))
    job.stop.set()
    assert job.document()["says"] == "The work: stopping"
    go.set()
    ended(job)


def test_what_nobody_asks_about_any_more_ends(jobs: Jobs, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "ABANDONED_S", 0.1)
    job = jobs.begin(Job("some", "The work"), in_steps)
    end = time.monotonic() + 0.4
    while time.monotonic() < end:
        assert job.document()["state"] == "running"
        time.sleep(0.01)
    assert ended(job).state == "stopped"


def test_what_the_user_can_mend_is_said_as_it_is(jobs: Jobs) -> None:
    def work(_: Job) -> dict[str, Any]:
        raise RequestError("no order is left")

    told = ended(jobs.begin(Job("some", "The work"), work)).document()
    assert (told["state"], told["says"], told["result"]) == ("failed", "no order is left", None)


def test_a_fault_of_our_own_is_one_line_and_the_next_one_may_begin(jobs: Jobs) -> None:
    def work(_: Job) -> dict[str, Any]:
        raise ZeroDivisionError("by nothing")

    told = ended(jobs.begin(Job("some", "The work"), work)).document()
    assert (told["state"], told["says"]) == ("failed", "a fault (by nothing)")
    go = Event()
    go.set()
    assert ended(jobs.begin(Job("some", "The work"), held(go))).state == "done"


def test_files_are_kept_for_the_latest_ones_only(jobs: Jobs) -> None:
    def work(job: Job) -> dict[str, Any]:
        job.page = job.folder / "page.html"
        job.page.write_text("here")
        return {}

    made = [ended(jobs.begin(Job("some", "The work"), work)) for _ in range(MOST_KEPT + 1)]
    pages = [job.page or Path() for job in made]
    assert [page.exists() for page in pages] == [False] + [True] * MOST_KEPT
    assert jobs.get(made[0].key) is None
    assert jobs.end(WITHIN_S)
    assert not any(job.folder.exists() for job in made)


def test_the_end_of_the_bench_stops_what_is_under_way(jobs: Jobs) -> None:
    job = jobs.begin(Job("some", "The work"), in_steps)
    assert job.folder.exists()
    until(lambda: job.done)
    assert jobs.end(WITHIN_S)
    assert job.state == "stopped"
    assert not job.folder.exists()


def test_nothing_under_way_has_ended() -> None:
    assert Jobs(str).end(0.0)
