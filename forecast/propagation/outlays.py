"""What a plan that multiplies costs, and when."""

from __future__ import annotations

from forecast.ordering.unit_costs import growing_costs, rents_between
from forecast.propagation.cultures import Cultures
from forecast.season.propagation_rows import Division
from forecast.weeks import Week


def expected_outlays(cultures: Cultures, until: Week) -> list[tuple[str, Week, float]]:
    """Return what multiplying and growing on until a week costs: what, when, and the expected amount [currency]."""
    season, row, found = cultures.season, cultures.row, cultures.generations
    rows: list[tuple[str, Week, float]] = []
    if isinstance(row, Division):
        extra = max(cultures.explants - row.stock, 0)
        if extra and row.price is not None:
            rows.append(("stock plants", cultures.start, extra * row.price))
        for i in range(cultures.subcultures):
            week = cultures.start + i * row.round_weeks
            each = row.cost + row.minutes / 60 * season.hourly_wage
            rows.append((f"division {i + 1}", week, float(found.shoots[i].mean()) * each))
            if row.place is not None and row.plants_per_m2 is not None and i + 1 < cultures.subcultures:
                area = float(found.planted[i + 1].mean()) / row.plants_per_m2
                cost = area * float(rents_between(season, row.place, week, week + row.round_weeks).sum())
                rows.append((f"bench of stock {i + 1}", week + row.round_weeks // 2, cost))
    else:
        vessel = row.cost_per_vessel + row.minutes_per_vessel / 60 * season.hourly_wage
        rows.append(("initiation", cultures.start, row.cost_start))
        rows.append(("explants", cultures.start, cultures.explants * (row.cost_per_explant + vessel)))
        for i in range(cultures.subcultures):
            week = cultures.start + (row.start_weeks + i * row.cycle_weeks)
            rows.append((f"subculture {i + 1}", week, float(found.vessels[i].mean()) * vessel))
            if i + 1 in cultures.rounds:
                week = week + row.cycle_weeks
                rows.append((f"rooting {i + 1}", week, float(found.rooting_vessels[i].mean()) * vessel))
    for cycle in cultures.rounds:
        enters, plants = cultures.enters(cycle), float(cultures.entering[cycle - 1].mean())
        weeks = until - enters
        if weeks > 0 and plants:
            stages, bench = growing_costs(
                season, cultures.variety, cultures.fate(cycle, until), until, weeks, row.enters
            )
            rows.append(("growing on", enters + weeks // 2, plants * (stages + float(bench[-1]))))
    return rows
