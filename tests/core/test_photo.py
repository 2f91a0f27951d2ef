"""What comes from a camera, or from somebody who means harm: kept small, upright and bare, or refused in a sentence."""

from __future__ import annotations

import io
import tracemalloc
from pathlib import Path

import pytest
from PIL import Image

from curewatch.intake.files.photo import SIDE_PX, picture_of, read_photo
from curewatch.records.errors import InputError
from curewatch.records.workshop import PHOTO_MOST_BYTES
from tests.core.pictures import jpeg, png, png_bomb


def shown(content: bytes) -> Image.Image:
    return Image.open(io.BytesIO(picture_of(content, "photo.jpg").jpeg))


def test_place_and_camera_go_and_it_is_upright() -> None:
    """Orientation 6: the camera was turned a quarter to the right (Exif 2.32, table 6), so left lies at the top."""
    sent = jpeg(1000, 600, orientation=6)
    assert b"A Camera Of Mine" in sent
    kept = shown(sent)
    assert kept.size == (600, 1000)
    assert not kept.getexif()
    assert "icc_profile" not in kept.info
    assert b"Camera" not in picture_of(sent, "photo.jpg").jpeg
    top, bottom = kept.convert("RGB").getpixel((300, 50)), kept.convert("RGB").getpixel((300, 950))
    assert top[0] > 200 > 50 > top[2]
    assert bottom[2] > 200 > 50 > bottom[0]


@pytest.mark.parametrize("content", [jpeg(4000, 3000), jpeg(3000, 2400, noise=True), jpeg(1, 1), jpeg(3000, 20)])
def test_whatever_its_size_it_is_small_and_in_its_proportions(content: bytes) -> None:
    kept, sent = picture_of(content, "photo.jpg"), Image.open(io.BytesIO(content))
    assert len(kept.jpeg) <= PHOTO_MOST_BYTES
    assert max(kept.width_px, kept.height_px) <= SIDE_PX
    assert (kept.width_px, kept.height_px) == Image.open(io.BytesIO(kept.jpeg)).size
    assert kept.width_px / kept.height_px == pytest.approx(sent.width / sent.height, rel=0.1)


def test_what_shines_through_is_white() -> None:
    kept = shown(png()).convert("RGB")
    assert min(kept.getpixel((2, 10))) > 240
    assert kept.getpixel((18, 10))[0] == pytest.approx(200, abs=12)


@pytest.mark.parametrize("size", [(60_000, 60_000), (2_000_000, 100), (1_000_000_000, 1)])
def test_a_bomb_is_refused_by_what_it_says_before_it_is_unpacked(size: tuple[int, int]) -> None:
    tracemalloc.start()
    with pytest.raises(InputError, match=r"million pixels|is broken|none of these"):
        picture_of(png_bomb(*size), "bomb.png")
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 20_000_000


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "none of these"),
        (b"hello", "none of these"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>", "none of these"),
        (b"GIF89a" + bytes(200), "none of these"),
        (b"\0\0\0\x18ftypheic" + bytes(200), 'HEIC: choose JPEG, or "most compatible", under the camera\'s formats'),
        (jpeg()[:200], "broken|none of these"),
        (png()[:-30], "broken"),
        (b"\xff\xd8\xff" + bytes(5000), "none of these|broken"),
    ],
)
def test_what_is_no_photo_is_refused_by_its_name(content: bytes, why: str) -> None:
    with pytest.raises(InputError, match=why) as refused:
        picture_of(content, "thing.jpg")
    assert "'thing.jpg'" in str(refused.value)
    assert "a photo as JPEG, PNG or WebP" in str(refused.value)


def test_cut_off_anywhere_it_is_refused_or_kept_but_never_a_flaw(tmp_path: Path) -> None:
    whole = jpeg(200, 150, noise=True)
    for end in range(0, len(whole), 997):
        try:
            picture_of(whole[:end], "photo.jpg")
        except InputError:
            continue
    with pytest.raises(InputError, match="cannot be read"):
        read_photo(tmp_path / "nowhere.jpg")
    (tmp_path / "here.jpg").write_bytes(whole)
    assert read_photo(tmp_path / "here.jpg").width_px == 200
