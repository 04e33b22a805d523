"""What is seen inside proposed patches of a chart, and what speaks for patches that are not seen."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from hueph._types import AnyArray, BoolArray, FloatArray
from hueph.charting.lattice import Arrangement
from hueph.charting.regions import noise_of

__all__ = ["Cells", "View", "inferred_score", "linear_to_lab"]

_WITH_PRINT = 10.0  # score of inferred patches with print beside them
_VISIBLE_STEP, _VISIBLE_SHARE = 0.25, 0.7  # CIEDE76 between touching patches, and how many must show one
_FAINT = 0.45  # CIEDE76 by which the mean of a pale patch must differ from the paper


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The picture in which patches are looked for; `sums` is its integral."""

    lab: AnyArray
    paper: FloatArray
    noise: float
    sums: AnyArray

    @classmethod
    def of(cls, lab: AnyArray, paper: FloatArray) -> View:
        return cls(lab, paper, noise_of(lab), cv2.integral(lab, sdepth=cv2.CV_64F))

    def means(self, boxes: FloatArray, x0: float, y0: float, x1: float, y1: float) -> FloatArray:
        """Mean colour of a part of each box, the part given in shares of the box, shape (n, 3)."""
        height, width = self.lab.shape[:2]
        size = boxes[:, 2:] - boxes[:, :2]
        low = np.floor(boxes[:, :2] + size * [x0, y0]).astype(int)
        high = np.maximum(np.ceil(boxes[:, :2] + size * [x1, y1]).astype(int), low + 1)
        a, b = np.clip(low[:, 0], 0, width - 1), np.clip(high[:, 0], 1, width)
        c, d = np.clip(low[:, 1], 0, height - 1), np.clip(high[:, 1], 1, height)
        b, d = np.maximum(b, a + 1), np.maximum(d, c + 1)
        total = self.sums[d, b] - self.sums[c, b] - self.sums[d, a] + self.sums[c, a]
        return np.asarray(total / ((b - a) * (d - c))[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """What is seen inside proposed patches.

    Attributes
    ----------
    colour : array, shape (n, 3)
        Median CIELAB of the inner part.
    uneven : array, shape (n,)
        Largest difference between opposite sides inside, CIEDE76.
    contrast : array, shape (n,)
        Distance from the paper, CIEDE76.
    cuts : array, shape (m,)
        Colour steps between patches that touch, CIEDE76.
    area : float
        Of all, pixels.
    noise : float
    """

    colour: FloatArray
    uneven: FloatArray
    contrast: FloatArray
    cuts: FloatArray
    area: float
    noise: float

    @classmethod
    def measured(cls, view: View, boxes: FloatArray) -> Cells:
        """Measure boxes in a picture."""
        colour = view.means(boxes, 0.15, 0.15, 0.85, 0.85)
        across = view.means(boxes, 0.1, 0.12, 0.28, 0.88) - view.means(boxes, 0.72, 0.12, 0.9, 0.88)
        down = view.means(boxes, 0.12, 0.1, 0.88, 0.28) - view.means(boxes, 0.12, 0.72, 0.88, 0.9)
        return cls(
            colour,
            np.maximum(np.linalg.norm(across, axis=1), np.linalg.norm(down, axis=1)),
            np.linalg.norm(colour - view.paper, axis=1),
            _steps_at_cuts(boxes, colour),
            float(np.prod(boxes[:, 2:] - boxes[:, :2], axis=1).sum()),
            view.noise,
        )

    def only(self, chosen: BoolArray) -> Cells:
        """The same for some of the patches."""
        share = float(chosen.mean())
        return Cells(
            self.colour[chosen],
            self.uneven[chosen],
            self.contrast[chosen],
            np.linalg.norm(np.diff(self.colour[chosen], axis=0), axis=1),
            self.area * share,
            self.noise,
        )

    def misfit(self) -> float:
        """Unevenness within patches as a share of the steps between them: small when cuts are right."""
        steps = np.diff(self.colour, axis=0)
        return float((self.uneven**2).sum() / ((steps**2).sum() + 1e-9))

    def may_be_bar(self) -> bool:
        """Say whether a bar cut into these is worth aligning: coloured, and of changing colour."""
        steps = np.linalg.norm(np.diff(self.colour, axis=0), axis=1)
        return bool(self.misfit() < 2.0 and steps.sum() > 5.0 and np.median(self.contrast) > 2.5)

    def score(self, kind: str) -> float:
        """How well these are patches (0: not at all)."""
        steps = np.linalg.norm(np.diff(self.colour, axis=0), axis=1)
        if kind == "bar":
            # Equal neighbours come from cutting one patch in two.
            if float(np.mean(self.cuts > max(_VISIBLE_STEP, 0.5 * self.noise))) < _VISIBLE_SHARE:
                return 0.0
            misfit = self.misfit()
            worst = float(np.max(self.uneven - 0.35 * np.maximum(np.r_[steps, 0], np.r_[0, steps])))
            if (
                misfit > 0.08
                or worst > 1.0 + self.noise
                or steps.sum() < 8.0
                or np.median(self.contrast) < 3.0
            ):
                return 0.0
            return float(self.contrast.mean()) * self.area / (1.0 + 50.0 * misfit)
        if np.median(self.uneven) > 3.0 + self.noise or self.uneven.max() > 8.0:
            return 0.0
        if steps.sum() < 3.0:
            return 0.0
        return float(np.median(self.contrast) + 0.5 * np.ptp(self.colour[:, 1:], axis=0).sum()) * self.area


def _steps_at_cuts(boxes: FloatArray, colour: FloatArray) -> FloatArray:
    """Colour steps between boxes that share an edge, CIEDE76; all steps in reading order when none do."""
    size = np.median(boxes[:, 2:] - boxes[:, :2], axis=0)
    steps: list[float] = []
    for axis in (0, 1):
        beside = np.abs(boxes[:, None, axis + 2] - boxes[None, :, axis]) < 0.05 * size[axis]
        level = np.abs(boxes[:, None, 1 - axis] - boxes[None, :, 1 - axis]) < 0.2 * size[1 - axis]
        first, second = np.nonzero(beside & level)
        steps += np.linalg.norm(colour[first] - colour[second], axis=1).tolist()
    return np.array(steps) if steps else np.linalg.norm(np.diff(colour, axis=0), axis=1)


def inferred_score(view: View, found: Arrangement, cells: Cells) -> float:
    """Evidence for patches at places where nothing clear was seen (0: against it).

    Print beside each of them as beside the others is the best evidence; a faint colour that ends
    where they end is the next.
    """
    unseen = ~found.seen
    if np.any(cells.uneven[unseen] > 1.5 + view.noise) or np.any(cells.contrast[unseen] > 12.0):
        return 0.0
    if cells.only(found.seen).score("bar" if found.kind == "extended" else "separate") <= 0:
        return 0.0
    if any(_ink_inside(view, box) for box in found.boxes[unseen]):
        return 0.0
    faint = cells.contrast[unseen] > _FAINT
    beyond = [box for box in _beyond(found) if _is_inside(view, box) and not _ink_inside(view, box)]
    if beyond:
        past = np.linalg.norm(view.means(np.array(beyond), 0.15, 0.15, 0.85, 0.85) - view.paper, axis=1)
        # A faint colour further out says that the patches do not end here.
        if past.max() > _FAINT and past.max() > 0.5 * float(cells.contrast[unseen].min()):
            return 0.0
    print_seen = _print_beside(view, found)
    own_side = np.median(print_seen[found.seen], axis=0) > 0.002
    if own_side.any():
        least = 0.25 * np.median(print_seen[found.seen][:, own_side], axis=0)
        if not np.all(print_seen[unseen][:, own_side] > least):
            return 0.0
        return _WITH_PRINT * (1.0 + float(faint.mean()))
    # Nothing but the number asked for speaks for them: that is no evidence.
    return 1.0 + 4.0 * float(faint.mean()) if faint.all() else 0.0


def _beyond(found: Arrangement) -> FloatArray:
    """Places of one more patch at either end of a row or column, shape (2, 4) or (0, 4)."""
    if found.layout == "grid" or len(found.boxes) < 2:
        return np.zeros((0, 4))
    first, last = found.boxes[0], found.boxes[-1]
    step = (last - first) / (len(found.boxes) - 1)
    return np.array([first - step, last + step])


def _is_inside(view: View, box: FloatArray) -> bool:
    height, width = view.lab.shape[:2]
    return bool(box.min() >= 0 and box[2] <= width and box[3] <= height)


def _ink_inside(view: View, box: FloatArray) -> bool:
    """Say whether dark print lies inside a box."""
    x0, y0, x1, y1 = (round(float(v)) for v in box)
    part = view.lab[max(y0 + 2, 0) : y1 - 2, max(x0 + 2, 0) : x1 - 2, 0]
    return bool(part.size == 0 or np.mean(part < view.paper[0] - 25) > 0.01)


def _print_beside(view: View, found: Arrangement) -> FloatArray:
    """Share of dark print left of, above, right of and below each patch, outside all patches, shape (n, 4)."""
    ink = (view.lab[..., 0] < view.paper[0] - 25).astype(np.uint8)
    for x0, y0, x1, y1 in np.rint(found.boxes).astype(int):
        ink[max(y0 - 2, 0) : y1 + 2, max(x0 - 2, 0) : x1 + 2] = 0
    size = np.median(found.boxes[:, 2:] - found.boxes[:, :2], axis=0)
    total = cv2.integral(ink)
    height, width = ink.shape
    reach_x, reach_y = _reach(found, size)
    inset = 0.2 * size  # print stands by the middle of its patch, a title rarely by that of each
    shares = np.zeros((len(found.boxes), 4))
    for index, (x0, y0, x1, y1) in enumerate(found.boxes):
        middle_x, middle_y = (x0 + inset[0], x1 - inset[0]), (y0 + inset[1], y1 - inset[1])
        sides = (
            (x0 - reach_x, x0, *middle_y),
            (*middle_x, y0 - reach_y, y0),
            (x1, x1 + reach_x, *middle_y),
            (*middle_x, y1, y1 + reach_y),
        )
        for side, (left, right, top, bottom) in enumerate(sides):
            a, b = (int(np.clip(value, 0, width)) for value in (left, right))
            c, d = (int(np.clip(value, 0, height)) for value in (top, bottom))
            inside = float(total[d, b] - total[c, b] - total[d, a] + total[c, a])
            shares[index, side] = inside / float(size.prod())
    return shares


def _reach(found: Arrangement, size: FloatArray) -> tuple[float, float]:
    """How far from a patch, across and down, its own print may lie without touching its neighbour's."""
    boxes = found.boxes
    if found.layout == "row":
        return 0.0, 0.8 * float(size[1])
    if found.layout == "column":
        return 1.0 * float(size[0]), 0.0
    tops = np.unique(np.rint(boxes[:, 1]))
    gap_y = float(np.diff(tops).min() - size[1]) if len(tops) > 1 else float(size[1])
    lefts = np.sort(boxes[np.abs(boxes[:, 1] - boxes[0, 1]) < 0.3 * size[1], 0])
    gap_x = float(np.diff(lefts).min() - size[0]) if len(lefts) > 1 else float(size[0])
    return 0.6 * gap_x, 0.6 * gap_y


def linear_to_lab(linear: AnyArray) -> AnyArray:
    """Linear sRGB to CIELAB D65, single precision (OpenCV does it, several times faster than ours)."""
    encoded = np.clip(linear, 0.0, None)
    encoded = np.where(encoded <= 0.0031308, 12.92 * encoded, 1.055 * encoded ** (1 / 2.4) - 0.055)
    return np.asarray(cv2.cvtColor(encoded.astype(np.float32), cv2.COLOR_RGB2LAB))
