"""Pictures of simulated muslins side by side on one sheet, labelled as what they are: for the screen, for paper, for a page."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from typing import Any

from PIL import Image, ImageDraw, ImageFont

from fitdiag.pattern.pdf import plain
from fitdiag.planning.stages import HONEST
from fitdiag.reports.templates import template

LABEL = "Simulated on an estimated body"
GAP, HEAD = 16, 96  # pixels between pictures, and above them
VIEW_WORDS = {"back": "back", "side": "right side", "front": "front"}
Drawn = Sequence[Mapping[str, Any]]  # for each muslin its views: (height, width, 3) arrays of bytes


def png_of(picture: Any) -> bytes:
    file = io.BytesIO()
    (picture if isinstance(picture, Image.Image) else Image.fromarray(picture)).save(file, "PNG", optimize=True)
    return file.getvalue()


def png_size(file: bytes) -> tuple[int, int]:
    """Width and height of a PNG file in pixels, from its head (ISO/IEC 15948, IHDR)."""
    return int.from_bytes(file[16:20], "big"), int.from_bytes(file[20:24], "big")


def sheet_png(heads: Sequence[str], captions: Sequence[str], drawn: Drawn, _body: Sequence[str]) -> bytes:
    """All pictures in one row, muslin after muslin, with heads above and the label below."""
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
    """One page that holds its pictures, for any browser, without a network."""
    shown = [
        [(VIEW_WORDS.get(name, name), base64.b64encode(png_of(view)).decode()) for name, view in views.items()]
        for views in drawn
    ]
    muslins = zip(heads, captions, shown, strict=True)
    return str(template("muslin_page.html").render(muslins=muslins, body=body, label=LABEL, honest=HONEST))


def sheet_pdf(heads: Sequence[str], captions: Sequence[str], drawn: Drawn, body: Sequence[str]) -> bytes:
    """One landscape page a muslin side by side with the next, as large as they go."""
    from fpdf import FPDF  # noqa: PLC0415

    page = FPDF("landscape", "mm", "A4")
    page.set_title(LABEL)
    page.set_auto_page_break(False)
    page.add_page()
    page.set_font("Helvetica", "B", 14)
    page.cell(0, 8, LABEL, new_x="LMARGIN", new_y="NEXT")
    page.set_font("Helvetica", "", 9)
    page.multi_cell(0, 4.5, plain(HONEST), new_x="LMARGIN", new_y="NEXT")
    top, bottom = page.get_y() + 14, page.h - 12
    room = page.epw / len(drawn)
    for number, (head, caption, views) in enumerate(zip(heads, captions, drawn, strict=True)):
        left = page.l_margin + number * room
        page.set_font("Helvetica", "B", 10)
        page.set_xy(left, top - 13)
        page.multi_cell(room - 4, 4.5, plain(head)[:110])
        page.set_font("Helvetica", "", 9)
        page.set_xy(left, top - 4)
        page.cell(room - 4, 4, plain(caption))
        shapes = [view.shape for view in views.values()]
        wide, high = sum(shape[1] for shape in shapes), max(shape[0] for shape in shapes)
        scale = min((room - 4) / wide, (bottom - top - 2) / high)
        for view, (tall, across, *_) in zip(views.values(), shapes, strict=True):
            image, told = io.BytesIO(png_of(view)), plain(f"{head}: {caption}")
            page.image(image, left, top + 1, across * scale, tall * scale, alt_text=told)
            left += across * scale
    page.set_xy(page.l_margin, bottom + 1)
    page.set_font("Helvetica", "", 7)
    page.multi_cell(0, 3, plain(" ".join(line[0].upper() + line[1:] for line in body))[:420])
    return bytes(page.output())
