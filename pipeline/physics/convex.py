"""Bounds on a convex function from its values at a few nodes."""

import numpy as np

from pipeline.physics import Floats


def bounds(nodes: Floats, values: Floats, at: Floats) -> tuple[Floats, Floats]:
    """Below and above a convex function at points between its first and last node.

    nodes, values: [function, node], nodes rising, three at least; at: [function, point]. A chord
    lies above a convex function between its two nodes and below it outside them. So of all
    chords drawn through, the highest at a point lies above the function and the second highest
    below it (Boyd and Vandenberghe, Convex Optimization, 2004, section 3.1.1).
    """
    slopes = np.diff(values) / np.diff(nodes)
    second = np.full(at.shape, -np.inf)
    highest = np.full(at.shape, -np.inf)
    for node, value, slope in zip(nodes.T, values.T, slopes.T, strict=False):
        chord = value[:, None] + slope[:, None] * (at - node[:, None])
        second = np.maximum(second, np.minimum(highest, chord))
        highest = np.maximum(highest, chord)
    return second, highest
