"""The roles, and which is the higher."""

from __future__ import annotations

ROLES = ("view", "enter", "decide")
"""Each may do what those before it may."""


def higher(*roles: str | None) -> str | None:
    """Return the highest of some roles; None where there is none."""
    known = [ROLES.index(role) for role in roles if role in ROLES]
    return ROLES[max(known)] if known else None
