"""Reading a client's picture: from a file of any content to clean upright pixels and the few facts worth keeping.

None of the file's metadata (location, camera, names, colour profile, thumbnails) is kept or passed on; the file is never changed.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms, JpegImagePlugin, UnidentifiedImageError

from fitdiag.files import digest, read_bytes
from fitdiag.photos.marks import LONGEST_SIDE, Marks
from fitdiag.problems import ProblemsFoundError, Where, one_line, shown_path, stop

LARGEST = 40 * 1024 * 1024
MOST_PIXELS = 210_000_000  # of a JPEG that is downscaled while it is read
MOST_BYTES = 352_000_000  # for pixels while a picture is read, to keep the total within 500 MB
MOST_SCAN_WORK = 3000  # scans times megapixels: a small progressive JPEG can take hours to decode
SMALLEST_LONG_SIDE = 1600  # about one pixel per millimetre when a whole person is in the picture
MESSENGER_SIDES = (1280, 1600, 2048)  # sizes messengers shrink to; common practice, no source
LOWEST_QUALITY = 60
CAMERA_SHAPES, SAME_SHAPE = (4 / 3, 3 / 2, 16 / 9), 0.01
COVER = 128  # the grey a face is painted over with
# Sum of the luminance quantization table of ITU-T T.81, table K.1; encoders scale it by their quality setting.
_QUALITY_50 = 3688
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_PLACES = {2, 4, 20, 22, 28}  # GPS tags of Exif 2.32: latitude, longitude, the same of the destination, area name


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture turned upright, as read-only sRGB pixels (H, W, 3), and what is kept of its file."""

    pixels: NDArray[np.uint8] = field(repr=False)
    sha256: str  # of the file's bytes as read
    focal_35mm: float | None
    has_location: bool
    format: str  # "JPEG", "PNG" or "HEIF"
    turned: bool
    quality: int | None = None  # the JPEG quality setting, estimated
    made_smaller: tuple[int, int] | None = None  # original size, if it was read at a half or less
    cropped: bool = False  # by what its file says, it once had another shape

    @property
    def width(self) -> int:
        """Width of the upright picture, px."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height of the upright picture, px."""
        return int(self.pixels.shape[0])


def read_picture(path: Path, *, smaller: bool = False) -> Picture:
    """Read a JPEG, PNG or (with the extra) HEIC picture by its content, whatever its name. Raises ProblemsFoundError.

    `smaller`: read a JPEG that would need too much memory at 1/2, 1/4 or 1/8 of its size; existing marks would not fit it.
    """
    raw = read_bytes(path, LARGEST, "picture")
    where = Where(shown_path(path))
    kind = _kind(raw, where)
    with _careful(where):
        if kind == "HEIF":
            _open_heif(where)
        with Image.open(io.BytesIO(raw), formats=[kind]) as image:
            size = image.size
            _check_limits(image, raw, where, smaller=smaller)
            made_smaller = size if image.size != size else None
            sha256 = digest(raw)
            del raw
            image.load()
            focal, has_location, orientation = _exif_facts(image)
            cropped = _had_another_shape(image)
            turned = orientation > 1 or (image.info.get("original_orientation") or 1) != 1  # HEIC comes turned already
            quality = _quality(image)
            if made_smaller and orientation > 4:
                made_smaller = made_smaller[::-1]
            pixels = _pixels(image, orientation)
    return Picture(pixels, sha256, focal, has_location, kind, turned, quality, made_smaller, cropped)


def _kind(raw: bytes, where: Where) -> str:
    """File format by its first bytes; the file extension is ignored."""
    if raw.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if raw.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if raw[4:8] == b"ftyp" and raw[8:12] in _HEIF_BRANDS:
        return "HEIF"
    text = "this is not a JPEG or PNG picture" if raw else "this picture is empty"
    raise stop("not-a-picture", text, where=where, hint="save or send it as JPEG")


def _open_heif(where: Where) -> None:
    try:
        import pi_heif  # noqa: PLC0415 - an extra, and slow to load
    except ImportError:
        text = "this is a HEIC picture, and reading those needs an extra"
        hint = "pip install 'fitdiag[heic]', or save or send it as JPEG"
        raise stop("needs-heic", text, where=where, hint=hint) from None
    pi_heif.register_heif_opener()


@contextmanager
def _careful(where: Where) -> Iterator[None]:
    """Suppress warnings, make a decompression bomb an error, and turn whatever a broken file raises into one problem."""
    most, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, MOST_PIXELS
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            yield
    except ProblemsFoundError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_large("it says it has far too many pixels", where) from None
    except UnidentifiedImageError:
        raise _broken("its beginning cannot be read", where) from None
    except MemoryError:
        raise _too_large("there is not enough memory for it", where) from None
    except Exception as error:  # decoders raise nearly every kind of exception on broken files
        raise _broken(one_line(error, 80).split(" (")[0] or type(error).__name__, where) from None
    finally:
        Image.MAX_IMAGE_PIXELS = most


def _too_large(reason: str, where: Where) -> ProblemsFoundError:
    hint = "save a smaller copy; a JPEG is also made smaller by `fitdiag photo add`, before it is marked"
    return stop("too-large", f"this picture is too large: {reason}", where=where, hint=hint)


def _broken(reason: str, where: Where) -> ProblemsFoundError:
    hint = "it may be cut short; copy or send it again"
    return stop("broken-picture", f"this picture is damaged: {reason}", where=where, hint=hint)


def _check_limits(image: Image.Image, raw: bytes, where: Where, *, smaller: bool) -> None:
    """Refuse everything that can be refused before decoding; a JPEG may be set to decode at a smaller size."""
    width, height = image.size
    if min(width, height) < 1:
        raise _broken("it has no pixels", where)
    if width * height > MOST_PIXELS:
        raise _too_large(f"it has {width} x {height} pixels", where)
    if image.format == "PNG" and getattr(image, "n_frames", 1) > 1:
        text = "this picture moves, and only still ones can be measured"
        raise stop("moving-picture", text, where=where, hint="save one frame of it as PNG or JPEG")
    if image.info.get("progressive") and raw.count(b"\xff\xda") * width * height > MOST_SCAN_WORK * 1_000_000:
        raise _too_large("it is stored in far too many passes", where)
    held = 6 * width * height if image.info.get("progressive") else 0  # all coefficients, kept until the last scan
    for part in (2, 4, 8) if smaller and image.format == "JPEG" else ():
        if _fits(image, held):
            break
        image.draft(None, (width // part, height // part))
    if not _fits(image, held):
        raise _too_large(f"it has {width} x {height} pixels", where)


def _fits(image: Image.Image, held: int) -> bool:
    """Whether a picture can be decoded, and its pixels copied, in the memory allowed."""
    width, height = image.size
    each = {"1": 1, "L": 1, "P": 1, "I;16": 2, "I;16B": 2, "I;16L": 2}.get(image.mode, 4) + 3
    if image.format == "HEIF":
        each += 4  # its decoder holds the whole picture too
    return max(width, height) <= LONGEST_SIDE and held + each * width * height <= MOST_BYTES


def _exif_facts(image: Image.Image) -> tuple[float | None, bool, int]:
    """35 mm equivalent focal length, whether there is a location, and the orientation (1 to 8). Nothing else is read."""
    focal, orientation = 0.0, 1
    has_location = any("GPSL" in str(image.info.get(key)) for key in ("xmp", "XML:com.adobe.xmp"))
    with suppress(Exception):  # with broken EXIF the pixels are still good
        tag = image.getexif().get(ExifTags.Base.Orientation)
        orientation = tag if isinstance(tag, int) and tag in range(1, 9) else 1
    with suppress(Exception):
        focal = float(image.getexif().get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm])
    with suppress(Exception):
        has_location = has_location or not _PLACES.isdisjoint(image.getexif().get_ifd(ExifTags.IFD.GPSInfo))
    return (focal if 5 <= focal <= 2000 else None), has_location, orientation


def _had_another_shape(image: Image.Image) -> bool:
    """Whether the size that the camera wrote into the file is of another shape than the picture: some programs that cut leave it."""
    with suppress(Exception):
        facts = image.getexif().get_ifd(ExifTags.IFD.Exif)
        size = facts[ExifTags.Base.ExifImageWidth], facts[ExifTags.Base.ExifImageHeight]
        return abs(_shape(*size) / _shape(*image.size) - 1) > SAME_SHAPE
    return False


def _quality(image: Image.Image) -> int | None:
    """Estimate the quality setting (1 to 100) of a JPEG from its luminance quantization table."""
    if not isinstance(image, JpegImagePlugin.JpegImageFile) or not image.quantization:
        return None
    scale = 100 * sum(image.quantization[min(image.quantization)]) / _QUALITY_50
    return round(min(max(100 - scale / 2 if scale <= 100 else 5000 / scale, 1), 100))


def _pixels(image: Image.Image, orientation: int) -> NDArray[np.uint8]:
    """The pixels upright, without transparency, in sRGB: made strip by strip to avoid three copies of a large picture."""
    (width, height), profile = image.size, image.info.get("icc_profile")
    pixels = np.empty((width, height, 3) if orientation > 4 else (height, width, 3), np.uint8)
    stored = _as_stored(pixels, orientation)
    for top in range(0, height, 256):
        bottom = min(top + 256, height)
        strip = _plain(image.crop((0, top, width, bottom)))
        if isinstance(profile, bytes) and (to_srgb := _to_srgb(profile, strip.mode)) is not None:
            strip = ImageCms.applyTransform(strip, to_srgb) or strip
        stored[top:bottom] = np.asarray(strip if strip.mode == "RGB" else strip.convert("RGB"))
    pixels.setflags(write=False)
    return pixels


def _as_stored(upright: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """A view of the upright pixels in the file's stored orientation (Exif 2.32, tag 274)."""
    turned = upright.swapaxes(0, 1) if orientation > 4 else upright
    rows = slice(None, None, -1 if orientation in (3, 4, 6, 7) else 1)
    columns = slice(None, None, -1 if orientation in (2, 3, 7, 8) else 1)
    return turned[rows, columns]


def _plain(image: Image.Image) -> Image.Image:
    """Part of a picture as RGB, L or CMYK, on white where transparent."""
    transparent, grey_mode = image.has_transparency_data, image.mode in ("1", "L", "LA", "La")
    # 16-bit grey, one shade of which may be transparent; Pillow itself would clip values over 255
    if image.mode.startswith("I"):
        grey = np.asarray(image)
        clear = transparent & (grey == image.info.get("transparency"))
        return Image.fromarray(np.where(clear, 255, grey >> 8).astype(np.uint8))
    if not transparent:
        return image if image.mode in ("RGB", "L", "CMYK") else image.convert("L" if grey_mode else "RGB")
    image = image.convert("LA" if grey_mode else "RGBA")
    flat = Image.new("L" if grey_mode else "RGB", image.size, "white")
    flat.paste(image.convert(flat.mode), mask=image.getchannel("A"))
    return flat


@lru_cache(maxsize=1)  # the same for all strips
def _to_srgb(profile: bytes, mode: str) -> ImageCms.ImageCmsTransform | None:
    """Transform from the picture's own profile to sRGB; None for a profile that is unusable or already sRGB."""
    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if "srgb" in ImageCms.getProfileDescription(own).lower():
            return None
        return ImageCms.buildTransform(own, ImageCms.createProfile("sRGB"), mode, "RGB")
    except Exception:  # the colour library raises several kinds
        return None


def clean_jpeg(picture: Picture) -> bytes:
    """Encode the pixels alone as JPEG, without chroma subsampling: the marked lines are thin and coloured."""
    out = io.BytesIO()
    Image.fromarray(picture.pixels).save(out, "JPEG", quality=95, subsampling=0)
    return out.getvalue()


def crop_above(picture: Picture, row: int) -> Picture:
    """Return the picture with all rows above `row` painted grey, as to hide a face. Raises ProblemsFoundError.

    They are not cut off: measuring takes the middle of the whole picture as the principal point.
    """
    if not 0 <= row < picture.height:
        raise stop("row", f"row {row} is not in this picture", hint=f"0 to {picture.height - 1}, counted from the top")
    pixels = picture.pixels.copy()
    pixels[:row] = COVER
    pixels.setflags(write=False)
    return replace(picture, pixels=pixels)


def right_way_round(picture: Picture, *, clockwise: int, mirrored: bool) -> Picture:
    """The picture turned by 0, 90, 180 or 270 degrees clockwise, and then, if it is a mirror image, left and right exchanged."""
    pixels = np.rot90(picture.pixels, -clockwise // 90)
    pixels = np.ascontiguousarray(pixels[:, ::-1] if mirrored else pixels)
    pixels.setflags(write=False)
    return replace(picture, pixels=pixels)


def shortcomings(picture: Picture, *, focal_known: bool = False) -> list[str]:
    """List what makes measuring this file less accurate, or should be known before keeping it, one line each.

    `focal_known`: the focal length is typed in, or stands in its marks.
    """
    long_side = max(picture.width, picture.height)
    size = f"{picture.width} x {picture.height} pixels"
    lines = []
    if long_side < SMALLEST_LONG_SIDE:
        lines.append(f"too small: {size}; ask for the full-size file, at least {SMALLEST_LONG_SIDE} on the long side")
    if picture.quality is not None and picture.quality < LOWEST_QUALITY:
        lines.append(
            f"squeezed: JPEG quality about {picture.quality}; ask for the file itself, not through a messenger"
        )
    elif long_side in MESSENGER_SIDES and picture.focal_35mm is None:
        lines.append(f"squeezed: {size} is a size messengers shrink to; ask for the file itself")
    why = "its file says that it once had another shape" if picture.cropped else ""
    if not camera_shaped(picture.width, picture.height):
        why = f"{size} is not a camera's shape (4:3, 3:2, 16:9)"
    if why:
        lines.append(f"cropped: {why}, so the middle of the lens is not known; ask for the uncut file")
    if picture.width > picture.height:
        lines.append("wider than high: if the body lies on its side in it, say so on the page that shows its lines")
    if picture.made_smaller is not None:
        wide, high = picture.made_smaller
        lines.append(f"made smaller: it had {wide} x {high} pixels, more than is of use; {size} are kept")
    if picture.has_location:
        lines.append("location: the original holds where it was taken; nothing written here does")
    if picture.focal_35mm is None and not focal_known:
        lines.append(
            "no focal length: the file does not say it; say it if you know it (35 mm equivalent), with"
            " --focal of `photo read` or on the page of `photo mark`"
        )
    return lines


def camera_shaped(width: int, height: int) -> bool:
    """Whether a picture has a camera's aspect ratio."""
    return any(abs(_shape(width, height) / shape - 1) <= SAME_SHAPE for shape in CAMERA_SHAPES)


def _shape(width: int, height: int) -> float:
    """The long side over the short one."""
    return max(width, height) / min(width, height)


def check_same(picture: Picture, marks: Marks, path: Path) -> None:
    """Raise ProblemsFoundError unless the marks (in the file `path`) were made on this very picture."""
    if (marks.sha256, marks.width, marks.height) != (picture.sha256, picture.width, picture.height):
        hint = f"they were made on '{one_line(marks.file, 60)}', {marks.width} x {marks.height} pixels"
        raise stop("other-picture", "these marks belong to another picture", where=Where(shown_path(path)), hint=hint)
