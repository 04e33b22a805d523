"""Several readings of one sample: combined, outliers named, conflicts not averaged away."""

from __future__ import annotations

import pytest
from tubes_made import refused, seen

from hueph.comparing.correlation import posterior_std
from hueph.comparing.replicates import combine
from hueph.errors import InputError


def test_one_reading_comes_back_as_it_is() -> None:
    one = seen(6.0)
    assert combine([one]).observation is one
    with pytest.raises(InputError, match="at least one reading"):
        combine([])


def test_replicates_narrow_the_range_but_less_than_independent_ones_would() -> None:
    three = combine([seen(6.0, 0.2, picture=name) for name in "abc"])
    width = posterior_std(three.observation.reading)
    assert 0.2 / 3**0.5 < width < 0.2
    assert three.observation.reading.ph == pytest.approx(6.0, abs=0.02)
    assert three.scatter_ph == 0.0
    assert three.observation.sha256 == "a+b+c"


def test_the_better_replicate_counts_more() -> None:
    mixed = combine([seen(6.0, 0.05, picture="a"), seen(6.2, 0.3, picture="b")])
    assert mixed.observation.reading.ph == pytest.approx(6.0, abs=0.03)


def test_scatter_between_photographs_stays_in() -> None:
    alike = combine([seen(6.0, 0.05, picture=name) for name in "abcd"])
    apart = combine(
        [seen(ph, 0.05, picture=name) for ph, name in zip((5.9, 6.0, 6.1, 6.2), "abcd", strict=True)]
    )
    assert apart.scatter_ph > 0.05
    assert posterior_std(apart.observation.reading) > 1.3 * posterior_std(alike.observation.reading)


def test_an_outlier_is_named_and_left_out() -> None:
    found = combine([seen(6.0, 0.1, picture=name) for name in "abc"] + [seen(8.0, 0.1, picture="d")])
    assert len(found.outliers) == 1
    assert "d.jpg" in found.outliers[0]
    assert "8.0" in found.outliers[0]
    assert found.observation.reading.ph == pytest.approx(6.0, abs=0.02)
    assert len(found.members) == 4


def test_two_camps_have_no_outlier() -> None:
    ph = (6.0, 6.0, 8.0, 8.0)
    found = combine([seen(value, 0.1, picture=name) for value, name in zip(ph, "abcd", strict=True)])
    assert found.outliers == ()
    assert found.scatter_ph > 0.5


def test_a_refused_replicate_is_passed_over() -> None:
    found = combine([seen(6.0, picture="a"), refused(picture="b")])
    assert found.observation.reading.ph == pytest.approx(6.0, abs=0.02)
    assert not combine([refused(picture="a"), refused(picture="b")]).observation.has_ph


def test_indicators_that_agree_multiply() -> None:
    one, two = seen(6.5, 0.2, chart="purple"), seen(6.6, 0.2, chart="blue", picture="b")
    both = combine([one, two])
    assert both.conflict == ""
    assert both.observation.reading.ph == pytest.approx(6.55, abs=0.03)
    # Independent: the product of two normal laws, a little wider for the doubt in either.
    assert both.observation.reading.interval is not None
    assert one.reading.interval is not None
    share = both.observation.reading.interval.width / one.reading.interval.width
    assert 0.5**0.5 < share < 0.85


def test_an_indicator_at_its_end_leaves_the_value_to_the_other() -> None:
    low = seen(7.4, 0.2, chart="purple", card=(5.2, 6.8))
    high = seen(7.4, 0.2, chart="blue", card=(6.0, 8.4), picture="b")
    assert low.reading.bound == "above"
    both = combine([low, high])
    assert both.conflict == ""
    assert both.observation.reading.bound is None
    assert both.observation.reading.ph == pytest.approx(7.4, abs=0.06)


def test_indicators_that_exclude_each_other_are_a_conflict() -> None:
    both = combine([seen(5.5, 0.1, chart="purple"), seen(7.5, 0.1, chart="blue", picture="b")])
    assert "purple says pH 5.5" in both.conflict
    assert "blue says pH 7.5" in both.conflict
    assert both.observation.reading.ph is None
    assert "conflict" in both.observation.reading.flags
