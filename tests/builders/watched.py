"""Run a module as ``python -m`` does, and tell what it touched.

``python watched.py LOG MODULE ARGUMENTS`` writes into LOG a line of JSON for each thing done: what was done, and where.
A socket or a pickle ends the run, even where it would have been passed over.
"""

import json
import os
import runpy
import sys

FORBIDDEN = ("socket.__new__", "socket.getaddrinfo", "socket.gethostbyname", "pickle.find_class")
STARTED = ("subprocess.Popen", "os.system", "os.exec", "os.fork", "os.posix_spawn", "os.spawn")
MOVED = ("os.rename", "os.link", "os.symlink")
MADE = ("os.mkdir", "os.truncate", "os.chmod")
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
ENDED = 70
ABSENT = ("dask", "distributed")  # of the tests alone; xarray would import it, and it unpickles functions of its own


def main(log, module, *arguments):
    """Run a module under watch."""
    told = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)

    def tell(event, *places):
        for place in places:
            os.write(told, f"{json.dumps([event, os.path.abspath(os.fsdecode(place))])}\n".encode())

    def watch(event, given):
        if event in FORBIDDEN:
            tell(event, "")
            os._exit(ENDED)
        elif event == "open":
            path, mode, flags = given
            if not isinstance(path, int) and (flags & WRITING or set(mode or "r") & set("wax+")):
                tell(event, path)
        elif event in STARTED or event in MADE:
            tell(event, given[0])
        elif event in MOVED:
            tell(event, *given[:2])

    sys.modules |= dict.fromkeys(ABSENT)
    sys.path[0] = os.getcwd()
    sys.argv = [module, *arguments]
    sys.addaudithook(watch)
    runpy.run_module(module, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
