"""A picture of a chart in linear light, whatever it came from."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from hueph._photo.guards import MIN_SIDE
from hueph._types import AnyArray, BoolArray, FloatArray, PathLike
from hueph.errors import InputError
from hueph.photo import Photo, load_photo, photo_from_array

__all__ = ["ChartPicture", "open_picture", "reduced"]

# Charts hold small print and narrow gaps: look at more pixels than for a photograph of tubes.
_MAX_SIDE = 3000


@dataclass(frozen=True, slots=True, eq=False)
class ChartPicture:
    """A picture of a chart.

    Attributes
    ----------
    linear : array, shape (h, w, 3), float32
        Linear light, sRGB primaries; may lie outside 0..1 for wider profiles.
    clipped : array of bool, shape (h, w)
        Any channel at the top of its code range.
    photo : Photo
        What it was made from.
    """

    linear: AnyArray
    clipped: BoolArray
    photo: Photo

    @property
    def name(self) -> str:
        """File name without folder and ending."""
        return os.path.splitext(os.path.basename(self.photo.file))[0]

    def to_full(self, points: FloatArray) -> FloatArray:
        """Points of this picture (edges at whole numbers) in full-picture pixels of the same kind."""
        return self.photo.to_full(points - 0.5) + 0.5

    def flattened(self, to_flat: FloatArray, size: tuple[int, int]) -> tuple[AnyArray, BoolArray]:
        """Return linear light and clipping seen through a homography (picture to flat), size (width, height)."""
        import cv2

        centred = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1.0]])
        matrix = centred @ to_flat @ np.linalg.inv(centred)  # cv2 counts from pixel centres
        edge = cv2.BORDER_REPLICATE
        linear = cv2.warpPerspective(self.linear, matrix, size, flags=cv2.INTER_AREA, borderMode=edge)
        clipped = cv2.warpPerspective(
            self.clipped.astype(np.uint8), matrix, size, flags=cv2.INTER_NEAREST, borderMode=edge
        )
        return linear, clipped.astype(bool)

    def from_full(self, points: FloatArray) -> FloatArray:
        """Inverse of `to_full`."""
        return self.photo.to_working(points - 0.5) + 0.5


def open_picture(picture: PathLike | AnyArray | Photo) -> ChartPicture:
    """Open a file, an array of 8-bit sRGB, or a photograph.

    Raises
    ------
    PhotoError
        The file cannot be used as a picture.
    InputError
        Neither a file nor such an array, or an array of fewer pixels than a photograph must have.
    """
    if isinstance(picture, Photo):
        photo = picture
    elif isinstance(picture, str | os.PathLike):
        photo = load_photo(picture, max_side=_MAX_SIDE)
    elif isinstance(picture, np.ndarray):
        photo = photo_from_array(picture)
        if min(photo.width, photo.height) < MIN_SIDE:
            raise InputError(
                f"a picture of a chart must be at least {MIN_SIDE} pixels wide and high, "
                f"got {photo.width} x {photo.height}"
            )
    else:
        raise InputError(f"a picture must be a file name or an array, got {type(picture).__name__}")
    own = photo.linear()
    matrix = photo.to_linear_srgb
    linear = own if np.allclose(matrix, np.eye(3)) else own @ matrix.T.astype(np.float32)
    top = np.iinfo(photo.encoded.dtype).max
    return ChartPicture(linear, (photo.encoded >= top - top // 255).any(axis=2), photo)


def reduced(linear: AnyArray, side: int) -> tuple[AnyArray, float]:
    """Return a copy no longer than `side` pixels, and its pixels per pixel of the original.

    Parameters
    ----------
    linear : array, shape (h, w, 3)
        Linear light: means of it are means of light.
    side : int
    """
    import cv2

    scale = min(1.0, side / max(linear.shape[:2]))
    even = np.ascontiguousarray(linear, dtype=np.float32)
    return cv2.resize(even, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), scale
