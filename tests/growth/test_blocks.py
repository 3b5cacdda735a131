"""An outcome in blocks, by any workers, is the same to the last bit as the whole one."""

from __future__ import annotations

import os
import pickle
import signal
import threading
import time
import tracemalloc
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import numpy as np
import pytest
from cooperative import cooperative
from labelled import area_by_place, plants_by_state

import forecast
from forecast.growth import blocks
from forecast.growth.blocks import BlockDraws, summed_up, too_large
from forecast.growth.simulation import draw

ROOT = Path(__file__).parents[2]
COOPERATIVE, DEMO = cooperative(23, 60), forecast.read_season(ROOT / "demo_data")
MAIN, FATAL, SUMMED_UP = os.getpid(), "V00007", summed_up
ASKED = {"cooperative": (COOPERATIVE, 128), "demo": (DEMO, 128)}


@pytest.fixture(scope="module", params=ASKED)
def asked(request):
    """A season, its number of draws, and the outcome in one piece."""
    season, draws = ASKED[request.param]
    whole = forecast.simulate(season, draws=draws, seed=3)
    assert not isinstance(whole.drawn, BlockDraws)
    return season, draws, whole


@pytest.fixture(scope="module")
def pool():
    with ProcessPoolExecutor(2) as pool:
        yield pool


def same(one, other):
    """Compare all that is told of a whole season, to the last bit."""
    assert one.table().equals(other.table())
    assert one.table(sold=True).equals(other.table(sold=True))
    assert one.targets().equals(other.targets())
    assert one.chance_of_all() == other.chance_of_all()
    assert area_by_place(one).identical(area_by_place(other))
    spaces = [forecast.bench_space(outcome) for outcome in (one, other)]
    assert spaces[0].table().equals(spaces[1].table())
    assert spaces[0].overruns == spaces[1].overruns
    return True


@pytest.mark.parametrize("block", [1, 2, 5, 7, 100])
def test_blocks_of_any_size_give_the_same(asked, block):
    season, draws, whole = asked
    assert same(whole, forecast.simulate(season, draws=draws, seed=3, block=block))


@pytest.mark.parametrize("block", [None, 1, 6])
def test_workers_give_the_same(asked, pool, block):
    season, draws, whole = asked
    assert same(whole, forecast.simulate(season, draws=draws, seed=3, block=block, executor=pool))


@pytest.mark.parametrize("workers", [1, 3])
def test_any_number_of_workers_gives_the_same(asked, workers):
    season, draws, whole = asked
    with ProcessPoolExecutor(workers) as pool:
        assert same(whole, forecast.simulate(season, draws=draws, seed=3, block=4, executor=pool))


def test_a_cluster_gives_the_same(asked, cluster):
    season, draws, whole = asked
    with cluster.get_executor() as executor:
        assert same(whole, forecast.simulate(season, draws=draws, seed=3, block=3, executor=executor))


def test_what_is_asked_of_one_variety_is_the_same(asked):
    season, draws, whole = asked
    parts = forecast.simulate(season, draws=draws, seed=3, block=4)
    for name in whole.varieties[:3]:
        week = season.first_week + 30
        assert whole.chance(name, week=week, at_least=100) == parts.chance(name, week=week, at_least=100)
        assert (whole.quantile(name, week=week) == parts.quantile(name, week=week)).all()
        assert whole.table(name).equals(parts.table(name))
        assert whole.targets(name).equals(parts.targets(name))
        assert plants_by_state(whole, name).equals(plants_by_state(parts, name))
        assert all((a == b).all() for a, b in zip(whole.on_hand(name), parts.on_hand(name), strict=True))
        assert np.array_equal(whole.saleable(name), parts.saleable(name))
    one, other = (forecast.bench_space(outcome).plants(season.first_week + 20) for outcome in (whole, parts))
    assert one.equals(other)
    assert str(whole) == str(parts)


def test_money_work_and_causes_are_the_same_in_blocks():
    whole, parts = (forecast.simulate(DEMO, draws=64, seed=1, block=block) for block in (None, 3))
    assert forecast.cash_flow(whole).entries().equals(forecast.cash_flow(parts).entries())
    assert forecast.hours_of_work(whole).table().equals(forecast.hours_of_work(parts).table())
    causes = [forecast.bench_space(outcome).causes("covered house") for outcome in (whole, parts)]
    assert causes[0].equals(causes[1])


def test_a_season_in_other_words_gives_the_same():
    """Sums over varieties are exact, so the order of the varieties does not matter either."""
    turned = COOPERATIVE.replace(varieties=COOPERATIVE.varieties[::-1])
    one, other = (forecast.simulate(season, draws=128, seed=3) for season in (COOPERATIVE, turned))
    assert area_by_place(one).identical(area_by_place(other))
    assert one.chance_of_all() == other.chance_of_all()


def test_what_nobody_has_ordered_is_not_met_in_blocks_either():
    some = [row for row in COOPERATIVE.orders if row.variety != "V00003"]
    whole, parts = (forecast.simulate(COOPERATIVE, some, draws=32, seed=1, block=block) for block in (None, 2))
    assert whole.chance_of_all() == parts.chance_of_all() == 0
    assert "V00003" not in parts.varieties
    assert whole.table("V00003").equals(parts.table("V00003"))
    assert whole.targets("V00003").equals(parts.targets("V00003"))
    with pytest.raises(forecast.Refused, match="no such variety"):
        parts.targets("nothing")


def test_progress_counts_varieties():
    heard: list[tuple[int, int]] = []
    outcome = forecast.simulate(
        COOPERATIVE, draws=16, seed=1, block=10, progress=lambda done, of: heard.append((done, of))
    )
    outcome.table()
    assert heard == [(10, 23), (20, 23), (23, 23)]


@pytest.mark.parametrize("block", [0, -1, 1.5, "ten"])
def test_a_block_that_is_no_number_of_varieties_is_refused(block):
    with pytest.raises(forecast.Refused, match="block"):
        forecast.simulate(COOPERATIVE, draws=16, seed=1, block=block)


def test_an_outcome_that_would_be_too_large_is_worked_through_in_blocks(monkeypatch):
    whole = forecast.simulate(COOPERATIVE, draws=64, seed=1)
    monkeypatch.setattr(blocks, "_MOST", 10_000)
    monkeypatch.setattr(blocks, "_TOGETHER", 400_000)
    parts = forecast.simulate(COOPERATIVE, draws=64, seed=1)
    assert isinstance(parts.drawn, BlockDraws)
    assert 1 <= parts.drawn._block < 23
    assert same(whole, parts)


def test_what_an_outcome_keeps_is_near_what_was_reckoned():
    """Kept arrays of an outcome of which everything was asked, by pickling it, against the bytes that are reckoned."""
    outcome = forecast.simulate(COOPERATIVE, draws=1024, seed=1)
    outcome.table()
    forecast.bench_space(outcome)
    points = outcome.streams._points._made  # by themselves: streams are sent without them
    kept = sum(len(pickle.dumps(part)) for part in (outcome.drawn._fates, outcome.drawn._ready, points))
    reckoned = 1024 * blocks.bytes_of_draw(COOPERATIVE, outcome.batches)
    assert 0.5 * reckoned < kept < reckoned
    assert not too_large(COOPERATIVE, outcome.batches, 1024)
    assert too_large(COOPERATIVE, outcome.batches, 1024 * 2**30 // reckoned + 1024)


def test_a_worker_is_sent_its_own_rows_and_sends_back_what_was_reported():
    part, whole = COOPERATIVE.only(["V00001", "V00002"]), forecast.simulate(COOPERATIVE, draws=64, seed=1)
    assert len(pickle.dumps(part)) < 0.25 * len(pickle.dumps(COOPERATIVE))
    batches = [batch for batch in whole.batches if batch.variety in ("V00001", "V00002")]
    summary = summed_up(draw, part, batches, 1, 64, whole.streams.coordinates)
    arrays = 8 * 64 * (2 * 2 * 60 + 1)  # area and variance of two places in 60 weeks, and one chance, in 64 draws
    assert arrays < len(pickle.dumps(summary)) < arrays + 20_000


def summed_up_but_once(*given):
    """Kill the process that is to sum up a block with the first variety, unless it is the first process."""
    if os.getpid() != MAIN and given[1].varieties[0].variety == FATAL:
        os.kill(os.getpid(), signal.SIGKILL)
    return SUMMED_UP(*given)


def test_a_pool_that_breaks_loses_nothing(monkeypatch):
    whole = forecast.simulate(COOPERATIVE, draws=64, seed=3)
    monkeypatch.setattr(blocks, "summed_up", summed_up_but_once)
    with ProcessPoolExecutor(2) as pool:
        assert same(whole, forecast.simulate(COOPERATIVE, draws=64, seed=3, block=1, executor=pool))
        with pytest.raises(BrokenProcessPool):
            pool.submit(os.getpid)


def test_a_worker_of_a_cluster_that_is_killed_loses_nothing(asked, cluster):
    season, draws, whole = asked
    before = set(cluster.run(os.getpid).values())
    killer = threading.Timer(0.1, os.kill, (min(before), signal.SIGKILL))
    killer.start()
    with cluster.get_executor() as executor:
        assert same(whole, forecast.simulate(season, draws=draws, seed=3, block=1, executor=executor))
    killer.join()
    for _ in range(100):  # a new one takes its place
        time.sleep(0.1)
        if len(after := set(cluster.run(os.getpid).values())) == len(before):
            break
    assert min(before) not in after


def test_only_a_block_is_kept_in_memory_at_a_time():
    """Peaks of traced memory in blocks of 2 and in one of 40: they differ by much of what is kept of 38 varieties."""
    season, most = cooperative(40, 104), {}
    for block in (2, 40):
        tracemalloc.start()
        outcome = forecast.simulate(season, draws=512, seed=1, block=block)
        outcome.table()
        forecast.bench_space(outcome)
        most[block] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert most[40] - most[2] > 0.5 * 512 * blocks.bytes_of_draw(season, outcome.batches)
