"""Start-up is part of the product: what a fresh interpreter has loaded."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("numpy", "cv2", "scipy", "matplotlib", "PIL", "pillow_heif", "skimage", "multiprocessing", "asyncio")


def loaded_after(code: str) -> set[str]:
    """Run code in a fresh interpreter and return the heavy packages it loaded."""
    script = f"{code}\nimport sys\nprint('loaded:', *sorted(set({HEAVY!r}) & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(run.stdout.rpartition("loaded:")[2].split())


@pytest.mark.parametrize(
    "code",
    [
        "import hueph",
        "import hueph; dir(hueph); hueph.FLAGS; hueph.HuephError",
        "from hueph.cli import main; main(['--help'])",
        "from hueph.cli import main; main(['--version'])",
        "from hueph.cli import main; main(['read', '--help'])",
        "from hueph.cli import main; main(['no-such-command'])",
    ],
)
def test_nothing_heavy_is_loaded(code: str) -> None:
    assert loaded_after(code) == set()


def test_the_check_sees_a_heavy_package() -> None:
    assert loaded_after("import hueph; hueph.Photo") >= {"numpy"}


def test_help_of_every_command_loads_nothing_heavy() -> None:
    from hueph.cli import COMMANDS, cli

    for name in COMMANDS:
        if cli.get_command(None, name) is not None:  # type: ignore[arg-type]
            assert loaded_after(f"from hueph.cli import main; main([{name!r}, '--help'])") == set(), name
