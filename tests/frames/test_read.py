import io
import struct
import warnings
import zlib
from dataclasses import replace

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image, ImageOps

from nearpair.errors import FrameError
from nearpair.frames import read_info, read_pixels, read_small
from nearpair.frames.read import has_halved_chroma, oriented


def pixels(path):
    found = read_pixels(read_info(path))
    assert found.flags.c_contiguous
    assert found.shape[2] == 3
    return found


def apart(ours, theirs):
    return int(np.abs(ours.astype(int) - np.asarray(theirs).astype(int)).max())


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_orientation_against_pillow(tmp_path, texture, orientation, kind):
    """All eight orientations (TIFF 6.0, section 8) as Pillow's ImageOps.exif_transpose turns them."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / f"x.{kind.lower()}"
    Image.fromarray(texture).save(path, kind, exif=exif)
    with Image.open(path) as image:
        upright = np.asarray(ImageOps.exif_transpose(image))
    assert read_info(path).size_px == upright.shape[:2]
    assert apart(pixels(path), upright) <= 2
    luma = np.asarray(Image.fromarray(upright).convert("L"))
    assert apart(read_small(read_info(path), 1), luma) <= 2


@given(arrays(np.uint16, (3, 5)), st.integers(1, 8))
def test_orienting_four_times_or_back_is_the_identity(plane, orientation):
    back = {6: 8, 8: 6}.get(orientation, orientation)
    assert np.array_equal(oriented(oriented(plane, orientation), back), plane)


@pytest.mark.parametrize(
    "options",
    [{}, {"progressive": True}, {"subsampling": 0}, {"subsampling": 1}, {"restart_marker_rows": 1}],
)
@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_jpeg_against_pillow(jpeg, mode, options):
    path = jpeg(mode=mode, **options)
    with Image.open(path) as image:
        assert apart(pixels(path), image.convert("RGB")) <= 2


def test_noise_in_an_odd_size_against_pillow(jpeg):
    """Noise leaves nothing for a wrong chroma upsampler to hide behind."""
    noise = np.random.default_rng(3).integers(0, 256, (201, 299, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(noise).save(buffer, "JPEG", quality=90)
    path = jpeg()
    path.write_bytes(buffer.getvalue())
    assert apart(pixels(path), Image.open(io.BytesIO(buffer.getvalue()))) <= 2


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
@pytest.mark.parametrize("mode", ["L", "LA", "P", "RGB", "RGBA"])
def test_eight_bit_modes_against_pillow(tmp_path, texture, mode, kind):
    path = tmp_path / "x"
    Image.fromarray(texture).convert(mode).save(path, kind)
    with Image.open(path) as image:
        assert apart(pixels(path), image.convert("RGB")) == 0


@pytest.mark.parametrize("bits", [1, 2, 4])
def test_png_of_few_bits_is_expanded(tmp_path, bits):
    """Sample values are scaled to the full range (PNG, third edition, section 13.12)."""
    values = np.arange(16, dtype=np.uint8).reshape(2, 8) % (1 << bits)
    rows = b"".join(b"\0" + np.packbits(unpacked(row, bits)).tobytes() for row in values)
    head = struct.pack(">IIBBBBB", 8, 2, bits, 0, 0, 0, 0)
    path = tmp_path / "x.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + png_chunks((b"IHDR", head), (b"IDAT", zlib.compress(rows))))
    assert np.array_equal(pixels(path)[..., 0], values * (255 // ((1 << bits) - 1)))


def unpacked(row, bits):
    return np.unpackbits(row[:, None], axis=1)[:, 8 - bits :].ravel()


def png_chunks(*chunks):
    whole = ((kind, data) for kind, data in (*chunks, (b"IEND", b"")))
    return b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in whole
    )


def sixteen(texture):
    return texture.astype(np.uint16) * 257 + np.arange(53, dtype=np.uint16)[:, None] % 200


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "zlib", "predictor": True},
        {"compression": "lzw"},
        {"compression": "zstd"},
        {"planarconfig": "separate"},
        {"tile": (16, 16)},
        {"bigtiff": True},
        {"byteorder": ">"},
        {"rowsperstrip": 5},
    ],
)
def test_sixteen_bit_tiff_round_trip(tmp_path, texture, options):
    path, deep = tmp_path / "x.tif", sixteen(texture)
    stored = np.moveaxis(deep, -1, 0).copy() if "planarconfig" in options else deep
    tifffile.imwrite(path, stored, photometric="rgb", **options)
    assert read_info(path).bits == 16
    assert np.array_equal(pixels(path), deep)


def test_sixteen_bit_png_round_trip(tmp_path, texture):
    deep = sixteen(texture)
    (tmp_path / "x.png").write_bytes(imagecodecs.png_encode(deep))
    assert read_info(tmp_path / "x.png").bits == 16
    assert np.array_equal(pixels(tmp_path / "x.png"), deep)
    (tmp_path / "a.png").write_bytes(imagecodecs.png_encode(np.dstack([deep, deep[..., :1]])))
    assert np.array_equal(pixels(tmp_path / "a.png"), deep)
    Image.fromarray(deep[..., 0]).save(tmp_path / "g.png")
    assert np.array_equal(pixels(tmp_path / "g.png"), np.repeat(deep[..., :1], 3, axis=2))


def test_tiff_with_black_as_the_largest_value(tmp_path, texture):
    """WhiteIsZero (TIFF 6.0, tag 262 = 0)."""
    tifffile.imwrite(tmp_path / "x.tif", texture[..., 0], photometric="miniswhite")
    assert np.array_equal(pixels(tmp_path / "x.tif")[..., 1], 255 - texture[..., 0])


def test_tiff_with_a_preview_in_front(tmp_path, texture):
    """A reduced-resolution copy (TIFF 6.0, tag 254, bit 0) is not the frame."""
    path = tmp_path / "x.tif"
    with tifffile.TiffWriter(path) as tif:
        tif.write(texture[::4, ::4].copy(), photometric="rgb", subfiletype=1)
        tif.write(texture, photometric="rgb")
    assert read_info(path).size_px == (37, 53)
    assert np.array_equal(pixels(path), texture)


def test_cmyk_tiff_against_pillow(tmp_path, texture):
    Image.fromarray(texture).convert("CMYK").save(tmp_path / "x.tif")
    with Image.open(tmp_path / "x.tif") as image:
        assert apart(pixels(tmp_path / "x.tif"), image.convert("RGB")) <= 1


def test_colours_that_cannot_be_read_are_named(tmp_path, texture):
    tifffile.imwrite(tmp_path / "x.tif", texture, photometric="cielab")
    with pytest.raises(FrameError, match="CIELAB"):
        pixels(tmp_path / "x.tif")


def files(tmp_path, texture, jpeg):
    """Write one file of every kind that is decoded in its own way."""
    deep = sixteen(texture)
    Image.fromarray(texture).save(tmp_path / "x.png")
    (tmp_path / "deep.png").write_bytes(imagecodecs.png_encode(deep))
    tifffile.imwrite(tmp_path / "x.tif", deep, photometric="rgb")
    tifffile.imwrite(tmp_path / "z.tif", deep, photometric="rgb", compression="zlib", rowsperstrip=4)
    made = [
        jpeg("a.jpg"),
        jpeg("p.jpg", progressive=True),
        jpeg("c.jpg", mode="CMYK"),
        jpeg("g.jpg", mode="L"),
    ]
    made.append(jpeg("odd.jpg", mode="CMYK", subsampling=1))
    return [*made, *(tmp_path / name for name in ("x.png", "deep.png", "x.tif", "z.tif"))]


@pytest.mark.parametrize("index", range(9))
def test_a_truncated_frame_is_refused_at_every_length(tmp_path, texture, jpeg, index):
    """Also when only the end marker or the last check sum is missing: never half a picture."""
    path = files(tmp_path, texture, jpeg)[index]
    data = path.read_bytes()
    step = max(1, len(data) // 150)
    for length in sorted({*range(0, len(data), step), *range(len(data) - 30, len(data))}):
        path.write_bytes(data[:length])
        with pytest.raises(FrameError, match=r"damaged|cut short|empty|not a picture"):
            pixels(path)


@pytest.mark.parametrize("index", [0, 1, 3])
def test_a_truncated_jpeg_has_no_small_picture_either(tmp_path, texture, jpeg, index):
    path = files(tmp_path, texture, jpeg)[index]
    data = path.read_bytes()
    info = read_info(path)
    for length in range(len(data) - 200, len(data), 7):
        path.write_bytes(data[:length])
        with pytest.raises(FrameError, match="damaged or cut short"):
            read_small(info, 4)


@pytest.mark.parametrize("filler", [b"\0", b"\xff", b"\xff\xd9", b"\x55"])
def test_a_jpeg_whose_middle_was_lost_is_refused(jpeg, filler):
    path = jpeg()
    data = path.read_bytes()
    at = len(data) - 400
    path.write_bytes(data[:at] + (filler * 300)[:300] + data[at + 300 :])
    with pytest.raises(FrameError, match="damaged or cut short"):
        pixels(path)


@pytest.mark.parametrize("tail", [b"\0" * 5000, b"preview" * 900])
def test_a_jpeg_followed_by_something_else_is_whole(jpeg, tail):
    """Cameras append previews and videos after the end marker (CIPA DC-007; common practice)."""
    path = jpeg()
    before = pixels(path)
    path.write_bytes(path.read_bytes() + tail)
    assert np.array_equal(pixels(path), before)


@pytest.mark.parametrize("padding", [b"\0" * 3, b"\0" * 9, b"\xff\xff"])
def test_padding_before_the_end_marker_is_harmless(jpeg, padding):
    path = jpeg()
    data, before = path.read_bytes(), pixels(path)
    path.write_bytes(data[:-2] + padding + data[-2:])
    assert np.array_equal(pixels(path), before)
    assert read_small(read_info(path), 2).shape == (18, 26)


def test_surplus_that_is_no_padding_is_damage(jpeg):
    path = jpeg()
    data = path.read_bytes()
    path.write_bytes(data[:-2] + b"lost in the card" + data[-2:])
    with pytest.raises(FrameError, match="extraneous"):
        pixels(path)


@given(st.data())
@settings(deadline=None, max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_flipped_byte_gives_anything_but_pixels_or_a_refusal(tmp_path, texture, jpeg, data):
    path = data.draw(st.sampled_from(files(tmp_path, texture, jpeg)))
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content)
    try:
        info = read_info(path)
        found = read_pixels(info)
    except FrameError:
        return
    assert found.shape == (*info.size_px, 3)


def test_a_frame_that_changed_meanwhile(jpeg, tmp_path, texture):
    info = read_info(jpeg())
    for wrong in (replace(info, size_px=(36, 53)), replace(info, bits=16)):
        with pytest.raises(FrameError, match=r"but its header gave"):
            read_pixels(wrong)
    with pytest.raises(FrameError, match="but its header gave"):
        read_small(replace(info, size_px=(36, 53)), 2)
    info.path.unlink()
    with pytest.raises(FrameError, match="No such file"):
        read_pixels(info)


@given(st.integers(1, 12), st.integers(1, 8), st.integers(12, 40), st.integers(12, 40))
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_small_is_the_mean_of_whole_blocks_from_the_top_left(tmp_path, factor, orientation, height, width):
    """Whatever the orientation: the grid starts at the corner the viewer sees as top left."""
    stored = np.random.default_rng(height * width).integers(0, 256, (height, width), dtype=np.uint8)
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "x.png"
    Image.fromarray(stored).save(path, exif=exif)
    upright = oriented(stored, orientation)
    rows, columns = upright.shape[0] // factor, upright.shape[1] // factor
    blocks = upright[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    assert apart(read_small(read_info(path), factor), np.rint(blocks.mean(axis=(1, 3)))) <= 1


def test_small_luma_of_sixteen_bits(tmp_path, texture):
    """Rec. ITU-R BT.601: Y' = 0.299 R' + 0.587 G' + 0.114 B'."""
    tifffile.imwrite(tmp_path / "x.tif", texture.astype(np.uint16) * 257, photometric="rgb")
    small = read_small(read_info(tmp_path / "x.tif"), 1)
    assert small.dtype == np.uint8
    assert apart(small, np.rint(texture @ np.array([0.299, 0.587, 0.114]))) <= 1


@pytest.mark.parametrize("factor", [0, 38, 1000])
def test_small_refuses_what_leaves_nothing(jpeg, factor):
    with pytest.raises(FrameError, match="too small to be reduced"):
        read_small(read_info(jpeg()), factor)


def test_reading_changes_no_global_limit_and_warns_of_nothing(jpeg):
    before = Image.MAX_IMAGE_PIXELS
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pixels(jpeg(mode="CMYK", exif=b"Exif\0\0II*\0\xff\xff\xff\xff"))
    assert before == Image.MAX_IMAGE_PIXELS


@pytest.mark.parametrize("orientation", [1, 3, 6])
@pytest.mark.parametrize("size_px", [(37, 53), (16, 16)])
def test_pixels_in_memory_that_is_given(tmp_path, size_px, orientation):
    """A JPEG is decoded into it; larger memory, or one that held another frame, does as well."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    memory = bytearray(b"\xa5" * (3 * size_px[0] * size_px[1] + 100))
    for number in range(2):
        path = tmp_path / f"{number}.jpg"
        picture = np.random.default_rng(number).integers(0, 256, (*size_px, 3), dtype=np.uint8)
        Image.fromarray(picture).save(path, quality=90, exif=exif)
        info = read_info(path)
        found = read_pixels(info, plain_chroma=True, into=memory)
        assert np.array_equal(found, read_pixels(info, plain_chroma=True))
        assert found.flags.c_contiguous
        # turned pixels have to be put in order, which takes a copy
        assert np.shares_memory(found, np.frombuffer(memory, np.uint8)) == (orientation == 1)


def test_memory_that_is_too_small_is_left_alone(jpeg):
    info, memory = read_info(jpeg()), bytearray(10)
    assert np.array_equal(
        read_pixels(info, plain_chroma=True, into=memory), read_pixels(info, plain_chroma=True)
    )
    assert memory == bytearray(10)


def test_memory_is_for_jpegs_only(tmp_path, texture):
    path, memory = tmp_path / "a.png", bytearray(10**6)
    Image.fromarray(np.zeros((8, 9, 3), np.uint8) + 7).save(path)
    assert np.all(read_pixels(read_info(path), plain_chroma=True, into=memory) == 7)
    assert memory == bytearray(10**6)


def test_whether_chroma_is_halved(jpeg, tmp_path):
    """Pillow's subsampling: 0 is 4:4:4, 1 is 4:2:2, 2 is 4:2:0 (its documentation, JPEG)."""
    picture = Image.fromarray(np.zeros((20, 30, 3), np.uint8))
    for subsampling in (0, 1, 2):
        picture.save(tmp_path / f"{subsampling}.jpg", subsampling=subsampling)
        assert has_halved_chroma(read_info(tmp_path / f"{subsampling}.jpg")) == (subsampling == 2)
    picture.save(tmp_path / "a.png")
    assert not has_halved_chroma(read_info(tmp_path / "a.png"))
    info = read_info(tmp_path / "2.jpg")
    info.path.write_bytes(b"no picture")
    with pytest.raises(FrameError, match=r"2\.jpg"):
        has_halved_chroma(info)
    info.path.unlink()
    with pytest.raises(FrameError, match="No such file"):
        has_halved_chroma(info)
