"""The commands that the README shows for the archive run one after the other, as they stand there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from hueph.cli import main

ROOT = Path(__file__).resolve().parents[2]


def test_shown_commands_run_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8").partition("\n## Keeping evidence\n")[2]
    commands = re.findall(r"^\$ hueph (archive .*)$", text, re.MULTILINE)
    if not text:
        pytest.skip("the README does not describe the archive yet")
    assert len(commands) >= 6
    for name in ("samples", "reference_charts"):
        (tmp_path / name).symlink_to(ROOT / name, target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    for command in commands:
        assert main(shlex.split(command)) == 0, capsys.readouterr().err
    assert (tmp_path / "hueph-out" / "copy" / "archive.sqlite").exists()
