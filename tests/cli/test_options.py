"""What may be typed, and what is refused as wrong usage."""

import math

import pytest
import typer
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.cli.options import (
    GLASSES_NAMES,
    METHOD_NAMES,
    Floating,
    Pair,
    Window,
    listed,
    parse_floating,
    parse_pair,
    parse_window,
)
from nearpair.colour.glasses import GLASSES
from nearpair.outputs.anaglyph import METHODS

MAKE = ("make", "card", "--to", "shoot")
places = st.floats(0, 1e6)


@pytest.mark.parametrize("word", ["auto", "near", "far"])
def test_window_words(word):
    assert parse_window(f" {word.upper()} ") == Window(word)


@settings(deadline=None)
@given(places, places)
def test_window_points_are_read_as_written(x, y):
    assert parse_window(f"{x!r},{y!r}") == Window((x, y))


@settings(deadline=None)
@given(st.text())
def test_any_other_window_is_refused_with_an_example(text):
    try:
        found = parse_window(text).value
    except typer.BadParameter as refusal:
        said = str(refusal)
    else:
        assert found in ("auto", "near", "far") or all(math.isfinite(number) for number in found)
        return
    assert "812,540" in said
    assert repr(text) in said


@pytest.mark.parametrize("text", ["", "3", "3,", "3,4,5", "-1,4", "nan,4", "inf,4", "1e7,4", "middle", "3;4"])
def test_bad_windows(text):
    with pytest.raises(typer.BadParameter, match="expected auto, near, far or a point X,Y"):
        parse_window(text)


def test_pairs_of_stations():
    assert parse_pair(" station-1, card/second ") == Pair(("station-1", "card/second"))


@pytest.mark.parametrize("text", ["", "a", "a,", ",b", "a,b,c", "a,a", "a;b"])
def test_bad_pairs(text):
    with pytest.raises(typer.BadParameter, match="expected two stations with a comma between") as refused:
        parse_pair(text)
    assert repr(text) in str(refused.value)


def test_floating_words():
    assert parse_floating(" Never ") == Floating("never")
    assert parse_floating("auto") == Floating("auto")
    with pytest.raises(typer.BadParameter, match="expected auto or never, found 'always'"):
        parse_floating("always")


@pytest.mark.parametrize("text", ["4/3", "0:1", "4:", "wide", "-4:3", "4:3:2"])
def test_bad_aspects(nearpair, text):
    result = nearpair(*MAKE, "--aspect", text)
    assert result.exit_code == 2
    assert "expected auto or width to height, for example 4:3" in words(result)


@pytest.mark.parametrize("text", ["0", "-0.5", "1.01", "nan", "inf"])
def test_bad_shares_of_the_base(nearpair, text):
    result = nearpair(*MAKE, f"--base-share={text}")
    assert result.exit_code == 2
    assert "above 0 and at most 1, for example 0.6; found" in words(result)


def test_choices_are_those_that_exist():
    assert set(GLASSES_NAMES) == set(GLASSES)
    assert set(METHOD_NAMES) == set(METHODS)


def test_listed():
    assert listed(("a", "b", "c")) == "a, b or c"


def words(result):
    """Standard error without frames and line breaks."""
    return " ".join(result.stderr.replace("│", " ").split())


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--glasses", "blue-red", listed(GLASSES_NAMES)),
        ("--method", "color", listed(METHOD_NAMES)),
        ("--window", "middle", "expected auto, near, far or a point X,Y"),
        ("--screen-width", "0", "expected a length above 0 in mm, found 0"),
        ("--screen-width", "nan", "found nan"),
        ("--distance", "-3", "expected a length above 0 in mm, found -3"),
        ("--distance", "far", "Invalid value for '--distance'"),
        ("--eyes", "20", "40 to 80 mm, found 20"),
        ("--size", "20", "No such option"),
    ],
)
def test_wrong_values_are_wrong_usage(nearpair, option, value, says):
    result = nearpair(*MAKE, option, value)
    assert result.exit_code == 2
    assert says in words(result)
    assert option in words(result)
    assert result.stdout == ""


@pytest.mark.parametrize("arguments", [("make", "card"), ("make", "--to", "shoot"), ("sort",), ("plaster",)])
def test_missing_or_unknown_arguments_are_wrong_usage(nearpair, arguments):
    assert nearpair(*arguments).exit_code == 2
