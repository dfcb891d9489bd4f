"""How answers leave: with a mark of their content, and compressed where there is little signal. By Brotli
where the reader's program takes it (browsers say so over https and on the same machine), else by gzip.
"""

from __future__ import annotations

import gzip
import hashlib
from typing import Literal

import brotli

How = Literal["br", "gzip", "identity"]
QUICK, THOROUGH = {"br": 5, "gzip": 6}, {"br": 11, "gzip": 9}
"""Levels for what is sent once or twice, and for what is made once and sent for months."""


def accepted(header: str) -> How:
    """The best of what an `Accept-Encoding` header takes. "identity" where it names neither."""
    taken = {}
    for part in header.lower().split(","):
        name, _, weight = part.partition(";")
        taken[name.strip()] = weight.replace(" ", "") not in ("q=0", "q=0.0", "q=0.00", "q=0.000")
    if taken.get("br"):
        return "br"
    return "gzip" if taken.get("gzip") else "identity"


def compressed(plain: bytes, how: How, *, thorough: bool = False) -> bytes:
    """The bytes as they go over the wire; the same for the same input."""
    levels = THOROUGH if thorough else QUICK
    if how == "br":
        return bytes(brotli.compress(plain, quality=levels["br"]))
    return gzip.compress(plain, levels["gzip"], mtime=0) if how == "gzip" else plain


def mark_of(body: bytes) -> str:
    """A mark of content, as an entity tag; the same however the content is packed."""
    return f'"{hashlib.sha256(body).hexdigest()[:24]}"'


class Packed:
    """Bytes with their compressed forms, each made when it is first asked for. Safe from any thread: two that
    ask at once make the same.
    """

    def __init__(self, plain: bytes, *, thorough: bool = False) -> None:
        self.plain = plain
        self._thorough = thorough
        self._made: dict[How, bytes] = {"identity": plain}

    def sent(self, accept_encoding: str) -> tuple[bytes, dict[str, str]]:
        """The bytes for a reader that takes these encodings, and the headers that say how they are packed."""
        how = accepted(accept_encoding)
        made = self._made.get(how)
        if made is None:
            made = self._made[how] = compressed(self.plain, how, thorough=self._thorough)
        return made, {} if how == "identity" else {"Content-Encoding": how}
