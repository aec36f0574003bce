"""proof.json: schema 1 as agreed, round trips, no NaN."""

import json
import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NewerVersionError
from nearpair.proof.model import decode, encode
from nearpair.proof.model_look import EdgeCut, Edges

AGREED = {
    "": "schema stations set_aside eyes mounting depth comfort colour edges advice verdict",
    "stations.0": "name frames order kind order_confidence reference_frame registration focus",
    "stations.0.registration": "scale_total shift_px_max roll_deg_max",
    "stations.0.focus": "covered_fraction gaps",
    "eyes": "left right confidence evidence",
    "mounting": "rotation_deg scale vertical_px shift_px window_point_px crop_px residual_vertical_px",
    "mounting.residual_vertical_px": "rms p95",
    "depth": "near_px far_px deviation_px deviation_fraction_of_width relief",
    "comfort": "viewing near_arcmin far_arcmin within",
    "colour": "glasses method rivalry ghosting",
    "edges": "left right",
}


def _at(data, path):
    for key in filter(None, path.split(".")):
        data = data[int(key) if isinstance(data, list) else key]
    return data


@pytest.mark.parametrize("path", AGREED)
def test_every_agreed_key_is_there(proof, path):
    assert set(AGREED[path].split()) <= set(_at(json.loads(encode(proof)), path))


def test_round_trip_keeps_bytes_and_order(proof):
    data = encode(proof)
    assert encode(decode(data)) == data
    assert list(json.loads(data))[:3] == ["schema", "version", "picture"]
    assert data.endswith(b"}\n")
    assert b'\n  "stations": [' in data


def test_unknown_keys_are_ignored_and_other_schemas_refused(proof):
    data = json.loads(encode(proof))
    data["later"] = 1
    assert decode(json.dumps(data).encode()) == decode(encode(proof))
    data["schema"] = 2
    with pytest.raises(NewerVersionError, match="schema"):
        decode(json.dumps(data).encode())
    data["schema"] = 0
    with pytest.raises(msgspec.DecodeError, match="schema"):
        decode(json.dumps(data).encode())


@settings(deadline=None)
@given(st.floats(allow_nan=True, allow_infinity=True), st.floats(0, 1))
def test_optional_numbers_become_null_and_never_nan(proof, worst, share):
    cut = EdgeCut(share=share, worst_px=worst)
    plain = _with_edges(proof, Edges(left=cut, right=cut, top=cut, bottom=cut))
    back = json.loads(encode(plain), parse_constant=pytest.fail)["edges"]["left"]
    assert back["share"] == pytest.approx(share, rel=1e-5)
    if math.isfinite(worst):
        assert back["worst_px"] == pytest.approx(worst, rel=1e-5)
    else:
        assert back["worst_px"] is None


def test_a_number_that_must_be_there_may_not_be_nan_and_numpy_numbers_are_numbers(proof):
    cut = EdgeCut(share=np.float32(0.25), worst_px=np.float64(-2))
    good = _with_edges(proof, Edges(left=cut, right=cut, top=cut, bottom=cut))
    assert decode(encode(good)).edges.left == EdgeCut(share=0.25, worst_px=-2.0)
    bad = EdgeCut(share=math.nan)
    with pytest.raises(msgspec.ValidationError, match="share"):
        encode(_with_edges(proof, Edges(left=bad, right=cut, top=cut, bottom=cut)))


def _with_edges(proof, edges):
    return msgspec.structs.replace(proof, edges=edges)
