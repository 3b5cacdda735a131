"""What an outcome says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from forecast.words.numbers import dated, rounded, seasons


def targets_met(rows: Iterable[Mapping[Any, Any]]) -> str:
    """Say what comes of targets, each with its variety, week, target, p5, median, p95 and chance."""
    return "\n".join(map(_target_met, rows)) or "No variety with a target is ordered."


def _target_met(row: Mapping[Any, Any]) -> str:
    low, median, high = (rounded(row[name]) for name in ("p5", "median", "p95"))
    return (
        f"{row['variety']}: about {median} plants (90 % range {low} to {high}) on hand on {dated(row['week'])}. "
        f"The target of {row['target']:,} is met in {seasons(row['chance'])}."
    )
