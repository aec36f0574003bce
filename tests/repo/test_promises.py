"""Every promise names tests that exist."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROMISED = (ROOT / "docs" / "promises.md").read_text("utf-8").partition("How often it was tried")[0]
ROWS = [
    line
    for line in PROMISED.splitlines()
    if line.startswith("| ") and not line.startswith(("| promise", "| ---"))
]
NAMED = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", "\n".join(ROWS))


def test_every_promise_is_held_by_a_test():
    assert len(ROWS) > 10
    assert all("::test_" in row.split("|")[2] for row in ROWS)


@pytest.mark.parametrize(("file", "name"), NAMED)
def test_the_test_is_there(file, name):
    tree = ast.parse((ROOT / file).read_text("utf-8"))
    assert name in {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
