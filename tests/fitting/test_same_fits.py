"""Survivals and times learned from small records to the last digits, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence

import pytest
from same_digits import weighed

from forecast.fitting.stage_times import TimeLaw, fit_time
from forecast.fitting.survival import Pooled, Priors, Record

INF = float("inf")
ROWS = [
    *[("May", 2, 3, 14), ("May", 3, 4, 31), ("May", 4, 6, 12), ("May", 9, INF, 3)],
    *[("June", 3, 4, 6), ("June", 4, 5, 25), ("June", 5, 5, 4), ("June", 5, 7, 19), ("June", 8, INF, 1)],
    *[("July", 0, 3, 22), ("July", 3, 5, 17), ("July", 5, 8, 2)],
    *[("May too", 3, 4, 9), ("May too", 4, 7, 21), ("June too", 1, 4, 16), ("June too", 4, 5, 8)],
]
COUNTS = [
    *[("A", 45, 50, "B1"), ("A", 61, 90, "B2"), ("B", 30, 30, "B3"), ("C", 12, 60, "B4"), ("C", 39, 45, "B5")],
    *[("D", 70, 80, "B6"), ("D", 66, 80, "B7")],
]
GROUPS = {"A": "crop", "B": "crop", "C": "fern", "D": "crop", "E": "fern"}


def time(law: TimeLaw, *, never: bool = False, batches: bool = True) -> list[float]:
    rows = [(count, after, until, batch if batches else None) for batch, after, until, count in ROWS]
    found, _ = fit_time(rows, law=law, never=never)
    numbers = [found.location, found.scale, found.ever, found.batch_log_sd, found.log_likelihood, found.median]
    spread = found.duration("batch")
    return [*numbers, spread.batches_cv, spread.plants_cv, *found.quantile([0.1, 0.9]), *found.cdf([3, 5])]


def survival(priors: Priors, *, labs: bool = False) -> list[float]:
    records = [
        Record(variety, alive, of, batch, lab=("Lab", "Other")[at % 2] if labs else "")
        for at, (variety, alive, of, batch) in enumerate(COUNTS)
    ]
    pooled = Pooled(records, GROUPS, priors)
    every = [*map(pooled.variety, "ABCDE"), pooled.group("crop"), pooled.group("fern"), pooled.nursery()]
    if labs:
        every.append(pooled.variety("A", lab="Lab"))
    numbers = [
        number
        for one in every
        for number in (one.mean, one.sd, one.centre, one.centre_sd, one.weight, one.prior_mean, one.prior_sd)
    ]
    compared = pooled.compare_labs("Lab", "Other") if labs else ()
    return [*weighed(numbers), *numbers[:7], *weighed(pooled.predictive("C", 20)), *compared]


CASES: dict[str, Callable[[], list[float]]] = {
    "lognormal": lambda: time("lognormal"),
    "log-logistic": lambda: time("log-logistic"),
    "weibull": lambda: time("weibull"),
    "batches alike": lambda: time("lognormal", batches=False),
    "some never": lambda: time("log-logistic", never=True),
    "some never, batches alike": lambda: time("weibull", never=True, batches=False),
    "survivals": lambda: survival(Priors()),
    "survivals of another estimate": lambda: survival(Priors(survival=0.6, variety_sd=0.3, concentration=40)),
    "survivals by lab": lambda: survival(Priors(), labs=True),
}


KNOWN: dict[str, Sequence[float]] = {
    "lognormal": (
        1.34611835709,
        0.247672484012,
        1.0,
        0.173520545429,
        -236.173573017,
        3.84248140488,
        0.193024070378,
        0.251519632572,
        2.79746401391,
        5.27787427235,
        0.158817893029,
        0.856149032755,
    ),
    "log-logistic": (
        1.33947386514,
        0.122827687832,
        1.0,
        0.171653536599,
        -226.001368282,
        3.81703470195,
        0.19059148982,
        0.222557182087,
        2.91419566094,
        4.99957985359,
        0.123361963969,
        0.900061556835,
    ),
    "weibull": (
        1.46505650089,
        0.305497187267,
        1.0,
        0.159603336234,
        -268.950582753,
        3.86935503125,
        0.17849844588,
        0.391597021087,
        2.17618993629,
        5.58369680567,
        0.260177151338,
        0.79894517736,
    ),
    "batches alike": (
        1.36243043556,
        0.300658806437,
        1.0,
        0.0,
        -266.335300004,
        3.9056742653,
        0.0224637008951,
        0.307583084261,
        2.65679543135,
        5.74161310526,
        0.190116548438,
        0.79433464076,
    ),
    "some never": (
        1.33511886246,
        0.100490344497,
        0.982208186828,
        0.168803043481,
        -215.164415507,
        3.80044765013,
        0.187144995804,
        0.181352053827,
        3.04749215383,
        4.73943872939,
        0.0867859660045,
        0.938762631029,
    ),
    "some never, batches alike": (
        1.46242440524,
        0.229668456489,
        0.980952484172,
        0.0,
        -257.847946269,
        3.96794349238,
        0.0205831808842,
        0.289782947888,
        2.57432152677,
        5.22772059096,
        0.185464614296,
        0.84993594868,
    ),
    "survivals": (
        40.1629129468,
        0.773839959764,
        0.1990202476,
        0.773839959764,
        0.0914865666678,
        0.573624777903,
        0.674310567152,
        0.287186178522,
        1.47564597086,
    ),
    "survivals of another estimate": (
        38.1835139646,
        0.777506728165,
        0.18643804172,
        0.777506728165,
        0.0815694054104,
        0.51126005248,
        0.568323270545,
        0.291287193097,
        1.47702612878,
    ),
    "survivals by lab": (
        45.6650698186,
        0.7694690133,
        0.19387922867,
        0.7694690133,
        0.116960649452,
        0.623917522858,
        0.6719812399,
        0.291172235561,
        1.47755009511,
        0.660663614905,
        0.457441380449,
        0.925666866609,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_six_digits(name: str) -> None:
    assert CASES[name]() == pytest.approx(list(KNOWN[name]), rel=1e-6)
