"""Who may come in: passphrases by role, signed cookies, and the gate before the server."""

from dashboard.access.passphrases import ROLES, Login, read_login

__all__ = ["ROLES", "Login", "read_login"]
