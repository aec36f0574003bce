import tomllib
from typing import get_args, get_type_hints

import msgspec
import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import ShootError
from nearpair.shoot.decisions import (
    Capture,
    ColourDecisions,
    Decisions,
    Mounting,
    Retouch,
    Station,
    ViewingConditions,
    load,
    save,
)

names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=8)
lengths = st.floats(0.001, 1e6)
windows = st.sampled_from(["auto", "near", "far"]) | st.tuples(st.floats(0, 1e4), st.floats(0, 1e4))
stations = st.lists(
    st.builds(
        Station,
        names,
        st.sampled_from(["auto", "far-to-near", "near-to-far"]),
        st.sampled_from(["auto", "rail", "ring"]),
    ),
    unique_by=lambda station: station.name,
    max_size=4,
).map(tuple)
points = st.tuples(st.floats(-1e3, 1e6), st.floats(-1e3, 1e6))
retouches = st.lists(
    st.builds(
        Retouch,
        names,
        names,
        st.floats(0.5, 1e4),
        st.lists(points, min_size=1, max_size=4).map(tuple),
        st.sampled_from(["both", "one"]),
    ),
    max_size=3,
).map(tuple)
decided = st.builds(
    Decisions,
    sources=st.lists(names, max_size=3).map(tuple),
    left=st.just("") | names.map(lambda name: "l" + name),
    right=st.just("") | names.map(lambda name: "r" + name),
    pair=st.just(()) | st.tuples(names.map(lambda name: "l" + name), names.map(lambda name: "r" + name)),
    strict=st.booleans(),
    stations=stations,
    retouches=retouches,
    mounting=st.builds(
        Mounting,
        windows,
        st.sampled_from(["auto", "4:3", "2.35:1", "1:1"]),
        st.sampled_from(["auto", "never"]),
    ),
    viewing=st.builds(ViewingConditions, st.floats(1, 1e6), st.floats(10, 1e6), st.floats(40, 80)),
    colour=st.builds(
        ColourDecisions, names, st.sampled_from(get_args(get_type_hints(ColourDecisions)["method"]))
    ),
)

BY_HAND = """\
# The ammonite, second evening
version = 1
strict = true   # no holes this time
left = "B"

[colour] # for the club
method = "grey"

[viewing]
distance_mm = 2_500   # the screen in the hall
screen_width_mm = 1800

# B was shot first
[[stations]]
name = "B" # second rail position
order = "far-to-near"

[[stations]]
kind = "rail"
name = "A"
"""


@pytest.fixture
def toml(tmp_path):
    return tmp_path / "shoot.toml"


def test_defaults(toml):
    toml.write_bytes(b"")
    decisions = load(toml)
    assert decisions == Decisions()
    assert decisions.viewing == ViewingConditions(600.0, 600.0, 63.0)
    assert (decisions.colour.glasses, decisions.colour.method) == ("red-cyan", "matched")
    assert (decisions.mounting.window, decisions.strict, decisions.version) == ("auto", False, 1)


def test_a_new_file_explains_itself_and_holds_every_key(toml):
    save(toml, Decisions(sources=("/card/DCIM", "/card/more")))
    assert load(toml) == Decisions(sources=("/card/DCIM", "/card/more"))
    text = toml.read_text()
    raw = tomllib.loads(text)
    assert set(raw) == set(msgspec.to_builtins(Decisions())) - {"stations", "retouches"}
    for table in ("mounting", "viewing", "colour"):
        assert set(raw[table]) == set(msgspec.to_builtins(getattr(Decisions(), table)))
    assert max(len(line) for line in text.splitlines()) <= 110
    assert "# To decide about one station" in text


def test_the_example_for_a_station_works(toml):
    save(toml, Decisions())
    text = toml.read_text()
    example = text[text.index("# [[stations]]") :]
    toml.write_text(text + "\n".join(line.removeprefix("# ") for line in example.splitlines()))
    assert load(toml).stations == (Station("station-1", "far-to-near", "rail"),)


def test_the_example_for_a_retouch_works(toml):
    save(toml, Decisions())
    text = toml.read_text()
    example = text[text.index("# [[retouches]]") : text.index("# To decide about one station")]
    toml.write_text(text + "\n".join(line.removeprefix("# ") for line in example.splitlines()))
    found = load(toml).retouches
    assert found == (
        Retouch("station-1", "IMG_0012.JPG", 40, ((812.0, 540.0), (860.0, 552.0)), "both", "IMG_0010.JPG"),
    )


def test_a_retouch_keeps_its_comments_when_others_come_and_go(toml):
    one, two = (Retouch("a", name, 12, ((1.0, 2.0),)) for name in ("x.jpg", "y.jpg"))
    save(toml, Decisions(retouches=(one,)))
    toml.write_text(toml.read_text().replace('frame = "x.jpg"', 'frame = "x.jpg"  # the claw'))
    for wanted in ((two, one), (one, two), (one,)):
        save(toml, Decisions(retouches=wanted))
        assert load(toml).retouches == wanted
        assert "# the claw" in toml.read_text()
    save(toml, Decisions())
    assert "# the claw" not in toml.read_text()


@pytest.mark.parametrize(
    ("key", "value"),
    [("radius_px", 0), ("points", []), ("points", [[1, "x"]]), ("eyes", "left"), ("colour", "grey")],
)
def test_a_wrong_retouch_is_refused_with_its_number_and_key(toml, key, value):
    whole = {"station": "a", "frame": "x.jpg", "radius_px": 12, "points": [[1, 2]], key: value}
    toml.write_text(tomlkit.dumps({"version": 1, "retouches": [whole]}))
    with pytest.raises(ShootError, match=r"\[\[retouches\]\] number 1: ") as refused:
        load(toml)
    assert key in refused.value.message


@given(decided, decided)
@settings(deadline=None, max_examples=60)
def test_everything_comes_back_also_over_an_older_file(tmp_path_factory, first, second):
    toml = tmp_path_factory.mktemp("round") / "shoot.toml"
    for decisions in (first, second):
        save(toml, decisions)
        assert load(toml) == decisions


@given(decided)
@settings(deadline=None, max_examples=40)
def test_everything_comes_back_over_a_file_edited_by_hand(tmp_path_factory, decisions):
    toml = tmp_path_factory.mktemp("hand") / "shoot.toml"
    toml.write_text(BY_HAND)
    save(toml, decisions)
    assert load(toml) == decisions
    assert "# The ammonite, second evening" in toml.read_text()


def test_saving_keeps_comments_order_and_spelling(toml):
    toml.write_text(BY_HAND)
    before = load(toml)
    save(toml, msgspec.structs.replace(before, left="A", mounting=Mounting((120.0, 80.5))))
    kept = toml.read_text()
    for line in BY_HAND.splitlines():
        assert line.replace('left = "B"', 'left = "A"') in kept
    assert kept.index("[colour]") < kept.index("[viewing]") < kept.index("[[stations]]")
    assert "window = [120.0, 80.5]" in kept


def test_saving_twice_changes_nothing_more(toml):
    toml.write_text(BY_HAND)
    save(toml, load(toml))
    once = toml.read_bytes()
    save(toml, load(toml))
    assert toml.read_bytes() == once


def test_a_station_that_goes_takes_only_itself_along(toml):
    toml.write_text(BY_HAND)
    decisions = load(toml)
    save(toml, msgspec.structs.replace(decisions, left="", stations=(*decisions.stations[:1], Station("C"))))
    assert [item["name"] for item in tomllib.loads(toml.read_text())["stations"]] == ["B", "C"]
    assert "# second rail position" in toml.read_text()


@pytest.mark.parametrize(
    "text",
    [
        "viewing = {distance_mm = 500.0}",
        "viewing.distance_mm = 500.0",
        'stations = [{name = "A"}, {name = "B", kind = "ring"}]',
        "\ufeffstrict = false\r\n# kept\r\n[viewing]\r\ndistance_mm = 500.0\r\n",
        "[viewing]\ndistance_mm = 500\n[colour]\n[mounting]\n",
    ],
)
def test_other_ways_to_write_it_by_hand(toml, text):
    toml.write_bytes(text.encode())
    wanted = msgspec.structs.replace(load(toml), strict=True, viewing=ViewingConditions(distance_mm=700.0))
    save(toml, wanted)
    assert load(toml) == wanted


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("version = 0", "version: expected 1, the only version this program knows, found 0."),
        ('strict = "yes"', "strict: expected true or false, found 'yes'."),
        ("left = 3", 'left: expected the name of a station or folder in quotes, or "", found 3.'),
        ('sources = "card"', "sources: expected a list of folders, each in quotes, found 'card'."),
        ("sources = [1]", "sources: expected a list of folders, each in quotes, found 1."),
        ("viewing = 3", "viewing: expected a table [viewing], found 3."),
        (
            "[viewing]\ndistance_mm = 0",
            "[viewing] distance_mm: expected a distance of 10 mm to 1 km, found 0.",
        ),
        (
            "[viewing]\ndistance_mm = inf",
            "[viewing] distance_mm: expected a distance of 10 mm to 1 km, found inf.",
        ),
        (
            "[viewing]\ndistance_mm = nan",
            "[viewing] distance_mm: expected a distance of 10 mm to 1 km, found nan.",
        ),
        (
            "[viewing]\nscreen_width_mm = true",
            "[viewing] screen_width_mm: expected a width of 1 mm to 1 km, found true.",
        ),
        (
            "[viewing]\neyes_mm = 6.3",
            "[viewing] eyes_mm: expected the distance of the pupils, 40 to 80 mm, found 6.3.",
        ),
        (
            "[viewing]\nwidth = 6",
            "[viewing] width: there is no such key; expected one of screen_width_mm, distance_mm",
        ),
        ("colour.method = 'gray'", '"cielab" or "matched", found \'gray\'.'),
        ("[colour]\nglasses = ''", "[colour] glasses: expected the name of the glasses"),
        ("[mounting]\nwindow = 'middle'", "\"far\" or a point [x, y] in px, found 'middle'."),
        ("[mounting]\naspect = '4/3'", '[mounting] aspect: expected "auto" or width to height'),
        ("[mounting]\naspect = '0:3'", "such as \"4:3\", found '0:3'."),
        ("[mounting]\nfloating = 'always'", 'expected "auto" or "never", found \'always\'.'),
        ("[mounting]\nbase_share = 0", "[mounting] base_share: expected a share of the stereo base as shot"),
        ("[mounting]\nbase_share = 1.01", "above 0 and at most 1, found 1.01."),
        ("[mounting]\nbase_share = 'half'", "above 0 and at most 1, found 'half'."),
        ("[mounting]\nbase_share = nan", "above 0 and at most 1, found nan."),
        ("[mounting]\nwindow = [1]", "a point [x, y] in px, found [1]."),
        ("[mounting]\nwindow = [1, -2]", "a point [x, y] in px, found -2."),
        (
            "[[stations]]\nname = 'A'\n[[stations]]\nname = 'B'\norder = 'in'",
            "[[stations]] number 2: order: expected",
        ),
        (
            "[[stations]]\norder = 'auto'",
            "[[stations]] number 1: name: expected a name in quotes, found nothing.",
        ),
        ("[[stations]]\nname = ''", "[[stations]] number 1: name: expected a name in quotes, found ''."),
        ("[stations]\nname = 'A'", "stations: expected tables that begin with [[stations]]"),
        (
            "[[stations]]\nname = 'A'\n[[stations]]\nname = 'A'",
            "[[stations]] name: expected each once, found 'A' again.",
        ),
        ("left = 'A'\nright = 'A'", "left and right: expected two stations, found 'A' for both eyes."),
        (
            "lens = 1",
            "lens: there is no such key; expected one of version, sources, left, right, strict, pair, ",
        ),
        ("pair = ['A']", "pair: expected two different stations or none, found ['A']."),
        ("pair = ['A', 'A']", "pair: expected two different stations or none, found ['A', 'A']."),
        ("pair = ['A', 'B', 'C']", "pair: expected two different stations or none"),
        ("pair = 'A'", "pair: expected two names of stations or folders in quotes"),
        ("left = ", "is not valid TOML"),
        ("left = 'A'\nleft = 'B'", "is not valid TOML"),
        (f"left = '{'x' * 200}'\nright = 5", "right: expected the name of a station"),
        (f"strict = '{'x' * 200}'", "x..."),
    ],
)
def test_errors_name_file_key_expected_and_found(toml, text, said):
    toml.write_text(text)
    with pytest.raises(ShootError) as caught:
        load(toml)
    assert caught.value.message.startswith(f"{toml}: ")
    assert said in caught.value.message
    assert caught.value.remedy


@pytest.mark.parametrize("content", [b"\xff\xfe\0", b"#" * (2 << 20), b"a=" + b"[" * 20000])
def test_files_that_are_no_decisions_at_all(toml, content):
    toml.write_bytes(content)
    for call in (lambda: load(toml), lambda: save(toml, Decisions())):
        with pytest.raises(ShootError, match=r"shoot\.toml: "):
            call()
    assert toml.read_bytes() == content


def test_a_missing_file(toml):
    with pytest.raises(ShootError, match="there is no such file"):
        load(toml)


def test_saving_over_a_broken_file_loses_nothing(toml):
    toml.write_text("left = ")
    with pytest.raises(ShootError, match="not valid TOML"):
        save(toml, Decisions())
    assert toml.read_text() == "left = "


def test_a_name_that_is_no_text(toml):
    """What a file name with bytes that are no UTF-8 looks like inside Python (PEP 383)."""
    with pytest.raises(ShootError, match="not valid text"):
        save(toml, Decisions(sources=("/card/\udcff",)))
    assert not toml.exists()


@given(st.text(max_size=60))
@settings(deadline=None)
def test_any_text_is_understood_or_refused(tmp_path_factory, text):
    toml = tmp_path_factory.mktemp("any") / "shoot.toml"
    toml.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        load(toml)
    except ShootError:
        return
    assert isinstance(tomlkit.parse(text.encode().decode("utf-8-sig")), tomlkit.TOMLDocument)


def test_lengths_that_nobody_stated_are_not_written_and_can_be_taken_back(tmp_path):
    path = tmp_path / "shoot.toml"
    save(path, Decisions())
    assert not any(line.startswith("base_mm") for line in path.read_text().splitlines())
    stated = Decisions(capture=Capture(base_mm=6.5, focal_mm=60.0))
    save(path, stated)
    assert load(path) == stated
    save(path, Decisions())
    assert load(path) == Decisions()
    assert "sideways move between the two stations" in path.read_text()


def test_a_pair_goes_into_a_file_that_knows_of_none(toml):
    """Files of before the key was there."""
    toml.write_text(BY_HAND)
    changed = msgspec.structs.replace(load(toml), pair=("A", "C"))
    save(toml, changed)
    assert load(toml) == changed
    assert tomllib.loads(toml.read_text())["pair"] == ["A", "C"]
    assert "# The ammonite, second evening" in toml.read_text()
    save(toml, msgspec.structs.replace(changed, pair=()))
    assert load(toml).pair == ()


def test_frames_moved_by_hand_are_written_and_taken_back(tmp_path):
    path = tmp_path / "shoot.toml"
    save(path, Decisions())
    first = path.read_text()
    moves = {"DO_0001.jpg": "station-2", "a/DO 2.jpg": ""}
    save(path, Decisions(moved=moves))
    assert load(path).moved == moves
    save(path, Decisions(moved={"a/DO 2.jpg": "b"}))
    assert load(path).moved == {"a/DO 2.jpg": "b"}
    save(path, Decisions())
    assert load(path).moved == {}
    assert path.read_text().replace("[moved]\n", "").split() == first.split() or "[moved]" in first
