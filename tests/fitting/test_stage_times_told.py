"""What a learned stage time says, warns of and refuses, word for word; and its numbers by hand."""

import math
import warnings

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit, logit

from forecast.errors import Refused
from forecast.fitting.stage_times import Counted, LearnedTime, _doubts, learn_time

INF, NAN = math.inf, math.nan
USUAL = math.log(12.346)
ERRORS = (0.1, 0.2, 0.3, 0.4)  # of log median, log scale, logit of ever, log of batches
COUNT = "not a number of plants. Give a whole number from 0."
AFTER = "not the time of a look. Give weeks since the start, from 0."
UNTIL = "not the time of a look. Give weeks above 0; infinity where still growing at the last look."
BATCH = "not the name of a batch. Give a name, or None."
UNTOLD = "Look more often; give never=True if some plants never get ready; or state a range of times."


def told(law="lognormal", location=USUAL, scale=0.2, ever=0.8, batches=0.5, **others):
    """A learned time of stated numbers, with the standard errors above."""
    rest = {"plants": 1500, "ready": 1200, "groups": 3} | others
    covariance = tuple(tuple(line) for line in np.diag(np.square(ERRORS)).tolist())
    return LearnedTime(law, location, scale, ever, batches, -10.0, covariance, **rest)


# Counts


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ((-1, 3, 4), f"count, -1: {COUNT}"),
        ((1.5, 3, 4), f"count, 1.5: {COUNT}"),
        ((INF, 3, 4), f"count, inf: {COUNT}"),
        ((NAN, 3, 4), f"count, nan: {COUNT}"),
        ((True, 3, 4), f"count, True: {COUNT}"),
        (("4", 3, 4), f"count, '4': {COUNT}"),
        ((1, -1, 4), f"after, -1: {AFTER}"),
        ((1, INF, 4), f"after, inf: {AFTER}"),
        ((1, None, 4), f"after: {AFTER}"),
        ((1, 0, 0), f"until, 0: {UNTIL}"),
        ((1, 3, -1), f"until, -1: {UNTIL}"),
        ((1, 3, NAN), f"until, nan: {UNTIL}"),
        (
            (1, 3.25, 2.5),
            "until, 2.5: ready until 2.5, before the look at 3.25 that found them growing. Give the times in order.",
        ),
        ((1, 3, 4, ""), f"batch, '': {BATCH}"),
        ((1, 3, 4, 7), f"batch, 7: {BATCH}"),
        ((-1, -2, -3, ""), f"count, -1: {COUNT}\nafter, -2: {AFTER}\nuntil, -3: {UNTIL}\nbatch, '': {BATCH}"),
    ],
)
def test_what_is_no_count_between_two_looks_is_refused_word_for_word(row, said):
    with pytest.raises(Refused) as refusal:
        Counted(*row)
    assert str(refusal.value) == said


@pytest.mark.parametrize(
    "row", [(0, 0, 0.5), (np.int64(3), 2, 2), (3.0, 0, INF), (1, np.float64(2), 3, "a"), (2, 1, 2, None)]
)
def test_counts_from_0_times_from_0_and_exact_times_are_taken(row):
    counted = Counted(*row)
    assert (counted.count, counted.after, counted.until, counted.batch) == (*row, None)[:4]


def test_a_faulty_row_is_told_by_its_number():
    with pytest.raises(Refused) as refusal:
        learn_time([Counted(3, 4, 5), (1, 2), 7, (-1, 3, 4)])
    shape = "not a count between two looks. Give count, after, until and perhaps batch."
    assert str(refusal.value).splitlines() == [
        f"rows, row 2, '(1, 2)': {shape}",
        f"rows, row 3, '7': {shape}",
        f"rows, row 4, column count, -1: {COUNT}",
    ]


@pytest.mark.parametrize(
    ("rows", "how", "said"),
    [
        ([(3, 4, 5)], {"law": "gamma"}, "law, 'gamma': no such law. Give one of: lognormal, log-logistic, weibull."),
        ([], {}, "rows, '0 with plants': no plant got ready. State a range of times instead."),
        ([(3, 4, INF), (2, 6, INF), (0, 3, 4)], {},
         "rows, '2 with plants': no plant got ready. State a range of times instead."),
        ([(3, 4, 5, "a"), (2, 5, 6)], {},
         "batch: a batch is named in some rows only. Name it in all rows, or in none."),
        ([(3, 4, 4), (2, 9, INF)], {},
         "rows, '4': all became ready at one same time. "
         "Give the looks between which they became so, such as after 3 until 4."),
        ([(1, 4, 6), (3, 4, 4)], {},
         "rows, '4': all became ready at one same time. "
         "Give the looks between which they became so, such as after 3 until 4."),
        ([(30, 0, 4)], {}, f"rows, 'counts': all that became ready were so at the only look. {UNTOLD}"),
        ([(30, 0, 4), (3, 4, INF)], {},
         f"rows, 'counts': all that became ready were so at the only look. {UNTOLD}"),
        ([(30, 0, 4), (3, 8, INF)], {},
         f"rows, 'counts': the spread between plants, or between batches, runs away. {UNTOLD}"),
        ([(5, 0.01, 0.011, "a"), (5, 1000, 1001, "b")], {},
         f"rows, 'counts': the spread between plants, or between batches, runs away. {UNTOLD}"),
        ([(1, 0, 2), (1, 0, 4)], {}, f"rows, 'counts': the spread between plants runs away. {UNTOLD}"),
        ([(2, 3, 5), (1, 4, 4)], {}, f"rows, 'counts': an exact time draws all others to it. {UNTOLD}"),
        ([(3, 8, 9), (2, 2, INF)], {"law": "weibull"},
         f"rows, 'counts': the median could be almost any. {UNTOLD}"),
        ([(2, 9, INF, "b"), (30, 4, INF, "b"), (3, 2, 3, "a")], {},
         f"rows, 'counts': no one time fits better than the others. {UNTOLD}"),
        ([(3, 2, 3), (2, 3, 3)], {"law": "weibull", "never": True},
         f"rows, 'counts': no one time fits better than the others. {UNTOLD}"),
    ],
)  # fmt: skip
def test_counts_that_tell_no_time_are_refused_word_for_word(rows, how, said):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(Refused) as refusal:
            learn_time(rows, **how)
    assert str(refusal.value) == said


@pytest.mark.filterwarnings("ignore:Only 9 plants")
def test_rows_without_plants_and_plants_never_looked_at_tell_nothing():
    rows = [(4, 6, 7, "a"), (4, 7, 9, "a"), (1, 9, 10, "a"), (10, 18, INF, "a")]
    assert repr(learn_time([*rows, (0, 20, 30, "b"), (9, 0, INF, "c")])) == repr(learn_time(rows))
    assert learn_time([*rows, (2, 0.5, INF, "a")]).plants == 19 + 2


# Numbers


def test_exact_times_of_all_plants_give_mean_and_deviation_of_their_logarithms():
    times = [3.2, 4.1, 5.5, 6.0, 7.7, 8.1, 9.4, 10.2, 12.5, 15.9, 21.0, 27.3]
    logs, n = np.log(times), len(times)
    learned = learn_time([(1, time, time) for time in times])
    mean, deviation = logs.mean(), logs.std()
    assert (learned.location, learned.scale) == pytest.approx((mean, deviation), rel=1e-6)
    assert (learned.ever, learned.batches) == (1, 0)
    assert (learned.plants, learned.ready, learned.groups) == (n, n, 1)
    assert learned.log_likelihood == pytest.approx(stats.lognorm.logpdf(times, deviation, scale=math.exp(mean)).sum())
    right = np.full((4, 4), NAN)
    right[:2, :2] = [[deviation**2 / n, 0], [0, 1 / (2 * n)]]
    assert np.array(learned.covariance) == pytest.approx(right, rel=1e-6, abs=1e-9, nan_ok=True)


ROWS = [(2, 0, 3, "a"), (9, 3, 4, "a"), (5, 4, 6, "a"), (6, INF, INF, "a"), (1, 5, 5, "b"), (4, 5, 6, "b"),
        (8, 6, 8, "b"), (5, 8, 11, "b"), (3, 3, 4, "c"), (7, 4, 6, "c"), (6, 6, 9, "c")]  # fmt: skip


@pytest.mark.parametrize("law", ["lognormal", "log-logistic", "weibull"])
@pytest.mark.parametrize(("never", "apart"), [(False, False), (True, False), (False, True), (True, True)])
def test_covariances_are_those_of_the_bend_of_scipys_likelihood(law, never, apart):
    """Of log median, log scale, logit of the share that gets ready and log of the spread of batches; by differences."""
    rows = [(n, 14 if a == INF else a, u, batch) for n, a, u, batch in ROWS if never or a < INF]
    z = np.linspace(-7, 7, 1501)
    weight = stats.norm.pdf(z) / stats.norm.pdf(z).sum()
    learned = learn_time([row if apart else row[:3] for row in rows], law=law, never=never)
    unit = {"lognormal": stats.norm, "log-logistic": stats.logistic, "weibull": stats.gumbel_l}[law]
    middle = unit.ppf(0.5)

    def likelihood(at):
        log_median, log_scale = at[:2]
        scale, ever = math.exp(log_scale), expit(at[2]) if never else 1.0
        location = log_median - middle * scale + (math.exp(at[-1]) * z if apart else np.zeros(1))
        by_batch = dict.fromkeys("abc", 0.0)
        for n, after, until, batch in rows:
            low, high = ((math.log(look) - location) / scale if look else np.full_like(location, -INF)
                         for look in (after, until))  # fmt: skip
            if after == until:
                chance = ever * unit.pdf(high) / scale / until
            else:
                chance = ever * (unit.cdf(high) - unit.cdf(low)) + (until == INF) * (1 - ever)
            with np.errstate(divide="ignore"):
                by_batch[batch if apart else "a"] = by_batch[batch if apart else "a"] + n * np.log(chance)
        if not apart:
            return float(by_batch["a"][0])
        return sum(math.log(weight @ np.exp(logs)) for logs in by_batch.values())

    at = [math.log(learned.median), math.log(learned.scale)]
    at += [logit(learned.ever)] if never else []
    at += [math.log(learned.batches)] if apart else []
    assert learned.log_likelihood == pytest.approx(likelihood(at), abs=1e-5)
    steps = 1e-3 * np.eye(len(at))
    bend = np.array([[
        likelihood(at + a + b) - likelihood(at + a - b) - likelihood(at - a + b) + likelihood(at - a - b)
        for a in steps] for b in steps]) / 4e-6  # fmt: skip
    kept = [0, 1, *([2] if never else []), *([3] if apart else [])]
    right = np.full((4, 4), NAN)
    right[np.ix_(kept, kept)] = np.linalg.inv(-bend)
    assert np.array(learned.covariance) == pytest.approx(right, rel=2e-3, abs=2e-5, nan_ok=True)
    assert (learned.plants, learned.ready) == (sum(row[0] for row in rows), 50)
    assert learned.groups == (3 if apart else 1)


def test_two_batches_are_enough_to_tell_how_batches_differ_and_one_is_not():
    rows = [(20, 3, 4, "a"), (20, 4, 5, "a"), (20, 6, 7, "b"), (20, 7, 8, "b")]
    learned = learn_time(rows)
    middles = [math.log(4), math.log(7)]
    assert learned.batches == pytest.approx(np.std(middles), abs=0.02)
    assert learned.median == pytest.approx(math.exp(np.mean(middles)), rel=0.01)
    assert learned.groups == 2
    one = learn_time([(*row[:3], "a") for row in rows])
    assert repr(one) == repr(learn_time([row[:3] for row in rows]))


def test_standard_errors_follow_from_those_of_logarithms_and_logits():
    learned = told()
    assert learned.errors == pytest.approx({
        "median": 12.346 * 0.1, "spread": 0.2 * 0.2, "ever": 0.8 * 0.2 * 0.3, "batches": 0.5 * 0.4,
    })  # fmt: skip
    assert all(type(error) is float for error in learned.errors.values())
    assert type(learned.median) is float


@pytest.mark.parametrize(
    ("law", "scale", "variation"),
    [
        ("lognormal", 0.5, math.sqrt(math.exp(0.25) - 1)),
        ("lognormal", 30.0, math.sqrt(math.expm1(700))),  # no more than a float holds
        ("log-logistic", 0.25, math.sqrt(4 / math.pi - 1)),  # mean x / sin x, second moment 2x / sin 2x, x = pi / 4
        ("log-logistic", 0.5, INF),
        ("weibull", 1.0, 1.0),  # exponential
        ("weibull", 0.5, math.sqrt(4 / math.pi - 1)),  # Rayleigh
    ],
)
def test_the_coefficient_of_variation_is_that_of_the_law(law, scale, variation):
    assert told(law, scale=scale).variation == pytest.approx(variation)


@pytest.mark.parametrize(
    ("law", "deviation"), [("lognormal", 1.0), ("log-logistic", math.pi / 3**0.5), ("weibull", math.pi / 6**0.5)]
)
def test_the_spread_is_the_scale_times_the_deviation_of_the_law(law, deviation):
    assert told(law, scale=0.3).spread == pytest.approx(0.3 * deviation, rel=1e-12)


def test_a_duration_splits_its_spread_between_belief_and_batches_by_their_variances():
    duration = told(batches=0.2).duration()
    assert duration.median == pytest.approx(12.346)
    assert duration.batches == pytest.approx(math.sqrt(math.exp(0.01 + 0.04) - 1))
    assert duration.plants == pytest.approx(math.sqrt(math.exp(0.04) - 1))
    assert duration.level.shares == (("belief", pytest.approx(0.2)), ("batch", pytest.approx(0.8)))
    assert told(batches=0.0).duration().level.shares == (("belief", 1.0),)
    assert told(batches=0.2).duration("season").level.shares == (("season", 1.0),)


# Words


def test_what_was_learned_is_said_with_its_doubt_its_plants_its_batches_and_those_that_never_get_ready():
    # 12.346 exp(-+ 1.645 x 0.1), exp(-+ 1.645 x 0.2); sqrt(exp(0.25) - 1) = 0.533
    span = "12.3 weeks (10.5 to 14.6, nine times in ten); nine plants of a batch in ten between 8.9 and 17"
    ready = "Learned from 1,200 of 1,500 plants that got ready."
    assert str(told()) == f"{span}; batches differ by 53 %; 80 % ever get ready. {ready}"
    assert str(told(ever=1.0)) == f"{span}; batches differ by 53 %. {ready}"
    assert str(told(batches=0.0)) == f"{span}; 80 % ever get ready. {ready}"
    assert str(told(batches=0.0, ever=1.0)) == f"{span}. {ready}"


WEEKLY = [Counted(3, 3, 4), Counted(3, 4, 5), Counted(1, 20, INF)]
SAME = [Counted(3, 9, 10), Counted(2, 9, 10), Counted(9, 20, INF)]
ROUGH = "Only 9 plants got ready: the times learned from them, and their errors, are rough."
UNKNOWN = (
    "The counts do not tell how the plants of a batch differ, since all could have got ready at once: the spread "
    "given is the widest that they do not contradict. Look more often to learn it."
)
ONE_INTERVAL = (
    "All that got ready did so between the same two looks: how plants differ rests on those still growing and on the "
    "weibull law. Give never=True if some will never get ready."
)
EDGE = (
    "The share that ever gets ready is on its edge: the counts fit best if all plants get ready in the end. "
    "It has no standard error; that all do is not shown."
)
ALIKE = (
    "The 3 batches differ no more than chance would have it: the factor between batches is on its edge at none, and "
    "has no standard error."
)
FAR = "The median lies far beyond the last look, and rests on the weibull law. Go on looking."


def to_come(percent):
    return (
        f"The share that ever gets ready rests on the lognormal law more than on counts: {percent} % of those that "
        "will get ready were still to come at the last look. Go on looking."
    )


@pytest.mark.parametrize(
    ("learned", "read", "how", "said"),
    [
        (told(), WEEKLY, {}, []),
        (told(ready=10), WEEKLY, {}, []),
        (told(ready=9), WEEKLY, {}, [ROUGH]),
        (told(ready=1), WEEKLY, {}, [ROUGH.replace("9 plants", "1 plant")]),
        (told("weibull"), SAME, {"told": False}, [UNKNOWN]),
        (told("weibull"), SAME, {}, [ONE_INTERVAL]),
        (told(ever=1), WEEKLY, {"never": True}, [EDGE]),
        (told(ever=1), WEEKLY, {}, []),
        (told(ever=0.9), WEEKLY, {"never": True}, []),
        (told(batches=0), WEEKLY, {}, [ALIKE]),
        (told(batches=0, groups=2), WEEKLY, {}, [ALIKE.replace("3 batches", "2 batches")]),
        (told(batches=0, groups=1), WEEKLY, {}, []),
        # With location 0 and scale 1, Phi(0.84) = 0.79955 are ready by exp(0.84), Phi(0.85) = 0.80234 by exp(0.85).
        (told(location=0, scale=1), [Counted(9, 1, 2), Counted(9, math.exp(0.84), 9)], {}, [to_come("20")]),
        (told(location=0, scale=1), [Counted(9, 1, 2), Counted(9, math.exp(0.85), 9)], {}, []),
        (told(location=0, scale=1, ever=1), [Counted(9, 1, 2), Counted(9, 0.5, 9)], {}, []),
        (told("weibull", math.log(30), 0.1, ever=1), WEEKLY, {}, []),
        (told("weibull", math.log(32), 0.1, ever=1), WEEKLY, {}, [FAR]),
        (told(location=0, ever=1), [Counted(9, 2 / 3, 2), Counted(9, 0.5, 9)], {}, []),  # 1.5 times the last look
    ],
)
def test_each_doubt_is_told_where_it_holds_and_only_there(learned, read, how, said):
    assert list(_doubts(learned, read, **({"told": True, "never": False} | how))) == said


def test_a_doubt_is_told_at_the_line_that_asked():
    with pytest.warns(UserWarning, match=r"^Only 6 plants got ready") as seen:
        learn_time([(2, 3, 4), (2, 4, 5), (2, 6, 7)])
    assert [one.filename for one in seen] == [__file__]
