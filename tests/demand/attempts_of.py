"""Attempts of one airway, its frailty mixed in: from the same table that scenarios are drawn from."""

import numpy as np

from kitplan.demand.resecure import attempt_table, frailty_nodes, present_count_pmf, renewal_count_pmf


def settled_counts(hazard, n_checks):
    """PMFs of renewals over 0, 1, ... n_checks of an airway long in place, (n_checks + 1, n_checks + 1)."""
    found = present_count_pmf(hazard, n_checks, renewal_count_pmf(hazard, n_checks), slice(-1, None))[0]
    return np.pad(found, [(0, 0), (0, n_checks + 1 - found.shape[1])])


def attempts_pmf(unit, stratum, n_checks, fresh):
    """PMF of attempts over n_checks. fresh: it arrives at the start (admission secures included); else it is there."""
    row = unit.frequency.loc[stratum]
    points = frailty_nodes(float(row["airway_spread"]), unit.planning.frailty_nodes)
    table = attempt_table(row, unit.checks_per_day, n_checks, n_checks, *points)
    return table.weights @ (table.fresh if fresh else table.stationary)[:, n_checks, :]
