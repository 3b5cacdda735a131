"""``python -m forecast``: the command line, which the keyboard may stop at any time, also while it is imported."""

from __future__ import annotations

import sys
from collections.abc import Sequence

STOPPED = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; return its code (see `forecast.command_line.run`), or 130 if the keyboard stopped it."""
    try:
        from forecast.command_line import run

        return run(arguments)
    except KeyboardInterrupt:
        if sys.stderr is not None:
            print("Stopped.", file=sys.stderr)
        return STOPPED


if __name__ == "__main__":
    sys.exit(main())
