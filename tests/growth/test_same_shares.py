"""Shares of plants, areas and chances of small batches to the last digit, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from same_digits import columns, same, weighed
from small_seasons import CLIMATE, MIXED, TWO_PLACES, asks, beta_spread, season, stage

import forecast
from forecast.fates.stage_occupancy import TimedFate
from forecast.fates.thermal_occupancy import WarmFate
from forecast.fates.weather import Weather, lowered
from forecast.growth.simulation import season_streams
from forecast.growth.summaries import at_least, ranges, sum_at_least, worst_seasons

WEEKS = np.array([-1.0, 0, 0.5, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 18, 25, 40])
MONDAYS = np.arange(-2.0, 30)
GONE = np.array([0, 0.1, 0.3])
LOSSES = np.log([[0.9, 0.95, 0.7], [0.99, 0.5, 0.97], [0.8, 0.85, 1]])
NEEDS = np.array([[2.0, 2.5, 3], [0, 0, 0], [4, 5, 6]])
WARMTH = np.array([[2.0, 2.5, 3], [90, 130, 160], [120, 150, 100]])


def timed(*spreads: float, needs: np.ndarray = NEEDS) -> list[float]:
    """Of three stages in three draws: who is where, with some that count as past all, and who is through."""
    fate = TimedFate(LOSSES.copy(), needs.copy(), np.array(spreads))
    shares = [*fate.course(WEEKS), fate.course(WEEKS, GONE)[0], *fate.boundaries(WEEKS), fate.saleable(WEEKS, 3)]
    return weighed(*shares, fate.median_week(), fate.survival, fate.reached, fate.until(2, 0.4))


def warm(*spreads: float, kinds: str) -> list[float]:
    """The same on two clocks of degree-days, one of which stops for some weeks, or in weeks."""
    week = np.arange(36)[:, None]
    daily = 4 + 3 * np.sin(week / 5 + np.array([0, 0.3, 0.6]))
    cold = np.where((week > 9) & (week < 14), 0, daily)
    clocks = {"m": daily, "c": cold}
    shown = {name: np.concatenate([np.zeros((1, 3)), 7 * one.cumsum(axis=0)]) for name, one in clocks.items()}
    losses = LOSSES.copy()
    losses[0, :2] = -0.1, -0.04  # where more points are taken
    needs = np.where(np.array([[kind == "w"] for kind in kinds]), [[2.0, 2.5, 3]], WARMTH)
    fate = WarmFate(losses, needs, np.array(spreads), tuple(shown.get(kind) for kind in kinds), 2)
    between = np.array([0.0, 0.3, 0.9, 2.5, 7.25, 11.5])
    shares = [*fate.course(MONDAYS), fate.course(MONDAYS, GONE)[0], *fate.boundaries(MONDAYS), fate.past(1, MONDAYS)]
    return weighed(*shares, *fate.boundaries(between), fate.saleable(MONDAYS, 3), fate.median_week(), [fate.last])


def chances() -> list[float]:
    share = np.array([0, 0.01, 0.3, 0.62, 0.9, 0.999, 1])
    some = [at_least(number, 40, share) for number in (0, 1, 12, 25, 39, 40, 41)]
    together = [sum_at_least(number, [40, 25, 0, 8], [share, share**2, share, share[::-1]]) for number in (1, 20, 45)]
    large = sum_at_least(np.arange(7) * 1500, [5000, 4000], [share, share[::-1]])
    return weighed(*some, *together, large, worst_seasons(np.sin(np.arange(25))), ranges(np.arange(60).reshape(3, 20)))


def weather() -> list[float]:
    """What heat and cold do, on the way and in a house that lags behind."""
    harmed = {"cold_below": 3, "cold_loss": 0.1, "heat_above": 12, "heat_loss": 0.05}
    rows = [stage("arrival", survival=0.9, **harmed), stage(typical=300, runs_on="degree-days", base_temperature=4)]
    made = season(rows, climate=CLIMATE, targets=[asks(50)])
    weather = Weather.of(made, season_streams(16, 1))
    first, second = made.stages
    harm = [weather.harm(first, made.first_week + at, on_the_way=way) for at in (0, 5, 28) for way in (True, False)]
    left = lowered(np.log([0.2, 0.9, 1]), np.array([0.5, -0.2, 0.3]))
    return weighed(*weather.outside(41), weather.clock(second, 39), *harm, left)


def outcome() -> list[float]:
    rows = [
        stage("arrival", survival_level=MIXED, **beta_spread(20, 3)),
        stage(typical=4, batches_cv=0.2, plants_cv=0.2, place="yard", **beta_spread(20, 5)),
        stage("pots", typical=200, runs_on="degree-days", base_temperature=3, plants_cv=0.1, plants_per_m2=30),
    ]
    wanted = [asks(60), asks(50, "2027-W24"), {"variety": "B", "week": "2027-W22", "p5": 40, "median": 60, "p95": 90}]
    made = season(rows, varieties=("A", "B"), targets=wanted, climate=CLIMATE, places=TWO_PLACES, saleable_weeks=5)
    orders = [("A", "2027-W05", 90), ("A", "2027-W09", 70), ("B", "2027-W07", 110)]
    found = forecast.simulate(made, orders, draws=64, seed=1)
    quantiles = found.quantile("A", week="2027-W20", q=[0.1, 0.6])
    return [
        *columns(found.table()), *columns(found.table(sold=True)), *columns(found.targets()),
        *weighed(quantiles, *found.on_hand("B"), *found.drawn.area()), found.chance_of_all(),
        found.chance("A", week="2027-W19", at_least=40),
    ]  # fmt: skip


CASES: dict[str, Callable[[], list[float]]] = {
    "one pace": lambda: timed(0.2, 0, 0.2),
    "three paces": lambda: timed(0.2, 0, 0.35),
    "all timed, of three paces": lambda: timed(0.2, 0.1, 0.35, needs=NEEDS + 1),
    "no pace": lambda: timed(0, 0, 0),
    "nothing takes time": lambda: timed(0, 0, 0, needs=NEEDS * 0),
    "in weeks, then warmth": lambda: warm(0.1, 0.1, 0.1, kinds="wmm"),
    "through the cold": lambda: warm(0.2, 0.1, 0.15, kinds="mcm"),
    "in warmth, then weeks": lambda: warm(0.1, 0.2, 0, kinds="cww"),
    "chances": chances,
    "weather": weather,
    "an outcome": outcome,
}


KNOWN: dict[str, Sequence[float]] = {
    "one pace": (
        31.3965058541,
        21.5413435843,
        27.5799040002,
        76.504,
        58.1005558818,
        58.1005558818,
        35.4961856969,
        6.79385264469,
        29.259,
        2.2053115,
        13.9663146,
        10.565298771,
    ),
    "three paces": (
        31.5218969496,
        21.444515056,
        27.9941840611,
        76.504,
        58.1005559172,
        58.1005559172,
        35.3215069925,
        6.56113065886,
        29.259,
        2.2053115,
        13.9663146,
        10.565298771,
    ),
    "all timed, of three paces": (
        40.5441884333,
        15.2160046524,
        35.8861992541,
        76.504,
        53.533091338,
        49.2090085585,
        25.0553723201,
        4.12065002623,
        40.821,
        2.2053115,
        13.9663146,
        18.7515718536,
    ),
    "no pace": (
        29.7070767289,
        21.4566364,
        25.2753401466,
        76.504,
        58.468,
        58.468,
        35.438,
        7.037077,
        29.259,
        2.2053115,
        13.9663146,
        9.753,
    ),
    "nothing takes time": (
        0.0,
        46.1951496,
        0.0,
        76.504,
        76.504,
        76.504,
        76.504,
        11.087943,
        0.0,
        2.2053115,
        13.9663146,
        0.0,
    ),
    "in weeks, then warmth": (
        29.7553603429,
        58.2910033318,
        25.9074929957,
        134.81,
        121.090976587,
        109.347244489,
        96.5362228709,
        121.090976587,
        26.554,
        11.3474544131,
        8.53567460307,
        6.04309959796,
        8.09439385358,
        32.686,
        34.0,
    ),
    "through the cold": (
        21.4686810043,
        65.0390990533,
        19.1168404122,
        134.81,
        129.832,
        118.832985652,
        107.500725481,
        129.832,
        26.554,
        19.111,
        9.94277742742,
        8.62526781144,
        8.53304523972,
        23.742,
        34.0,
    ),
    "in warmth, then weeks": (
        19.6974898741,
        66.2603994251,
        17.2369108701,
        134.81,
        129.832,
        120.546626421,
        109.826673319,
        129.832,
        26.554,
        19.111,
        11.0336112696,
        8.68310792794,
        8.82887456432,
        23.36,
        34.0,
    ),
    "chances": (
        9.978,
        7.8956029077,
        6.81539105586,
        5.27863165491,
        2.91562855768,
        2.77699699859,
        0.0,
        9.978,
        7.00879174309,
        4.4696514286,
        5.708,
        1.5396,
        388.468,
    ),
    "weather": (
        8052.98019624,
        15917.9401962,
        912977.668004,
        12.0341760913,
        12.4477251684,
        6.65213751532,
        7.11591932366,
        12.1327193453,
        12.7872085857,
        -2.16834987317,
    ),
    "an outcome": (
        404.348,
        1082.776,
        2084.744,
        384.69,
        966.584,
        1904.074,
        215.06,
        31.0,
        79.068,
        197.104,
        0.545758,
        151.878,
        28277.732,
        26724.51,
        5720.45645212,
        73.2659130866,
        0.0,
        0.970434190039,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
