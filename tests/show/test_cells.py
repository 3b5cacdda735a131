"""A cell with nothing to show says why in a line and the notebook goes on; a bug is still a traceback."""

import re
import warnings

import nbformat
import pytest
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output
from nbclient import NotebookClient

BEGIN = "from forecast import show\nshow.notebook()"
REFUSING = 'from forecast.errors import OutOfReach, refuse\ndef no():\n    raise refuse("a", 1, "not there", "Add it.")'


@pytest.fixture
def run():
    """Run cells one after the other in a shell of its own; gives what each printed, showed, and whether it ran."""
    shell, shown = InteractiveShell.instance(colors="nocolor"), warnings.showwarning

    def cell(code):
        with capture_output() as captured:
            result = shell.run_cell(code, store_history=True)
        return captured.stdout, result.result, result.success

    try:
        assert cell(BEGIN) == ("", None, True)
        cell(REFUSING)
        yield cell
    finally:
        warnings.showwarning = shown
        InteractiveShell.clear_instance()


def test_a_cell_shows_its_last_line_as_ever_unless_it_ends_in_a_semicolon(run):
    assert run("x = 3\nx + 1")[1:] == (4, True)
    assert run("x")[1] == 3
    assert run("x + 1;")[0] == ""
    assert run("x = 4")[1] is None
    assert run("")[2]


def test_a_refused_cell_says_why_and_counts_as_run(run):
    said, shown, ran = run("before = 1\nvalue = no()\nvalue")
    assert (said, shown, ran) == ("Nothing to show here: a, 1: not there. Add it.\n", None, True)
    assert run("before")[1] == 1


def test_a_cell_that_builds_on_it_says_the_same_shortly_and_so_does_the_next(run):
    run("value, (other, *rest) = no()")
    for code in ("more = [value for _ in range(3)]", "print(other)", "rest", "more", "f'{more}'"):
        assert run(code) == ("Nothing to show here, as above: a, 1: not there.\n", None, True)


def test_a_name_that_a_refused_cell_would_have_renewed_is_not_shown_as_it_was(run):
    run("value = 1")
    run("value = no()")
    assert run("value")[0] == "Nothing to show here, as above: a, 1: not there.\n"
    assert run("value = 2\nvalue")[1] == 2
    assert run("value + 1")[1] == 3


def test_what_is_out_of_reach_is_said_in_its_own_words(run):
    assert run('raise OutOfReach("No order is enough.")')[0] == "No order is enough.\n"


@pytest.mark.parametrize("code", ["1 / 0", "nobody", "raise ValueError('wrong')", "raise KeyboardInterrupt"])
def test_any_other_error_is_shown_as_ever(run, code):
    said, _, ran = run(f"made = 1\n{code}")
    assert not ran
    assert "Traceback" in said or "KeyboardInterrupt" in said
    assert "Nothing to show" not in said
    assert run("made")[1] == 1


def test_it_may_be_set_up_again_and_names_may_be_deleted(run):
    run(BEGIN)
    run("%reset -f")
    assert run("5")[1] == 5
    assert run("len(get_ipython().ast_transformers)")[1] == 1


@pytest.mark.filterwarnings("default")
def test_what_is_odd_in_a_season_is_a_plain_line(run):
    assert run("import warnings\nwarnings.warn('2 entries may be slips')") == ("2 entries may be slips\n", None, True)


def test_outside_of_jupyter_it_only_lets_charts_be_drawn():
    import altair  # noqa: PLC0415 (its renderer is changed)

    from forecast import show  # noqa: PLC0415

    before = altair.renderers.active
    try:
        show.notebook()
        assert altair.renderers.active == "offline"
    finally:
        altair.renderers.enable(before)


SLOW = "import time\nprint('begun')\ntime.sleep(3.5)\n7"


def executed(code, watched=None):
    """Run a cell in a kernel; gives its outputs, and puts what was shown meanwhile into `watched`."""
    cells = [nbformat.v4.new_code_cell(source) for source in (BEGIN, code)]
    client = NotebookClient(nbformat.v4.new_notebook(cells=cells), timeout=60)
    if watched is not None:
        output = client.output

        def watch(outs, msg, *others):
            watched.append((msg["msg_type"], msg["content"].get("data", {}).get("text/plain", "")))
            return output(outs, msg, *others)

        client.output = watch
    client.execute()
    return [one.get("text") or one["data"]["text/plain"] for one in cells[1].outputs]


def test_a_slow_cell_shows_how_long_it_has_run_and_nothing_of_it_is_left(monkeypatch):
    monkeypatch.delenv("FORECAST_PROGRESS", raising=False)
    watched = []
    assert executed(SLOW, watched) == ["begun\n", "7"]
    assert [text for _, text in watched if re.fullmatch(r"Working: \d s so far \.\.\.", text)]


def test_progress_may_be_off(monkeypatch):
    monkeypatch.setenv("FORECAST_PROGRESS", "off")
    watched = []
    assert executed(SLOW, watched) == ["begun\n", "7"]
    assert not [text for _, text in watched if "Working" in text]
