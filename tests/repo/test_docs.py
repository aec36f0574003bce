"""The documents say what the program has: every command, option, key, finding and module."""

import ast
import re
import tomllib
from pathlib import Path
from typing import get_args

import msgspec
import pytest
import typer

from nearpair.cli.main import app
from nearpair.cli.options import GLASSES_NAMES, METHOD_NAMES
from nearpair.proof.model import Proof
from nearpair.shoot.decisions import Decisions

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "src" / "nearpair"
MODULES = sorted(
    ".".join(path.relative_to(SOURCE).with_suffix("").parts)
    for path in SOURCE.rglob("*.py")
    if path.name != "__init__.py"
)
PAGES = ("README.md", "ARCHITECTURE.md", "CHANGELOG.md", "docs/using.md", "docs/shoot-folder.md")
COMMANDS = typer.main.get_command(app).commands
OPTIONS = {
    name: sorted(
        {
            flag
            for option in command.params
            for flag in (*option.opts, *option.secondary_opts)
            if flag.startswith("--")
        }
    )
    for name, command in COMMANDS.items()
}


def page(name):
    return (ROOT / name).read_text()


def section(name):
    """The part of docs/using.md about one command."""
    parts = re.split(r"^## ", page("docs/using.md"), flags=re.MULTILINE)
    return next((part for part in parts if part.startswith(f"nearpair {name}\n")), "")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_its_section_with_an_example(name):
    assert f"\n    nearpair {name} " in section(name)


@pytest.mark.parametrize(("name", "option"), [(name, option) for name in OPTIONS for option in OPTIONS[name]])
def test_every_option_stands_in_the_section_of_its_command(name, option):
    assert re.search(rf"{option}(?![\w-])", section(name))


@pytest.mark.parametrize("name", COMMANDS)
def test_no_section_names_an_option_that_its_command_lacks(name):
    own = section(name).split("\n### ")[0]
    found = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", re.sub(rf"`nearpair (?!{name}).*?`", "", own)))
    assert found - {"--help"} <= set(OPTIONS[name])


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_a_short_summary_and_an_example_in_its_help(name):
    text = COMMANDS[name].help
    assert len(text.split("\n")[0]) <= 110
    assert f"\n    nearpair {name}" in text


@pytest.mark.parametrize("name", [*GLASSES_NAMES, *METHOD_NAMES])
def test_every_kind_of_glasses_and_every_method_is_explained(name):
    assert f"\n| `{name}` | " in page("docs/using.md")


@pytest.mark.parametrize("name", MODULES)
def test_every_module_has_its_line_in_the_architecture(name):
    assert f"\n| `{name}` | " in page("ARCHITECTURE.md")


def test_the_architecture_names_no_module_that_is_gone():
    listed = re.findall(r"^\| `([\w.]+)` \|", page("ARCHITECTURE.md").split("\n## Modules")[1], re.MULTILINE)
    assert sorted(listed) == MODULES
    running = re.findall(r"`([a-z]+\.[a-z_]+)`", page("ARCHITECTURE.md").split("\n## Modules")[0])
    known = {
        *MODULES,
        "shoot.run.make",
        "shoot.toml",
        "proof.json",
        "proof.html",
        "proof.pdf",
        "pyproject.toml",
    }
    assert [name for name in running if name not in known] == []


def structs_below(kind):
    """A msgspec struct and those in its fields."""
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        yield kind
        for field in msgspec.structs.fields(kind):
            yield from structs_below(field.type)
    for inner in get_args(kind):
        yield from structs_below(inner)


def keys(kind):
    return sorted(
        {field.encode_name for struct in structs_below(kind) for field in msgspec.structs.fields(struct)}
    )


@pytest.mark.parametrize("key", sorted({*keys(Proof), *keys(Decisions)}))
def test_every_key_of_the_files_is_described(key):
    text = page("docs/shoot-folder.md")
    assert f"`{key}`" in text or f"### {key}\n" in text or f"[{key}]" in text


def test_the_example_of_the_decisions_can_be_read():
    example = re.search(r"```toml\n(.*?)```", page("docs/shoot-folder.md"), re.DOTALL)[1]
    assert msgspec.convert(tomllib.loads(example), Decisions).left == "second-station"


def codes():
    """Codes of findings, as they stand in the source."""
    for path in sorted((SOURCE / "proof").glob("findings_*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if (
                isinstance(node, ast.Constant)
                and isinstance(node.value, str)
                and re.fullmatch(r"[a-z]+(-[a-z]+)+", node.value)
            ):
                yield node.value
            elif (
                isinstance(node, ast.keyword) and node.arg == "code" and isinstance(node.value, ast.JoinedStr)
            ):
                sides = {
                    "f'window-cut-{side}'": ("left", "right", "top", "bottom"),
                    "f'crowded-{side}'": ("left", "right"),
                }[ast.unparse(node.value)]
                yield from (ast.literal_eval(ast.unparse(node.value)[1:]).format(side=side) for side in sides)


NO_CODES = {
    "far-to-near",
    "one-degree",
    "zone-of-comfort",
    "no-divergence",
    "least-squares",
    "local-desaturation",
}


@pytest.mark.parametrize("code", sorted({*codes(), "flat", "ghosting"} - NO_CODES))
def test_every_finding_is_explained(code):
    assert re.search(rf"^\|.*`{code}`.*\|.*\|$", page("docs/shoot-folder.md"), re.MULTILINE)


@pytest.mark.parametrize("name", PAGES)
def test_links_lead_somewhere(name):
    for target in re.findall(r"\]\(([^)#]+)", page(name)):
        assert (ROOT / name).parent.joinpath(target).exists(), target


@pytest.mark.parametrize("name", PAGES)
def test_documents_name_no_machine(name):
    text = page(name)
    assert re.findall(r"https?://", text) == []
    assert re.findall(r"/(?:root|home|work|opt|tmp|usr)/", text) == []


def test_the_picture_in_the_readme_stays_small():
    assert (ROOT / "docs/pictures/demo-anaglyph.jpg").stat().st_size <= 300_000


def test_texts_name_only_commands_that_exist():
    named = {
        (path.name, name)
        for path in SOURCE.rglob("*.py")
        for name in re.findall(r"`nearpair ([a-z]+)", path.read_text())
    }
    assert {item for item in named if item[1] not in COMMANDS} == set()
