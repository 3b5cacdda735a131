"""The same season changed in one thing: survival of a stage, weeks of delivery, or sale prices."""

from __future__ import annotations

from forecast.errors import refuse
from forecast.rates.distributions import Share
from forecast.season.cells import suggestion
from forecast.season.price_list import PriceLine
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.words.numbers import figures


def with_survival(season: Season, stage: str, points: float, *, variety: str | None = None) -> Season:
    """Return a season in which more or fewer plants survive a stage.

    Parameters
    ----------
    season, stage
        The season, and the name of a stage.
    points
        By how much its mean survival is higher [share of the plants that enter it]; below 0, lower.
    variety
        Of which variety; without it, of all that have the stage.

    Returns
    -------
    Season

    Raises
    ------
    Refused
        If no variety asked for has the stage, or survival would not be above 0 and at most 1.

    Notes
    -----
    The shares keep the a + b of their beta distribution.
    """
    names = [row.variety for row in season.varieties] if variety is None else [season.variety(variety).variety]
    owners = {season.route(name)[0].applies_to if variety is None else name: name for name in names}
    known = dict.fromkeys(row.stage for name in names for row in season.route(name))
    if stage not in known:
        raise refuse("stage", stage, "no variety asked for has such a stage", suggestion(stage, list(known)))
    stages = list(season.stages)
    for owner, name in owners.items():
        route = season.route(name)
        if all(row.stage != stage for row in route):
            continue
        rows = [
            _other(row, share, points if row.stage == stage else 0.0, owner)
            for row, share in zip(route, season.survivals(name), strict=True)
        ]
        new = {id(row): one for row, one in zip(route, rows, strict=True)} if route[0].applies_to == owner else {}
        stages = [new.get(id(row), row) for row in stages] + ([] if new else rows)
    return season.replace(stages=tuple(stages))


def _other(row: Stage, share: Share, points: float, owner: str) -> Stage:
    """Return a stage with a survival of so many points more, as a share of the plants that enter it."""
    row = row.replace(applies_to=owner)
    if not points and row.share_of == "entering":
        return row
    mean = round(share.mean + points, 12)
    if not 0 < mean <= 1:
        problem = f"survival of {owner} would be {100 * mean:.0f} % instead of {100 * share.mean:.0f} %"
        raise refuse("points", f"{'+' if points > 0 else ''}{figures(100 * points)}", problem, "Give fewer points.")
    return row.surviving(share.around(mean))


def with_deliveries(season: Season, weeks: int, *, variety: str | None = None) -> Season:
    """Return a season in which all orders, and the weeks in which labs deliver, are so many weeks later.

    Of one variety, if it is named; below 0, earlier. `Refused` if an order then lies outside the season.
    """
    asked = _asked(season, variety)

    def line(row: PriceLine) -> PriceLine:
        ends = {name: getattr(row, name) for name in ("first_week", "last_week")}
        moved = {name: week + weeks for name, week in ends.items() if week is not None}
        return row.replace(**moved, lead_weeks=max(row.lead_weeks + min(weeks, 0), 0))

    return season.replace(
        price_list=tuple(line(row) if row.variety in asked else row for row in season.price_list),
        orders=tuple(row.replace(week=row.week + weeks) if row.variety in asked else row for row in season.orders),
    )


def with_prices(season: Season, factor: float, *, variety: str | None = None) -> Season:
    """Return a season in which plants sell for a multiple of their prices; of one variety, if it is named.

    Markdown prices stay.
    """
    asked = _asked(season, variety)

    def dearer(row: object, *names: str) -> dict[str, float]:
        prices = {name: getattr(row, name) for name in names}
        return {name: price * factor for name, price in prices.items() if price is not None}

    return season.replace(
        varieties=tuple(
            row.replace(**dearer(row, "sale_price", "lowest_price")) if row.variety in asked else row
            for row in season.varieties
        ),
        targets=tuple(
            row.replace(**dearer(row, "price", "price_end")) if row.variety in asked else row for row in season.targets
        ),
    )


def _asked(season: Season, variety: str | None) -> set[str]:
    return {row.variety for row in season.varieties} if variety is None else {season.variety(variety).variety}
