"""The group: help, usage errors, and how every kind of failure ends."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest

import hueph.cli
from hueph import __version__
from hueph.cli import COMMANDS, main
from hueph.errors import HuephError, InputError


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[BaseException], None]:
    """Make `hueph read` raise an error of one's choice."""

    def make(error: BaseException) -> None:
        @click.command(context_settings={"ignore_unknown_options": True})
        @click.argument("words", nargs=-1)
        def broken(words: tuple[str, ...]) -> None:
            raise error

        monkeypatch.setattr(hueph.cli.LazyGroup, "get_command", lambda self, ctx, name: broken)

    return make


def test_help_lists_the_commands_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    assert "  read " in out
    assert COMMANDS["read"] in out
    assert "Readings are no basis for medical, drinking-water or safety decisions." in out


def test_only_commands_whose_module_exists_are_offered(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(COMMANDS, "daydream", "Do nothing.")
    assert main(["--help"]) == 0
    assert "daydream" not in capsys.readouterr().out
    assert main(["daydream"]) == 2


def test_no_command_shows_the_help_as_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "Commands:" in capsys.readouterr().err


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"hueph {__version__}\n"


def test_unknown_command_names_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["raed", "a.jpg"]) == 2
    err = capsys.readouterr().err
    assert "Error: there is no command 'raed'; the commands are: read" in err


def test_an_error_of_ours_is_one_sentence(
    failing: Callable[[BaseException], None], capsys: pytest.CaptureFixture[str]
) -> None:
    failing(InputError("the thing must be round, got a square one; take another"))
    assert main(["read", "a.jpg"]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err == "error: the thing must be round, got a square one; take another\n"


def test_an_error_is_json_too_when_json_was_asked_for(
    failing: Callable[[BaseException], None], capsys: pytest.CaptureFixture[str]
) -> None:
    failing(InputError("it must be round"))
    assert main(["read", "a.jpg", "--json"]) == 1
    captured = capsys.readouterr()
    assert json.loads(captured.out) == {"error": {"type": "InputError", "message": "it must be round"}}
    assert captured.err == "error: it must be round\n"


def test_after_two_dashes_json_is_a_file_name(
    failing: Callable[[BaseException], None], capsys: pytest.CaptureFixture[str]
) -> None:
    failing(InputError("it must be round"))
    assert main(["read", "--", "--json"]) == 1
    assert capsys.readouterr().out == ""


def test_an_unexpected_error_asks_for_a_report_and_hides_its_traceback(
    failing: Callable[[BaseException], None], capsys: pytest.CaptureFixture[str]
) -> None:
    failing(ZeroDivisionError("division by zero"))
    assert main(["read", "a.jpg"]) == 1
    assert capsys.readouterr().err == (
        "error: something unexpected happened inside hueph (ZeroDivisionError: division by zero); "
        "please report it together with the output of the same command with -v\n"
    )


@pytest.mark.parametrize("words", [["-v", "read", "a.jpg"], ["read", "a.jpg", "--verbose"]])
def test_verbose_shows_the_traceback(
    failing: Callable[[BaseException], None], capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    failing(ZeroDivisionError("division by zero"))
    assert main(words) == 1
    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_a_full_disk_is_a_sentence(
    failing: Callable[[BaseException], None], capsys: pytest.CaptureFixture[str]
) -> None:
    failing(OSError(28, "No space left on device", "out.csv"))
    assert main(["read", "a.jpg"]) == 1
    sentence = (
        "error: the system refused to go on out.csv: No space left on device; free some space and repeat\n"
    )
    assert capsys.readouterr().err == sentence


def test_interrupting_is_clean(
    failing: Callable[[BaseException], None], capsys: pytest.CaptureFixture[str]
) -> None:
    failing(KeyboardInterrupt())
    assert main(["read", "a.jpg"]) == 130
    assert capsys.readouterr().err.strip() == "error: interrupted; what had been written stays"


def test_every_error_class_survives_the_way_between_processes() -> None:
    import pickle

    from hueph import errors

    for name in errors.__all__:
        error = getattr(errors, name)("a sentence")
        again = pickle.loads(pickle.dumps(error))
        assert isinstance(again, HuephError)
        assert str(again) == "a sentence"


@pytest.mark.skipif(sys.platform == "win32", reason="pipes break differently there")
def test_a_reader_that_goes_away_ends_the_program_quietly() -> None:
    code = (
        "import sys, click, hueph.cli\n"
        "@click.command()\n"
        "def endless():\n"
        "    while True: click.echo('x' * 1000)\n"
        "hueph.cli.LazyGroup.get_command = lambda self, ctx, name: endless\n"
        "sys.exit(hueph.cli.main(['read']))\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=os.environ
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(30) in (1, -signal.SIGPIPE)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
@pytest.mark.parametrize("words", [["expect", "1 mL water"], ["expect", "1 mL water", "--json"], ["--help"]])
def test_a_full_disk_under_the_output_is_one_sentence(words: list[str]) -> None:
    with open("/dev/full", "w") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "hueph", *words],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ended.returncode == 1
    assert (
        ended.stderr
        == "error: the system refused to go on: No space left on device; free some space and repeat\n"
    )


@pytest.mark.skipif(sys.platform == "win32", reason="a shell that closes streams")
@pytest.mark.parametrize(
    ("words", "closed", "status"),
    [
        ("expect '1 mL water'", ">&-", 0),
        ("expect '1 mL water' --json", ">&- 2>&-", 0),
        ("expect nothing.toml", ">&- 2>&-", 1),
        ("expect --nonsense", "2>&-", 2),
        ("--version", ">&-", 0),
    ],
)
def test_streams_closed_from_the_start_change_no_status(words: str, closed: str, status: int) -> None:
    ended = subprocess.run(
        f"'{sys.executable}' -m hueph {words} {closed}", shell=True, capture_output=True, check=False
    )
    assert ended.returncode == status
    assert ended.stderr == b""


def test_a_file_that_looks_like_an_option_is_told_from_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["read", "-x.jpg"]) == 2
    assert "No such option" in (without := capsys.readouterr().err)
    Path("-x.jpg").touch()
    assert main(["read", "-x.jpg"]) == 2
    hint = "A file whose name begins with a dash is written ./-name.\n"
    assert capsys.readouterr().err == without + hint


def test_no_character_breaks_an_ascii_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    monkeypatch.setattr(stream, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys, "stdout", stream)
    hueph.cli._make_streams_safe()
    stream.write("b\u00e4nk \udcff")
    stream.flush()
    assert raw.getvalue() == b"b\\xe4nk \\udcff"


def test_a_pipe_gets_utf8_whatever_the_locale(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="latin-1")
    monkeypatch.setattr(sys, "stdout", stream)
    hueph.cli._make_streams_safe()
    stream.write("b\u00e4nk")
    stream.flush()
    assert raw.getvalue() == "b\u00e4nk".encode()
