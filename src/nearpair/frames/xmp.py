"""The XMP packet of a view: what the camera wrote into its frames, for archives and other programs.

Properties and their forms: XMP specification part 2 (Adobe, 2016; also ISO 16684-1), namespaces tiff and
exif; CIPA DC-010 for exifEX; Dublin Core (dc) for caption and creator, and the IPTC photo metadata standard
(2021.1; from memory) for the alternative text. Packet wrapper: XMP specification part 1, section 7.3.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from xml.sax.saxutils import escape, quoteattr

from nearpair.frames.metadata import FrameInfo

_HEAD = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
_TAIL = '<?xpacket end="w"?>'
_NAMESPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "exifEX": "http://cipa.jp/exif/1.0/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
}
_OF_ABOUT = {
    "dc": "http://purl.org/dc/elements/1.1/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
}


@dataclass(frozen=True, slots=True)
class About:
    """What people say about a picture; "" where nothing. `alt` describes it to those who cannot see it."""

    caption: str = ""
    creator: str = ""
    alt: str = ""


def xmp_packet(info: FrameInfo | None, software: str, about: About | None = None) -> bytes:
    """Return the packet as UTF-8; the same bytes for the same frame and words."""
    spaces = _NAMESPACES if about is None else _NAMESPACES | _OF_ABOUT
    names = " ".join(f'xmlns:{prefix}="{name}"' for prefix, name in spaces.items())
    values = [("xmp:CreatorTool", software), *(_properties(info) if info else ())]
    attributes = "".join(f"\n   {name}={quoteattr(value)}" for name, value in values)
    body = f'<rdf:Description rdf:about=""{attributes}>{_iso(info)}{_words(about)}\n  </rdf:Description>'
    rdf = f"<rdf:RDF {names}>\n  {body}\n </rdf:RDF>"
    return f'{_HEAD}\n<x:xmpmeta xmlns:x="adobe:ns:meta/">\n {rdf}\n</x:xmpmeta>\n{_TAIL}'.encode()


def _words(about: About | None) -> str:
    if about is None:
        return ""
    lists = (
        ("dc:description", "rdf:Alt", ' xml:lang="x-default"', about.caption),
        ("dc:creator", "rdf:Seq", "", about.creator),
        ("Iptc4xmpCore:AltTextAccessibility", "rdf:Alt", ' xml:lang="x-default"', about.alt),
    )
    return "".join(
        f"\n   <{name}><{kind}><rdf:li{lang}>{escape(text)}</rdf:li></{kind}></{name}>"
        for name, kind, lang, text in lists
        if text
    )


def clock(captured_s: float) -> datetime:
    """Return the camera's own clock at `captured_s` (see FrameInfo), rounded to milliseconds."""
    return datetime.fromtimestamp(round(captured_s, 3), UTC).replace(tzinfo=None)


def _properties(info: FrameInfo) -> Iterator[tuple[str, str]]:
    if info.make:
        yield "tiff:Make", info.make
    if info.model or info.camera:
        yield "tiff:Model", info.model or str(info.camera)
    if info.captured_s is not None:
        yield "exif:DateTimeOriginal", clock(info.captured_s).isoformat(timespec="milliseconds")
    numbers = {
        "exif:FocalLength": info.focal_length_mm,
        "exif:FNumber": info.f_number,
        "exif:ExposureTime": info.exposure_s,
        "exif:SubjectDistance": info.focus_distance_mm and info.focus_distance_mm / 1000.0,
    }
    yield from ((name, _rational(value)) for name, value in numbers.items() if value)
    if info.focal_length_35mm:
        yield "exif:FocalLengthIn35mmFilm", str(round(info.focal_length_35mm))
    if info.lens:
        yield "exifEX:LensModel", info.lens


def _iso(info: FrameInfo | None) -> str:
    if info is None or info.iso is None:
        return ""
    return f"\n   <exif:ISOSpeedRatings><rdf:Seq><rdf:li>{info.iso}</rdf:li></rdf:Seq></exif:ISOSpeedRatings>"


def _rational(value: float) -> str:
    ratio = Fraction(value).limit_denominator(1_000_000)
    return f"{ratio.numerator}/{ratio.denominator}"
