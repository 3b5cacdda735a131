"""Titles, captions and texts of charts, with what every reader sees in them."""

from __future__ import annotations

PANEL_PLANTS = (
    "Blue: median and 90 % range. Dotted: median of the base plan. Diamonds are targets; the plants are sold then."
)
PANEL_AREA = "Area of all plants. Dashed: area available."
