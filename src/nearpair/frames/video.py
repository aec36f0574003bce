"""MP4 files (H.264) through PyAV, which comes with the extra `nearpair[video]`. Same pictures, same bytes.

Colours are stored as Rec. ITU-R BT.709 says for video, limited range, colour at half resolution (4:2:0),
which every player takes. Frame packing arrangements are told in the stream: ITU-T H.264, Annex D.
"""

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import NearpairError

PACKINGS = {"side-by-side": 3, "top-bottom": 4}
"""Arrangements that can be told in the stream, by their number in the table of Annex D."""

_BT709, _LIMITED = 1, 1
_OPTIONS = {"preset": "medium", "crf": "16", "threads": "2"}  # as many everywhere: it changes the bytes


def need_video() -> None:
    """Raise NearpairError that says what to install, if MP4 cannot be written."""
    try:
        import av  # noqa: F401
    except ImportError as error:
        remedy = 'Install it with: pip install "nearpair[video]"'
        raise NearpairError("MP4 files need the extra `video`, which is not installed.", remedy) from error


def write_mp4(
    path: Path, frames: Iterable[NDArray[np.uint8]], rate: Fraction, size: tuple[int, int], packing: str = ""
) -> int:
    """Write (H, W, 3) sRGB pictures of one even size (height, width) at `rate` a second; returns how many.

    A picture that is the same object as the one before is not converted again. packing: a key of PACKINGS.
    """
    need_video()
    import av

    packed = {"x264-params": f"frame-packing={PACKINGS[packing]}"} if packing in PACKINGS else {}
    with av.open(str(path), "w", format="mp4", options={"movflags": "+faststart"}) as file:
        stream: Any = file.add_stream("libx264", rate=rate, options=_OPTIONS | packed)
        stream.height, stream.width, stream.pix_fmt = *size, "yuv420p"
        context = stream.codec_context
        context.colorspace = context.color_primaries = context.color_trc = _BT709
        context.color_range = _LIMITED
        count, last, picture = 0, None, None
        for frame in frames:
            if frame is not last:
                picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(frame), format="rgb24")
                picture = picture.reformat(format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG")
                last = frame
            assert picture is not None  # noqa: S101 - for the type checker
            picture.pts = count
            file.mux(stream.encode(picture))
            count += 1
        file.mux(stream.encode(None))
    return count
