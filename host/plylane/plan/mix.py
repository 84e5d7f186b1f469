"""How many strips reach over how many gaps, and how wide gaps are, for the least strip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array

from plylane.plan.strips import Floats

KINDS, WIDTHS = 125, 40
"""Lengths of strip and widths of gap that are told apart at most: some hundredths of a second."""
FEASIBLE = 0  # scipy.optimize.linprog

Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Mix:
    """Strips by the number of gaps that they are to reach over, and the gaps along the cord.

    `by_span` has the lengths for each number of gaps, rising; `gaps_mm` never falls.
    """

    by_span: dict[int, list[float]]
    gaps_mm: Floats


def least_mix(
    lengths_mm: Sequence[float], lanes: int, narrowest_mm: float, cord_mm: float, longer: float
) -> Mix | None:
    """The mix that covers so much of the cord in every lane with the least strip; None for none.

    A linear program, our own. With each gap one strip begins, so strips reach over as many gaps as
    there are lanes on average: at every width of gap, since those of one width lie side by side.
    Where gaps are p wide, `narrowest_mm` at least, a strip for k of them is at least `longer` times
    k p long. A kind of strips counts as long as its shortest one. As many strips are named as gaps,
    or some less where rounding has it.
    """
    lengths = np.sort(np.asarray(lengths_mm, dtype=float))
    kinds = np.array_split(lengths, min(KINDS, len(lengths)))
    widest = max(float(lengths[-1]) / lanes / longer, narrowest_mm)
    widths = np.unique(np.linspace(narrowest_mm, widest, WIDTHS))
    kind, width, span = _uses(np.array([one[0] for one in kinds]), widths * longer)
    if not len(kind):
        return None
    each = np.arange(len(kind))
    at_hand = coo_array((np.ones(len(each)), (kind, each)), shape=(len(kinds), len(each)))
    rows = np.concatenate([width, np.full(len(each), len(widths))])
    values = np.concatenate([span - float(lanes), widths[width]])
    balance_and_cord = coo_array(
        (values, (rows, np.tile(each, 2))), shape=(len(widths) + 1, len(each))
    )
    found = linprog(
        np.array([float(np.mean(one)) for one in kinds])[kind],
        A_ub=at_hand.tocsr(),
        b_ub=[len(one) for one in kinds],
        A_eq=balance_and_cord.tocsr(),
        b_eq=[0.0] * len(widths) + [cord_mm],
    )
    if found.status != FEASIBLE:
        return None
    amounts = np.zeros((int(span.max()) + 1, len(kinds)))
    np.add.at(amounts, (span, kind), found.x)
    gaps = np.zeros(len(widths))
    np.add.at(gaps, width, found.x)
    return Mix(_shared(kinds, amounts), _widening(widths, gaps, cord_mm))


def _uses(shortest: Floats, needed: Floats) -> tuple[Whole, Whole, Whole]:
    """Kind, width and number of gaps: of as many as strips reach over, and of one less."""
    most = np.floor(shortest[:, None] / needed + 1e-9).astype(np.int64)
    found = [(*np.nonzero(span > 0), span[span > 0]) for span in (most, most - 1)]
    kind, width, span = (np.concatenate(column) for column in zip(*found, strict=True))
    return kind, width, span


def _shared(kinds: Sequence[Floats], amounts: Floats) -> dict[int, list[float]]:
    """Whole strips for each number of gaps; what rounding leaves goes on to the next kind."""
    by_span: dict[int, list[float]] = {
        int(span): [] for span in np.flatnonzero(amounts.any(axis=1))
    }
    owed = dict.fromkeys(by_span, 0.0)
    for number, kind in enumerate(kinds):
        for span in by_span:
            owed[span] += amounts[span, number]
        for length in kind[::-1]:
            here = [span for span in by_span if amounts[span, number] > 0.0]
            span = max(here, key=lambda one: owed[one], default=0)
            if not here or owed[span] <= 0.5:
                break
            by_span[span].append(float(length))
            owed[span] -= 1.0
    return {span: sorted(lengths) for span, lengths in by_span.items()}


def _widening(widths: Floats, gaps: Floats, cord_mm: float) -> Floats:
    """Whole numbers of gaps of each width, all but the narrowest stretched to the cord.

    Narrowest ones alone may come out longer, by less than one of them.
    """
    ends = np.cumsum(gaps)
    number = ceil(float(ends[-1]) - 1e-6)
    middles = np.arange(number) + 0.5 * (float(ends[-1]) - number + 1.0)
    more = widths[np.minimum(np.searchsorted(ends, middles), len(widths) - 1)] - widths[0]
    left_mm = max(0.0, cord_mm - number * float(widths[0]))
    wider = more * (left_mm / np.sum(more)) if np.any(more) else np.full(number, left_mm / number)
    return np.asarray(widths[0] + wider)
