"""Records of one or two batches for tests, made in one line each."""

from __future__ import annotations

from small_seasons import offer, season, stage

from forecast import Season
from forecast.records.batches import BatchRecord, CountRecord

TIME = {"batches_cv": 0.15, "plants_cv": 0.1}
WEANING = stage("weaning", typical=4, survival=0.9, survival_sd=0.04, **TIME)
POTS = stage("pots", typical=6, survival=0.8, survival_sd=0.05, **TIME)


def came(batch="B1", variety="A", day="2027-03-01", ordered=100, received=None, dead=0, lab="Lab"):
    cells = {"ordered": ordered, "received": ordered if received is None else received, "dead_on_arrival": dead}
    return BatchRecord(batch=batch, variety=variety, delivered=day, lab=lab, **cells)


def count(day, name, alive, transferred=0, saleable=0, losses=0, batch="B1"):
    cells = {"alive": alive, "transferred": transferred, "saleable": saleable, "losses": losses}
    return CountRecord(batch=batch, date=day, stage=name, **cells)


def grouped(stages, groups, **header):
    """Make a season of several groups, each with the same stages."""
    cells = season([stage()]).given()
    cells["varieties"] = [{"variety": name, "group": group} for name, group in groups.items()]
    cells["stages"] = [row | {"applies_to": group} for group in dict.fromkeys(groups.values()) for row in stages]
    return Season(**{**cells, "price_list": [offer(name) for name in groups], **header})


def line(learned, variety, name, what="survival"):
    table = learned.table()
    return table[(table.variety == variety) & (table.stage == name) & (table.what == what)].iloc[0]
