"""Large numbers of draws and of plants: what fits is worked out within bounds, what does not is refused."""

import re
import subprocess
import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from each_sized import sizes
from scipy.stats import binom
from small_seasons import asks, offer, season, stage

import forecast
from forecast import streams as module
from forecast.__main__ import main
from forecast.growth.blocks import check_room
from forecast.growth.simulation import draw_fate, season_streams
from forecast.ordering.baselines import simple_orders
from forecast.streams import MOST_DRAWS, Latest, Streams

ROOT = Path(__file__).parents[1]
DEMO = str(ROOT / "demo_data")
HEUCHERA = "Heuchera 'Pellowen'"
CALLS = {
    "simulate": lambda season, draws: forecast.simulate(season, draws=draws),
    "size_order": lambda season, draws: forecast.size_order(season, HEUCHERA, draws=draws),
    "delivery_weeks": lambda season, draws: forecast.delivery_weeks(season, HEUCHERA, draws=draws),
    "simple_orders": lambda season, draws: simple_orders(season, draws=draws),
    "plan_orders": lambda season, draws: forecast.plan_orders(season, draws=draws),
    "explants_needed": lambda season, draws: forecast.explants_needed(season, HEUCHERA, draws=draws),
    "compare_routes": lambda season, draws: forecast.compare_routes(season, HEUCHERA, draws=draws),
    "what_drives": lambda season, draws: forecast.what_drives(season, draws=draws),
    "compare": lambda season, draws: forecast.compare(season, season, draws=draws),
}


def _quick(call):
    """Call, and return the seconds of the processor that it took."""
    began = time.process_time()
    call()
    return time.process_time() - began


@pytest.mark.parametrize("name", CALLS)
def test_more_draws_than_memory_holds_are_refused_within_a_second_with_how_many_fit(name, demo):
    def refused():
        with pytest.raises(forecast.Refused, match=r"At most [0-9,]+ fit") as found:
            CALLS[name](demo, MOST_DRAWS)
        refused.most = int(re.search("At most ([0-9,]+)", str(found.value))[1].replace(",", ""))

    assert _quick(refused) < 1
    assert 16_384 < refused.most < MOST_DRAWS


def test_as_many_draws_as_a_refusal_names_are_accepted_and_one_more_is_not(demo):
    with pytest.raises(forecast.Refused) as found:
        check_room(demo, MOST_DRAWS)
    most = int(re.search("At most ([0-9,]+)", str(found.value))[1].replace(",", ""))
    check_room(demo, most)
    with pytest.raises(forecast.Refused):
        check_room(demo, most + 1)


def test_the_command_line_refuses_them_in_one_sentence(capsys):
    assert main(["order", DEMO, "--draws", str(MOST_DRAWS)]) == 2
    assert re.match(
        "draws, '4,194,304': more than memory holds. At most [0-9,]+ fit into 2 GiB.", capsys.readouterr().err
    )


def test_full_memory_ends_a_command_with_one_sentence():
    """Of what is free when all is imported 40 MB are left, less than the weather of so many draws."""
    code = f"""
import re, resource, sys
from pathlib import Path
from forecast.__main__ import main
assert main(["order", {DEMO!r}, "--draws", "16"]) in (0, 1)
print("-----", file=sys.stderr, flush=True)
used = int(re.search("VmSize:\\s+([0-9]+)", Path("/proc/self/status").read_text())[1]) * 1024
resource.setrlimit(resource.RLIMIT_AS, (used + 40 * 2**20, -1))
sys.exit(main(["order", {DEMO!r}, "--draws", "16384"]))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    said = done.stderr.partition("-----\n")[2].splitlines()
    assert (done.returncode, len(said)) == (2, 1)
    assert said[0].startswith("Not enough memory; nothing was written.")


def test_orders_are_the_same_and_take_less_memory_if_little_is_kept(demo, monkeypatch):
    """All that was drawn for the orders took 54 MB with 512 draws; now it is made again where there is no room."""
    whole = sizes(demo, draws=512, seed=1)
    monkeypatch.setattr(module, "_LATEST", 2**22)
    monkeypatch.setattr(module, "_POINTS", 2**18)
    tracemalloc.start()
    little = sizes(demo, draws=512, seed=1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert little.equals(whole)
    assert peak < 20 * 10**6


def test_what_is_kept_is_what_was_asked_for_last_and_fits():
    made, latest = [], Latest(3)

    def get(key, size=1):
        return latest.get(key, lambda: made.append(key) or key, size)

    assert [get(key) for key in "abcab"] == [*"abcab"]
    assert made == [*"abc"]
    get("d")  # there is no room for c any more
    get("c")
    get("b")
    assert made == [*"abcdc"]
    get("large", 5)
    get("large", 5)
    assert made == [*"abcdc", "large"]


def test_scores_are_the_same_when_they_are_drawn_again(monkeypatch):
    monkeypatch.setattr(module, "_POINTS", 1)
    small = Streams(3, 64, ("a", "b"))
    first = small.normal(("season",), "a").copy()
    small.normal(("variety", "A"), "a")
    assert np.array_equal(small.normal(("season",), "a"), first)


def _sold(target, last="2027-W01", *, short_cost=None, **header):
    """A season of one variety, of which one lab sells any number in every week up to the last."""
    rows = [stage("acclimatisation", survival=0.8, survival_sd=0.08)]
    roomy = [{"place": "house", "area": 10**6, "usable": 1}]
    lab = [offer(last_week=last)]
    plan = season(rows, price_list=lab, targets=[asks(target, short_cost=short_cost)], places=roomy, **header)
    return plan.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 3}])


def _shares(plan, draws):
    return draw_fate(plan, season_streams(draws, 1), "A", 1, plan.first_week).survival


@pytest.mark.parametrize("target", [300, 20_000])
def test_a_plan_in_steps_of_one_is_the_best_of_all_quantities(target):
    """E[min(n share + luck, target)] 3 - n, the value of n plants, tried for every n."""
    plan, numbers = _sold(target, short_cost=0), np.arange(2 * target)[:, None]
    share, luck = _shares(plan, 32), season_streams(32, 1).normal(("variety", "A"), "plants")

    def values(some):
        there = np.maximum(some * share + luck * np.sqrt(some * share * (1 - share)), 0)
        return 3 * np.minimum(there, target).mean(axis=1) - some[:, 0]

    tried = np.concatenate([values(some) for some in np.array_split(numbers, 20)])
    found = forecast.plan_orders(plan, draws=32, seed=1)
    (order,) = found.orders
    assert found._solution.value == pytest.approx(tried[order.quantity], rel=1e-9)
    assert found._solution.value >= tried.max() * (1 - 0.002)
    assert tried.max() <= found._solution.bound + 1e-6


@pytest.mark.parametrize("level", [0.5, 0.9])
def test_an_order_in_steps_of_one_is_the_smallest_of_all_quantities_that_is_enough(level):
    plan = _sold(2000, service_level=level)
    order, share = forecast.size_order(plan, "A", draws=32, seed=1), _shares(plan, 32)
    enough = next(n for n in range(2000, 4000) if binom.sf(1999, n, share).mean() >= level)
    assert order.quantity == enough


def test_a_plan_of_fifty_thousand_takes_no_more_than_a_few_times_that_of_five_hundred():
    """Of 50,000 in steps of one there were 10 minutes and more to the first plan; now few quantities are tried."""
    few, many = (_sold(target, "2027-W03") for target in (500, 50_000))
    forecast.plan_orders(few, draws=64, seed=1)
    small, large = (_quick(lambda one=one: forecast.plan_orders(one, draws=64, seed=1)) for one in (few, many))
    assert large < 10 * small + 1


MEASURED = {
    "simulate": "forecast.simulate(season, draws=draws).chance_of_all()",
    "what_drives": "forecast.what_drives(season, hosta, draws=draws).table()",
    "compare": "(lambda found: (found.table(), found.money()))(forecast.compare(season, poorer, draws=draws))",
    "plan_orders": "str(forecast.plan_orders(season, draws=draws))",
    "plan_orders, least cost": "str(forecast.plan_orders(season, draws=draws, aim='cost'))",
}
PEAK = """
import re
from pathlib import Path


def bytes_of(name):
    return 1024 * int(re.search(f"{name}:\\s+([0-9]+)", Path("/proc/self/status").read_text())[1])
"""


@pytest.mark.parametrize("name", MEASURED)
def test_the_memory_that_is_estimated_is_at_least_what_is_taken_and_at_most_three_times_it(name):
    """Of 1,024 draws a plan took 253 MiB of 53 estimated, a comparison 68 of 40, a simulation 28 of 18."""
    code = f"""{PEAK}
import forecast
from forecast.growth import blocks

season, hosta = forecast.read_season({DEMO!r}), "Hosta 'Orrinfall'"
poorer = season.with_stage("hosta", "acclimatisation", survival=0.7)


def call(draws):
    return {MEASURED[name]}


call(16)
before = bytes_of("VmRSS")
call(1024)
peak = bytes_of("VmHWM") - before

blocks._ROOM = peak
try:
    call(1024)
except forecast.Refused as error:
    assert "more than memory holds" in str(error)
else:
    raise AssertionError("less is estimated")
blocks._ROOM = 3 * peak
call(1024)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr


def test_ten_thousand_rows_of_records_are_learned_from_in_half_a_minute_and_a_gibibyte():
    """They take 2 s and 0.2 GiB on a quiet machine."""
    code = f"""{PEAK}
import sys, time
from datetime import date, timedelta

sys.path.insert(0, {str(ROOT / "tests" / "builders")!r})
import numpy as np
import forecast
from simulated_records import Truth, simulated
from each_sized import sizes
from small_seasons import asks, season, stage

timed = {{"batches_cv": 0.1, "plants_cv": 0.1}}
rows = [stage("acclimatisation", survival=0.85, survival_sd=0.03, typical=4, **timed),
        stage("growing on", survival=0.93, survival_sd=0.03, typical=9, **timed)]
made = season(rows, targets=[asks(10)])
means, times = ({{row["stage"]: row[column] for row in rows}} for column in ("survival", "typical"))
truth = Truth({{("A", name): mean for name, mean in means.items()}}, 20, times)
deliveries = [("A", date(2015, 1, 5) + timedelta(4 * at), 100) for at in range(900)]
records = simulated(made, deliveries, truth, np.random.default_rng(1), every=7)
assert len(records.counts) + len(records.batches) >= 10_000
began = time.process_time()
forecast.learn(made, records).table()
print(time.process_time() - began, bytes_of("VmHWM"), len(records.counts))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    seconds, peak, _ = map(float, done.stdout.split())
    assert seconds < 30
    assert peak < 2**30
