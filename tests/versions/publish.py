"""Write the published schemas of shoot.toml and proof.json anew: python tests/versions/publish.py."""

import json
from pathlib import Path

import msgspec

from nearpair.proof.model import Proof
from nearpair.shoot.decisions import Decisions

FOLDER = Path(__file__).parents[2] / "docs" / "schema"
PUBLISHED = {"shoot-1.schema.json": (Decisions, "shoot.toml"), "proof-1.schema.json": (Proof, "proof.json")}


def schema(name):
    """The JSON Schema (draft 2020-12) of one file, as text."""
    kind, file = PUBLISHED[name]
    found = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"{file} of nearpair, version 1",
        **msgspec.json.schema(kind),
    }
    return json.dumps(found, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name in PUBLISHED:
        (FOLDER / name).write_text(schema(name), "utf-8")
