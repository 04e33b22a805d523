"""Which tube of one photograph is which tube of another: by hand, by label, or by position."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hueph.colour.difference import delta_e_cie2000
from hueph.errors import InputError
from hueph.results import PhotoReadings

__all__ = ["TubePair", "pair_tubes", "parse_labels", "parse_pairs"]

# Two tubes look exchanged when each has changed colour plainly, and crosswise both match.
_PLAIN_CHANGE, _MATCH = 15.0, 6.0
_PAIR = re.compile(r" *([0-9]{1,3}) *: *([0-9]{1,3}) *")


@dataclass(frozen=True, slots=True)
class TubePair:
    """Numbers of a tube before and after.

    Attributes
    ----------
    before, after : int
        1 for the leftmost.
    label : str
        "" without labels.
    doubt : str
        Why the pairing may be wrong, "" when nothing speaks against it.
    """

    before: int
    after: int
    label: str = ""
    doubt: str = ""


def parse_pairs(texts: Sequence[str]) -> list[tuple[int, int]]:
    """Read pairs such as ``"1:2"``.

    Raises
    ------
    InputError
        A text is not two tube numbers, or the same pair stands there twice.
    """
    pairs: list[tuple[int, int]] = []
    for text in texts:
        match = _PAIR.fullmatch(text)
        if match is None or "0" in (match[1].lstrip("0") or "0", match[2].lstrip("0") or "0"):
            raise InputError(
                f"pairing tubes: a pair is two tube numbers counted from 1, before:after, such as 1:2; "
                f"found {text!r}"
            )
        pair = (int(match[1]), int(match[2]))
        if pair in pairs:
            raise InputError(f"pairing tubes: the pair {pair[0]}:{pair[1]} is given twice; give each once")
        pairs.append(pair)
    return pairs


def parse_labels(text: str) -> tuple[str, ...]:
    """Read labels such as ``"citrate, phosphate, water"``, leftmost tube first; "-" leaves a tube out.

    Raises
    ------
    InputError
        A label is empty or stands there twice.
    """
    labels = tuple(part.strip() for part in text.split(","))
    named = [label for label in labels if label != "-"]
    if not named or any(not label for label in labels):
        raise InputError(
            f"labelling tubes: write one label a tube, left to right, parted by commas (- for none); "
            f"found {text!r}"
        )
    twice = sorted({label for label in named if named.count(label) > 1})
    if twice:
        raise InputError(f"labelling tubes: each label may stand for one tube, but {twice[0]!r} stands twice")
    return labels


def pair_tubes(
    before: PhotoReadings,
    after: PhotoReadings,
    *,
    pairs: Sequence[tuple[int, int]] = (),
    labels: tuple[Sequence[str], Sequence[str]] | None = None,
) -> list[TubePair]:
    """Pair the tubes of two photographs, or of one with itself.

    Parameters
    ----------
    before, after : PhotoReadings
    pairs : sequence of (int, int), optional
        By hand; nothing else is looked at.
    labels : (labels, labels), optional
        Left to right in each photograph; equal labels belong together, "-" is left out.

    Returns
    -------
    list of TubePair
        By position when neither is given. `doubt` says when a pairing by position looks wrong.

    Raises
    ------
    InputError
        The pairing is not clear: one photograph only, different numbers of tubes, labels that do
        not fit. The text says how to pair by hand.
    """
    if pairs:
        known = [{reading.tube for reading in readings.tubes} for readings in (before, after)]
        for pair in pairs:
            for number, tubes, readings in zip(pair, known, (before, after), strict=True):
                if number not in tubes:
                    raise InputError(
                        f"pairing tube {pair[0]} with tube {pair[1]}: {readings.file} has "
                        f"{_count(len(tubes))}, so there is no tube {number}"
                    )
            if pair[0] == pair[1] and before.sha256 == after.sha256:
                raise InputError(
                    f"pairing tube {pair[0]} with itself: in one photograph, {before.file}, a pair needs two "
                    "tubes, such as --pair 1:2"
                )
        return [TubePair(*pair) for pair in pairs]
    if labels is not None:
        return _by_label(before, after, labels)
    if before.sha256 == after.sha256:
        same = (
            before.file if before.file == after.file else f"{before.file} and {after.file} hold the same one"
        )
        raise InputError(
            f"comparing tubes of one photograph, {same}: say which belong together, such as --pair 1:2"
        )
    if len(before.tubes) != len(after.tubes):
        raise InputError(
            f"pairing tubes by position: {before.file} has {_count(len(before.tubes))} and {after.file} "
            f"{_count(len(after.tubes))}; say which belong together, such as --pair 1:1 --pair 2:3"
        )
    if not before.tubes:
        raise InputError(f"comparing {before.file} with {after.file}: no tube was found in either")
    doubts = _exchanged(before, after)
    return [
        TubePair(one.tube, two.tube, doubt=doubts.get(one.tube, ""))
        for one, two in zip(before.tubes, after.tubes, strict=True)
    ]


def _by_label(
    before: PhotoReadings, after: PhotoReadings, labels: tuple[Sequence[str], Sequence[str]]
) -> list[TubePair]:
    """Pair equal labels."""
    for readings, names in zip((before, after), labels, strict=True):
        if len(names) != len(readings.tubes):
            raise InputError(
                f"labelling the tubes of {readings.file}: {_count(len(readings.tubes))} found, but "
                f"{len(names)} labels given ({', '.join(names)}); give one a tube, - for none"
            )
    first, second = (
        {name: reading.tube for name, reading in zip(names, readings.tubes, strict=True) if name != "-"}
        for readings, names in zip((before, after), labels, strict=True)
    )
    lonely = sorted(set(first) ^ set(second))
    if lonely:
        where = before.file if lonely[0] in first else after.file
        raise InputError(
            f"pairing tubes by label: {lonely[0]!r} stands only in {where}; "
            "use the same labels in both, - for a tube to leave out"
        )
    return [TubePair(number, second[name], name) for name, number in first.items()]


def _exchanged(before: PhotoReadings, after: PhotoReadings) -> dict[int, str]:
    """Find tubes that would fit better crosswise: number before to the reason for doubt."""
    if len(before.tubes) < 2:
        return {}
    first = np.array([reading.lab for reading in before.tubes])
    second = np.array([reading.lab for reading in after.tubes])
    distance = np.asarray(delta_e_cie2000(first[:, None, :], second[None, :, :]))
    doubts: dict[int, str] = {}
    for i in range(len(first)):
        for j in range(i):
            straight, crossed = (distance[i, i], distance[j, j]), (distance[i, j], distance[j, i])
            if min(straight) > _PLAIN_CHANGE and max(crossed) < _MATCH:
                one, two = before.tubes[j].tube, before.tubes[i].tube
                reason = (
                    f"tubes {one} and {two} look as if they had changed places; "
                    f"if so, pair them by hand: --pair {one}:{two} --pair {two}:{one}"
                )
                doubts[one] = doubts[two] = reason
    return doubts


def _count(number: int) -> str:
    return "no tube" if number == 0 else "1 tube" if number == 1 else f"{number} tubes"
