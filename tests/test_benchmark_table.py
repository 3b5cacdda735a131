"""What the table of benchmarks is made of: a power that is known, memory of one's own, and parts that there are."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parent / "benchmarks"


def run(*command):
    return subprocess.run([sys.executable, *command], capture_output=True, text=True, check=False, cwd=BENCHMARKS)


def test_the_exponent_of_a_power_law_is_its_power_without_error():
    code = (
        "from size import exponent; import numpy as np; x = np.array([10, 100, 1000]); print(*exponent(x, 7 * x**0.6))"
    )
    slope, error = map(float, run("-c", code).stdout.split())
    assert slope == pytest.approx(0.6, abs=1e-9)
    assert error == pytest.approx(0, abs=1e-9)


@pytest.mark.skipif(
    not Path("/proc/self/status").exists(),
    reason="what is tested is how `peak` goes around a count that Linux alone makes, by a file that Linux alone has",
)
def test_a_small_child_of_a_large_process_is_seen_to_be_small():
    large = np.ones(40 * 2**20)  # 320 MiB
    grown = int(run("-c", "from measuring import peak; print(peak())").stdout)
    assert 2**24 < grown < large.nbytes


def test_memory_that_was_given_back_still_counts():
    code = "from measuring import np, peak; one = peak(); np.ones(2**24); print(peak() - one)"
    assert int(run("-c", code).stdout) > 0.9 * 2**27


def test_an_unknown_part_is_refused_with_those_there_are():
    done = run("table.py", "nothing")
    assert done.returncode == 2
    assert "no such part: nothing; there are engine, learning, orders, size, workers, random" in done.stderr


def test_blocks_beyond_a_whole_number_of_rounds_take_a_round_more():
    """Seven blocks by three workers take three rounds, and seven times what handing one out takes."""
    code = (
        "import sys; sys.path.insert(0, '../builders'); from workers import Traffic; "
        "print(Traffic(7, 1, 3e6, 1e6, work=2.0, handling=0.5, before=10.0).expected(3, 0.25, 4e6))"
    )
    assert float(run("-c", code).stdout) == 10 + 3 * 2 + 7 * (0.5 + 0.25 + 1)
