"""Find a printed reference strip in a photograph, in the right order, or say why not.

The steps: candidate quadrilaterals (`_quads`), possible poses of the whole chart (`_hypotheses`),
colours under each pose compared with the chart's (`_probe`, `_order`), the best poses brought onto
the edges (`_refine`), and a verdict: enough patches seen, colours right, edges where they should
be, and no other order (turned, mirrored, shifted) nearly as good. A patch across whose edges something
runs is covered: it tells for no order and against none.
"""

from __future__ import annotations

import numpy as np

from hueph._checks import check_array
from hueph._types import FloatArray
from hueph.chart import Chart
from hueph.errors import InputError, StripNotFound
from hueph.locate._judge import Judge, Verdict
from hueph.locate._quads import absorbance_codes, find_quads, surplus_absorbance
from hueph.locate.card import locate_card_strip
from hueph.locate.geometry import (
    apply_homography,
    bounding_corners,
    fit_affine,
    fit_homography,
    goes_clockwise,
)
from hueph.locate.types import StripLocation
from hueph.photo import Photo

__all__ = ["locate_strip"]

# Ways of looking, in order: longer side of the reduced picture, window of the surroundings, and whether only
# for what shows at once.
LOOKS = ((700, 0.16, False), (2000, 0.10, True), (2000, 0.10, False), (700, 0.45, False))
# Before them, for what shows at once, at the first halving of the picture that is not longer than this.
FIRST_LOOK, FIRST_WINDOW = 900, 0.16
# a picture with a shorter side than this, pixels, cannot hold three patches
SMALLEST_PICTURE = 16
# Poses refined per look: those that look best, and others that have more patches on quadrilaterals.
REFINED_POSES, MORE_POSES = 8, 4
# a pose with this share of its edges found is not tried from another start
WHOLE_SUPPORT = 0.97
# how far off, in patches, points drawn by hand are tried
HAND_SHIFT = 0.3


def locate_strip(photo: Photo, chart: Chart, *, corners: FloatArray | None = None) -> StripLocation:
    """Find the chart's patches in a photograph.

    Parameters
    ----------
    photo : Photo
        Upright picture at working resolution.
    chart : Chart
        What was printed: positions, colours and paper. A card of our own is found by its markers.
    corners : array, shape (4, 2), optional
        Where the user says the patches are: corner points (x, y) of the rectangle around all
        patches, working-picture pixels, from the top-left of the upright card clockwise. The pose
        is then only refined and checked.

    Returns
    -------
    StripLocation

    Raises
    ------
    StripNotFound
        No strip, or not surely enough; `reason` says why.
    InputError
        `corners` is not four points of a convex quadrilateral.

    Examples
    --------
    >>> locate_strip(load_photo("bench.jpg"), load_chart("universal.toml"))  # doctest: +SKIP
    StripLocation(...)
    """
    if chart.markers and corners is None:
        return locate_card_strip(photo, chart)
    judge = Judge(photo, chart)
    if corners is not None:
        return _by_hand(judge, chart, corners)
    if min(photo.encoded.shape[:2]) < SMALLEST_PICTURE:
        raise _not_found(photo, chart, None)
    nearest: Verdict | None = None
    for side, window, quick in ((judge.halved(FIRST_LOOK), FIRST_WINDOW, True), *LOOKS):
        verdict = _look(judge, side, window, quick)
        if verdict is not None and verdict.accepted:
            return _without_false_keystone(judge, chart, verdict).location()
        if verdict is not None and verdict.mirrored:
            raise _not_found(photo, chart, verdict)
        if verdict is not None and (nearest is None or verdict.score < nearest.score):
            nearest = verdict
    raise _not_found(photo, chart, nearest)


def _look(judge: Judge, side: int, window: float, quick: bool) -> Verdict | None:
    """Search one reduction of the picture; the best verdict or None when nothing resembles the chart."""
    import cv2

    picture, to_working = judge.reduced(side)
    codes = np.asarray(cv2.medianBlur(absorbance_codes(picture, judge.table), 3), dtype=np.uint8)
    quads = find_quads(surplus_absorbance(codes, window), quick=quick)
    few, more = (1, 0) if quick else (REFINED_POSES, MORE_POSES)
    poses = judge.best_looking(side, quads, few, more=more)
    verdicts: list[Verdict] = []
    for pose in poses:
        verdicts.append(judge.verdict(to_working @ pose))
        if verdicts[-1].settled:
            break
    best = min(verdicts, key=lambda v: v.score, default=None)
    # At a quick look only what is plain counts.
    return None if quick and best is not None and not best.settled else best


def _without_false_keystone(judge: Judge, chart: Chart, verdict: Verdict) -> Verdict:
    """Try again without keystone where not all edges were found; the better of both verdicts.

    Where the patches of one end hardly differ, a keystone can explain the edges of the others and leave
    that end a third of a patch off.
    """
    if verdict.support >= WHOLE_SUPPORT:
        return verdict
    box = bounding_corners(chart.corners)
    again = judge.verdict(fit_affine(box, apply_homography(verdict.pose, box)))
    return again if again.accepted and again.score < verdict.score else verdict


def _by_hand(judge: Judge, chart: Chart, corners: FloatArray) -> StripLocation:
    """Refine the pose that the user's four points give, and check the order."""
    points = check_array(corners, "corners", (4, 2))
    if not goes_clockwise(points):
        raise InputError(
            "outlining the strip by hand: the four points must go clockwise around the patches, "
            f"starting at the top-left of the upright card, found {points.round(1).tolist()}; "
            "give them in that order"
        )
    box = bounding_corners(chart.corners)
    # On a long strip small errors of the corners make a large false keystone: try without first.
    flat, keystone = fit_affine(box, points), fit_homography(box, points)
    shift = HAND_SHIFT * judge.plan.short_side * np.array([[-1, 0], [1, 0], [0, -1], [0, 1]])
    moved = [flat @ np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]) for x, y in shift]
    verdicts: list[Verdict] = []
    for pose in (flat, keystone, *moved):
        verdicts.append(judge.verdict(pose, by_hand=True))
        if verdicts[-1].accepted and verdicts[-1].settled:
            return verdicts[-1].location()
    verdict = min(verdicts, key=lambda v: v.score)
    if not verdict.accepted:
        raise _not_found(judge.photo, chart, verdict)
    return verdict.location()


def _not_found(photo: Photo, chart: Chart, nearest: Verdict | None) -> StripNotFound:
    """Say why no strip is accepted, from the nearest miss."""
    what = f"no reference strip found in {photo.file}"
    count = len(chart.patches)
    if nearest is None:
        return StripNotFound(
            f"{what}: nothing looks like the {count} patches of {chart.name}; "
            "retake with the whole strip in view, or check that it is the right chart",
            reason="not-seen",
        )
    texts = {
        "too-small": f"its patches are about {_floored(nearest.patch_pixels)} pixels wide, at least 6 are needed; "
        "go nearer",
        "cut-off": f"only {nearest.inside} of {count} patches lie inside the picture; "
        "retake with the whole strip in view",
        "blurred": "its patches run into one another; hold still and focus on the strip",
        "too-few-patches": f"{int(nearest.seen.sum())} of {count} patches of {chart.name} seen; "
        "retake with nothing over the strip, or check that it is the right chart",
        "order-ambiguous": f"another order of the patches of {chart.name} fits nearly as well "
        "(strip mirrored, turned or covered, or not this chart); retake with the whole strip in view",
        "not-seen": f"nothing looks enough like the {count} patches of {chart.name}; "
        "retake with the whole strip in view, or check that it is the right chart",
    }
    text = texts[nearest.reason]
    if nearest.mirrored:
        text = "the picture is mirrored (margins and figures are on the wrong side); turn mirroring off"
    return StripNotFound(f"{what}: {text}", reason=nearest.reason)


def _floored(pixels: float) -> str:
    """One decimal, never rounded up to the limit that is missed."""
    return f"{np.floor(10.0 * pixels) / 10.0:g}"
