"""Who may look, who may tap, and what is refused: asked over real HTTP on loopback."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest

from tests.web.conftest import Served
from vaclog.daemon.desk import Desk, Handed
from vaclog.web.access import COOKIE, Access
from vaclog.web.app import make_app
from vaclog.web.hub import Hub
from vaclog.web.invited import Invited
from vaclog.web.server import PageServer, names, open_socket


def test_without_an_invitation_only_the_empty_page_is_seen(served: Served) -> None:
    """The files carry no data; the stream and the orders are shut."""
    with served.phone() as phone:
        assert phone.get("/").status_code == 200
        assert phone.get("/me").status_code == 401
        assert phone.get("/events").status_code == 401
        assert phone.post("/say", json={"kind": "marker"}).status_code == 401
        assert phone.post("/invite", json={"control": True}).status_code == 401
    assert served.handed == []


def test_a_token_opens_the_door_once(served: Served) -> None:
    """It becomes a cookie that scripts cannot read and other sites cannot send."""
    token = served.access.invite("control")
    with served.phone() as first, served.phone() as second:
        answer = first.post("/join", json={"token": token})
        assert answer.status_code == 200 and answer.json() == {"control": True}
        cookie = answer.headers["set-cookie"].lower()
        assert "httponly" in cookie and "samesite=strict" in cookie and "path=/" in cookie
        assert token not in cookie
        assert first.get("/me").json() == {"control": True}
        assert second.post("/join", json={"token": token}).status_code == 403
        assert second.get("/me").status_code == 401
        assert first.get("/me").status_code == 200  # the first phone is not thrown out


def test_refusals_are_logged_once_for_each_kind(served: Served) -> None:
    """A caller that tries again and again fills no log; each kind is told apart."""
    token = served.access.invite("watch")
    with served.phone() as phone:
        phone.post("/join", json={"token": token})
        for _ in range(5):
            phone.post("/join", json={"token": token})
            phone.post("/join", json={"token": "made-up"})
            phone.post("/say", json={"kind": "marker"})
            phone.get("/", headers={"host": "evil.example"})
    assert len(served.log) == 4
    for word in ("a used invitation", "a wrong invitation", "without leave", "foreign name"):
        assert sum(word in line for line in served.log) == 1


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1", "", "localhost:1"]
)
def test_a_foreign_host_name_is_refused(served: Served, host: str) -> None:
    """Whatever is asked, by a name the page does not go by (DNS rebinding)."""
    with served.phone("control") as phone:
        for path in ("/", "/page.js", "/me", "/events"):
            assert phone.get(path, headers={"host": host}).status_code == 421
        refused = phone.post("/say", json={"kind": "marker"}, headers={"host": host})
        assert refused.status_code == 421
    assert served.handed == []


def test_a_foreign_page_cannot_give_orders(served: Served) -> None:
    """Not by its origin, and not by a form, which cannot send JSON."""
    with served.phone("control") as phone:
        foreign = {"origin": "http://evil.example"}
        assert phone.post("/say", json={"kind": "marker"}, headers=foreign).status_code == 403
        assert phone.post("/say", data={"kind": "marker"}).status_code == 400
        text = phone.post(
            "/say", content=json.dumps({"kind": "marker"}), headers={"content-type": "text/plain"}
        )
        assert text.status_code == 400
        own = {"origin": served.base}
        assert phone.post("/say", json={"kind": "marker"}, headers=own).status_code == 204
    assert served.handed == [Handed(kind="marker")]


def test_a_phone_that_looks_cannot_tap(served: Served) -> None:
    """Read-only unless control was granted; nor may it grant that to itself."""
    with served.phone("watch") as phone:
        assert phone.get("/me").json() == {"control": False}
        assert phone.post("/say", json={"kind": "tap", "text": "stop"}).status_code == 403
        assert phone.post("/invite", json={"control": True}).status_code == 403
    assert served.handed == []


def test_a_phone_in_control_invites_another(served: Served) -> None:
    """By an address and its code; the level is as asked."""
    with served.phone("control") as phone:
        for control in (False, True):
            answer = phone.post("/invite", json={"control": control}).json()
            assert answer["svg"].startswith("data:image/svg+xml")
            token = answer["address"].partition("#")[2]
            with served.phone() as other:
                assert other.post("/join", json={"token": token}).json() == {"control": control}


@pytest.mark.parametrize(
    ("order", "handed"),
    [
        ({"kind": "tap", "text": "locked"}, Handed(kind="tap", text="locked")),
        ({"kind": "strobe", "value_deg": 12}, Handed(kind="strobe", value_deg=12.0)),
        ({"kind": "strobe", "value_deg": -3.5}, Handed(kind="strobe", value_deg=-3.5)),
        ({"kind": "marker"}, Handed(kind="marker")),
        ({"kind": "tap", "text": "wants {}"}, None),
        ({"kind": "tap"}, None),
        ({"kind": "tap", "text": ["locked"]}, None),
        ({"kind": "strobe"}, None),
        ({"kind": "strobe", "value_deg": "12"}, None),
        ({"kind": "strobe", "value_deg": True}, None),
        ({"kind": "strobe", "value_deg": 1e9}, None),
        ({"kind": "engine"}, None),
        ([], None),
        ({"kind": "marker", "text": "x" * 5000}, None),
    ],
)
def test_only_what_may_be_said_is_handed_in(
    served: Served, order: object, handed: Handed | None
) -> None:
    """Anything else is not understood, and nothing happens."""
    with served.phone("control") as phone:
        assert phone.post("/say", json=order).status_code == (400 if handed is None else 204)
    assert served.handed == ([] if handed is None else [handed])


@pytest.mark.parametrize("text", ["list ", "list  , "])
def test_an_empty_list_takes_no_reading_away(served: Served, text: str) -> None:
    """It would take the place of all readings that were tapped."""
    with served.phone("control") as phone:
        answer = phone.post("/say", json={"kind": "strobe", "text": text})
        assert answer.status_code == 400 and "no reading" in answer.text
    assert served.handed == []


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[" * 1500])
def test_a_spoilt_body_is_not_understood(served: Served, content: bytes) -> None:
    """Cut, not text, or nested: an answer, no crash."""
    headers = {"content-type": "application/json"}
    with served.phone("control") as phone:
        assert phone.post("/say", content=content, headers=headers).status_code == 400
        assert phone.post("/join", content=content, headers=headers).status_code == 403


def test_every_answer_carries_the_policy(served: Served) -> None:
    """Also refusals: everything from here, nothing inline, no frame, nothing kept."""
    with served.phone() as phone:
        for answer in (
            phone.get("/"),
            phone.get("/none"),
            phone.get("/events"),
            phone.get("/", headers={"host": "evil.example"}),
        ):
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy and "script-src 'self'" in policy
            assert "unsafe" not in policy and "frame-ancestors 'none'" in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "no-referrer"
            assert answer.headers["cache-control"] == "no-store"
            assert "server" not in answer.headers


def test_the_page_asks_for_nothing_from_elsewhere(served: Served) -> None:
    """No address of another place in any of its files; no script or style within the page."""
    with served.phone() as phone:
        page = phone.get("/").text
        assert "${" not in page and 'lang="en"' in page
        assert " style=" not in page and " on" + "click=" not in page
        for name in ("", "page.css", "page.js", "hill.js", "voice.js", "tone.js", "awake.js"):
            text = phone.get(f"/{name}").text.replace("http://www.w3.org/2000/svg", "")
            assert "http://" not in text and "https://" not in text and "//cdn" not in text
        for name in ("../app.py", "%2e%2e/app.py", "app.py", "__init__.py"):
            assert phone.get(f"/{name}").status_code == 404


def test_a_restart_remembers_who_was_invited(tmp_path: Path) -> None:
    """By digests alone, in a file that only its owner reads; a spoilt file invites nobody."""
    kept = tmp_path / "invited.json"
    before = Access(["here:1"], invited=Invited(kept))
    entry = before.redeem(before.invite("control"), "phone")
    assert entry is not None
    cookie, _ = entry
    assert cookie not in kept.read_text(encoding="utf-8")
    assert kept.stat().st_mode & 0o077 == 0
    assert Access(["here:1"], invited=Invited(kept)).level(cookie) == "control"
    assert Access(["here:1"]).level(cookie) is None
    for spoilt in ("", "[]", '{"x": "root"}', "{"):
        kept.write_text(spoilt, encoding="utf-8")
        assert Access(["here:1"], invited=Invited(kept)).level(cookie) is None


def test_two_listeners_on_one_machine_have_a_cookie_each(served: Served) -> None:
    """Browsers send a machine's cookies to all its ports."""
    hub, desk, opened = Hub(), Desk(), open_socket("127.0.0.1", 0)
    port = opened.getsockname()[1]
    other = Access(names("127.0.0.1", port))
    with PageServer(make_app(hub, other, desk), opened, hub), served.phone("control") as phone:
        token = other.invite("watch")
        joined = phone.post(f"http://127.0.0.1:{port}/join", json={"token": token})
        assert joined.json() == {"control": False}
        assert phone.get("/me").json() == {"control": True}


def test_an_old_cookie_is_refused_and_said_once(served: Served) -> None:
    """As after a restart."""
    with httpx.Client(
        base_url=served.base, cookies={f"{COOKIE}-{served.base.rpartition(':')[2]}": "old"}
    ) as phone:
        assert phone.get("/me").status_code == 401
        assert phone.get("/me").status_code == 401
    assert len(served.log) == 1 and "cookie" in served.log[0]
