"""HTTP logins: Basic (RFC 7617) and Digest (RFC 7616, and RFC 2617 without qop). Pure."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass, field

from hubtack.secret import Secret

_HASHES = {"MD5": "md5", "SHA-256": "sha256", "SHA-512-256": "sha512_256"}
_PART = re.compile(
    r'([A-Za-z0-9!#$%&\'*+.^_`|~-]+)\s*=\s*("(?:[^"\\]|\\.)*"|[^\s,]+)|([A-Za-z][A-Za-z0-9-]*)(?=\s|,|$)'
)


def basic(user: str, password: Secret) -> str:
    """Value of the Authorization header. UTF-8, as RFC 7617 advises; casters with Latin-1 are rare."""
    return "Basic " + base64.b64encode(f"{user}:{password.reveal()}".encode()).decode("ascii")


@dataclass(frozen=True, slots=True)
class Challenge:
    """One scheme that a caster offers in WWW-Authenticate."""

    scheme: str
    params: dict[str, str] = field(default_factory=dict)


def parse_challenges(values: list[str]) -> list[Challenge]:
    """All schemes in the WWW-Authenticate headers; several may share a line (RFC 9110, 11.6.1)."""
    found: list[Challenge] = []
    for value in values:
        for key, text, scheme in _PART.findall(value):
            if scheme:
                found.append(Challenge(scheme.lower()))
            elif found:
                bare = re.sub(r"\\(.)", r"\1", text[1:-1]) if text.startswith('"') else text
                found[-1].params[key.lower()] = bare
    return found


def usable_digest(challenges: list[Challenge]) -> Challenge | None:
    """The strongest Digest challenge that can be answered, or None."""
    offered = {}
    for challenge in challenges:
        algorithm = challenge.params.get("algorithm", "MD5").upper()
        qop = [q.strip().lower() for q in challenge.params.get("qop", "auth").split(",")]
        if challenge.scheme == "digest" and algorithm in _HASHES and "nonce" in challenge.params and "auth" in qop:
            offered[algorithm] = challenge
    return offered.get("SHA-512-256") or offered.get("SHA-256") or offered.get("MD5")


def digest(
    challenge: Challenge, user: str, password: Secret, method: str, uri: str, cnonce: str, count: int = 1
) -> str:
    """Value of the Authorization header that answers ``challenge``."""
    params = challenge.params
    algorithm = params.get("algorithm", "MD5").upper()

    def hashed(text: str) -> str:
        return hashlib.new(_HASHES[algorithm], text.encode(), usedforsecurity=False).hexdigest()

    realm, nonce = params.get("realm", ""), params["nonce"]
    a1 = hashed(f"{user}:{realm}:{password.reveal()}")
    a2 = hashed(f"{method}:{uri}")
    parts = [f'username="{_quoted(user)}"', f'realm="{_quoted(realm)}"', f'nonce="{_quoted(nonce)}"', f'uri="{uri}"']
    if "qop" in params:
        nc = f"{count:08x}"
        response = hashed(f"{a1}:{nonce}:{nc}:{cnonce}:auth:{a2}")
        parts += ["qop=auth", f"nc={nc}", f'cnonce="{cnonce}"']
    else:
        response = hashed(f"{a1}:{nonce}:{a2}")
    parts.append(f'response="{response}"')
    if "algorithm" in params:
        parts.append(f"algorithm={params['algorithm']}")
    if "opaque" in params:
        parts.append(f'opaque="{_quoted(params["opaque"])}"')
    return "Digest " + ", ".join(parts)


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
