"""Initiating cultures: what is started, and what cannot be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from forecast.errors import OutOfReach, refuse, whole
from forecast.growth.simulation import streams_of
from forecast.propagation.cultures import Cultures
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import Season
from forecast.streams import DRAWS
from forecast.weeks import Week
from forecast.words import propagation as words


def multiply(
    season: Season,
    variety: str,
    *,
    subcultures: int | None = None,
    explants: int | None = None,
    start: Week | str | None = None,
    kept: Sequence[float] | None = None,
    potted: int | None = None,
    draws: int = DRAWS,
    seed: int | None = None,
) -> Cultures:
    """Forecast what comes of explants that are multiplied in culture.

    Parameters
    ----------
    season, variety
        The season, and a variety that has a row in its cultures.
    subcultures
        Subcultures before all shoots are rooted; the most that the row allows if not given.
    explants
        Explants initiated; if not given, all that can be had and for which there are places and hours.
    start
        Week in which they are; the earliest possible if not given.
    kept
        Share of the shoots planted again [0 to 1] after each subculture but the last, the rest being rooted; all are
        if not given.
    potted
        Plantlets potted at most; all if not given.
    draws, seed
        Number of simulated seasons, and their seed; the season's if not given.

    Returns
    -------
    Cultures

    Raises
    ------
    Refused
        If the variety has no row in cultures, or a number is of the wrong kind.
    OutOfReach
        If there are more subcultures than the row allows, the start lies in the past, more is kept than there is, or
        there are more explants than places; ``best`` is what comes of the nearest plan that can be done.

    Notes
    -----
    A rate that differs at the level ``cycle`` evens out over the subcultures; the same rate at the level ``season`` or
    ``belief`` is good or bad in all subcultures of a draw, and its range grows with each of them.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> cultures = forecast.multiply(season, "Heuchera 'Pellowen'", subcultures=4, draws=1024)
    >>> cultures.subcultures
    4
    """
    row = season.culture(variety)
    number = row.most_cycles if subcultures is None else whole("subcultures", subcultures, 1, 10**6)
    shares = [1.0] * (number - 1) if kept is None else _shares(kept)
    most, earliest = row.most_explants or 10**9, earliest_start(season, row)
    count = min(row.explants, most) if explants is None else whole("explants", explants, 1, 10**9)
    first = earliest if start is None else Week.parse(start)
    faults = list(_kept_faults(shares, number))
    if number > row.most_cycles:
        faults.append(words.too_many_subcultures(subcultures=number, most=row.most_cycles))
    if first < earliest:
        faults.append(words.too_early(start=first, earliest=earliest))
    if count > most:
        faults.append(words.too_many_explants(explants=count, most=most))
    possible = [0.0 if share < 0 else 1.0 if not share <= 1 else share for share in shares]
    possible = (possible + [1.0] * number)[: min(number, row.most_cycles) - 1]
    best = Cultures(
        season, row, streams_of(season, draws, seed), max(first, earliest),
        min(count, most), [*possible, 0.0], None if potted is None else whole("potted", potted, 1, 10**9),
    )  # fmt: skip
    if faults:
        raise OutOfReach(" ".join(faults), best)
    return best


def earliest_start(season: Season, row: Culture | Division) -> Week:
    """Return the first week in which a culture can be started, or stock divided."""
    if isinstance(row, Division):
        return season.first_week + row.first_weeks
    return max(row.start or season.first_week, season.first_week)


def _shares(kept: Sequence[float]) -> list[float]:
    try:
        return [float(share) for share in kept]
    except (TypeError, ValueError) as error:
        problem = "not shares, one for each subculture but the last"
        raise refuse("kept", str(kept), problem, "Such as [1, 1, 0.5].") from error


def _kept_faults(shares: Sequence[float], subcultures: int) -> Iterator[str]:
    if len(shares) != subcultures - 1:
        yield words.kept_number(shares=len(shares), subcultures=subcultures)
    if not all(0 <= share <= 1 for share in shares):
        yield words.kept_range(shares)
