"""Compressed answers: the same bytes after unpacking, in the best way that the reader takes."""

from __future__ import annotations

import gzip

import brotli
import pytest

from api.main import create_app
from api.packing import Packed, accepted, compressed
from api.settings import Settings
from tests.support.client import IsolatedTestClient
from web.site import STATIC, static_url

TEXT = ("Backup mitts: a further dry pair in a bag of its own. " * 40).encode()


@pytest.mark.parametrize(
    ("header", "how"),
    [
        ("", "identity"),
        ("gzip, deflate, br, zstd", "br"),
        ("gzip, deflate", "gzip"),
        ("GZIP;q=0.5", "gzip"),
        ("br;q=0, gzip", "gzip"),
        ("br; q=0.0, gzip;q=0", "identity"),
        ("deflate, identity", "identity"),
        ("brotli-of-another-kind", "identity"),
    ],
)
def test_the_best_of_what_is_taken(header: str, how: str) -> None:
    """Weights of nought refuse: RFC 9110, 12.4.2 and 12.5.3."""
    assert accepted(header) == how


@pytest.mark.parametrize("thorough", [False, True])
def test_unpacked_it_is_the_same(thorough: bool) -> None:
    packed = Packed(TEXT, thorough=thorough)
    body, headers = packed.sent("br")
    assert headers == {"Content-Encoding": "br"}
    assert brotli.decompress(body) == TEXT
    body, headers = packed.sent("gzip")
    assert headers == {"Content-Encoding": "gzip"}
    assert gzip.decompress(body) == TEXT
    assert packed.sent("deflate") == (TEXT, {})


def test_the_same_comes_of_the_same() -> None:
    assert compressed(TEXT, "gzip") == compressed(TEXT, "gzip")
    assert len(compressed(TEXT, "br", thorough=True)) <= len(compressed(TEXT, "br"))


@pytest.mark.one_database
def test_files_of_pages_leave_compressed(settings: Settings) -> None:
    with IsolatedTestClient(create_app(settings)) as client:
        address, plain = static_url("style.css"), (STATIC / "style.css").read_bytes()
        for how, unpack in (("br", brotli.decompress), ("gzip", gzip.decompress), ("identity", bytes)):
            with client.stream("GET", address, headers={"Accept-Encoding": how}) as answer:
                raw = b"".join(answer.iter_raw())
            assert unpack(raw) == plain
            assert answer.headers.get("content-encoding", "identity") == how
            assert answer.headers["vary"] == "Accept-Encoding"
            assert "immutable" in answer.headers["cache-control"]
        known = client.get(address, headers={"If-None-Match": answer.headers["etag"]})
        assert known.status_code == 304
        part = client.get(address, headers={"Range": "bytes=0-3", "Accept-Encoding": "br"})
        assert (part.status_code, part.content) == (206, plain[:4])
        assert client.head(address).headers["content-type"].startswith("text/css")
