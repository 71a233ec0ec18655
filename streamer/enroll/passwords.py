"""Random passwords, and their hashes in the form of Mosquitto's password file.

The form, `$7$ITERATIONS$SALT$HASH` with PBKDF2 (RFC 8018) over HMAC-SHA-512, a salt of 12 bytes and
a hash of 64, is that of mosquitto_passwd 2.0.11 (its output was looked at; the test lets the real
broker judge). It makes 101 rounds by default and so do we: more would protect a password that
somebody has thought up, not one of 256 random bits, and each round is the broker's time when all
gateways come back at once.
"""

import base64
import hashlib
import secrets
from typing import Final

PASSPHRASE_VARIABLE: Final = "STREAMER_CA_PASSPHRASE"  # nosec B105 # a variable's name
"""Encrypts the authority's key."""
_ROUNDS: Final = 101
_SALT_BYTES: Final = 12
_HASH_BYTES: Final = 64


def new_password() -> str:
    """256 random bits, in 43 characters of A-Z, a-z, 0-9, - and _."""
    return secrets.token_urlsafe(32)


def hashed(password: str, salt: bytes | None = None) -> str:
    """A password as it stands behind `NAME:` in the password file. `salt` is for tests."""
    salt = salt or secrets.token_bytes(_SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS, _HASH_BYTES)
    return f"$7${_ROUNDS}${_base64(salt)}${_base64(digest)}"


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
