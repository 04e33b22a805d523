"""Files are written whole or not at all."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

from hueph._whole_file import written_whole


def test_the_old_file_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    target.write_text("old")
    with written_whole(target) as part:
        assert part.suffix == ".txt"
        part.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_two_at_once_do_not_meet(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    with written_whole(target) as one:
        one.write_text("one")
        with written_whole(target) as other:
            other.write_text("other")
        assert target.read_text() == "other"
    assert target.read_text() == "one"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_what_fails_leaves_nothing_and_names_the_target(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), written_whole(tmp_path / "a.txt") as part:
        part.write_text(f"{1 / 0}")
    assert os.listdir(tmp_path) == []
    with pytest.raises(OSError, match="No such file") as caught, written_whole(tmp_path / "no" / "a") as part:
        part.write_text("x")
    assert caught.value.filename == str(tmp_path / "no" / "a")


@pytest.mark.skipif(sys.platform == "win32", reason="rights are another matter there")
def test_rights_are_those_of_the_users_mask(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        with written_whole(tmp_path / "a.txt") as part:
            part.write_text("mine alone")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.txt").stat().st_mode) == 0o600
