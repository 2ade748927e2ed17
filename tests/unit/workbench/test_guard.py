from __future__ import annotations

import json
from collections.abc import Iterator

import pytest
from dash import Dash
from werkzeug.test import TestResponse

from latchtrace.workbench.app import build_app, policy_of
from latchtrace.workbench.guard import TOKEN_HEADER, Guard, Policy
from support.night import night_result

OWN = "127.0.0.1:8050"


def routes(app: Dash) -> Iterator[tuple[str, str]]:
    """Every route with every method it knows, its variables filled in, and one that does not exist."""
    known = policy_of(app)
    assert known
    fill = {"path": "a/b", "filename": "book.css", "page_id": "x", "package_name": "dash", "fingerprinted_path": "a"}
    for rule in app.server.url_map.iter_rules():
        path = str(rule)
        for name, value in fill.items():
            path = path.replace(f"<path:{name}>", value).replace(f"<string:{name}>", value).replace(f"<{name}>", value)
        assert "<" not in path
        for method in rule.methods or ():
            yield path, method
    yield "/no/such/route", "GET"
    yield "/no/such/route", "POST"


def ask(app: Dash, path: str, method: str = "GET", **headers: str) -> TestResponse:
    given = {name.replace("_", "-"): value for name, value in headers.items()}
    given.setdefault("Host", OWN)
    answer: TestResponse = app.server.test_client().open(path, method=method, headers=given, buffered=True)
    return answer


class TestHost:
    @pytest.mark.parametrize(
        "host",
        ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example:8050", "10.0.0.7", "", "a b", "[::1", "@"],
    )
    def test_a_foreign_name_is_refused_on_every_route(self, app: Dash, host: str) -> None:
        for path, method in routes(app):
            assert ask(app, path, method, Host=host).status_code == 403, (path, method)

    @pytest.mark.parametrize("host", ["127.0.0.1", OWN, "localhost:8050", "LOCALHOST", "[::1]:8050", "localhost."])
    def test_this_machine_is_served(self, app: Dash, host: str) -> None:
        assert ask(app, "/", Host=host).status_code == 200

    def test_the_name_it_was_told_to_listen_on_is_served_and_no_other(self) -> None:
        policy = Policy()
        policy.listen_on("Workshop.local")
        assert policy.own_host("workshop.local:8050")
        assert not policy.own_host("evil.example")
        assert not policy.own_host("192.168.7.7")

    @pytest.mark.parametrize("every", ["0.0.0.0", "::", ""])
    def test_on_all_addresses_it_is_served_by_address_but_still_by_no_foreign_name(self, every: str) -> None:
        policy = Policy()
        policy.listen_on(every)
        assert policy.own_host("192.168.7.7:8050")
        assert policy.own_host("[fe80::1]:8050")
        assert not policy.own_host("evil.example:8050")


class TestOrigin:
    @pytest.mark.parametrize(
        "headers",
        [
            {"Origin": "http://evil.example"},
            {"Origin": "null"},
            {"Origin": ""},
            {"Origin": "http://127.0.0.1:9999"},
            {"Origin": "http://localhost:8050"},
            {"Sec_Fetch_Site": "cross-site"},
            {"Sec_Fetch_Site": "same-site"},
            {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate", "Sec_Fetch_Dest": "document"},
        ],
    )
    def test_a_foreign_one_is_refused_on_every_post_even_with_the_token(
        self, app: Dash, headers: dict[str, str]
    ) -> None:
        token = {TOKEN_HEADER.replace("-", "_"): policy_of(app).token}
        for path in {path for path, _ in routes(app)}:
            assert ask(app, path, "POST", **headers, **token).status_code == 403, path

    @pytest.mark.parametrize("dest", ["image", "script", "iframe", "empty"])
    def test_no_other_site_can_make_a_page_of_its_own_from_ours(self, app: Dash, dest: str) -> None:
        mode = "navigate" if dest == "iframe" else "no-cors"
        for path, method in routes(app):
            headers = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": mode, "Sec_Fetch_Dest": dest}
            assert ask(app, path, method, **headers).status_code in (403, 405), path

    def test_a_link_from_elsewhere_opens_the_page(self, app: Dash) -> None:
        visit = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate", "Sec_Fetch_Dest": "document"}
        assert ask(app, "/", **visit).status_code == 200

    def test_our_own_page_may_ask(self, app: Dash) -> None:
        own = {"Origin": f"http://{OWN}", "Sec_Fetch_Site": "same-origin"}
        assert ask(app, "/_dash-layout", **own).status_code == 200


class TestToken:
    def post(self, app: Dash, **headers: str) -> TestResponse:
        body = {
            "output": "reading.children",
            "outputs": {"id": "reading", "property": "children"},
            "inputs": [{"id": "chosen", "property": "data", "value": None}],
            "state": [{"id": "capture", "property": "data", "value": None}],
            "changedPropIds": ["chosen.data"],
        }
        given = {"Host": OWN, "Content-Type": "application/json", **headers}
        client = app.server.test_client()
        answer: TestResponse = client.post("/_dash-update-component", headers=given, data=json.dumps(body))
        return answer

    def test_a_post_without_it_or_with_another_is_refused(self, app: Dash) -> None:
        assert self.post(app).status_code == 403
        assert self.post(app, **{TOKEN_HEADER: "guess"}).status_code == 403
        assert self.post(app, **{TOKEN_HEADER: "gu\xe9ss"}).status_code == 403

    def test_a_post_with_it_is_answered(self, app: Dash) -> None:
        answer = self.post(app, **{TOKEN_HEADER: policy_of(app).token})
        assert answer.status_code == 200
        assert "Choose a finding" in answer.text

    def test_it_reaches_the_page_in_a_strict_cookie_of_this_run(self, app: Dash) -> None:
        cookie = ask(app, "/").headers["Set-Cookie"]
        policy = policy_of(app)
        assert cookie == f"{policy.cookie}={policy.token}; Path=/; SameSite=Strict"
        assert "Set-Cookie" not in ask(app, "/_dash-layout").headers

    def test_each_run_has_its_own(self) -> None:
        assert Policy().token != Policy().token
        assert Policy().cookie != Policy().cookie


class TestHeaders:
    def test_every_answer_forbids_what_a_page_does_not_need(self, app: Dash) -> None:
        answers = [ask(app, path, method) for path, method in routes(app)]
        for answer in [*answers, ask(app, "/", Host="evil.example")]:
            policy = answer.headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy
            assert "unsafe-eval" not in policy
            assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0]
            assert "frame-ancestors 'none'" in policy
            assert "http:" not in policy
            assert answer.headers["X-Content-Type-Options"] == "nosniff"
            assert answer.headers["Referrer-Policy"] == "no-referrer"
            assert "Access-Control-Allow-Origin" not in answer.headers

    def test_methods_that_nothing_needs_are_refused(self, app: Dash) -> None:
        for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
            assert ask(app, "/", method).status_code == 405

    def test_the_guard_stands_in_front_of_everything(self, app: Dash) -> None:
        assert isinstance(app.server.wsgi_app, Guard)


def test_no_page_asks_anything_of_another_machine(app: Dash) -> None:
    page = ask(app, "/").text
    scripts = [part.split('"')[1] for part in page.split("<script ")[1:] if 'src="' in part.split(">")[0]]
    links = [part.split('href="')[1].split('"')[0] for part in page.split("<link ")[1:]]
    for address in (*(s for s in scripts if "/" in s), *links):
        assert address.startswith("/"), address
        assert not address.startswith("//"), address
    assert app.config.serve_locally


def test_the_environment_cannot_send_pages_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("DASH_ASSETS_EXTERNAL_PATH", "DASH_URL_BASE_PATHNAME"):
        monkeypatch.setenv(name, "http://evil.example/")
    monkeypatch.setenv("DASH_SERVE_LOCALLY", "false")
    monkeypatch.setenv("DASH_DEBUG", "true")
    monkeypatch.setenv("DASH_MCP_ENABLED", "true")
    app = build_app({"night": night_result()})
    page = ask(app, "/").text
    assert "evil.example" not in page
    assert not any("mcp" in str(rule) for rule in app.server.url_map.iter_rules())
    assert '"ui":false' in page
