"""How many faults put at random into the calculating rooms the tests catch.

Run by hand from the project's folder, after ``pip install mutmut==3.8.1 pytest-cov``::

    python tests/benchmarks/mutation.py --mutants 200 --seed 1

Of all mutants (see mutants.py) a uniform sample is drawn, of each room its share. Each is put to tests that pass
through the changed lines, up to about so many seconds of them; changes of what runs on import go to all tests of the
file. Tests that run another Python see no mutant. Far more seconds of work than usual count as caught, and apart. The
first run measures which tests pass where, into build/mutation/; ``--afresh`` does so again, after any change.
"""

from __future__ import annotations

import argparse
import importlib
import json
import multiprocessing
import os
import random
import resource
import signal
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from coverage import CoverageData
from mutants import ROOT, Instead, Mutant, mutants
from scipy import stats

KEPT = ROOT / "build" / "mutation"
ROOMS = (
    "rates", "weather", "fitting", "fates", "growth", "ordering", "records/learning.py", "records/stage_counts.py",
    "propagation", "resources", "tracking", "sensitivity", "planning",
)  # fmt: skip
TESTS = ("tests", "forecast")
OPTIONS = ("-q", "--assert=plain", "-p", "no:nbval", "-o", "addopts=--doctest-modules --import-mode=importlib")
CAUGHT, TOO_LONG, SURVIVED = "caught", "too long", "survived"
ENDS = {
    pytest.ExitCode.OK: SURVIVED,
    pytest.ExitCode.NO_TESTS_COLLECTED: SURVIVED,
    pytest.ExitCode.TESTS_FAILED: CAUGHT,
}
ENDS |= {pytest.ExitCode.INTERRUPTED: CAUGHT, -signal.SIGSEGV: CAUGHT, -signal.SIGABRT: CAUGHT}
ENDS |= {-signal.SIGXCPU: TOO_LONG, -signal.SIGKILL: TOO_LONG}  # anything else is a fault of the run itself
FORK = multiprocessing.get_context("fork")


class Chosen:
    """Keeps some tests, in their order, or all, and notes how long each takes."""

    def __init__(self, ranks: dict[str, int] | None = None) -> None:
        self.ranks, self.seconds = ranks, dict[str, float]()

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if (ranks := self.ranks) is not None:
            items[:] = sorted((one for one in items if one.nodeid in ranks), key=lambda one: ranks[one.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration


def measure() -> None:
    """Run all tests; keep which pass where, and how long they take."""
    KEPT.mkdir(parents=True, exist_ok=True)
    os.environ["COVERAGE_FILE"] = str(KEPT / "coverage")
    chosen, how = Chosen(), ("-n", "2", "--dist", "loadfile", "--cov=forecast", "--cov-context=test")
    if code := pytest.main([*OPTIONS, *how, *TESTS], [chosen]):
        sys.exit(code)
    (KEPT / "seconds.json").write_text(json.dumps(chosen.seconds), "utf-8")


def tests_of(mutant: Mutant, data: CoverageData, seconds: dict[str, float], most: float) -> dict[str, int]:
    """Return tests and their order: those of its room first, then the shortest; those that share a fixture are one."""
    by_line = {line: set(tests) for line, tests in data.contexts_by_lineno(str(ROOT / mutant.file)).items()}
    found = set[str]().union(*(by_line.get(line, ()) for line in mutant.lines))
    if found == {""}:  # on import
        found = found.union(*by_line.values())
    shared = {context.split("::")[0] for context in found if context.endswith("|setup")}
    blocks: dict[str, set[str]] = defaultdict(set)
    for test in {context.split("|")[0] for context in found - {""}} | set(seconds):
        file = test.split("::")[0]
        if file in shared or f"{test}|run" in found:
            blocks[file if file in shared else test].add(test)
    lengths = {block: sum(seconds.get(test, 0) for test in tests) for block, tests in blocks.items()}
    ranks, spent, near = dict[str, int](), 0.0, f"tests/{Path(mutant.file).parts[1]}/"
    for rank, block in enumerate(sorted(lengths, key=lambda block: (not block.startswith(near), lengths[block]))):
        spent += lengths[block]
        if spent <= most or not rank:
            ranks |= dict.fromkeys(blocks[block], rank)
    return ranks


def put_to_tests(mutant: Mutant, ranks: dict[str, int], seconds: int) -> None:
    """Run tests on a mutant for at most so many seconds of work; end with 0 if it survives."""
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    sys.meta_path.insert(0, loader := Instead(mutant))
    phases = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
    hypothesis.settings.register_profile("mutants", phases=phases, deadline=None, database=None, derandomize=True)
    importlib.import_module(loader.name)  # what cannot be imported ends here with 1, as what fails a test
    files = sorted({test.split("::")[0] for test in ranks})
    how = ("-x", "-p", "no:cacheprovider", "--hypothesis-profile=mutants")
    os._exit(pytest.main([*OPTIONS, *how, *files], [Chosen(ranks)]) if files else 0)


def outcomes(sample: Sequence[Mutant], most: float, jobs: int) -> Iterator[tuple[Mutant, str]]:
    """Try mutants, some at a time, each in a fork of this process."""
    data, seconds = CoverageData(str(KEPT / "coverage")), json.loads((KEPT / "seconds.json").read_text("utf-8"))
    data.read()
    waiting, running = list(sample), dict[int, tuple[Mutant, Any]]()
    while waiting or running:
        while waiting and len(running) < jobs:
            mutant = waiting.pop()
            ranks = tests_of(mutant, data, seconds, most)
            limit = int(20 + 3 * sum(seconds.get(test, 0) for test in ranks))
            process = FORK.Process(target=put_to_tests, args=(mutant, ranks, limit))
            process.start()
            running[process.sentinel] = mutant, process
        for ended in wait(running):
            mutant, process = running.pop(ended)
            process.join()
            yield mutant, ENDS[process.exitcode]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--mutants", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--most", type=float, default=60, help="seconds of tests for each mutant, about")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--afresh", action="store_true", help="measure again which tests pass where")
    asked = parser.parse_args()
    os.chdir(ROOT)
    if asked.afresh or not (KEPT / "seconds.json").exists():
        process = FORK.Process(target=measure)
        process.start()
        process.join()
        if process.exitcode:
            sys.exit("Tests fail without any mutant.")
    sys.path.insert(0, str(ROOT))
    importlib.import_module("forecast")  # for all that it needs; forks import the package itself anew
    for name in [name for name in sys.modules if name.split(".")[0] == "forecast"]:
        del sys.modules[name]
    every, drawn = {room: list(mutants(room)) for room in ROOMS}, random.Random(asked.seed)
    part = asked.mutants / sum(map(len, every.values()))
    sample = [mutant for some in every.values() for mutant in drawn.sample(some, round(part * len(some)))]
    drawn.shuffle(sample)
    for same, outcome in outcomes([replace(mutant, new=mutant.old) for mutant in sample[:3]], asked.most, asked.jobs):
        if outcome != SURVIVED:
            sys.exit(f"Tests of {same.file} fail without any mutant.")
    count: Counter[tuple[str, str]] = Counter()
    for mutant, outcome in outcomes(sample, asked.most, asked.jobs):
        count[next(room for room in ROOMS if mutant.file.startswith(f"forecast/{room}")), outcome] += 1
        if outcome != CAUGHT:
            print(f"{outcome}: {mutant}", flush=True)
    print(f"\n{'':24}{'mutants':>9}{'drawn':>7}{CAUGHT:>8}{TOO_LONG:>10}   share caught or too long, 95 % interval")
    for rooms in [*((room,) for room in ROOMS), ROOMS]:
        caught, long, survived = (sum(count[room, end] for room in rooms) for end in (CAUGHT, TOO_LONG, SURVIVED))
        found = stats.binomtest(caught + long, caught + long + survived)
        low, high = found.proportion_ci(method="wilson")
        number, name = sum(len(every[room]) for room in rooms), rooms[0] if len(rooms) == 1 else "all"
        print(f"{name:24}{number:9,}{found.n:7}{caught:8}{long:10}   {found.statistic:.0%} ({low:.0%} to {high:.0%})")


if __name__ == "__main__":
    main()
