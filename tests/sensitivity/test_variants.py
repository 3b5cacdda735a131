"""Seasons changed in one thing: what changes is that, and nothing else."""

import math

import pytest

from forecast import Refused, read_season
from forecast.sensitivity.diff import differences
from forecast.sensitivity.variants import with_deliveries, with_prices, with_survival


def test_survival_changes_by_points_in_every_variety_and_keeps_its_a_and_b(part):
    changed = with_survival(part, "acclimatisation", -0.1)
    for row in part.varieties:
        names = [stage.stage for stage in part.route(row.variety)]
        for name, old, new in zip(names, part.survivals(row.variety), changed.survivals(row.variety), strict=True):
            if name == "acclimatisation":
                assert new.mean == pytest.approx(old.mean - 0.1, abs=1e-9)
                assert sum(new.parameters) == pytest.approx(sum(old.parameters), rel=1e-6)
            else:
                assert (new.mean, new.sd) == pytest.approx((old.mean, old.sd), rel=1e-9)
    assert set(differences(part, changed)["table"]) == {"stages"}


def test_survival_of_one_variety_changes_in_no_other_of_its_group(part):
    changed = with_survival(part, "acclimatisation", -0.05, variety="Heuchera 'Brunnock'")
    same = [share.mean for share in changed.survivals("Heuchera 'Pellowen'")]
    assert same == [share.mean for share in part.survivals("Heuchera 'Pellowen'")]
    old, new = (season.survivals("Heuchera 'Brunnock'")[1].mean for season in (part, changed))
    assert new == pytest.approx(old - 0.05, abs=1e-9)


def test_survival_as_a_share_of_the_plants_delivered_changes_in_one_stage_alone(part):
    cells = {"share_of": "original", "survival": 0.95, "survival_sd": 0.01, "survival_p5": None, "survival_p95": None}
    cells |= {"survived": None, "of": None}
    rows = (row.replace(**cells) if row.applies_to == "hosta" else row for row in part.stages)
    original = part.replace(stages=tuple(rows))
    changed = with_survival(original, "acclimatisation", -0.1)
    old, new = (season.survivals("Hosta 'Orrinfall'") for season in (original, changed))
    moved = [math.isclose(one.mean, two.mean, rel_tol=1e-9) for one, two in zip(old, new, strict=True)]
    assert moved == [stage.stage != "acclimatisation" for stage in original.route("Hosta 'Orrinfall'")]


@pytest.mark.parametrize(
    ("stage", "points", "told"),
    [
        ("acclimation", -0.1, "Did you mean 'acclimatisation'"),
        ("acclimatisation", 0.3, "Give fewer points"),
        ("acclimatisation", -0.99, "Give fewer points"),
    ],
)
def test_what_no_survival_can_be_is_refused(part, stage, points, told):
    with pytest.raises(Refused, match=told):
        with_survival(part, stage, points)


@pytest.mark.parametrize("weeks", [3, -3])
def test_deliveries_and_the_weeks_of_their_price_list_move_together(demo, weeks):
    changed = with_deliveries(demo, weeks, variety="Hosta 'Orrinfall'")
    assert len(changed.orders) == len(demo.orders)
    for old, new in zip(demo.orders, changed.orders, strict=True):
        assert new.week == old.week + (weeks if old.variety == "Hosta 'Orrinfall'" else 0)
    for old, new in zip(demo.price_list, changed.price_list, strict=True):
        moved = weeks if old.variety == "Hosta 'Orrinfall'" else 0
        assert (new.opens, new.closes) == (old.opens + moved, old.closes + moved)


def test_prices_are_multiplied_and_markdowns_are_not(demo):
    changed = with_prices(demo, 1.1)
    for old, new in zip(demo.targets, changed.targets, strict=True):
        assert changed.prices_of(new) == pytest.approx(1.1 * demo.prices_of(old))
    assert [row.markdown_price for row in changed.varieties] == [row.markdown_price for row in demo.varieties]
    assert set(differences(demo, changed)["column"]) <= {"sale_price", "lowest_price", "price", "price_end"}
    with pytest.raises(Refused):
        with_prices(demo, 1.1, variety="Hosta 'None'")


def test_the_season_read_again_is_the_one_that_was_changed(part, part_folder):
    assert with_prices(read_season(part_folder), 2.0) == with_prices(part, 2.0)
