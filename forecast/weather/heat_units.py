"""Thermal time: degree-days of a day, and the base temperature of a stage."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from forecast.errors import refuse
from forecast.streams import Array
from forecast.words import seasons as words
from forecast.words.numbers import figures

Method = Literal["sine", "triangle", "mean", "limited mean"]

_FLAT = 1e-12  # of the rates: a smaller rise is one of rounding
_NO_RANGE = 1e-150  # a daily range this small is none, and divides safely


def degree_days(
    t_min: ArrayLike,
    t_max: ArrayLike,
    *,
    base: ArrayLike,
    upper: ArrayLike | None,
    method: Method = "sine",
) -> Array:
    """Return the degree-days of a day between a base temperature and an upper threshold [°C days per day].

    The arrays [°C], of any shapes that go together, are minimum and maximum of the day, or their means over the days
    of a week; `base`, at and below which nothing develops; and `upper`, above which development is no faster, None if
    there is none. `Refused` if a number is missing or infinite, a maximum is below its minimum, or a threshold not
    above its base. The `method` is the model of the temperature of the day:

    ================ =====================================================================
    ``sine``         a sine from minimum to maximum and back
    ``triangle``     straight lines from minimum to maximum and back
    ``mean``         the mean of both, held between base and upper threshold
    ``limited mean`` the mean of both, each held between base and upper threshold before
    ================ =====================================================================

    Use the method by which base temperature and degree-days of the crop were found: those published
    for ornamentals mostly rest on ``mean``.

    Notes
    -----
    E(base) - E(upper), with E(c) the mean of max(T - c, 0) over the day. With m = (t_min + t_max) / 2 and
    w = (t_max - t_min) / 2 it is m - c for c below t_min, 0 for c above t_max, and between them

        sine        ((m - c) (pi/2 - a) + w cos a) / pi, with sin a = (c - m) / w
        triangle    (t_max - c)^2 / (4 w)

    This holds in all six positions of minimum and maximum about base and upper threshold. ``mean`` and ``limited
    mean`` are methods 1 and 2 of McMaster and Wilhelm; on a day that crosses the base alone ``mean``
    gives less than the others. The averages of a week give a little less than its days if some days
    crossed the base, and a little more if some crossed the upper threshold: at Clemson (1991-2020) and
    Seattle (2012-2015), with a threshold of 30, a year has 1 to 5 % less by weeks than by days for bases of
    5 to 15.

    References
    ----------
    Baskerville, G. L. and Emin, P. (1969). Rapid estimation of heat accumulation from maximum and
    minimum temperatures. Ecology 50, 514-517. doi:10.2307/1933912
    Zalom, F. G., Goodell, P. B., Wilson, L. T., Barnett, W. W. and Bentley, W. J. (1983). Degree-days:
    the calculation and use of heat units in pest management. Univ. Calif. DANR Leaflet 21373.
    McMaster, G. S. and Wilhelm, W. W. (1997). Growing degree-days: one equation, two interpretations.
    Agric. For. Meteorol. 87, 291-300. doi:10.1016/S0168-1923(97)00027-0

    Examples
    --------
    >>> degree_days([7, 15, 35], [14, 25, 40], base=12, upper=33).round(3).tolist()
    [0.468, 8.0, 21.0]
    """
    if method not in get_args(Method):
        raise refuse("method", method, "no such method", f"Give one of: {', '.join(get_args(Method))}.")
    t_min, t_max, base, upper = _checked(t_min, t_max, base, upper)
    mean = (t_min + t_max) / 2
    if method == "mean":
        found = np.clip(mean, base, upper) - base
    elif method == "limited mean":
        found = (np.clip(t_min, base, upper) + np.clip(t_max, base, upper)) / 2 - base
    else:
        above = _sine_above if method == "sine" else _triangle_above
        found = above(t_min, t_max, base) - np.where(t_max > upper, above(t_min, t_max, np.minimum(upper, t_max)), 0.0)
    return np.clip(found, 0.0, upper - base)


def _sine_above(t_min: Array, t_max: Array, threshold: Array) -> Array:
    above: Array = np.where(threshold < t_max, (t_min + t_max) / 2 - threshold, 0.0)
    crosses = (t_min < threshold) & (threshold < t_max)
    if crosses.any():
        mean, half, at = ((t_min + t_max) / 2)[crosses], ((t_max - t_min) / 2)[crosses], threshold[crosses]
        sine = np.clip((at - mean) / half, -1.0, 1.0)
        above[crosses] = ((mean - at) * np.arccos(sine) + half * np.sqrt((1 - sine) * (1 + sine))) / np.pi
    return above


def _triangle_above(t_min: Array, t_max: Array, threshold: Array) -> Array:
    side = np.clip(t_max - threshold, 0.0, t_max - t_min)
    above: Array = side * (side / np.maximum(t_max - t_min, _NO_RANGE)) / 2 + np.maximum(t_min - threshold, 0.0)
    return above


def _checked(t_min: ArrayLike, t_max: ArrayLike, base: ArrayLike, upper: ArrayLike | None) -> tuple[Array, ...]:
    values = {"t_min": t_min, "t_max": t_max, "base": base} | ({} if upper is None else {"upper": upper})
    found = {name: _numbers(name, value) for name, value in values.items()}
    try:
        arrays = np.broadcast_arrays(*found.values())
    except ValueError:
        shapes = ", ".join(f"{name} {value.shape}" for name, value in found.items())
        raise refuse("t_min", shapes, "shapes that do not go together", "Give as many minima as maxima.") from None
    t_min, t_max, base = arrays[:3]
    upper = np.full(t_min.shape, np.inf) if len(arrays) == 3 else arrays[3]
    if (wrong := t_max < t_min).any():
        remedy = "Give the minimum first, then the maximum."
        raise refuse(
            "t_max",
            f"{figures(t_max[wrong][0], 6)} with a minimum of {figures(t_min[wrong][0], 6)}",
            "below the minimum",
            remedy,
        )
    if (wrong := upper <= base).any():
        remedy = "Give an upper threshold above the base, or None if there is none."
        raise refuse(
            "upper",
            f"{figures(upper[wrong][0], 6)} with a base of {figures(base[wrong][0], 6)}",
            "not above the base",
            remedy,
        )
    return t_min, t_max, base, upper


def _numbers(name: str, values: ArrayLike) -> Array:
    """Return finite numbers as an array of floats, or refuse them by the name of their field."""
    try:
        found = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise refuse(name, str(values), "not numbers", "Give numbers.") from None
    if (wrong := ~np.isfinite(found)).any():
        more = f" and {wrong.sum() - 1:,} more" if wrong.sum() > 1 else ""
        raise refuse(name, f"{found[wrong][0]}{more}", "not a finite number", "Leave out days without a number.")
    return found


@dataclass(frozen=True)
class ThermalTime:
    """How much a stage takes in thermal time: base temperature [°C], and degree-days above it [°C days]."""

    base: float
    degree_days: float

    def __str__(self) -> str:
        return words.thermal_time(degree_days=self.degree_days, base=self.base)


def base_from_rates(temperatures: ArrayLike, rates: ArrayLike) -> ThermalTime:
    """Return the base temperature and the degree-days of a stage from its rates at several temperatures.

    At least two mean temperatures [°C] at which the stage was timed must differ; leave out those so cold that nothing
    developed or so warm that the rate no longer rose: no line holds there. A rate [stages per day] is one over the days
    that the stage took. `Refused` if one is negative, or rates do not rise with temperature. Warns if the base
    temperature comes out below 0 °C: few plants of a nursery grow there, and two temperatures far above the base say
    little about it.

    Notes
    -----
    Least squares of rate = a + b T; base = -a / b, degree-days = 1 / b.

    Examples
    --------
    >>> print(base_from_rates([15, 20, 25], [0.0592, 0.1166, 0.1740]))
    87.1 degree-days above 9.84 °C
    """
    at, rate = _numbers("temperatures", temperatures).ravel(), _numbers("rates", rates).ravel()
    if at.size != rate.size:
        raise refuse("rates", f"{rate.size} for {at.size} temperatures", "not as many", "Give one rate a temperature.")
    if np.unique(at).size < 2:
        raise refuse("temperatures", str(at.tolist()), "not two that differ", "Give rates at two temperatures or more.")
    if (rate < 0).any():
        raise refuse("rates", figures(rate.min(), 6), "a rate below 0", "Give one over the days that the stage took.")
    apart = at - at.mean()
    slope = float(apart @ rate / (apart @ apart))
    if not slope * float(np.ptp(at)) > _FLAT * float(rate.max()) or not math.isfinite(1 / slope):
        remedy = "Leave out temperatures so warm that the rate no longer rose."
        raise refuse("rates", f"{figures(slope)} a degree", "the rate does not rise with temperature", remedy)
    base = float(at.mean() - rate.mean() / slope)
    if base < 0:
        text = words.base_below_freezing(base=base, rates=at.size, coldest=at.min(), warmest=at.max())
        warnings.warn(text, stacklevel=2)
    return ThermalTime(base, 1 / slope)
