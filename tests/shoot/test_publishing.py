"""Forms of a finished small shoot, read back by an independent library; made again only when they must be."""

import shutil

import av
import numpy as np
import pillow_heif
import pytest
import trimesh
from PIL import Image

from nearpair.errors import NearpairError, NewerVersionError
from nearpair.frames.profiles import srgb_profile
from nearpair.shoot.again import Remade, again, ages
from nearpair.shoot.deciding import Overrides, decide
from nearpair.shoot.decisions import load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.material import Settings
from nearpair.shoot.publishing import publish
from nearpair.shoot.run import make, run
from support.tiny import contents, shells

STILL = ("anaglyph", "parallel", "crossed", "top-bottom", "side-by-side")
EXACT = ("row-interleaved", "column-interleaved", "checkerboard")
MOVING = ("swap-gif", "swap-webp", "rocking-gif", "rocking-webp")
OTHERS = (
    "card",
    "multi-picture",
    "heif",
    "left-right",
    "page",
    "gltf",
    "stl",
    "clip",
    "swap-mp4",
    "rocking-mp4",
)
LENS = ("lenticular", "pitch-test")
SETTINGS = Settings(size_px=120, seconds=1.0, print_mm=20.0, packing="top-bottom", cues=True, countdown=True)
ABOUT = {"caption": "Two shells", "creator": "A. Collector", "alt": "Shells on sand"}


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("published")
    make(shells(folder / "card"), folder / "shoot")
    return folder / "shoot"


@pytest.fixture(scope="module")
def forms(shoot):
    found = publish(shoot, (*STILL, *EXACT, *MOVING, *OTHERS, *LENS), SETTINGS, ABOUT)
    return {form.name: form for form in found.forms}


def opened(forms, name):
    with Image.open(forms[name].files[0]) as picture:
        picture.load()
        return picture


def size_of_one(forms):
    return opened(forms, "row-interleaved").size


def test_every_form_is_made_once_then_kept(shoot, forms):
    assert all(form.made for form in forms.values())
    before = contents(shoot)
    again = publish(shoot, list(forms), SETTINGS)
    assert [form.made for form in again.forms] == [False] * len(forms)
    assert [form.notes for form in again.forms] == [form.notes for form in forms.values()]
    assert contents(shoot) == before


def test_what_was_said_of_the_picture_is_kept_in_the_decisions(shoot, forms):
    about = load(shoot / "shoot.toml").about
    assert (about.caption, about.creator, about.alt) == tuple(ABOUT.values())


@pytest.mark.parametrize("name", [*STILL, *EXACT])
def test_stills_have_their_size_profile_and_words(forms, name):
    picture = opened(forms, name)
    width, height = size_of_one(forms)
    assert width == 120
    gap = round(0.02 * width)
    expected = {
        "parallel": (2 * width + gap, height),
        "crossed": (2 * width + gap, height),
        "top-bottom": (width, 2 * height),
    }
    assert picture.size == expected.get(name, (width, height))
    assert picture.info["icc_profile"] == srgb_profile()
    assert picture.getexif()[315] == "A. Collector"


def test_row_interleaved_holds_the_rows_of_column_interleaved(forms):
    """Both take the same two pictures apart: where both show the left one, they agree; so for the right."""
    rows, columns, checks = (np.asarray(opened(forms, name)) for name in EXACT)
    assert (rows[::2, ::2] == columns[::2, ::2]).all()
    assert (rows[1::2, 1::2] == columns[1::2, 1::2]).all()
    assert (checks[::2, 1::2] == columns[::2, 1::2]).all()


@pytest.mark.parametrize("name", MOVING)
def test_animations_have_their_pictures_and_tempo(forms, name):
    picture = Image.open(forms[name].files[0])
    count = 2 if name.startswith("swap") else 24
    assert picture.n_frames == count
    assert picture.info["loop"] == 0
    for number in range(count):
        picture.seek(number)
        picture.load()
        assert picture.info["duration"] == (400 if count == 2 else 100)
    picture.close()


def test_rocking_begins_and_turns_at_the_two_views(forms):
    swap, sway = (Image.open(forms[name].files[0]) for name in ("swap-webp", "rocking-webp"))
    for number, turn in ((0, 0), (1, 12)):
        swap.seek(number)
        sway.seek(turn)
        both = [np.asarray(each.convert("RGB")).astype(int) for each in (swap, sway)]
        assert np.abs(both[0] - both[1]).mean() < 4  # WebP loses a little
    swap.close()
    sway.close()


def test_a_lenticular_print_has_its_size_in_inches(forms):
    picture = opened(forms, "lenticular")
    assert picture.info["dpi"] == pytest.approx((600, 600), rel=1e-3)
    assert picture.width / 600 * 25.4 == pytest.approx(20, abs=0.05)
    assert opened(forms, "pitch-test").width == 3600


def test_the_largest_size_for_unaided_eyes_is_told(forms):
    note = forms["parallel"].notes[0]
    whole = float(note.split("at most ")[1].split(" mm")[0])
    one = float(note.split("wide, ")[1].split(" mm")[0])
    assert one <= 63  # centres no farther apart than the pupils: Dodgson 2004, mean 63 mm
    assert whole == pytest.approx(2.02 * one, abs=1.5)


@pytest.mark.parametrize("number", [0, 1])
def test_the_heif_file_holds_the_same_two_pictures_as_the_two_files(forms, number):
    both = pillow_heif.open_heif(forms["heif"].files[0])
    assert (len(both), both.primary_index) == (2, 0)
    with Image.open(forms["left-right"].files[number]) as one:
        assert (
            np.abs(np.asarray(both[number]).astype(int) - np.asarray(one)).mean() < 6
        )  # colour at half size
    assert b"A. Collector" in both[number].info["exif"]
    assert both[number].info["icc_profile"] == srgb_profile()


@pytest.mark.parametrize("number", [0, 1])
def test_the_multi_picture_file_holds_the_same_two_pictures_as_the_two_files(forms, number):
    with (
        Image.open(forms["multi-picture"].files[0]) as both,
        Image.open(forms["left-right"].files[number]) as one,
    ):
        assert both.n_frames == 2
        both.seek(number)
        assert (np.asarray(both.convert("RGB")) == np.asarray(one)).all()
        assert both.getexif()[315] == one.getexif()[315] == "A. Collector"
        assert one.info["icc_profile"] == srgb_profile()


@pytest.mark.parametrize(
    ("name", "pictures"), [("clip", 25 * (2 + 3 + 1 + 2)), ("swap-mp4", 24), ("rocking-mp4", 96)]
)
def test_videos_have_their_length_and_size(forms, name, pictures):
    with av.open(forms[name].files[0]) as file:
        stream = file.streams.video[0]
        assert stream.frames == pictures
        assert (stream.height, stream.width) == ((1080, 1920) if name == "clip" else (80, 120))


def test_the_relief_says_what_it_assumes_where_mm_are_not_known(forms):
    body = trimesh.load(forms["stl"].files[0], force="mesh")
    assert body.is_watertight
    assert body.extents[0] == pytest.approx(100, rel=0.02)  # the assumed width of the picture in mm
    assert "100 mm wide" in forms["stl"].notes[0]
    mesh = trimesh.load(forms["gltf"].files[0], force="mesh")
    assert mesh.extents[0] == pytest.approx(0.1, rel=0.02)  # metres
    assert mesh.visual.material.baseColorTexture.size == size_of_one(forms)


def test_lengths_are_true_once_the_base_is_known(shoot, forms, tmp_path):
    known = shutil.copytree(shoot, tmp_path / "known")
    solid, both = publish(known, ["stl", "multi-picture"], overrides=Overrides(base_mm=3.0)).forms
    assert "true mm" in solid.notes[0]
    assert "3 mm" in both.notes[0]
    metric = run(known, "proof").metric
    with Image.open(both.files[0]) as picture:
        width_mm = picture.width * metric.window_mm_per_px
    extents = trimesh.load(solid.files[0], force="mesh").extents
    assert extents[0] == pytest.approx(width_mm, rel=0.1)
    floor_mm = 0.04 * width_mm
    assert metric.range_mm + floor_mm <= extents[2] <= 1.3 * metric.range_mm + floor_mm


def test_another_setting_makes_only_what_it_concerns_again(shoot, forms):
    found = publish(shoot, ["crossed"], Settings(size_px=100))
    assert found.forms[0].made
    with Image.open(found.forms[0].files[0]) as picture:
        assert picture.width == 202
    again = publish(shoot, ["parallel"], Settings(size_px=120))
    assert not again.forms[0].made


def test_an_unknown_name_stops_before_anything_is_done(shoot, forms):
    before = contents(shoot)
    with pytest.raises(NearpairError, match="Did you mean crossed"):
        publish(shoot, ["parallel", "crosed"])
    with pytest.raises(NearpairError, match="No form was named"):
        publish(shoot, [])
    assert contents(shoot) == before


def why_older(shoot):
    return {age.file: age.older for age in ages(ShootFolder.open(shoot)) if age.older}


@pytest.fixture(scope="module")
def ageing(shoot, tmp_path_factory):
    """A finished shoot with four forms and the usual outputs of two kinds of glasses."""
    folder = tmp_path_factory.mktemp("ageing") / "shoot"
    shutil.copytree(shoot, folder)
    shutil.rmtree(folder / "out" / "forms", ignore_errors=True)
    run(folder, "export", Overrides(glasses="amber-blue", method="grey"))
    publish(
        folder, ["anaglyph", "crossed", "pitch-test", "card"], Settings(size_px=90, paper="letter"), ABOUT
    )
    run(folder, "export", Overrides(glasses="red-cyan"))
    return folder


@pytest.fixture
def aged(ageing, tmp_path):
    return shutil.copytree(ageing, tmp_path / "shoot")


def test_an_output_is_older_only_if_what_it_shows_was_changed(aged):
    """Glasses change the anaglyph and nothing else; one for other glasses shows the same picture."""
    assert why_older(aged) == {"forms/anaglyph.jpg": "glasses or method were changed"}
    decide(ShootFolder.open(aged), Overrides(glasses="amber-blue"))
    assert why_older(aged) == {}
    publish(aged, ["crossed"], Settings(size_px=90), {"caption": "Another"})
    assert sorted(why_older(aged)) == ["forms/anaglyph.jpg", "forms/card.pdf"]


def test_a_decision_makes_outputs_older_at_once_and_taking_it_back_makes_them_good(aged):
    everything = {age.file for age in ages(ShootFolder.open(aged))}
    decide(ShootFolder.open(aged), Overrides(window="near"))
    assert set(why_older(aged)) == everything - {"forms/pitch-test.png"}
    assert why_older(aged)["forms/card.pdf"] == "the pair is not mounted yet as it is decided now"
    run(aged, "proof")
    names = {name for name in everything if name.startswith(("forms/", "anaglyph-amber"))}
    assert set(why_older(aged)) == names - {"forms/pitch-test.png"}
    assert why_older(aged)["forms/card.pdf"] == "the pair was mounted anew"
    run(aged, "proof", Overrides(window="auto"))
    assert list(why_older(aged)) == ["forms/anaglyph.jpg"]


def test_older_outputs_are_made_again_as_they_were_made(aged):
    """What comes out is, to the byte, what making each by hand gives; what is not older is left alone."""
    run(aged, "proof", Overrides(window="near"))
    by_hand = shutil.copytree(aged, aged.parent / "by-hand")
    publish(by_hand, ["anaglyph", "crossed", "card"], Settings(size_px=90, paper="letter"))
    run(by_hand, "export", Overrides(glasses="amber-blue"))
    untouched = (aged / "out" / "forms" / "pitch-test.png").stat().st_mtime_ns
    found = again(aged)
    assert not found.failed
    assert [form.name for form in found.forms] == ["anaglyph", "card", "crossed"]
    assert why_older(aged) == {}
    expected, made = ({n: d for n, d in contents(f).items() if n.startswith("out/")} for f in (by_hand, aged))
    assert made == expected
    assert (aged / "out" / "forms" / "pitch-test.png").stat().st_mtime_ns == untouched
    assert load(aged / "shoot.toml").colour.glasses == "red-cyan"
    assert again(aged) == Remade([], [], [])


def test_what_cannot_be_made_again_is_told_and_keeps_nothing_else(aged):
    log = aged / "out" / "outputs.json"
    log.write_text(log.read_text().replace('"letter"', "7").replace('"amber-blue"', '"glasses/gone.toml"'))
    run(aged, "mount", Overrides(window="near"))
    found = again(aged)
    assert [form.name for form in found.forms] == ["anaglyph", "crossed"]
    assert any(
        line.startswith("forms/card.pdf: How it was made is not known any more") for line in found.failed
    )
    assert sum("there is no such calibration file" in line for line in found.failed) == len(found.failed) - 1


def test_without_the_cache_and_without_its_list_nothing_is_claimed(aged):
    """Losing the cache costs time only: how outputs were made is still known, and found to hold again."""
    for memo in (aged / ".cache" / "stages").glob("mount*.memo"):
        memo.unlink()
    assert why_older(aged)["forms/card.pdf"] == "the pair is not mounted yet as it is decided now"
    run(aged, "mount")
    assert list(why_older(aged)) == ["forms/anaglyph.jpg"]
    (aged / "out" / "outputs.json").write_bytes(b"[torn")
    assert {age.known for age in ages(ShootFolder.open(aged))} == {False}
    assert why_older(aged) == {}


def test_the_list_of_a_newer_nearpair_is_refused_before_anything_is_written(aged):
    log = aged / "out" / "outputs.json"
    log.write_text('{"version": 2, "outputs": "in another form"}')
    before = contents(aged)
    for work in (
        lambda: ages(ShootFolder.open(aged)),
        lambda: again(aged),
        lambda: publish(aged, ["crossed"]),
    ):
        with pytest.raises(NewerVersionError, match=r"outputs\.json: has version 2"):
            work()
    assert contents(aged) == before
