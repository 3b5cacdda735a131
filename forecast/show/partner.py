"""The whole order on one page for a partner: what to order, its cost, how sure it is, and what it rests on."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.errors import Fault, Refused, refuse
from forecast.executors import Progress
from forecast.files_out import check_free, write_texts
from forecast.growth.simulation import simulate
from forecast.ordering.baselines import simple_orders
from forecast.ordering.shipments import placed
from forecast.planning.plan import Plan
from forecast.planning.whole_order import aim_for, plan_orders
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.season.season import Season
from forecast.show.page import Figure, Table, figure, rendered
from forecast.show.partner_summary import Summary
from forecast.show.plan_workbook import assumptions
from forecast.streams import PLANNING_DRAWS
from forecast.weeks import read_day
from forecast.words import partner as words
from forecast.words.numbers import counted, money
from forecast.words.orders import BACK, CERTAINTY, TARGETS, no_other, not_ordered
from forecast.words.resources import AMPLE

_MOST_CHARTS = 12  # of varieties
_MOST_OTHERS = 5
_SMALL = {"width": 280, "height": 170}  # of a chart, two to a row [pixels]
_OVERAGE = 0.2
_RESTS_ON = ("survival", "time", "cold", "heat", "weather")
_OTHER_ROUTES = ("culture", "division")  # which a plan does not order
_BROWSERS = ("chromium", "chromium-browser", "google-chrome")
_SECONDS = 120  # for printing
_Step = Callable[[], None]


def report(
    season: Season,
    path: str | os.PathLike[str],
    *,
    draws: int | None = None,
    seed: int | None = None,
    plan: Plan | None = None,
    on_date: date | str | None = None,
    overwrite: bool = False,
    pdf: bool = False,
    progress: Progress | None = None,
) -> None:
    """Write the whole order as one page for a partner: HTML that needs nothing else, to open, print or send.

    Parameters
    ----------
    season
        The season.
    path
        The file; its name ends in ``.html``.
    draws, seed
        Number of simulated seasons and their seed: those of the plan; without a plan 1,024, and that of the season.
    plan
        The order plan of this season, from `plan_orders`. Without it the plan is found first: for the greatest margin,
        or, if a variety with a target has no sale price, for the least cost.
    on_date
        Day written on the page; today if not given.
    overwrite
        Whether existing files may be replaced.
    pdf
        Whether to print it, too, on A4 into a file of the same name that ends in ``.pdf``, with an installed Chromium.
    progress
        Called with the number of steps done and their total, once the plan is found.

    Raises
    ------
    Refused
        If the name ends otherwise, a file exists, the plan is another season's or has other draws, what `plan_orders`
        refuses, or there is no Chromium to print with.
    OutOfReach
        If no plan keeps all limits or meets every target; nothing is written then.

    Notes
    -----
    The page runs no script and loads nothing from outside; whatever files hold is text on it. What lower survival would
    do is computed for the same orders in the same draws (`forecast.sensitivity.stress.poorer`).
    """
    file = check_page(path, overwrite=overwrite, pdf=pdf)
    printed = file.with_suffix(".pdf").name
    browser = _browser() if pdf else ""
    day = date.today() if on_date is None else read_day(on_date)
    if plan is None:
        draws, seed = PLANNING_DRAWS if draws is None else draws, season.seed if seed is None else seed
        plan = plan_orders(season, draws=draws, seed=seed, aim=aim_for(season))
    _refuse_other(plan, season, draws, seed)
    total = 1
    if plan.orders:
        total = 5 + len(season.place_names) + min(len(plan.simulate().varieties), _MOST_CHARTS)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress:
            progress(done, total)

    text = rendered(**_values(plan, day, step))
    texts: dict[str, str | bytes] = {file.name: text}
    if pdf:
        texts[printed] = _printed(text, browser)
    write_texts(texts, file.parent, overwrite=overwrite)


def check_page(path: str | os.PathLike[str], *, overwrite: bool, pdf: bool) -> Path:
    """Return the file of a page, or refuse, before any work is done, what cannot be written."""
    file = Path(path)
    if file.suffix.lower() != ".html":
        raise refuse("path", str(path), "not the name of a page", "Let it end in .html.")
    names = [file.name, file.with_suffix(".pdf").name] if pdf else [file.name]
    check_free(names, file.parent, overwrite=overwrite)
    return file


def _refuse_other(plan: Plan, season: Season, draws: int | None, seed: int | None) -> None:
    """Refuse a plan that is not of this season and these draws."""
    faults = []
    if plan.season is not season and plan.season != season:
        faults.append(Fault("found for another season", "Give the season of the plan.", "plan"))
    for name, given, own in (("draws", draws, plan.draws), ("seed", seed, plan.seed)):
        if given is not None and given != own:
            faults.append(Fault("not that of the plan", f"Give {own}.", column=name, value=given))
    if faults:
        raise Refused(faults)


def _values(plan: Plan, day: date, step: _Step) -> dict[str, Any]:
    """Return what the page holds, by the names of its template."""
    season = plan.season
    values = {
        "title": words.TITLE.format(season=season.name),
        "ordered": _ordered(Summary(plan), step) if plan.orders else None,
        "nothing": " ".join(filter(None, [words.NOTHING_ORDERED, plan.in_any_case])),
        "left_out": [not_ordered(variety, why, there=why.there) for variety, why in plan.left_out().items()],
        "headings": words.HEADINGS,
        "no_limits": words.NO_LIMITS,
        "based_on": _based_on(season),
        "assumptions": list(_assumed(plan)),
        "cautions": words.CAUTIONS,
        "made": words.made(version=version("forecast"), on=day, draws=plan.draws, seed=plan.seed, aim=plan.aim),
    }
    if not plan.orders:
        step()
    return values


def _based_on(season: Season) -> list[str]:
    targets = season.targets
    return words.based_on(
        budget=season.budget, currency=season.currency, climate=bool(season.climate),
        weeks=any(row.last != row.week for row in targets), promised=any(row.promised for row in targets),
        shared=len(targets) > len(season.targeted), outlets=any(row.outlet is not None for row in season.varieties),
    )  # fmt: skip


def _ordered(summary: Summary, step: _Step) -> dict[str, Any]:
    plan, currency = summary.plan, summary.plan.season.currency
    answers = summary.answers()
    step()
    deliveries, caption = summary.deliveries(), words.DELIVERIES.format(currency=currency)
    values = {
        "note": words.CHANCES.format(seasons=counted(plan.draws, "simulated season")),
        "answers": answers,
        "deliveries": Table(deliveries, caption, words.delivery_columns(currency)[3:], ("delivery", "lab")),
        "targets": _targets(summary),
        **_charts(summary, step),
        "proof": _proof(plan, earns=summary.earns),
        "limits": _limits(plan),
        "others": _alternatives(plan),
    }
    step()
    return values


def _targets(summary: Summary) -> Table:
    table, back = summary.targets(), BACK if summary.earns else ""
    certainty = CERTAINTY.format(back=back) if TARGETS["more"] in table else ""
    caption = " ".join(words.TARGETS.format(certainty=certainty).split())
    return Table(table, caption, (TARGETS["target"], TARGETS["short"]), (TARGETS["met"], *words.READY_COLUMNS))


def _charts(summary: Summary, step: _Step) -> dict[str, Any]:
    from forecast.charts import base, cash  # noqa: PLC0415 (charts take a second to import)

    def drawn(chart: Any, sentence: str) -> Figure:
        found = figure(chart, sentence)
        step()
        return found

    plan, outcome, space = summary.plan, summary.plan.simulate(), summary.space
    comes = drawn(cash.order_chart(plan), _largest(plan))
    money = [drawn(cash.cash_chart(summary.flow), _paid_back(summary) if summary.earns else words.PAYMENTS_ONLY)]
    if summary.earns:
        flows = _flows(summary)
        mine, *others = ((name, float(flow.margin.mean())) for name, flow in flows.items())
        more = {name: mine[1] - margin for name, margin in others}
        money.append(drawn(cash.margin_chart(flows), words.better_than(more, plan.season.currency)))
    else:
        step()
    chances = outcome.targets().groupby("variety")["chance"].min().sort_values(kind="stable")
    names = [*chances.index, *(name for name in outcome.varieties if name not in chances.index)]
    few = [words.LEAST_CERTAIN.format(shown=_MOST_CHARTS, of=len(names))] if len(names) > _MOST_CHARTS else []
    varieties = [
        drawn(
            base.saleable(outcome, name).properties(title=name, **_SMALL),
            words.tightest_chance(chances[name]) if name in chances.index else words.NO_TARGET,
        )
        for name in names[:_MOST_CHARTS]
    ]
    benches = [
        drawn(base.bench(space, place).properties(title=place, **_SMALL), space.sentence(place))
        for place in plan.season.place_names
    ]
    bars = words.BARS if any(row.last != row.week for row in plan.season.targets) else ""
    shown = {"notes": [*few, words.SALEABLE.format(weeks=bars)], "figures": varieties}
    return {"comes": comes, "money": money, "varieties": shown, "benches": {"note": words.AREA, "figures": benches}}


def _largest(plan: Plan) -> str:
    sent = plan.table().groupby(["lab", "week"])["quantity"].sum()
    lab, week = sent.index[int(sent.argmax())]
    return words.largest_delivery(lab=lab, week=week, plantlets=int(sent.max()), of=int(sent.sum()))


def _paid_back(summary: Summary) -> str:
    """Return from which week on more has come in than gone out."""
    weekly = summary.flow.table()
    below = weekly.index[weekly["median"] < (summary.flow.opening_cash or 0.0)]
    if not len(below):
        return words.paid_back(None)
    last = below[-1] == weekly.index[-1]
    return words.paid_back(None if last else weekly["week"][below[-1] + 1], ever=not last)


def _flows(summary: Summary) -> dict[str, CashFlow]:
    """Return what the order earns, and what two simple rules would; a rule that finds nothing to order is left out."""
    plan = summary.plan
    season, draws, seed = plan.season, plan.draws, plan.seed
    mine, by_average, more = words.RULES
    found = {mine: summary.flow}
    for name, overage in ((by_average, None), (more, _OVERAGE)):
        if orders := simple_orders(season, overage=overage, draws=draws, seed=seed):
            found[name] = cash_flow(simulate(season, (*placed(season), *orders), draws=draws, seed=seed))
    return found


def _proof(plan: Plan, *, earns: bool) -> list[str]:
    gap = words.SEARCHED.format(no_other=no_other(plan.aim, plan.gap, short=plan.weighs_shortage))
    if not earns:
        return [gap]
    fresh = plan.out_of_sample(draws=plan.draws, seed=plan.seed + 1, searches=0)
    return [gap, words.FRESH.format(first=str(fresh).splitlines()[0])]


def _limits(plan: Plan) -> Table | None:
    """Return the binding limits; None without a limit."""
    limits, currency = plan.limits(), plan.season.currency
    rows = []
    for row in limits.to_dict("records"):
        place = row["limit"] in plan.season.place_names
        if place and row["available"] > AMPLE * row["used"]:
            continue
        used = f"{row['used']:,.0f} m²" if place else money(row["used"], currency)
        available = f"{row['available']:,.0f} {'m²' if place else currency}"
        gap = plan.bound - plan.margin
        worth = words.unit_value(
            row["shadow_price"], error=row["error"], available=row["available"], gap=gap, currency=currency
        )
        rows.append((row["limit"], row["week"], used, available, worth))
    if not rows:
        return None
    return Table(pd.DataFrame(rows, columns=words.limit_columns(plan.aim)), words.LIMITS, ("used", "available"))


def _alternatives(plan: Plan) -> Table | None:
    """Return what would be nearly as good; None if nothing is."""
    others = plan.alternatives()
    others = others[others["fits"]].head(_MOST_OTHERS)
    if others.empty:
        return None
    columns = words.alternative_columns(plan.aim)
    cells = [
        (row["variety"], words.ORDER.format_map(row), row["instead"], words.loss(row["loss"], row["error"]))
        for row in others.to_dict("records")
    ]
    caption = words.ALTERNATIVES.format(number=len(cells), currency=plan.season.currency)
    return Table(pd.DataFrame(cells, columns=columns), caption, columns[3:])


def _assumed(plan: Plan) -> Iterator[tuple[str, list[str]]]:
    """Return what is assumed of each crop, variety and place, and its source."""
    table = assumptions(plan, plan.season)
    parts = table["what"].str.rsplit(": ", n=1)
    table = table.assign(stage=parts.str[0], kind=parts.str[-1])
    table = table[table["kind"].isin(_RESTS_ON) & ~table["stage"].isin(_OTHER_ROUTES)]
    for about, rows in table.groupby("about", sort=False):
        yield str(about), [_assumption(str(stage), group) for stage, group in rows.groupby("stage", sort=False)]


def _assumption(stage: str, rows: pd.DataFrame) -> str:
    assumed = [
        row["assumed"] if row["kind"] == stage else f"{row['kind']}: {row['assumed']}"
        for row in rows.to_dict("records")
    ]
    on, sources = (list(dict.fromkeys(rows[name])) for name in ("based_on", "source"))
    return words.assumption(stage=stage, assumed=assumed, on=on, sources=sources)


def _browser() -> str:
    """Return the program that prints, or refuse to print."""
    for name in _BROWSERS:
        if found := shutil.which(name):
            return found
    remedy = "Install Chromium, or open the page in any browser and print it from there."
    raise refuse("pdf", None, f"none of {', '.join(_BROWSERS)} is installed", remedy)


def _printed(text: str, browser: str) -> bytes:
    """Return a page as it is printed on A4."""
    command = [browser, "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
    command += ["--host-resolver-rules=MAP * ~NOTFOUND", "--no-pdf-header-footer"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--no-sandbox")  # Chromium does not start for root with it
    try:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
            source, target = Path(folder, "page.html"), Path(folder, "page.pdf")
            source.write_text(text.replace("<style>", "<style>@page { size: A4; }", 1), encoding="utf-8")
            command += [f"--user-data-dir={Path(folder, 'profile')}", f"--print-to-pdf={target}", source.as_uri()]
            subprocess.run(command, capture_output=True, check=False, timeout=_SECONDS)
            return target.read_bytes()
    except (OSError, subprocess.TimeoutExpired) as error:
        remedy = "Open the page in any browser and print it from there."
        raise refuse("pdf", browser, "could not print the page", remedy) from error
