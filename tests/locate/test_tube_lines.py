"""Lines of ridges: fitted to drawn edges, and their cover asked for many spans at once."""

from __future__ import annotations

import numpy as np

from hueph.locate._tube_lines import level_lines, ragged
from hueph.locate._tube_maps import EdgeMap


def drawn(rows: dict[int, tuple[int, int, float]]) -> EdgeMap:
    """Return a level map with straight level edges: row -> (first column, last column, strength)."""
    strength = np.full((80, 120), 0.01, dtype=np.float32)
    for row, (first, last, value) in rows.items():
        strength[row, first : last + 1] = value
    return EdgeMap(strength, np.zeros_like(strength), 0.01)


def test_ragged_lays_ranges_end_to_end() -> None:
    assert ragged(np.array([5, 0, 9]), np.array([2, 3, 0])).tolist() == [5, 6, 0, 1, 2]
    assert ragged(np.array([], dtype=int), np.array([], dtype=int)).tolist() == []


def test_lines_stand_where_they_were_drawn() -> None:
    lines = level_lines(drawn({20: (10, 49, 1.0), 50: (60, 79, 0.5)}), 3.0)
    assert lines.offset.round(6).tolist()[0] == 20.0
    assert set(lines.offset.round(6)) == {20.0, 50.0}
    assert np.abs(lines.slope).max() < 1e-9
    longest = int(np.argmax(lines.last - lines.first))
    assert (lines.first[longest], lines.last[longest]) == (10, 49)


def test_cover_counts_the_columns_of_each_span() -> None:
    lines = level_lines(drawn({20: (10, 49, 0.25)}), 3.0)
    line = np.zeros(3, dtype=int)
    # reduced pixels are twice as fine as columns: whole, half beyond the end, wholly beyond
    covered, strength = lines.cover(line, np.array([20, 60, 140]), np.array([100, 140, 180]), 0.0, 1.0)
    np.testing.assert_allclose(covered, [1.0, 0.5, 0.0])
    np.testing.assert_allclose(strength, [0.25, 0.0625, 0.0], rtol=1e-6)


def test_a_picture_without_edges_has_no_line() -> None:
    lines = level_lines(EdgeMap(np.zeros((30, 40), np.float32), np.zeros((30, 40), np.float32), 0.0), 3.0)
    assert len(lines.offset) == 0


def test_lines_shorter_than_asked_are_left_out() -> None:
    drawing = drawn({20: (10, 49, 1.0), 50: (60, 69, 1.0)})
    assert set(level_lines(drawing, 8.0).offset.round(6)) == {20.0, 50.0}
    assert set(level_lines(drawing, 20.0).offset.round(6)) == {20.0}
