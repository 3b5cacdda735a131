"""Mixed-integer linear programs."""

from __future__ import annotations

import math

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from forecast.streams import Array


def solve(
    cost: Array,
    rows: Array,
    lower: Array,
    upper: Array,
    most: Array,
    *,
    integers: int,
    seconds: float = math.inf,
    gap: float = 0.0,
) -> tuple[Array | None, float]:
    """Find x >= 0 with the least cost @ x, lower <= rows @ x <= upper and x <= most.

    Parameters
    ----------
    cost, most
        Shape (columns,).
    rows
        Shape (rows, columns).
    lower, upper
        Shape (rows,); they may be infinite.
    integers
        How many of the first columns are whole numbers.
    seconds, gap
        When to stop: after so long, or once no solution can be better by more than this share.

    Returns
    -------
    array of shape (columns,), or None if there is no solution or none was found in time
    float
        What no solution costs less than.

    References
    ----------
    Huangfu, Q. and Hall, J. A. J. (2018). Parallelizing the dual revised simplex method. Math. Program. Comput. 10,
    119-142. doi:10.1007/s12532-017-0130-5
    """
    found = milp(
        cost,
        integrality=np.repeat([1, 0], [integers, cost.size - integers]),
        bounds=Bounds(0, most),
        constraints=LinearConstraint(sparse.csc_array(rows), lower, upper),
        options={"mip_rel_gap": gap, "time_limit": seconds},
    )
    return (None, -math.inf) if found.x is None else (found.x, float(found.mip_dual_bound))
