"""Broken and hostile files through the whole program: an error with a name, and never a pH."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hostile.generate import hostile_files

from hueph import errors
from hueph.cli import main
from hueph.flags import FLAGS
from hueph.shipped import shipped_charts


@pytest.mark.filterwarnings("error")
def test_each_hostile_file_ends_in_a_documented_error_or_flag_and_none_in_a_ph(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [str(file) for file in hostile_files(tmp_path)]
    assert len(files) >= 200
    chart = next(iter(shipped_charts()))
    assert main(["read", *files, "--chart", chart, "--json"]) == 1
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    photos = json.loads(captured.out)
    assert [photo["photo"]["file"] for photo in photos] == files
    complaints = []
    for photo in photos:
        name = photo["photo"]["file"]
        if any(tube["ph"] is not None or tube["range"] is not None for tube in photo["tubes"]):
            complaints.append(f"{name}: a pH was stated")
        if photo["error"] is not None and photo["error"]["type"] not in errors.__all__:
            complaints.append(f"{name}: {photo['error']}")
        flags = set(photo["flags"]).union(*(tube["flags"] for tube in photo["tubes"]))
        if photo["error"] is None and (not flags or not flags <= set(FLAGS)):
            complaints.append(f"{name}: neither error nor documented flag: {sorted(flags)}")
    assert complaints == []
    # One sentence each on standard error, nothing else.
    lines = captured.err.splitlines()
    assert len(lines) == sum(photo["error"] is not None for photo in photos)
    assert all(line.startswith("error: ") for line in lines)
