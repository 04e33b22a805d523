"""Which tube is which: never guessed silently."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tubes_made import lab_of, picture_of, seen

from hueph.comparing.pairing import TubePair, pair_tubes, parse_labels, parse_pairs
from hueph.errors import InputError
from hueph.results import PhotoReadings

RED, BLUE = lab_of((0.05, 0.6, 0.5)), lab_of((0.8, 0.3, 0.05))


def picture(name: str, *labs: tuple[float, float, float]) -> PhotoReadings:
    tubes = [seen(6.0, picture=name, tube=number) for number in range(1, len(labs) + 1)]
    whole = picture_of(*tubes)
    return replace(
        whole,
        tubes=tuple(replace(tube.reading, lab=lab) for tube, lab in zip(tubes, labs, strict=True)),
    )


def test_by_position_when_there_are_as_many() -> None:
    pairs = pair_tubes(picture("a", RED, BLUE), picture("b", RED, BLUE))
    assert pairs == [TubePair(1, 1), TubePair(2, 2)]


def test_different_numbers_are_asked_for() -> None:
    with pytest.raises(InputError, match=r"a\.jpg has 2 tubes and b\.jpg 1 tube; say which .* --pair 1:1"):
        pair_tubes(picture("a", RED, BLUE), picture("b", RED))


def test_one_photograph_needs_pairs() -> None:
    one = picture("a", RED, BLUE)
    with pytest.raises(InputError, match="such as --pair 1:2"):
        pair_tubes(one, one)
    assert pair_tubes(one, one, pairs=[(1, 2)]) == [TubePair(1, 2)]
    with pytest.raises(InputError, match="pairing tube 1 with itself"):
        pair_tubes(one, one, pairs=[(1, 1)])


def test_a_pair_that_is_not_there_is_named() -> None:
    with pytest.raises(InputError, match=r"pairing tube 1 with tube 4: b\.jpg has 2 tubes, so there is no"):
        pair_tubes(picture("a", RED, BLUE), picture("b", RED, BLUE), pairs=[(1, 4)])


def test_tubes_that_fit_crosswise_raise_a_doubt_and_a_real_change_does_not() -> None:
    swapped = pair_tubes(picture("a", RED, BLUE), picture("b", BLUE, RED))
    assert all("changed places" in pair.doubt for pair in swapped)
    assert "--pair 1:2 --pair 2:1" in swapped[0].doubt
    changed = pair_tubes(picture("a", RED, RED), picture("b", BLUE, RED))
    assert not any(pair.doubt for pair in changed)


def test_labels_pair_whatever_the_order() -> None:
    labels = (("citrate", "water"), ("water", "citrate"))
    pairs = pair_tubes(picture("a", RED, BLUE), picture("b", BLUE, RED), labels=labels)
    assert pairs == [TubePair(1, 2, "citrate"), TubePair(2, 1, "water")]


def test_a_dash_leaves_a_tube_out() -> None:
    labels = (("citrate", "-"), ("citrate",))
    assert pair_tubes(picture("a", RED, BLUE), picture("b", RED), labels=labels) == [
        TubePair(1, 1, "citrate")
    ]


@pytest.mark.parametrize(
    ("labels", "match"),
    [
        ((("x", "y"), ("x",)), r"labelling the tubes of b\.jpg: 2 tubes found, but 1 labels"),
        ((("x", "y"), ("x", "z")), r"'y' stands only in a\.jpg"),
    ],
)
def test_labels_that_do_not_fit_are_refused(
    labels: tuple[tuple[str, ...], tuple[str, ...]], match: str
) -> None:
    with pytest.raises(InputError, match=match):
        pair_tubes(picture("a", RED, BLUE), picture("b", RED, BLUE), labels=labels)


def test_pairs_and_labels_are_read_from_text() -> None:
    assert parse_pairs(["1:2", " 3 : 4 "]) == [(1, 2), (3, 4)]
    assert parse_labels("citrate, phosphate, -") == ("citrate", "phosphate", "-")


@pytest.mark.parametrize("text", ["", "1", "0:1", "1:0", "a:b", "1:2:3", "-1:2", "1.5:2"])
def test_what_is_no_pair_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="two tube numbers counted from 1"):
        parse_pairs([text])


def test_what_stands_twice_is_refused() -> None:
    with pytest.raises(InputError, match="pair 1:2 is given twice"):
        parse_pairs(["1:2", "1:2"])
    with pytest.raises(InputError, match="'a' stands twice"):
        parse_labels("a,a")
    with pytest.raises(InputError, match="one label a tube"):
        parse_labels(" , ")
