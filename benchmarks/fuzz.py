"""Our own parsers against bytes from a coverage-guided fuzzer: a value, or our own error; nothing else.

Run it by hand: `python -m benchmarks.fuzz [SECONDS]` for each parser, with `tests` on the path. Needs
`atheris` (pip install atheris; Linux and macOS), which follows the branches that Python code takes; without
it this is skipped plainly, and `tests/shoot/test_parsers.py` remains, which tries without such guidance.
"""

import subprocess
import sys
import tempfile
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from nearpair.errors import NearpairError

Parser = Callable[[bytes], object]
_LONGEST_INPUT = 4096


def _parsers(scratch: Path) -> dict[str, tuple[Parser, list[bytes]]]:
    """Each parser, and what is valid for it to begin with."""
    from nearpair.frames.cr3 import cr3_exif
    from nearpair.frames.exif import from_block, from_directories
    from nearpair.frames.headers import read_header
    from nearpair.proof.model import decode
    from nearpair.shoot.decisions import Decisions, load, save
    from nearpair.shoot.glassesfile import glasses_named
    from support.corpus import cases, exif_of

    def on_disk(name: str, read: Callable[[Path], object]) -> Parser:
        file = scratch / name

        def parse(data: bytes) -> object:
            file.write_bytes(data)
            return read(file)

        return parse

    save(scratch / "shoot.toml", Decisions(sources=("card",), left="A"))
    eyes = "".join(f"[{eye}]\nred = 0.4\ngreen = 0.01\nblue = 0.02\n" for eye in ("left", "right"))
    exif = exif_of().tobytes()
    pictures = [case.content for case in cases(90, 1, scratch / "s") if len(case.content) < _LONGEST_INPUT]
    return {
        "shoot.toml": (on_disk("a.toml", load), [(scratch / "shoot.toml").read_bytes()]),
        "calibration": (
            on_disk("b.toml", lambda file: glasses_named(str(file))),
            [f'version = 1\nkind = "red-cyan"\n{eyes}'.encode()],
        ),
        "exif": (from_block, [exif]),
        "times and numbers": (lambda data: from_directories(data, data), [exif[6:]]),
        "boxes of raw files": (cr3_exif, [b"\0\0\0\x10ftypcrx \0\0\0\0"]),
        "headers": (on_disk("frame", read_header), pictures),
        "proof.json": (_json(decode), [b'{"schema": 1, "version": "0"}']),
    }


def _json(read: Parser) -> Parser:
    """A proof that is none is told by `shoot.finished`, from the decoder's own errors."""
    import msgspec

    def parse(data: bytes) -> object:
        try:
            return read(data)
        except msgspec.DecodeError:
            return None

    return parse


def fuzz(name: str, seconds: int) -> None:
    """Feed one parser in this process, which ends with it; an error of another kind ends it at once."""
    import atheris

    with atheris.instrument_imports(include=["nearpair"]):
        import nearpair.shoot.run  # noqa: F401 - what is imported here is followed

    with tempfile.TemporaryDirectory() as scratch:
        parse, begin = _parsers(Path(scratch))[name]
        seeds = Path(scratch) / "seeds"
        seeds.mkdir()
        for number, content in enumerate(begin):
            (seeds / str(number)).write_bytes(content)

        def one(data: bytes) -> None:
            try:
                parse(data)
            except NearpairError as error:
                if not error.remedy:
                    raise

        options = [
            f"-max_total_time={seconds}",
            f"-max_len={_LONGEST_INPUT}",
            "-timeout=10",
            "-rss_limit_mb=1500",
        ]
        atheris.Setup(["fuzz", *options, f"-artifact_prefix={Path.cwd()}/fuzz-", str(seeds)], one)
        atheris.Fuzz()


def run(seconds: int) -> int:
    """Fuzz every parser in a process of its own and print what came of it; 1 if one failed."""
    if find_spec("atheris") is None:
        print("skipped: atheris is not installed")
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        names = list(_parsers(Path(scratch)))
    failed = 0
    for name in names:
        command = [sys.executable, "-m", "benchmarks.fuzz", str(seconds), name]
        ran = subprocess.run(command, check=False, capture_output=True, text=True)
        lines = ran.stderr.splitlines()
        done = next((line for line in reversed(lines) if line.startswith("Done ")), "stopped early")
        reached = next((line for line in reversed(lines) if "cov:" in line), "")
        print(f"{name}: {done}; {reached.strip()}", flush=True)
        if ran.returncode:
            failed = 1
            print("\n".join(lines[-25:]))
    return failed


if __name__ == "__main__":
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    if len(sys.argv) > 2:
        fuzz(sys.argv[2], asked)
    else:
        sys.exit(run(asked))
