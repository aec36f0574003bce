import hashlib
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from nearpair.errors import FrameError, ShootError
from nearpair.frames import read_info
from nearpair.shoot.memo import Memo, fingerprint, key_of


@pytest.fixture
def made(tmp_path):
    """Two outputs and a memo that has recorded them."""
    outputs = [tmp_path / "views" / "a.tif", tmp_path / "views" / "b.tif"]
    outputs[0].parent.mkdir()
    for output in outputs:
        output.write_bytes(output.name.encode() * 100)
    memo = Memo(tmp_path / ".cache", "1")
    memo.record("merge", "key", outputs, b"result")
    return memo, outputs


def test_what_was_recorded_is_recalled(made):
    memo, outputs = made
    assert memo.recall("merge", "key", outputs) == b"result"


def test_nothing_else_is_recalled(made, tmp_path):
    memo, outputs = made
    assert memo.recall("merge", "another", outputs) is None
    assert memo.recall("mount", "key", outputs) is None
    assert memo.recall("merge", "key", outputs[:1]) is None
    assert memo.recall("merge", "key", outputs[::-1]) is None
    assert Memo(tmp_path / ".cache", "2").recall("merge", "key", outputs) is None
    assert Memo(tmp_path / "elsewhere", "1").recall("merge", "key", outputs) is None


@pytest.mark.parametrize("change", ["missing", "longer", "other bytes", "a folder"])
def test_changed_outputs_are_made_again(made, change):
    memo, outputs = made
    content = outputs[1].read_bytes()
    outputs[1].unlink()
    if change == "a folder":
        outputs[1].mkdir()
    elif change != "missing":
        outputs[1].write_bytes(content + b"x" if change == "longer" else content[::-1])
        os.utime(outputs[1], ns=(1, 1))
    assert memo.recall("merge", "key", outputs) is None


def test_a_new_time_alone_changes_nothing(made):
    memo, outputs = made
    os.utime(outputs[0], ns=(5, 5))
    assert memo.recall("merge", "key", outputs) == b"result"


def test_a_shoot_may_be_copied_elsewhere(made, tmp_path):
    _, outputs = made
    elsewhere = tmp_path / "copy"
    for name in ("views", ".cache"):
        shutil.copytree(tmp_path / name, elsewhere / name, copy_function=shutil.copyfile)
    moved = [elsewhere / output.relative_to(tmp_path) for output in outputs]
    assert Memo(elsewhere / ".cache", "1").recall("merge", "key", moved) == b"result"


def test_the_last_record_of_a_stage_counts(made):
    memo, outputs = made
    memo.record("merge", "another", outputs, b"newer")
    assert memo.recall("merge", "key", outputs) is None
    assert memo.recall("merge", "another", outputs) == b"newer"


def test_the_same_stage_of_two_stations(tmp_path):
    memo = Memo(tmp_path, "1")
    for name in ("merge/a:b", "merge/a?b", "CON"):
        memo.record(name, "key", [], name.encode())
    for name in ("merge/a:b", "merge/a?b", "CON"):
        assert memo.recall(name, "key", []) == name.encode()


def test_damaged_records_are_as_good_as_none(made, tmp_path):
    memo, outputs = made
    record = next((tmp_path / ".cache").rglob("*.memo"))
    content = record.read_bytes()
    for damaged in (
        *(content[:length] for length in range(0, len(content), 7)),
        b"\xc1",
        msgspec.msgpack.encode([1]),
    ):
        record.write_bytes(damaged)
        assert memo.recall("merge", "key", outputs) is None
    shutil.rmtree(tmp_path / ".cache")
    assert memo.recall("merge", "key", outputs) is None


def test_what_cannot_be_recorded(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(ShootError, match="cannot be written"):
        Memo(tmp_path / "file", "1").record("merge", "key", [], b"")
    with pytest.raises(ShootError, match="No such file"):
        Memo(tmp_path / ".cache", "1").record("merge", "key", [tmp_path / "gone"], b"")


@given(st.binary(max_size=300))
def test_any_result_comes_back(tmp_path_factory, result):
    memo = Memo(tmp_path_factory.getbasetemp() / "memo", "1")
    memo.record("stage", "key", [], result)
    assert memo.recall("stage", "key", []) == result


def test_fingerprint_of_a_frame_and_of_its_path(tmp_path):
    path = tmp_path / "a.png"
    Image.fromarray(np.zeros((4, 4, 3), np.uint8)).save(path)
    before = fingerprint(path)
    assert fingerprint(read_info(path)) == before
    os.utime(path, ns=(7, 7))
    assert fingerprint(path) != before


@pytest.mark.parametrize("at", [0, 65535, -1, -65536, "longer"])
def test_fingerprint_sees_both_ends(tmp_path, at):
    path, content = tmp_path / "a.raw", bytearray(300_000)
    path.write_bytes(content)
    os.utime(path, ns=(7, 7))
    before = fingerprint(path)
    if at == "longer":
        content.append(0)
    else:
        content[at] = 1
    path.write_bytes(content)
    os.utime(path, ns=(7, 7))
    assert fingerprint(path) != before


def test_fingerprint_of_short_files_and_other_names(tmp_path):
    found = set()
    for name, content in (("a", b""), ("b", b""), ("a1", b"x"), ("a2", b"xy")):
        (tmp_path / name).write_bytes(content)
        os.utime(tmp_path / name, ns=(7, 7))
        found.add(fingerprint(tmp_path / name))
    assert len(found) == 4
    with pytest.raises(FrameError, match="No such file"):
        fingerprint(tmp_path / "gone")


@dataclass(frozen=True)
class Settings:
    step_mm: float
    name: str = "a"


class Other(msgspec.Struct):
    b: int
    a: int


plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**60), 2**60)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=6,
)


@given(plain, plain)
def test_keys_are_equal_only_for_equal_parts(one, other):
    same = msgspec.json.encode(one, order="deterministic") == msgspec.json.encode(
        other, order="deterministic"
    )
    assert (key_of(one) == key_of(other)) == same
    assert key_of(one, other) != key_of([one, other])
    assert key_of(one) == key_of(one)


def test_keys_do_not_depend_on_the_order_of_dictionaries():
    assert key_of({"a": 1, "b": 2}) == key_of({"b": 2, "a": 1})
    assert key_of({3, 1, 2}) == key_of({2, 3, 1})
    assert key_of("ab", "c") != key_of("a", "bc")


def test_keys_of_settings_and_paths():
    assert key_of(Settings(0.1 + 0.2)) != key_of(Settings(0.3))  # every bit of a setting counts
    assert key_of(Settings(0.3), Path("a/b")) == key_of(Settings(0.3), Path("a") / "b")
    assert key_of(Other(1, 2)) != key_of(Other(2, 1))
    with pytest.raises(TypeError, match="a key cannot be made of complex"):
        key_of(1j)


def test_keys_stay_the_same_from_run_to_run():
    """BLAKE2b (RFC 7693) of the JSON text, 16 bytes; from hashlib, which is not ours."""
    assert key_of("merge", 2, [0.5]) == hashlib.blake2b(b'["merge",2,[0.5]]', digest_size=16).hexdigest()
