"""hueph: pH ranges with honest confidence from photographs of indicator tubes.

Every public name is found here and imported when it is first used, so that ``import hueph`` is quick.
Readings are no basis for medical, drinking-water or safety decisions.
"""

from __future__ import annotations

__version__ = "0.1.0.dev0"

# Not imported from typing: nothing is loaded here, so that an interruption of the `hueph` command while it
# starts hardly ever comes before hueph.__main__, which answers it.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from hueph.archive.export import export_archive
    from hueph.archive.importing import import_archive
    from hueph.archive.store import Archive, open_archive
    from hueph.archive.verify import verify_archive
    from hueph.batch import find_photos, read_photos
    from hueph.buffering import Judgement, judge_change
    from hueph.cards import write_card
    from hueph.chart import Chart, Marker, Patch, Reference, load_chart, write_chart
    from hueph.charting import (
        Calibration,
        DriftReport,
        calibrate_card,
        calibrate_picture,
        calibrate_pictures,
        check_drift,
    )
    from hueph.comparing.change import Observation, TubeChange, compare_tubes, observe
    from hueph.comparing.photos import Comparison, PairResult, compare_photos, compare_readings
    from hueph.comparing.running import ExperimentResult, run_experiment
    from hueph.comparison_figure import write_comparison_figure
    from hueph.comparison_report import comparison_json, comparison_text, experiment_text
    from hueph.errors import (
        ArchiveError,
        ChartError,
        HuephError,
        InputError,
        MissingDependency,
        NotFittedError,
        PhotoError,
        RecipeError,
        StripNotFound,
        TubesNotFound,
    )
    from hueph.expecting import (
        ExpectedTube,
        TubeExpectation,
        attach_expected,
        compare_with_expected,
        expect_tubes,
    )
    from hueph.flags import FLAGS, flag_sentence
    from hueph.interval import Interval
    from hueph.overlay import draw_overlay, write_overlay
    from hueph.photo import Photo, load_photo
    from hueph.reading import read_photo
    from hueph.report import readings_json, readings_rows, readings_text
    from hueph.results import ExpectedComparison, PatchReading, PhotoReadings, Reading
    from hueph.shipped import find_chart, shipped_charts
    from hueph.standards import (
        Label,
        LabelledPhoto,
        calibrate_with_standards,
        load_standards_table,
        parse_standard,
    )
    from hueph.standards_report import StandardsReport

__all__ = [
    "FLAGS",
    "Archive",
    "ArchiveError",
    "Calibration",
    "Chart",
    "ChartError",
    "Comparison",
    "DriftReport",
    "ExpectedComparison",
    "ExpectedTube",
    "ExperimentResult",
    "HuephError",
    "InputError",
    "Interval",
    "Judgement",
    "Label",
    "LabelledPhoto",
    "Marker",
    "MissingDependency",
    "NotFittedError",
    "Observation",
    "PairResult",
    "Patch",
    "PatchReading",
    "Photo",
    "PhotoError",
    "PhotoReadings",
    "Reading",
    "RecipeError",
    "Reference",
    "StandardsReport",
    "StripNotFound",
    "TubeChange",
    "TubeExpectation",
    "TubesNotFound",
    "attach_expected",
    "calibrate_card",
    "calibrate_picture",
    "calibrate_pictures",
    "calibrate_with_standards",
    "check_drift",
    "compare_photos",
    "compare_readings",
    "compare_tubes",
    "compare_with_expected",
    "comparison_json",
    "comparison_text",
    "draw_overlay",
    "expect_tubes",
    "experiment_text",
    "export_archive",
    "find_chart",
    "find_photos",
    "flag_sentence",
    "import_archive",
    "judge_change",
    "load_chart",
    "load_photo",
    "load_standards_table",
    "observe",
    "open_archive",
    "parse_standard",
    "read_photo",
    "read_photos",
    "readings_json",
    "readings_rows",
    "readings_text",
    "run_experiment",
    "shipped_charts",
    "verify_archive",
    "write_card",
    "write_chart",
    "write_comparison_figure",
    "write_overlay",
]

# Where each public name lives. The block above says the same to type checkers; a test keeps them alike.
_HOMES = {
    "archive.export": ("export_archive",),
    "archive.importing": ("import_archive",),
    "archive.store": ("Archive", "open_archive"),
    "archive.verify": ("verify_archive",),
    "batch": ("find_photos", "read_photos"),
    "buffering": ("Judgement", "judge_change"),
    "cards": ("write_card",),
    "chart": ("Chart", "Marker", "Patch", "Reference", "load_chart", "write_chart"),
    "charting": (
        "Calibration",
        "DriftReport",
        "calibrate_card",
        "calibrate_picture",
        "calibrate_pictures",
        "check_drift",
    ),
    "comparing.change": ("Observation", "TubeChange", "compare_tubes", "observe"),
    "comparing.photos": ("Comparison", "PairResult", "compare_photos", "compare_readings"),
    "comparing.running": ("ExperimentResult", "run_experiment"),
    "comparison_figure": ("write_comparison_figure",),
    "comparison_report": ("comparison_json", "comparison_text", "experiment_text"),
    "errors": (
        "ArchiveError",
        "ChartError",
        "HuephError",
        "InputError",
        "MissingDependency",
        "NotFittedError",
        "PhotoError",
        "RecipeError",
        "StripNotFound",
        "TubesNotFound",
    ),
    "expecting": (
        "ExpectedTube",
        "TubeExpectation",
        "attach_expected",
        "compare_with_expected",
        "expect_tubes",
    ),
    "flags": ("FLAGS", "flag_sentence"),
    "interval": ("Interval",),
    "overlay": ("draw_overlay", "write_overlay"),
    "photo": ("Photo", "load_photo"),
    "reading": ("read_photo",),
    "report": ("readings_json", "readings_rows", "readings_text"),
    "results": ("ExpectedComparison", "PatchReading", "PhotoReadings", "Reading"),
    "shipped": ("find_chart", "shipped_charts"),
    "standards": (
        "Label",
        "LabelledPhoto",
        "calibrate_with_standards",
        "load_standards_table",
        "parse_standard",
    ),
    "standards_report": ("StandardsReport",),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name not in _HOME_OF:
        raise AttributeError(f"module 'hueph' has no attribute {name!r}")
    import importlib

    value = getattr(importlib.import_module(f"hueph.{_HOME_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Name what there is, loaded or not."""
    return sorted({*globals(), *__all__})
