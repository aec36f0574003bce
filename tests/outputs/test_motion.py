"""Tempo against the flash limit of WCAG 2.3.1: three flashes in any second at most."""

import itertools

import pytest

from nearpair.outputs.motion import FEWEST_ROUND_MS, ROCKING_FRAMES, ROCKING_MS, SWAP_MS, sway


def most_flashes(levels, each_ms):
    """Pairs of opposing changes in any one second of a loop, counted as WCAG 2.2 defines a flash."""
    times = [number * each_ms for number in range(4000 // each_ms)]
    shown = [levels[number % len(levels)] for number in range(len(times))]
    turns, direction = [], 0
    for at, before, after in zip(times[1:], shown, shown[1:], strict=False):
        sign = (after > before) - (after < before)
        if sign and sign != direction:
            turns.append(at)
            direction = sign
    return max(sum(start <= at < start + 1000 for at in turns) for start in times) / 2


def test_two_views_by_turns_flash_less_than_three_times_a_second():
    assert most_flashes([0.0, 1.0], SWAP_MS) <= 1.5
    assert 2 * SWAP_MS >= FEWEST_ROUND_MS


def test_a_sway_flashes_less_than_three_times_a_second():
    assert most_flashes(sway(ROCKING_FRAMES), ROCKING_MS // ROCKING_FRAMES) <= 1.0


def test_the_count_would_notice():
    assert most_flashes([0.0, 1.0], 100) > 3


@pytest.mark.parametrize("frames", [2, 8, 24])
def test_a_sway_goes_from_left_to_right_and_back_smoothly(frames):
    positions = sway(frames)
    assert len(positions) == frames
    assert positions[0] == 0
    assert max(positions) == positions[frames // 2] == 1
    assert positions[1:] == positions[:0:-1]
    steps = [abs(b - a) for a, b in itertools.pairwise(positions)]
    assert max(steps) <= 3.2 / frames + (frames == 2)


def test_an_odd_sway_is_refused():
    with pytest.raises(ValueError, match="even number"):
        sway(5)
