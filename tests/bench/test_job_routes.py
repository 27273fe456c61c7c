"""Long work asked for over the web: who may, what is refused, and the pages that come of it."""

import time
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from simchain.bench import job_kinds
from simchain.bench.desk import Desk
from simchain.bench.jobs import Job
from simchain.bench.server import Bench
from simchain.bench.sounds import Sounds
from tests.bench.serving import TOKEN, Client, served

WITHIN_S = 20.0
PAGE = "<!DOCTYPE html><title>of its own</title><script>document.title = 'ran'</script>"


class Held:
    """A kind of work that waits until the test lets it go on."""

    def __init__(self) -> None:
        self.go, self.asked = Event(), []  # type: Event, list[Any]

    def __call__(self, board: Any, asked: Any) -> tuple[str, Any]:
        self.asked.append((board, asked))

        def work(job: Job) -> dict[str, Any]:
            job.progress(1, 4, "waiting")
            while not self.go.wait(0.005):
                job.progress(1, 4, "waiting")
            job.page = job.folder / "page.html"
            job.page.write_text(PAGE)
            return {"facts": ["it is so"]}

        return "The work", work


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Held:
    work = Held()
    monkeypatch.setitem(job_kinds.KINDS, "held", work)
    return work


@pytest.fixture
def bench(board: Path) -> Bench:
    return Bench(Desk.opened(board), board.parent, Sounds(), TOKEN)


@pytest.fixture
def client(bench: Bench) -> Iterator[Client]:
    with served(bench.app()) as client:
        yield client
        assert bench.jobs.end(WITHIN_S)
        assert client.said == []


def begun(client: Client, **asked: Any) -> str:
    answer = client.post("/job", revision=0, **asked)
    assert answer.status == 200, answer.body
    return str(answer.json()["job"])


def ended(client: Client, key: str) -> dict[str, Any]:
    end = time.monotonic() + WITHIN_S
    while (told := client.get(f"/job/{key}").json())["state"] == "running":
        assert time.monotonic() < end
        time.sleep(0.01)
    return dict(told)


def test_work_is_begun_looked_at_and_ended(client: Client, held: Held, bench: Bench) -> None:
    key = begun(client, do="held", more=3)
    assert held.asked[0][0] is bench.desk.board
    assert held.asked[0][1]["more"] == 3
    told = client.get(f"/job/{key}").json()
    assert (told["state"], told["result"]) == ("running", None)
    assert client.get(f"/job/{key}/page").status == 404
    held.go.set()
    told = ended(client, key)
    assert (told["state"], told["result"]) == ("done", {"facts": ["it is so"]})
    assert client.get(f"/job/{key}/page").body.decode() == PAGE


def test_it_is_of_the_board_on_the_desk_unsaved_edits_included(client: Client, held: Held) -> None:
    change = {"path": ["blocks", "grit", "gain_db"], "value": 31}
    assert client.post("/change", revision=0, changes=[change], say="louder").status == 200
    assert client.post("/job", revision=1, do="held").status == 200
    assert held.asked[0][0].blocks["grit"].gain_db == 31.0


def test_one_is_stopped_and_meanwhile_no_other_begins(client: Client, held: Held) -> None:
    key = begun(client, do="held")
    answer = client.post("/job", revision=0, do="held")
    assert answer.status == 409
    assert "The work is under way" in answer.json()["text"]
    assert client.post(f"/job/{key}/stop").json()["says"] == "The work: stopping"
    assert ended(client, key)["state"] == "stopped"
    held.go.set()
    assert ended(client, begun(client, do="held"))["state"] == "done"


@pytest.mark.parametrize(
    ("asked", "status", "text"),
    [
        ({"do": "held"}, 422, "revision is missing"),
        ({"revision": 7, "do": "held"}, 409, "the board has changed"),
        ({"revision": 0}, 422, "do is missing"),
        ({"revision": 0, "do": "dance"}, 422, "allowed is search, levels, plan, blind, compare"),
        ({"revision": 0, "do": "search", "how": "fast"}, 422, "allowed is full, coarse, beam"),
        ({"revision": 0, "do": "search", "passages": ["coda"]}, 422, "no passage 'coda'"),
        ({"revision": 0, "do": "search", "passages": "riff"}, 422, "a list of names is wanted"),
        ({"revision": 0, "do": "levels", "order": "siries"}, 422, "did you mean 'series'"),
        ({"revision": 0, "do": "blind", "orders": ["series"]}, 422, "two orders or more"),
        ({"revision": 0, "do": "compare", "orders": []}, 422, "two orders or more"),
        ({"revision": 0, "do": "compare", "orders": ["series", 3]}, 422, "text is wanted"),
    ],
)
def test_what_does_not_fit_is_refused_at_once(
    asked: dict[str, Any], status: int, text: str, client: Client
) -> None:
    answer = client.post("/job", **asked)
    assert answer.status == status
    assert text in answer.body.decode()


@pytest.mark.parametrize("path", ["/job/none", "/job/none/page", "/job/../board"])
def test_there_is_nothing_of_another_key(path: str, client: Client) -> None:
    assert client.get(path).status == 404
    assert client.post("/job/none/stop").status == 404


def test_only_the_page_itself_may_begin_and_stop(client: Client, held: Held) -> None:
    key = begun(client, do="held")
    for path in ("/job", f"/job/{key}/stop"):
        for told in ({"Bench-Token": ""}, {"Bench-Token": "x"}, {"Origin": "null"}):
            assert client.ask("POST", path, "{}", told).status == 403
    assert client.get(f"/job/{key}").json()["says"] == "The work: waiting"
    held.go.set()
    ended(client, key)


def test_a_report_page_is_a_stranger_to_the_bench(client: Client, held: Held) -> None:
    """It has no origin, and what has none is refused, with or without the token."""
    held.go.set()
    key = begun(client, do="held")
    ended(client, key)
    headers = client.get(f"/job/{key}/page").headers
    policy = {
        name: rest
        for name, _, rest in (
            each.strip().partition(" ") for each in headers["content-security-policy"].split(";")
        )
    }
    assert policy["sandbox"] == "allow-scripts allow-forms allow-downloads"
    assert policy["default-src"] == policy["base-uri"] == policy["form-action"] == "'none'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"
    assert "sandbox" not in client.get("/").headers["content-security-policy"]
    for path in ("/", "/board", f"/job/{key}"):
        assert client.get(path, Origin="null").status == 403
    change = client.ask("POST", "/undo", '{"revision": 0}', {"Origin": "null"})
    assert change.status == 403


def test_what_fails_is_told_in_words(client: Client) -> None:
    told = ended(client, begun(client, do="levels", order="series"))
    assert (told["state"], told["result"]) == ("failed", None)
    assert "has a target" in told["says"]


def test_a_bench_without_a_board_has_nothing_to_work_on(tmp_path: Path) -> None:
    with served(Bench(None, tmp_path, Sounds(), TOKEN).app()) as client:
        answer = client.post("/job", revision=0, do="search")
        assert answer.status == 409
