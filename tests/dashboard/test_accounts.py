"""Signing in with an account: whom the provider lets in, what role that opens, and the whole way in a browser.

The provider is `oidc-provider-mock`, an OpenID Connect server made for tests, on this machine.
"""

from __future__ import annotations

import http.client
import os
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import oidc_provider_mock
import pytest
from playwright.sync_api import expect

from dashboard import serve as serving
from dashboard.access.accounts import Accounts, read_accounts, say_person
from dashboard.access.cookies import HOURS
from dashboard.access.passphrases import read_login, set_passphrase
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard.conftest import Server, free_port, serve
from tests.dashboard.fleet import Fleet
from tests.dashboard.tab import Visit, open_tab
from tests.patience import PATIENCE_S

NOW = 1_000_000.0
LEAD, DRIVER, STRANGER, UNPROVED = "lead@laundry.example", "driver@laundry.example", "else@laundry.example", "claims@laundry.example"  # fmt: skip
SETTINGS = """
address = "{address}"
metadata = "{metadata}"
client_id = "kinbay"
client_secret = "a-secret-of-the-provider"
{claim}
[roles]
decide = ["Lead@Laundry.example"]
view = ["driver@laundry.example"]
"""


def _write(home: Path, text: str, mode: int = 0o600) -> None:
    path = home / "accounts.toml"
    path.write_text(text)
    path.chmod(mode)


def _accounts(claim: str = "email", **roles: set[str]) -> Accounts:
    named = {role: frozenset(roles.get(role, set())) for role in ("view", "enter", "decide")}
    return Accounts("https://vans.example", "https://id.example/x", "kinbay", "s", named, claim)


def _claims(**given: Any) -> dict[str, Any]:
    return {"iat": NOW, "email": LEAD, "email_verified": True, **given}


def test_the_highest_role_that_the_claim_opens() -> None:
    accounts = _accounts(view={"*"}, enter={LEAD, DRIVER}, decide={LEAD})
    assert accounts.role_of(_claims(email="LEAD@laundry.example "), NOW) == "decide"
    assert accounts.role_of(_claims(email=DRIVER), NOW) == "enter"
    assert accounts.role_of(_claims(email=STRANGER), NOW) == "view"
    assert _accounts(decide={LEAD}).role_of(_claims(email=STRANGER), NOW) is None


@pytest.mark.parametrize("verified", [False, None, "true", 1])
def test_an_address_the_provider_has_not_verified_opens_nothing(verified: object) -> None:
    assert _accounts(decide={LEAD}).role_of(_claims(email_verified=verified), NOW) is None


def test_a_claim_of_groups_opens_what_any_group_opens() -> None:
    accounts = _accounts("groups", view={"drivers"}, decide={"leads"})
    assert accounts.role_of({"iat": NOW, "groups": ["drivers", "Leads"]}, NOW) == "decide"
    assert accounts.role_of({"iat": NOW, "groups": "drivers"}, NOW) == "view"
    for groups in ([], None, 7, [["leads"]], {"leads": 1}):
        assert accounts.role_of({"iat": NOW, "groups": groups}, NOW) is None


def test_claims_grow_old() -> None:
    accounts = _accounts(decide={LEAD})
    assert accounts.role_of(_claims(), NOW + HOURS * 3600 - 1) == "decide"
    assert accounts.role_of(_claims(), NOW + HOURS * 3600 + 1) is None
    assert accounts.role_of({**_claims(), "iat": None}, NOW) is None


def test_the_name_under_a_decision_is_one_line() -> None:
    assert say_person({"name": " ", "email": LEAD}) == LEAD
    assert say_person({"name": "A.\nReeve"}) == "A. Reeve"
    assert len(say_person({"name": "x" * 500})) == 80
    assert say_person({}) == ""


@pytest.mark.skipif(os.name != "posix", reason="file modes are those of POSIX")
@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604])
def test_settings_others_can_read_are_refused(tmp_path: Path, mode: int) -> None:
    _write(
        tmp_path, SETTINGS.format(address="https://a.example", metadata="https://b.example", claim=""), mode
    )
    with pytest.raises(KinbayError, match="Others can read the secret"):
        read_login(Home(tmp_path))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[roles", "cannot be read"),
        ("", "lack something"),
        (SETTINGS.format(address="vans.example", metadata="https://b.example", claim=""), "no web address"),
        (SETTINGS.format(address="https://a.example", metadata="https://b.example", claim="").split("[roles]")[0], "nobody"),
        (SETTINGS.format(address="https://a.example", metadata="https://b.example", claim="") + 'owner = ["x"]', "nobody"),
    ],
)  # fmt: skip
def test_damaged_settings_let_nobody_in(tmp_path: Path, text: str, said: str) -> None:
    _write(tmp_path, text)
    with pytest.raises(KinbayError, match=said):
        read_login(Home(tmp_path))


def test_the_secret_stays_in_its_file(tmp_path: Path) -> None:
    _write(tmp_path, SETTINGS.format(address="https://a.example/", metadata="https://b.example", claim=""))
    accounts = read_accounts(Home(tmp_path))
    assert accounts is not None
    assert "a-secret-of-the-provider" not in repr(accounts)
    with serving._secrets_file(accounts) as file:
        assert file.stat().st_mode & 0o077 == 0
        assert file.parent.stat().st_mode & 0o077 == 0
        told = tomllib.loads(file.read_text())["auth"]
    assert not file.exists()
    assert told["redirect_uri"] == "https://a.example/oauth2callback"
    assert len(told["cookie_secret"]) == 64


def test_accounts_without_their_package_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _write(tmp_path, SETTINGS.format(address="https://a.example", metadata="https://b.example", claim=""))
    monkeypatch.setattr(serving, "is_authlib_installed", lambda: False)
    with pytest.raises(KinbayError, match=r"one more package"):
        serving.serve(tmp_path, host="0.0.0.0", open_browser=False)


@dataclass
class Door:
    """A dashboard behind a provider."""

    server: Server
    home: Path


@pytest.fixture(scope="module")
def door(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A provider with four accounts, and the dashboard that asks it; there is a passphrase too."""
    home = tmp_path_factory.mktemp("accounts")
    shutil.copytree(fleet.home, home, dirs_exist_ok=True)
    port = free_port()
    people = [
        oidc_provider_mock.User(
            sub=sub, claims={"email": sub, "email_verified": sub != UNPROVED, "name": name}
        )
        for sub, name in (
            (LEAD, "A. <b>Reeve</b>"),
            (DRIVER, "B. Holt"),
            (STRANGER, "C. Else"),
            (UNPROVED, LEAD),
        )
    ]
    with oidc_provider_mock.run_server_in_thread(user_claims=people) as provider:
        metadata = f"http://127.0.0.1:{provider.server_port}/.well-known/openid-configuration"
        _write(home, SETTINGS.format(address=f"http://127.0.0.1:{port}", metadata=metadata, claim=""))
        set_passphrase(Home(home), "enter", "lantern kettle harbour")
        with serve(home, tmp_path_factory.mktemp("user"), port) as running:
            yield Door(running, home)


def _get(server: Server, path: str, **headers: str) -> http.client.HTTPResponse:
    connection = http.client.HTTPConnection(server.address.removeprefix("http://"), timeout=PATIENCE_S)
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    answer.read()
    return answer


def test_nothing_is_served_before_an_account_is_shown(door: Door) -> None:
    page = _get(door.server, "/codes", Accept="text/html")
    assert (page.status, page.getheader("location")) == (303, "/login?next=%2Fcodes")
    for path in (
        "/_stcore/stream",
        "/_stcore/host-config",
        "/static/js/index.js",
        "/media/x.csv",
        "/auth/else",
    ):
        assert _get(door.server, path).status in (401, 404)
    forged = _get(door.server, "/codes", Accept="text/html", Cookie='_streamlit_user="eyJ9.x.y"')
    assert forged.status == 303


def _sign_in(visit: Visit, who: str) -> None:
    visit.page.get_by_role("link", name="Sign in with your account").click()
    visit.page.locator(f'button[name=sub][value="{who}"]').click()


@pytest.fixture
def visit(door: Door, chromium: Any) -> Iterator[Visit]:
    """A fresh tab before that door."""
    with open_tab(chromium, door.server.address, door.home) as tab:
        yield tab


def test_in_with_an_account_and_out_again(visit: Visit) -> None:
    """Refused, led to the provider, back at the page asked for, the role kept, and out for good."""
    page = visit.page
    page.goto(f"{visit.address}/codes?depot=Mill+Lane")
    expect(page.get_by_label("Passphrase")).to_be_visible()
    assert page.get_by_test_id("stApp").count() == 0
    _sign_in(visit, LEAD)
    page.wait_for_url("**/codes?depot=Mill+Lane")
    visit.settle()
    side = page.get_by_test_id("stSidebar")
    expect(side.get_by_text("Signed in as A. <b>Reeve</b>: may look, write down and decide.")).to_be_visible()
    cookie = next(c for c in page.context.cookies() if c["name"] == "_streamlit_user")
    assert cookie["httpOnly"]
    assert cookie["sameSite"] == "Lax"

    visit.open()
    visit.open_first_matter()
    page.get_by_role("button", name="Decide", exact=True).first.click()
    page.get_by_text("Decided by A. <b>Reeve</b>.").wait_for()
    assert page.get_by_label("Who", exact=True).count() == 0

    side.get_by_role("link", name="Sign out").click()
    page.wait_for_url(lambda url: not url.startswith(visit.address))
    page.get_by_role("button").first.click()  # the provider asks whether one means it
    page.wait_for_url("**/login**")
    page.goto(f"{visit.address}/codes")
    expect(page.get_by_label("Passphrase")).to_be_visible()
    assert page.get_by_test_id("stApp").count() == 0
    assert visit.complaints == []


def test_an_account_does_what_its_role_may_and_no_more(visit: Visit) -> None:
    visit.page.goto(visit.address)
    _sign_in(visit, DRIVER)
    visit.settle()
    expect(visit.page.get_by_text("Signed in as B. Holt: may look.")).to_be_visible()
    visit.main.locator("summary").first.click()
    visit.page.get_by_text("Deciding is for those with that role.").first.wait_for()
    visit.open("write_scan")
    assert visit.page.get_by_role("button", name="Keep").count() == 0


@pytest.mark.parametrize("who", [STRANGER, UNPROVED])
def test_an_account_without_a_role_is_told_so(visit: Visit, who: str) -> None:
    visit.page.goto(visit.address)
    _sign_in(visit, who)
    visit.page.get_by_role("alert").get_by_text("nobody has given that account a role here").wait_for()
    assert visit.page.get_by_test_id("stApp").count() == 0
