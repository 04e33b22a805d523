"""Commands of `hueph archive` for other people: what goes out, what comes in, and a worked example."""

from __future__ import annotations

import json

import click

from hueph._words import counted
from hueph.cli import DONE, FAILED, verbose_option
from hueph.cli._archive_options import archive_option, need_archives, open_kept
from hueph.cli._options import json_option

__all__ = ["demo", "export", "import_bag", "report"]

_paper_option = click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper of the PDF."
)


@click.command(short_help="Write a bag of everything, with reports.")
@click.argument("folder", metavar="DIR")
@archive_option
@click.option(
    "--experiment", "experiments", multiple=True, metavar="TEXT", help="Only this experiment (repeatable)."
)
@click.option(
    "--with-private-data", is_flag=True, help="Keep positions, serial numbers and all else in the originals."
)
@_paper_option
@json_option
@verbose_option
def export(
    folder: str,
    target: str,
    experiments: tuple[str, ...],
    with_private_data: bool,
    paper: str,
    as_json: bool,
) -> None:
    """Write a folder (a BagIt bag with RO-Crate metadata) that a colleague can check and import.

    It holds originals, records, a table (CSV) and a report for each experiment (HTML and PDF).

    Example: hueph archive export bag --archive evidence
    """
    from hueph.archive.export import export_archive

    with open_kept(target) as opened:
        made = export_archive(
            opened, folder, experiments=experiments, with_private_data=with_private_data, paper=paper
        )
    click.echo(json.dumps(made.to_dict()) if as_json else f"wrote {made}")
    for sentence in made.left_out:
        click.echo(f"left out: {sentence}", err=True)


@click.command("import", short_help="Take in a bag.")
@click.argument("folder", metavar="DIR")
@archive_option
@json_option
@verbose_option
def import_bag(folder: str, target: str, as_json: bool) -> None:
    """Check a bag and take it into an archive that is new, or that the bag continues.

    Example: hueph archive import bag --archive copy
    """
    need_archives()
    from hueph.archive.importing import import_into

    taken, length = import_into(target, folder)
    if as_json:
        click.echo(json.dumps({"taken": taken, "records": length}))
    elif taken:
        click.echo(f"took in {counted(taken, 'record')}")
    else:
        click.echo(f"nothing to take in: the archive has all of it already ({counted(length, 'record')})")


@click.command(short_help="Write the report of an experiment.")
@click.argument("experiment")
@click.argument("output", metavar="FILE")
@archive_option
@_paper_option
@json_option
@verbose_option
def report(experiment: str, output: str, target: str, paper: str, as_json: bool) -> None:
    """Write the report of an experiment as one HTML page or PDF, by the ending of FILE.

    Example: hueph archive report "feed line" report.html --archive evidence
    """
    from hueph.archive.reporting import write_report

    with open_kept(target) as opened:
        write_report(opened, experiment, output, paper=paper)
        found = {"file": output, "experiment": experiment, "head": opened.head()[1]}
    click.echo(json.dumps(found) if as_json else f"wrote {output}")


@click.command(short_help="Build a worked archive from the sample photographs.")
@click.argument("folder", metavar="DIR")
@click.option(
    "--samples", metavar="DIR", default="samples", show_default=True, help="Folder of the sample photographs."
)
@verbose_option
def demo(folder: str, samples: str) -> int:
    """Build a worked archive from the sample photographs, verify it, and write its report.

    Example: hueph archive demo hueph-out/evidence
    """
    need_archives()
    from hueph.archive.demo import build_demo

    made = build_demo(folder, samples)
    for sentence in made.lines:
        click.echo(sentence)
    return DONE if made.is_sound else FAILED
