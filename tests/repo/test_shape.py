"""The size of modules and functions, and the direction of imports, counted."""

import ast
import statistics
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[2] / "src"
MODULES = sorted((SOURCE / "nearpair").rglob("*.py"))
LONGEST_MODULE = 400
LONGEST_BODY = 35


@cache
def parsed(path):
    return ast.parse(path.read_text())


def name_of(path):
    parts = path.relative_to(SOURCE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def body_lines(function):
    """Lines of a function's body without its docstring."""
    body = function.body
    if ast.get_docstring(function) is not None:
        body = body[1:]
    return body[-1].end_lineno - body[0].lineno + 1 if body else 0


def bodies():
    return {
        f"{name_of(path)}.{node.name}": body_lines(node)
        for path in MODULES
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }


def imported(path):
    """Modules of this project that a module imports when it is loaded itself: not inside its functions."""
    names = {name_of(other) for other in MODULES}
    waiting, found = list(parsed(path).body), set()
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif (
            isinstance(node, ast.Try | ast.With | ast.If)
            and "TYPE_CHECKING" not in ast.unparse(node).split("\n")[0]
        ):
            waiting += ast.iter_child_nodes(node)
    return (found & names) - {name_of(path)}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_modules_are_short(path):
    assert len(path.read_text().splitlines()) <= LONGEST_MODULE


def test_functions_fit_on_a_screen():
    lines = bodies()
    long = sorted(name for name, count in lines.items() if count > LONGEST_BODY)
    assert statistics.quantiles(lines.values(), n=20)[-1] <= LONGEST_BODY, long
    assert len(long) <= 0.05 * len(lines), long


def test_most_functions_are_a_few_lines():
    assert statistics.median(bodies().values()) <= 10


def test_imports_go_round_in_no_circle():
    order = TopologicalSorter({name_of(path): imported(path) for path in MODULES})
    assert len(list(order.static_order())) == len(MODULES)  # raises CycleError on a circle


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_every_module_says_what_it_is_for(path):
    assert ast.get_docstring(parsed(path))
