"""Parallel work: items by an executor of ``concurrent.futures``, parts of the draws by two threads."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import (
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    as_completed,
)
from typing import Any, TypeVar

from forecast.errors import refuse

Progress = Callable[[int, int], None]
"""Called with how much is done, and of how much."""
_Result = TypeVar("_Result")
_Item = TypeVar("_Item")

_PATIENCE = 5.0  # seconds between looks whether a pool still lives
_TOGETHER = 2048  # draws


def handed_out(
    work: Callable[..., _Result], items: Sequence[tuple[Any, ...]], executor: Executor | None
) -> Iterator[tuple[int, _Result]]:
    """Yield the number, from 0, and the result of a function of a module for each item of arguments, as they are done.

    Without an executor of ``concurrent.futures`` (or of a library with the same interface) all of it is done here.
    `Refused` if it is no executor, or is closed or shut down before the work is done.

    Notes
    -----
    A process pool breaks if one of its workers is lost: the remaining items then run in this process, and the pool is
    of no further use. A cluster runs a lost item again, a few times; if its workers are lost again and again, its error
    is raised. What `work` raises is raised here, and items that have not begun are cancelled.
    """
    if executor is None:
        for at, item in enumerate(items):
            yield at, work(*item)
        return
    check(executor)
    waiting: dict[Future[_Result], int] = {}
    left = set(range(len(items)))
    try:
        for at, item in enumerate(items):
            waiting[_submitted(executor, work, item)] = at
        for future in _done(waiting, executor):
            at = waiting.pop(future)
            result = future.result()
            del future  # or its result would be kept until the next is done
            left.discard(at)
            yield at, result
    except CancelledError as error:
        problem, remedy = "was shut down before the work was done", "Keep it open until this has ended."
        raise refuse("executor", str(executor), problem, remedy) from error
    except BrokenExecutor:
        waiting.clear()  # the pool gives them all up, and calling them off could disturb it
        for at in sorted(left):
            yield at, work(*items[at])
    finally:
        for future in waiting:
            future.cancel()


def _done(waiting: Collection[Future[_Result]], executor: Executor) -> Iterator[Future[_Result]]:
    """Return futures as they are done, until none waits."""
    while waiting:
        try:
            yield from as_completed(list(waiting), _PATIENCE)
        except TimeoutError:
            if any(future.cancelled() for future in waiting):  # by a pool that was shut down: it wakes nobody
                raise CancelledError from None
            _end_if_broken(executor)


def _end_if_broken(executor: Executor) -> None:
    """Kill the other processes of a pool of which one was killed.

    One that is killed in the middle of a result keeps the lock that the others need for theirs, and its pool waits for
    the rest of the result for good. Here the other processes are ended, too, and the pool's own end of the pipe, so
    that it finds that it is broken.
    """
    if not isinstance(executor, ProcessPoolExecutor):
        return
    processes = list((executor._processes or {}).values())
    if any(process.exitcode for process in processes):
        for process in processes:
            process.kill()
        executor._result_queue._writer.close()  # type: ignore[attr-defined]


def _submitted(executor: Executor, work: Callable[..., _Result], item: tuple[Any, ...]) -> Future[_Result]:
    try:
        return executor.submit(work, *item)
    except BrokenExecutor:
        raise
    except Exception as error:  # a cluster's client has one of its own when it is closed
        said = str(error).partition(". ")[0] or type(error).__name__
        why = "it was shut down" if isinstance(error, RuntimeError) else said
        problem, remedy = f"takes no work: {why}", "Call this while it is open."
        raise refuse("executor", str(executor), problem, remedy) from error


def check(executor: object) -> None:
    """Refuse anything but an executor."""
    if not isinstance(executor, Executor):
        remedy = "Give one of concurrent.futures, such as ProcessPoolExecutor(), or a client's get_executor()."
        raise refuse("executor", str(executor), "not an executor", remedy)


def in_parts(draws: int, work: Callable[[slice], None]) -> None:
    """Call a function for parts of the draws, small enough for fast memory, two at a time."""
    parts = [slice(start, min(start + _TOGETHER, draws)) for start in range(0, draws, _TOGETHER)]
    if len(parts) == 1:
        work(parts[0])
        return
    with ThreadPoolExecutor(2) as pool:  # most of the time is spent in large arrays
        list(pool.map(work, parts))
