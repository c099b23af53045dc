"""Slips that a passphrase opens: what a practice holds, it cannot read alone.

Every slip is encrypted by itself under a passphrase that is printed inside an opaque, numbered envelope. Beside it
stands its commitment, a digest of what it says and of a nonce that lies inside it: once opened, anybody who has the
published commitments sees that it says what it said when the list was drawn.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Mapping
from typing import Any

from onsetstudy.core.canonical import digest_of_content
from onsetstudy.core.errors import DesignError

ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Without 0, 1, I and O, which are read for one another: 32 signs, 5 bits each."""
LETTERS = 16
GROUP = 4
KDF = {"name": "scrypt", "n": 2**12, "r": 8, "p": 1}
"""Eighty bits of chance need no stretching; this is against a passphrase of which part was seen."""
MOST_N = 2**17
PADDED = 256
NONCE_BYTES = 12


def passphrase_of(secret: bytes, slip: str) -> str:
    """Passphrase of a slip: 80 bits in four groups of four, ``7KQ2-M9XA-…``."""
    bits = int.from_bytes(_derived(secret, "passphrase", slip), "big")
    letters = "".join(ALPHABET[(bits >> (5 * k)) & 31] for k in range(LETTERS))
    return "-".join(letters[k : k + GROUP] for k in range(0, LETTERS, GROUP))


def _derived(secret: bytes, what: str, slip: str) -> bytes:
    return hmac.new(secret, f"{what}\n{slip}".encode(), hashlib.sha256).digest()


def plain_passphrase(typed: str) -> str:
    """A passphrase as it was typed, without hyphens, blanks and small letters."""
    return "".join(sign for sign in typed.upper() if sign.isalnum())


def commitment_of(slip: Mapping[str, Any]) -> str:
    """SHA-256 of what a slip says and of its nonce, which nobody guesses who has not opened it."""
    return digest_of_content({name: slip[name] for name in ("slip", "arms", "sides", "nonce")})


def seal_envelope(content: Mapping[str, Any], *, secret: bytes, bound_to: str) -> dict[str, str]:
    """A sealed slip.

    Parameters
    ----------
    content : mapping
        ``slip``, ``arms``, ``sides``.
    secret : bytes
        At least 32, of chance, known to the list's keeper alone.
    bound_to : str
        Study, practice and stratum: the slip opens nowhere else.
    """
    name = str(content["slip"])
    inside = {**content, "nonce": _derived(secret, "nonce", name).hex()[:32]}
    salt = _derived(secret, "salt", name)[:16]
    key = _key(passphrase_of(secret, name), salt, KDF)
    text = json.dumps(inside, sort_keys=True)
    size = -(-len(text.encode()) // PADDED) * PADDED
    nonce = _derived(secret, "cipher", name)[:NONCE_BYTES]
    sealed = _cipher(key).encrypt(nonce, text.encode().ljust(size), f"{bound_to}\n{name}".encode())
    told = {"slip": name, "salt": salt.hex(), "sealed": (nonce + sealed).hex()}
    return {**told, "commitment": commitment_of(inside)}


def open_envelope(slip: Mapping[str, str], passphrase: str, *, kdf: Mapping[str, Any], bound_to: str) -> dict[str, Any]:
    """What a sealed slip says.

    Raises
    ------
    DesignError
        If the passphrase does not open it, or it was changed, moved or exchanged.
    """
    from cryptography.exceptions import InvalidTag

    name = str(slip["slip"])
    refused = DesignError(
        f"this passphrase does not open slip {name}; nothing was opened. Take the envelope of that number, and type "
        "what is printed inside"
    )
    try:
        salt, sealed = bytes.fromhex(slip["salt"]), bytes.fromhex(slip["sealed"])
        key = _key(passphrase, salt, kdf)
        text = _cipher(key).decrypt(sealed[:NONCE_BYTES], sealed[NONCE_BYTES:], f"{bound_to}\n{name}".encode())
    except (InvalidTag, ValueError):
        raise refused from None
    inside = dict(json.loads(text))
    if inside["slip"] != name or commitment_of(inside) != slip["commitment"]:
        raise DesignError(f"slip {name} does not say what was published when the list was drawn; ask for the file anew")
    return inside


def _key(passphrase: str, salt: bytes, kdf: Mapping[str, Any]) -> bytes:
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    n, r, p = kdf.get("n"), kdf.get("r"), kdf.get("p")
    if kdf.get("name") != "scrypt" or type(n) is not int or not 2 <= n <= MOST_N or n & (n - 1) or (r, p) != (8, 1):
        raise DesignError("this sealed file asks for a key that this version does not make; ask for the file anew")
    return Scrypt(salt=salt, length=32, n=n, r=8, p=1).derive(plain_passphrase(passphrase).encode())


def _cipher(key: bytes) -> Any:
    from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305

    return ChaCha20Poly1305(key)
