"""No test speaks to another machine, and no example is too slow; a local cluster for those that ask."""

import ipaddress
import sys

import pytest
from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

NAMED = ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr", "socket.getnameinfo")
REACHED = ("socket.connect", "socket.sendto", "socket.sendmsg")


def _is_here(host):
    """Say whether a host is this machine: a notebook's kernel and a browser under test are spoken to there."""
    if host in (None, "", "localhost", b"localhost"):
        return True
    try:
        return ipaddress.ip_address(host.decode() if isinstance(host, bytes) else host).is_loopback
    except ValueError:
        return False


def _stay_here(event, arguments):
    """Refuse what leads away, whoever asks: hooks of the interpreter see calls that bypass the module socket, too."""
    if event in REACHED:
        address = arguments[1]
        asked = address[0] if isinstance(address, tuple) else None  # a path or nothing is a socket of this machine
    elif event in NAMED:
        asked = arguments[0][0] if isinstance(arguments[0], tuple) else arguments[0]
    else:
        return
    if not _is_here(asked):
        raise RuntimeError(f"a test reached for {asked}; nothing here needs a network")


sys.addaudithook(_stay_here)


@pytest.fixture(scope="session")
def cluster():
    """Give a client of a local cluster of two worker processes."""
    import dask  # noqa: PLC0415 (takes a second, and most tests ask for none)
    from distributed import Client, LocalCluster  # noqa: PLC0415

    with (
        dask.config.set({"distributed.comm.timeouts.connect": "120s", "distributed.comm.timeouts.tcp": "120s"}),
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", silence_logs=50
        ) as here,
        Client(here) as client,
    ):
        yield client
