"""Titles, captions and texts of charts, with what every reader sees in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from forecast.words.numbers import at_most, cash, counted, dated, money, percent, rounded, seasons, signed, span

# Plants, benches and cultures

SALEABLE = "Saleable plants on hand: median and 90 % range. Diamonds are targets; the plants are sold then."
_BARS = "Diamonds are targets, bars the weeks of their sale."
BENCH = "Bench area in use: the band is the 90 % range, the dashed line the area available."
READY = "Saleable plants if none are sold: median and 90 % range."
CYCLES = "Median and 90 % range. Bars above are what shelf places and hood hours allow."
CLEAN = "Share of vessels that stay clean, in each subculture and so far."
CLEAN_LINES = {"clean": "in the subculture", "clean_so_far": "so far"}
PANEL_PLANTS = (
    "Blue: median and 90 % range. Dotted: median of the base plan. Diamonds are targets; the plants are sold then."
)
PANEL_AREA = "Area of all plants. Dashed: area available."
TARGET_TITLE = "{variety}: {target:,} needed by {by}"
ORDERED = "order {quantity:,}"
BY_AVERAGE = "by average {quantity:,}"
ORDER_CURVE = "Delivered {week} by {lab}. The dashed line is the service level."
ROUTES = "Cost per plant by supply route. The dashed line is the target of {target:,}."
READY_DATES_TITLE = "{variety}: when are they ready?"
SURVIVAL_TITLE = "{variety}: how many survive, and is it enough in time?"
SURVIVAL = "Bars: survival, 90 % range. Triangles: chance that {quantity:,} give {target:,} by {by}."
CHANCES_TITLE = "{variety}: how many by {week}, how surely?"
ORDERS_TITLE = "{season}: what comes when"
MARGINS = "Margin of the season. {plans}."
RECORDS_TITLE = "{stage}: what did the records change?"
NEXT_BATCH_TITLE = "{variety}: the next batch in {stage}"
LABS_TITLE = "{stage}: do labs differ?"
LAB_PAIR = "{} ({}) over {} ({})"
LABS_TEXT = "Survival of {stage} by lab. {sentences}"


def sold_over_weeks(reads: str) -> str:
    """Return how a chart is read if some of its targets are sold over weeks."""
    return f"{reads.partition('Diamonds')[0]}{_BARS}"


def saleable(variety: str, targets: Sequence[Mapping[str, Any]]) -> str:
    """Return the text of a chart of saleable plants, and of targets: rows of `Outcome.targets`."""
    said = "; ".join(f"{row['target']:,} {_when(row)} in {seasons(row['chance'])}" for row in targets)
    over = any(row.get("until") for row in targets)
    return (
        f"Saleable plants of {variety} on hand by week; the plants of a target are sold in its "
        f"week{'s' if over else ''}. Targets: {said or 'none'}."
    )


def _when(row: Mapping[str, Any]) -> str:
    whom = f"for {row['channel']}, " if row.get("channel") else ""
    return f"{whom}from {span(row['week'], row['until'])}" if row.get("until") else f"{whom}by {dated(row['week'])}"


def cycles_title(*, variety: str, explants: int, start: str) -> str:
    """Return the title of a chart of cultures."""
    return f"{variety}: {counted(explants, 'explant')} from {start}"


def clean(*, variety: str, cycles: int, left: float) -> str:
    """Return the text of a chart of clean vessels; the share left [0 to 1]."""
    return f"Of vessels of {variety} followed through {counted(cycles, 'subculture')}, {left:.0%} stay clean."


# By week

READY_DATES = "Bars hold 90 % of the plants, the tick half of them. The dashed line is the target week."
CHANCES = "The steeper the line falls, the more certain the number."
MAP_TITLE = "How full is each growing area?"
MAP = "Darker: fuller (median season). Cross: over capacity in at least 1 season in 10. Grey: closed."
OVER, CLOSED = "over capacity", "closed"
AFTER_SEASON = "after the season"
WORK_TITLE = "Work by week"
WORK = "Expected hours for plants that arrive, or are potted, transferred, spaced and graded."
NARROWING_TITLE = "How the forecast narrowed"


def ready_dates(*, variety: str, by: str, first: tuple[str, str], last: tuple[str, str]) -> str:
    """Return the text of a chart of ready dates: first and last week of delivery, each with that in which half are."""
    (early, ready), (late, later) = first, last
    return (
        f"Ready dates of {variety} by week of delivery: half are ready by {ready or 'no week of the season'} if "
        f"delivered in {early}, by {later or 'no week of the season'} if in {late}. Target week {by}."
    )


def chances(*, variety: str, week: str, p10: Mapping[str, int]) -> str:
    """Return the text of a chart of chances, with the 10th percentile of each plan."""
    said = "; ".join(f"{name}: {at_most(number)} in 1 season in 10" for name, number in p10.items())
    return f"Share of simulated seasons with at least so many saleable {variety} by {week}. {said}."


def narrowing(days: Sequence[Mapping[str, object]], came: int | None) -> str:
    """Return the text of a chart of forecasts; of each day the 5th percentile, median and 95th percentile."""
    said = "; ".join(
        f"on {row['day']} about {_rounded(row['median'])} ({_rounded(row['p5'])} to {_rounded(row['p95'])})"
        for row in days
    )
    text = f"Saleable plants expected, by the day of the forecast: {said}."
    return text if came is None else f"{text} The final number was {came:,}."


def narrowing_note(came: int | None) -> str:
    """Return how the chart of forecasts is read."""
    return f"Median and 90 % range.{'' if came is None else ' The dashed line is the final number.'}"


def _rounded(number: object) -> str:
    return rounded(float(str(number)))


# The whole order

ORDERS = "A bar for all that one lab sends in one week, divided by variety."
CASH_TITLE = "Cash by week"
CASH = "Median and 90 % range, by the end of each week. The triangle is the lowest cash."
MARGIN_TITLE = "What the season earns"
MARGIN = "Each dot is 1 season in 20. Triangles are means."
LEVEL_TITLE = "Which service level is right?"
LEVEL = "The one at the price of a missing plant. Triangle: what the plan counts, and reaches."


def orders(plan: str, sums: Sequence[tuple[str, str]]) -> str:
    """Return the text of the chart of orders, with the sum of each delivery."""
    return f"{plan} By delivery: {'; '.join(f'{delivery}: {total}' for delivery, total in sums)}."


def lowest_cash(*, amount: float, week: str, currency: str) -> str:
    """Return the words beside the lowest cash."""
    return f"lowest: about {cash(amount, currency)} in {week}"


def margin(
    *, name: str, mean: float, p5: float, p95: float, worst: float, loss: float, currency: str,
    fixed_costs: float | None = None,
) -> str:  # fmt: skip
    """Return what one plan earns, with the mean of its worst tenth and the chance of a loss, fixed costs included."""
    after = "" if fixed_costs is None else f"after fixed costs of {fixed_costs:,.0f} {currency} "
    return (
        f"{name}: on average {money(mean, currency)} (90 % range {signed(p5)} to {signed(p95)}), in the worst 10 % of "
        f"seasons {signed(worst)}, {after}a loss in {seasons(loss)}"
    )


def target(row: Mapping[str, Any]) -> str:
    """Return the name of a target in a chart: its plants, variety and buyers."""
    whom = f", {row['channel']}" if row.get("channel") else ""
    return f"{row['target']:,} {row['variety']}{whom}, {row['week']}"


# Sensitivity and scenarios

TORNADO_TITLE = "Tornado chart: which inputs matter most"
TORNADO = "One input at a time moved to its 10th (orange) and 90th (blue) percentile."
COMPARISON_TITLE = "Scenario B less scenario A"
COMPARISON = "Mean and 90 % range; both in the same simulated seasons."
ALL_VARIETIES = "all varieties"


def swing(name: str, ends: Sequence[tuple[str, str]]) -> str:
    """Return what an answer is at the low and the high value of an input."""
    return f"{name}: {', '.join(f'{value} gives {answer}' for value, answer in ends)}."


def more(amount: float, unit: str) -> str:
    """Return a difference with its sign and unit."""
    text = signed(amount)
    return f"{text if text.startswith('-') or text == '0' else f'+{text}'} {unit}"


def differences(comparison: str, unit: str, rows: Sequence[tuple[str, str, float, float]]) -> str:
    """Return the text of a comparison: of each row its name, its mean in words, 5th and 95th percentile."""
    said = "; ".join(f"{name}: {mean} ({signed(p5)} to {signed(p95)})" for name, mean, p5, p95 in rows)
    return f"{comparison} Differences in {unit}: {said}."


# Records and scores

KINDS = ("your estimate", "own records", "learned")
SHRINKAGE = "Bars hold the mean of a variety's batches with 90 % probability; no bar: your estimate only."
NEXT_BATCH = "The dashed lines hold 90 % of batches between them."
LABS = "Bars are 90 % credible intervals, after allowing for varieties. The dashed line is no difference."
CALIBRATION_TITLE = "How good were our forecasts?"
CALIBRATION = "Calibration histogram: good forecasts give even bars; the band holds a bar 90 % of the time."


def shrinkage(
    *, stage: str, varieties: int, most: str, estimate: float, learned: float, group_only: int, estimate_only: int
) -> str:
    """Return the text of the chart of what records changed; shares [0 to 1]."""
    verb = "relies" if group_only == 1 else "rely"
    group = "its group's records" if group_only == 1 else "their group's records"
    alone = f"{estimate_only:,}" if estimate_only else "none"
    rest = f"{counted(group_only, 'variety', 'varieties')} {verb} on {group} only; {alone} on your estimate alone."
    if not (group_only or estimate_only):
        rest = "All have records of their own."
    return (
        f"Survival of {stage}: your estimate, counted and learned, for {counted(varieties, 'variety', 'varieties')}. "
        f"Largest change: {most}, {percent(estimate)} to {percent(learned)} %. {rest}"
    )


def next_batch(*, variety: str, stage: str, of: int, p5: int, median: int, p95: int, learned: str) -> str:
    """Return the text of the chart of the next batch."""
    return (
        f"Of {of:,} plants of the next batch of {variety}, {median:,} survive {stage} (median), and between {p5:,} and "
        f"{p95:,} in 90 % of batches. {learned}"
    )


def calibration(*, forecasts: int, batches: int, shares: Sequence[float], low: float, high: float, outside: int) -> str:
    """Return the text of a calibration histogram; shares [0 to 1]."""
    within = f"all {len(shares)} bars are" if not outside else f"{len(shares) - outside} of {len(shares)} bars are"
    return (
        f"{counted(forecasts, 'forecast')} of {counted(batches, 'batch', 'batches')}. Share of outcomes in each tenth "
        f"of the forecast (calibration histogram): {', '.join(f'{100 * one:.0f}' for one in shares)} %. Between "
        f"{100 * low:.0f} and {100 * high:.0f} % is consistent with chance; {within}."
    )
