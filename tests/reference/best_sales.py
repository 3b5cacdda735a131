"""What sales over weeks could bring at most: by a linear program of plants and buyers, and by a formula for one row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy import optimize


def most_income(
    ready: Sequence[int],
    keeps: int,
    rows: Sequence[tuple[int, Mapping[int, int], Mapping[int, float]]],
    *,
    markdown: float,
    outlet: float,
) -> float:
    """Return the greatest value of assigning plants to buyers, each of whom takes one.

    ``ready`` are plants by the week in which they become ready; a row is how long its buyers wait, how many come in
    each week, and what a sale to those of a week is worth. A plant and a buyer meet if there is a week in which the
    plant is in grade and the buyer is there. What is over goes to the outlet.
    """
    weeks = [week for week, number in enumerate(ready) if number]
    buyers = [(waits, week, each, worth[week]) for waits, come, worth in rows for week, each in come.items() if each]
    value, plant, buyer = [], [], []
    for i, week in enumerate(weeks):
        for k, (waits, comes, _, worth) in enumerate(buyers):
            if max(week, comes) <= min(week + keeps - 1, comes + waits):
                value.append(worth)
                plant.append(i)
                buyer.append(k)
        value.append(markdown)
        plant.append(i)
        buyer.append(len(buyers))
    if not value:
        return 0.0
    uses = np.zeros((len(weeks) + len(buyers) + 1, len(value)))
    uses[plant, np.arange(len(value))] = 1
    uses[len(weeks) + np.array(buyer), np.arange(len(value))] = 1
    room = [*(ready[week] for week in weeks), *(each for _, _, each, _ in buyers), outlet]
    return float(-optimize.linprog(-np.array(value), A_ub=uses, b_ub=room, method="highs").fun)


def served(ready: Sequence[int], keeps: int, demand: Sequence[int], waits: int) -> list[int]:
    """Return how many buyers of one row are served, by the week in which they came, summed up to each week.

    With R what has become ready and P what is past its grade up to a week, d who come in it, and w weeks of waiting:
    lost X(t) = max(X(t - 1), P(t) - S(t - 1)), served S(t) = min(S(t - 1) + d(t), R(t + w) - X(t)).
    """
    come = np.cumsum(ready)
    lost, done, found = 0, 0, []
    for week, asked in enumerate(demand):
        past = come[week - keeps] if week >= keeps else 0
        lost = max(lost, past - done)
        done = min(done + asked, come[min(week + waits, len(ready) - 1)] - lost)
        found.append(int(done))
    return found
