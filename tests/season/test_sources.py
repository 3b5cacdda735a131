"""The demo's published rates are those of their sources, the same in its tables and in its README."""

import re
from pathlib import Path

import pytest

from forecast.io.seasons import read_season

DEMO = Path(__file__).parents[2] / "demo_data"
DOI = re.compile(r"10\.\d{4,}/[\w.-]*\w")


@pytest.mark.parametrize("folder", [DEMO, DEMO / "season_2026"], ids=["plan", "running"])
def test_the_heuchera_names_what_its_own_source_says_of_acclimatisation(folder):
    """The abstract of this source gives 73 % of rooted plants."""
    stages = read_season(folder).stages
    (row,) = [row for row in stages if (row.applies_to, row.stage) == ("heuchera", "acclimatisation")]
    assert "73 % of rooted plants" in row.source
    assert DOI.findall(row.source) == ["10.1079/IVP2002363"]


def test_every_paper_of_the_tables_is_among_the_sources_of_the_readme():
    tables = "".join(path.read_text(encoding="utf-8") for path in DEMO.rglob("*.csv"))
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    assert set(DOI.findall(tables)) == set(DOI.findall(readme))
    assert len(set(DOI.findall(tables))) == 2
