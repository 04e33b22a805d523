"""From decoded channels to three RGB channels and the space they are in."""

from __future__ import annotations

import io

import numpy as np

from hueph._photo.decoded import Decoded
from hueph._photo.exif import ExifFacts
from hueph._photo.profile import ADOBE_RGB, SRGB, RgbSpace, read_icc
from hueph._types import AnyArray
from hueph.colour.srgb import linear_rgb_to_srgb

__all__ = ["to_rgb"]

_ADOBE_RGB_COLOUR_SPACE = 2
_UNCALIBRATED = 65535


def to_rgb(decoded: Decoded, exif: ExifFacts) -> tuple[AnyArray, RgbSpace, frozenset[str]]:
    """Return R, G, B code values (h, w, 3), their space, and flags.

    Grey becomes three equal channels. Transparent parts are laid over white, as viewers show them.
    """
    if decoded.is_cmyk:
        return _from_cmyk(decoded)
    pixels = _over_white(decoded.pixels)
    channels = pixels.shape[2]
    if not decoded.icc:
        space, flags = _space_without_profile(decoded, exif)
        return _three_channels(pixels), space, flags
    icc = read_icc(decoded.icc)
    # Grey pictures may carry an RGB profile (three equal channels), never the other way round.
    fits = icc is not None and (icc.model == "RGB" or (icc.model == "GRAY" and channels == 1))
    if icc is None or not fits:
        return _three_channels(pixels), SRGB, frozenset({"profile-broken"})
    if icc.space is None:
        return _through_table_profile(pixels, decoded.icc, icc.model)
    if not icc.space.channels_share_curve():
        return _recoded(_three_channels(pixels), icc.space), SRGB, frozenset()
    return _three_channels(pixels), icc.space, frozenset()


def _space_without_profile(decoded: Decoded, exif: ExifFacts) -> tuple[RgbSpace, frozenset[str]]:
    """Return the space of a picture without an ICC profile.

    Pictures that say nothing are sRGB by custom and get no flag; one that says it is something else
    without saying what is flagged.
    """
    if decoded.space is not None:
        return decoded.space, frozenset()
    if exif.interoperability == "R03" or exif.colour_space == _ADOBE_RGB_COLOUR_SPACE:
        return ADOBE_RGB, frozenset()
    if exif.colour_space == _UNCALIBRATED and exif.interoperability != "R98":
        return SRGB, frozenset({"profile-missing"})
    return SRGB, frozenset()


def _three_channels(pixels: AnyArray) -> AnyArray:
    """Return grey as three equal channels, RGB as it is."""
    return np.repeat(pixels, 3, axis=2) if pixels.shape[2] == 1 else pixels


def _over_white(pixels: AnyArray) -> AnyArray:
    """Return pixels without their alpha channel, transparent ones laid over white in code values."""
    if pixels.shape[2] in (1, 3):
        return pixels
    colour, alpha = pixels[..., :-1], pixels[..., -1:]
    top = np.iinfo(pixels.dtype).max
    if (alpha == top).all():
        return np.ascontiguousarray(colour)
    share = alpha.astype(np.float32) / top
    laid: AnyArray = np.rint(colour * share + top * (1.0 - share)).astype(pixels.dtype)
    return laid


def _recoded(pixels: AnyArray, space: RgbSpace) -> AnyArray:
    """Return sRGB code values of a picture whose channels have curves of their own."""
    top = int(np.iinfo(pixels.dtype).max)
    codes = np.linspace(0.0, 1.0, top + 1)
    tables = [curve(codes).astype(np.float32) for curve in space.curves]
    linear = np.stack([table[pixels[..., index]] for index, table in enumerate(tables)], axis=-1)
    encoded = linear_rgb_to_srgb(linear @ space.to_linear_srgb.T.astype(np.float32))
    result: AnyArray = np.rint(np.clip(encoded, 0.0, 1.0) * top).astype(pixels.dtype)
    return result


def _from_cmyk(decoded: Decoded) -> tuple[AnyArray, RgbSpace, frozenset[str]]:
    """Return sRGB of a CMYK picture, through its profile when it has a usable one."""
    icc = read_icc(decoded.icc) if decoded.icc else None
    if icc is not None and icc.model == "CMYK":
        converted = _converted(decoded.pixels, decoded.icc, "CMYK")
        if converted is not None:
            return converted, SRGB, frozenset()
    ink = decoded.pixels.astype(np.uint16)
    plain: AnyArray = ((255 - ink[..., :3]) * (255 - ink[..., 3:]) // 255).astype(np.uint8)
    return plain, SRGB, frozenset({"profile-broken" if decoded.icc else "profile-missing"})


def _through_table_profile(
    pixels: AnyArray, icc: bytes, model: str
) -> tuple[AnyArray, RgbSpace, frozenset[str]]:
    """Return sRGB of a picture whose profile is made of look-up tables (8 bit: the library's limit)."""
    if pixels.dtype == np.uint16:
        pixels = np.rint(pixels / 257.0).astype(np.uint8)
    source = pixels if model == "GRAY" else _three_channels(pixels)
    converted = _converted(source, icc, "L" if model == "GRAY" else "RGB")
    if converted is None:
        return _three_channels(pixels), SRGB, frozenset({"profile-broken"})
    return converted, SRGB, frozenset()


def _converted(pixels: AnyArray, icc: bytes, mode: str) -> AnyArray | None:
    """Return 8 bit sRGB through the colour management library, None when it refuses the profile.

    Relative colorimetric without black point compensation: the paper becomes white and colours keep
    their measured relation to it.
    """
    from PIL import Image, ImageCms

    try:
        picture = Image.fromarray(np.squeeze(pixels, axis=2) if mode == "L" else pixels, mode=None)
        if mode == "CMYK":
            picture = Image.frombytes("CMYK", pixels.shape[1::-1], np.ascontiguousarray(pixels).tobytes())
        transform = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(icc)),
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
        converted = ImageCms.applyTransform(picture, transform)
    except (ImageCms.PyCMSError, OSError, ValueError):
        return None
    return None if converted is None else np.asarray(converted)
