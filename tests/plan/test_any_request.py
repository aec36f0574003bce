"""Whatever is asked for, there is a plan with its sheets, or a sentence that says what works instead."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics.viewing import Viewing
from nearpair.plan.compute import plan
from nearpair.plan.diagram import diagram
from nearpair.plan.request import Camera, Rail, Request, Subject
from nearpair.plan.sheet_page import page
from nearpair.plan.sheet_pdf import pdf

cameras = st.builds(
    Camera,
    st.floats(5, 60),
    st.floats(4, 45),
    st.floats(4, 600),
    st.none() | st.floats(0.8, 45),
    st.floats(0.3, 3),
    width_px=st.none() | st.integers(300, 15_000),
)
near = st.floats(1, 1e5)
subjects = st.one_of(
    st.builds(Subject, depth_mm=st.floats(0.01, 1000), magnification=st.floats(0.001, 20)),
    st.builds(Subject, depth_mm=st.floats(0.01, 1000), working_distance_mm=st.floats(1, 1e5)),
    st.builds(
        lambda depth, more, field: Subject(depth_mm=depth, deepest_mm=depth * more, field_width_mm=field),
        st.floats(0.01, 100),
        st.floats(1, 5),
        st.floats(0.5, 1000),
    ),
    st.builds(
        lambda n, f: Subject(near_mm=n, far_mm=n * f), near, st.floats(1.0001, 100) | st.just(math.inf)
    ),
)
viewings = st.builds(Viewing, st.floats(50, 5000), st.floats(200, 10_000), st.floats(40, 80))
requests = st.builds(
    Request,
    cameras,
    subjects,
    viewings,
    st.sampled_from(["one-degree", "zone-of-comfort"]),
    st.sampled_from([None, "rail", "ring"]),
    st.floats(0, 0.9),
    st.none() | st.floats(0.001, 1000),
    rail=st.builds(Rail, division_mm=st.sampled_from([0.001, 0.01, 0.1])),
)


@given(requests)
@settings(deadline=None, max_examples=150)
def test_a_plan_or_a_remedy(request):
    try:
        found = plan(request, "1")
    except NearpairError as refused:
        assert refused.message  # noqa: PT017
        assert refused.remedy  # noqa: PT017
        return
    assert found.stereo.base_mm > 0
    assert found.stack.near_mm > 0
    assert found.stack.frames == len(found.stack.positions_mm)
    assert found.stereo.lost_share <= 0.5
    assert math.isfinite(found.stereo.deviation_share)
    if request.base_mm is None and found.stereo.base_mm > request.rail.division_mm:
        assert found.stereo.comfortable
    assert diagram(found, 100, 4, 90).items
    if len(found.readings) < 600:
        assert pdf(found).startswith(b"%PDF")
        assert page(found).startswith("<!doctype html>")
