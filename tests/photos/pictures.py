"""Pictures made for tests: good ones, and files that pretend to be pictures."""

import io
import struct
import zlib

from PIL import Image
from pillow_heif import register_heif_opener

register_heif_opener()

GPS, EXIF = 0x8825, 0x8769


def jpeg(width: int = 400, height: int = 300, **options: object) -> bytes:
    return encoded("JPEG", Image.new("RGB", (width, height), (180, 40, 40)), **options)


def png(width: int = 400, height: int = 300) -> bytes:
    return encoded("PNG", Image.new("RGB", (width, height), (40, 180, 40)))


def webp(width: int = 400, height: int = 300) -> bytes:
    return encoded("WEBP", Image.new("RGB", (width, height), (40, 40, 180)))


def heic(width: int = 400, height: int = 300) -> bytes:
    """As phones write by themselves."""
    return encoded("HEIF", Image.new("RGB", (width, height), (90, 90, 90)))


def located_jpeg_of(width: int, height: int) -> bytes:
    """A large photo with a place."""
    exif = Image.Exif()
    exif.get_ifd(GPS).update({1: "N", 2: (41.0, 51.0, 36.0)})
    return encoded("JPEG", Image.effect_noise((width, height), 60).convert("RGB"), exif=exif)


def encoded(kind: str, picture: Image.Image, **options: object) -> bytes:
    written = io.BytesIO()
    picture.save(written, kind, **options)
    return written.getvalue()


def located_jpeg() -> bytes:
    """A photo as a phone takes it: place, time, camera, a comment, and turned by a quarter."""
    picture = Image.new("RGB", (400, 200), "white")
    picture.paste((0, 0, 0), (0, 0, 200, 200))  # the left half is black
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned a quarter clockwise for looking at
    exif[0x0110] = "Made-up camera"
    exif.get_ifd(EXIF)[0x9003] = "2026:08:20 10:00:00"
    exif.get_ifd(GPS).update({1: "N", 2: (41.0, 51.0, 36.0), 3: "E", 4: (77.0, 55.0, 12.0)})
    return encoded("JPEG", picture, exif=exif, comment=b"<script>alert(1)</script>")


def bomb_png(width: int = 60_000, height: int = 60_000) -> bytes:
    """A PNG of a few bytes whose head promises thousands of millions of pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"\x00" * 10_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


HTML = b"<!doctype html><script>alert(document.cookie)</script>"
SVG = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'

NO_PICTURES = {
    "html": HTML,
    "svg": SVG,
    "xml-svg": b'<?xml version="1.0"?>' + SVG,
    "gif": b"GIF89a" + b"\x01\x00\x01\x00\x00\x00\x00;",
    "pdf": b"%PDF-1.7\n1 0 obj\n",
    "zip": b"PK\x03\x04" + b"\x00" * 40,
    "riff-that-is-sound": b"RIFF\x24\x00\x00\x00WAVEfmt " + b"\x00" * 24,
    "webp-without-riff": b"XXXX\x24\x00\x00\x00WEBPVP8 " + b"\x00" * 24,
    "empty-jpeg": b"\xff\xd8\xff",
    "jpeg-head-before-html": b"\xff\xd8\xff\xe0" + HTML,
    "png-head-before-html": b"\x89PNG\r\n\x1a\n" + HTML,
    "half-a-jpeg": jpeg(800, 600)[:400],
}
"""Files that are no pictures, or pretend to be."""

POLYGLOTS = {
    "jpeg-then-html": jpeg() + HTML,
    "jpeg-with-html-in-a-comment": jpeg(comment=HTML),
    "png-then-zip": png() + b"PK\x03\x04payload",
    "webp-then-html": webp() + HTML,
}
"""Real pictures that are something else as well."""
