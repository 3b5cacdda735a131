"""Mixed-integer linear programs, solved by HiGHS.

Not by `scipy.optimize.milp`: the HiGHS within SciPy 1.17 writes to the console, and no option stops it.
"""

from __future__ import annotations

import math

import highspy
import numpy as np
from scipy import sparse

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

    Costs and most have shape (columns,), rows (rows, columns), and lower and upper (rows,), which may be infinite. The
    first columns, so many as there are integers, are whole numbers. The search stops after so many seconds, or once no
    solution can be better by more than the gap, a share. Returns x, None if there is no solution or none was found in
    time, and what no solution costs less than.

    References
    ----------
    Huangfu, Q. and Hall, J. A. J. (2018). Parallelizing the dual revised simplex method. Math. Program. Comput. 10,
    119-142. doi:10.1007/s12532-017-0130-5
    """
    matrix = sparse.csc_array(rows)
    program = highspy.HighsLp()
    program.num_col_, program.num_row_ = matrix.shape[1], matrix.shape[0]
    program.col_cost_, program.col_lower_, program.col_upper_ = cost, np.zeros(cost.size), most
    program.row_lower_, program.row_upper_ = lower, upper
    program.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    program.a_matrix_.start_ = matrix.indptr
    program.a_matrix_.index_ = matrix.indices
    program.a_matrix_.value_ = matrix.data
    kinds = highspy.HighsVarType
    program.integrality_ = [kinds.kInteger] * integers + [kinds.kContinuous] * (cost.size - integers)
    solver = highspy.Highs()  # type: ignore[no-untyped-call]  # its stub leaves the constructor open
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("time_limit", float(seconds))
    solver.setOptionValue("mip_rel_gap", float(gap))
    solver.passModel(program)
    solver.run()
    info = solver.getInfo()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return None, -math.inf
    return np.array(solver.getSolution().col_value), float(info.mip_dual_bound)
