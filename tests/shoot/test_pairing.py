"""Which stations make the pair, and who is left.

A flat picture seen from several stations: crops of one photograph (Cones; tests/support/pairs.py), shifted as
parallel cameras would see it. The base is to be near one thirtieth of the distance (common practice).
"""

from dataclasses import replace

import numpy as np
import pytest
from PIL import ExifTags, Image

from nearpair.errors import PairError, SourceError
from nearpair.pairs.rectify import NotRectified
from nearpair.progress import silent
from nearpair.shoot import pairing
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.looking import look_at
from nearpair.shoot.reading import Reading
from support.pairs import aloe, cones

Tag = ExifTags.Base


def crop(folder, picture, left_px, focal_35mm=None, second=0):
    """One frame, 280 x 360 px, of what a station sees whose camera stands `left_px` farther right."""
    folder.mkdir()
    exif = Image.Exif()
    exif[Tag.Make], exif[Tag.Model] = "Invented", "Flat"
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    detail[Tag.DateTimeOriginal] = f"2025:03:14 09:30:{second:02d}"
    if focal_35mm:
        detail[Tag.FocalLengthIn35mmFilm] = focal_35mm
    window = np.ascontiguousarray(picture[:280, left_px : left_px + 360])
    Image.fromarray(window).save(folder / f"IMG_{second:04d}.JPG", quality=96, exif=exif)
    return folder


def stations(tmp_path, positions_px, focal_35mm):
    wide = np.concatenate([cones().left, cones().left[:, ::-1]], axis=1)
    return [
        crop(tmp_path / name, wide, left_px, focal_35mm, 3 * number)
        for number, (name, left_px) in enumerate(positions_px.items())
    ]


def seen(folders, **decided):
    return look_at(Decisions(**decided), folders, Reading(), None, silent)


# 60 mm on 36 mm width is 600 px of a picture 360 px wide: one thirtieth of the distance is a shift of 20 px
@pytest.mark.parametrize(
    ("positions_px", "pair"),
    [
        ({"a": 0, "b": 19, "c": 100}, ("a", "b")),
        ({"a": 0, "b": 80, "c": 101}, ("b", "c")),
        ({"a": 0, "b": 6, "c": 20}, ("a", "c")),
        # shot from right to left
        ({"a": 100, "b": 20, "c": 0}, ("c", "b")),
    ],
)
def test_the_base_nearest_to_one_thirtieth(tmp_path, positions_px, pair):
    found = seen(stations(tmp_path, positions_px, 60))
    assert (found.eyes.left, found.eyes.right) == pair
    named = " and ".join(sorted(pair))
    assert found.pair_reason.startswith(f"{named} of 3 stations: its base is about 1/")
    assert found.pair_reason.endswith("of the distance, nearest to 1/30")
    assert [member.station.name for member in found.pair] == list(pair)
    # the others are reported too
    assert [station.name for station in found.stations] == ["a", "b", "c"]


def test_without_a_recorded_focal_length_a_usual_one_is_assumed(tmp_path):
    found = seen(stations(tmp_path, {"a": 0, "b": 36, "c": 120}, None))
    assert (found.eyes.left, found.eyes.right) == ("a", "b")
    assert "focal length not recorded" in found.pair_reason


@pytest.mark.parametrize(
    ("decided", "pair"),
    [
        ({"left": "a", "right": "c"}, ("a", "c")),
        ({"left": "b"}, ("b", "c")),
        ({"right": "b"}, ("a", "b")),
        ({"left": "a"}, ("a", "b")),
        # nothing lies on the other side: then the wrong side, and the contradiction is told
        ({"right": "a"}, ("b", "a")),
    ],
)
def test_stations_named_by_hand(tmp_path, decided, pair):
    found = seen(stations(tmp_path, {"a": 0, "b": 21, "c": 60}, 60), **decided)
    assert (found.eyes.left, found.eyes.right) == pair
    assert found.eyes.confidence == 1.0
    assert (found.eyes.contradiction is None) == (pair != ("b", "a"))
    assert (found.eyes.evidence[0].cue, found.eyes.evidence[0].left) == ("given by hand", pair[0])
    if len(decided) == 2:
        assert found.pair_reason.endswith("both were given by hand")


@pytest.mark.parametrize("given", ["{}/b", "./b", "b"])
def test_a_station_named_by_its_folder(tmp_path, monkeypatch, given):
    folders = stations(tmp_path, {"a": 0, "b": 21, "c": 60}, 60)
    monkeypatch.chdir(tmp_path)
    found = seen(folders, left=given.format(tmp_path), right="c")
    assert (found.eyes.left, found.eyes.right) == ("b", "c")


@pytest.mark.parametrize("decided", [{"left": "d"}, {"right": "d"}, {"left": "a", "right": "nowhere/at/all"}])
def test_a_station_that_is_not_there(tmp_path, decided):
    name = decided.get("right") or decided["left"]
    with pytest.raises(SourceError) as failed:
        seen(stations(tmp_path, {"a": 0, "b": 21}, 60), **decided)
    assert failed.value.message == f"There is no station {name!r} in this shoot; it has a, b."
    assert failed.value.remedy.startswith("Give one of these names, or the folder")


def test_one_station_for_both_eyes(tmp_path):
    folders = stations(tmp_path, {"a": 0, "b": 21, "c": 60}, 60)
    with pytest.raises(SourceError, match="a was given for both eyes; a pair needs two stations"):
        seen(folders, left="a", right=str(folders[0]))


def test_by_hand_against_the_pictures(tmp_path):
    found = seen(stations(tmp_path, {"a": 0, "b": 60}, 60), left="b")
    assert (found.eyes.left, found.eyes.right) == ("b", "a")
    text = "b was given as the left eye, but the pictures say it is a"
    assert found.eyes.contradiction.startswith(text)
    assert found.eyes.contradiction.endswith("% sure)")


def test_different_subjects_are_no_pair(tmp_path):
    folders = [crop(tmp_path / "a", cones().left, 0), crop(tmp_path / "b", aloe().left, 0, second=9)]
    with pytest.raises(PairError, match=r"^a and b cannot be made a pair: only \d+ points") as failed:
        seen(folders)
    assert "(a holds IMG_0000.JPG; b holds IMG_0009.JPG)" in failed.value.message
    assert "show the same subject" in failed.value.remedy


def test_the_best_pair_does_not_fit_together_and_the_next_one_is_used(tmp_path, monkeypatch):
    """Small pictures let a pair pass that the larger ones refuse."""
    folders = stations(tmp_path, {"a": 0, "b": 19, "c": 100}, 60)
    compare = pairing.compare

    def refuse(one, other, names):
        found = compare(one, other, names)
        return replace(found, rows=NotRectified("they bend")) if names == ("a", "b") else found

    monkeypatch.setattr(pairing, "compare", refuse)
    found = seen(folders)
    assert {found.eyes.left, found.eyes.right} in ({"a", "c"}, {"b", "c"})
    assert found.pair_reason.endswith("better ones could not be used, see the notes")
    why = "a and b cannot be made a pair: they bend (a holds IMG_0000.JPG; b holds IMG_0003.JPG)."
    assert why in found.notes
    assert {found.pair[0].station.name, found.pair[1].station.name} == {found.eyes.left, found.eyes.right}
    # whoever chose them by hand is told
    with pytest.raises(PairError, match="they bend"):
        seen(folders, pair=("a", "b"))
    assert "a" in (seen(folders, left="a").eyes.left, seen(folders, left="a").eyes.right)


def test_a_station_of_another_size_is_set_aside_by_name(tmp_path):
    folders = stations(tmp_path, {"a": 0, "b": 21, "c": 60}, 60)
    with Image.open(folders[2] / "IMG_0006.JPG") as picture:
        picture.reduce(2).save(folders[2] / "IMG_0006.JPG", exif=picture.getexif())
    found = seen(folders)
    assert {found.eyes.left, found.eyes.right} == {"a", "b"}
    assert [station.name for station in found.stations] == ["a", "b"]
    (aside,) = found.set_aside
    assert aside.file == "IMG_0006.JPG"
    assert aside.reason.startswith("It is 180 x 140 px where other stations have 360 x 280 px.")
    # not if it was chosen, nor if no frame may be missing
    sizes = r"different sizes \(a: 360 x 280, b: 360 x 280, c: 180 x 140 px\).* c holds IMG_0006.JPG"
    with pytest.raises(SourceError, match=sizes):
        seen(folders, right="c")
    with pytest.raises(SourceError, match=r"IMG_0006\.JPG would be set aside: It is 180 x 140"):
        seen(folders, strict=True)


def test_among_several_stations_a_stranger_is_left_out(tmp_path):
    folders = stations(tmp_path, {"a": 0, "b": 21}, 60)
    folders.append(crop(tmp_path / "c", aloe().left, 0, second=30))
    found = seen(folders)
    assert (found.eyes.left, found.eyes.right) == ("a", "b")
    left_out = "c shares too few points with the other stations and was left out of the choice"
    assert f"{left_out} (c holds IMG_0030.JPG)." in found.notes
    assert [c.verdict for c in found.ranked.candidates(found.eyes)][1:] == 2 * ["not comparable"]
    with pytest.raises(PairError, match="a and c cannot be made a pair"):
        seen(folders, left="a", right="c")


def test_single_pictures_of_different_things_are_no_shoot(tmp_path):
    """Somebody pointed at the wrong folder: it is said what is there instead of a stack."""
    left = [cones().left, aloe().left, 255 - cones().left[::-1]]
    folders = [
        crop(tmp_path / name, view, 0, second=9 * k)
        for k, (name, view) in enumerate(zip("abc", left, strict=True))
    ]
    with pytest.raises(PairError, match="No focus stack was found here, only 3 single pictures"):
        seen(folders)


def test_names_of_the_folders_are_one_piece_of_evidence(tmp_path):
    agree = seen(stations(tmp_path, {"left": 0, "right": 60}, 60))
    cue = next(cue for cue in agree.eyes.evidence if cue.cue == "folder names")
    assert cue.left == "left"
    (tmp_path / "swapped").mkdir()
    against = seen(stations(tmp_path / "swapped", {"right": 0, "left": 60}, 60))
    assert against.eyes.left == "right"
    assert "folder names" in against.eyes.contradiction
    assert against.eyes.confidence < agree.eyes.confidence
