"""Reference charts: printed patches of known pH, and the TOML file that describes them."""

from __future__ import annotations

from dataclasses import dataclass

from hueph._types import FloatArray

__all__ = ["Chart", "Patch"]


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
        Of the canonical content of the file, "" when not yet written.
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
