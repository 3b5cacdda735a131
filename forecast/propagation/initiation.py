"""Beginning cultures: what is begun, and what cannot be."""

from __future__ import annotations

from collections.abc import Sequence

from forecast.errors import OutOfReach, refuse, whole
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import Season
from forecast.weeks import Week


def multiply(
    season: Season,
    variety: str,
    *,
    draws: int,
    seed: int,
    cycles: int | None = None,
    explants: int | None = None,
    start: Week | str | None = None,
    kept: Sequence[float] | None = None,
    potted: int | None = None,
) -> Cultures:
    """Forecast what comes of explants that are multiplied in culture.

    Parameters
    ----------
    season, variety
        The season, and a variety that has a row in its cultures.
    draws, seed
        Number of simulated seasons, and seed of the draws.
    cycles
        Cycles before everything is rooted; the most that the row allows if not given.
    explants
        Explants put into culture; if not given, all that can be had and for which there are places and hours.
    start
        Week in which they are; the earliest possible if not given.
    kept
        Share of the shoots planted again [0 to 1] after each cycle but the last, the rest being rooted; all are
        if not given.
    potted
        Plantlets taken into the nursery at most; all if not given.

    Returns
    -------
    Cultures

    Raises
    ------
    Refused
        If the variety has no row in cultures, or a number is of the wrong kind.
    OutOfReach
        If there are more cycles than the row allows, the start lies in the past, more is kept than there is, or
        there are more explants than places; ``best`` is what comes of the nearest plan that can be done.

    Notes
    -----
    A rate that differs at the level ``cycle`` evens out over the cycles; the same rate at the level ``season`` or
    ``belief`` is good or bad in all cycles of a draw, and its range grows with every cycle.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> cultures = forecast.multiply(season, "Heuchera 'Pellowen'", cycles=4, draws=1024, seed=1)
    >>> cultures.cycles
    4
    """
    row = season.culture(variety)
    asked = row.most_cycles if cycles is None else whole("cycles", cycles, 1, 10**6)
    most = row.most_explants or 10**9
    number = min(row.explants, most) if explants is None else whole("explants", explants, 1, 10**9)
    begun = earliest_start(season, row) if start is None else Week.parse(start)
    try:
        shares = [1.0] * (asked - 1) if kept is None else [float(share) for share in kept]
    except (TypeError, ValueError) as error:
        raise refuse(
            "kept", str(kept), "not shares, one for each cycle but the last", "Such as [1, 1, 0.5]."
        ) from error
    faults = []
    if len(shares) != asked - 1:
        faults.append(f"kept has {len(shares)} shares, but {asked} cycles need {asked - 1}: the last keeps nothing")
        shares = (shares + [1.0] * asked)[: asked - 1]
    if not all(0 <= share <= 1 for share in shares):
        faults.append(f"kept {shares}: more than there is, or less than nothing; give shares from 0 to 1")
        shares = [0.0 if share < 0 else 1.0 if not share <= 1 else share for share in shares]
    if asked > row.most_cycles:
        problem = f"{asked} cycles: off-types become too many, cultures allows {row.most_cycles}"
        faults.append(f"{problem}; multiply for fewer, or begin with more explants")
    if begun < earliest_start(season, row):
        faults.append(f"start {begun}: in the past; the first week possible is {earliest_start(season, row)}")
    if number > most:
        faults.append(f"{number:,} explants: each begins in a vessel of its own, and shelf and hood allow {most:,}")
    streams = season_streams(draws, seed)
    best = Cultures(
        season, row, streams,
        max(begun, earliest_start(season, row)), min(number, most),
        [*shares[: row.most_cycles - 1], 0.0], None if potted is None else whole("potted", potted, 1, 10**9),
    )  # fmt: skip
    if faults:
        raise OutOfReach(". ".join(fault[0].upper() + fault[1:] for fault in faults) + ".", best)
    return best


def earliest_start(season: Season, row: Culture | Division) -> Week:
    """Return the first week in which a culture can be begun, or stock divided."""
    if isinstance(row, Division):
        return season.first_week + row.first_weeks
    return max(row.start or season.first_week, season.first_week)
