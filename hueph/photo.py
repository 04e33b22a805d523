"""Read a still photograph: orientation, profile, bit depth, clipped pixels, hash.

A photograph is held encoded, as the file stored it, at a working resolution; linear light is
made only for the regions that are measured.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from hueph._memory import keep_for_next_step
from hueph._photo.colours import to_rgb
from hueph._photo.decoders import decode
from hueph._photo.exif import ExifFacts, read_exif
from hueph._photo.guards import file_kind, read_bytes
from hueph._photo.upright import quarter_turned, quarter_turned_points, turned, turned_origin
from hueph._threads import side_by_side
from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray, PathLike, UInt8Array
from hueph.colour.srgb import srgb_to_linear_rgb
from hueph.errors import InputError

__all__ = ["Photo", "load_photo", "photo_from_array"]

# A channel counts as clipped this many 8 bit codes from the end of its range: JPEG's rounding moves a
# clipped channel by about one code.
_CLIP_CODES = 1


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photograph at working resolution.

    Points are (x, y) in pixels with whole numbers at pixel centres: (0, 0) is the centre of the
    top-left pixel, whose corner is at (-0.5, -0.5). The same holds for the full picture.

    Attributes
    ----------
    file : str
        Name as given by the user.
    sha256 : str
        Of the untouched bytes of the file, hexadecimal.
    width, height : int
        Size of the full upright picture, pixels.
    encoded : array, shape (h, w, 3), uint8 or uint16
        R, G, B code values of the upright picture at working resolution, in the file's own
        colour space (`profile`); CMYK and other exotic profiles are already turned into sRGB.
    scale : float
        Full-picture pixels per working pixel (1.0 for pictures up to about 3000 pixels).
    profile : str
        "sRGB", "Display P3", "Adobe RGB" ...: the space of `encoded`.
    to_linear_srgb : array, shape (3, 3)
        Linear light in the file's space to linear sRGB (D65); white goes to white.
    decode_table : array, shape (256,) or (65536,)
        Linear light 0..1 of each code value; the same for the three channels.
    flags : frozenset of str
        Names from `hueph.flags` that concern decoding ("profile-missing", "profile-broken").
    taken : str
        Time from EXIF as "YYYY-MM-DDTHH:MM:SS", "" when absent.
    origin : tuple of float
        Where the working picture begins in the full one, (x, y) full pixels: not zero for a part of a
        picture, and (then below `scale`) for reduced pictures whose size `scale` does not divide.
    turns : int
        Quarter turns clockwise, 0 to 3, that the working picture was given against the full one.
    """

    file: str
    sha256: str
    width: int
    height: int
    encoded: AnyArray
    scale: float
    profile: str
    to_linear_srgb: FloatArray
    decode_table: FloatArray
    flags: frozenset[str] = field(default=frozenset())
    taken: str = ""
    origin: tuple[float, float] = (0.0, 0.0)
    turns: int = 0

    def part(self, rows: slice, cols: slice) -> Photo:
        """Return a rectangle of a picture that was not turned; points of the full picture stay what they are.

        Parameters
        ----------
        rows, cols : slice
            The rectangle, working pixels, with both ends.

        Returns
        -------
        Photo

        Raises
        ------
        InputError
            The picture was turned.

        Examples
        --------
        >>> import numpy as np
        >>> part = photo_from_array(np.zeros((20, 30, 3), np.uint8)).part(slice(5, 20), slice(10, 30))
        >>> part.to_full([0.0, 0.0]).tolist()
        [10.0, 5.0]
        """
        if self.turns:
            raise InputError(f"a part is cut from a picture before it is turned, {self.file} was turned")
        encoded = np.ascontiguousarray(self.encoded[rows, cols])
        origin = self.origin[0] + self.scale * cols.start, self.origin[1] + self.scale * rows.start
        return replace(self, encoded=encoded, origin=origin)

    def turned(self, quarters: int) -> Photo:
        """Return the picture turned clockwise; points of the full picture stay what they are.

        Parameters
        ----------
        quarters : int
            Quarter turns.

        Returns
        -------
        Photo

        Examples
        --------
        >>> import numpy as np
        >>> turned = photo_from_array(np.zeros((20, 30, 3), np.uint8)).turned(1)
        >>> turned.encoded.shape, turned.to_full([0.0, 0.0]).tolist()
        ((30, 20, 3), [0.0, 19.0])
        """
        return replace(
            self, encoded=quarter_turned(self.encoded, quarters), turns=(self.turns + quarters) % 4
        )

    def linear(self, rows: slice = slice(None), cols: slice = slice(None)) -> Float32Array:
        """Return linear light of a region in the file's own primaries.

        Parameters
        ----------
        rows, cols : slice
            The region, working pixels. Default: the whole picture.

        Returns
        -------
        array, shape (h, w, 3), float32
            0..1; multiply by `to_linear_srgb` for linear sRGB.

        Examples
        --------
        >>> import numpy as np
        >>> photo = photo_from_array(np.full((20, 20, 3), 128, np.uint8))
        >>> round(float(photo.linear(slice(0, 1), slice(0, 1))[0, 0, 0]), 6)
        0.215861
        """
        codes = self.encoded[rows, cols]
        table = self.decode_table.astype(np.float32)
        if codes.dtype != np.uint8 or codes.size == 0:
            return np.asarray(table[codes], dtype=np.float32)
        import cv2

        # Six times as fast as indexing; it knows only 8 bit and no empty pictures.
        return np.asarray(cv2.LUT(codes, table), dtype=np.float32)

    def clipped(self, rows: slice = slice(None), cols: slice = slice(None)) -> BoolArray:
        """Return where each channel of a region is at the top or bottom of its code range.

        Parameters
        ----------
        rows, cols : slice
            The region, working pixels. Default: the whole picture.

        Returns
        -------
        array, shape (h, w, 3), bool
            True within one 8 bit code of either end, because JPEG moves clipped channels that much.
            In a reduced picture a pixel counts when its mean does.

        Examples
        --------
        >>> import numpy as np
        >>> photo_from_array(np.full((20, 20, 3), (255, 128, 0), np.uint8)).clipped()[0, 0].tolist()
        [True, False, True]
        """
        region = self.encoded[rows, cols]
        top, margin = self.code_limits
        result: BoolArray = (region >= top - margin) | (region <= margin)
        return result

    @property
    def code_limits(self) -> tuple[int, int]:
        """The largest code value, and how far from either end of the range a code counts as clipped."""
        top = int(np.iinfo(self.encoded.dtype).max)
        return top, _CLIP_CODES * top // 255

    def reduced(self, longest: int) -> tuple[UInt8Array, float]:
        """Return a small 8 bit picture for locating things.

        Parameters
        ----------
        longest : int
            Length of its longer side, pixels; a picture that is smaller already is only copied.

        Returns
        -------
        picture : array, shape (h, w, 3), uint8
            Area means of R, G, B code values, in the file's own colour space.
        factor : float
            Working pixels per small pixel, the same along both axes: working point =
            (small point + 0.5) * factor - 0.5.

        Raises
        ------
        InputError
            `longest` is below 1.

        Examples
        --------
        >>> import numpy as np
        >>> small, factor = photo_from_array(np.zeros((40, 60, 3), np.uint8)).reduced(30)
        >>> small.shape, factor
        ((20, 30, 3), 2.0)
        """
        if longest < 1:
            raise InputError(f"longest must be at least 1 pixel, got {longest}")
        import cv2

        codes = self.encoded
        factor = max(codes.shape[:2]) / longest
        if factor > 1.0:
            # cv2 takes the factor as given and rounds only the size, so both axes keep one factor.
            codes = cv2.resize(codes, None, fx=1.0 / factor, fy=1.0 / factor, interpolation=cv2.INTER_AREA)
        if codes.dtype == np.uint16:
            codes = np.rint(codes / 257.0)
        return codes.astype(np.uint8), max(factor, 1.0)

    def to_full(self, points: npt.ArrayLike) -> FloatArray:
        """Return points of the working picture as points of the full upright picture.

        Parameters
        ----------
        points : array, shape (..., 2)
            (x, y), working pixels; whole numbers are pixel centres.

        Returns
        -------
        array, shape (..., 2)
            (x, y), full-picture pixels; whole numbers are pixel centres.

        Raises
        ------
        InputError
            The last axis is not of length two.

        Examples
        --------
        >>> import numpy as np
        >>> photo_from_array(np.zeros((20, 20, 3), np.uint8)).to_full([3.0, 4.0]).tolist()
        [3.0, 4.0]
        """
        upright = quarter_turned_points(_as_points(points), -self.turns, self.encoded.shape)
        full: FloatArray = (upright + 0.5) * self.scale - 0.5 + np.array(self.origin)
        return full

    def to_working(self, points: npt.ArrayLike) -> FloatArray:
        """Return points of the full upright picture as points of the working picture.

        Parameters
        ----------
        points : array, shape (..., 2)
            (x, y), full-picture pixels; whole numbers are pixel centres.

        Returns
        -------
        array, shape (..., 2)
            (x, y), working pixels; inverse of `to_full`.

        Raises
        ------
        InputError
            The last axis is not of length two.

        Examples
        --------
        >>> import numpy as np
        >>> photo_from_array(np.zeros((20, 20, 3), np.uint8)).to_working([3.0, 4.0]).tolist()
        [3.0, 4.0]
        """
        upright: FloatArray = (_as_points(points) - np.array(self.origin) + 0.5) / self.scale - 0.5
        shape = self.encoded.shape[:2] if self.turns % 2 == 0 else self.encoded.shape[1::-1]
        return quarter_turned_points(upright, self.turns, shape)


def load_photo(path: PathLike, *, max_side: int = 2000) -> Photo:
    """Read a photograph from a JPEG, PNG, TIFF, WebP or HEIC file.

    The kind is judged by the content, not by the name. The picture is turned upright once (EXIF; in
    HEIC the container's own rotation). Pictures longer than 1.5 times `max_side` are decoded reduced by
    a power of two, so that the longer side ends between 0.75 and 1.5 times `max_side`.

    Parameters
    ----------
    path : str or path
        The file.
    max_side : int
        Wanted length of the longer side of the working picture, pixels.

    Returns
    -------
    Photo
        Upright, with the file's own code values, its profile and its SHA-256.

    Raises
    ------
    PhotoError
        The file cannot be used as one still photograph: missing, a folder, empty, not a picture, of an
        unsupported kind, animated, damaged or cut short, smaller than 16 pixels or larger than 200
        megapixels. The sentence names the file, the rule, what was found and what to do.
    InputError
        `max_side` is below 16.

    Notes
    -----
    Profiles of three primaries and one curve (sRGB, Display P3, Adobe RGB, any other) are kept: the code
    values stay the file's own, `decode_table` and `to_linear_srgb` describe them. CMYK and look-up
    table profiles are converted to sRGB, relative colorimetric. Without a profile: what the container
    or EXIF names, else sRGB; the flag "profile-missing" is set when EXIF says "not sRGB" without
    saying what, and for CMYK. Grey pictures get three equal channels; transparent parts are laid over
    white.

    Examples
    --------
    >>> load_photo("not-there.jpg")
    Traceback (most recent call last):
    ...
    hueph.errors.PhotoError: cannot read photograph not-there.jpg: a photograph must be a single file, \
there is no file of this name; check the name and the folder
    """
    if max_side < 16:
        raise InputError(f"max_side must be at least 16 pixels, got {max_side}")
    keep_for_next_step()
    name = os.fsdecode(path)
    data = read_bytes(path, name)
    kind = file_kind(data, name)
    decoded, digest = side_by_side(
        lambda: decode(kind, data, name, max_side), lambda: hashlib.sha256(data).hexdigest()
    )
    exif = read_exif(decoded.exif) if decoded.exif else ExifFacts()
    orientation = 1 if decoded.is_upright else exif.orientation
    pixels, space, flags = to_rgb(decoded, exif)
    encoded = turned(pixels, orientation)
    rest = (
        decoded.width - decoded.pixels.shape[1] * decoded.factor,
        decoded.height - decoded.pixels.shape[0] * decoded.factor,
    )
    swaps_sides = orientation >= 5
    return Photo(
        file=name,
        sha256=digest,
        width=decoded.height if swaps_sides else decoded.width,
        height=decoded.width if swaps_sides else decoded.height,
        encoded=encoded,
        scale=float(decoded.factor),
        profile=space.name,
        to_linear_srgb=space.to_linear_srgb,
        decode_table=space.decode_table(int(np.iinfo(encoded.dtype).max) + 1),
        flags=flags,
        taken=exif.taken,
        origin=turned_origin(rest, orientation),
    )


def photo_from_array(srgb_uint8: npt.ArrayLike, *, name: str = "array") -> Photo:
    """Return a photograph made of an array in memory, for synthetic pictures and video frames.

    Parameters
    ----------
    srgb_uint8 : array, shape (h, w, 3), uint8
        R, G, B code values, sRGB, upright.
    name : str
        Stands for the file name.

    Returns
    -------
    Photo
        At full resolution; `sha256` is that of the array's bytes, row by row.

    Raises
    ------
    InputError
        Not an array of 8 bit R, G, B.

    Examples
    --------
    >>> import numpy as np
    >>> photo_from_array(np.zeros((20, 30, 3), np.uint8)).width
    30
    """
    codes = np.asarray(srgb_uint8)
    if codes.dtype != np.uint8 or codes.ndim != 3 or codes.shape[2] != 3 or codes.size == 0:
        found = f"{codes.dtype} {codes.shape}"
        raise InputError(f"a picture must be 8 bit R, G, B of shape (h, w, 3), got {found}")
    codes = np.ascontiguousarray(codes)
    return Photo(
        file=name,
        sha256=hashlib.sha256(codes.tobytes()).hexdigest(),
        width=codes.shape[1],
        height=codes.shape[0],
        encoded=codes,
        scale=1.0,
        profile="sRGB",
        to_linear_srgb=np.eye(3),
        decode_table=np.asarray(srgb_to_linear_rgb(np.arange(256) / 255.0), dtype=np.float64),
    )


def _as_points(points: npt.ArrayLike) -> FloatArray:
    """Return points as float64 with a last axis of two."""
    array = np.asarray(points, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 2:
        raise InputError(f"points must have shape (..., 2), got {array.shape}")
    return array
