"""Photos are made harmless: only pixels are kept, whatever the file claims or hides."""

import hashlib
import io

import pytest
from PIL import Image

from api.photos.rules import LONGEST_SIDE_PX, SMALL_SIDE_PX, NotUsable, harmless, kind_of
from tests.photos import pictures

pytestmark = pytest.mark.one_database
MOST = 50_000_000


def opened(data: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(data))
    picture.load()
    return picture


@pytest.mark.parametrize("data", [pictures.jpeg(), pictures.png(), pictures.webp(), pictures.heic()])
def test_every_kind_taken_becomes_a_jpeg_of_the_same_size(data: bytes) -> None:
    made = harmless(data, MOST)
    kept = opened(made.content)
    assert (kept.format, kept.size, (made.width, made.height)) == ("JPEG", (400, 300), (400, 300))


def test_a_large_photo_is_made_smaller_in_its_proportions() -> None:
    made = harmless(pictures.jpeg(4000, 3000), MOST)
    assert (made.width, made.height) == (LONGEST_SIDE_PX, 1200)
    assert max(opened(made.small).size) == SMALL_SIDE_PX


def test_place_time_camera_and_comment_are_gone_and_the_photo_stands_upright() -> None:
    sent = pictures.located_jpeg()
    before = opened(sent)
    assert before.getexif().get_ifd(pictures.GPS), "the sent photo is meant to carry a place"
    for data in (harmless(sent, MOST).content, harmless(sent, MOST).small):
        kept = opened(data)
        assert dict(kept.getexif()) == {}
        assert not {"exif", "comment", "icc_profile", "photoshop", "xmp"} & set(kept.info)
        for trace in (b"Exif", b"GPS", b"Made-up camera", b"2026:08:20", b"<script"):
            assert trace not in data
        # A quarter turn clockwise brings the black left half to the top.
        assert kept.size[0] < kept.size[1]
        assert kept.getpixel((kept.width // 2, 5))[0] < 40
        assert kept.getpixel((kept.width // 2, kept.height - 5))[0] > 215


@pytest.mark.parametrize("name", pictures.NO_PICTURES)
def test_what_is_no_picture_is_refused(name: str) -> None:
    with pytest.raises(NotUsable) as refused:
        harmless(pictures.NO_PICTURES[name], MOST)
    assert refused.value.why in ("not-a-picture", "broken")


@pytest.mark.parametrize("name", pictures.POLYGLOTS)
def test_of_a_file_that_is_two_things_only_the_picture_is_kept(name: str) -> None:
    made = harmless(pictures.POLYGLOTS[name], MOST)
    for data in (made.content, made.small):
        assert data.startswith(b"\xff\xd8\xff")
        assert data.endswith(b"\xff\xd9")
        for trace in (b"<script", b"<!doctype", b"PK\x03\x04"):
            assert trace not in data


def test_a_bomb_is_refused_before_it_is_unpacked() -> None:
    with pytest.raises(NotUsable) as refused:
        harmless(pictures.bomb_png(), MOST)
    assert refused.value.why == "too-many-pixels"


def test_the_limit_of_pixels_is_the_installations_own() -> None:
    assert harmless(pictures.png(500, 400), 200_000).width == 500
    with pytest.raises(NotUsable) as refused:
        harmless(pictures.png(500, 401), 200_000)
    assert refused.value.why == "too-many-pixels"


def test_a_speck_shows_nothing() -> None:
    with pytest.raises(NotUsable) as refused:
        harmless(pictures.png(15, 400), MOST)
    assert refused.value.why == "too-small"


def test_what_is_see_through_lies_on_white() -> None:
    clear = pictures.encoded("PNG", Image.new("RGBA", (40, 40), (255, 0, 0, 0)))
    assert opened(harmless(clear, MOST).content).getpixel((20, 20)) == (255, 255, 255)


def test_a_photo_is_named_by_the_bytes_its_sender_has() -> None:
    sent = pictures.located_jpeg()
    assert harmless(sent, MOST).hash == hashlib.sha256(sent).hexdigest()


def test_the_type_is_read_from_the_bytes() -> None:
    assert [kind_of(data) for data in (pictures.jpeg(), pictures.png(), pictures.webp())] == [
        "JPEG",
        "PNG",
        "WEBP",
    ]
    assert kind_of(pictures.heic()) == "HEIF"
    assert kind_of(pictures.SVG) is None
