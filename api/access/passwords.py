"""Passwords: what is asked of a new one, and how one is checked.

The rules follow NIST SP 800-63B: length instead of composition, no forced change, a list of what everybody
tries first, any character, and nothing cut off. Checking costs 64 MiB and a tenth of a second by design, so
only a few are checked at a time.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from itertools import pairwise
from typing import TYPE_CHECKING

import anyio

from api.errors import Invalid

if TYPE_CHECKING:
    from pwdlib import PasswordHash

SHORTEST = 12
LONGEST = 256
AT_A_TIME = 2
"""Checks at the same time: each holds 64 MiB."""

_COMMON = """
password password1 password12 password123 password1234 password12345 passwordpassword mypassword
mypassword1 mypassword123 thisismypassword changeme changeme123 changemenow changemeplease letmein
letmeinnow letmeinplease letmein123 welcome welcome123 welcome1234 welcomehome welcomeback iloveyou
iloveyou123 iloveyouforever iloveyousomuch administrator admin123 adminadmin adminadmin123
administrator1 qwertyuiop qwertyuiop123 qwertyuiopasdf qwerty123456 qwertyqwerty 1qaz2wsx3edc
1qaz2wsx3edc4rfv zaq12wsxcde3 1q2w3e4r5t6y 1q2w3e4r5t6y7u q1w2e3r4t5y6 asdfghjkl123 asdfghjklqwerty
zxcvbnmasdfgh abcdefghijkl abcdefghijklm abc123456789 a1b2c3d4e5f6 aa1234567890 trustno1trustno1
superman123456 batman123456 football1234 baseball1234 sunshine1234 princess1234 monkey123456
dragon123456 master123456 correcthorsebatterystaple mountain1234 mountains1234 mountaineer1
mountaineering everest8848 mounteverest climbing1234 climber12345 iloveclimbing ilovemountains
glacier12345 glacierglacier crevasse1234 crampons1234 summitsummit summitday123 guide1234567
mountainguide mountainguide1 leadguide123 expedition123 basecamp1234 basecampbasecamp
"""
COMMON = frozenset(_COMMON.split()) | {
    "correct horse battery staple",
    "let me in please",
    "this is my password",
}
"""What is tried first, twelve characters and more or grown to it. Written by hand, small on purpose."""

_ROWS = ("abcdefghijklmnopqrstuvwxyz", "01234567890123456789", "qwertyuiop", "asdfghjkl", "zxcvbnm")
_FEWEST_DIFFERENT = 5


def prepared(password: str) -> str:
    """The same text on every keyboard: Unicode in its composed form (NFKC), as SP 800-63B advises."""
    return unicodedata.normalize("NFKC", password)


def check_new(password: str, about: Iterable[str] = (), *, field: str = "password") -> str:
    """A new password, prepared. Raises Invalid when it is too short, too long or tried first.

    `about` are words of this account (name, address, outfit) that may not be most of it.
    """
    password = prepared(password)
    if len(password) < SHORTEST:
        raise Invalid.field(
            field,
            None,
            f"It has {len(password)} characters.",
            f"Use at least {SHORTEST}; a few words will do.",
        )
    if len(password) > LONGEST:
        raise Invalid.field(field, None, f"It has {len(password)} characters.", f"Use at most {LONGEST}.")
    plain = password.casefold().strip()
    if plain in COMMON or _rest(plain, ("rimaye", *about)) or _is_pattern(plain):
        raise Invalid.field(
            field,
            None,
            "It is among those that are tried first.",
            "Take several words that do not belong together.",
        )
    return password


def _rest(plain: str, about: Iterable[str]) -> bool:
    """Whether little is left of it once the words of the account are taken out."""
    words = {part for word in about for part in re.split(r"[^\w]+", word.casefold()) if len(part) >= 4}
    left = plain
    for word in sorted(words, key=len, reverse=True):
        left = left.replace(word, "")
    return left != plain and len(left) < SHORTEST // 2


def _is_pattern(plain: str) -> bool:
    """Few different characters, or a run along the alphabet, the digits or a row of keys."""
    if len(set(plain)) < _FEWEST_DIFFERENT:
        return True
    letters = re.sub(r"[\W_]", "", plain)
    half = len(plain) / 2
    return any(_longest_run(letters, row) > half for row in _ROWS for row in (row, row[::-1]))


def _longest_run(text: str, row: str) -> int:
    longest = run = 0
    for before, after in pairwise(text):
        run = run + 1 if before + after in row else 0
        longest = max(longest, run + 1 if run else 0)
    return longest


class Passwords:
    """Hashes and checks passwords, a few at a time and off the event loop."""

    def __init__(self, hasher: PasswordHash | None = None) -> None:
        if hasher is None:
            # Imported by those who sign in only.
            from pwdlib import PasswordHash

            hasher = PasswordHash.recommended()
        self._hasher = hasher
        self._limiter: anyio.CapacityLimiter | None = None
        self._nobody: str | None = None

    async def hash(self, password: str) -> str:
        """The hash that is kept. `password` comes from `check_new`."""
        return await anyio.to_thread.run_sync(self._hasher.hash, password, limiter=self._places())

    async def matches(self, password: str, kept: str | None) -> bool:
        """Whether `password` is the one. Takes as long when there is none, so that time tells nothing."""
        return await anyio.to_thread.run_sync(self._matches, password, kept, limiter=self._places())

    def _matches(self, password: str, kept: str | None) -> bool:
        password = prepared(password)[: LONGEST + 1]
        if self._nobody is None:
            self._nobody = self._hasher.hash("nobody has this password")
        if kept is None:
            self._hasher.verify(password, self._nobody)
            return False
        return self._hasher.verify(password, kept)

    def _places(self) -> anyio.CapacityLimiter:
        if self._limiter is None:
            self._limiter = anyio.CapacityLimiter(AT_A_TIME)
        return self._limiter
