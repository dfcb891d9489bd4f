"""Sealing: only the right key opens, for the right person, unchanged; master keys in file and setting."""

import base64
import stat
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from api.nights.sealing import (
    KEY_FILE,
    PADDED_TO,
    CannotOpen,
    MasterKey,
    bound,
    keyring,
    new_key,
    open_sealed,
    seal,
)
from api.settings import Settings

HERE = bound("trip", "mara", "k1")


@pytest.mark.parametrize(
    "text", [b"", b"x", b"\x80\x00\x00", "Kopfweh, 頭痛".encode(), b"y" * (PADDED_TO - 1)]
)
def test_what_is_sealed_comes_back(text: bytes) -> None:
    key = new_key()
    assert open_sealed(key, seal(key, text, HERE), HERE) == text


def test_it_is_aes_gcm_as_another_reader_would_open_it() -> None:
    """NIST SP 800-38D, by the library alone: 12 bytes of nonce, then cipher text and tag."""
    key = new_key()
    raw = base64.b64decode(seal(key, b"a note", HERE))
    assert AESGCM(key).decrypt(raw[:12], raw[12:], HERE.encode()).startswith(b"a note\x80")


def test_the_length_does_not_tell_what_it_is() -> None:
    key = new_key()
    assert len({len(seal(key, b"z" * n, HERE)) for n in (0, 1, 80, 300, PADDED_TO - 1)}) == 1


def test_twice_the_same_is_never_the_same() -> None:
    key = new_key()
    assert seal(key, b"same", HERE) != seal(key, b"same", HERE)


@pytest.mark.parametrize("elsewhere", [bound("other", "mara", "k1"), bound("trip", "tobin", "k1")])
def test_a_note_cannot_be_passed_off_as_anothers(elsewhere: str) -> None:
    key = new_key()
    with pytest.raises(CannotOpen):
        open_sealed(key, seal(key, b"a note", HERE), elsewhere)


def test_another_key_and_a_changed_note_are_refused() -> None:
    key = new_key()
    sealed = seal(key, b"a note", HERE)
    with pytest.raises(CannotOpen):
        open_sealed(new_key(), sealed, HERE)
    raw = bytearray(base64.b64decode(sealed))
    raw[20] ^= 1
    for wrong in (base64.b64encode(raw).decode(), "not base64!", ""):
        with pytest.raises(CannotOpen):
            open_sealed(key, wrong, HERE)


class TestMasterKeys:
    def test_one_is_made_for_the_owner_alone_and_told(self, tmp_path: Path) -> None:
        settings = Settings(data_dir=tmp_path / "data")
        made, told = keyring(settings)
        file = tmp_path / "data" / KEY_FILE
        assert told is True
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        again, told_again = keyring(settings)
        assert (again, told_again) == (made, False)
        assert [path.name for path in file.parent.iterdir()] == [KEY_FILE]

    def test_keys_of_the_setting_are_used_in_order(self, tmp_path: Path) -> None:
        keys = [base64.b64encode(new_key()).decode() for _ in range(2)]
        ring, told = keyring(Settings(data_dir=tmp_path / "data", health_key=",".join(keys)))
        assert told is False
        assert ring.current == MasterKey(base64.b64decode(keys[0]))
        assert ring.of(MasterKey(base64.b64decode(keys[1])).id)
        assert not (tmp_path / "data").exists()

    @pytest.mark.parametrize("wrong", ["short", base64.b64encode(b"x" * 31).decode(), "!" * 44])
    def test_what_is_no_key_is_refused_without_being_shown(self, tmp_path: Path, wrong: str) -> None:
        with pytest.raises(CannotOpen, match="RIMAYE_HEALTH_KEY holds something that is no key") as raised:
            keyring(Settings(data_dir=tmp_path, health_key=wrong))
        assert wrong not in str(raised.value)

    def test_a_key_does_not_show_itself(self) -> None:
        key = MasterKey(new_key())
        assert base64.b64encode(key.secret).decode() not in repr(key)
        assert repr(key.secret) not in repr(key)
