"""Files of a shoot keep their form: published schemas, and shoots of every version so far."""

import json
import tomllib
from pathlib import Path
from shutil import copyfile

import jsonschema
import msgspec
import pytest

from nearpair.errors import NewerVersionError
from nearpair.plan.model import decode as decode_plan
from nearpair.proof.model import decode, encode
from nearpair.shoot.decisions import Decisions, load, save
from nearpair.shoot.finished import proof_of
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.run import make
from support.tiny import shells
from versions.publish import FOLDER, PUBLISHED, schema

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


GLASSES = """\
version = 1
kind = "red-cyan"
left = {red = 0.4, green = 0.01, blue = 0.02}
right = {red = 0.02, green = 0.3, blue = 0.35}
"""


def says(path, key, read):
    """The file names its own form, the one that is known, and what to do; it is not changed."""
    before = path.read_bytes()
    with pytest.raises(NewerVersionError) as refused:
        read()
    said = f"{path}: has {key} 2, and this nearpair knows {key} 1 only: a newer one wrote it."
    assert refused.value.message == said
    assert refused.value.remedy.startswith("Nothing was changed. Update nearpair")
    assert path.read_bytes() == before


@pytest.mark.parametrize("more", ["", 'weather = "fine"\n'])
def test_a_version_from_the_future_is_refused_with_what_to_do(tmp_path, more):
    path = tmp_path / "shoot.toml"
    save(path, Decisions())
    path.write_text(more + path.read_text().replace("version = 1", "version = 2"))
    says(path, "version", lambda: load(path))


@pytest.mark.parametrize("more", ["", 'screen = "oled"\n'])
def test_a_calibration_from_the_future(tmp_path, more):
    path = tmp_path / "mine.toml"
    path.write_text(more + GLASSES)
    if not more:
        assert glasses_named(str(path)).filters == "own"
    path.write_text(more + GLASSES.replace("version = 1", "version = 2"))
    says(path, "version", lambda: glasses_named(str(path)))


def test_a_proof_from_the_future(tmp_path):
    folder = ShootFolder(tmp_path)
    kept = json.loads((KEPT / "1" / "proof.json").read_bytes())
    folder.proof_json.write_text(json.dumps({**kept, "schema": 1}))
    assert proof_of(folder) == decode((KEPT / "1" / "proof.json").read_bytes())
    folder.proof_json.write_text(json.dumps({"schema": 2, "depth": "felt"}))
    says(folder.proof_json, "schema", lambda: proof_of(folder))


def test_a_plan_from_the_future():
    with pytest.raises(NewerVersionError, match=r"This plan: has schema 2, and this nearpair knows schema 1"):
        decode_plan(b'{"schema": 2, "stack": []}')
    with pytest.raises(msgspec.DecodeError):
        decode_plan(b'{"schema": 0}')
