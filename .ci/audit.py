"""Hold the installed libraries against known faults: a kept list always, and `pip-audit` where it can ask.

Exit status 1 if a fault is known of an installed version. What could not be asked is said plainly and is no
success: libraries that nobody knows anything of are counted as not audited.
"""

import json
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from pathlib import Path

from packaging.version import Version

KEPT = Path(__file__).with_name("advisories.toml")
LONGEST_S = 120


def kept() -> tuple[list[str], int]:
    """Faults of installed versions by the kept list, and how many entries it has."""
    advisories = tomllib.loads(KEPT.read_text("utf-8"))["advisory"]
    found = []
    for each in advisories:
        try:
            installed = version(each["package"])
        except PackageNotFoundError:
            continue
        if Version(installed) < Version(each["fixed"]):
            fixed = f"put right in {each['fixed']}"
            found.append(f"{each['package']} {installed}: {each['id']}, {each['what']}; {fixed}")
    return found, len(advisories)


def asked(report: str) -> tuple[list[str], int, int]:
    """From pip-audit's JSON: faults, how many libraries were audited, and how many could not be."""
    libraries = json.loads(report)["dependencies"]
    known = [each for each in libraries if "skip_reason" not in each]
    faults = [f"{e['name']} {e['version']}: {fault['id']}" for e in known for fault in e["vulns"]]
    return faults, len(known), len(libraries) - len(known)


def ask() -> tuple[list[str], str]:
    """Faults that pip-audit knows of, and what came of asking, in words."""
    if find_spec("pip_audit") is None:
        return [], "skipped: pip-audit is not installed (pip install pip-audit)"
    command = [sys.executable, "-m", "pip_audit", "--format", "json", "--progress-spinner", "off"]
    try:
        ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=LONGEST_S)  # noqa: S603
        faults, known, unknown = asked(ran.stdout)
    except (subprocess.TimeoutExpired, ValueError, KeyError):
        return [], "skipped: no advisories could be asked for; is the network open?"
    if not known:
        return [], f"skipped: the service knows none of the {unknown} libraries"
    return faults, f"{known} libraries audited, {unknown} not known there and not audited"


def main() -> int:
    """Print what is known; the exit status."""
    faults, entries = kept()
    print(f"kept list: {entries} entries, {len(faults)} of them concern what is installed")
    more, said = ask()
    print(f"pip-audit: {said}")
    for fault in (*faults, *more):
        print(f"KNOWN FAULT {fault}")
    return 1 if faults or more else 0


if __name__ == "__main__":
    sys.exit(main())
