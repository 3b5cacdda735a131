"""How fast and how large: one table.

Run by hand from the project's folder::

    python tests/benchmarks/table.py [--quick] [--out FILE.csv] [part ...]

Parts are engine, learning, orders, size, workers and random; all if none is named. All take about half an hour on
two quiet cores. With --quick they are smaller and take a few minutes, to try the command.

Ours, and what it is set against, are medians of so many runs. The ratio is theirs through ours where the row does not
say otherwise. Linear algebra has one thread, here and in workers.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import os
import sys
from dataclasses import asdict
from pathlib import Path

for _library in ("OMP", "OPENBLAS", "MKL", "VECLIB"):  # before NumPy is imported
    os.environ[f"{_library}_{'MAXIMUM' if _library == 'VECLIB' else 'NUM'}_THREADS"] = "1"
sys.path[:0] = [str(Path(__file__).parents[1] / helpers) for helpers in ("reference", "builders")]

from measuring import Row, machine

PARTS = {  # and the file it is in
    "engine": "engine",
    "learning": "learning",
    "orders": "orders",
    "size": "size",
    "workers": "workers",
    "random": "random_numbers",
}
LARGER_UNITS = {
    "s": ((7200.0, "h"), (1.0, "s"), (1e-3, "ms"), (1e-6, "us")),
    "bytes": ((2.0**30, "GiB"), (2.0**20, "MiB"), (2.0**10, "KiB")),
    "bytes/s": ((2.0**20, "MiB/s"),),
}
WIDTHS = (8, 88, 20, 26, 10, 4)


def line(*cells: str) -> str:
    """Set cells in columns, numbers to the right."""
    left = (f"{cell:<{width}}" for cell, width in zip(cells[:2], WIDTHS[:2], strict=True))
    right = (f"{cell:>{width}}" for cell, width in zip(cells[2:], WIDTHS[2:], strict=True))
    return "  ".join((*left, *right)).rstrip()


def amount(value: float, unit: str) -> str:
    """Write a number to three digits, in a unit that suits its size."""
    for least, larger in LARGER_UNITS.get(unit, ()):
        if value >= least:
            value, unit = value / least, larger
            break
    digits = f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return f"{digits} {unit}".rstrip()


def told(part: str, row: Row) -> str:
    """Write a row."""
    error = "" if row.error is None else f" ± {row.error:.2g}"
    more = ">" if row.at_least else ""
    theirs = "" if row.theirs is None else f"{row.against} {more}{amount(row.theirs, row.unit)}"
    ratio = "" if row.ratio is None else f"{more}{amount(row.ratio, '')}"
    return line(part, row.what, f"{amount(row.ours, row.unit)}{error}", theirs, ratio, f"{row.runs}")


def main() -> None:
    """Measure, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", metavar="part", help=", ".join(PARTS))
    parser.add_argument("--quick", action="store_true", help="smaller, in a few minutes")
    parser.add_argument("--out", type=Path, help="a CSV file to write the table to as well")
    given = parser.parse_args()
    if unknown := set(given.parts) - set(PARTS):
        parser.error(f"no such part: {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    load, rows = os.getloadavg()[0], []
    print(line("part", "what", "ours", "the alternative", "ratio", "runs"))
    for part in given.parts or PARTS:
        for row in importlib.import_module(PARTS[part]).rows(quick=given.quick):
            rows.append({"part": part} | asdict(row))
            print(told(part, row), flush=True)
    print(f"\n{machine(load)}{'; quick' if given.quick else ''}")
    if given.out:
        with given.out.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, ["part", *Row.__dataclass_fields__])
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    main()
