"""Whole numbers divided, shared out and rounded, so that what is published adds up."""

import numpy as np

from pipeline.physics import Floats, Whole

SHARE = 10**12
"""A share such as VAT is counted in so small parts that the workbook's floats come out alike."""


def nearest(number: Floats) -> Whole:
    """The nearest whole number, halves up as spreadsheets have it: of fifteen digits kept."""
    return np.floor(number * (1.0 + 2e-15) + 0.5).astype(np.int64)


def divided(number: Whole, by: int | Whole) -> Whole:
    """Whole number divided and rounded, halves up. number from 0 up."""
    return np.asarray((2 * number + by) // (2 * by))


def part_of(pence: Whole, share: Whole) -> Whole:
    """A share of an amount, to the penny; in whole numbers of any size."""
    return divided(pence.astype(object) * share, SHARE).astype(np.int64)


def shares(amount: Whole, weight: Whole, group: Whole) -> Whole:
    """Amounts of groups shared among their members by weight, in whole pence, nothing lost.

    amount: [group]; weight, group: [member], members of a group side by side. The running total
    is rounded, not the member, so that the shares of a group add up to its amount exactly.
    """
    running = np.cumsum(weight)
    last = np.flatnonzero(np.diff(group, append=-1))
    before = np.concatenate([[0], running[last][:-1]])
    place = np.searchsorted(group[last], group)
    whole = running[last] - before
    part = running - before[place]
    product = amount[place].astype(object) * part  # may pass 64 bits in a lot of ten thousand
    upto = divided(product, np.maximum(whole[place], 1)).astype(np.int64)
    starts = np.diff(group, prepend=-1) != 0
    return np.asarray(upto - np.where(starts, 0, np.roll(upto, 1)))
