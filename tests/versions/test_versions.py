"""Files of a shoot keep their form: published schemas, and shoots of every version so far."""

import json
import tomllib
from pathlib import Path
from shutil import copyfile

import jsonschema
import pytest
from publish import FOLDER, PUBLISHED, schema

from nearpair.errors import ShootError
from nearpair.proof.model import decode, encode
from nearpair.shoot.decisions import Decisions, load, save
from nearpair.shoot.run import make
from support.tiny import shells

KEPT = Path(__file__).parents[1] / "data" / "versions"
VERSIONS = sorted(path.name for path in KEPT.iterdir())


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_published_schema_is_that_of_the_program(name):
    """If it is not: is it a new version? Else run tests/versions/publish.py."""
    assert (FOLDER / name).read_text("utf-8") == schema(name)


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_published_schema_is_a_schema(name):
    jsonschema.Draft202012Validator.check_schema(json.loads((FOLDER / name).read_text("utf-8")))


def checked(document, name):
    """Hold a document against a published schema, as another program would."""
    jsonschema.validate(document, json.loads((FOLDER / name).read_text("utf-8")))


def plain(path):
    return tomllib.loads(path.read_text("utf-8"))


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("versions")
    make(shells(folder / "card"), folder / "shells")
    return folder / "shells"


def test_what_is_written_holds_to_the_schemas(shoot):
    checked(plain(shoot / "shoot.toml"), "shoot-1.schema.json")
    checked(json.loads((shoot / "proof.json").read_text("utf-8")), "proof-1.schema.json")


@pytest.mark.parametrize(
    "wrong", [{"version": 2}, {"mounting": {"window": "left"}}, {"viewing": {"eyes_mm": 5}}]
)
def test_the_schema_refuses_what_the_program_refuses(shoot, wrong):
    with pytest.raises(jsonschema.ValidationError):
        checked({**plain(shoot / "shoot.toml"), **wrong}, "shoot-1.schema.json")


@pytest.mark.parametrize("version", VERSIONS)
def test_decisions_of_every_version_are_understood(version, tmp_path):
    copyfile(KEPT / version / "shoot.toml", tmp_path / "shoot.toml")
    decisions = load(tmp_path / "shoot.toml")
    assert decisions.mounting.window == (812.0, 540.0)
    assert decisions.colour.glasses == "green-magenta"
    assert decisions.stations[0].kind == "rail"
    save(tmp_path / "shoot.toml", decisions)
    assert load(tmp_path / "shoot.toml") == decisions
    checked(plain(tmp_path / "shoot.toml"), f"shoot-{version}.schema.json")


@pytest.mark.parametrize("version", VERSIONS)
def test_proofs_of_every_version_are_understood(version):
    kept = (KEPT / version / "proof.json").read_bytes()
    proof = decode(kept)
    assert proof.eyes.left == "left"
    assert decode(encode(proof)) == proof
    checked(json.loads(kept), f"proof-{version}.schema.json")


def test_a_version_from_the_future_is_refused_with_what_to_do(tmp_path):
    save(tmp_path / "shoot.toml", Decisions())
    text = (tmp_path / "shoot.toml").read_text().replace("version = 1", "version = 2")
    (tmp_path / "shoot.toml").write_text(text)
    with pytest.raises(ShootError, match="version") as refused:
        load(tmp_path / "shoot.toml")
    assert refused.value.remedy
    assert (tmp_path / "shoot.toml").read_text() == text
