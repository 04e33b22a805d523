"""The light of the backing beside vessels, as it would be without them."""

from __future__ import annotations

import cv2
import numpy as np

from hueph._light_field import log_planes
from hueph._medians import medians
from hueph._pixels import BLACK_FLOOR, to_light
from hueph._types import AnyArray, FloatArray, UInt8Array
from hueph.chart import Chart
from hueph.locate.card import printed_parts
from hueph.locate.types import StripLocation, TubeLocation
from hueph.photo import Photo

__all__ = ["Backing"]

# A cell's side as a share of the bore, and its limits in pixels.
_CELL_SHARE, _CELL_PIXELS = 1 / 7, (4, 40)
# Pixels along a cell's side beyond which some are passed over.
_CELL_SAMPLES = 6
# Cells that bear on one place, the nearest.
_MOST_CELLS = 400
# How far cells bear, in bores: standard deviations of their weight sideways and upright.
_REACH, _UPRIGHT_REACH = 2.2, 2.2 / 1.5


class Backing:
    """Cells of a photograph that hold neither vessel nor card, measured when a place needs them."""

    def __init__(
        self,
        photo: Photo,
        strip: StripLocation | None,
        chart: Chart | None,
        tubes: tuple[TubeLocation, ...],
    ) -> None:
        """Lay out the cells around the vessels; `strip` and `chart` say where the card is."""
        self._photo = photo
        self._cell, rows, columns = _free_cells(photo, strip, chart, tubes)
        self._rows, self._columns = rows, columns
        self._points = (np.stack([columns, rows], axis=1) + 0.5) * self._cell
        self._logs = np.zeros((len(rows), 3))
        self._grain = np.zeros(len(rows))
        self._known = np.zeros(len(rows), dtype=bool)

    def light_at(self, places: FloatArray, bores: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the light (k, 3) of local robust planes at points (k, 2), and their relative scatter (k,)."""
        light, scatter = np.full((len(places), 3), np.nan), np.full(len(places), np.nan)
        if len(self._points) < 4 or not len(places):
            return light, scatter
        aside, upright = (
            (self._points[:, axis] - places[:, axis, None]) / (reach * bores[:, None])
            for axis, reach in ((0, _REACH), (1, _UPRIGHT_REACH))
        )
        distance = aside * aside + upright * upright
        order = np.broadcast_to(np.arange(distance.shape[1]), distance.shape)
        if distance.shape[1] > _MOST_CELLS:
            order = np.argpartition(distance, _MOST_CELLS, axis=1)[:, :_MOST_CELLS]
        needed = np.zeros(distance.shape[1], dtype=bool)
        needed[order] = True
        self._measure(np.nonzero(needed & ~self._known)[0])
        near = np.take_along_axis(distance, order, axis=1)
        weight = np.exp(-0.5 * near) / (0.02 + self._grain[order]) ** 2
        seen = weight.max(axis=1) > 0
        order = order[seen]
        values, light_scatter = log_planes(
            self._points[order], self._logs[order], weight[seen], places[seen][:, None]
        )
        light[seen], scatter[seen] = values[:, 0], light_scatter
        return light, scatter

    def _measure(self, cells: AnyArray) -> None:
        """Take the median of each channel in some cells, and their grain (relative spread)."""
        if not len(cells):
            return
        side = self._cell
        height, width = (size // side for size in self._photo.encoded.shape[:2])
        whole = self._photo.encoded[: height * side, : width * side]
        # Neighbouring pixels say the same (noise spreads over them): of large cells every second or third.
        step = max(1, side // _CELL_SAMPLES)
        # A row of a cell is taken in one piece before that.
        lines = whole.reshape(height, side, width, side * 3)[:, ::step]
        codes = lines[self._rows[cells], :, self._columns[cells]]
        codes = codes.reshape(len(cells), -1, side, 3)[:, :, ::step]
        light = to_light(self._photo, codes.transpose(0, 3, 1, 2).reshape(len(cells), 3, -1))
        self._logs[cells] = np.log(np.maximum(medians(light), BLACK_FLOOR))
        mean = light.mean(axis=2)
        square = np.einsum("ijk,ijk->ij", light, light) / light.shape[2]
        std = np.sqrt(np.maximum(square - mean**2, 0.0))
        self._grain[cells] = std.sum(axis=1) / np.maximum(mean.sum(axis=1), 1e-6)
        self._known[cells] = True


def _free_cells(
    photo: Photo, strip: StripLocation | None, chart: Chart | None, tubes: tuple[TubeLocation, ...]
) -> tuple[int, AnyArray, AnyArray]:
    """Return the side of a cell, and rows and columns of cells without vessel (also empty) or card."""
    height, width = photo.encoded.shape[:2]
    if not tubes:
        return 1, np.zeros(0, dtype=int), np.zeros(0, dtype=int)
    bore = float(np.median([np.linalg.norm(tube.liquid[1] - tube.liquid[0]) for tube in tubes]))
    cell = int(np.clip(round(bore * _CELL_SHARE), *_CELL_PIXELS))
    forbidden = np.zeros((height // cell + 1, width // cell + 1), np.uint8)
    for tube in tubes:
        _forbid(forbidden, _vessel_outline(tube.liquid), cell)
    if strip is not None and chart is not None:
        for part, grown in printed_parts(chart):
            placed = np.asarray(cv2.perspectiveTransform(part[None], strip.homography)[0], dtype=np.float64)
            centre = placed.mean(axis=0)
            _forbid(forbidden, centre + (placed - centre) * grown, cell)
    points = np.concatenate([tube.liquid for tube in tubes])
    top = max(0, int(points[:, 1].min() - 2.0 * bore)) // cell
    bottom = min(height, int(points[:, 1].max() - 0.1 * bore)) // cell
    left = max(0, int(points[:, 0].min() - 4 * bore)) // cell
    right = min(width, int(points[:, 0].max() + 4 * bore)) // cell
    rows, columns = np.nonzero(forbidden[top:bottom, left:right] == 0)
    return cell, rows + top, columns + left


def _vessel_outline(liquid: FloatArray) -> FloatArray:
    """Return the vessel as far as it may reach: liquid widened by its walls, upwards to an empty rim."""
    top_left, top_right, bottom_right, bottom_left = liquid
    across = top_right - top_left
    along = (bottom_left + bottom_right - top_left - top_right) / 2
    length = max(float(np.linalg.norm(along)), 1e-6)
    unit = along / length
    bore = float(np.linalg.norm(across))
    side = 0.16 * across
    return np.array(
        [
            top_left - side - unit * 4.0 * bore,
            top_right + side - unit * 4.0 * bore,
            bottom_right + side + unit * 0.3 * bore,
            bottom_left - side + unit * 0.3 * bore,
        ]
    )


def _forbid(grid: UInt8Array, quad: FloatArray, cell: int) -> None:
    """Mark the cells that a quadrilateral touches."""
    corners = np.round((quad / cell - 0.5) * 16).astype(np.int32)
    cv2.fillConvexPoly(grid, corners, 1, shift=4)
    cv2.polylines(grid, [corners], True, 1, shift=4)
