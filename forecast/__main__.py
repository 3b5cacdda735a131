"""``python -m forecast``: the command line, which the keyboard may stop at any time, also while it is imported."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Sequence

STOPPED = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; return its code (see `forecast.command_line.run`), or 130 if the keyboard stopped it."""
    pressed = []

    def stop(*_: object) -> None:
        pressed.append(True)
        raise KeyboardInterrupt

    main_thread = threading.current_thread() is threading.main_thread()
    watched = main_thread and signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if watched:
        signal.signal(signal.SIGINT, stop)
    try:
        from forecast.command_line import run

        return run(arguments)
    except (KeyboardInterrupt, ImportError) as error:  # NumPy makes an import that was stopped an ImportError
        if not pressed and isinstance(error, ImportError):
            raise
        if sys.stderr is not None:
            print("Stopped.", file=sys.stderr)
        return STOPPED
    finally:
        if watched:
            signal.signal(signal.SIGINT, signal.default_int_handler)


if __name__ == "__main__":
    sys.exit(main())
