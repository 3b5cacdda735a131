"""Work is handed to any executor, here to processes, threads and a local cluster, and nothing is lost."""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from forecast import Refused, executors
from forecast.executors import handed_out


def square(number: int) -> int:
    return number**2


def slow_square(number: int) -> int:
    time.sleep(0.3)
    return number**2


def fatal(number: int, parent: int) -> int:
    """Kill the worker that gets the third item, unless it is done in the first process."""
    if number == 3 and os.getpid() != parent:
        os.kill(os.getpid(), signal.SIGKILL)
    return number**2


def stubborn(number: int, mark: str) -> int:
    """Kill the worker that is the first to get the third item."""
    if number == 3 and not Path(mark).exists():
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.02)
    return number**2


def cut_short(number: int, parent: int) -> int:
    """Kill the worker that gets the third item when it has sent half of the result."""

    def half(connection: Connection, sent: memoryview) -> None:
        os.write(connection.fileno(), bytes(sent)[: len(sent) // 2])
        os.kill(os.getpid(), signal.SIGKILL)

    if number == 3 and os.getpid() != parent:
        Connection._send = half  # type: ignore[attr-defined]
    return number**2


def faulty(number: int) -> int:
    if number == 3:
        raise ValueError("three")
    return number


ITEMS = [(number,) for number in range(20)]
SQUARES = {at: at**2 for at in range(20)}


@pytest.mark.parametrize(
    "make",
    [lambda: None, lambda: ThreadPoolExecutor(3), lambda: ProcessPoolExecutor(2)],
    ids=["here", "threads", "processes"],
)
def test_every_item_is_done_once(make):
    executor = make()
    results = list(handed_out(square, ITEMS, executor))
    assert len(results) == len(ITEMS)
    assert dict(results) == SQUARES
    if executor:
        executor.shutdown()


def test_what_a_broken_pool_leaves_is_done_here():
    with ProcessPoolExecutor(2) as pool:
        found = list(handed_out(fatal, [(number, os.getpid()) for number in range(20)], pool))
        with pytest.raises(BrokenProcessPool):  # it really broke
            pool.submit(square, 1)
    assert len(found) == 20
    assert dict(found) == SQUARES


def test_a_worker_killed_in_the_middle_of_a_result_stops_nobody(monkeypatch):
    monkeypatch.setattr(executors, "_PATIENCE", 0.2)
    with ProcessPoolExecutor(2) as pool:
        found = list(handed_out(cut_short, [(number, os.getpid()) for number in range(20)], pool))
        with pytest.raises(BrokenProcessPool):
            pool.submit(square, 1).result()
    assert len(found) == 20
    assert dict(found) == SQUARES


def test_patience_with_slow_work_has_no_end(monkeypatch):
    monkeypatch.setattr(executors, "_PATIENCE", 0.05)
    with ProcessPoolExecutor(2) as pool:
        assert dict(handed_out(slow_square, ITEMS[:4], pool)) == {at: at**2 for at in range(4)}
        assert pool.submit(square, 5).result() == 25  # nobody broke it


def test_a_pool_that_was_broken_before_is_no_loss():
    with ProcessPoolExecutor(1) as pool:
        with pytest.raises(BrokenProcessPool):
            pool.submit(fatal, 3, 0).result()
        assert dict(handed_out(square, ITEMS, pool)) == SQUARES


def test_what_the_work_raises_is_raised():
    with ThreadPoolExecutor(2) as pool, pytest.raises(ValueError, match="three"):
        list(handed_out(faulty, ITEMS, pool))


def test_what_has_not_begun_is_called_off():
    begun: list[int] = []

    def slow(number: int) -> int:
        begun.append(number)
        time.sleep(0.02)
        return number

    with ThreadPoolExecutor(1) as pool:
        work = handed_out(slow, ITEMS, pool)
        next(work)
        work.close()
    assert len(begun) < len(ITEMS)


def test_what_is_no_executor_is_refused():
    with pytest.raises(Refused, match="not an executor"):
        list(handed_out(square, ITEMS, "two"))  # type: ignore[arg-type]


def test_an_executor_that_was_shut_down_is_refused():
    with ThreadPoolExecutor(1) as pool:
        pass
    with pytest.raises(Refused, match=r"it was shut down\. Call this while it is open"):
        list(handed_out(square, ITEMS, pool))


def test_any_other_executor_will_do():
    class Lazy(Executor):
        def submit(self, fn, /, *args, **kwargs):
            future: Future = Future()
            future.set_result(fn(*args, **kwargs))
            return future

    assert dict(handed_out(square, ITEMS, Lazy())) == SQUARES


def test_a_worker_of_a_cluster_that_is_killed_loses_nothing(cluster, tmp_path):
    mark = str(tmp_path / "killed")
    with cluster.get_executor() as executor:
        found = dict(handed_out(stubborn, [(number, mark) for number in range(20)], executor))
    assert Path(mark).exists()
    assert found == SQUARES


# Closed before or while it works


def test_a_client_of_a_cluster_that_was_closed_is_refused(cluster):
    from distributed import Client  # noqa: PLC0415

    client = Client(cluster.scheduler.address)
    executor = client.get_executor()
    assert dict(handed_out(square, ITEMS[:2], executor)) == {0: 0, 1: 1}
    client.close()
    with pytest.raises(Refused, match=r"takes no work: Client is closed\. Call this while it is open\."):
        list(handed_out(square, ITEMS, executor))


def test_a_client_of_a_cluster_that_is_closed_at_work_is_reported(cluster):
    from distributed import Client  # noqa: PLC0415

    client = Client(cluster.scheduler.address)
    work = handed_out(slow_square, ITEMS, client.get_executor())
    next(work)
    client.close()
    with pytest.raises(Refused, match="was shut down before the work was done"):
        list(work)


def test_an_executor_that_is_shut_down_at_work_is_reported(monkeypatch):
    monkeypatch.setattr(executors, "_PATIENCE", 0.1)
    pool = ThreadPoolExecutor(1)
    work = handed_out(slow_square, ITEMS, pool)
    next(work)
    pool.shutdown(wait=False, cancel_futures=True)
    with pytest.raises(Refused, match="was shut down before the work was done"):
        list(work)
