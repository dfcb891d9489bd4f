"""Making a picture harmless: what it is is found out from its bytes, and only its pixels are kept. Pure."""

import io
import threading
from dataclasses import dataclass
from hashlib import sha256
from typing import Literal

from PIL import Image, ImageOps, UnidentifiedImageError
from pillow_heif import register_heif_opener

LONGEST_SIDE_PX = 1600
SMALL_SIDE_PX = 240
JPEG_QUALITY = 80
SHORTEST_SIDE_PX = 16

SIGNS: tuple[tuple[str, int, bytes], ...] = (
    ("JPEG", 0, b"\xff\xd8\xff"),
    ("PNG", 0, b"\x89PNG\r\n\x1a\n"),
    ("WEBP", 8, b"WEBPVP8"),
    *(("HEIF", 4, b"ftyp" + brand) for brand in (b"heic", b"heix", b"heim", b"heis", b"mif1")),
)
"""What a file of a kind has at a place: ISO/IEC 10918-1 (JPEG), W3C PNG, RFC 9649 (WebP), ISO/IEC 23008-12
(HEIF; the brands of single pictures, which is what phones write)."""

Why = Literal["not-a-picture", "too-many-pixels", "too-small", "broken"]
WORDS: dict[Why, str] = {
    "not-a-picture": "This is no JPEG, PNG, WebP or HEIC picture. Take the photo anew, or send it as JPEG.",
    "too-many-pixels": "This picture has too many pixels. Send it smaller.",
    "too-small": "This picture is too small to show anything. Send a larger one.",
    "broken": "This picture is damaged and cannot be read. Take it anew.",
}

register_heif_opener(thumbnails=False)
_one_at_a_time = threading.Lock()
"""A picture unpacked takes some hundred megabytes; several at once could take all there is."""


class NotUsable(ValueError):
    """A file that is not kept, and why."""

    def __init__(self, why: Why) -> None:
        super().__init__(WORDS[why])
        self.why = why


@dataclass(frozen=True, slots=True)
class Made:
    """A picture encoded anew: JPEG without any data beside its pixels."""

    content: bytes
    small: bytes
    width: int
    height: int
    hash: str
    """SHA-256 of the file as it was sent, in hex: its sender can tell it before the photo has arrived."""


def kind_of(data: bytes) -> str | None:
    """The format that the first bytes say; None for anything that is not taken."""
    for kind, at, sign in SIGNS:
        if data[at : at + len(sign)] == sign:
            return None if kind == "WEBP" and not data.startswith(b"RIFF") else kind
    return None


def harmless(data: bytes, most_pixels: int) -> Made:
    """Decode a picture and encode its pixels anew.

    Whatever else was in the file is gone: place, time, camera, comments, and anything appended or hidden that
    another program could read as a page or a script.

    Parameters
    ----------
    data
        The file as it was sent; its name and the type it claims play no part.
    most_pixels
        Largest width times height that is unpacked.

    Returns
    -------
    Made
        At most `LONGEST_SIDE_PX` a side, upright.

    Raises
    ------
    NotUsable
        When it is not a picture of a kind that is taken, is too large, too small, or damaged.
    """
    kind = kind_of(data)
    if kind is None:
        raise NotUsable("not-a-picture")
    with _one_at_a_time:
        try:
            return _made(data, kind, most_pixels)
        except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
            raise NotUsable("too-many-pixels") from error
        except UnidentifiedImageError as error:
            raise NotUsable("not-a-picture") from error
        except (OSError, SyntaxError, ValueError, EOFError, MemoryError) as error:
            if isinstance(error, NotUsable):
                raise
            # Pillow says with any of these that the inside of a file is not what its head promises.
            raise NotUsable("broken") from error


def _made(data: bytes, kind: str, most_pixels: int) -> Made:
    with Image.open(io.BytesIO(data), formats=(kind,)) as opened:
        if opened.width * opened.height > most_pixels:
            raise NotUsable("too-many-pixels")
        if min(opened.size) < SHORTEST_SIDE_PX:
            raise NotUsable("too-small")
        opened.draft("RGB", (LONGEST_SIDE_PX, LONGEST_SIDE_PX))  # a large JPEG is unpacked smaller at once
        upright = ImageOps.exif_transpose(opened)
        picture = _on_white(upright)
    picture.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX), Image.Resampling.LANCZOS)
    small = picture.copy()
    small.thumbnail((SMALL_SIDE_PX, SMALL_SIDE_PX), Image.Resampling.LANCZOS)
    return Made(_jpeg(picture), _jpeg(small), picture.width, picture.height, sha256(data).hexdigest())


def _on_white(picture: Image.Image) -> Image.Image:
    """The picture in plain colours. Built from pixels alone: nothing else of the file comes along."""
    if picture.mode in ("RGBA", "LA", "PA", "P"):
        layered = picture.convert("RGBA")
        ground = Image.new("RGB", layered.size, "white")
        ground.paste(layered, mask=layered.getchannel("A"))
        return ground
    bare = Image.new("RGB", picture.size)
    bare.paste(picture.convert("RGB"))
    return bare


def _jpeg(picture: Image.Image) -> bytes:
    written = io.BytesIO()
    picture.save(written, "JPEG", quality=JPEG_QUALITY, optimize=True, progressive=True)
    return written.getvalue()
