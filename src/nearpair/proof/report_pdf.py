"""The proof on paper: verdict, picture, advice with places, figures and cautions, as PDF, by reportlab.

Same input, same bytes.
"""

import io
from collections.abc import Mapping
from typing import Any
from xml.sax.saxutils import escape

from nearpair.proof.figures import figures
from nearpair.proof.model import Proof
from nearpair.proof.model_advice import Finding
from nearpair.proof.relief_words import relief_words
from nearpair.proof.words import CAUTIONS, VERDICTS

_MARGIN, _WIDTH, _TALLEST, _PLACE = 48.0, 499.0, 300.0, 190.0  # points; A4 is 595 wide

Places = Mapping[str, tuple[bytes, str]]


def pdf(proof: Proof, pictures: Mapping[str, bytes], places: Places) -> bytes:
    """Return the proof as a PDF file. Pictures and places as for `report.render`."""
    from reportlab.lib.pagesizes import A4
    from reportlab.platypus import SimpleDocTemplate

    buffer = io.BytesIO()
    title = f"Proof of the pair {proof.eyes.left} and {proof.eyes.right}"
    margins = dict.fromkeys(("leftMargin", "rightMargin", "topMargin", "bottomMargin"), _MARGIN)
    document = SimpleDocTemplate(
        buffer, pagesize=A4, title=title, creator="nearpair", author="", invariant=1, **margins
    )
    document.build(_story(proof, pictures, places, title), onFirstPage=_numbered, onLaterPages=_numbered)
    return buffer.getvalue()


def _numbered(canvas: Any, document: Any) -> None:
    canvas.setFont("Helvetica", 8)
    canvas.drawRightString(_MARGIN + _WIDTH, _MARGIN / 2, f"{document.page}")


def _story(proof: Proof, pictures: Mapping[str, bytes], places: Places, title: str) -> list[Any]:
    from reportlab.platypus import Paragraph, Spacer

    style = _styles()
    word, text = VERDICTS[proof.verdict]
    story: list[Any] = [
        Paragraph(escape(title), style["title"]),
        Paragraph(f"<b>{word}.</b> {text}", style["verdict"]),
        Spacer(1, 12),
    ]
    if "anaglyph" in pictures:
        seen = f"Anaglyph for {proof.colour.glasses} glasses, method {proof.colour.method}."
        story += [_image(pictures["anaglyph"], _WIDTH, _TALLEST), Paragraph(escape(seen), style["soft"])]
    story.append(Paragraph("What to do", style["head"]))
    for finding in proof.advice:
        story.append(_finding(finding, places, style))
    if not proof.advice:
        story.append(Paragraph("Nothing. Every measure lies inside its limits.", style["text"]))
    story.append(Paragraph("How much depth", style["head"]))
    story += [Paragraph(escape(sentence), style["text"]) for sentence in relief_words(proof)]
    story += _figures(proof, style)
    story.append(Paragraph("Cautions", style["head"]))
    story += [Paragraph(escape(text), style["small"], bulletText="•") for text in CAUTIONS]
    return story


def _finding(finding: Finding, places: Places, style: Mapping[str, Any]) -> Any:
    from reportlab.platypus import KeepTogether, Paragraph, Spacer

    parts = [
        Paragraph(f"<b>[{finding.severity}] {escape(finding.text)}</b>", style["text"]),
        Paragraph(escape(finding.remedy.replace("`", "")), style["text"]),
    ]
    if finding.next_plan:
        plan = f"Plan the next shoot by this one: {finding.next_plan}"
        parts.append(Paragraph(escape(plan), style["text"]))
    if finding.code in places:
        file, caption = places[finding.code]
        parts += [_image(file, _PLACE, _PLACE), Paragraph(escape(caption), style["soft"])]
    if finding.measured:
        parts.append(Paragraph(f"Measured: {escape(finding.measured)}.", style["soft"]))
    return KeepTogether([*parts, Spacer(1, 6)])


def _figures(proof: Proof, style: Mapping[str, Any]) -> list[Any]:
    from reportlab.lib.colors import grey
    from reportlab.platypus import KeepTogether, Paragraph, Table

    out: list[Any] = []
    heads = [Paragraph("Figures", style["head"])]
    for group in figures(proof):
        rows = [[Paragraph(escape(cell), style["small"]) for cell in row] for row in group.rows]
        table = Table(rows, colWidths=[0.34 * _WIDTH, 0.26 * _WIDTH, 0.40 * _WIDTH])
        table.setStyle([("LINEBELOW", (0, 0), (-1, -1), 0.4, grey), ("VALIGN", (0, 0), (-1, -1), "TOP")])
        out.append(KeepTogether([*heads, Paragraph(escape(group.title), style["sub"]), table]))
        heads = []
        out += [Paragraph(escape(f"Source, {source}."), style["soft"]) for source in group.sources]
    return out


def _image(file: bytes, width: float, tallest: float) -> Any:
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Image

    across, down = ImageReader(io.BytesIO(file)).getSize()
    scale = min(width / across, tallest / down)
    image = Image(io.BytesIO(file), across * scale, down * scale)
    image.hAlign = "LEFT"
    return image


def _styles() -> dict[str, Any]:
    from reportlab.lib.styles import ParagraphStyle

    plain = ParagraphStyle("text", fontName="Helvetica", fontSize=9.5, leading=12.5, spaceAfter=3)
    head = ParagraphStyle(
        "head", plain, fontName="Helvetica-Bold", fontSize=12.5, spaceBefore=10, leading=16, keepWithNext=1
    )
    return {
        "text": plain,
        "soft": ParagraphStyle("soft", plain, fontSize=8, leading=10, textColor="#555555"),
        "small": ParagraphStyle("small", plain, fontSize=8.5, leading=10.5, spaceAfter=0),
        "title": ParagraphStyle("title", head, fontSize=15, leading=19, spaceBefore=0),
        "verdict": ParagraphStyle(
            "verdict", plain, fontSize=11, borderWidth=1, borderPadding=5, spaceAfter=9
        ),
        "head": head,
        "sub": ParagraphStyle("sub", plain, fontName="Helvetica-Bold", spaceBefore=6),
    }
