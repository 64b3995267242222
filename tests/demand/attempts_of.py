"""Attempts of one airway, its frailty mixed in: from the same table that scenarios are drawn from."""

from kitplan.demand.resecure import attempt_table, frailty_nodes


def attempts_pmf(unit, stratum, n_checks, fresh):
    """PMF of attempts over n_checks. fresh: it arrives at the start (admission secures included); else it is there."""
    row = unit.frequency.loc[stratum]
    points = frailty_nodes(float(row["airway_spread"]), unit.planning.frailty_nodes)
    table = attempt_table(row, unit.checks_per_day, n_checks, n_checks, *points)
    return table.weights @ (table.fresh if fresh else table.stationary)[:, n_checks, :]
