"""Broken and hostile picture files, the same ones for the same seed.

    python tests/hostile/generate.py FOLDER

writes them. Every file has to end in a documented error or flag, none in a traceback, none in a pH.
"""

from __future__ import annotations

import argparse
import functools
import io
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from PIL import Image, ImageCms

__all__ = ["hostile_files", "plain_picture"]

SEED = 20
# Shares of a file that are kept: inside the magic number, the headers, and the picture data.
CUTS = (0.01, 0.03, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.97)
FLIPS_PER_FILE = 6

Named = Iterator[tuple[str, bytes]]


def plain_picture(width: int = 160, height: int = 120) -> np.ndarray:
    """A picture without strip or tubes: a bright gradient, a few blots and some grain, (h, w, 3) uint8."""
    rng = np.random.default_rng(5)
    ramp = np.linspace(120, 230, width)[np.newaxis, :, np.newaxis] * np.ones((height, 1, 3))
    for _ in range(6):
        top, left = rng.integers(0, height - 8), rng.integers(0, width - 8)
        ramp[top : top + height // 5, left : left + width // 7] = rng.integers(20, 240, 3)
    return np.clip(ramp + rng.normal(0, 3, ramp.shape), 0, 255).astype(np.uint8)


def hostile_files(folder: Path, *, seed: int = SEED) -> list[Path]:
    """Write at least 200 broken or hostile files into `folder` and return them in a fixed order."""
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    sources = (_cut, _flipped, _wrong_kinds, _sizes, _jpeg_oddities, _png_oddities, _tiff_oddities)
    for source in (*sources, _other_oddities, _dull_pictures):
        for name, data in source(np.random.default_rng(seed)):
            path = folder / f"{len(files):03d}-{name}"
            path.write_bytes(data)
            files.append(path)
    return files


def saved(pixels: np.ndarray, kind: str, mode: str | None = None, **options: object) -> bytes:
    """Return the bytes of a picture file."""
    picture = Image.fromarray(pixels)
    if mode is not None:
        picture = picture.convert(mode)
    file = io.BytesIO()
    if kind == "HEIF":
        pillow_heif.from_pillow(picture).save(file, quality=80)
    else:
        picture.save(file, kind, **options)  # type: ignore[arg-type]
    return file.getvalue()


def deep(kind: str, pixels: np.ndarray | None = None) -> bytes:
    """Return the bytes of a 16 bit picture file."""
    wide = (plain_picture() if pixels is None else pixels).astype(np.uint16) * 257
    return bytes(cv2.imencode(f".{kind}", wide)[1])


@functools.cache
def good_files() -> dict[str, bytes]:
    """Undamaged files of every kind that is read, by a name with the usual extension."""
    picture = plain_picture()
    return {
        "baseline.jpg": saved(picture, "JPEG", quality=90),
        "progressive.jpg": saved(picture, "JPEG", quality=90, progressive=True),
        "restart.jpg": saved(picture, "JPEG", quality=90, restart_marker_blocks=4),
        "cmyk.jpg": saved(picture, "JPEG", "CMYK", quality=90),
        "eight.png": saved(picture, "PNG"),
        "sixteen.png": deep("png"),
        "palette.png": saved(picture, "PNG", "P"),
        "eight.tif": saved(picture, "TIFF"),
        "packed.tif": saved(picture, "TIFF", compression="tiff_lzw"),
        "sixteen.tif": deep("tiff"),
        "lossy.webp": saved(picture, "WEBP", quality=80),
        "lossless.webp": saved(picture, "WEBP", lossless=True),
        "phone.heic": saved(picture, "HEIF"),
    }


def _cut(rng: np.random.Generator) -> Named:
    """Every kind of file cut short at every stage."""
    for name, data in good_files().items():
        for share in CUTS:
            yield f"cut-{round(100 * share):02d}-{name}", data[: max(1, int(len(data) * share))]
    for name in ("baseline.jpg", "progressive.jpg", "restart.jpg"):
        data = good_files()[name]
        # As some programs finish a broken transfer: the end mark is there, the data are not.
        yield f"cut-then-ended-{name}", data[: int(len(data) * 0.6)] + b"\xff\xd9"


def _flipped(rng: np.random.Generator) -> Named:
    """Every kind of file with a few flipped bits."""
    for name, data in good_files().items():
        for count in range(FLIPS_PER_FILE):
            broken = bytearray(data)
            for position in rng.integers(2, len(data), 1 + 3 * count):
                broken[position] ^= 1 << int(rng.integers(0, 8))
            yield f"flipped-{count}-{name}", bytes(broken)


def _wrong_kinds(rng: np.random.Generator) -> Named:
    """Files that are not what their name says."""
    noise = rng.integers(0, 256, 5000, dtype=np.uint8).tobytes()
    yield "empty.jpg", b""
    yield "one-byte.jpg", b"\xff"
    yield "text.jpg", "tube 1 pH 6.2, Nährlösung\n".encode() * 40
    yield "text-utf16.jpg", "tube 1 pH 6.2\n".encode("utf-16") * 40
    yield "page.png", b"<!doctype html><title>no picture</title><p>404</p>"
    yield "drawing.png", b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>'
    yield "noise.jpg", noise
    yield "zeros.heic", bytes(4096)
    yield "film.heic", b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + noise
    yield "sequence.heic", b"\0\0\0\x18ftyphevc\0\0\0\0hevcmsf1" + noise
    yield "still.avif", b"\0\0\0\x1cftypavif\0\0\0\0avifmif1miaf" + noise
    yield "document.jpg", b"%PDF-1.7\n" + noise
    yield "archive.jpg", b"PK\3\4" + noise
    yield "program.jpg", b"\x7fELF" + noise
    yield "bitmap.jpg", saved(plain_picture(), "BMP")
    yield "still.gif", saved(plain_picture(), "GIF")
    frames = [Image.fromarray(np.roll(plain_picture(), shift, axis=1)) for shift in (9, 18)]
    for kind, name in (("GIF", "moving.gif"), ("WEBP", "moving.webp"), ("PNG", "moving.png")):
        yield name, saved(plain_picture(), kind, save_all=True, append_images=frames, duration=80)
    for magic, name in (
        (b"\xff\xd8\xff", "magic.jpg"),
        (b"\x89PNG\r\n\x1a\n", "magic.png"),
        (b"II*\0", "magic.tif"),
        (b"MM\0*\0\0\0\x08", "magic-big-endian.tif"),
        (b"RIFF\xff\xff\xff\x7fWEBP", "magic.webp"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "magic.heic"),
        (b"II+\0\x08\0\0\0\x10\0\0\0\0\0\0\0", "big.tif"),
    ):
        yield f"only-{name}", magic
        yield f"noise-after-{name}", magic + noise


def _sizes(rng: np.random.Generator) -> Named:
    """Pictures far too large or too small, in truth or by their header alone."""
    files = good_files()
    for width, height in ((65535, 65535), (65500, 60), (0, 100), (100, 0)):
        yield f"says-{width}-{height}.jpg", jpeg_frame(files["baseline.jpg"], height=height, width=width)
        yield f"says-{width}-{height}.tif", tiff_value(files["eight.tif"], {256: width, 257: height})
    for width, height in ((2**31 - 1, 2**31 - 1), (100000, 100000), (0, 1), (200, 120)):
        yield f"says-{width}-{height}.png", png(width, height, 2, zlib.compress(bytes(500)))
    lossy = bytearray(files["lossy.webp"])
    start = lossy.index(b"\x9d\x01\x2a")
    lossy[start + 3 : start + 7] = b"\xff\x3f\xff\x3f"
    yield "says-16383-16383.webp", bytes(lossy)
    heic = bytearray(files["phone.heic"])
    start = heic.index(b"ispe")
    heic[start + 8 : start + 16] = struct.pack(">II", 60000, 60000)
    yield "says-60000-60000.heic", bytes(heic)
    # 15000 x 14000 white pixels of one bit in a few kilobytes.
    yield "bomb.png", png(15000, 14000, 0, zlib.compress(bytes(14000 * 1876), 9), depth=1)
    for width, height in ((1, 1), (1, 300), (300, 1), (15, 15), (16, 16), (17, 400)):
        tiny = plain_picture(400, 400)[:height, :width]
        for kind, ending in (("JPEG", "jpg"), ("PNG", "png"), ("TIFF", "tif"), ("WEBP", "webp")):
            yield f"tiny-{width}-{height}.{ending}", saved(np.ascontiguousarray(tiny), kind)


def _jpeg_oddities(rng: np.random.Generator) -> Named:
    """JPEGs with odd headers."""
    data = good_files()["baseline.jpg"]
    for channels in (0, 2, 5, 255):
        yield f"channels-{channels}.jpg", jpeg_frame(data, channels=channels)
    yield "twelve-bit.jpg", jpeg_frame(data, precision=12)
    yield "lossless.jpg", jpeg_frame(data, marker=0xC3)
    yield "arithmetic.jpg", jpeg_frame(data, marker=0xC9)
    start = data.index(b"\xff\xdb")
    behind = start + 2 + int.from_bytes(data[start + 2 : start + 4], "big")
    yield "no-tables.jpg", data[:start] + data[behind:]
    yield "no-scan.jpg", data[: data.index(b"\xff\xda")] + b"\xff\xd9"
    yield "endless-fill.jpg", data[:2] + b"\xff" * 5000
    yield "segment-too-long.jpg", data[:2] + b"\xff\xe0\xff\xff" + data[20:]
    for name, block in hostile_exif():
        yield f"exif-{name}.jpg", data[:2] + jpeg_segment(0xE1, b"Exif\0\0" + block) + data[2:]
    for name, profile in hostile_profiles(rng):
        for kind in ("baseline.jpg", "cmyk.jpg"):
            part = jpeg_segment(0xE2, b"ICC_PROFILE\0\x01\x01" + profile)
            yield f"profile-{name}-{kind}", good_files()[kind][:2] + part + good_files()[kind][2:]


def _png_oddities(rng: np.random.Generator) -> Named:
    """PNGs with odd chunks."""
    rows = b"".join(b"\0" + row.tobytes() for row in plain_picture())
    packed = zlib.compress(rows)
    for colour_type, depth in ((1, 8), (5, 8), (7, 8), (2, 3), (3, 8), (2, 4), (2, 32)):
        yield f"type-{colour_type}-{depth}.png", png(160, 120, colour_type, packed, depth=depth)
    yield "short-rows.png", png(160, 120, 2, zlib.compress(rows[:-4000]))
    yield "short-rows-16.png", png(160, 120, 2, zlib.compress(rows), depth=16)
    yield "cut-stream.png", png(160, 120, 2, packed[:-300])
    yield "bad-filter.png", png(160, 120, 2, zlib.compress(b"\x09" + rows[1:]))
    yield "no-data.png", png(160, 120, 2, None)
    yield "bad-interlace.png", png(160, 120, 2, packed, interlace=7)
    for name, body in (
        (b"iCCP", b"x\0\0" + b"not packed"),
        (b"iCCP", b"x\0\0" + zlib.compress(bytes(40_000_000), 9)),
        (b"gAMA", bytes(4)),
        (b"cICP", b"\x09\x10\x00\x01"),
        (b"cHRM", bytes(32)),
        (b"eXIf", b"II*\0\xff\xff\xff\xff"),
        (b"tRNS", bytes(1)),
    ):
        yield f"chunk-{name.decode()}-{len(body)}.png", png(160, 120, 2, packed, extra=chunk(name, body))
    whole = good_files()["eight.png"]
    yield "wrong-checksum.png", whole[:29] + b"\0\0\0\0" + whole[33:]
    yield "endless-chunk.png", whole[:33] + b"\xff\xff\xff\xffIDAT" + whole[41:]
    clear = np.dstack([plain_picture(), np.zeros((120, 160), np.uint8)])
    yield "all-transparent.png", saved(clear, "PNG")


def _tiff_oddities(rng: np.random.Generator) -> Named:
    """TIFFs with odd directories."""
    data = good_files()["eight.tif"]
    for name, changes in (
        ("two-channels", {277: 2}),
        ("five-channels", {277: 5}),
        ("no-channels", {277: 0}),
        ("lab", {262: 8}),
        ("raw", {262: 32803}),
        ("nonsense-model", {262: 999}),
        ("unknown-compression", {259: 999}),
        ("preview", {254: 1}),
    ):
        yield f"{name}.tif", tiff_value(data, changes)
    yield "data-beyond-end.tif", tiff_value(data, {273: 2**31})
    yield "loop.tif", data[:4] + b"\x04\0\0\0" + data[8:]
    floats = plain_picture().astype(np.float32)
    yield "floats.tif", bytes(cv2.imencode(".tiff", floats)[1])
    frames = [Image.fromarray(plain_picture())]
    yield "pages.tif", saved(plain_picture(), "TIFF", save_all=True, append_images=frames)
    next_at = directory_end(data)
    yield "page-loop.tif", data[:next_at] + data[4:8] + data[next_at + 4 :]


def _other_oddities(rng: np.random.Generator) -> Named:
    """WebP and HEIC containers that contradict themselves."""
    webp, heic = good_files()["lossy.webp"], good_files()["phone.heic"]
    yield "wrong-length.webp", webp[:4] + b"\xff\xff\xff\x7f" + webp[8:]
    yield "no-picture.webp", b"RIFF" + struct.pack("<I", 4) + b"WEBP"
    yield "no-meta.heic", heic[: heic.index(b"meta") - 4]
    yield "no-item.heic", heic.replace(b"pitm", b"free")
    yield "no-codec.heic", heic.replace(b"hvcC", b"free")
    yield "loop.heic", heic[:24] + heic[:24] * 200


def _dull_pictures(rng: np.random.Generator) -> Named:
    """Whole pictures in which nothing can be read."""
    for name, colour in (("black", 0), ("white", 255), ("grey", 128)):
        flat = np.full((240, 320, 3), colour, np.uint8)
        yield f"all-{name}.png", saved(flat, "PNG")
        yield f"all-{name}.jpg", saved(flat, "JPEG")
    yield "noise.png", saved(rng.integers(0, 256, (240, 320, 3), dtype=np.uint8), "PNG")
    yield "grey-noise.png", saved(rng.integers(0, 256, (240, 320), dtype=np.uint8), "PNG")
    squares = (np.indices((240, 320)).sum(axis=0) // 20 % 2 * 255).astype(np.uint8)
    yield "squares.png", saved(squares, "PNG")
    stripes = np.repeat(np.arange(320)[np.newaxis] // 16 % 2 * 200, 240, axis=0).astype(np.uint8)
    yield "stripes.png", saved(stripes, "PNG")
    yield "gradient.jpg", saved(plain_picture(640, 480), "JPEG")
    hue = np.tile(np.linspace(0, 179, 320), (240, 1))
    rainbow = np.dstack([hue, np.full((240, 320, 2), 220)]).astype(np.uint8)
    yield "rainbow.jpg", saved(cv2.cvtColor(rainbow, cv2.COLOR_HSV2RGB), "JPEG")
    yield "one-colour.webp", saved(np.full((240, 320, 3), (200, 40, 60), np.uint8), "WEBP")


def chunk(kind: bytes, body: bytes) -> bytes:
    """Return a PNG chunk with a right checksum."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(
    width: int,
    height: int,
    colour_type: int,
    packed: bytes | None,
    *,
    depth: int = 8,
    interlace: int = 0,
    extra: bytes = b"",
) -> bytes:
    """Return a PNG made by hand, with right checksums whatever it says."""
    header = struct.pack(">IIBBBBB", width, height, depth, colour_type, 0, 0, interlace)
    data = b"" if packed is None else chunk(b"IDAT", packed)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + extra + data + chunk(b"IEND", b"")


def jpeg_segment(marker: int, body: bytes) -> bytes:
    """Return a JPEG marker segment."""
    return bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body


def jpeg_frame(
    data: bytes,
    *,
    marker: int = 0xC0,
    precision: int = 8,
    height: int | None = None,
    width: int | None = None,
    channels: int | None = None,
) -> bytes:
    """Return a baseline JPEG with a changed frame header."""
    start = data.index(b"\xff\xc0")
    changed = bytearray(data)
    changed[start + 1], changed[start + 4] = marker, precision
    if height is not None:
        changed[start + 5 : start + 7] = struct.pack(">H", height)
    if width is not None:
        changed[start + 7 : start + 9] = struct.pack(">H", width)
    if channels is not None:
        changed[start + 9] = channels
    return bytes(changed)


def tiff_value(data: bytes, changes: dict[int, int]) -> bytes:
    """Return a little-endian TIFF whose first directory holds other values, as 32 bit numbers."""
    changed = bytearray(data)
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for position in range(start + 2, start + 2 + 12 * count, 12):
        (tag,) = struct.unpack_from("<H", data, position)
        if tag in changes:
            struct.pack_into("<HII", changed, position + 2, 4, 1, changes[tag])
    return bytes(changed)


def directory_end(data: bytes) -> int:
    """Return where the first directory of a little-endian TIFF holds the offset of the next."""
    (start,) = struct.unpack_from("<I", data, 4)
    return int(start + 2 + 12 * struct.unpack_from("<H", data, start)[0])


def hostile_exif() -> Named:
    """EXIF blocks that lie."""
    head = b"II*\0\x08\0\0\0"

    def field(tag: int, kind: int, count: int, value: int) -> bytes:
        return struct.pack("<HHII", tag, kind, count, value)

    for orientation in (0, 9, 65535):
        yield f"orientation-{orientation}", head + b"\x01\0" + field(0x112, 3, 1, orientation) + bytes(4)
    yield "no-directory", b"II*\0\xff\xff\xff\xff"
    yield "short", b"MM\0*"
    yield "own-child", head + b"\x01\0" + field(0x8769, 4, 1, 8) + b"\x08\0\0\0"
    yield "many-fields", head + b"\xff\xff" + bytes(600)
    yield "long-field", head + b"\x01\0" + field(0x9003, 2, 2**32 - 1, 8) + bytes(4)
    yield "wrong-kind", head + b"\x01\0" + field(0x112, 2, 4, 6) + bytes(4)
    yield "time", head + b"\x01\0" + field(0x132, 2, 20, 26) + bytes(4) + b"99:99 no time at all\0"


def hostile_profiles(rng: np.random.Generator) -> Iterator[tuple[str, bytes]]:
    """ICC profiles that cannot be used."""
    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    good = made[:24] + bytes(12) + made[36:]  # without the time at which it was made
    yield "short", good[:200]
    yield "noise", rng.integers(0, 256, 800, dtype=np.uint8).tobytes()
    yield "press-name", good[:16] + b"CMYK" + good[20:]
    yield "no-tags", good[:128] + bytes(400)
    flat = bytearray(good)
    for tag in (b"rXYZ", b"gXYZ", b"bXYZ"):
        (offset,) = struct.unpack_from(">I", good, good.index(tag) + 4)
        flat[offset + 8 : offset + 20] = bytes(12)
    yield "no-primaries", bytes(flat)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Write broken and hostile picture files.")
    parser.add_argument("folder", type=Path)
    print(f"{len(hostile_files(parser.parse_args().folder))} files")
