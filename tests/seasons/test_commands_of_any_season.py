"""Every command works on seasons that are not the demo, and says nothing that is the demo's."""

import re
import warnings
from html import unescape

import pytest
from grower_seasons import EACH, SEASONS
from names_of_demo import names_of_demo

import forecast
from forecast.__main__ import main

DRAWS = ("--draws", "256")
NO_ORDERS = {"southern", "one_variety", "sixty"}
RECORDS = {"own_stages": 1}  # with the exit code of `today`: targets are out of reach


@pytest.fixture(scope="module", params=EACH)
def mine(request, tmp_path_factory):
    """The name of a season, where it is, and the variety of its first target."""
    path = SEASONS[request.param](tmp_path_factory.mktemp("grower") / "mine")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return request.param, str(path), forecast.read_season(path).targets[0].variety


def _asked(command, name, path, variety, tmp_path):
    """The arguments of a command, and how it is to end."""
    stage = forecast.read_season(path).route(variety)[0].stage
    return {
        "check": (["check", path], 0),
        "order": (["order", path, *DRAWS], 0),
        "mine": (["order", path, "--mine", *DRAWS], 2 if name in NO_ORDERS else 0),
        "by hand": (["order", path, "--by-hand", variety, *DRAWS], 0),
        "report": (["report", path, "--out", str(tmp_path / "order.html"), *DRAWS], 0),
        "today": (["today", path, "--on", "2027-05-04", *DRAWS], RECORDS.get(name, 2)),
        "learn": (["learn", path, *DRAWS], 0 if name in RECORDS else 2),
        "whatif": (["whatif", path, "--survival", f"{stage} -5", *DRAWS], 0),
    }[command]


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("command", ["check", "order", "mine", "by hand", "report", "today", "learn", "whatif"])
def test_a_command_fits_the_season(mine, command, tmp_path, capsys):
    name, path, variety = mine
    arguments, code = _asked(command, name, path, variety, tmp_path)
    assert main(arguments) == code
    printed = capsys.readouterr()
    text = printed.out + printed.err
    if command == "report":
        text += unescape((tmp_path / "order.html").read_text(encoding="utf-8"))
    else:
        assert not re.search(r"\bnan\b|\bNone\b|\binf\b|Traceback", text)
    assert [one for one in names_of_demo() if re.search(rf"\b{re.escape(one)}\b", text, re.IGNORECASE)] == []
    if code == 2:
        assert re.search(r"orders|batches", printed.err)
        assert printed.out == ""
    else:
        assert variety in text or command in ("check", "whatif")
