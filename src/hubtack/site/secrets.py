"""Passwords in source URLs: found, and masked in whatever is shown or copied.

Where in doubt this masks too much: a mount point with ``@`` in its name is lost from a copy, a password never
leaks into one. It does not parse URLs; readers do that.
"""

from __future__ import annotations

import json
import re
import tomllib

MASK = "***"

# User names are often mail addresses, so the name runs to the first colon, and the password to the last @: given
# raw, it may hold any of / : @ and blanks.
_WITH_SCHEME = re.compile(r"(?<=://)([^:]*):(.*)@", re.DOTALL)
_WITHOUT_SCHEME = re.compile(r"(?<![^\s\"'=])([^:\s\"']*):(?!//)(\S*)@")

# What can hold a colon or an @ in TOML: four kinds of string, and comments. Order matters: long quotes first.
TOML_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'" r"|#[^\n]*",
    re.DOTALL,
)


def mask_password(text: str) -> str:
    """``text`` with the password of ``user:password@`` replaced by three stars; unchanged where there is none."""
    head, at, tail = text.rpartition("@")  # without the tail the patterns need not search it again and again
    if not at:
        return text
    head += at
    for pattern in (_WITH_SCHEME, _WITHOUT_SCHEME):
        head = pattern.sub(lambda m: f"{m[1]}:{MASK}@", head)
    return head + tail


def drop_mask(text: str) -> str:
    """``text`` without the three stars that a masked copy has in the password's place."""
    return text.replace(f":{MASK}@", "@", 1) if "://" in text else text


def has_password(text: str) -> bool:
    """True where ``text`` holds ``user:password@``, other than the mask."""
    return mask_password(text) != text


def mask_toml(text: str) -> str:
    """TOML ``text`` that still parses to the same, except for the passwords in its strings and comments."""
    masked = TOML_TOKEN.sub(lambda m: _mask_token(m[0]), text)
    # What no token covers is broken TOML (an open quote), and is masked line by line.
    return "\n".join(_mask_stray(line) for line in masked.split("\n"))


def _mask_token(token: str) -> str:
    if token[0] in "\"'" and "\\" in token:
        # An escape can hide the colon or the @ from a search, so look at the value that the escapes stand for.
        try:
            value = tomllib.loads(f"x = {token}")["x"]
        except ValueError:
            return mask_password(token)
        return json.dumps(mask_password(value), ensure_ascii=False) if has_password(value) else token
    return mask_password(token)


def _mask_stray(line: str) -> str:
    outside = TOML_TOKEN.sub("", line)
    return mask_password(line) if "@" in outside and ":" in outside else line
