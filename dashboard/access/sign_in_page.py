"""The page that asks who one is: an account, a passphrase, or either. It needs no script and nothing from elsewhere."""

from __future__ import annotations

from html import escape
from urllib.parse import quote

from starlette.responses import HTMLResponse

_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Kinbay: sign in</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="icon" href="data:,"><style>
:root{{color-scheme:light dark}}body{{font:16px/1.5 system-ui,sans-serif;max-width:24rem;margin:12vh auto;padding:0 1rem}}
label,input,button,.door{{display:block;width:100%;box-sizing:border-box;font:inherit}}input{{padding:.6rem;margin:.3rem 0 1rem}}
button,.door{{padding:.6rem;background:#0B5C8F;color:#fff;border:0;border-radius:6px;text-align:center;text-decoration:none}}
form{{margin-top:1.5rem}}[role=alert]{{font-weight:600}}
</style></head><body><main><h1>Kinbay</h1>{said}{parts}{plain}</main></body></html>"""
_FORM = """<form method="post" action="/login?next={next}"><label for="passphrase">Passphrase</label>
<input id="passphrase" name="passphrase" type="password" autocomplete="current-password" required autofocus>
<button>Sign in</button></form>"""
_PLAIN = "<p>This connection is not encrypted: others on the same network could read along.</p>"


def draw_sign_in(
    target: str,
    said: str = "",
    status: int = 200,
    *,
    door: str | None,
    asks_passphrase: bool,
    is_plain: bool,
    headers: dict[str, str] | None = None,
) -> HTMLResponse:
    """Return the page.

    Parameters
    ----------
    target : str
        Where to go after signing in.
    said : str
        What went wrong; may be empty.
    door : str, optional
        The link that leads to the provider; None where no accounts are set up.
    asks_passphrase : bool
        Whether there is a passphrase to ask for.
    is_plain : bool
        Whether the connection is not encrypted.
    """
    link = f'<a class="door" href="{escape(door)}">Sign in with your account</a>' if door else ""
    form = _FORM.format(next=quote(target, safe="")) if asks_passphrase else ""
    alert = f'<p role="alert">{escape(said)}</p>' if said else ""
    page = _PAGE.format(said=alert, parts=link + form, plain=_PLAIN if is_plain else "")
    return HTMLResponse(page, status, headers={"cache-control": "no-store", **(headers or {})})


def draw_no_role(person: str) -> HTMLResponse:
    """Tell somebody whom the provider knows and this dashboard does not."""
    page = _PAGE.format(
        said=f'<p role="alert">Signed in as {escape(person)}, but nobody has given that account a role here.</p>',
        parts="<p>Ask whoever looks after the dashboard.</p>"
        '<a class="door" href="/logout">Sign out</a>',
        plain="",
    )  # fmt: skip
    return HTMLResponse(page, 403, headers={"cache-control": "no-store"})
