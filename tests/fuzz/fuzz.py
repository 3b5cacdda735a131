"""Inputs made to break the readers, guided by which code they reach.

Run by hand from the project's folder, with the extra ``fuzz`` installed: ``python tests/fuzz/fuzz.py``. Prints a table:
inputs, seconds, slowest input, greatest memory, inputs that reached new code, and faults by reader. A fault is an error
other than a refusal, five seconds of work on one input, or 1 GiB of memory for one, all that is loaded with it. The
first input of each kind is kept.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any

import atheris

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "builders")]

if TYPE_CHECKING:
    from targets import Target

SHARES = {  # of the inputs, by reader: those that are read faster get more
    "season from CSV and TOML": 0.3,
    "records from CSV": 0.2,
    "season from a workbook": 0.08,
    "records from a workbook": 0.12,
    "record of a station": 0.22,
    "names in files and calendar": 0.03,
    "command line": 0.05,
}
SLOW = 5.0  # seconds of work on one input
GREAT = 2**30  # bytes
LONGEST = 200_000  # bytes of an input
HERE = ("/forecast/", "/tests/fuzz/")
FAST = Path("/dev/shm")


class Slow(BaseException):
    """An input took too long; no reader may take this for what a damaged file does."""


def memory() -> int:
    """Return the greatest memory that was used so far [bytes]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def resident() -> int:
    """Return the memory that is used now [bytes]."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * resource.getpagesize()


class Feeding:
    """One reader fed with inputs until there were enough, or it took long enough; it then ends the process."""

    def __init__(self, target: Target, inputs: int, seconds: float, home: Path) -> None:
        self.target, self.inputs, self.seconds = target, inputs, seconds
        self.folder, self.corpus = home / "a" / "b" / "c", home / "corpus"
        self.folder.mkdir(parents=True)
        self.corpus.mkdir()
        self.seeds = target.seeds(self.folder)
        for number, seed in enumerate(self.seeds):
            (self.corpus / str(number)).write_bytes(seed)
        self.faults: dict[str, int] = {}
        self.kept: list[str] = []
        self.loaded = resident()
        self.fed, self.slowest, self.began = 0, 0.0, time.monotonic()

    def feed(self, data: bytes) -> None:
        """Return the reader an input, and note what is wrong with what it does."""
        if self.fed >= self.inputs or time.monotonic() - self.began > self.seconds:
            self.end()
        self.fed += 1
        greatest, before, start = memory(), resident(), time.process_time()
        signal.setitimer(signal.ITIMER_VIRTUAL, SLOW)
        try:
            self.target.feed(data, self.folder)
        except Slow:
            self.told("took more than five seconds", data)
        except BaseException as error:
            frames = [f for f in traceback.extract_tb(error.__traceback__) if any(part in f.filename for part in HERE)]
            where = " < ".join(f"{Path(f.filename).name}:{f.lineno}" for f in reversed(frames[-3:]))
            said = re.sub(r"\d+", "#", str(error)[:80])
            self.told(f"{type(error).__name__}: {said} at {where}", data)
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        self.slowest = max(self.slowest, time.process_time() - start)
        if memory() > greatest and self.loaded + memory() - before > GREAT:
            self.told("more than 1 GiB", data)

    def told(self, fault: str, data: bytes) -> None:
        """Count a fault, and keep the first input of its kind."""
        if fault not in self.faults:
            self.kept.append(data.hex())
        self.faults[fault] = self.faults.get(fault, 0) + 1

    def mutated(self, data: bytes, longest: int, seed: int) -> bytes:
        """Make another input of one: by its bytes, or as the reader's own mutation does."""
        draw = random.Random(seed)
        if self.target.mutate is None or draw.random() < 0.3:
            return bytes(atheris.Mutate(data, longest))
        return self.target.mutate(data, draw)[:longest]

    def end(self) -> None:
        """Tell what came of it."""
        report = {"inputs": self.fed, "seconds": time.monotonic() - self.began, "slowest": self.slowest}
        report |= {"memory": memory(), "reached": sum(1 for _ in self.corpus.iterdir()) - len(self.seeds)}
        sys.stdout.write(json.dumps({**report, "faults": self.faults, "kept": self.kept}))
        sys.stdout.flush()
        os._exit(0)


def fuzz(name: str, inputs: int, seconds: float, home: Path) -> None:
    """Feed one reader in this process, which ends then."""
    instrumented = ["forecast.season", "forecast.errors", "forecast.weather.station", "tomllib"]
    with atheris.instrument_imports(include=instrumented):
        from targets import TARGETS  # noqa: PLC0415 (only now, so that it is followed which code is reached)

    def too_long(*_: object) -> None:
        raise Slow

    feeding = Feeding(TARGETS[name], inputs, seconds, home)
    signal.signal(signal.SIGVTALRM, too_long)
    options = [f"-max_len={LONGEST}", "-timeout=120", "-rss_limit_mb=3000", "-verbosity=0", "-seed=1"]
    command = [sys.argv[0], *options, f"-artifact_prefix={feeding.folder}/", str(feeding.corpus)]
    atheris.Setup(command, feeding.feed, custom_mutator=feeding.mutated)
    atheris.Fuzz()


def shown(name: str, told: dict[str, Any], kept: Path) -> None:
    """Print what came of a reader, and keep the inputs that broke it."""
    counts = (told["memory"] / 2**20, told["reached"], sum(told["faults"].values()))
    numbers = f"{told['inputs']:>9,}{told['seconds']:>9.0f}{told['slowest']:>9.2f}"
    print(f"{name:<30}{numbers}{counts[0]:>7.0f}{counts[1]:>6}{counts[2]:>8}", flush=True)
    for number, ((fault, times), data) in enumerate(zip(told["faults"].items(), told["kept"], strict=True)):
        file = kept / f"{name.replace(' ', '_')}-{number}"
        file.write_bytes(bytes.fromhex(data))
        print(f"    {times} x {fault}\n        {file}", flush=True)


def main() -> None:
    """Feed each reader in a process of its own, one after the other, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000, help="in all (100000)")
    parser.add_argument("--minutes", type=float, default=60, help="at most, in all (60)")
    parser.add_argument("--kept", type=Path, help="folder for inputs that break a reader (a new one)")
    parser.add_argument("--reader", choices=SHARES, help="one reader alone")
    parser.add_argument("--home", type=Path, help=argparse.SUPPRESS)
    parsed = parser.parse_args()
    if parsed.home:
        fuzz(parsed.reader, parsed.inputs, 60 * parsed.minutes, parsed.home)
    kept = parsed.kept or Path(tempfile.mkdtemp(prefix="faults-"))
    kept.mkdir(parents=True, exist_ok=True)
    print(f"{'reader':<30}{'inputs':>9}{'seconds':>9}{'slowest':>9}{'MiB':>7}{'new':>6}{'faults':>8}", flush=True)
    for name in [parsed.reader] if parsed.reader else SHARES:
        inputs = parsed.inputs if parsed.reader else round(parsed.inputs * SHARES[name])
        minutes = parsed.minutes if parsed.reader else parsed.minutes / len(SHARES)
        home = tempfile.mkdtemp(prefix="fuzz-", dir=FAST if FAST.is_dir() else None)
        command = [sys.executable, __file__, "--home", home, "--reader", name]
        command += ["--inputs", str(inputs), "--minutes", str(minutes)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
            told, faulty = child.communicate()
        if child.returncode:
            print(f"{name:<30} ended before its time with {child.returncode}:\n{faulty[-2000:]}", flush=True)
        else:
            shown(name, json.loads(told), kept)
        shutil.rmtree(home, ignore_errors=True)


if __name__ == "__main__":
    main()
