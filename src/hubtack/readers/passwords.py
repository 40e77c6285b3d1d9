"""Where a password comes from: the environment, the system's keyring, a prompt; from the URL only with a warning."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping

from hubtack.errors import UsageError
from hubtack.readers.urls import SourceSpec
from hubtack.secret import Secret

DEFAULT_ENV = "HUBTACK_PASSWORD"


def find_password(
    spec: SourceSpec,
    env_name: str = DEFAULT_ENV,
    environ: Mapping[str, str] | None = None,
    ask: Callable[[str], str] | None = None,
) -> Secret | None:
    """The password for ``spec``; None where there is no user, or nowhere to get one from.

    The order: the URL (its warning is in ``spec.warnings``), the variable ``env_name``, ``HUBTACK_PASSWORD``, the
    keyring where that library is installed, a prompt where standard input is a terminal.
    """
    if spec.password is not None:
        return spec.password
    if not spec.user:
        return None
    environ = os.environ if environ is None else environ
    for name in (env_name, DEFAULT_ENV):
        if environ.get(name):
            return Secret(environ[name])
    kept = _from_keyring(spec)
    if kept is not None:
        return kept
    if ask is None and sys.stdin is not None and sys.stdin.isatty():
        import getpass

        ask = getpass.getpass
    if ask is None:
        return None
    try:
        return Secret(ask(f"Password of {spec.user} at {spec.host}: "))
    except (EOFError, KeyboardInterrupt):
        raise UsageError(f"no password for {spec.label}; set {env_name}") from None


def _from_keyring(spec: SourceSpec) -> Secret | None:
    try:
        import keyring
    except ImportError:
        return None
    try:
        found = keyring.get_password(f"hubtack:{spec.host}", spec.user)
    except Exception:  # a keyring without a back end, or a locked one: the prompt serves
        return None
    return Secret(found) if found else None
