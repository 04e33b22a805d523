"""Read a still photograph: orientation, profile, bit depth, clipped pixels, hash.

A photograph is held encoded, as the file stored it, at a working resolution; linear light is
made only for the regions that are measured.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hueph._types import AnyArray, BoolArray, Float32Array, FloatArray, PathLike

__all__ = ["Photo", "load_photo"]


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photograph at working resolution.

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
        Full-picture pixels per working pixel (1.0 for pictures up to about 2000 pixels).
    profile : str
        "sRGB", "Display P3", "Adobe RGB" ...: the space of `encoded`.
    to_linear_srgb : array, shape (3, 3)
        Linear light in the file's space to linear sRGB (D65).
    flags : frozenset of str
        Names from `hueph.flags` that concern decoding ("profile-missing", "profile-broken").
    taken : str
        Time from EXIF as "YYYY-MM-DDTHH:MM:SS", "" when absent.
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

    def linear(self, rows: slice = slice(None), cols: slice = slice(None)) -> Float32Array:
        """Return linear light of a region in the FILE's own primaries, 0..1, shape (h, w, 3)."""
        raise NotImplementedError

    def clipped(self, rows: slice = slice(None), cols: slice = slice(None)) -> BoolArray:
        """Return where each channel of a region is at the top or bottom of its code range, (h, w, 3)."""
        raise NotImplementedError


def load_photo(path: PathLike, *, max_side: int = 2000) -> Photo:
    """Read a photograph (being built)."""
    raise NotImplementedError
