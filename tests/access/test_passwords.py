"""What is asked of a password, by NIST SP 800-63B (revision 4), section 3.1.1."""

from __future__ import annotations

import pytest
from pwdlib import PasswordHash

from api.access.passwords import COMMON, LONGEST, SHORTEST, Passwords, check_new, prepared
from api.errors import Invalid


@pytest.mark.parametrize(
    "password",
    [
        "seven slow marmots whistle",
        "correct but longer than most",
        "Übergang über den Grat 4",
        "氷河を渡る七人の登山者と犬",
        "     leading and trailing kept     ",
        "nodigitsorcapitalsatall",
        "x" * 0 + "pqowieurythgnvmc" * 16,
    ],
)
def test_any_long_unlikely_text_will_do(password: str) -> None:
    assert check_new(password) == prepared(password)


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("short", "It has 5 characters"),
        ("elevenchars", "It has 11 characters"),
        ("z9" * (LONGEST // 2) + "!", f"It has {LONGEST + 1} characters"),
        ("password1234", "tried first"),
        ("PassWord1234", "tried first"),
        ("aaaaaaaaaaaaaaaa", "tried first"),
        ("abababababababab", "tried first"),
        ("abcdefghijklmnop", "tried first"),
        ("987654321098765", "tried first"),
        ("qwertyuiopasdf", "tried first"),
        ("rimaye rimaye 1", "tried first"),
        ("Ada.Lovelace1", "tried first"),
        ("ada@ridge.example", "tried first"),
    ],
)
def test_what_is_guessed_first_is_refused_with_a_remedy(password: str, why: str) -> None:
    with pytest.raises(Invalid) as raised:
        check_new(password, ("Ada Lovelace", "ada@ridge.example"))
    problem = raised.value.fields[0]
    assert why in problem.message
    assert problem.remedy
    assert problem.shown()["value"] is None


def test_every_listed_password_long_enough_to_be_one_is_refused() -> None:
    long_enough = [word for word in COMMON if len(word) >= SHORTEST]
    assert len(long_enough) > 50
    for word in long_enough:
        with pytest.raises(Invalid):
            check_new(word.upper())


@pytest.mark.anyio
async def test_the_same_password_typed_on_another_keyboard_matches() -> None:
    passwords = Passwords()
    composed, decomposed = "über den Grat hinauf", "u\u0308ber den Grat hinauf"
    kept = await passwords.hash(check_new(composed))
    assert await passwords.matches(decomposed, kept)
    assert not await passwords.matches(composed + " ", kept)


@pytest.mark.anyio
async def test_hashes_are_argon2id_and_salted() -> None:
    passwords = Passwords()
    one, other = await passwords.hash("seven slow marmots"), await passwords.hash("seven slow marmots")
    # RFC 9106, section 4, second recommended option: 64 MiB, three passes, four lanes.
    assert one.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert one != other


@pytest.mark.anyio
async def test_an_account_that_is_not_there_costs_a_check_all_the_same() -> None:
    checked: list[str] = []

    class Watched(PasswordHash):
        def verify(self, password: str | bytes, hash: str | bytes) -> bool:
            checked.append(str(hash)[:10])
            return super().verify(password, hash)

    passwords = Passwords(Watched(PasswordHash.recommended().hashers))
    assert not await passwords.matches("seven slow marmots", None)
    assert checked == ["$argon2id$"]


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"
