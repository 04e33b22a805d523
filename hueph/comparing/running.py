"""Carry out the evaluation of an experiment file: read, combine, compare, set beside the chemistry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from hueph._checks import check_coverage
from hueph._types import PathLike
from hueph.buffering import judge_change
from hueph.chart import Chart, load_chart
from hueph.chemistry.sentences import parse_sentence
from hueph.chemistry.steps import Add, Amount
from hueph.comparing.capacity import BufferCapacity, buffer_capacity
from hueph.comparing.change import Observation, TubeChange, compare_tubes, observe
from hueph.comparing.expected import ExpectedChange
from hueph.comparing.experiment import Experiment, Sample, TubeRef, load_experiment
from hueph.comparing.on_paper import Chemistry
from hueph.comparing.photos import PairResult
from hueph.comparing.replicates import Combined, combine
from hueph.errors import InputError
from hueph.reading import read_photo
from hueph.results import PhotoReadings
from hueph.shipped import find_chart

__all__ = ["ExperimentResult", "SampleResult", "run_experiment"]

Reader = Callable[[str, Chart, float], PhotoReadings]


@dataclass(frozen=True, slots=True, eq=False)
class SampleResult:
    """One preparation: how it started, and what each addition did to it.

    Attributes
    ----------
    sample : Sample
    start : Combined
        All observations before anything was added.
    start_ph_expected, start_ph_std : float or None
        From the recipe.
    stages : tuple of PairResult
        Start against each addition (all additions up to there together).
    """

    sample: Sample
    start: Combined
    start_ph_expected: float | None
    start_ph_std: float | None
    stages: tuple[PairResult, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ExperimentResult:
    """Everything an experiment shows.

    Attributes
    ----------
    experiment : Experiment
    samples : tuple of SampleResult
    photos : dict of str to PhotoReadings
        By the name they have in the file.
    cautions : tuple of str
        Hazards of what the recipe handles.
    """

    experiment: Experiment
    samples: tuple[SampleResult, ...]
    photos: dict[str, PhotoReadings]
    cautions: tuple[str, ...]

    @property
    def pairs(self) -> tuple[PairResult, ...]:
        """All stages of all samples."""
        return tuple(stage for result in self.samples for stage in result.stages)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON-ready form: the contract's `pairs`, and what an experiment adds."""
        return {
            "pairs": [pair.to_dict() for pair in self.pairs],
            "title": self.experiment.title,
            "samples": [
                {
                    "sample": result.sample.name,
                    "ph": result.start.observation.reading.to_dict()["ph"],
                    "range": result.start.observation.reading.to_dict()["range"],
                    "expected_ph": None
                    if result.start_ph_expected is None
                    else round(result.start_ph_expected, 3),
                    "replicates": len(result.start.members),
                    "outliers": list(result.start.outliers),
                    "conflict": result.start.conflict,
                }
                for result in self.samples
            ],
            "cautions": list(self.cautions),
        }


def run_experiment(
    experiment: Experiment | PathLike, *, coverage: float | None = None, read: Reader | None = None
) -> ExperimentResult:
    """Read the photographs of an experiment and judge every addition.

    Parameters
    ----------
    experiment : Experiment or path
    coverage : float, optional
        Default: the file's.
    read : function, optional
        Reads a photograph (path, chart, coverage); default `read_photo`.

    Returns
    -------
    ExperimentResult

    Raises
    ------
    RecipeError
        A line of the experiment or recipe file is wrong.
    PhotoError, StripNotFound, TubesNotFound, ChartError
        A photograph or chart cannot be used.
    """
    plan = experiment if isinstance(experiment, Experiment) else load_experiment(experiment)
    share = check_coverage(plan.coverage if coverage is None else coverage)
    chemistry = Chemistry(plan)
    photos = _read_photos(plan, share, read or _read)
    samples = [_run_sample(plan, sample, photos, chemistry, share) for sample in plan.samples]
    return ExperimentResult(plan, _with_yardstick(samples), photos, chemistry.cautions)


def _read(path: str, chart: Chart, coverage: float) -> PhotoReadings:
    return read_photo(path, chart, coverage=coverage)


def _read_photos(plan: Experiment, coverage: float, read: Reader) -> dict[str, PhotoReadings]:
    """Read every photograph that is used, each once."""
    used = {
        ref.photo
        for sample in plan.samples
        for refs in (sample.start, *(addition.seen for addition in sample.additions))
        for ref in refs
    }
    charts: dict[str, Chart] = {}
    photos = {}
    for name, entry in plan.photos.items():
        if name not in used:
            continue
        if entry.chart not in charts:
            charts[entry.chart] = load_chart(find_chart(entry.chart))
        photos[name] = read(str(entry.file), charts[entry.chart], coverage)
        if entry.labels and len(entry.labels) != len(photos[name].tubes):
            raise plan.fail(
                entry.line,
                f"{name!r} has {len(entry.labels)} labels, but {len(photos[name].tubes)} tubes were found in "
                f"{entry.file.name}; look at the overlay of hueph read",
            )
    return photos


def _observe(plan: Experiment, ref: TubeRef, photos: dict[str, PhotoReadings], label: str) -> Observation:
    """Find the tube a reference means."""
    labels = plan.photos[ref.photo].labels
    number = labels.index(ref.tube) + 1 if ref.tube in labels else int(ref.tube)
    try:
        return observe(photos[ref.photo], number, label=label)
    except InputError as error:
        raise InputError(f"following {label!r} of {plan.source}: {error}") from error


def _run_sample(
    plan: Experiment,
    sample: Sample,
    photos: dict[str, PhotoReadings],
    chemistry: Chemistry,
    coverage: float,
) -> SampleResult:
    """Follow one preparation."""

    def seen(refs: tuple[TubeRef, ...]) -> Combined:
        return combine([_observe(plan, ref, photos, sample.name) for ref in refs], coverage=coverage)

    start = seen(sample.start)
    stages = []
    for number, addition in enumerate(sample.additions):
        end = seen(addition.seen)
        change = _best_change(start, end, coverage)
        expected = chemistry.change(sample, number)
        judgement = judge_change(change, hold_ph=plan.hold_ph, expected=expected)
        added = _together([one.text for one in sample.additions[: number + 1]])
        texts = (*start.outliers, *end.outliers, start.conflict, end.conflict)
        notes = tuple(text for text in texts if text)
        capacity = _capacity(plan, sample, number, change, expected, chemistry)
        stages.append(PairResult(change, judgement, sample.name, added=added, capacity=capacity, notes=notes))
    before = chemistry.start(sample)
    ph, std = (None, None) if before is None else (before.ph, before.ph_std)
    return SampleResult(sample, start, ph, std, tuple(stages))


def _together(texts: list[str]) -> str:
    """Say what was added in all: equal solutions are summed up."""
    totals: dict[tuple[str, bool], float] = {}
    for text in texts:
        sentence = parse_sentence(f"add {text} to it")
        assert isinstance(sentence, Add)  # the experiment file was checked
        for part in sentence.parts:
            assert part.amount is not None
            key = (part.what, part.amount.in_drops)
            totals[key] = totals.get(key, 0.0) + part.amount.value
    parts = [f"{Amount(value, drops)} of {what}" for (what, drops), value in totals.items()]
    return " and ".join(parts)


def _best_change(start: Combined, end: Combined, coverage: float) -> TubeChange:
    """Compare two sets of observations: combined, or the one pair that shares a photograph.

    Two tubes of one picture share more of their errors than two combined values do; whichever range
    is narrower is the better one of two honest ones, but it must not be picked by its verdict.
    """
    whole = compare_tubes(start.observation, end.observation, coverage=coverage)
    if len(start.members) == len(end.members) == 1:
        return whole
    shared = [
        compare_tubes(one, other, coverage=coverage)
        for one in start.members
        for other in end.members
        if one.sha256 == other.sha256 and one.chart_sha256 == other.chart_sha256
    ]
    candidates = [whole, *(change for change in shared if change.interval is not None)]
    return min(
        candidates, key=lambda change: float("inf") if change.interval is None else change.interval.width
    )


def _capacity(
    plan: Experiment,
    sample: Sample,
    number: int,
    change: TubeChange,
    expected: ExpectedChange | None,
    chemistry: Chemistry,
) -> BufferCapacity | None:
    """Estimate buffer capacity where a strong acid or base was added to a known volume."""
    if not change.has_ph:
        return None
    if expected is not None and expected.added_molar is not None:
        return buffer_capacity(
            change, expected.added_molar, added_share_std=expected.added_share_std, expected=expected
        )
    added = chemistry.strong_added(sample, number, plan.drop_ml)
    return None if not added else buffer_capacity(change, added, added_share_std=0.1)


def _with_yardstick(samples: list[SampleResult]) -> tuple[SampleResult, ...]:
    """Say how many times the change of plain water each sample made."""
    waters = [result for result in samples if result.sample.is_water and result.stages]
    done = []
    for result in samples:
        stages = []
        for number, stage in enumerate(result.stages):
            moved = _size(stage)
            yard = [water.stages[number] for water in waters if number < len(water.stages)]
            same = [water for water in yard if water.added == stage.added]
            if result.sample.is_water or moved is None:
                stages.append(stage)
                continue
            if same and (measured := _size(same[0])) is not None:
                water = measured
            elif stage.judgement.expected is not None and stage.judgement.expected.water_ph is not None:
                ideal = abs(stage.judgement.expected.water_ph - 7.0)
                water = (ideal, ideal)
            else:
                stages.append(stage)
                continue
            stages.append(replace(stage, resistance=_ratio(water, moved)))
        done.append(replace(result, stages=tuple(stages)))
    return tuple(done)


def _size(stage: PairResult) -> tuple[float, float | None] | None:
    """Least and greatest size of a change; None in the second place when it has no limit."""
    seen = stage.change.interval
    if seen is None:
        return None
    if seen.low is not None and seen.high is not None:
        least = 0.0 if seen.contains(0.0) else min(abs(seen.low), abs(seen.high))
        return least, max(abs(seen.low), abs(seen.high))
    limit = seen.low if seen.high is None else seen.high
    assert limit is not None  # an interval has a limit
    away = limit > 0.0 if seen.high is None else limit < 0.0
    return (abs(limit) if away else 0.0), None


def _ratio(
    water: tuple[float, float | None], sample: tuple[float, float | None]
) -> tuple[float | None, float | None]:
    """Limits of how many times less than water a sample moved."""
    low = None if sample[1] is None or sample[1] == 0.0 else water[0] / sample[1]
    high = None if water[1] is None or sample[0] == 0.0 else water[1] / sample[0]
    return low, high
