"""The README's code and commands are what they claim to be."""

import re
import runpy
from pathlib import Path

import pytest

from forecast.__main__ import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_code_runs_as_it_is(tmp_path, monkeypatch, capsys):
    code = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert len(code) == 1
    (tmp_path / "screen.py").write_text(code[0], encoding="utf-8")
    monkeypatch.chdir(ROOT)
    runpy.run_path(str(tmp_path / "screen.py"))
    printed = capsys.readouterr().out
    for promise in re.findall(r"print\(\w+\)  # (.*?) \.\.\.", code[0]):
        assert promise in printed


def test_there_are_exactly_two_commands_to_set_up():
    commands = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    assert [command.count("\n") for command in commands] == [1, 1]
    assert commands[0].rstrip().endswith("-m forecast order demo_data")
    assert commands[1].rstrip().endswith("-m pytest")


def test_what_the_order_prints_is_what_it_prints_today(capsys):
    shown = re.search(r"```text\n( +variety.*?)\n\.\.\.\n```", README, re.DOTALL)
    assert main(["order", str(ROOT / "demo_data")]) == 0
    assert shown[1] in capsys.readouterr().out


def test_it_is_short_and_has_four_pictures_and_six_limits():
    prose = re.sub(r"```.*?```|!\[[^]]*\]", "", README, flags=re.DOTALL)
    assert 600 < len(prose.split()) < 850
    assert README.count("](notebooks/gallery/") == 4
    assert len(re.findall(r"^- ", README.split("## Six limits")[1].split("##")[0], re.MULTILINE)) == 6


def test_the_python_is_twelve_lines():
    assert len(re.findall(r"```python\n(.*?)```", README, re.DOTALL)[0].split("\n\n")[-1].splitlines()) < 13


def test_every_link_leads_to_a_file():
    for link in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / link).is_file()


def test_the_commands_that_are_named_are_those_of_the_command_line(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = capsys.readouterr().out
    for name in re.findall(r"-m forecast (\w+)|`(today|learn|whatif)`", README):
        assert re.search(rf"^ +{''.join(name)} ", listed, re.MULTILINE)


def test_the_job_is_first_in_one_paragraph():
    assert README.split("\n\n")[1].startswith("A small nursery")


def test_the_cautions_are_shown():
    for word in ("phytosanitary", "breeder's rights", "labels", "ethanol", "estimates, not accounts", "licensed"):
        assert word in README


def test_the_guide_for_developers_is_short_and_names_files_that_there_are():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(guide.split()) < 2200
    named = set(re.findall(r"`((?:[\w.]+/)*\w+\.py|(?:\w+/)+)`", guide))
    assert {name for name in named if not any((home / name).exists() for home in (ROOT, ROOT / "forecast"))} == set()
