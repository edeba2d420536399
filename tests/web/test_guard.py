"""The door: each rule with a request that breaks it.

Rules from OWASP, Cross-Site Request Forgery Prevention Cheat Sheet (token, Origin), and from the
description of DNS rebinding (the Host header of a rebound name is the attacker's name).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.web.conftest import Page, open_page


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "evil.example:80", ""])
def test_a_rebound_name_is_not_served(web: Page, host: str) -> None:
    answer = web.get("/", headers={"Host": host})
    assert answer.status_code == 400
    assert "Serve placement" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost", "LOCALHOST:99", "[::1]:80"])
def test_own_names_are_served(web: Page, host: str) -> None:
    assert web.get("/", headers={"Host": host}).status_code == 200


def test_a_change_without_the_token_is_refused(web: Page) -> None:
    assert web.client.post("/students", data={"code": "AB"}).status_code == 403
    assert web.client.post("/students", data={"code": "AB", "token": "x"}).status_code == 403
    wrong = web.client.post("/students", data={"code": "AB"}, headers={"X-Page-Token": b"\xc3\xa9"})
    assert wrong.status_code == 403
    assert not len(web.site.store.students())


def test_a_form_may_carry_the_token(web: Page) -> None:
    form = {"code": "AB", "token": web.site.token}
    assert web.client.post("/students", data=form).status_code == 200
    assert web.site.store.students()["code"].tolist() == ["AB"]


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "http://127.0.0.1:1", "file://", "https://127.0.0.1.x"],
)
def test_a_change_from_another_origin_is_refused(web: Page, origin: str) -> None:
    answer = web.client.post(
        "/students", data={"code": "AB"}, headers=web.token | {"Origin": origin}
    )
    assert answer.status_code == 403
    assert not len(web.site.store.students())


def test_a_change_from_the_own_origin_is_taken(web: Page) -> None:
    headers = web.token | {"Origin": "http://127.0.0.1"}
    assert web.client.post("/students", data={"code": "AB"}, headers=headers).status_code == 200


def test_another_site_cannot_embed_a_frame_but_may_link_here(web: Page, filmed: int) -> None:
    picture = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    assert web.get(f"/films/{filmed}/frames/0.jpg", headers=picture).status_code == 403
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    assert web.get("/", headers=link).status_code == 200


def test_every_change_needs_the_token(web: Page) -> None:
    """Whatever route takes another method than GET is refused without it."""
    from starlette.routing import Route

    tried = 0
    for route in web.client.app.routes:  # type: ignore[attr-defined]
        if isinstance(route, Route):
            for method in (route.methods or set()) - {"GET", "HEAD"}:
                path = route.path
                for name in route.param_convertors:
                    for form in (f"{{{name}:int}}", f"{{{name}}}"):
                        path = path.replace(form, "1")
                assert web.client.request(method, path).status_code == 403, path
                tried += 1
    assert tried > 25


def test_headers_stand_on_every_answer(web: Page) -> None:
    for path in ("/", "/static/page.css", "/nowhere"):
        headers = web.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["referrer-policy"] == "same-origin"
    assert web.get("/").headers["cache-control"] == "no-store"


def test_a_message_too_large_is_refused(web: Page) -> None:
    answer = web.post("/students/list", {"list": "code\n" + "A" * (3 << 20)})
    assert answer.status_code == 413


@pytest.mark.parametrize("body", [b"{", b"[1]", b"\xff\xfe", b""])
def test_a_malformed_message_is_a_sentence(web: Page, filmed: int, body: bytes) -> None:
    answer = web.client.post(f"/films/{filmed}/turns", content=body, headers=web.token)
    assert answer.status_code == 400
    assert answer.json()["sentence"]


def test_static_files_end_at_their_folder(web: Page) -> None:
    for path in ("/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2fapp.py"):
        assert web.get(path).status_code == 404


def test_no_page_asks_anything_of_elsewhere() -> None:
    """Nothing that is served names another host, but for name spaces and licences' homes."""
    folder = Path(__file__).parents[2] / "placement" / "web"
    for path in [
        *folder.glob("templates/*"),
        *folder.glob("static/*.js"),
        *folder.glob("static/*.css"),
    ]:
        if path.name == "htmx.min.js":
            continue
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text, path
        assert "https://" not in text, path


def test_a_password_is_asked_for_and_remembered(tmp_path: Path) -> None:
    with open_page(tmp_path, password="eight letters") as page:
        assert page.get("/").status_code == 401
        assert page.get("/students/one?code=AB").status_code == 401
        assert page.post("/students", {"code": "AB"}).status_code == 401
        wrong = page.client.post("/sign-in", data={"password": "eight lettersx"})
        assert wrong.status_code == 401
        right = page.client.post("/sign-in", data={"password": "eight letters"})
        assert right.status_code == 200
        cookie = right.history[0].headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        assert page.get("/students").status_code == 200
