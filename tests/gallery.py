"""The charts of the README, drawn from the demo: ``python tests/gallery.py`` writes them anew."""

from pathlib import Path

import vl_convert

import forecast
from forecast import charts

ROOT = Path(__file__).parents[1]
GALLERY = ROOT / "notebooks" / "gallery"
HOSTA = "Hosta 'Orrinfall'"
DRAWS = {"draws": 256, "seed": 1}
PLAIN = {"aria": False, "background": "white", "view": {"continuousWidth": 300, "continuousHeight": 300}}


def gallery():
    """Return each chart's SVG by its name."""
    season = forecast.read_season(ROOT / "demo_data")
    order, plan = forecast.size_order(season, HOSTA, **DRAWS), forecast.plan_orders(season, **DRAWS)
    outcome = plan.simulate()
    shown = {
        "order": charts.order_curve(order),
        "benches": charts.space_map(forecast.bench_space(outcome)),
        "cash": charts.cash_chart(plan.cash_flow()),
        "drivers": charts.tornado_chart(forecast.what_drives(season, HOSTA, orders=order, answer="chance", **DRAWS)),
    }
    return {name: vl_convert.vegalite_to_svg({**chart.to_dict(), "config": PLAIN}) for name, chart in shown.items()}


if __name__ == "__main__":
    for name, drawing in gallery().items():
        (GALLERY / f"{name}.svg").write_text(drawing, encoding="utf-8")
