"""Reference charts: printed patches of known pH, and the TOML file that describes them."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from hueph._system import system_sentence
from hueph._types import FloatArray, PathLike
from hueph.errors import ChartError

__all__ = ["Chart", "Marker", "Patch", "Reference", "Standard", "StandardPhoto", "load_chart", "write_chart"]

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Patch:
    """One printed patch.

    Attributes
    ----------
    ph : float
        pH the patch stands for.
    lab : tuple of float
        CIELAB, D65 white, 2 degree observer, relative to a perfect white (not to the paper).
    delta_e_std : float
        Standard uncertainty of the colour, CIEDE2000 units (print and measurement).
    corners : tuple of 4 points
        (x, y) in card units, y downwards, in the order top-left, top-right, bottom-right,
        bottom-left of the card held upright.
    """

    ph: float
    lab: tuple[float, float, float]
    delta_e_std: float
    corners: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Marker:
    """A square fiducial marker on a card.

    Attributes
    ----------
    id : int
        Number of the marker in the chart's `dictionary`.
    corners : tuple of 4 points
        (x, y) of the outer edge of its black frame, card units, top-left first, clockwise.
    """

    id: int
    corners: Points


@dataclass(frozen=True, slots=True)
class Reference:
    """A printed area of known colour that stands for no pH: a grey, or a saturated patch.

    Attributes
    ----------
    kind : str
        "grey" or "colour".
    lab : tuple of float
        CIELAB, D65 white, 2 degree observer.
    delta_e_std : float
        Standard uncertainty of the colour, CIEDE2000 units.
    corners : tuple of 4 points
        As in `Patch`.
    """

    kind: str
    lab: tuple[float, float, float]
    delta_e_std: float
    corners: Points


@dataclass(frozen=True, slots=True)
class StandardPhoto:
    """A photograph with tubes of known pH beside the chart: what links them to the chart.

    Attributes
    ----------
    file, sha256 : str
        Its name and the hash of its bytes.
    to_linear_srgb : tuple of 9 numbers
        Matrix from the file's linear primaries to linear sRGB, row by row.
    paper_level : float
        Brightest channel of the card's paper in the picture, 0..1.
    patch_ph : tuple of float
        pH of the patches that were seen well, rising.
    patches : tuple of 3-tuples
        Those patches as seen, linear light in the file's primaries, relative to a perfect white.
    """

    file: str
    sha256: str
    to_linear_srgb: tuple[float, ...]
    paper_level: float
    patch_ph: tuple[float, ...]
    patches: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Standard:
    """A tube of known pH in a `StandardPhoto`, as it was measured there.

    Colours are linear light in the primaries of the photograph's file.

    Attributes
    ----------
    photo : int
        Number of its photograph, from 1.
    tube : int
        Number of the tube in the picture, from 1, left to right.
    at : tuple of float
        (x, y) of the middle of its liquid, pixels of the full upright picture.
    ph, ph_std : float
        Its pH and the standard uncertainty (k = 1) of that value.
    liquid : tuple of float
        Light through the liquid over that of the backing beside it.
    backing : tuple of float
        Backing relative to a perfect white.
    glass : tuple of float or None
        Light through the empty glass over that of the backing there; None when not seen.
    noise : float
        Relative standard deviation of the mean colour.
    dark, bright : tuple of float
        Share of the liquid's core at the bottom and at the top of the code range, per channel.
    neighbours : tuple of float
        Absorbance of the vessels on both sides, weighted by nearness; 0 for none.
    """

    photo: int
    tube: int
    at: tuple[float, float]
    ph: float
    ph_std: float
    liquid: tuple[float, float, float]
    backing: tuple[float, float, float]
    glass: tuple[float, float, float] | None
    noise: float
    dark: tuple[float, float, float]
    bright: tuple[float, float, float]
    neighbours: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Chart:
    """A printed reference chart: patches in order of rising pH on a paper card.

    Attributes
    ----------
    name, indicator, batch, date, provenance, note : str
        Free text; only `name` must not be empty. None is ever used to interpret a picture.
    patches : tuple of Patch
        At least 3, pH strictly rising.
    paper_lab : tuple of float
        Unprinted paper, CIELAB D65.
    card_size : tuple of float
        Width and height of the card in card units; (0, 0) is its top-left corner.
    layout : str
        "row", "column" or "grid" (informative; positions are what counts).
    sha256 : str
        Of the canonical content (every value as written to the file), "" when not yet written.
        Computed on load, so a chart edited by hand has another hash.
    unit : str
        "px" or "mm": what a card unit is (informative).
    dictionary : str
        Name of the OpenCV ArUco dictionary of the markers, "" without markers.
    markers : tuple of Marker
        Fiducial markers of a card of our own; empty for a vendor's chart.
    references : tuple of Reference
        Greys and saturated patches of a card of our own.
    standard_photos : tuple of StandardPhoto
    standards : tuple of Standard
        Tubes of known pH photographed beside this chart; `read_photo` leans on them.
    edited : bool
        The file was changed after hueph wrote it (its stated hash is not that of its content).
    """

    name: str
    patches: tuple[Patch, ...]
    paper_lab: tuple[float, float, float]
    card_size: tuple[float, float]
    layout: str = "row"
    indicator: str = ""
    batch: str = ""
    date: str = ""
    provenance: str = ""
    note: str = ""
    sha256: str = ""
    unit: str = "px"
    dictionary: str = ""
    markers: tuple[Marker, ...] = ()
    references: tuple[Reference, ...] = ()
    standard_photos: tuple[StandardPhoto, ...] = ()
    standards: tuple[Standard, ...] = ()
    edited: bool = False

    @property
    def ph(self) -> FloatArray:
        """pH of the patches, shape (n,)."""
        import numpy as np

        return np.array([patch.ph for patch in self.patches])

    @property
    def lab(self) -> FloatArray:
        """CIELAB D65 of the patches, shape (n, 3)."""
        import numpy as np

        return np.array([patch.lab for patch in self.patches])

    @property
    def corners(self) -> FloatArray:
        """Corner points of the patches in card units, shape (n, 4, 2), (x, y)."""
        import numpy as np

        return np.array([patch.corners for patch in self.patches])


def load_chart(path: PathLike) -> Chart:
    """Read and check a chart file.

    Parameters
    ----------
    path : path
        TOML file as `write_chart` makes it; may be edited by hand.

    Returns
    -------
    Chart
        With `sha256` computed over the content read.

    Raises
    ------
    ChartError
        Not readable, not TOML, or a value breaks a rule; the text names file and line.
    """
    from hueph._chart_file import parse_chart

    file = Path(path)
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ChartError(f"cannot read the chart file {file}: {system_sentence(error)}") from error
    except UnicodeDecodeError as error:
        raise ChartError(
            f"cannot read {file} as a chart: a chart file is UTF-8 text, found other bytes at {error.start}; "
            "name a chart file here, not a picture; hueph calibrate makes one from a picture"
        ) from error
    chart, stated = parse_chart(text, str(file))
    digest = chart_sha256(chart)
    return replace(chart, sha256=digest, edited=bool(stated) and stated != digest)


def write_chart(chart: Chart, path: PathLike, *, force: bool = False) -> Chart:
    """Write a chart file, whole or not at all.

    Parameters
    ----------
    chart : Chart
        Checked by the same rules as a file that is read.
    path : path
        Where to write; the folder must exist.
    force : bool
        Replace a file that is already there.

    Returns
    -------
    Chart
        The chart as it now stands in the file (rounded values, `sha256` set).

    Raises
    ------
    ChartError
        The file exists and `force` is not given, the chart breaks a rule, or writing fails.
    """
    from hueph._chart_file import dump_chart, parse_chart

    file = Path(path)
    digest = chart_sha256(chart)
    text = dump_chart(replace(chart, sha256=digest))
    checked, _ = parse_chart(text, str(file))
    write_whole(file, text.encode("utf-8"), force=force)
    return replace(checked, sha256=digest)


def chart_sha256(chart: Chart) -> str:
    """Return the hash of a chart's canonical content, hexadecimal."""
    from hueph._chart_file import canonical

    content: dict[str, Any] = canonical(chart)
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def write_whole(file: Path, data: bytes, *, force: bool) -> None:
    """Write through a temporary file in the same folder, so that no half file is ever seen."""
    exists = (
        f"cannot write {file}: the file exists and is never overwritten unasked; name another or add --force"
    )
    if file.exists() and not force:
        raise ChartError(exists)
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.", suffix=".part")
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        if force or not _linked(temporary, file):
            os.replace(temporary, file)
        else:
            os.unlink(temporary)
    except FileExistsError as error:
        os.unlink(temporary)
        raise ChartError(exists) from error
    except OSError as error:
        if temporary and os.path.exists(temporary):
            os.unlink(temporary)
        raise ChartError(f"cannot write {file}: {system_sentence(error)}") from error


def _linked(temporary: str, file: Path) -> bool:
    """Give a finished file its name, failing when that name has come into being meanwhile."""
    try:
        os.link(temporary, file)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        return False
    return True
