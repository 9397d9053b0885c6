"""A passphrase per role, kept as scrypt hashes in the home's `login.toml`, which only its owner can read.

scrypt (RFC 7914) makes each guess cost memory and time. The parameters stand in every hash, so that they can be
raised later without asking anyone for a new passphrase.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from dashboard.access.accounts import Accounts, read_accounts
from dashboard.access.levels import ROLES
from pipeline.durable import write_text
from pipeline.errors import KinbayError
from pipeline.settings import Home

SHORTEST = 12
_N, _R, _P, _LENGTH = 2**15, 8, 1, 32
_MOST_MEMORY = 2**26


@dataclass(frozen=True)
class Login:
    """What is set up for signing in.

    Parameters
    ----------
    hashes : dict of str to str
        Role to scrypt hash; empty where no passphrase is set.
    accounts : Accounts, optional
        The provider whose accounts may sign in.
    """

    hashes: dict[str, str] = field(default_factory=dict)
    accounts: Accounts | None = None

    @property
    def is_set(self) -> bool:
        """Whether anyone has to sign in."""
        return bool(self.hashes) or self.accounts is not None

    def role_of(self, passphrase: str) -> str | None:
        """Return the highest role this passphrase opens; every hash is tried, whichever fits."""
        fitting = [role for role in ROLES if role in self.hashes and matches(passphrase, self.hashes[role])]
        return fitting[-1] if fitting else None


def make_hash(passphrase: str) -> str:
    """Return a salted scrypt hash with its parameters: `scrypt$n$r$p$salt$key`.

    Raises
    ------
    KinbayError
        Where the passphrase is shorter than `SHORTEST` letters.
    """
    if len(passphrase) < SHORTEST:
        raise KinbayError(
            f"A passphrase needs {SHORTEST} letters at least", remedy="Three or four words will do."
        )
    salt = secrets.token_bytes(16)
    key = _derive(passphrase, salt, _N, _R, _P)
    return "$".join(["scrypt", str(_N), str(_R), str(_P), _pack(salt), _pack(key)])


def matches(passphrase: str, kept: str) -> bool:
    """Whether a passphrase gives this hash; compared in constant time."""
    try:
        name, n, r, p, salt, key = kept.split("$")
        expected = base64.b64decode(key, validate=True)
        found = _derive(passphrase, base64.b64decode(salt, validate=True), int(n), int(r), int(p))
    except ValueError:
        return False
    return name == "scrypt" and hmac.compare_digest(found, expected)


def _derive(passphrase: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(
        passphrase.encode("utf-8"), salt=salt, n=n, r=r, p=p, maxmem=_MOST_MEMORY, dklen=_LENGTH
    )


def _pack(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")


def login_path(home: Home) -> Path:
    """Where the hashes stand."""
    return home.path / "login.toml"


def read_login(home: Home) -> Login:
    """Return what is set up; nothing where there is neither file.

    Raises
    ------
    KinbayError
        Where a file cannot be read: then nobody is let in rather than everybody.
    """
    return Login(_read_hashes(home), read_accounts(home))


def _read_hashes(home: Home) -> dict[str, str]:
    try:
        given = tomllib.loads(login_path(home).read_text(encoding="utf-8")).get("passphrases", {})
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise KinbayError(
            "The login file cannot be read", "login.toml", "Mend it, or set passphrases anew."
        ) from error
    hashes = {role: str(given[role]) for role in ROLES if given.get(role)}
    if not hashes:
        raise KinbayError("The login file names no passphrase", "login.toml", "Set one, or delete the file.")
    return hashes


def set_passphrase(home: Home, role: str, passphrase: str) -> None:
    """Keep the hash of a role's passphrase; another role's stays.

    Raises
    ------
    KinbayError
        Where there is no such role, or the passphrase is too short.
    """
    if role not in ROLES:
        raise KinbayError(f"There is no role {role!r}", remedy=f"Choose one of {', '.join(ROLES)}.")
    path = login_path(home)
    kept = _read_hashes(home)
    kept = {**kept, role: make_hash(passphrase)}
    lines = [f"{name} = {json.dumps(kept[name])}" for name in ROLES if name in kept]
    home.path.mkdir(parents=True, exist_ok=True)
    path.touch(mode=0o600)
    write_text(
        path,
        "\n".join(
            ["# Hashes of passphrases by role. Keep it out of any repository.", "[passphrases]", *lines, ""]
        ),
    )
    path.chmod(0o600)
