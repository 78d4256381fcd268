"""Edge: photos of others made into plain pictures: scaled, upright, without what a camera wrote beside them.

Where the photo was taken, when, by which phone: none of it belongs into a report. The picture is drawn anew, so that
nothing but its points comes along. A file that would take the memory of the bench computer is refused by its own head,
before it is unpacked.
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from verifyrig.files.foreign_file import FileKind, opened

if TYPE_CHECKING:
    from PIL import Image

KEPT_SIDE_PX = 2000
"""Longest side of a photo as it is kept: a serial on a label that fills a third of it can be read."""
PAGE_SIDE_PX = 1000
"""Longest side on a page: 85 mm at 300 dots an inch, the width of a column."""
MOST_PIXELS = 64_000_000
"""More would take over 250 MB to unpack; cameras of telephones write 12 to 50 million unless told otherwise."""
_FORMATS = ("JPEG", "PNG", "WEBP")
_QUALITY = 85  # of 100: no loss that an eye sees, a fifth of the bytes of 95 (common practice, no source)
_WHITE = (255, 255, 255)
# What decoders are known to raise for files that are not what they say.
_DECODER_FAULTS = (
    OSError, SyntaxError, ValueError, EOFError, IndexError, KeyError, TypeError, OverflowError, ZeroDivisionError,
    MemoryError, struct.error, zlib.error,
)  # fmt: skip


class UnfitPicture(ValueError):
    """The file is no picture that can be shown; the text says why in one clause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainPhoto:
    """A picture of ours: JPEG (ITU-T T.81) without metadata, its longest side as asked for at most."""

    data: bytes
    width_px: int
    height_px: int


def read_picture(path: Path, longest_px: int = KEPT_SIDE_PX, *, inside: Path | None = None) -> PlainPhoto:
    """Return a photo upright, scaled down where it is larger, and without metadata.

    Args:
        path: A JPEG, PNG or WebP file; of a moving picture the first image.
        longest_px: Longest side of the result.
        inside: Folder in which it must lie once all links are followed; anywhere if None.

    Raises:
        UnfitPicture: It is no picture, too large to unpack, cut short or damaged.
        OSError: It is not there, cannot be read, or is no file that is read (`foreign_file`).
    """
    with opened(path, FileKind.PHOTO, inside=inside) as file:
        return _made(file, longest_px)


def _made(file: IO[bytes], longest_px: int) -> PlainPhoto:
    from PIL import Image

    with warnings.catch_warnings():
        # What it warns of is refused below (a size), or of no matter to the picture (metadata that are damaged).
        warnings.simplefilter("ignore")
        try:
            image = Image.open(file, formats=_FORMATS)
        except Image.DecompressionBombError as error:
            raise UnfitPicture(_TOO_MANY) from error
        except _DECODER_FAULTS as error:
            raise UnfitPicture("it is no JPEG, PNG or WebP picture") from error
        if image.width * image.height > MOST_PIXELS:
            raise UnfitPicture(_TOO_MANY)
        try:
            return _drawn(image, longest_px)
        except Image.DecompressionBombError as error:
            raise UnfitPicture(_TOO_MANY) from error
        except _DECODER_FAULTS as error:
            raise UnfitPicture("the picture is cut short or damaged") from error


_TOO_MANY = f"it has more than {MOST_PIXELS // 1_000_000} million points"


def _drawn(image: Image.Image, longest_px: int) -> PlainPhoto:
    from PIL import Image

    image.draft("RGB", (longest_px, longest_px))  # a JPEG is unpacked at a fraction of its size where that is enough
    image.load()
    upright = _on_white(_upright(image))
    upright.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    # A new picture has nothing beside its points; the old one's comments would be written along.
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=_QUALITY)
    return PlainPhoto(data=out.getvalue(), width_px=plain.width, height_px=plain.height)


def _upright(image: Image.Image) -> Image.Image:
    """Return the picture turned as the camera says it was held (Exif 2.32, tag Orientation); as it is where it cannot
    be read.
    """
    from PIL import ImageOps

    try:
        return ImageOps.exif_transpose(image)
    except _DECODER_FAULTS:
        return image


def _on_white(image: Image.Image) -> Image.Image:
    """Return the picture in red, green and blue of sRGB; what is transparent becomes white."""
    from PIL import Image

    profile = image.info.get("icc_profile")
    if "A" in image.getbands() or "transparency" in image.info:
        seen = image.convert("RGBA")
        ground = Image.new("RGB", seen.size, _WHITE)
        ground.paste(seen, mask=seen.getchannel("A"))
        return ground
    plain = image.convert("RGB")
    return _in_srgb(plain, profile) if profile and image.mode == "RGB" else plain


def _in_srgb(image: Image.Image, profile: bytes) -> Image.Image:
    """Return the colours as they were meant; as they are where the profile cannot be used."""
    from PIL import ImageCms

    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        found = ImageCms.profileToProfile(image, own, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, *_DECODER_FAULTS):
        return image
    return image if found is None else found
