"""A passkey device in software: makes a key pair for a site and signs its challenges (WebAuthn Level 3)."""

from __future__ import annotations

import hashlib
import json
import secrets
from dataclasses import dataclass, field
from typing import Any

import cbor2
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from webauthn.helpers import base64url_to_bytes, bytes_to_base64url

PRESENT, VERIFIED, ATTESTED = 0x01, 0x04, 0x40


@dataclass
class Authenticator:
    """One passkey for one site."""

    origin: str
    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))
    id: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    count: int = 0
    user: str = ""
    flags: int = PRESENT | VERIFIED

    def create(self, options: dict[str, Any]) -> dict[str, Any]:
        """The answer to the options for a new passkey."""
        self.user = options["user"]["id"]
        attested = bytes(16) + len(self.id).to_bytes(2, "big") + self.id + self._public_key()
        data = self._data(options["rp"]["id"], self.flags | ATTESTED) + attested
        attestation = cbor2.dumps({"fmt": "none", "attStmt": {}, "authData": data})
        return self._answer(
            {
                "clientDataJSON": self._client("webauthn.create", options["challenge"]),
                "attestationObject": attestation,
            }
        )

    def get(self, options: dict[str, Any]) -> dict[str, Any]:
        """The answer to the options for signing in."""
        self.count += 1
        client = self._client("webauthn.get", options["challenge"])
        data = self._data(options["rpId"], self.flags)
        signature = self.key.sign(data + hashlib.sha256(client).digest(), ec.ECDSA(hashes.SHA256()))
        parts = {"clientDataJSON": client, "authenticatorData": data, "signature": signature}
        return self._answer(parts | {"userHandle": base64url_to_bytes(self.user)})

    def _answer(self, parts: dict[str, bytes]) -> dict[str, Any]:
        name = bytes_to_base64url(self.id)
        response = {key: bytes_to_base64url(value) for key, value in parts.items()}
        return {"id": name, "rawId": name, "type": "public-key", "response": response}

    def _client(self, kind: str, challenge: str) -> bytes:
        said = {"type": kind, "challenge": challenge, "origin": self.origin, "crossOrigin": False}
        return json.dumps(said).encode()

    def _data(self, site: str, flags: int) -> bytes:
        return hashlib.sha256(site.encode()).digest() + bytes([flags]) + self.count.to_bytes(4, "big")

    def _public_key(self) -> bytes:
        numbers = self.key.public_key().public_numbers()
        x, y = numbers.x.to_bytes(32, "big"), numbers.y.to_bytes(32, "big")
        # COSE (RFC 9053): key type EC2, algorithm ES256, curve P-256.
        return cbor2.dumps({1: 2, 3: -7, -1: 1, -2: x, -3: y})
