"""Who may come in: passphrases by role, accounts of a provider, signed cookies, and the gate before the server."""

from dashboard.access.levels import ROLES
from dashboard.access.passphrases import Login, read_login

__all__ = ["ROLES", "Login", "read_login"]
