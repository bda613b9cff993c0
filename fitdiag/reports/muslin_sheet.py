"""Pictures of simulated muslins side by side on one labelled sheet, as PNG, HTML or PDF."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

from PIL import Image, ImageDraw, ImageFont

from fitdiag.pattern.pdf import document, plain
from fitdiag.planning.stages import HONEST
from fitdiag.templates import render

LABEL = "Simulated on an estimated body"
GAP, HEAD = 16, 96  # px between pictures, and above them
VIEW_WORDS = {"back": "back", "side": "right side", "front": "front"}
Drawn = Sequence[Mapping[str, Any]]  # for each muslin its views: (height, width, 3) arrays of bytes


def png_of(picture: Any) -> bytes:
    file = io.BytesIO()
    (picture if isinstance(picture, Image.Image) else Image.fromarray(picture)).save(file, "PNG", optimize=True)
    return file.getvalue()


def sheet_png(heads: Sequence[str], captions: Sequence[str], drawn: Drawn, _body: Sequence[str]) -> bytes:
    """All pictures in one row, muslin by muslin, with headings above and the label below, as PNG."""
    shown = [[Image.fromarray(picture) for picture in views.values()] for views in drawn]
    wide = [sum(image.width + GAP for image in row) for row in shown]
    high = max(image.height for row in shown for image in row)
    sheet = Image.new("RGB", (sum(wide) + GAP, high + HEAD + 60), (255, 255, 255))
    pen = ImageDraw.Draw(sheet)
    fonts = {size: ImageFont.load_default(size) for size in (30, 22, 18)}
    x = GAP
    for head, caption, row, views, room in zip(heads, captions, shown, drawn, wide, strict=True):
        pen.text((x, 12), _fitting(pen, head, fonts[30], room - GAP), fill=(0, 0, 0), font=fonts[30])
        pen.text((x, 54), _fitting(pen, caption, fonts[22], room - GAP), fill=(60, 60, 60), font=fonts[22])
        for name, image in zip(views, row, strict=True):
            sheet.paste(image, (x, HEAD))
            pen.text((x + 8, HEAD + high - 26), VIEW_WORDS.get(name, name), fill=(90, 90, 90), font=fonts[18])
            x += image.width + GAP
    below = f"{LABEL}. Not a photo; no real garment has been measured against it."
    pen.text((GAP, HEAD + high + 8), below, fill=(0, 0, 0), font=fonts[22])
    return png_of(sheet)


def _fitting(pen: Any, text: str, font: Any, room: float) -> str:
    while len(text) > 8 and pen.textlength(text, font=font) > room:
        text = text[:-4].rstrip() + "..."
    return text


def sheet_html(heads: Sequence[str], captions: Sequence[str], drawn: Drawn, body: Sequence[str]) -> str:
    """A self-contained HTML page."""
    shown = [[(VIEW_WORDS.get(name, name), png_of(view)) for name, view in views.items()] for views in drawn]
    muslins = zip(heads, captions, shown, strict=True)
    return render("reports/muslin_page.html", muslins=muslins, body=body, label=LABEL, honest=HONEST)


def sheet_pdf(heads: Sequence[str], captions: Sequence[str], drawn: Drawn, body: Sequence[str]) -> bytes:
    """A landscape A4 page with the row of pictures, what they can show, and the body used."""
    page = document(LABEL, (297.0, 210.0))
    page.set_margin(10.0)
    page.add_page()
    page.set_font("helvetica", "B", 14)
    page.cell(0, 8, LABEL, new_x="LMARGIN", new_y="NEXT")
    page.set_font("helvetica", "", 9)
    page.multi_cell(0, 4.5, plain(HONEST), new_x="LMARGIN", new_y="NEXT")
    alt_text = plain("; ".join(f"{head}: {caption}" for head, caption in zip(heads, captions, strict=True)))
    file, top = io.BytesIO(sheet_png(heads, captions, drawn, body)), page.y + 3
    page.image(file, 10.0, top, page.epw, 195.0 - top, keep_aspect_ratio=True, alt_text=alt_text)
    page.set_xy(10.0, 196.0)
    page.set_font("helvetica", "", 7)
    page.multi_cell(0, 3, plain(" ".join(line[0].upper() + line[1:] for line in body))[:420])
    return bytes(page.output())
