"""Sorting invented cards: what photographers do between and within stacks (common practice, no source)."""

from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import FrameError
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.read import oriented
from nearpair.stacks.grouping import sort_frames

HEIGHT, WIDTH = 160, 240
START_S = 1_700_000_000.25


@cache
def texture(seed):
    """Return a sharp plane much wider than the picture, (H, 2 W) float32."""
    noise = np.random.default_rng(seed).random((HEIGHT + 80, 2 * WIDTH), dtype=np.float32)
    mixed = sum(cv2.GaussianBlur(noise, (0, 0), sigma) * sigma for sigma in (1.0, 3.0, 7.0))
    return np.asarray((mixed - mixed.mean()) / mixed.std(), dtype=np.float32)


@cache
def picture(place_px, focus, *, seed=1, knock_px=(0, 0), magnification=1.0, gain=1.0, take=1):
    """Return a luma: a far plane half covered by a near one, focus 0 (far) to 1 (near)."""
    x, y = place_px - knock_px[0], 30 - knock_px[1]
    planes = []
    for depth, plane in ((0.0, texture(seed)), (1.0, texture(seed + 1))):
        blurred = cv2.GaussianBlur(plane, (0, 0), 0.4 + 4 * abs(depth - focus))
        start = WIDTH // 2 + round(x * (1 + 0.05 * depth))
        planes.append(blurred[y : y + HEIGHT, start : start + WIDTH])
    near = cv2.GaussianBlur(texture(seed + 2), (0, 0), 8)[y : y + HEIGHT, WIDTH // 2 + x :][:, :WIDTH] > 0.02
    both = np.where(near, planes[1], planes[0])
    turn = cv2.getRotationMatrix2D(((WIDTH - 1) / 2, (HEIGHT - 1) / 2), 0, magnification)
    both = cv2.warpAffine(both, turn, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
    noise = np.random.default_rng(abs(hash((place_px, focus, seed, take))) % 2**32).normal(0, 1, both.shape)
    return np.clip(gain * (120 + 35 * both) + noise, 0, 255).astype(np.uint8)


class Card:
    """Frames and their pictures as a camera makes them, one after the other."""

    def __init__(self):
        self.frames, self.luma = [], {}
        self.time_s, self.number = START_S, 1

    def shoot(self, luma, *, wait_s=2.0, **changes):
        self.time_s += wait_s
        frame = FrameInfo(
            path=Path(f"card/DO_{self.number:04d}.JPG"),
            size_px=luma.shape,
            orientation=1,
            bits=8,
            camera="DO-24",
            lens="DO Macro",
            captured_s=self.time_s,
            file_number=self.number,
            focal_length_mm=100.0,
            focal_length_35mm=None,
            f_number=4.0,
            exposure_s=0.125,
            iso=100,
            focus_distance_mm=None,
            bytes=1000,
            format="JPEG",
        )
        self.number = self.number % 9999 + 1
        frame = replace(frame, **changes)
        self.frames.append(frame)
        self.luma[frame.path] = luma
        return frame

    def stack(self, place_px, focuses, *, wait_s=20.0, **changes):
        return [
            self.shoot(picture(place_px, focus), wait_s=wait_s if i == 0 else 2.0, **changes)
            for i, focus in enumerate(focuses)
        ]

    def rename(self, change):
        """Change all frames; their pictures go with them."""
        changed = [change(frame, i) for i, frame in enumerate(self.frames)]
        self.luma = {new.path: self.luma[old.path] for old, new in zip(self.frames, changed, strict=True)}
        self.frames = changed

    def sort(self, folders=None):
        sources = folders or [("card", [self.frames[i] for i in shuffle(len(self.frames))])]
        return sort_frames(sources, lambda frame: self.luma[frame.path])


def shuffle(count):
    return np.random.default_rng(3).permutation(count)


def out(count=9):
    return [round(i / (count - 1), 3) for i in range(count)]


def back(count=9):
    return out(count)[::-1]


def two_stacks(second=back, **changes):
    card = Card()
    return card, card.stack(0, out(), **changes), card.stack(16, second(), **changes)


def lists(found):
    return [list(station.frames) for station in found.stations]


def aside(found):
    return {item.file: item.reason for item in found.set_aside}


@pytest.mark.parametrize("second", [out, back])
def test_card_with_two_stacks(second):
    card, left, right = two_stacks(second)
    found = card.sort()
    assert lists(found) == [left, right]
    assert [s.name for s in found.stations] == ["station-1", "station-2"]
    assert "jumps by" in found.notes[0]
    assert "A pause of 10.0 intervals" in found.notes[0]


def test_no_pause_between_stations_is_needed():
    card = Card()
    left, right = card.stack(0, out()), card.stack(16, back(), wait_s=2.0)
    assert lists(card.sort()) == [left, right]


def test_pause_and_knock_within_a_stack():
    card = Card()
    left = card.stack(0, out()[:4])
    left += [card.shoot(picture(0, f, knock_px=(2, 1)), wait_s=90 if f == 0.5 else 2) for f in out()[4:]]
    right = card.stack(16, back())
    assert lists(card.sort()) == [left, right]


def test_breathing_of_fifteen_percent_is_no_jump():
    card = Card()
    lines = []
    for place, focuses in ((0, out()), (16, out())):
        card.time_s += 20
        lines.append([card.shoot(picture(place, f, magnification=1 + 0.15 * f)) for f in focuses])
    assert lists(card.sort()) == lines


def test_brightness_may_change_along_a_stack():
    card = Card()
    left = [card.shoot(picture(0, f, gain=1 - 0.5 * f), exposure_s=0.1 + 0.02 * f) for f in out()]
    right = card.stack(16, back())
    assert lists(card.sort()) == [left, right]


def test_picture_brought_back_to_the_middle_is_split_by_pause_and_focus():
    card = Card()
    left = card.stack(0, out())
    right = [card.shoot(picture(0, f, take=2), wait_s=2 if f else 60) for f in out()]
    found = card.sort()
    assert lists(found) == [left, right]
    assert any("no jump is seen" in note for note in found.notes)


def test_files_renamed_at_random_keep_their_order_by_time():
    card, left, _ = two_stacks()
    card.rename(
        lambda frame, i: replace(
            frame, path=Path(f"card/{(i * 7919) % 101:03d}.jpg"), file_number=i * 7919 % 101
        )
    )
    assert lists(card.sort()) == [card.frames[: len(left)], card.frames[len(left) :]]


def test_file_numbers_alone():
    card, left, _ = two_stacks()
    card.rename(lambda frame, i: replace(frame, captured_s=None))
    found = card.sort()
    assert lists(found) == [card.frames[: len(left)], card.frames[len(left) :]]
    assert "card: shooting order from file numbers." in found.notes


def test_file_names_alone():
    card, left, _ = two_stacks()
    card.rename(
        lambda frame, i: replace(
            frame, captured_s=None, file_number=None, path=Path(f"card/{chr(97 + i)}.jpg")
        )
    )
    found = card.sort()
    assert lists(found) == [card.frames[: len(left)], card.frames[len(left) :]]
    assert "card: shooting order from file names." in found.notes


def test_pictures_alone():
    card, left, _ = two_stacks(out)

    def scramble(frame, i):
        return replace(
            frame, captured_s=None, file_number=i * 7919 % 101, path=Path(f"card/{i * 7919 % 101:03d}.jpg")
        )

    card.rename(scramble)
    found = card.sort()
    forward = [card.frames[: len(left)], card.frames[len(left) :]]
    assert lists(found) in (forward, [line[::-1] for line in forward])
    assert any("direction" in note and "of 100 comparisons" in note for note in found.notes)


def test_test_shot_among_pictures_alone():
    card, left, right = two_stacks()
    stray = card.shoot(picture(50, 0.5, seed=77))

    def scramble(frame, i):
        number = i * 7919 % 101
        return replace(frame, captured_s=None, file_number=number, path=Path(f"card/{number:03d}.jpg"))

    card.rename(scramble)
    found = card.sort()
    assert [len(line) for line in lists(found)] == [len(left), len(right)]
    assert list(aside(found)) == [card.frames[stray.file_number - 1].path.name]


def test_some_times_missing():
    card, left, right = two_stacks()
    odd = {left[3].path, right[0].path}
    card.rename(lambda frame, i: replace(frame, captured_s=None) if frame.path in odd else frame)
    assert lists(card.sort()) == [card.frames[: len(left)], card.frames[len(left) :]]


@pytest.mark.parametrize("timed", [True, False])
def test_file_numbers_start_again_after_9999(timed):
    card = Card()
    card.number = 9994
    left, right = card.stack(0, out()), card.stack(16, back())
    assert left[-1].file_number < left[0].file_number
    card.rename(lambda frame, i: frame if timed else replace(frame, captured_s=None))
    assert lists(card.sort()) == [card.frames[: len(left)], card.frames[len(left) :]]
    assert len(right) == len(left)


@pytest.mark.parametrize("first_number", [1, 9996])
def test_burst_with_a_clock_of_whole_seconds(first_number):
    card = Card()
    card.number = first_number
    lines = []
    for place, focuses in ((0, out()), (16, back())):
        card.time_s += 10
        lines.append([card.shoot(picture(place, f), wait_s=0.2) for f in focuses])
    card.rename(lambda frame, i: replace(frame, captured_s=float(int(frame.captured_s))))
    assert lists(card.sort()) == [card.frames[:9], card.frames[9:]]


def test_burst_with_a_clock_of_whole_seconds_and_random_names():
    card = Card()
    for place, focuses in ((0, out()), (16, back())):
        card.time_s += 10
        for f in focuses:
            card.shoot(picture(place, f), wait_s=0.3)

    def scramble(frame, i):
        second = float(int(frame.captured_s))
        return replace(
            frame, captured_s=second, file_number=i * 7919 % 101, path=Path(f"{i * 7919 % 101:03d}.jpg")
        )

    card.rename(scramble)
    found = card.sort()
    assert lists(found) == [card.frames[:9], card.frames[9:]]
    assert any("where the clock does not tell" in note for note in found.notes)


def test_two_cameras_in_one_folder():
    card = Card()
    for f in out():
        card.shoot(picture(0, f), camera="A")
        card.shoot(picture(16, f), camera="B", wait_s=0.0)
    assert lists(card.sort()) == [card.frames[::2], card.frames[1::2]]


def test_camera_going_to_and_fro_for_each_focus():
    card = Card()
    for f in out():
        card.shoot(picture(0, f))
        card.shoot(picture(16, f))
    assert lists(card.sort()) == [card.frames[::2], card.frames[1::2]]


def test_two_picture_sizes_are_two_stacks():
    card = Card()
    left = card.stack(0, out())
    right = [card.shoot(picture(16, f)[:, :200].copy()) for f in back()]
    assert lists(card.sort()) == [left, right]


@pytest.mark.parametrize(("where", "count"), list(product(["before", "between", "after", "within"], [1, 2])))
def test_test_shots_of_another_framing(where, count):
    card = Card()

    def test_shots(here):
        return [card.shoot(picture(50, 0.5, seed=77 + i)) for i in range(count if here == where else 0)]

    strays = test_shots("before")
    left = card.stack(0, out()[:4])
    strays += test_shots("within")
    left += card.stack(0, out()[4:], wait_s=2)
    strays += test_shots("between")
    right = card.stack(16, back())
    strays += test_shots("after")
    found = card.sort()
    assert lists(found) == [left, right]
    assert set(aside(found)) == {frame.path.name for frame in strays}
    assert all(
        "another framing" in reason and "folder of its own" in reason for reason in aside(found).values()
    )


@pytest.mark.parametrize("where", ["first", "last"])
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"f_number": 16.0}, "f/16 instead of f/4"),
        ({"lens": "DO Zoom"}, "DO Zoom"),
        ({"iso": 1600}, "exposure"),
    ],
)
def test_test_shot_with_other_settings(where, changes, words):
    card = Card()
    stray = [card.shoot(picture(0, 0.55), **changes)] if where == "first" else []
    left, right = card.stack(0, out(), wait_s=2), card.stack(16, back())
    stray += [card.shoot(picture(16, 0.45), **changes)] if where == "last" else []
    found = card.sort()
    assert lists(found) == [left, right]
    assert words in aside(found)[stray[0].path.name]


def test_test_shot_of_the_same_framing_set_apart_by_time():
    card = Card()
    stray = card.shoot(picture(0, 0.6))
    left, right = card.stack(0, out(), wait_s=300), card.stack(16, back())
    found = card.sort()
    assert lists(found) == [left, right]
    assert "5 min before" in aside(found)[stray.path.name]


def test_pause_after_the_first_frame_of_a_stack_keeps_it():
    card = Card()
    left = card.stack(0, out()[:1]) + card.stack(0, out()[1:], wait_s=60)
    right = card.stack(16, back())
    found = card.sort()
    assert lists(found) == [left, right]


def test_two_plain_photographs():
    card = Card()
    frames = [card.shoot(picture(0, 0.5)), card.shoot(picture(16, 0.5))]
    assert lists(card.sort()) == [[frames[0]], [frames[1]]]
    folders = [("L", frames[:1]), ("R", frames[1:])]
    assert [(s.name, s.frames) for s in card.sort(folders).stations] == [
        ("L", (frames[0],)),
        ("R", (frames[1],)),
    ]


def test_a_row_of_plain_photographs():
    card = Card()
    frames = [card.shoot(picture(12 * i, 0.5)) for i in range(5)]
    assert lists(card.sort()) == [[frame] for frame in frames]


def test_two_frames_in_each_stack():
    card = Card()
    left, right = card.stack(0, [0.0, 1.0]), card.stack(16, [1.0, 0.0])
    assert lists(card.sort()) == [left, right]
    assert lists(card.sort([("a", left), ("b", right)])) == [left, right]


def test_folder_holding_both_stacks():
    card = Card()
    a, b, c = card.stack(0, out()), card.stack(16, back()), card.stack(32, out())
    found = card.sort([("one", a), ("both", [*b, *c])])
    assert [(s.name, list(s.frames)) for s in found.stations] == [
        ("one", a),
        ("station-2", b),
        ("station-3", c),
    ]


def test_folders_of_one_name_become_unique():
    card, left, right = two_stacks()
    names = [s.name for s in card.sort([("JPG", left), ("jpg", right)]).stations]
    assert names == ["JPG", "jpg-2"]


def test_frame_of_another_size_and_camera_is_named():
    card, left, right = two_stacks()
    odd = card.shoot(picture(16, 0.5)[:100, :120].copy(), camera="Phone")
    found = card.sort([("L", left), ("R", [*right, odd])])
    assert lists(found) == [left, right]
    assert "120 x 100 px where the stack has 240 x 160 px" in aside(found)[odd.path.name]
    assert "from Phone where the stack is from DO-24" in aside(found)[odd.path.name]


def test_copied_file_is_set_aside():
    card, left, right = two_stacks()
    copy = replace(left[2], path=Path("card/DO_0003 - copy.JPG"))
    card.frames.append(copy)
    card.luma[copy.path] = card.luma[left[2].path].copy()
    found = card.sort()
    assert lists(found) == [left, right]
    assert "same picture as DO_0003.JPG" in aside(found)["DO_0003 - copy.JPG"]


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_camera_turned(orientation):
    """Upright pictures move sideways, whatever way the camera stores them."""
    card, left, _ = two_stacks()
    card.rename(lambda frame, i: replace(frame, orientation=orientation))
    found = card.sort()
    assert lists(found) == [card.frames[: len(left)], card.frames[len(left) :]]
    assert not any("up or down" in note for note in found.notes)


def test_picture_that_moves_up_or_down_is_told():
    card, left, _ = two_stacks()
    card.luma = {path: np.ascontiguousarray(oriented(luma, 6)) for path, luma in card.luma.items()}
    card.rename(lambda frame, i: replace(frame, orientation=6, size_px=(WIDTH, HEIGHT)))
    found = card.sort()
    assert lists(found) == [card.frames[: len(left)], card.frames[len(left) :]]
    assert any("up or down" in note for note in found.notes)


def test_camera_looking_down_that_tags_at_random():
    card, left, right = two_stacks()
    odd = left[4]
    card.luma[odd.path] = np.ascontiguousarray(oriented(card.luma[odd.path], 6))
    turned = replace(odd, orientation=6, size_px=(WIDTH, HEIGHT))
    card.rename(lambda frame, i: turned if frame.path == odd.path else frame)
    found = card.sort()
    assert lists(found) == [left, right]
    assert any("another orientation" in note for note in found.notes)


def test_unreadable_frame_is_set_aside_with_the_words_of_the_reader():
    card, left, right = two_stacks()

    def glance(frame):
        if frame is left[3]:
            raise FrameError("DO_0004.JPG: cut short.", "Copy it from the card again.")
        return card.luma[frame.path]

    found = sort_frames([("card", card.frames)], glance)
    assert lists(found) == [[f for f in left if f is not left[3]], right]
    assert aside(found) == {"DO_0004.JPG": "DO_0004.JPG: cut short. Copy it from the card again."}


def test_no_frames():
    found = sort_frames([("card", [])], lambda frame: picture(0, 0))
    assert (found.stations, found.set_aside) == ((), ())
    assert found.notes == ("card: no frame that can be used.",)


def test_progress_is_told_for_each_frame():
    card, left, _ = two_stacks()
    told = []
    sort_frames(
        [("c", left)], lambda f: card.luma[f.path], lambda what, done, total: told.append((done, total))
    )
    assert told == [(i + 1, 9) for i in range(9)]


@settings(deadline=None, max_examples=15)
@given(st.permutations(range(18)), st.booleans(), st.booleans())
def test_any_order_of_files_gives_the_same_and_loses_nothing(order, timed, folders):
    card = two_stacks()[0]
    card.rename(lambda frame, i: frame if timed else replace(frame, captured_s=None))
    frames = [card.frames[i] for i in order]
    sources = [("a", frames[:9]), ("b", frames[9:])] if folders else [("card", frames)]
    found = card.sort(sources)
    files = sorted([f.path.name for s in found.stations for f in s.frames] + list(aside(found)))
    assert files == sorted(frame.path.name for frame in frames)
    if not folders:
        assert lists(found) == [card.frames[:9], card.frames[9:]]
