"""Pictures as phones and their enemies make them."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
from PIL import Image

ORIENTATION, MAKE, GPS = 0x0112, 0x010F, 0x8825


def jpeg(width: int = 40, height: int = 30, *, orientation: int | None = None, noise: bool = False) -> bytes:
    """Red on the left, blue on the right; with `orientation`, of a phone that says where it was."""
    if noise:
        pixels = np.random.default_rng(1).integers(0, 256, (height, width, 3), dtype=np.uint8)
    else:
        pixels = np.zeros((height, width, 3), dtype=np.uint8)
        pixels[:, : width // 2, 0] = pixels[:, width // 2 :, 2] = 255
    exif = Image.Exif()
    if orientation is not None:
        exif[ORIENTATION], exif[MAKE] = orientation, "A Camera Of Mine"
        exif.get_ifd(GPS).update({1: "N", 2: (38.0, 42.0, 1.0), 3: "W", 4: (9.0, 8.0, 2.0)})
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=95, exif=exif)
    return out.getvalue()


def png(width: int = 20, height: int = 20) -> bytes:
    """Half of it clear."""
    made = Image.new("RGBA", (width, height), (200, 100, 50, 255))
    made.paste((0, 0, 0, 0), (0, 0, width // 2, height))
    out = io.BytesIO()
    made.save(out, "PNG")
    return out.getvalue()


def png_bomb(width: int, height: int) -> bytes:
    """A few bytes that say they are this large, and unpack to as much as they like."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    packed = zlib.compress(bytes(10_000_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
