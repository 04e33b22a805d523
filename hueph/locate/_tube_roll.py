"""By how much a camera was rolled: the direction most edges of a picture run along or across.

Walls, level lines, the shelf and the sides of a card run along or across one direction, that of
gravity. The gradient of an edge points across it, at some angle to the axes. Four times that angle
(the argument of the fourth power of the gradient as a complex number) is the same for edges along
and across, whatever is the lighter side, so these add up while other directions cancel: a quarter
of the angle of the sum is the roll, known up to quarter turns. Multiplying angles by the order of
a symmetry is the standard way to average such directions (Fisher, Statistical Analysis of Circular
Data, 1993, section 2.3.2; quoted from memory).
"""

from __future__ import annotations

import cv2
import numpy as np

from hueph._types import UInt8Array

__all__ = ["estimate_roll"]

# Gradients that count are this much longer than the mean one.
LONG_GRADIENT = 3.0
# Share of agreement (1: all edges along or across one direction) below which there is no direction.
LEAST_AGREEMENT = 0.15


def estimate_roll(picture: UInt8Array) -> float:
    """Return the angle in degrees, clockwise, -45 to 45, by which what a picture shows is turned.

    Parameters
    ----------
    picture : array, shape (h, w, 3), uint8
        R, G, B code values; a small picture (some hundred pixels) will do.

    Returns
    -------
    float
        0.0 where edges run along no common direction.
    """
    right, down = cv2.spatialGradient(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    size = cv2.addWeighted(cv2.convertScaleAbs(right), 0.5, cv2.convertScaleAbs(down), 0.5, 0.0)
    counts = np.asarray(size) > LONG_GRADIENT * cv2.mean(size)[0]
    gradients = np.asarray(right)[counts] + 1j * np.asarray(down)[counts]
    if len(gradients) == 0:
        return 0.0
    lengths = np.abs(gradients)
    # the root of the length: a few strong edges do not outvote all others
    weights = np.sqrt(lengths)
    total = complex((weights * (gradients / lengths) ** 4).sum())
    if abs(total) < LEAST_AGREEMENT * float(weights.sum()):
        return 0.0
    return float(np.degrees(np.angle(total))) / 4
