"""Promises that no order keeps: which of more plants, buyers who wait, or a smaller share would help."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from functools import cache

from forecast.errors import OutOfReach, Refused
from forecast.ordering.order import order_of
from forecast.ordering.trial_orders import Case
from forecast.planning.pricing import PricingProblem
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Streams
from forecast.words import orders as words
from forecast.worth.columns import Aim, Ways
from forecast.worth.promises import Reach

_LONGER = 8  # weeks that buyers are asked to wait beyond those they wait, at most
_PARTS = 20  # of a number: a smaller share is so many of them
_FAR = 25.0  # times the largest orders: more plants help no further


def refuse_promises(season: Season, streams: Streams, problems: Sequence[PricingProblem], aim: Aim) -> None:
    """Refuse promises that no order keeps, each with what would help."""
    faults = []
    for problem in problems:
        name = problem.ways.variety
        if not problem.required:
            continue
        if not season.price_lines(name):
            faults.append(words.no_lab(variety=name))
        else:
            more = zip(problem.reach(), problem.reach(_FAR), strict=True)
            faults += [_why(season, streams, one, far.chance, aim) for one, far in more if not one.kept]
    if faults:
        raise OutOfReach("\n".join(faults))


def _why(season: Season, streams: Streams, missed: Reach, most: float, aim: Aim) -> str:
    """Return why no order keeps a promise, `most` being its chance by any number of plants, and what would help."""

    @cache
    def helped(waits: int, share: float | None) -> float | None:
        """Return the chance by any number of plants if the promise is another; None if no order keeps it."""
        row = missed.row.replace(waits=waits, promised=missed.level, promised_share=share)
        rows = tuple(row if one == missed.row else one for one in season.targets)
        return _chance(season.replace(targets=rows), streams, row, aim)

    row = missed.row
    longer = range(row.waits + 1, row.waits + _LONGER + 1)
    waits = next((n for n in longer if helped(n, row.promised_share)), None)
    shares = [part / _PARTS for part in range(_PARTS - 1, 0, -1) if part / _PARTS < (row.promised_share or 1.0)]
    at = bisect_left(shares, True, key=lambda share: bool(helped(row.waits, share)))  # less is never harder
    helps = words.would_reach(
        level=missed.level,
        chance=most,
        waits=None if waits is None else (waits, helped(waits, row.promised_share) or 0.0),
        share=None if at == len(shares) else (shares[at], helped(row.waits, shares[at]) or 0.0),
        longest=longer[-1],
    )
    return f"{_said(season, streams, missed)} {helps}"


def _chance(season: Season, streams: Streams, row: Target, aim: Aim) -> float | None:
    """Return the chance of a promised row by any number of plants; None if no order keeps it."""
    problem = PricingProblem(0, Ways(season, streams, row.variety, aim=aim))
    both = zip(problem.reach(), problem.reach(_FAR), strict=True)
    return next(far.chance if one.kept else None for one, far in both if one.row == row)


def _said(season: Season, streams: Streams, missed: Reach) -> str:
    """Return that no order keeps a promise: of the only row of one week, with the weeks that are in reach."""
    row = missed.row
    if len(season.targets_of(row.variety)) == 1 and row.last == row.week and not row.waits and not row.promised_share:
        try:
            order_of(Case(season, streams, row, 1))
        except (OutOfReach, Refused) as error:
            return str(error)
    return words.promise_out_of_reach(
        variety=row.variety, target=row.median_demand, share=row.promised_share, first=row.week, last=row.last,
        level=missed.level,
    )  # fmt: skip
