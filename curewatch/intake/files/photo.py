"""What a phone's camera or a file gives, made into the picture that is kept: upright, small, and with nothing in it of
where, when and with what it was taken.

Anything may come in: no more is unpacked than a picture's header allows (a decompression bomb says in it how large it
is), only three formats are tried, and whatever the decoder makes of broken bytes ends as an InputError.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import NamedTuple

from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from curewatch.intake.files.input_file import read_whole
from curewatch.language import Message, phrase
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import PHOTO_MOST_BYTES, PhotoKind

MOST_IN = 25_000_000
"""A phone's largest pictures [bytes]."""
MOST_PIXELS = 120_000_000
"""The largest that a phone takes; as many bytes are held, three times over, while it is made small."""
SIDE_PX = 1600
QUALITIES = (86, 78, 68, 55, 40)
FORMATS = ("JPEG", "PNG", "WEBP")
WANTED = phrase("a photo as JPEG, PNG or WebP")
_HEIC = (b"heic", b"heix", b"heif", b"hevc", b"mif1", b"msf1", b"avif")
"""Brands of a file whose first box says `ftyp` (ISO/IEC 23008-12): what some phones take unless told otherwise. To
unpack it takes one more decoder of foreign bytes, where one setting of the phone does (common practice, no source)."""
_TAKE_JPEG = phrase(
    'which is HEIC: choose JPEG, or "most compatible", under the camera\'s formats on the phone, or send it as JPEG'
)


class Picture(NamedTuple):
    """A picture as it is kept."""

    jpeg: bytes
    width_px: int
    height_px: int


def parse_photo_kind(text: str) -> PhotoKind:
    """What it shows, in a word."""
    word = text.strip().casefold()
    if word not in list(PhotoKind):
        raise InputError(Field.SHOWS, text, phrase("one of {names}", names=", ".join(PhotoKind)))
    return PhotoKind(word)


def read_photo(path: str | Path) -> Picture:
    """The one in the file at `path`. InputError where it is none that can be taken."""
    return picture_of(read_whole(path, MOST_IN, wanted=WANTED, field=Field.FILE), str(path))


def picture_of(content: bytes, name: str) -> Picture:
    """What `content` shows; `name` is what it is called in what is said of it."""
    if len(content) > MOST_IN:
        raise InputError(Field.FILE, name, phrase("a photo of at most {n} MB", n=MOST_IN // 1_000_000))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of sizes, which are looked at here, and of metadata, which goes
            return _kept(content, name)
    except InputError:
        raise
    except Image.DecompressionBombError:
        raise _too_large(name, phrase("which has far more")) from None
    except UnidentifiedImageError:
        why = _TAKE_JPEG if content[4:8] == b"ftyp" and content[8:12] in _HEIC else phrase("which is none of these")
        raise InputError(Field.FILE, name, WANTED, why) from None
    except Exception as error:  # decoders document none of what broken bytes make them raise
        raise InputError(
            Field.FILE, name, WANTED, phrase("which is broken ({name})", name=type(error).__name__)
        ) from None


def _kept(content: bytes, name: str) -> Picture:
    with Image.open(io.BytesIO(content), formats=FORMATS) as found:
        if found.width * found.height > MOST_PIXELS:
            raise _too_large(name, phrase("which has {width} x {height}", width=found.width, height=found.height))
        found.draft("RGB", (SIDE_PX, SIDE_PX))  # a JPEG is unpacked no larger than twice what is kept
        found.load()
        small = ImageOps.exif_transpose(found)
        profile = found.info.get("icc_profile")
    small.thumbnail((SIDE_PX, SIDE_PX))
    plain = _in_srgb(_on_white(small), profile)
    for quality in QUALITIES:
        out = io.BytesIO()
        plain.save(out, "JPEG", quality=quality, optimize=True)
        if out.tell() <= PHOTO_MOST_BYTES:
            return Picture(out.getvalue(), plain.width, plain.height)
    half = plain.resize((max(1, plain.width // 2), max(1, plain.height // 2)))  # noise, which nothing packs
    out = io.BytesIO()
    half.save(out, "JPEG", quality=QUALITIES[-1], optimize=True)
    return Picture(out.getvalue(), half.width, half.height)


def _too_large(name: str, why: Message) -> InputError:
    return InputError(
        Field.FILE, name, phrase("a photo of at most {n} million pixels", n=MOST_PIXELS // 1_000_000), why
    )


def _on_white(image: Image.Image) -> Image.Image:
    """Without what shines through, and without all that the image carries beside its pixels."""
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        clear = image.convert("RGBA")
        image = Image.new("RGBA", clear.size, "white")
        image.alpha_composite(clear)
    plain = image.convert("RGB")
    bare = Image.new("RGB", plain.size)
    bare.paste(plain)
    return bare


def _in_srgb(image: Image.Image, profile: bytes | None) -> Image.Image:
    """Colours as every screen takes them: a phone's own are wider. A profile that cannot be read is left out."""
    if not profile:
        return image
    try:
        theirs = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        made = ImageCms.profileToProfile(image, theirs, ImageCms.createProfile("sRGB"), outputMode="RGB")
    except (ImageCms.PyCMSError, OSError, ValueError):
        return image
    return image if made is None else _on_white(made)
