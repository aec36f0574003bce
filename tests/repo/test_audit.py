"""The audit of libraries: what it finds, and that silence of a service is never taken for a clean bill."""

import importlib.util
import json
import subprocess
from pathlib import Path

import pytest
from packaging.version import Version

ROOT = Path(__file__).parents[2]


@pytest.fixture
def audit():
    spec = importlib.util.spec_from_file_location("audit", ROOT / ".ci" / "audit.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_nothing_that_is_installed_is_on_the_kept_list(audit):
    faults, entries = audit.kept()
    assert faults == []
    assert entries > 5


def test_an_old_version_is_found(audit, monkeypatch, capsys):
    monkeypatch.setattr(audit, "version", lambda package: "0.1")
    monkeypatch.setattr(audit, "ask", lambda: ([], "skipped"))
    assert audit.main() == 1
    assert "KNOWN FAULT pillow 0.1: CVE-2025-48379" in capsys.readouterr().out


REPORTS = {
    "clean": [{"name": "a", "version": "1", "vulns": []}],
    "faulty": [
        {"name": "a", "version": "1", "vulns": [{"id": "X-1"}]},
        {"name": "b", "skip_reason": "unknown"},
    ],
    "unknown": [{"name": "a", "skip_reason": "not found"}],
}


@pytest.mark.parametrize(
    ("report", "faults", "said"),
    [
        ("clean", [], "1 libraries audited, 0 not known"),
        ("faulty", ["a 1: X-1"], "1 libraries audited, 1 not known"),
        ("unknown", [], "skipped: the service knows none of the 1 libraries"),
        (None, [], "skipped: no advisories could be asked for"),
    ],
)
def test_what_the_service_says(audit, monkeypatch, report, faults, said):
    out = "" if report is None else json.dumps({"dependencies": REPORTS[report]})
    monkeypatch.setattr(audit, "find_spec", lambda name: object())
    monkeypatch.setattr(audit.subprocess, "run", lambda *a, **k: subprocess.CompletedProcess(a, 0, out, ""))
    found, words = audit.ask()
    assert found == faults
    assert words.startswith(said)


def test_the_least_versions_that_are_asked_for_are_none_with_a_known_fault(audit):
    """Of what pyproject.toml names: an installation by its rules must not bring a fault on the kept list."""
    least = {}
    for line in audit.tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]:
        name, _, version = line.partition(">=")
        least[name] = Version(version)
    for each in audit.tomllib.loads(audit.KEPT.read_text())["advisory"]:
        assert least.get(each["package"], Version("999")) >= Version(each["fixed"]), each["id"]
