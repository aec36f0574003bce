"""Crops show the worst places."""

import numpy as np
from benchmarks.crops import ENLARGED, LABEL_PX, SIDE_PX, error_of, side_by_side, worst_places, write_crops
from PIL import Image
from skimage.data import astronaut


def test_the_worst_squares_come_first_and_do_not_overlap():
    error = np.zeros((200, 300))
    error[20, 30], error[150, 200], error[160, 210] = 5, 3, 3
    everywhere = np.ones(error.shape, dtype=bool)
    places = worst_places(error, everywhere, 5, 40)
    assert len(places) == 2
    for (x, y), held in zip(places, (6, 5), strict=True):
        assert error[y : y + 40, x : x + 40].sum() == held
    only = everywhere.copy()
    only[100:] = False
    (x, y), *none = worst_places(error, only, 5, 40)
    assert not none
    assert error[y : y + 40, x : x + 40].sum() == 5


def test_crops_are_written_with_every_picture(tmp_path):
    truth = astronaut()
    spoilt = truth.copy()
    spoilt[200:220, 300:320] = 90
    error = error_of(spoilt, truth)
    pictures = {"truth": truth, "ours": spoilt}
    write_crops(tmp_path, "face", pictures, error, np.ones(error.shape, dtype=bool), count=1)
    sheet = np.asarray(Image.open(tmp_path / "face_1.png"))
    side = SIDE_PX * ENLARGED
    assert sheet.shape == (side + LABEL_PX, 2 * side + 6, 3)
    (corner,) = worst_places(error, np.ones(error.shape, dtype=bool), 1)
    assert np.array_equal(sheet, side_by_side(pictures, corner))
    assert np.array_equal(sheet[LABEL_PX:, :side][::ENLARGED, ::ENLARGED][0, 0], truth[corner[1], corner[0]])
