"""Starting is quick: what needs pictures is imported when a picture is needed."""

import json
import subprocess
import sys

import pytest

HEAVY = ("cv2", "numba", "scipy", "PIL", "tifffile", "imagecodecs", "simplejpeg", "jinja2", "reportlab")

LOOK = """
import json, sys
sys.argv = ["nearpair", *{arguments!r}]
try:
    {statement}
except SystemExit as end:
    assert not end.code, end.code
print(json.dumps([name for name in {heavy!r} if name in sys.modules]))
"""


def loaded(statement, *arguments):
    """Which heavy libraries are loaded after a statement in a new process."""
    code = LOOK.format(statement=statement, arguments=arguments, heavy=HEAVY)
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    return json.loads(done.stdout.splitlines()[-1])


def test_importing_the_package_loads_nothing_heavy():
    assert loaded("import nearpair") == []


@pytest.mark.parametrize(
    "arguments", [("--help",), ("make", "--help"), ("proof", "--help"), ("plan", "--help"), ("--version",)]
)
def test_help_loads_nothing_heavy(arguments):
    assert loaded("from nearpair.cli.main import main; main()", *arguments) == []


def test_this_test_would_notice():
    assert loaded("import cv2, PIL") == ["cv2", "PIL"]


def test_the_module_can_be_run():
    done = subprocess.run(
        [sys.executable, "-m", "nearpair", "--version"], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0
    assert done.stdout.startswith("nearpair ")
