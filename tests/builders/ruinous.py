"""Seasons in which the week of a target is a little early, so that ruinous numbers are ordered for it; invented."""

from small_seasons import asks, offer, season, stage

from forecast.season.season import Season

RUINOUS: dict[int, dict[str, float]] = {
    270: {"target": 25, "weeks": 15.77, "multiple": 10, "unit_price": 55, "sale_price": 120},
    64_500: {"target": 1250, "weeks": 17.09, "multiple": 500, "unit_price": 0.9, "sale_price": 4},
    231_000: {"target": 85_000, "weeks": 14.11, "multiple": 1000, "unit_price": 0.5, "sale_price": 1.2},
}
"""By the plantlets that are ordered in 1,024 simulated seasons of seed 1."""


def ruinous(quantity: int) -> Season:
    """Return the season in which so many plantlets are ordered."""
    cells = RUINOUS[quantity]
    rows = [stage(typical=cells["weeks"], batches_cv=0.15, plants_cv=0.1, survival=0.8, survival_sd=0.1)]
    plan = season(
        rows,
        targets=[asks(int(cells["target"]), "2027-W18")],
        weeks=60,
        places=[{"place": "house", "area": 100_000, "usable": 1}],
        price_list=[offer(unit_price=cells["unit_price"], multiple=cells["multiple"], last_week="2027-W01")],
    )
    return plan.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": cells["sale_price"]}])
