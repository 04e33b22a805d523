"""Colour science against published figures; run as a script to print how many digits agree.

"S2" figures were read in a copy of the named source, "L" figures were computed with the named
library or from the stated formula, not by hueph.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hueph.colour.adaptation import BRADFORD, adapt_xyz, bradford_matrix
from hueph.colour.cam16 import xyz_to_cam16, xyz_to_cam16_ucs
from hueph.colour.correction import CorrectionKind, fit_correction
from hueph.colour.difference import delta_e_cie2000
from hueph.colour.lab import lab_to_xyz, linear_rgb_to_oklab, xyz_to_lab, xyz_to_oklab
from hueph.colour.srgb import (
    D50,
    D65,
    DISPLAY_P3_TO_XYZ,
    SRGB_TO_XYZ,
    XYZ_TO_SRGB,
    linear_rgb_to_xyz,
    srgb_to_linear_rgb,
    white_from_xy,
    xyz_to_linear_rgb,
)

# Five figures are printed in the transfer function's table, six in the matrices.
TRANSFER_POINTS = [
    (0.01, 0.00077399),  # L, colour-science 0.4.7
    (0.04045, 0.00313081),  # L; both branches agree here to 1e-7
    (0.05, 0.00393594),  # L
    (0.1, 0.010022825574869),  # S2, colorspacious gold_values.py
    (0.2, 0.033104766570885),  # S2, same
    (0.3, 0.073238955878405),  # S2, same
    (0.5, 0.214041140482233),  # L
    (1 / 255, 0.00030353),
    (10 / 255, 0.00303527),  # last code on the straight part
    (11 / 255, 0.00334654),  # first code on the power part
    (64 / 255, 0.05126946),
    (128 / 255, 0.21586050),
    (188 / 255, 0.50288646),
    (254 / 255, 0.99110210),
]

# Whites as in ASTM E308 tables and as they follow from the chromaticities.
D65_ASTM = np.array([0.95047, 1.0, 1.08883])
D50_ASTM = np.array([0.96422, 1.0, 0.82521])
ILLUMINANT_A = np.array([1.0985, 1.0, 0.35585])

LAB_POINTS = [
    # colorspacious gold_values.py, Lindbloom's calculator (S2): XYZ of white 100, white, CIELAB.
    ([10, 20, 30], [95.047, 100, 108.883], [51.8372, -56.3591, -13.1812], 1e-4),
    ([80, 90, 10], [95.047, 100, 108.883], [95.9968, -10.6593, 102.8625], 1e-4),
    ([0.5, 0.6, 0.4], [95.047, 100, 108.883], [5.4198, -2.8790, 3.6230], 1e-4),
    # The next one's b* differs by 0.0007 from a recomputation (26.1140): its last digits are not sure.
    ([2.61219, 1.52732, 10.96471], [96.422, 100, 82.521], [12.7806, 26.1140, -52.4347], 1e-4),
    ([2.39318, 2.01643, 1.64315], [96.422, 100, 82.521], [15.5732, 9.7574, 0.2281], 1e-4),
    ([0.5, 0.6, 0.4], [96.422, 100, 82.521], [5.4198, -3.1711, 1.7953], 1e-4),
    # colour-science test_cie_lab.py (S2), white from the chromaticities .3127 .3290.
    ([20.654008, 12.197225, 5.136952], D65 * 100, [41.52787529, 52.63858304, 26.92317922], 1e-7),
    ([14.222010, 23.042768, 10.495772], D65 * 100, [55.11636304, -41.08791787, 30.91825778], 1e-7),
    ([7.818780, 6.157201, 28.099326], D65 * 100, [29.80565520, 20.01830466, -48.34913874], 1e-7),
]

SRGB_LAB_POINTS = [
    ([1, 0, 0], [53.2371, 80.0901, 67.2033], 1e-4),  # L, exact matrix; coloraide the same
    ([0, 1, 0], [87.7355, -86.1816, 83.1866], 1e-4),
    ([0, 0, 1], [32.3009, 79.1953, -107.8555], 1e-4),
    ([0.2, 0.4, 0.6], [42.0100, -0.1474, -32.8446], 5e-3),  # S2, colorspacious: other white rounding
]

OKLAB_POINTS = [
    # Ottosson's own table, three decimals; more decimals recomputed from his matrices (L).
    ([0.950, 1.000, 1.089], [0.99996868, -0.00025801, -0.00011500]),
    ([1, 0, 0], [0.44993158, 1.23571021, -0.01902758]),
    ([0, 1, 0], [0.92181676, -0.67123761, 0.26332355]),
    ([0, 0, 1], [0.15260258, -1.41499655, -0.44892720]),
    # colour-science 0.4.7 documentation and test_oklab.py (S, S2).
    ([0.20654008, 0.12197225, 0.05136952], [0.51634019, 0.15469500, 0.06289579]),
    ([0.14222010, 0.23042768, 0.10495772], [0.59910746, -0.11139207, 0.07508465]),
]

OKLAB_SRGB_POINTS = [
    # coloraide 8.13 (L), direct linear-sRGB matrices.
    ([1, 0, 0], [0.627955, 0.224863, 0.125846]),
    ([0, 1, 0], [0.866440, -0.233888, 0.179498]),
    ([0, 0, 1], [0.452014, -0.032457, -0.311528]),
    ([1, 1, 0], [0.967983, -0.071369, 0.198570]),
]

CAM16_POINTS = [
    # colour-science appearance/tests/test_cam16.py (S2): white 95.05 100 108.88, Yb 20, average surround.
    (
        [19.01, 20.00, 21.78],
        318.31,
        [41.73120791, 0.10335574, 217.06795977, 0.10743677, 195.37170899],
        [54.90445, -0.085621, -0.064680],
    ),
    (
        [57.06, 43.06, 31.96],
        31.83,
        [65.42828069, 49.67956420, 17.48659243, 42.62473321, 152.06985268],
        [76.288225, 28.403162, 8.948176],
    ),
]


def sharma_pairs() -> np.ndarray:
    """Rows of pair number, two CIELAB colours and the published difference."""
    return np.loadtxt(Path(__file__).with_name("ciede2000_sharma_2005.txt"))


def test_all_34_published_ciede2000_pairs_are_there() -> None:
    assert sharma_pairs()[:, 0].tolist() == list(range(1, 35))


@pytest.mark.parametrize("row", sharma_pairs(), ids=lambda row: f"pair{int(row[0])}")
def test_ciede2000(row: np.ndarray) -> None:
    first, second, published = row[1:4], row[4:7], row[7]
    difference = delta_e_cie2000(first, second)
    # Half of the last printed digit, and the rounding of the recomputation that found it.
    assert difference == pytest.approx(published, abs=0.6e-4)
    assert delta_e_cie2000(second, first) == pytest.approx(difference, abs=1e-12)


@pytest.mark.parametrize(("encoded", "linear"), TRANSFER_POINTS)
def test_srgb_transfer_function(encoded: float, linear: float) -> None:
    assert srgb_to_linear_rgb(encoded) == pytest.approx(linear, abs=1e-8 if linear < 0.01 else 6e-9)


@pytest.mark.parametrize(
    ("matrix", "published"),
    [
        # Primaries: IEC 61966-2-1 / ITU-R BT.709, SMPTE EG 432-1; exact matrices L.
        (SRGB_TO_XYZ, [".412391 .357584 .180481", ".212639 .715169 .072192", ".019331 .119195 .950532"]),
        (
            XYZ_TO_SRGB,
            ["3.240970 -1.537383 -.498611", "-.969244 1.875968 .041555", ".055630 -.203977 1.056972"],
        ),
        (DISPLAY_P3_TO_XYZ, [".486571 .265668 .198217", ".228975 .691739 .079287", "0 .045113 1.043944"]),
        (
            XYZ_TO_SRGB @ DISPLAY_P3_TO_XYZ,
            ["1.224940 -.224940 0", "-.042057 1.042057 0", "-.019638 -.078636 1.098274"],
        ),
        # Lam 1985, S2 colour-science.
        (BRADFORD, [".8951 .2664 -.1614", "-.7502 1.7135 .0367", ".0389 -.0685 1.0296"]),
    ],
    ids=["srgb", "srgb-inverse", "display-p3", "p3-to-srgb", "bradford-cones"],
)
def test_matrices(matrix: np.ndarray, published: list[str]) -> None:
    wanted = np.array([[float(number) for number in row.split()] for row in published])
    np.testing.assert_allclose(matrix, wanted, atol=0.6e-6, rtol=0)


def test_srgb_matrix_agrees_with_the_four_digit_one_of_the_standard() -> None:
    standard = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    np.testing.assert_allclose(SRGB_TO_XYZ, standard, atol=0.6e-4, rtol=0)


@pytest.mark.parametrize(
    ("white", "xyz"), [(D65, [0.950456, 1, 1.089058]), (D50, [0.964296, 1, 0.825105])], ids=["D65", "D50"]
)
def test_whites_from_their_chromaticities(white: np.ndarray, xyz: list[float]) -> None:
    np.testing.assert_allclose(white, xyz, atol=0.6e-6, rtol=0)
    np.testing.assert_allclose(white_from_xy(0.44758, 0.40745), ILLUMINANT_A, atol=1e-4, rtol=0)


@pytest.mark.parametrize(
    ("source", "target", "published"),
    [
        (
            D65_ASTM,
            D50_ASTM,
            "1.0478112 .0228866 -.0501270 .0295424 .9904844 -.0170491 -.0092345 .0150436 .7521316",
        ),
        (D65, D50, "1.0479298 .0229469 -.0501923 .0296278 .9904344 -.0170738 -.0092430 .0150552 .7518743"),
        (
            ILLUMINANT_A,
            D65_ASTM,
            ".8446965 -.1179225 .3948108 -.1366303 1.1041226 .1291718 .0798489 -.1349000 3.1924009",
        ),
    ],
    ids=["D65-D50-ASTM", "D65-D50-xy", "A-D65"],
)
def test_bradford(source: np.ndarray, target: np.ndarray, published: str) -> None:
    wanted = np.array([float(number) for number in published.split()]).reshape(3, 3)
    np.testing.assert_allclose(bradford_matrix(source, target), wanted, atol=1e-6, rtol=0)


@pytest.mark.parametrize(("xyz", "white", "lab", "tolerance"), LAB_POINTS)
def test_xyz_to_lab(xyz: list[float], white: list[float], lab: list[float], tolerance: float) -> None:
    np.testing.assert_allclose(xyz_to_lab(xyz, white), lab, atol=tolerance, rtol=0)


@pytest.mark.parametrize(("srgb", "lab", "tolerance"), SRGB_LAB_POINTS)
def test_srgb_to_lab(srgb: list[float], lab: list[float], tolerance: float) -> None:
    seen = xyz_to_lab(linear_rgb_to_xyz(srgb_to_linear_rgb(srgb)))
    np.testing.assert_allclose(seen, lab, atol=tolerance, rtol=0)


@pytest.mark.parametrize(("xyz", "oklab"), OKLAB_POINTS)
def test_xyz_to_oklab(xyz: list[float], oklab: list[float]) -> None:
    np.testing.assert_allclose(xyz_to_oklab(xyz), oklab, atol=1e-7, rtol=0)


@pytest.mark.parametrize(("linear", "oklab"), OKLAB_SRGB_POINTS)
def test_linear_srgb_to_oklab(linear: list[float], oklab: list[float]) -> None:
    np.testing.assert_allclose(linear_rgb_to_oklab(linear), oklab, atol=1e-6, rtol=0)
    # Through XYZ the author's other pair of matrices is used, which is rounded differently.
    np.testing.assert_allclose(xyz_to_oklab(linear_rgb_to_xyz(linear)), oklab, atol=3e-4, rtol=0)


def test_oklab_of_code_128_is_neutral() -> None:
    grey = linear_rgb_to_oklab(srgb_to_linear_rgb(np.full(3, 128 / 255)))
    np.testing.assert_allclose(grey, [0.599871, 0, 0], atol=1e-6, rtol=0)


@pytest.mark.parametrize(("xyz", "luminance", "appearance", "ucs"), CAM16_POINTS)
def test_cam16(xyz: list[float], luminance: float, appearance: list[float], ucs: list[float]) -> None:
    white = np.array([0.9505, 1.0, 1.0888])
    colour = np.array(xyz) / 100.0
    seen = xyz_to_cam16(colour, white, adapting_luminance=luminance)
    got = [seen.lightness, seen.chroma, seen.hue, seen.colourfulness, seen.brightness]
    np.testing.assert_allclose(got, appearance, atol=1e-7, rtol=0)
    # A cross-check with colour-science, not a published figure: no gold table of CAM16-UCS was found.
    space = xyz_to_cam16_ucs(colour, white, adapting_luminance=luminance)
    np.testing.assert_allclose(space, ucs, atol=1e-6, rtol=0)


def chart_patches(edition: int) -> np.ndarray:
    """CIELAB (D50) of the 24-patch chart: edition 0 is of 2005, 1 from after November 2014."""
    table = np.loadtxt(Path(__file__).with_name("chart_24_patches.txt"))
    return table[:, 3 * edition : 3 * edition + 3]


def chart_linear_srgb(edition: int) -> np.ndarray:
    """The chart's patches in linear sRGB; one of them lies outside sRGB."""
    return xyz_to_linear_rgb(adapt_xyz(lab_to_xyz(chart_patches(edition), D50), D50, D65))


def test_editions_of_the_24_patch_chart_differ_visibly() -> None:
    assert 1.5 < delta_e_cie2000(chart_patches(0), chart_patches(1)).max() < 3.0


def test_cyan_of_the_24_patch_chart_lies_outside_srgb() -> None:
    outside = (chart_linear_srgb(1) < 0.0).any(axis=1)
    assert np.flatnonzero(outside).tolist() == [17]


@pytest.mark.parametrize("kind", ["linear", "root-polynomial"])
@pytest.mark.parametrize(("noise", "limit"), [(0.0, 1.0), (0.005, 3.0)])
def test_24_patch_chart_is_corrected(kind: CorrectionKind, noise: float, limit: float) -> None:
    # A camera whose bands overlap more than sRGB's; limits: common practice, no source.
    camera = np.array([[0.70, 0.25, 0.05], [0.20, 0.65, 0.15], [0.02, 0.20, 0.78]])
    truth = chart_linear_srgb(1)
    measured = truth @ camera.T + np.random.default_rng(24).normal(0.0, noise, truth.shape)
    corrected = fit_correction(measured, truth, kind=kind).apply(measured)
    lab = [xyz_to_lab(linear_rgb_to_xyz(values)) for values in (corrected, truth)]
    assert delta_e_cie2000(lab[0], lab[1]).mean() < limit


if __name__ == "__main__":
    for pair in sharma_pairs():
        error = abs(float(delta_e_cie2000(pair[1:4], pair[4:7])) - pair[7])
        print(f"CIEDE2000 pair {int(pair[0]):2d}: published {pair[7]:8.4f}, off by {error:.1e}")
