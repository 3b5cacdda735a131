"""A small season of one variety, with plants on hand or an order that is placed."""

from small_seasons import offer, season, stage

ROUTE = [
    stage("weaning", typical=4, survival=0.8, survival_sd=0.08, cost=0.2, place="house", plants_per_m2=40),
    stage("growing on", typical=8, batches_cv=0.1, survival=0.9, survival_sd=0.03, cost=0.3, plants_per_m2=20),
]
TARGET = {"variety": "A", "week": "2027-W22", "until": "2027-W25", "target": 200, "price": 6.0}
THERE = {"variety": "A", "stage": "growing on", "quantity": 60, "since": "2026-W52"}
PLACED = {"variety": "A", "week": "2027-W06", "quantity": 70, "lab": "Lab", "placed": "yes"}
LINES = [offer("A", unit_price=1.4, minimum=10, multiple=10, first_week="2027-W05", last_week="2027-W09")]


def made(*, there=False, placed=False, **cells):
    target = TARGET | cells.pop("target", {})
    plan = season(
        ROUTE, varieties=["A"], targets=[target], price_list=LINES, weeks=30, split_gain=60.0,
        places=[{"place": "house", "area": cells.pop("area", 40), "usable": 1}],
        on_hand=[THERE] if there else [], orders=[PLACED] if placed else [], **cells,
    )  # fmt: skip
    return plan.replace(varieties=[row.replace(markdown_price=0.5) for row in plan.varieties])
