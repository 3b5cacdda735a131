"""No test speaks to another machine; a local cluster, and a folder with a small season, for those that ask."""

import ipaddress
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings
from small_folder import MULTIPLIED, TEXTS
from window_seasons import OLD_DEMO

from forecast import Refused, plan_orders, read_season, write_season
from forecast.__main__ import main
from forecast.planning.plan import Plan
from forecast.season.season import Season

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
    """Return a client of a local cluster of two worker processes."""
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


@pytest.fixture(scope="session")
def demo() -> Season:
    """The season of the demo nursery."""
    return read_season(Path(__file__).parents[1] / "demo_data")


@pytest.fixture(scope="session")
def part(demo: Season) -> Season:
    """Four varieties of the demo nursery: sold in one week and over weeks, hoped for and promised."""
    return demo.only(["Hosta 'Orrinfall'", "Gerbera 'Mirabrel'", "Heuchera 'Brunnock'", "Heuchera 'Pellowen'"])


@pytest.fixture(scope="session")
def part_folder(part: Season, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The folder of those four varieties."""
    folder = tmp_path_factory.mktemp("part") / "season"
    write_season(part, folder)
    return str(folder)


@pytest.fixture(scope="session")
def old_demo() -> Season:
    """The demo nursery as it was when every target was one number in one week."""
    return read_season(OLD_DEMO)


@pytest.fixture(scope="session")
def demo_plan(demo: Season) -> Plan:
    """What to order for it."""
    return plan_orders(demo, draws=128, seed=1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder that holds a small sound season."""
    made = tmp_path / "season"
    made.mkdir()
    for name, text in TEXTS.items():
        (made / name).write_text(text, encoding="utf-8", newline="")
    return made


@pytest.fixture
def multiplied(folder: Path) -> Path:
    """The folder, with rows that say how two of its varieties are multiplied, and profiles of sales."""
    for name, text in MULTIPLIED.items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return folder


@pytest.fixture
def change(folder: Path) -> Callable[[str, str, str], None]:
    """Replace the first place in a file of the folder where a text stands."""

    def changed(name: str, old: str, new: str) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8", newline="")

    return changed


def contents(folder: Path) -> dict[str, str | None]:
    return {
        str(file.relative_to(folder)): None if file.is_dir() else file.read_text(encoding="latin-1")
        for file in folder.rglob("*")
    }


@pytest.fixture
def refusal(folder: Path, capsys: pytest.CaptureFixture[str]) -> Callable[[], list[str]]:
    """Return the lines by which the folder is refused: from Python and by command alike, with nothing written."""

    def refused() -> list[str]:
        before = contents(folder.parent)
        with pytest.raises(Refused) as caught:
            read_season(folder)
        for command in (["check", str(folder)], ["order", str(folder), "--out", str(folder / "out")]):
            assert main(command) == 2
            told = capsys.readouterr()
            assert told.out == ""
            assert told.err.startswith(f"{caught.value}\n")
        assert contents(folder.parent) == before
        return str(caught.value).splitlines()

    return refused
