"""Headers, foreign pages, foreign names, paths that try to leave, text that tries to be markup."""

from __future__ import annotations

import http.client
import json

import httpx
import pytest

from .conftest import Live, Plant

EVERYWHERE = ["/", "/station.json", "/inspections", "/health", "/static/page.css", "/static/station.js", "/nowhere"]


@pytest.mark.parametrize("path", EVERYWHERE)
def test_headers_on_every_answer(client: httpx.Client, path: str) -> None:
    headers = client.get(path).headers
    policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'" and policy["frame-ancestors"] == "'none'"
    assert {policy[kind] for kind in ("script-src", "style-src", "img-src", "connect-src", "form-action")} == {"'self'"}
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_no_picture_is_kept_by_the_browser(plant: Plant, client: httpx.Client) -> None:
    """Numbers start at 1 again with a new data folder: a kept picture would stand beside another shell's answer."""
    plant.save("bad")
    for path in ("/inspections/1/pictures/top.jpg", "/inspections/1/ribbons/0.png", "/inspections/1.json", "/"):
        assert client.get(path).headers["cache-control"] == "no-store"


def test_nothing_inline(plant: Plant, client: httpx.Client) -> None:
    """The policy would stop it: no inline script, style or handler may be needed."""
    plant.save("bad")
    for path in ("/", "/inspections", "/inspections/1", "/health", "/nowhere"):
        page = client.get(path, headers={"accept": "text/html"}).text
        assert "<style" not in page and " style=" not in page and " onclick" not in page and "javascript:" not in page
        for tag in page.split("<script")[1:]:
            assert ' src="/static/' in tag.split(">")[0]
        assert "http://" not in page.replace("http://www.w3.org/", "") and "https://" not in page


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"origin": "http://localhost:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
@pytest.mark.parametrize("path", ["/expected", "/pictures"])
def test_a_foreign_page_cannot_send(plant: Plant, client: httpx.Client, headers: dict[str, str], path: str) -> None:
    files = {"file": ("L1_top.png", b"x")} if path == "/pictures" else None
    answer = client.post(path, data={"choice": "toplid/standard"}, files=files, headers=headers)
    assert answer.status_code == 403
    assert plant.state.now().expected is None and not list((plant.data / "inbox").iterdir())


def test_a_form_stays_small(plant: Plant, client: httpx.Client) -> None:
    assert client.post("/expected", data={"choice": "x" * 30_000}).status_code == 413
    endless = iter([b"choice=", b"x" * 10])  # sent in chunks, its length not stated
    assert client.post("/expected", content=endless).status_code == 413
    assert plant.state.now().expected is None


def test_our_own_page_can_send(plant: Plant, client: httpx.Client) -> None:
    headers = {"origin": str(client.base_url).rstrip("/"), "sec-fetch-site": "same-origin"}
    client.post("/expected", data={"choice": "toplid/standard"}, headers=headers)
    assert plant.state.now().expected is not None


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost:8000", 200),
        ("127.0.0.1", 200),
        ("[::1]:8000", 200),
        ("192.168.7.20:8000", 200),
        ("elsewhere.example", 421),
        ("127.0.0.1.elsewhere.example", 421),
        ("", 421),
        ("[", 421),
    ],
)
def test_only_this_machine_is_answered_for(client: httpx.Client, host: str, status: int) -> None:
    """Else a page elsewhere points a name of its own here and reads along."""
    assert client.get("/station.json", headers={"host": host}).status_code == status


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static/%2e%2e%2f%2e%2e%2f%2e%2e%2fpyproject.toml",
        "/static//etc/passwd",
        "/static/..\\app.py",
        "/static/%5c..%5capp.py",
        "/static/page.css%00.js",
        "/inspections/1/pictures/..%2f..%2frecord.sqlite.jpg",
        "/inspections/1/pictures/%2e%2e/original",
        "/inspections/1/pictures/../../../record.sqlite",
        "/inspections/1/ribbons/..%2f0.png",
        "/inspections/../record.sqlite",
        "/../../record.sqlite",
    ],
)
def test_no_path_leads_out(live: Live, path: str) -> None:
    """Sent as they are: a client library would tidy them up first."""
    live.plant.save("bad")
    connection = http.client.HTTPConnection("127.0.0.1", live.port, timeout=5)
    connection.putrequest("GET", path, skip_host=False)
    connection.endheaders()
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    assert answer.status in (400, 404)
    assert b"SQLite format" not in body and b"create_app" not in body and b"root:" not in body


def test_text_from_outside_stays_text(plant: Plant, client: httpx.Client) -> None:
    attack = "<img src=x onerror=alert(1)>&\"'"
    plant.save_saying("bad", attack, attack)
    plant.state.say(attack, plant.now())
    for path in (
        "/inspections",
        "/inspections/1",
        "/",
        "/inspections?shell_id=" + attack,
        "/" + attack.replace("<", "%3C"),
    ):
        assert "<img src=x" not in client.get(path, headers={"accept": "text/html"}).text


def test_streams_do_not_hold_up_the_end(live: Live) -> None:
    """uvicorn alone waits for open streams at SIGTERM."""
    connection = http.client.HTTPConnection("127.0.0.1", live.port, timeout=5)
    connection.request("GET", "/events")
    answer = connection.getresponse()
    assert answer.getheader("content-type", "").startswith("text/event-stream")
    assert answer.getheader("x-content-type-options") == "nosniff"
    first = answer.readline().decode() + answer.readline().decode()
    assert first.startswith("event: station\ndata: ")
    assert json.loads(first.partition("data: ")[2])["state"] == "waiting"
    assert live.stop() < 1.5
    connection.close()


def test_beats_come_each_second(live: Live) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", live.port, timeout=5)
    connection.request("GET", "/events")
    lines = [connection.getresponse().readline]
    answer = [lines[0]().decode() for _ in range(9)]
    connection.close()
    assert answer[0] == "event: station\n"
    assert answer[3] == answer[6] == "event: beat\n"
    first, second = (json.loads(answer[at].partition("data: ")[2]) for at in (4, 7))
    assert 0.9 < _seconds(second["now"]) - _seconds(first["now"]) < 1.9


def _seconds(iso: str) -> float:
    hours, minutes, seconds = iso[11:-1].split(":")
    return 3600 * int(hours) + 60 * int(minutes) + float(seconds)
