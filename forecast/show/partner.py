"""The whole order on one page for a partner: what to order, what it costs, how sure it is, and what it rests on."""

from __future__ import annotations

import math
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from datetime import date
from importlib.metadata import version
from pathlib import Path

import pandas as pd

from forecast.errors import Fault, Refused, refuse
from forecast.growth.simulation import simulate
from forecast.io.files_out import check_free, write_texts
from forecast.ordering.baselines import simple_orders
from forecast.planning.plan import Plan
from forecast.planning.whole_order import plan_orders
from forecast.records.batches import read_day
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.season.season import Season
from forecast.show.page import CAUTIONS, answered, bullets, figure, tabled, tagged, whole_page
from forecast.show.partner_text import Told, aim_for
from forecast.show.plan_workbook import assumptions
from forecast.words.numbers import money, rounded, seasons

_MOST_CHARTS = 12  # of varieties
_MOST_OTHERS = 5
_SMALL = {"width": 280, "height": 170}  # of a chart, two to a row [pixels]
_OVERAGE = 0.2
_RESTS_ON = ("survival", "time", "cold", "heat", "weather")
_OTHER_ROUTES = ("culture", "division")  # which a plan does not order
_BROWSERS = ("chromium", "chromium-browser", "google-chrome")
_SECONDS = 120  # for printing
_Steps = Callable[[], None]


def report(
    season: Season,
    path: str | os.PathLike[str],
    *,
    draws: int,
    seed: int,
    plan: Plan | None = None,
    on_date: date | str | None = None,
    overwrite: bool = False,
    pdf: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write the whole order as one page for a partner: HTML that needs nothing else, to open, print or send.

    Parameters
    ----------
    season
        The season.
    path
        The file; its name ends in ``.html``.
    draws, seed
        Number of simulated seasons, and their seed.
    plan
        What to order, found by `plan_orders` with this season, these draws and this seed. Without it the plan is found
        first: for the greatest margin, or, if not all that is wanted has a sale price, for the least cost.
    on_date
        Day that stands on the page; today if not given.
    overwrite
        Whether files that are there may be replaced.
    pdf
        Whether to print it, too, on A4 into a file of the same name that ends in ``.pdf``, with an installed Chromium.
    progress
        Called with the number of steps done and their total, once the plan is found.

    Raises
    ------
    Refused
        If the name ends otherwise, a file is there already, the plan is another season's or has other draws, what
        `plan_orders` refuses, or there is no Chromium to print with.
    OutOfReach
        If no plan keeps all limits or meets every number; nothing is written then.

    Notes
    -----
    The page runs no script and asks for nothing from outside; what stands in files is text on it. What if survival is
    lower is computed for the same orders in the same draws (`forecast.sensitivity.stress.poorer`).
    """
    file = Path(path)
    if file.suffix.lower() != ".html":
        raise refuse("path", str(path), "not the name of a page", "Let it end in .html.")
    printed = file.with_suffix(".pdf").name
    check_free([file.name, printed] if pdf else [file.name], file.parent, overwrite=overwrite)
    browser = _browser() if pdf else ""
    day = date.today() if on_date is None else read_day(on_date)
    if plan is None:
        plan = plan_orders(season, draws=draws, seed=seed, aim=aim_for(season))
    _refuse_other(plan, season, draws, seed)
    total = 1
    if plan.orders:
        total = 5 + len(season.place_names) + min(len(plan.outcome.varieties), _MOST_CHARTS)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress:
            progress(done, total)

    text = whole_page(f"{season.name}: what to order", _body(plan, step), _made(plan, day))
    texts: dict[str, str | bytes] = {file.name: text}
    if pdf:
        texts[printed] = _printed(text, browser)
    write_texts(texts, file.parent, overwrite=overwrite)


def _refuse_other(plan: Plan, season: Season, draws: int, seed: int) -> None:
    """Refuse a plan that is not of this season and these draws."""
    faults = []
    if plan.season is not season and plan.season != season:
        faults.append(Fault("found for another season", "Give the season of the plan.", "plan"))
    for name, given, own in (("draws", draws, plan.draws), ("seed", seed, plan.seed)):
        if given != own:
            faults.append(Fault("not that of the plan", f"Give {own}.", column=name, value=given))
    if faults:
        raise Refused(faults)


def _body(plan: Plan, step: _Steps) -> Iterator[str]:
    """Return the parts of the page."""
    if not plan.orders:
        yield tagged("p", "Nothing is worth ordering.")
        yield bullets(f"{variety}: {why}." for variety, why in plan.left_out().items())
        step()
    else:
        yield from _ordered(Told(plan), step)
    yield from _assumed(plan)
    yield tagged("h2", "Please note")
    yield bullets(CAUTIONS)


def _ordered(told: Told, step: _Steps) -> Iterator[str]:
    plan, currency = told.plan, told.plan.season.currency
    yield tagged(
        "p", f"Chances are shares of {plan.draws:,} simulated seasons under the survivals and times stated below."
    )
    yield answered(told.questions)
    step()
    caption = (
        f"Orders by delivery. Price in {currency}, without freight. A delivery comes in its week, here with its Monday."
    )
    yield tabled(told.deliveries(), caption, numbers=("plantlets", f"price, {currency}"), short=("delivery", "lab"))
    if left := plan.left_out():
        yield bullets(f"Nothing of {variety}: {why}." for variety, why in left.items())
    yield tagged("h2", "How sure, and by when")
    caption = (
        "Each number wanted. There then: plants on hand in that week, the middle and nine seasons in ten. Ready: nine "
        "in ten of the plants that become saleable are, in half of the seasons; late: in all but one of twenty."
    )
    short = ("wanted by", "there then", "ready", "ready late")
    yield tabled(told.varieties(), caption, numbers=("target",), short=short)
    yield from _charts(told, step)
    yield tagged("h2", "How good is this plan?")
    yield from _proof(plan, earns=told.earns)
    step()
    yield from _limits(plan)
    yield from _alternatives(plan)


def _charts(told: Told, step: _Steps) -> Iterator[str]:
    from forecast.charts import base as charts  # noqa: PLC0415 (charts take a second to import)
    from forecast.charts import cash as graphs  # noqa: PLC0415

    plan, outcome, space = told.plan, told.plan.outcome, told.space
    yield tagged("h2", "What comes when")
    sent = plan.table().groupby(["lab", "week"])["quantity"].sum()
    lab, week = sent.index[int(sent.argmax())]
    said = f"Most comes from {lab} in {week}: {sent.max():,} of {sent.sum():,} plantlets."
    yield figure(graphs.order_chart(plan), said)
    step()
    yield tagged("h2", "Money")
    yield figure(graphs.cash_chart(told.flow), _back(told) if told.earns else "What is paid; no sale is counted.")
    step()
    if told.earns:
        flows = _flows(told)
        mine, *others = ((name, float(flow.margin.mean())) for name, flow in flows.items())
        less = [f"{money(mine[1] - margin, plan.season.currency)} more than {name}" for name, margin in others]
        said = f"On average this order earns {' and '.join(less)}; these look at neither budget nor benches."
        yield figure(graphs.margin_chart(flows), said if less else "What this order earns, season by season.")
    step()
    yield tagged("h2", "What comes of each variety")
    target = outcome.targets().groupby("variety")["chance"].min().sort_values(kind="stable")
    names = [*target.index, *(name for name in outcome.varieties if name not in target.index)]
    if len(names) > _MOST_CHARTS:
        yield tagged("p", f"The {_MOST_CHARTS} least sure of {len(names)} varieties; the table above has all.")
    said = "Saleable plants on hand: the line is the middle, the band nine seasons in ten."
    yield tagged("p", f"{said} A diamond is what is wanted, and sold then.")
    yield '<div class="pairs">'
    for name in names[:_MOST_CHARTS]:
        chance = f"In the week that is least sure they suffice in {seasons(target[name])}."
        chart = charts.saleable(outcome, name).properties(title=name, **_SMALL)
        yield figure(chart, chance if name in target.index else "None is wanted.")
        step()
    yield "</div>"
    yield tagged("h2", "Benches")
    yield tagged(
        "p", "Area that plants stand on: the middle and nine seasons in ten. The dashed line is what there is."
    )
    yield '<div class="pairs">'
    for place in plan.season.place_names:
        yield figure(charts.bench(space, place).properties(title=place, **_SMALL), space.sentence(place))
        step()
    yield "</div>"


def _back(told: Told) -> str:
    """Say from which week on more has come in than gone out."""
    weekly = told.flow.weekly
    below = weekly.index[weekly["median"] < 0]
    if not len(below):
        return "In half of the seasons or more, never has more gone out than come in."
    if below[-1] == weekly.index[-1]:
        return "In half of the seasons or more, less comes in than goes out."
    back = weekly["week"][below[-1] + 1]
    return f"In half of the seasons or more, all that was paid is earned back by the end of {back}."


def _flows(told: Told) -> dict[str, CashFlow]:
    """Return what the order earns, and what two simple rules would; a rule that finds nothing to order is left out."""
    plan = told.plan
    season, draws, seed = plan.season, plan.draws, plan.seed
    found = {"this order": told.flow}
    for name, overage in (("ordering from the mean", None), ("ordering a fifth more than wanted", _OVERAGE)):
        if orders := simple_orders(season, overage=overage, draws=draws, seed=seed):
            found[name] = cash_flow(simulate(season, orders, draws=draws, seed=seed))
    return found


def _proof(plan: Plan, *, earns: bool) -> Iterator[str]:
    better = f"by more than {math.ceil(1000 * max(plan.gap, 0) - 1e-6) / 10:g} %" if plan.gap > 1e-6 else "at all"
    cheaper = "earns more" if plan.aim == "margin" else "costs less"
    yield tagged("p", f"In the draws it was found with, no other plan {cheaper} {better}.")
    if earns:
        fresh = plan.certificate(draws=plan.draws, seed=plan.seed + 1, searches=0)
        yield tagged("p", f"{str(fresh).splitlines()[0]} These had no part in finding it.")


def _limits(plan: Plan) -> Iterator[str]:
    """Say what is scarce."""
    limits = plan.limits()
    yield tagged("h3", "What is scarce")
    if limits.empty:
        yield tagged("p", "Neither a budget nor a place is stated.")
        return
    verb = "earn" if plan.aim == "margin" else "save"
    rows = []
    for row in limits.to_dict("records"):
        unit = plan.season.currency if row["limit"] in ("budget", "bad years") else "m²"
        worth = (
            f"{row['shadow_price']:,.2f} {plan.season.currency}" if row["shadow_price"] > 0 else "nothing: not scarce"
        )
        rows.append((row["limit"], row["week"], f"{row['used']:,.0f} {unit}", f"{row['available']:,.0f} {unit}", worth))
    columns = ["limit", "fullest in", "used", "there is", f"one more would {verb}"]
    caption = "Limits. Of a place, the mean over the tenth of seasons in which it is fullest."
    yield tabled(pd.DataFrame(rows, columns=columns), caption, numbers=("used", "there is"))


def _alternatives(plan: Plan) -> Iterator[str]:
    """Say what else would be nearly as good."""
    others = plan.alternatives()
    others = others[others["fits"]].head(_MOST_OTHERS)
    if others.empty:
        return
    yield tagged("h3", "Nearly as good")
    word = "less earned" if plan.aim == "margin" else "more spent"
    cells = [
        (row.variety, f"{row.quantity:,} from {row.lab} for {row.week}", row.instead, f"{row.loss:,.0f}")
        for row in others.itertuples()
    ]
    caption = f"The {len(cells)} changes of one order that cost least, in {plan.season.currency} on average."
    yield tabled(pd.DataFrame(cells, columns=["variety", "order", "instead", word]), caption, numbers=(word,))


def _assumed(plan: Plan) -> Iterator[str]:
    """Say what it rests on, and from where that is."""
    season = plan.season
    yield tagged("h2", "What it rests on")
    budget = "no budget" if season.budget is None else f"a budget of {rounded(season.budget)} {season.currency}"
    yield bullets(
        [
            "A chance is a share of simulated seasons under the rates below; it is as good as they are.",
            f"Prices, numbers wanted, costs, minutes, places and {budget} are as the season states them.",
            "What is wanted in a week is sold in it, the oldest plants first. Of what is left, as many plants as are "
            "wanted in all are sold marked down, if there is a price for it; the rest earns nothing.",
            "Weather is drawn from usual temperatures; it forecasts no real week."
            if season.climate
            else "No climate is stated: plants take the same time whatever the weather.",
        ]
    )
    table = assumptions(plan, season)
    parts = table["what"].str.rsplit(": ", n=1)
    table = table.assign(stage=parts.str[0], kind=parts.str[-1])
    table = table[table["kind"].isin(_RESTS_ON) & ~table["stage"].isin(_OTHER_ROUTES)]
    for about, rows in table.groupby("about", sort=False):
        yield tagged("h3", str(about))
        yield bullets(_assumption(str(stage), group) for stage, group in rows.groupby("stage", sort=False))


def _assumption(stage: str, rows: pd.DataFrame) -> str:
    """Say what is assumed of a stage, whether that was stated or learned, and from where it is."""
    told = ". ".join(
        row["assumed"] if row["kind"] == stage else f"{row['kind']}: {row['assumed']}"
        for row in rows.to_dict("records")
    )
    on = ", ".join(dict.fromkeys(rows["rests_on"]))
    return f"{stage}. {told}. Rests on: {on}. Source: {'; '.join(dict.fromkeys(rows['source']))}."


def _made(plan: Plan, day: date) -> str:
    """Say how the page can be made again."""
    return (
        f"Made by forecast {version('forecast')} on {day.isoformat()}: {plan.draws:,} draws, seed {plan.seed}, aim "
        f"{plan.aim}. The same season, draws, seed and aim give the same page, unless the search runs out of time."
    )


def _browser() -> str:
    """Return the program that prints, or refuse to print."""
    for name in _BROWSERS:
        if found := shutil.which(name):
            return found
    remedy = "Install Chromium, or open the page in any browser and print it from there."
    raise refuse("pdf", None, f"none of {', '.join(_BROWSERS)} is installed", remedy)


def _printed(text: str, browser: str) -> bytes:
    """Return a page as it is printed on A4."""
    try:
        return _printed_in(text, browser)
    except (OSError, subprocess.TimeoutExpired) as error:
        remedy = "Open the page in any browser and print it from there."
        raise refuse("pdf", browser, "could not print the page", remedy) from error


def _printed_in(text: str, browser: str) -> bytes:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        source, target = Path(folder, "page.html"), Path(folder, "page.pdf")
        source.write_text(text.replace("<style>", "<style>@page { size: A4; }", 1), encoding="utf-8")
        command = [browser, "--headless", "--disable-gpu", "--no-first-run"]
        command += [
            f"--user-data-dir={Path(folder, 'profile')}",
            "--disable-background-networking",
            "--host-resolver-rules=MAP * ~NOTFOUND",
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.append("--no-sandbox")  # Chromium does not start for root with it
        command += ["--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri()]
        subprocess.run(command, capture_output=True, check=False, timeout=_SECONDS)
        return target.read_bytes()
