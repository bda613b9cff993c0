"""Taking in a picture: any file either becomes clean upright pixels or is refused in one line; nothing written tells on anyone."""

from __future__ import annotations

import hashlib
import io
import os
import random
import struct
import sys
import warnings
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps, PngImagePlugin

from fitdiag.photos import intake
from fitdiag.photos.intake import Picture, check_same, clean_jpeg, crop_above, read_picture, shortcomings
from fitdiag.photos.marks import Marks
from fitdiag.problems import Problem, ProblemsFoundError

FUZZ = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
RED, GREEN, BLUE, YELLOW = (220, 20, 20), (20, 200, 20), (20, 20, 220), (220, 220, 20)
TELLTALES = (
    b"Exif", b"eXIf", b"GPS", b"http://ns.adobe.com/xap", b"ICC_PROFILE", b"iCCP", b"tEXt", b"iTXt", b"lamplighter",
)  # fmt: skip
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="47,22N" note="lamplighter"/>'
    b"</rdf:RDF></x:xmpmeta>"
)


def quarters(width: int = 64, height: int = 48) -> Image.Image:
    """Red top left, green top right, blue bottom left, yellow bottom right."""
    image = Image.new("RGB", (width, height), YELLOW)
    image.paste(RED, (0, 0, width // 2, height // 2))
    image.paste(GREEN, (width // 2, 0, width, height // 2))
    image.paste(BLUE, (0, height // 2, width // 2, height))
    return image


def noise(width: int = 64, height: int = 48) -> Image.Image:
    """A picture no two pixels of which are alike, and that packs badly."""
    return Image.fromarray(np.random.default_rng(5).integers(0, 256, (height, width, 3), dtype=np.uint8))


def encoded(image: Image.Image, kind: str = "PNG", **options: Any) -> bytes:
    """The bytes of a picture file."""
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def exif_block(orientation: int = 1, focal: int | None = None, place: bool = False, thumbnail: bool = False) -> bytes:
    """An EXIF block with the tags of CIPA DC-008 (Exif 2.32)."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "lamplighter"  # the maker of the camera
    if focal is not None:
        exif.get_ifd(0x8769)[0xA405] = focal
    if place:
        exif.get_ifd(0x8825).update({1: "N", 2: (47.0, 22.0, 1.0), 3: "E", 4: (8.0, 32.0, 1.0)})
    block = exif.tobytes()
    return block + encoded(quarters(16, 12), "JPEG") if thumbnail else block


def chunk(name: bytes, content: bytes) -> bytes:
    """One PNG chunk, with its length and checksum (ISO/IEC 15948)."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def png(width: int, height: int, depth: int, colour: int, rows: bytes, *extra: bytes) -> bytes:
    """A PNG built by hand; `rows` are the unpacked lines with their filter bytes."""
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + b"".join(extra) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., Picture]:
    """Write bytes under a name and take them in."""

    def taken(content: bytes, name: str = "back.jpg") -> Picture:
        path = tmp_path / name
        path.write_bytes(content)
        return read_picture(path)

    return taken


def refused(act: Callable[[], object]) -> Problem:
    """The one problem with which something is refused; it is one printable line that names the file."""
    with pytest.raises(ProblemsFoundError) as caught:
        act()
    (problem,) = caught.value.problems
    assert str(problem).isprintable()
    return problem


def colour_at(picture: Picture, across: float, down: float) -> tuple[int, int, int]:
    """The colour at a place given as a share of width and height."""
    red, green, blue = picture.pixels[int(down * picture.height), int(across * picture.width)]
    return int(red), int(green), int(blue)


def corners(picture: Picture) -> list[tuple[int, int, int]]:
    """The colours of the four quarters: top left, top right, bottom left, bottom right."""
    return [colour_at(picture, across, down) for down in (0.25, 0.75) for across in (0.25, 0.75)]


def near(expected: object, actual: object, within: int = 3) -> bool:
    """Whether colours agree but for what JPEG rounds off."""
    return bool(np.abs(np.asarray(expected, int) - np.asarray(actual, int)).max() <= within)


# The 0th row and 0th column of the stored picture lie, when seen upright (Orientation, TIFF 6.0 and Exif 2.32, 4.6.4):
# 1 top/left, 2 top/right, 3 bottom/right, 4 bottom/left, 5 left/top, 6 right/top, 7 right/bottom, 8 left/bottom.
ROW_AND_COLUMN = {
    1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
    5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
}  # fmt: skip


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
@pytest.mark.parametrize("orientation", ROW_AND_COLUMN)
def test_every_exif_orientation_comes_out_upright(read: Callable[..., Picture], kind: str, orientation: int) -> None:
    """The stored first row and first column land on the sides the standard names."""
    picture = read(encoded(quarters(), kind, exif=exif_block(orientation)))
    stored = {("row", "column"): RED, ("row", ""): GREEN, ("", "column"): BLUE, ("", ""): YELLOW}
    row, column = ROW_AND_COLUMN[orientation]
    expected = []
    for sides in (("top", "left"), ("top", "right"), ("bottom", "left"), ("bottom", "right")):
        expected.append(stored["row" if row in sides else "", "column" if column in sides else ""])
    assert near(expected, corners(picture))
    assert ((48, 64) if orientation >= 5 else (64, 48)) == (picture.width, picture.height)
    assert (orientation != 1) == picture.turned


@pytest.mark.parametrize("orientation", [0, 9, 255, 65535])
def test_an_orientation_the_standard_does_not_know_is_left_alone(
    read: Callable[..., Picture], orientation: int
) -> None:
    """A number outside 1 to 8 turns nothing."""
    picture = read(encoded(quarters(), exif=exif_block(orientation)), "back.png")
    assert (64, 48, False) == (picture.width, picture.height, picture.turned)


def test_pixels_hash_and_facts_are_kept(read: Callable[..., Picture]) -> None:
    """A PNG's pixels come in exactly, cannot be changed, and the hash is that of the file."""
    content = encoded(noise())
    picture = read(content, "back.png")
    assert np.array_equal(np.asarray(noise()), picture.pixels)
    assert (hashlib.sha256(content).hexdigest(), "PNG") == (picture.sha256, picture.format)
    with pytest.raises(ValueError, match="read-only"):
        picture.pixels[0, 0] = 0


@pytest.mark.parametrize(("told", "kept"), [(50, 50.0), (26, 26.0), (0, None), (None, None), (4, None), (65535, None)])
def test_focal_length_is_read_and_unknown_stays_unknown(
    read: Callable[..., Picture], told: int | None, kept: float | None
) -> None:
    """FocalLengthIn35mmFilm is kept; 0 means unknown (Exif 2.32, 4.6.5), and no lens is that short or long."""
    assert kept == read(encoded(quarters(), "JPEG", exif=exif_block(focal=told))).focal_35mm


@pytest.mark.parametrize(
    ("said", "cropped"),
    [((4000, 3000), True), ((48, 64), False), ((6400, 4800), False), ((0, 0), False), (("wide", "high"), False)],
)
def test_a_file_that_was_cut_may_still_say_its_size(read: Callable[..., Picture], said: tuple, cropped: bool) -> None:
    """A size of another shape in the file's facts is a cut; turned or made smaller is none, and nonsense says nothing."""
    block = Image.Exif()
    block.get_ifd(0x8769).update({0xA002: said[0], 0xA003: said[1]})
    content = encoded(quarters(96, 64) if cropped else quarters(64, 48), "JPEG", exif=block.tobytes())
    assert read(content).cropped == cropped


def jpeg_full_of_facts() -> bytes:
    """A JPEG with place, thumbnail, packet of XMP, colour profile, comment, and something behind its end."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    block = exif_block(6, 50, place=True, thumbnail=True)
    facts: dict[str, Any] = {"exif": block, "xmp": XMP, "icc_profile": profile, "comment": b"lamplighter"}
    return encoded(noise(), "JPEG", quality=92, **facts) + b"lamplighter, GPS"


def png_full_of_facts() -> bytes:
    """A PNG with place, words, packet of XMP and colour profile."""
    words = PngImagePlugin.PngInfo()
    words.add_text("Author", "lamplighter")
    words.add_text("Comment", "lamplighter, GPS", zip=True)
    words.add_itxt("XML:com.adobe.xmp", XMP.decode())
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    return encoded(noise(), pnginfo=words, exif=exif_block(6, 50, place=True), icc_profile=profile)


@pytest.mark.parametrize("make", [jpeg_full_of_facts, png_full_of_facts])
def test_nothing_written_holds_what_the_file_told(read: Callable[..., Picture], make: Callable[[], bytes]) -> None:
    """Place, camera, words, profile and thumbnail are in the original, and nowhere in the clean file."""
    content = make()
    assert b"lamplighter" in content and (b"Exif" in content or b"eXIf" in content)
    picture = read(content)
    assert picture.has_location and picture.turned and picture.focal_35mm == 50
    written = clean_jpeg(picture)
    assert not [telltale for telltale in TELLTALES if telltale in written]
    again = read(written, "clean.jpg")
    assert (False, False, None) == (again.has_location, again.turned, again.focal_35mm)
    assert (picture.width, picture.height) == (again.width, again.height)


def test_a_clean_jpeg_holds_only_the_segments_that_make_the_picture(read: Callable[..., Picture]) -> None:
    """Walking the markers (ITU-T T.81, annex B) finds JFIF, tables, one frame, one scan and the end."""
    written = clean_jpeg(read(jpeg_full_of_facts()))
    found, at = [], 2
    while written[at + 1] != 0xDA:
        found.append(written[at + 1])
        at += 2 + int.from_bytes(written[at + 2 : at + 4], "big")
    assert set(found) <= {0xE0, 0xDB, 0xC0, 0xC4}
    assert written.endswith(b"\xff\xd9")


def test_a_clean_jpeg_keeps_the_picture(read: Callable[..., Picture]) -> None:
    """Written and read again, the colours of flat areas stay within what JPEG rounds off."""
    picture = read(encoded(quarters()))
    assert near(corners(picture), corners(read(clean_jpeg(picture))))


@pytest.mark.parametrize("place", ["exif", "xmp", "none", "empty block"])
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_a_place_is_noticed_wherever_it_is_told(read: Callable[..., Picture], kind: str, place: str) -> None:
    """EXIF and XMP can hold the place; a GPS block that names none is not called one."""
    exif = Image.Exif()
    if place == "empty block":
        exif.get_ifd(0x8825)[0] = b"\x02\x03\x00\x00"
    block = exif_block(place=True) if place == "exif" else exif.tobytes()
    words = PngImagePlugin.PngInfo()
    words.add_itxt("XML:com.adobe.xmp", XMP.decode())
    packet: dict[str, Any] = {"xmp": XMP} if kind == "JPEG" else {"pnginfo": words}
    picture = read(encoded(quarters(), kind, exif=block, **(packet if place == "xmp" else {})))
    told = [line for line in shortcomings(picture) if line.startswith("location")]
    assert (place in ("exif", "xmp")) == picture.has_location == bool(told)


def swapped_profile() -> bytes:
    """A matrix profile in which red and green change places: sRGB's own with two colorants swapped (ICC.1, 7.3)."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    count = struct.unpack(">I", profile[128:132])[0]
    entries = {bytes(profile[at : at + 4]): at for at in range(132, 132 + 12 * count, 12)}
    red, green = entries[b"rXYZ"], entries[b"gXYZ"]
    profile[red : red + 4], profile[green : green + 4] = b"gXYZ", b"rXYZ"
    start = struct.unpack(">I", profile[entries[b"desc"] + 4 : entries[b"desc"] + 8])[0]
    size = struct.unpack(">I", profile[entries[b"desc"] + 8 : entries[b"desc"] + 12])[0]
    body = bytes(profile[start : start + size]).replace("sRGB".encode("utf-16-be"), "swap".encode("utf-16-be"))
    profile[start : start + size] = body
    return bytes(profile)


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_colours_come_out_by_the_pictures_own_profile(read: Callable[..., Picture], kind: str) -> None:
    """With a profile whose red and green are swapped, red pixels are shown green, as the profile says."""
    swapped = [(20, 220, 20), (200, 20, 20), BLUE, YELLOW]
    assert near(swapped, corners(read(encoded(quarters(), kind, icc_profile=swapped_profile()))), 4)


def test_the_common_profile_changes_no_pixel(read: Callable[..., Picture]) -> None:
    """A picture that says it is sRGB comes in exactly."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert np.array_equal(np.asarray(noise()), read(encoded(noise(), icc_profile=profile)).pixels)


@pytest.mark.parametrize("profile", [b"x", b"\0" * 200, swapped_profile()[:300], random.Random(1).randbytes(3000)])
def test_a_broken_profile_is_as_good_as_none(read: Callable[..., Picture], profile: bytes) -> None:
    """A profile that cannot be used costs no picture and no colour."""
    assert np.array_equal(np.asarray(noise()), read(encoded(noise(), icc_profile=profile)).pixels)


def test_a_profile_of_another_kind_of_colour_is_passed_over(read: Callable[..., Picture]) -> None:
    """A Lab profile in a grey picture is not used."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    grey = quarters().convert("L")
    assert np.array_equal(np.asarray(grey.convert("RGB")), read(encoded(grey, icc_profile=profile)).pixels)


@pytest.mark.parametrize("mode", ["1", "L", "P", "RGB"])
def test_every_common_kind_of_png_comes_in_exactly(read: Callable[..., Picture], mode: str) -> None:
    """Black and white, grey, palette and colour give the same pixels as the picture they were made from."""
    image = quarters().convert(mode)
    assert np.array_equal(np.asarray(image.convert("RGB")), read(encoded(image), "back.png").pixels)


@pytest.mark.parametrize("kind", ["L", "CMYK"])
def test_grey_and_cmyk_jpegs_come_in(read: Callable[..., Picture], kind: str) -> None:
    """A JPEG in grey or in printing colours shows what it showed."""
    image = quarters().convert(kind)
    picture = read(encoded(image, "JPEG", quality=98))
    expected = [image.convert("RGB").getpixel(at) for at in ((16, 12), (48, 12), (16, 36), (48, 36))]
    assert near(expected, corners(picture), 4)


@pytest.mark.parametrize("mode", ["LA", "RGBA"])
def test_alpha_lies_on_white(read: Callable[..., Picture], mode: str) -> None:
    """Clear is white, half clear black is middle grey, solid stays."""
    image = Image.new(mode, (30, 10), 0)
    for index, alpha in enumerate((0, 128, 255)):
        colour = (0, alpha) if mode == "LA" else (0, 0, 0, alpha)
        image.paste(colour, (10 * index, 0, 10 * index + 10, 10))
    picture = read(encoded(image), "back.png")
    assert near([255, 127, 0], [int(picture.pixels[5, column, 0]) for column in (5, 15, 25)], 1)


def test_clear_palette_entries_lie_on_white(read: Callable[..., Picture]) -> None:
    """A palette whose entries are clear, half clear and solid lies on white, though its hidden colours are dark."""
    palette = chunk(b"PLTE", bytes([0, 0, 0, 0, 0, 0, 200, 0, 0]))
    content = png(3, 1, 8, 3, b"\0\0\1\2", palette, chunk(b"tRNS", bytes([0, 128, 255])))
    assert near([[255] * 3, [127] * 3, [200, 0, 0]], read(content, "back.png").pixels[0], 1)


def test_a_clear_shade_lies_on_white(read: Callable[..., Picture]) -> None:
    """The one shade a plain PNG names as clear (tRNS) is white: 1, 8 and 16 bit grey, and 8 bit colour."""
    shade = chunk(b"tRNS", struct.pack(">H", 0))
    for depth, rows, dark in ((1, b"\0\x40", 255), (8, b"\0\0\x64", 100), (16, b"\0\0\0\x64\0", 100)):
        picture = read(png(2, 1, depth, 0, rows, shade), "back.png")
        assert [[255] * 3, [dark] * 3] == picture.pixels[0].tolist()
    picture = read(png(2, 1, 8, 2, b"\0\1\2\3\4\5\6", chunk(b"tRNS", struct.pack(">3H", 1, 2, 3))), "back.png")
    assert [[255] * 3, [4, 5, 6]] == picture.pixels[0].tolist()


@pytest.mark.parametrize(("colour", "samples"), [(0, 1), (2, 3), (4, 2), (6, 4)])
def test_sixteen_bits_are_scaled_not_cut(read: Callable[..., Picture], colour: int, samples: int) -> None:
    """16-bit grey and colour (ISO/IEC 15948 colour types), with and without alpha, keep their shades to one step in 255."""
    shades = [0, 255, 256, 20000, 32768, 45000, 65535]
    solid = samples in (2, 4)
    row = b"".join(struct.pack(">H", shade) * (samples - solid) + b"\xff\xff" * solid for shade in shades)
    picture = read(png(len(shades), 1, 16, colour, b"\0" + row), "back.png")
    assert near([round(shade / 257) for shade in shades], picture.pixels[0, :, 0], 1)
    assert (0, 255) == (int(picture.pixels.min()), int(picture.pixels.max()))


def test_the_content_counts_not_the_ending(read: Callable[..., Picture]) -> None:
    """A PNG named .jpg and a JPEG without any ending come in as what they are."""
    assert ("PNG", "JPEG") == (read(encoded(quarters()), "a.jpg").format, read(encoded(quarters(), "JPEG"), "a").format)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"the lamplighter, hip 98",
        b"%PDF-1.7\n",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        encoded(quarters(), "GIF"),
        encoded(quarters(), "GIF", save_all=True, append_images=[noise()]),
        encoded(quarters(), "BMP"),
        encoded(quarters(), "TIFF"),
        encoded(quarters(), "WEBP", save_all=True, append_images=[noise()]),
        *([encoded(quarters(), "AVIF")] if "AVIF" in Image.SAVE else []),
        encoded(quarters(), "PPM"),
        encoded(quarters(), "JPEG2000"),
        b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n(x) run\n",
        b"\xff\xd8",
        b"\x89PNG\r\n",
    ],
    ids=lambda content: repr(content[:12]),
)
def test_what_is_no_jpeg_or_png_is_refused_under_any_name(read: Callable[..., Picture], content: bytes) -> None:
    """Text, drawings and other picture formats named .jpg never reach a decoder."""
    problem = refused(lambda: read(content))
    assert "not-a-picture" == problem.code
    assert problem.where is not None and problem.where.path.endswith("back.jpg")


def test_moving_pictures_are_refused(read: Callable[..., Picture]) -> None:
    """Which frame of an animated PNG was meant is not guessed."""
    content = encoded(quarters(), save_all=True, append_images=[noise()])
    assert b"acTL" in content
    assert "moving-picture" == refused(lambda: read(content, "back.png")).code


def test_a_second_picture_behind_a_jpeg_is_left_out(read: Callable[..., Picture]) -> None:
    """Cameras hang a second picture behind the first (CIPA DC-007); the first is the one measured."""
    content = encoded(quarters(), "MPO", save_all=True, append_images=[noise()])
    picture = read(content)
    assert near([RED, GREEN, BLUE, YELLOW], corners(picture)) and picture.format == "JPEG"
    assert len(clean_jpeg(picture)) < len(content)


def test_a_folder_a_pipe_a_device_and_nothing_are_refused(tmp_path: Path) -> None:
    """Only plain files are opened, so nothing waits for ever."""
    os.mkfifo(tmp_path / "pipe.jpg")
    assert "not-a-file" == refused(lambda: read_picture(tmp_path)).code
    assert "not-a-file" == refused(lambda: read_picture(tmp_path / "pipe.jpg")).code
    assert "not-a-file" == refused(lambda: read_picture(Path("/dev/zero"))).code
    assert "no-file" == refused(lambda: read_picture(tmp_path / "none.jpg")).code


def test_a_file_over_the_size_limit_is_not_unpacked(tmp_path: Path) -> None:
    """One byte over 40 MB is refused, however good the picture at its start."""
    path = tmp_path / "back.png"
    path.write_bytes(encoded(quarters()))
    os.truncate(path, 40 * 1024 * 1024 + 1)
    assert "too-large" == refused(lambda: read_picture(path)).code
    os.truncate(path, 40 * 1024 * 1024)
    assert 64 == read_picture(path).width


@pytest.mark.parametrize(
    ("width", "height"),
    [(12001, 10), (10, 12001), (10000, 6001), (11000, 11000), (30000, 30000), (2**31 - 1, 2**31 - 1)],
)
def test_a_bomb_is_refused_before_it_is_unpacked(
    read: Callable[..., Picture], monkeypatch: pytest.MonkeyPatch, width: int, height: int
) -> None:
    """A tiny file that says it holds a huge picture never gets as far as unpacking."""
    monkeypatch.setattr(PngImagePlugin.PngImageFile, "load", lambda _: pytest.fail("it was unpacked"))
    assert "too-large" == refused(lambda: read(png(width, height, 8, 2, b"\0" * 1000), "back.png")).code


def test_a_jpeg_that_says_it_is_huge_is_refused(read: Callable[..., Picture]) -> None:
    """The size in a JPEG's frame header (SOF0) is held to the same limits."""
    content = bytearray(encoded(quarters(), "JPEG"))
    at = content.index(b"\xff\xc0")
    content[at + 5 : at + 9] = struct.pack(">HH", 65000, 65000)
    assert "too-large" == refused(lambda: read(bytes(content))).code


def test_the_largest_side_that_is_allowed_comes_in(read: Callable[..., Picture]) -> None:
    """12000 pixels on one side are still taken."""
    assert 12000 == read(encoded(Image.new("L", (12000, 3))), "back.png").width


def test_a_jpeg_of_thousands_of_passes_is_refused(read: Callable[..., Picture]) -> None:
    """A progressive JPEG whose last pass is repeated for ever would take hours; an ordinary one is taken."""
    content = encoded(quarters(1200, 1000), "JPEG", progressive=True)
    assert 1200 == read(content).width
    last = content.rindex(b"\xff\xda")
    assert "too-large" == refused(lambda: read(content[:last] + content[last:-2] * 3000 + b"\xff\xd9")).code


@pytest.mark.parametrize("name", [b"zTXt", b"iTXt", b"iCCP"])
def test_words_that_unpack_to_a_flood_are_refused(read: Callable[..., Picture], name: bytes) -> None:
    """Packed words and profiles in a PNG are no way round the limits."""
    packed = zlib.compress(b"\0" * 80_000_000, 9)
    head = b"Comment\0\1\0\0\0" if name == b"iTXt" else b"Comment\0\0"
    content = png(1, 1, 8, 0, b"\0\0", chunk(name, head + packed))
    assert "broken-picture" == refused(lambda: read(content, "back.png")).code


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "progressive"])
def test_a_picture_cut_short_is_refused_wherever_it_ends(read: Callable[..., Picture], kind: str) -> None:
    """From the first byte to the last of the pixels, a part of a picture is never taken for the whole."""
    options: dict[str, Any] = {"progressive": True} if kind == "progressive" else {}
    content = encoded(noise(), "PNG" if kind == "PNG" else "JPEG", **options)
    last = len(content) - 24  # what follows only ends the file
    for length in [*range(1, 40), *range(40, last, 37), last]:
        problem = refused(lambda: read(content[:length]))  # noqa: B023 - called at once
        assert problem.code in ("broken-picture", "not-a-picture")


HEADS = {
    "JPEG": [encoded(noise(), "JPEG", exif=exif_block(6, 50, place=True)), jpeg_full_of_facts()],
    "PNG": [encoded(noise(), exif=exif_block(6, 50, place=True)), png_full_of_facts()],
}


@pytest.mark.parametrize("kind", HEADS)
@FUZZ
@given(data=st.data())
def test_any_bytes_behind_a_good_beginning_end_well(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    """Bytes behind a valid header or in the midst of a valid file give a picture or one problem; no warning, no other error."""
    whole = data.draw(st.sampled_from(HEADS[kind]))
    at = data.draw(st.integers(3 if kind == "JPEG" else 8, len(whole)))
    middle = data.draw(st.binary(max_size=60))
    rest = data.draw(st.sampled_from([b"", whole[at:], whole[at + len(middle) :]]))
    path = tmp_path / "back"
    path.write_bytes(whole[:at] + middle + rest)
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            picture = read_picture(path)
        except ProblemsFoundError as error:
            assert 1 == len(error.problems) and str(error).isprintable()
        else:
            assert not [telltale for telltale in TELLTALES[:6] if telltale in clean_jpeg(picture)[:200]]
    assert [] == warned


@FUZZ
@given(block=st.binary(max_size=200), place=st.integers(0, 60))
def test_broken_exif_costs_no_picture(tmp_path: Path, block: bytes, place: int) -> None:
    """Whatever stands in the EXIF block, the pixels come in, upright or as stored."""
    good = exif_block(6, 50, place=True)[6:]
    path = tmp_path / "back.jpg"
    path.write_bytes(encoded(quarters(), "JPEG", exif=b"Exif\0\0" + good[:place] + block))
    assert {64, 48} == {read_picture(path).width, read_picture(path).height}


def test_heic_comes_in_turned_once(read: Callable[..., Picture]) -> None:
    """A HEIC picture is turned by its own decoder, and not a second time."""
    content = (
        Path(__file__).parent / "data" / "quarters.heic"
    ).read_bytes()  # quarters(128, 96), quality 95, a place in its EXIF
    picture = read(content, "back.heic")
    assert (96, 128, "HEIF", 50.0) == (picture.width, picture.height, picture.format, picture.focal_35mm)
    assert near([BLUE, RED, YELLOW, GREEN], corners(picture), 12)  # a quarter turn to the right
    assert picture.turned and picture.has_location
    assert not [telltale for telltale in TELLTALES if telltale in clean_jpeg(picture)]
    for length in range(20, len(content), 101):
        assert "broken-picture" == refused(lambda: read(content[:length], "cut.heic")).code  # noqa: B023


def test_heic_without_the_extra_says_what_to_do(read: Callable[..., Picture], monkeypatch: pytest.MonkeyPatch) -> None:
    """One line names what to install and the way round it."""
    monkeypatch.setitem(sys.modules, "pi_heif", None)
    problem = refused(lambda: read(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "back.heic"))
    assert "needs-heic" == problem.code
    assert "pip install 'fitdiag[heic]'" in problem.hint and "JPEG" in problem.hint


def test_a_face_is_painted_over_and_the_size_stays(read: Callable[..., Picture]) -> None:
    """Rows above the given one are one grey, the others untouched, and the original is not changed."""
    picture = read(encoded(noise()), "back.png")
    hidden = crop_above(picture, 20)
    assert (picture.width, picture.height) == (hidden.width, hidden.height)
    assert [128] == np.unique(hidden.pixels[:20]).tolist()
    assert np.array_equal(picture.pixels[20:], hidden.pixels[20:])
    assert np.array_equal(np.asarray(noise()), picture.pixels)
    assert not hidden.pixels.flags.writeable
    assert np.array_equal(picture.pixels, crop_above(picture, 0).pixels)
    for row in (-1, 48):
        assert "row" == refused(lambda: crop_above(picture, row)).code  # noqa: B023


@pytest.mark.parametrize("quality", [20, 35, 50, 65, 80, 90, 95])
def test_jpeg_quality_is_estimated_from_the_tables(read: Callable[..., Picture], quality: int) -> None:
    """The estimate is the setting the file was saved with, to 2, for tables scaled from ITU-T T.81 annex K."""
    assert quality == pytest.approx(read(encoded(noise(), "JPEG", quality=quality)).quality, abs=2)


def plain(width: int, height: int, **facts: Any) -> Picture:
    """A flat picture of a given size with the facts of a good original."""
    kept: dict[str, Any] = {"focal_35mm": 50.0, "has_location": False, "format": "JPEG"}
    pixels = np.zeros((height, width, 3), np.uint8)
    return Picture(pixels, "0" * 64, **{**kept, "turned": False, "quality": 92, **facts})


@pytest.mark.parametrize(
    ("picture", "expected"),
    [
        (plain(3000, 4000), []),
        (plain(2000, 3000), []),
        (plain(2160, 3840), []),
        (plain(1200, 1600), []),  # a messenger's size, but the camera's own words are still in it
        (plain(1199, 1599), ["too small"]),
        (plain(960, 1280, focal_35mm=None), ["too small", "squeezed", "no focal length"]),
        (plain(1536, 2048, focal_35mm=None), ["squeezed", "no focal length"]),
        (plain(3000, 4000, focal_35mm=None), ["no focal length"]),
        (plain(3000, 4000, quality=40), ["squeezed"]),
        (plain(3000, 4000, quality=60), []),
        (plain(3000, 4000, quality=None, format="PNG"), []),
        (plain(2500, 4000), ["cropped"]),
        (plain(2940, 4000), ["cropped"]),  # 2 % from 4:3
        (plain(2976, 4000), []),  # 0.8 % from 4:3
        (plain(3000, 3000), ["cropped"]),
        (plain(2000, 3000, cropped=True), ["cropped"]),
        (plain(3000, 4000, has_location=True), ["location"]),
    ],
)  # fmt: skip
def test_what_makes_measuring_rougher_is_said_once_each(picture: Picture, expected: list[str]) -> None:
    """One printable line for each shortcoming, with what to ask the client for."""
    lines = shortcomings(picture)
    assert expected == [line.split(":")[0] for line in lines]
    assert all(line.isprintable() for line in lines)


def test_marks_must_belong_to_the_picture(read: Callable[..., Picture]) -> None:
    """A changed byte or another size is refused with the marks file's name; the right picture passes."""
    picture = read(encoded(quarters()), "back.png")
    marks = Marks("back\x1b.png", picture.sha256, 64, 48, "back")
    check_same(picture, marks, Path("back.marks.json"))
    for other in (replace(marks, sha256="0" * 64), replace(marks, width=48, height=64)):
        problem = refused(lambda: check_same(picture, other, Path("back.marks.json")))  # noqa: B023
        assert ("other-picture", "back.marks.json") == (problem.code, str(problem.where))
        assert "another picture" in problem.message


def test_the_original_is_never_changed(tmp_path: Path) -> None:
    """Taking in leaves the file and its folder as they were."""
    path = tmp_path / "back.jpg"
    path.write_bytes(jpeg_full_of_facts())
    before = path.read_bytes(), path.stat().st_mtime_ns
    clean_jpeg(crop_above(read_picture(path), 10))
    assert before == (path.read_bytes(), path.stat().st_mtime_ns)
    assert [path] == list(tmp_path.iterdir())


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("mode", ["RGB", "RGBA", "L", "P", "CMYK"])
def test_strips_are_put_together_upright(read: Callable[..., Picture], orientation: int, mode: str) -> None:
    """A picture of more rows than a strip comes in as Pillow itself turns it, in every orientation and mode."""
    rng = np.random.default_rng(7)
    image = Image.fromarray(rng.integers(0, 255, (600, 37, 3), np.uint8)).convert(mode)
    exif = Image.Exif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    image.save(out, "TIFF" if mode == "CMYK" else "PNG", exif=exif)
    if mode == "CMYK":
        out = io.BytesIO()
        image.save(out, "JPEG", exif=exif, quality=95)
    expected = ImageOps.exif_transpose(Image.open(out)).convert("RGB")
    picture = read(out.getvalue(), "back.jpg" if mode == "CMYK" else "back.png")
    assert (picture.width, picture.height) == expected.size
    assert np.abs(picture.pixels.astype(int) - np.asarray(expected).astype(int)).max() <= 1


def test_a_jpeg_that_needs_too_much_memory_is_read_at_a_half(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Taken in it is made smaller, and that is said; measured as it is, it is refused before it is unpacked."""
    path = tmp_path / "back.jpg"
    path.write_bytes(encoded(quarters(1200, 1000), "JPEG", exif=exif_block(6, 50, place=False)))
    monkeypatch.setattr(intake, "MOST_BYTES", 1200 * 1000 * 7 - 1)
    picture = read_picture(path, smaller=True)
    assert (500, 600, (1000, 1200)) == (picture.width, picture.height, picture.made_smaller)
    assert near([BLUE, RED, YELLOW, GREEN], corners(picture), 12)
    assert any(line.startswith("made smaller: it had 1000 x 1200 pixels") for line in shortcomings(picture))
    assert "too-large" == refused(lambda: read_picture(path)).code
    path.write_bytes(encoded(quarters(1200, 1000), "JPEG", progressive=True))
    assert "too-large" == refused(lambda: read_picture(path, smaller=True)).code  # its decoder would hold all of it
    monkeypatch.setattr(PngImagePlugin.PngImageFile, "load", lambda _: pytest.fail("it was unpacked"))
    path.write_bytes(encoded(quarters(1200, 1000)))
    assert "too-large" == refused(lambda: read_picture(path, smaller=True)).code


def test_limits_are_those_that_were_agreed() -> None:
    """40 MB a file, 12000 pixels a side, and so much memory that all together stays within 500 MB."""
    assert (40 * 2**20, 352_000_000, 12000) == (intake.LARGEST, intake.MOST_BYTES, intake.LONGEST_SIDE)
