"""Periodic review played step by step: counts, whole-pack orders, lead time, lots with dates, back orders.

The arithmetic of a stock room and nothing else: it knows no unit, no airway and no planner. Quantities are
kept as running totals. With `issued` the total that has left (used, lost to its date) and `ordered` the total
ever ordered, a lot still holds max(0, its running total - issued): oldest lots are emptied first, and lots of
one item expire in the order in which they came, so oldest first is first-expired-first-out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

OPENING_LOTS = 12
"""Stock on the first day lies in this many equal lots, so that dates do not all fall on one day."""


@dataclass(frozen=True)
class ReviewRule:
    """Count every `review_steps`, order up to par in whole packs, received `lead_steps` later.

    pack: shape (n_items,), items in one unit of issue. shelf_life_steps: shape (n_items,), np.inf: no date.
    lost: True when demand that finds no stock goes elsewhere; False when it waits (a back order).
    """

    review_steps: int
    lead_steps: int
    pack: np.ndarray
    shelf_life_steps: np.ndarray
    lost: bool = False

    @property
    def interval_steps(self) -> int:
        """Review plus lead time: what a par level has to last."""
        return self.review_steps + self.lead_steps


class LedgerRun:
    """What happened, from the receipt that opens the first interval after the warm-up to the end of the last.

    Shapes: P plans, R replications, K intervals, I items.
    ready: bool (P, R, K), no item was short at any moment between two receipts.
    covered: bool (P, R, K), demand over the protection interval was no more than what was on the shelf and on order
        right after ordering, for every item: the planner's definition, blind to dates.
    short_intervals: int (P, R, I), intervals in which the item ran short. short_units: (P, R, I), units asked
        for when the shelf was empty. order_days: (P, R), counts at which something was ordered;
        order_lines: (P, R). expired: (P, R, I), units thrown away at their date.
    steps: steps counted.
    """

    def __init__(self, shape: tuple[int, int, int], review: int, begin: int, count: int, covered: np.ndarray) -> None:
        self.review, self.begin, self.steps, self.covered = review, begin, count * review, covered
        self.ready = np.empty((*shape[:2], count), dtype=bool)
        self._short = np.zeros(shape, dtype=bool)
        self.short_intervals, self.short_units, self.expired, self._held = (
            np.zeros(shape, dtype=np.int64) for _ in range(4)
        )
        self.order_days, self.order_lines = (np.zeros(shape[:2], dtype=np.int64) for _ in range(2))

    @property
    def mean_on_hand(self) -> np.ndarray:
        """Units on the shelf at the end of a step, float (P, R, I)."""
        return self._held / self.steps

    def note_step(self, step: int, net: np.ndarray, missing: np.ndarray, thrown: np.ndarray) -> None:
        """net: on hand less back orders at the end of the step. An item with net below 0 is short."""
        self._short |= (missing > 0) | (net < 0)
        self.short_units += missing
        self.expired += thrown
        self._held += np.maximum(net, 0)
        if (step + 1 - self.begin) % self.review == 0:
            self.ready[:, :, (step + 1 - self.begin) // self.review - 1] = ~self._short.any(axis=2)
            self.short_intervals += self._short
            self._short[:] = False


def order_packs(par: np.ndarray, on_hand: np.ndarray, on_order: np.ndarray, pack: np.ndarray) -> np.ndarray:
    """Return whole packs that bring on hand plus on order up to par or just above it, never negative.

    Common practice; with pack 1 it is the order-up-to rule par - on hand - on order (Management Sciences for
    Health, MDS-3, chapter 23, from memory).
    """
    missing = np.maximum(par - on_hand - on_order, 0)
    return -(-missing // pack)


class _Ledger:
    """Running totals of one play; arrays have shape (plans, replications, items).

    over: shape (replications, items), what the first day's stock and orders lie above par, as whole packs leave it.
    """

    def __init__(self, par: np.ndarray, over: np.ndarray, rule: ReviewRule, rate: np.ndarray) -> None:
        plans, items = par.shape
        replications = len(over)
        self.rule, self.par = rule, par[:, None, :].astype(np.int64)
        shape = (plans, replications, items)
        self.issued = np.zeros(shape, dtype=np.int64)
        self.ordered = np.where(self.par > 0, self.par + over[None], 0)
        self.received = self.ordered.copy()
        self.expired = np.zeros(shape, dtype=np.int64)
        self.coming: dict[int, np.ndarray] = {}
        self.dated: dict[int, list[tuple[np.ndarray, np.ndarray]]] = {}
        self._date_opening_stock(par, rate)

    def _date_opening_stock(self, par: np.ndarray, rate: np.ndarray) -> None:
        """Date the first day's stock as steady use under this par would: the oldest has lain par / rate steps."""
        life = self.rule.shelf_life_steps
        dated = np.isfinite(life)
        life = np.where(dated, life, 0.0)
        lain = np.minimum(par / np.maximum(rate, 1e-12), life)
        for lot in range(1, OPENING_LOTS + 1):
            left = life - lain * (1.0 - (lot - 0.5) / OPENING_LOTS)
            total = -(-self.ordered * lot // OPENING_LOTS)
            dates = np.where(dated, np.maximum(np.floor(left), 1), 0).astype(np.int64)
            for step in np.unique(dates[dates > 0]):
                self._note_date(int(step), total, (dates == step)[:, None, :])

    def _note_date(self, step: int, total: np.ndarray, which: np.ndarray) -> None:
        self.dated.setdefault(step, []).append((total, which))

    def receive(self, step: int) -> None:
        """Put on the shelf what was ordered one lead time ago; its date runs from today."""
        if step not in self.coming:
            return
        self.received = self.coming.pop(step)
        life = self.rule.shelf_life_steps
        for value in np.unique(life[np.isfinite(life)]):
            self._note_date(step + int(value), self.received, (life == value)[None, None, :])

    def discard(self, step: int) -> np.ndarray:
        """Throw away what reached its date today; returns units thrown away."""
        thrown = np.zeros_like(self.issued)
        for total, which in self.dated.pop(step, []):
            out = np.where(which, np.maximum(total - self.issued, 0), 0)
            self.issued += out
            thrown += out
        return thrown

    def order(self, step: int) -> np.ndarray:
        """Count and order; returns the packs ordered."""
        on_hand = self.received - self.issued
        packs = order_packs(self.par, on_hand, self.ordered - self.received, self.rule.pack)
        self.ordered = self.ordered + packs * self.rule.pack
        self.coming[step + self.rule.lead_steps] = self.ordered
        return packs

    def issue(self, wanted: np.ndarray) -> np.ndarray:
        """Hand out `wanted` (replications, items); returns the units that found the shelf empty."""
        on_hand = np.maximum(self.received - self.issued, 0)
        missing = np.maximum(wanted[None] - on_hand, 0)
        self.issued += wanted[None] - missing if self.rule.lost else wanted[None]
        return missing


def play_ledger(
    demand: np.ndarray, par: np.ndarray, rule: ReviewRule, warm_steps: int = 0, over: np.ndarray | None = None
) -> LedgerRun:
    """Play every par in `par` against the same demand and return what happened.

    demand: int (T, R, I), units asked for in each step. par: int (P, I), the level under which and up to which one
    orders, in whole packs. over: int (R, I), what lies above par on the first day (default: nothing).
    A step: receive, discard, count and order (on a review step), then issue. Statistics begin with the first
    interval whose receipt falls at or after warm_steps; T must hold at least one whole interval after that.
    Raises ValueError when it does not, or when a lead or review time is not a whole number of steps.
    """
    steps, replications, items = demand.shape
    review, lead = rule.review_steps, rule.lead_steps
    first, count = _counted_intervals(steps, rule, warm_steps)
    over = np.zeros((replications, items), dtype=np.int64) if over is None else over
    ledger = _Ledger(par, over, rule, demand.mean(axis=(0, 1)))
    begin = first * review + lead
    run = LedgerRun((par.shape[0], replications, items), review, begin, count,
                    within_position(demand, par, rule, warm_steps, over))
    for step in range(begin + run.steps):
        ledger.receive(step)
        thrown = ledger.discard(step)
        if step % review == 0:
            packs = ledger.order(step)
            ledger.receive(step)
            if step >= begin:
                run.order_days += (packs > 0).any(axis=2)
                run.order_lines += (packs > 0).sum(axis=2)
        missing = ledger.issue(demand[step])
        if step >= begin:
            run.note_step(step, ledger.received - ledger.issued, missing, thrown)
    return run


def _counted_intervals(steps: int, rule: ReviewRule, warm_steps: int) -> tuple[int, int]:
    """(number of the first review whose interval counts, how many count)."""
    review, lead = rule.review_steps, rule.lead_steps
    if review < 1 or lead < 0:
        raise ValueError("review must be at least one step and lead at least none")
    first = -(-max(warm_steps - lead, 0) // review)
    count = (steps - lead) // review - first
    if count < 1:
        raise ValueError("too few steps: no whole interval after the warm-up")
    return first, count


def within_position(
    demand: np.ndarray, par: np.ndarray, rule: ReviewRule, warm_steps: int, over: np.ndarray
) -> np.ndarray:
    """Return LedgerRun.covered alone, without playing the stock room; same arguments as `play_ledger`.

    Demand moves that position down and orders move it up by whole packs, so what lies above par right after a review
    is what lay above it at first, less demand so far, modulo the pack. Par 0 is not stocked: nothing is ever there.
    """
    first, count = _counted_intervals(len(demand), rule, warm_steps)
    total = np.zeros((demand.shape[0] + 1, *demand.shape[1:]), dtype=np.int64)
    np.cumsum(demand, axis=0, out=total[1:])
    starts = (first + np.arange(count)) * rule.review_steps
    window = total[starts + rule.interval_steps] - total[starts]
    above = np.mod(over[None] - total[starts], rule.pack)
    return np.stack([(window <= np.where(level > 0, level + above, 0)).all(axis=2).T for level in par])
