"""Sealing: published vectors, and every changed byte is found."""

import json
from collections.abc import Iterator

import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from api.call.signing import Fault, check, key_id, opened, public_bytes, seal, signed_by
from api.journal.chain import canonical_json

# RFC 8032, section 7.1, Ed25519 tests 1 to 3: secret key, public key, message, signature.
RFC_8032 = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
)

# RFC 8785, section 3.2.2 to 3.2.4: the sample object and its canonical form.
RFC_8785_SAMPLE = (
    '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
    '"string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}'
)
RFC_8785_BYTES = bytes.fromhex(
    "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e"
    "756d62657273223a5b3333333333333333332e333333333333332c31652b3330"
    "2c342e352c302e3030322c31652d32375d2c22737472696e67223a22e282ac24"
    "5c75303030665c6e4127425c225c5c5c5c5c222f227d"
)
# RFC 8785, appendix B: IEEE 754 in hexadecimal, and how the number is written.
RFC_8785_NUMBERS = (
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
)

KEY = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC_8032[0][0]))
RECORD = {
    "about": {"trip": "a-trip", "called_by": "Mara", "called_at": "2026-07-14T04:30:00.000000Z"},
    "caution": "The final call rests with the guides.",
    "findings": [{"id": "ann.mitts", "value": -24.8, "title": "Ann: „keine“ Handschuhe – weg"}],
    "journal": {"seq": 12, "head_hash": "ab" * 32},
    "turnaround": None,
}


@pytest.mark.parametrize(("secret", "public", "message", "signature"), RFC_8032, ids=["1", "2", "3"])
def test_the_vectors_of_rfc_8032(secret: str, public: str, message: str, signature: str) -> None:
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert public_bytes(key).hex() == public
    assert key.sign(bytes.fromhex(message)).hex() == signature
    assert signed_by(bytes.fromhex(public), bytes.fromhex(signature), bytes.fromhex(message))
    assert not signed_by(bytes.fromhex(public), bytes.fromhex(signature), bytes.fromhex(message) + b"x")


def test_the_sample_of_rfc_8785() -> None:
    assert canonical_json(json.loads(RFC_8785_SAMPLE)).encode() == RFC_8785_BYTES


@pytest.mark.parametrize(("bits", "written"), RFC_8785_NUMBERS)
def test_the_numbers_of_rfc_8785(bits: str, written: str) -> None:
    import struct

    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert rfc8785.dumps(value).decode() == written


def test_a_sealed_record_is_good() -> None:
    sealed = seal(RECORD, KEY)
    members = opened(sealed.encode())
    assert isinstance(members, dict)
    assert check(members) == ()
    assert check(members, {RFC_8032[0][1]}) == ()
    assert members["key_id"] == key_id(bytes.fromhex(RFC_8032[0][1]))
    assert members["record"] == RECORD


def test_another_outfits_key_is_named() -> None:
    members = opened(seal(RECORD, KEY).encode())
    assert isinstance(members, dict)
    assert [fault.where for fault in check(members, {"00" * 32})] == ["public_key"]


def faults_of(text: bytes) -> tuple[Fault, ...]:
    members = opened(text)
    return (members,) if isinstance(members, Fault) else check(members)


def flips(text: bytes) -> Iterator[tuple[int, bytes]]:
    """The text with one bit changed, every bit of every byte."""
    for at in range(len(text)):
        for bit in range(8):
            yield at, text[:at] + bytes([text[at] ^ 1 << bit]) + text[at + 1 :]


def part_at(text: bytes, at: int) -> str | None:
    """The part of the record, or the member beside it, whose value a byte belongs to."""
    members = json.loads(text)
    found = {f"record.{name}": (name, part) for name, part in members.pop("record").items()}
    found |= {name: (name, part) for name, part in members.items()}
    for where, (name, part) in found.items():
        begins = text.index(f'"{name}":{canonical_json(part)}'.encode()) + len(name.encode()) + 3
        if begins <= at < begins + len(canonical_json(part).encode()):
            return where
    return None


def test_any_flipped_bit_of_any_byte_is_found_and_placed() -> None:
    text = seal(RECORD, KEY).encode()
    parts = [part_at(text, at) for at in range(len(text))]
    unfound, misplaced = [], []
    for at, changed in flips(text):
        faults = faults_of(changed)
        where = [fault.where for fault in faults]
        if not faults or not all(fault.where and fault.says for fault in faults):
            unfound.append(at)
        elif (
            (parts[at] or "").startswith("record.")
            and not where[0].startswith("byte")
            and where[0] != parts[at]
        ):
            misplaced.append((at, parts[at], where))
    assert unfound == []
    assert misplaced == []


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("Mara", "Mira", "record.about"),
        ("-24.8", "-14.8", "record.findings"),
        ('"seq":12', '"seq":13', "record.journal"),
        ("rests with", "rests WITH", "record.caution"),
        ('"turnaround":null', '"turnaround":true', "record.turnaround"),
    ],
)
def test_a_changed_part_is_named(old: str, new: str, where: str) -> None:
    text = seal(RECORD, KEY)
    assert text.count(old) == 1
    places = [fault.where for fault in faults_of(text.replace(old, new).encode())]
    assert where in places
    assert "signature" not in places[:1]


def test_what_is_no_sealed_record_is_said() -> None:
    for text, where in (
        (b"\xff", "byte 0"),
        (b"{", "byte 1"),
        (b"[]", "the file"),
        (b'{"format":1}', "key_id"),
        (seal(RECORD, KEY).encode() + b"\n", "byte"),
        (seal(RECORD, KEY).replace(":", ": ", 1).encode(), "byte 10"),
    ):
        fault = opened(text)
        assert isinstance(fault, Fault)
        assert where in fault.where


def test_a_part_that_is_taken_away_or_added_is_named() -> None:
    members = opened(seal(RECORD, KEY).encode())
    assert isinstance(members, dict)
    less = members | {"record": {k: v for k, v in members["record"].items() if k != "caution"}}
    more = members | {"record": members["record"] | {"extra": 1}}
    assert "record.caution" in [fault.where for fault in check(less)]
    assert "record.extra" in [fault.where for fault in check(more)]


_texts = st.text(st.characters(exclude_categories=["Cs"]))
# A record holds no numbers near 2**53: JSON writes such a float like an integer that cannot be kept.
_floats = st.floats(-1e12, 1e12, allow_nan=False)
_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**12), 10**12) | _floats | _texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_texts, inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=60)
@given(_values)
def test_whatever_is_sealed_can_be_opened(content: object) -> None:
    members = opened(seal({"content": content}, KEY).encode())
    assert isinstance(members, dict)
    assert check(members) == ()
    assert canonical_json(members["record"]["content"]) == canonical_json(content)
