"""Signing in with an account of the firm's own provider (OpenID Connect): what the home's `accounts.toml` says.

The claims come signed from the provider; which role they open is decided here, from one claim and a list of its
values a role. An e-mail address that the provider has not verified opens nothing: anybody can claim one.
"""

from __future__ import annotations

import json
import stat
import time
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from dashboard.access.cookies import HOURS
from dashboard.access.levels import ROLES
from pipeline.errors import KinbayError
from pipeline.settings import Home

EVERYBODY = "*"
CALLBACK = "oauth2callback"
_TEXTS = ("address", "metadata", "client_id", "client_secret")


@dataclass(frozen=True)
class Accounts:
    """The provider, this dashboard as it knows it, and who may do what.

    Parameters
    ----------
    address : str
        Where people open the dashboard, such as `https://vans.example`.
    metadata : str
        The provider's discovery document (OpenID Connect Discovery 1.0).
    client_id, client_secret : str
        As the provider gave them; the secret is left out of the object's text.
    roles : mapping
        Role to the values of `claim` that open it; `*` opens it to everyone the provider lets in.
    claim : str
        The claim that is looked at; one value or a list of them.
    """

    address: str
    metadata: str
    client_id: str
    client_secret: str = field(repr=False)
    roles: Mapping[str, frozenset[str]]
    claim: str = "email"

    def role_of(self, claims: Mapping[str, Any], now: float | None = None) -> str | None:
        """Return the highest role these claims open; None where they open none or were made too long ago.

        Parameters
        ----------
        claims : mapping
            Of the ID token; `iat` says when it was made, in seconds.
        now : float, optional
            The time, in seconds; without it the clock's.
        """
        if self.is_stale(claims, now):
            return None
        if self.claim == "email" and claims.get("email_verified") is not True:
            return None
        given = claims.get(self.claim)
        values = {_plain(v) for v in (given if isinstance(given, list) else [given]) if isinstance(v, str)}
        open_to = [r for r in ROLES if EVERYBODY in self.roles[r] or values & self.roles[r]]
        return open_to[-1] if open_to else None

    @staticmethod
    def is_stale(claims: Mapping[str, Any], now: float | None = None) -> bool:
        """Whether these claims are too old to be believed, or do not say how old they are."""
        made = claims.get("iat")
        if not isinstance(made, int | float):
            return True
        return made + HOURS * 3600 < (time.time() if now is None else now)

    def secrets(self, cookie_secret: str) -> str:
        """Return what `st.login` reads, as TOML; keep it in a file that only its owner can read."""
        given = {
            "redirect_uri": f"{self.address}/{CALLBACK}",
            "cookie_secret": cookie_secret,
            "client_id": self.client_id,
            "client_secret": self.client_secret,
            "server_metadata_url": self.metadata,
        }
        return "\n".join(["[auth]", *(f"{name} = {json.dumps(text)}" for name, text in given.items()), ""])


def _plain(value: str) -> str:
    """Return a value as compared: e-mail addresses and groups alike without regard to capitals."""
    return value.strip().casefold()


def say_person(claims: Mapping[str, Any]) -> str:
    """Return the name of the person these claims are about, as it stands under a decision."""
    named = (claims.get(key) for key in ("name", "email", "preferred_username", "sub"))
    return next((" ".join(text.split())[:80] for text in named if isinstance(text, str) and text.strip()), "")


def accounts_path(home: Home) -> Path:
    """Where the settings stand."""
    return home.path / "accounts.toml"


def read_accounts(home: Home) -> Accounts | None:
    """Return the settings; None where there are none.

    Raises
    ------
    KinbayError
        Where the file cannot be read, lacks something, or others than its owner can read the secret in it.
    """
    path = accounts_path(home)
    try:
        if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO) and hasattr(path.stat(), "st_blocks"):
            raise KinbayError(
                "Others can read the secret in the account settings", path.name, f"Run chmod 600 {path.name}."
            )
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise KinbayError("The account settings cannot be read", path.name, "Mend the file.") from error
    return _from_settings(given)


def _from_settings(given: dict[str, Any]) -> Accounts:
    texts = {name: given.get(name) for name in _TEXTS}
    missing = [name for name, text in texts.items() if not isinstance(text, str) or not text.strip()]
    if missing:
        raise KinbayError(
            "The account settings lack something", ", ".join(missing), "Add it to accounts.toml."
        )
    for name in ("address", "metadata"):
        parts = urlsplit(str(texts[name]))
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise KinbayError(f"The {name} in the account settings is no web address", "accounts.toml")
    roles = given.get("roles")
    if not isinstance(roles, dict) or set(roles) - set(ROLES) or not any(roles.values()):
        raise KinbayError(
            "The account settings name nobody who may come in",
            "accounts.toml",
            f"Under [roles], list values of the claim for {', '.join(ROLES)}.",
        )
    return Accounts(
        **{
            **{k: str(v).strip() for k, v in texts.items()},
            "address": str(texts["address"]).strip().rstrip("/"),
        },
        roles={role: frozenset(_plain(str(v)) for v in roles.get(role, [])) for role in ROLES},
        claim=str(given.get("claim") or "email"),
    )
