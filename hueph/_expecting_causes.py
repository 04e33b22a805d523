"""Why a reading may differ from what its recipe gives, in the trade's words and by the size of each cause."""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from hueph.flags import FLAGS
from hueph.interval import format_ph

if TYPE_CHECKING:
    from hueph._expecting_tubes import TubeExpectation
    from hueph.chemistry.slips import Slip
    from hueph.results import ExpectedComparison, Reading

__all__ = ["Explains", "likely_causes", "tubes_together"]


class Explains(enum.Enum):
    """How much of a difference a cause accounts for."""

    NOT = 0
    PARTLY = 1
    WHOLLY = 2


# How often each kind of slip happens, the most often first (common practice, no source).
_ORDER = (
    "gas", "burette", "drops", "dye", "left-out", "dilution", "volumes", "bottle", "trace", "temperature",
    "salt", "strength",
)  # fmt: skip
# What stands before the words of a slip.
_LEAD = {"bottle": "wrong bottle: ", "strength": "wrong label: "}
# At most so many of one kind, and in all: a list of everything helps nobody.
_MOST_OF_A_KIND = {"bottle": 3, "left-out": 2, "strength": 1}
_MOST_SLIPS = 4
# A gradual cause that does not suffice is named from this share of the difference on.
_WORTH_NAMING = 0.25
# So near the card's ends its patches look alike, pH (common practice, no source).
_NEAR_END = 0.5
# What glare, shade or blur can do to a reading is seldom more than this, pH (common practice, no source).
_BEYOND_PHOTOGRAPHY = 1.0
# Flags that say nothing about how well a tube could be read.
_HARMLESS = frozenset(
    {"beyond-chart", "tube-by-hand", "strip-by-hand", "profile-missing", "ambiguous", "chart-alike"}
)
_PHOTO_FLAGS = frozenset({"strip-misfit", "strip-patch-hidden", "strip-small"})
# Cautions of a step that a slip says better, with its pH.
_SAID_BY_SLIPS = "hardly buffered"
_NO_SINGLE_SLIP = (
    "no single slip in the recipe gives this: check bottles and labels, the order of the tubes, and that "
    "indicator and card belong together"
)


def likely_causes(
    reading: Reading,
    expectation: TubeExpectation,
    found: ExpectedComparison,
    explains: Callable[[Slip], Explains],
    *,
    card: tuple[float, float] | None = None,
    photo_flags: Sequence[str] = (),
) -> tuple[str, ...]:
    """Return sentences about what may lie behind a reading that is lower or higher than expected.

    Parameters
    ----------
    found : ExpectedComparison
        Its verdict is "lower" or "higher".
    explains : callable
        Says how much of the difference a slip accounts for.
    card : (float, float), optional
        pH of the card's first and last patch.
    photo_flags : sequence of str

    Returns
    -------
    tuple of str
        Doubts about the reading itself first unless the difference is large, slips that account for all of
        it, those for a part.
    """
    doubts = _doubts(reading, photo_flags) + _card_end(reading, found, card)
    whole, part = _slips(expectation.slips, found, explains)
    chemistry = [text for text in expectation.cautions if not text.startswith(_SAID_BY_SLIPS)][:1]
    chemistry = [f"the expected pH itself: {text}" for text in chemistry]
    # Without one cause that suffices, look at what no recipe knows of.
    unknown = [] if whole else [_NO_SINGLE_SLIP]
    if abs(_gap(found)) > _BEYOND_PHOTOGRAPHY:
        return (*whole, *part, *unknown, *doubts, *chemistry)
    return (*doubts, *whole, *part, *chemistry, *unknown)


def _slips(
    slips: Sequence[Slip], found: ExpectedComparison, explains: Callable[[Slip], Explains]
) -> tuple[list[str], list[str]]:
    """Return the slips that account for all of a difference, and those for a part of it."""
    gap = _gap(found)
    target = found.ph + gap
    whole: list[str] = []
    part: list[str] = []
    counted: dict[str, int] = {}
    # Of one kind, first what comes nearest to the reading.
    ordered = sorted(slips, key=lambda slip: (_ORDER.index(slip.kind), abs(slip.ph - target)))
    for slip in ordered:
        how = explains(slip)
        shift = slip.ph - found.ph
        if how is Explains.WHOLLY and counted.get(slip.kind, 0) < _MOST_OF_A_KIND.get(slip.kind, 1):
            counted[slip.kind] = counted.get(slip.kind, 0) + 1
            whole.append(_sentence(slip, found))
        elif how is Explains.PARTLY and abs(shift) >= _WORTH_NAMING * abs(gap):
            part.append(f"{_sentence(slip, found)}, which is not all of the difference")
    return whole[:_MOST_SLIPS], part[: max(0, 2 - len(whole))]


def _gap(found: ExpectedComparison) -> float:
    """Return the difference, or the least it can be for a one-sided reading."""
    if found.difference is not None:
        return found.difference
    spread = found.difference_interval
    assert spread is not None  # a verdict was reached
    low, high = spread.low, spread.high
    if low is not None and high is not None:
        return 0.5 * (low + high)
    limit = high if low is None else low
    assert limit is not None
    return limit


def _sentence(slip: Slip, found: ExpectedComparison) -> str:
    """Return a slip with the pH it gives."""
    ph = format_ph(slip.ph)
    if slip.gradual:
        return f"{slip.text}, {'down' if slip.ph < found.ph else 'up'} to pH {ph}"
    return f"{_LEAD.get(slip.kind, '')}{slip.text} gives pH {ph}"


def _doubts(reading: Reading, photo_flags: Sequence[str]) -> list[str]:
    """Return what the photograph itself warns of."""
    flags = [flag for flag in reading.flags if flag not in _HARMLESS and flag in FLAGS]
    flags += [flag for flag in photo_flags if flag in _PHOTO_FLAGS]
    return [f"the photograph, not the liquid: {FLAGS[flag][0]} ({flag})" for flag in dict.fromkeys(flags)]


def _card_end(reading: Reading, found: ExpectedComparison, card: tuple[float, float] | None) -> list[str]:
    """Return the caution of the card's ends, where its patches look alike and say little."""
    if card is None or reading.interval is None:
        return []
    low, high = card
    interval = reading.interval
    if interval.low is None or interval.high is None:
        end = low if interval.low is None else high
        small = abs(_gap(found)) < _NEAR_END
        return [f"the end of the card: near pH {end:g} its patches look alike"] if small else []
    if found.verdict == "higher" and found.ph < low and interval.low <= low + _NEAR_END:
        return [f"the end of the card: it begins at pH {low:g} and cannot show what is expected"]
    if found.verdict == "lower" and found.ph > high and interval.high >= high - _NEAR_END:
        return [f"the end of the card: it ends at pH {high:g} and cannot show what is expected"]
    return []


def tubes_together(
    pairs: Sequence[tuple[Reading, TubeExpectation]],
    compared: Mapping[int, ExpectedComparison],
    agrees: Callable[[Reading, TubeExpectation], bool],
) -> dict[int, list[str]]:
    """Return what only several tubes of a photograph together can tell, by tube.

    Parameters
    ----------
    pairs : sequence of (Reading, TubeExpectation)
    compared : mapping of int to ExpectedComparison
    agrees : callable
        Says whether a reading could be that of another tube's liquid.

    Returns
    -------
    dict of int to list of str
        Tubes that look exchanged; all tubes shifted the same way.
    """
    off = [pair for pair in pairs if compared[pair[0].tube].verdict in ("lower", "higher")]
    judged = [pair for pair in pairs if compared[pair[0].tube].verdict != "cannot-compare"]
    texts: dict[int, list[str]] = {}
    verdicts = {compared[reading.tube].verdict for reading, _ in off}
    if len(off) >= 3 and len(off) == len(judged) and len(verdicts) == 1:
        (verdict,) = verdicts
        text = f"all {len(off)} tubes are {verdict}: card, indicator and light before the liquids"
        texts = {reading.tube: [text] for reading, _ in off}
    for reading, expectation in off:
        for other, others in pairs:
            if other.tube == reading.tube or others.step == expectation.step or not agrees(reading, others):
                continue
            if compared[other.tube].verdict in ("lower", "higher") and agrees(other, expectation):
                text = f"tubes {reading.tube} and {other.tube} exchanged: each agrees with the other's recipe"
            else:
                text = f"filled like tube {other.tube}: it agrees with what is expected there ({others.step})"
            texts.setdefault(reading.tube, []).append(text)
            break
    return texts
