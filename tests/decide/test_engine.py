"""The engine: the same results from threads and processes, few jobs at once, and clean ends."""

import gc
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import warnings
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

import simchain
from simchain.decide import cluster
from simchain.decide import engine as engines
from simchain.decide.engine import JOBS_A_WORKER, Engine, engine
from simchain.decide.parallel import SWITCH_S, threads
from simchain.errors import ClipError, RequestError

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs signals")


def spectrum(shared: np.ndarray, job: int) -> tuple[int, bytes]:
    """About 0.1 s of numpy work; the process it ran in, and the bytes of its result."""
    until = time.monotonic() + 0.1
    volts = shared + np.random.default_rng(job).standard_normal(shared.size)
    found = np.zeros(shared.size // 2 + 1)
    for turn in range(8):
        found = found + np.abs(np.fft.rfft(np.tanh(volts * (turn + 1))))
    time.sleep(max(0.0, until - time.monotonic()))
    return os.getpid(), found.tobytes()


def process_id(_: object, __: object) -> int:
    return os.getpid()


def surroundings(_: object, __: object) -> tuple[bool, str | None]:
    """Return whether Ctrl-C is held, and how many threads linear algebra may use."""
    held = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    return signal.SIGINT in held, os.environ.get("OMP_NUM_THREADS")


def heard(_: object, job: list[str]) -> list[str]:
    """Return which of the warnings are heard in this process."""
    with warnings.catch_warnings(record=True) as caught:
        for text in job:
            warnings.warn(text, stacklevel=1)
    return [str(warning.message) for warning in caught]


def largest(shared: float, job: np.ndarray) -> float:
    return shared + float(job.max())


def fails(_: object, job: int) -> int:
    if job == 3:
        raise ClipError("clip.wav: no sound")
    return job


def dies(_: object, __: int) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def size_of(shared: "Told", _: int) -> int:
    return shared.size


class Told:
    """Writes a file for each time that it is taken out of what was sent."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.size = folder, 17

    def __setstate__(self, state: dict[str, object]) -> None:
        self.__dict__ = state
        (self.folder / f"{os.getpid()}-{time.monotonic_ns()}").touch()


@pytest.fixture(scope="module")
def processes() -> Iterator[Engine]:
    with engine(local_workers=2) as started:
        yield started


def refused(**asked: object) -> str:
    """Return the one line with which an engine is refused."""
    with pytest.raises(RequestError) as caught, engine(**asked):  # type: ignore[arg-type]
        pass
    assert "\n" not in str(caught.value)
    return str(caught.value)


# Threads


def test_every_job_has_its_own_result() -> None:
    with engine() as threads:
        assert threads.workers == os.cpu_count()
        found = dict(threads.unordered(lambda k, job: k * job, threads.share(3), iter(range(100))))
    assert found == {job: 3 * job for job in range(100)}


def test_no_jobs_at_all() -> None:
    with engine() as threads:
        assert list(threads.unordered(lambda _, job: job, None, iter(()))) == []


class Sound:
    """A job that can be counted for as long as anything holds it."""


@pytest.mark.parametrize("slow_consumer", [False, True])
def test_few_jobs_exist_at_once(slow_consumer: bool) -> None:
    alive: weakref.WeakSet[Sound] = weakref.WeakSet()
    most = 0

    def jobs() -> Iterator[Sound]:
        nonlocal most
        for _ in range(60):
            job = Sound()
            alive.add(job)
            most = max(most, len(alive))
            yield job
            del job

    with engine() as threads:
        bound = JOBS_A_WORKER * threads.workers
        for _ in threads.unordered(lambda _, __: time.sleep(0.002), None, jobs()):
            time.sleep(0.004 * slow_consumer)
        del _
    assert bound <= most <= bound + 1  # the one that was yielded last is held by the caller
    gc.collect()
    assert len(alive) == 0


def test_jobs_are_drawn_only_as_others_are_done() -> None:
    drawn = 0

    def jobs() -> Iterator[int]:
        nonlocal drawn
        while drawn < 50:
            drawn += 1
            yield drawn

    with engine() as threads:
        run = threads.unordered(lambda _, job: job, None, jobs())
        assert drawn == 0
        for done, _ in enumerate(run):
            assert drawn <= done + JOBS_A_WORKER * threads.workers


def test_what_a_job_raises_arrives_and_stops_the_rest() -> None:
    stop, begun = threading.Event(), []

    def work(_: object, job: int) -> int:
        begun.append(job)
        if job:
            assert stop.wait(10)
        return fails(None, 3 - job)

    with engine() as threads, pytest.raises(ClipError, match=r"^clip\.wav: no sound$"):
        list(threads.unordered(work, None, iter(range(50)), stop=stop))
    assert stop.is_set()
    # Only those that ran beside the failing one, and what its thread took up before it was told.
    assert len(begun) <= threads.workers + 1


def test_what_the_jobs_themselves_raise_arrives() -> None:
    def jobs() -> Iterator[int]:
        yield 0
        raise ClipError("clip.wav: no sound")

    stop = threading.Event()
    with engine() as threads, pytest.raises(ClipError):
        list(threads.unordered(process_id, None, jobs(), stop=stop))
    assert stop.is_set()


def test_a_search_that_ends_by_itself_stops_nothing() -> None:
    stop = threading.Event()
    with engine() as threads:
        list(threads.unordered(process_id, None, iter(range(5)), stop=stop))
    assert not stop.is_set()


@pytest.mark.parametrize("end", [KeyboardInterrupt, ValueError, None])
def test_when_the_caller_goes_away_nothing_runs_on(end: type[BaseException] | None) -> None:
    stop, running = threading.Event(), set()

    def work(_: object, job: int) -> None:
        running.add(job)
        if job:
            stop.wait(10)
        running.discard(job)

    def consume(run: Iterator[object]) -> None:
        for _ in run:
            if end:
                raise end
            return

    with engine() as threads:
        run = threads.unordered(work, None, iter(range(50)), stop=stop)
        if end:
            with pytest.raises(end):
                consume(run)
        else:
            consume(run)
        run.close()  # type: ignore[attr-defined]
        assert stop.is_set()
        assert not running


@posix
def test_ctrl_c_while_waiting() -> None:
    stop = threading.Event()

    def work(_: object, job: int) -> None:
        if job == 1:
            os.kill(os.getpid(), signal.SIGINT)
        assert stop.wait(10)

    with engine() as threads, pytest.raises(KeyboardInterrupt):
        list(threads.unordered(work, None, iter(range(50)), stop=stop))
    assert stop.is_set()


def test_one_worker_is_enough() -> None:
    with threads(1) as pool:
        found = list(Engine(pool, 1).unordered(lambda _, job: job, None, iter(range(20))))
    assert sorted(found) == [(job, job) for job in range(20)]


# Python keeps whole microseconds, and cuts off the rest each time it is told.
A_MICROSECOND = 5e-6


def test_threads_hand_the_interpreter_on_quickly_and_leave_it_as_it_was() -> None:
    before = sys.getswitchinterval()
    with threads(2):
        assert sys.getswitchinterval() == pytest.approx(SWITCH_S, abs=A_MICROSECOND)
    assert sys.getswitchinterval() == pytest.approx(before, abs=A_MICROSECOND)


def test_threads_that_overlap_leave_the_interval_as_it_was() -> None:
    """The first ends before the second, as two requests of a page do."""
    before = sys.getswitchinterval()
    first, second = threads(1), threads(1)
    first.__enter__()
    second.__enter__()
    first.__exit__(None, None, None)
    assert sys.getswitchinterval() == pytest.approx(SWITCH_S, abs=A_MICROSECOND)
    second.__exit__(None, None, None)
    assert sys.getswitchinterval() == pytest.approx(before, abs=A_MICROSECOND)


def test_dask_loads_only_when_asked_for() -> None:
    code = (
        "import sys\n"
        "from simchain.decide.engine import engine\n"
        "with engine() as threads: list(threads.unordered(max, 1, iter([2])))\n"
        "print([name for name in sys.modules if name.partition('.')[0] in ('dask', 'distributed')])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout == "[]\n"


# Processes


def spectra(of: Engine, after: Callable[[int, int], None] = lambda *_: None) -> dict[int, bytes]:
    shared = of.share(np.random.default_rng(5).standard_normal(20_000))
    found = {}
    for job, (process, result) in of.unordered(spectrum, shared, iter(range(30))):
        found[job] = result
        after(len(found), process)
    return found


@pytest.fixture(scope="module")
def from_threads() -> dict[int, bytes]:
    with engine() as threads:
        return spectra(threads)


def test_processes_give_the_bytes_that_threads_give(
    processes: Engine, from_threads: dict[int, bytes]
) -> None:
    at_work = set()
    found = spectra(processes, lambda _, process: at_work.add(process))
    assert found == from_threads
    assert len(found) == 30
    assert len(at_work) == processes.workers == 2
    assert os.getpid() not in at_work


@posix
@pytest.mark.parametrize("when", [{10}, {10, 11}], ids=str)
def test_the_jobs_of_a_lost_worker_run_again(
    processes: Engine, from_threads: dict[int, bytes], when: set[int]
) -> None:
    """Also those of both, with all that was shared."""
    at_work: set[int] = set()
    killed: set[int] = set()

    def kill(done: int, process: int) -> None:
        at_work.add(process)
        if done in when:
            victim = process if process not in killed else max(at_work - killed)
            os.kill(victim, signal.SIGKILL)
            killed.add(victim)

    assert spectra(processes, kill) == from_threads
    assert len(killed) == len(when)
    until = time.monotonic() + 60
    while len(at_work) <= 2:  # on a busy machine another worker comes when all is done
        assert time.monotonic() < until
        told = processes.unordered(process_id, processes.share(0), iter(range(4)))
        at_work |= {process for _, process in told}


@posix
def test_a_job_that_kills_its_worker_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    few = {**cluster.CLUSTER_SETTINGS, "distributed.scheduler.allowed-failures": 1}
    monkeypatch.setattr(cluster, "CLUSTER_SETTINGS", few)
    with (
        engine(local_workers=1) as process,
        pytest.raises(RequestError, match=r"^the local cluster: a job lost its worker again and"),
    ):
        list(process.unordered(dies, process.share(0), iter([0])))


def test_what_is_shared_is_sent_once_to_each(processes: Engine, tmp_path: Path) -> None:
    run = processes.unordered(size_of, processes.share(Told(tmp_path)), iter(range(40)))
    assert {size for _, size in run} == {17}
    taken_out = [path.name.split("-")[0] for path in tmp_path.iterdir()]
    # Once by dask on its way in, and once more where it goes from one worker to the other.
    assert len(set(taken_out)) <= 3
    assert len(taken_out) <= 4


def test_long_sounds_as_jobs(processes: Engine) -> None:
    jobs = (np.full(2_000_000, float(job)) for job in range(4))  # 16 MB each
    found = [value for _, value in processes.unordered(largest, processes.share(0.5), jobs)]
    assert sorted(found) == [0.5, 1.5, 2.5, 3.5]


def test_jobs_that_look_like_tasks_stay_what_they_are(processes: Engine) -> None:
    """Dask may take a tuple that starts with a function for a task, and a name for its result."""
    jobs = [(len, "abc"), ["a", (max, 1, 2)], {"b": (len, "ab")}]
    found = list(processes.unordered(second, processes.share((min, 3, 4)), iter(jobs)))
    assert sorted(map(str, found)) == sorted(str((job, ((min, 3, 4), job))) for job in jobs)


def second(shared: object, job: object) -> tuple[object, object]:
    return shared, job


def test_few_jobs_are_drawn_for_processes(processes: Engine) -> None:
    drawn = 0

    def jobs() -> Iterator[int]:
        nonlocal drawn
        while drawn < 30:
            drawn += 1
            yield drawn

    for done, _ in enumerate(processes.unordered(process_id, processes.share(0), jobs())):
        assert drawn <= done + JOBS_A_WORKER * processes.workers


def test_what_a_job_raises_comes_from_processes_too(processes: Engine) -> None:
    stop = threading.Event()
    with pytest.raises(ClipError, match=r"^clip\.wav: no sound$"):
        list(processes.unordered(fails, processes.share(0), iter(range(9)), stop=stop))
    assert stop.is_set()
    again = dict(processes.unordered(process_id, processes.share(0), iter(range(9))))
    assert len(again) == 9


def test_local_workers_listen_on_this_machine_only(processes: Engine) -> None:
    import psutil

    at_work = {pid for _, pid in processes.unordered(process_id, processes.share(0), iter("ab"))}
    assert at_work
    everyone = [psutil.Process(), *psutil.Process().children(recursive=True)]
    listening = [
        connection.laddr.ip
        for process in everyone
        for connection in process.net_connections(kind="inet")
        if connection.status == psutil.CONN_LISTEN
    ]
    assert len(listening) >= 3
    assert set(listening) == {"127.0.0.1"}


@posix
def test_workers_never_see_ctrl_c_and_use_one_thread(processes: Engine) -> None:
    """Those that came for the ones killed above, too."""
    run = processes.unordered(surroundings, processes.share(0), iter(range(20)))
    assert {found for _, found in run} == {(True, "1")}
    assert surroundings(None, None)[0] is False


SCRIPT = """
import sys, time
from simchain.decide.engine import engine

def work(shared, job):
    until = time.monotonic() + 60 * job
    while time.monotonic() < until:
        pass

if __name__ == "__main__":
    begins()
    try:
        with engine(local_workers=2) as processes:
            print("started", flush=True)
            for job, _ in processes.unordered(work, processes.share(0), iter([0, 1, 1, 1, 1])):
                print("done", job, flush=True)
    except KeyboardInterrupt:
        print("interrupted", flush=True)
"""


NOTHING_FIRST = """
def begins():
    pass
"""
# Ctrl-C at the worst moment: Python only prints what is raised in a __del__, and goes on.
CTRL_C_WHILE_A_RESULT_IS_GIVEN_UP = """
import os, signal, threading
import distributed

gives_up = distributed.Future.__del__
pressed = []

def press(future):
    if threading.current_thread() is threading.main_thread() and not pressed:
        pressed.append(os.kill(os.getpid(), signal.SIGINT))
    gives_up(future)

def begins():
    distributed.Future.__del__ = press
"""


@contextmanager
def running_script(tmp_path: Path, first: str = NOTHING_FIRST) -> Iterator[subprocess.Popen[str]]:
    """Run SCRIPT in a session of its own, as a terminal does, in an empty home and folder."""
    (tmp_path / "home").mkdir()
    script = tmp_path / "script.py"
    script.write_text(first + SCRIPT)
    environment = {
        **os.environ,
        "PYTHONPATH": str(Path(engines.__file__).parents[2]),
        "HOME": str(tmp_path / "home"),
        "TMPDIR": str(tmp_path / "home"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    with subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
        env=environment,
        start_new_session=True,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def everyone_of(process: "subprocess.Popen[str]") -> list[object]:
    import psutil

    return psutil.Process(process.pid).children(recursive=True)


def wait_until_gone(those: list[object], within_s: float = 8.0) -> None:
    import psutil

    _, alive = psutil.wait_procs(those, timeout=within_s)
    assert alive == []


@posix
def test_ctrl_c_in_a_terminal_ends_the_workers_quietly(tmp_path: Path) -> None:
    """It reaches every process of the group, as in a terminal."""
    with running_script(tmp_path) as process:
        assert process.stdout
        while process.stdout.readline().strip() != "done 0":
            assert process.poll() is None
        workers = everyone_of(process)
        assert len(workers) >= 2
        since = time.monotonic()
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=20)
        wait_until_gone(workers)
        assert time.monotonic() - since < 8  # the jobs would have taken a minute
    assert out.splitlines()[-1] == "interrupted"
    assert err == ""
    assert process.returncode == 0
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["home", "script.py"]


@posix
def test_ctrl_c_is_heard_while_a_result_is_given_up(tmp_path: Path) -> None:
    with running_script(tmp_path, CTRL_C_WHILE_A_RESULT_IS_GIVEN_UP) as process:
        out, err = process.communicate(timeout=40)
    assert (out.splitlines(), err) == (["started", "interrupted"], "")


@posix
def test_ctrl_c_waits_while_it_is_held() -> None:
    """Also where a mask would not hold it: threads of linear algebra let it in."""
    went_on = []

    def press() -> None:
        with cluster._ctrl_c_held():
            with cluster._ctrl_c_held():
                signal.raise_signal(signal.SIGINT)
            went_on.append(True)

    with pytest.raises(KeyboardInterrupt):
        press()
    assert went_on
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@posix
def test_workers_do_not_outlive_who_started_them(tmp_path: Path) -> None:
    with running_script(tmp_path) as process:
        assert process.stdout
        while process.stdout.readline().strip() != "done 0":
            assert process.poll() is None
        workers = everyone_of(process)
        process.kill()
        process.communicate(timeout=20)
        wait_until_gone(workers)


# A scheduler elsewhere


@contextmanager
def scheduler_elsewhere(workers: int) -> Iterator[str]:
    """Run a scheduler that is reached over TCP, with workers in threads; give its address."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=workers,
        threads_per_worker=2,
        processes=False,
        protocol="tcp",
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        scheduler_kwargs={"dashboard": False},
    ) as cluster:
        yield cluster.scheduler_address


def test_a_scheduler_elsewhere(from_threads: dict[int, bytes]) -> None:
    with scheduler_elsewhere(2) as address:
        with engine(scheduler=address) as remote:
            assert remote.workers == 4
            assert spectra(remote) == from_threads
        with engine(scheduler=address) as again:  # it goes on when we have done
            assert len(list(again.unordered(process_id, again.share(0), iter("abc")))) == 3


def test_a_scheduler_without_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "ANSWER_WITHIN_S", 0.5)
    with scheduler_elsewhere(0) as address:
        assert refused(scheduler=address) == (
            f"scheduler {address} has no workers (waited 0.5 s for one); start some"
        )


@contextmanager
def dask(command: str, *arguments: str, cwd: Path) -> "Iterator[subprocess.Popen[str]]":
    with subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.dask_{command}", *arguments, "--no-dashboard"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(cwd), *sys.path])},
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.parametrize("package", ["numba", "simchain"])
def test_workers_with_another_version_are_refused(
    package: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "ANSWER_WITHIN_S", 30.0)  # time for the worker to start
    other = tmp_path / f"{package}-0.1.2.dist-info"
    other.mkdir()
    (other / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 0.1.2\n")
    (tmp_path / package).mkdir()
    (tmp_path / package / "__init__.py").write_text('__version__ = "0.1.2"')
    with scheduler_elsewhere(0) as address:
        line = rf"^scheduler {address}: worker tcp://\S+ has {package} 0\.1\.2, here it is 0\.[1-9]"
        with (
            dask("worker", address, "--no-nanny", cwd=tmp_path),
            pytest.raises(RequestError, match=line),
            engine(scheduler=address),
        ):
            pass


def test_a_worker_of_another_version_that_comes_later(
    processes: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "__version__", "0.0.9")
    line = rf"^a worker has simchain {simchain.__version__}, the search is by 0\.0\.9$"
    with pytest.raises(RequestError, match=line):
        list(processes.unordered(process_id, processes.share(0), iter("ab")))


def test_a_scheduler_that_goes_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    monkeypatch.setattr(cluster, "ANSWER_WITHIN_S", 30.0)  # time for both to start
    monkeypatch.setitem(cluster.CLUSTER_SETTINGS, "distributed.comm.timeouts.connect", "1s")
    with (
        dask("scheduler", "--host", "127.0.0.1", "--port", str(port), cwd=tmp_path) as scheduler,
        dask("worker", address, "--no-nanny", cwd=tmp_path),
        engine(scheduler=address) as remote,
    ):
        run = remote.unordered(max, remote.share(1), iter(range(10_000)))
        next(run)
        scheduler.kill()
        with pytest.raises(RequestError, match=f"^scheduler {address} does not answer any more$"):
            list(run)


def test_a_scheduler_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "ANSWER_WITHIN_S", 0.5)
    with socket.socket() as listens:
        listens.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{listens.getsockname()[1]}"
        line = f"scheduler {address} does not answer (tried for 0.5 s to connect)"
        assert refused(scheduler=address) == f"{line}; is it running there?"  # nobody listens
        listens.listen()
        assert line in refused(scheduler=address)  # somebody does, and says nothing


def test_something_else_that_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "ANSWER_WITHIN_S", 0.5)

    def answer(listens: socket.socket) -> None:
        try:
            while True:
                caller, _ = listens.accept()
                with caller:
                    caller.sendall(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n" * 100)
        except OSError:
            return

    with socket.socket() as listens:
        listens.bind(("127.0.0.1", 0))
        listens.listen()
        thread = threading.Thread(target=answer, args=(listens,), daemon=True)
        thread.start()
        assert "does not answer" in refused(scheduler=f"tcp://127.0.0.1:{listens.getsockname()[1]}")
        listens.shutdown(socket.SHUT_RDWR)
        thread.join(5)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "elsewhere",
        "elsewhere:8786",
        "http://elsewhere:8786",
        "tcp://elsewhere",
        "tcp://:8786",
        "tcp://elsewhere:99999",
        "tcp://elsewhere:port",
        "tcp://[::1:8786",
        "tcp://else where:8786",
        "tcp://elsewhere:8786/path",
    ],
)
def test_what_is_no_address(address: str) -> None:
    line = f"scheduler '{address}' is no address; write it as tcp://HOST:PORT"
    assert refused(scheduler=address) == line


def test_one_or_the_other() -> None:
    line = "give a scheduler or a number of local workers, not both"
    assert refused(scheduler="tcp://elsewhere:8786", local_workers=2) == line


@pytest.mark.parametrize("workers", [0, -1, 257])
def test_a_number_of_workers_that_cannot_be(workers: int) -> None:
    assert refused(local_workers=workers) == (
        f"{workers} local workers asked for; 1 to 256 are allowed"
    )


def test_a_busy_machine_is_no_reason_to_warn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Dask warns where its folders take a second to make; here they always do."""
    core = pytest.importorskip("distributed.core")
    real = core.warn_on_duration
    monkeypatch.setattr(core, "warn_on_duration", lambda _, text: real("0s", text))
    with engine(local_workers=1) as process:
        texts = [f"{cluster.SLOW_FOLDERS} is taking long", "something else"]
        [(_, told)] = process.unordered(heard, process.share(0), iter([texts]))
    assert told == ["something else"]


def test_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    line = "a scheduler or local workers need the extra 'cluster': pip install 'simchain[cluster]'"
    assert refused(scheduler="tcp://elsewhere:8786") == line
    assert refused(local_workers=2) == line
