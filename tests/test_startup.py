"""Start-up is part of the product: what a fresh interpreter has loaded."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

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


# Ctrl-C at the moment a module is looked for: while the command line itself is loaded, while a command is, and
# while that command loads what it works with.
INTERRUPT = """
import signal, sys
class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            print("looked for", name)
            signal.raise_signal(signal.SIGINT)
# A shell that runs the tests in the background lets them start deaf to interruptions.
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.meta_path.insert(0, Interrupts())
sys.argv = ["hueph", "read", "no-such-picture.jpg", "--chart", "sample-universal-strip"]
from hueph.__main__ import main
sys.exit(main())
"""


@pytest.mark.parametrize(
    ("module", "said"),
    [
        ("hueph.cli", ""),
        ("click", ""),
        ("hueph.errors", ""),
        ("hueph.cli.read", "error: interrupted; what had been written stays\n"),
        ("numpy", "error: interrupted; what had been written stays\n"),
    ],
)
def test_an_interruption_while_modules_are_loaded_shows_no_traceback(module: str, said: str) -> None:
    code = INTERRUPT.format(module=module)
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert run.stdout == f"looked for {module}\n"
    assert (run.returncode, run.stderr.lstrip("\n")) == (130, said)


def test_nothing_is_loaded_before_an_interruption_is_answered() -> None:
    # What `import hueph` would load could only be interrupted with a traceback.
    code = "import sys\nbefore = set(sys.modules)\nimport hueph.__main__\nprint(*sorted(set(sys.modules) - before))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert set(run.stdout.split()) <= {"hueph", "hueph.__main__", "__future__"}


def test_the_installed_command_is_the_one_that_answers() -> None:
    settings = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))
    assert settings["project"]["scripts"] == {"hueph": "hueph.__main__:main"}
