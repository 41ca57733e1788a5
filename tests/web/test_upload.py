"""Pictures by HTTP: what is taken, what is refused, and that nothing is left behind."""

from __future__ import annotations

import http.client

import httpx
import pytest

from .conftest import Live, Plant

PNG = b"\x89PNG\r\n\x1a\n" + b"not decoded here" * 10


def body(*files: tuple[str, bytes], boundary: str = "edge") -> bytes:
    """A multipart body written by hand, so that names go out as they are (RFC 7578)."""
    parts = b""
    for name, content in files:
        head = f'--{boundary}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n'
        parts += head.encode("latin-1", "replace") + b"Content-Type: image/png\r\n\r\n" + content + b"\r\n"
    return parts + f"--{boundary}--\r\n".encode()


def send(client: httpx.Client, content: bytes, kind: str = "multipart/form-data; boundary=edge") -> tuple[int, str]:
    answer = client.post("/pictures", content=content, headers={"content-type": kind})
    problems = answer.json().get("error", {}).get("problems", [""])
    assert len(problems) == 1
    return answer.status_code, problems[0]


def inbox(plant: Plant) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (plant.data / "inbox").iterdir()}


def everything(plant: Plant) -> set[str]:
    return {str(path) for path in plant.data.parent.rglob("*") if not path.name.startswith("record.sqlite")}


def test_pictures_are_taken_as_they_are(plant: Plant, client: httpx.Client) -> None:
    files = [("file", ("L-0414_top.png", PNG)), ("file", ("L-0415_top.tif", b"II*\0" + bytes(range(256)) * 500))]
    answer = client.post("/pictures", files=files)
    assert answer.status_code == 202
    assert answer.json() == {"taken": ["L-0414_top.png", "L-0415_top.tif"]}
    assert inbox(plant) == {name: content for _, (name, content) in files}


@pytest.mark.parametrize(
    "name",
    [
        "../L1_top.png",
        "../../record_top.png",
        "/etc/L1_top.png",
        "inbox/L1_top.png",
        "..\\L1_top.png",
        "C:\\temp\\L1_top.png",
        "\\\\server\\share\\L1_top.png",
        "L1_top.png\x00.exe",
        "L1\x00_top.png",
        "%2e%2e%2fL1_top.png",
        ".L1_top.png",
        "L1_top.png.part",
        "L1_side.png",
        "L1.png",
        "_top.png",
        "L1_top.jpg",
        "L1_top",
        "",
        "CON",
        "NUL.png",
        "L1_top.png:stream",
        "L1 _top.png",
        "L1\n_top.png",
        "é_top.png",
        "a" * 300 + "_top.png",
    ],
)
def test_names_that_are_not_allowed(plant: Plant, client: httpx.Client, name: str) -> None:
    before = everything(plant)
    status, sentence = send(client, body((name, PNG)))
    assert status == 400 and len(sentence) > 20
    assert everything(plant) == before


def test_one_wrong_name_and_nothing_is_taken(plant: Plant, client: httpx.Client) -> None:
    assert send(client, body(("L1_top.png", PNG), ("../L2_top.png", PNG)))[0] == 400
    assert inbox(plant) == {}


def test_the_same_name_twice(plant: Plant, client: httpx.Client) -> None:
    assert send(client, body(("L1_top.png", PNG), ("L1_top.png", PNG))) == (
        400,
        "L1_top.png is in the upload twice: send it once.",
    )
    assert send(client, body(("L1_top.png", PNG)))[0] == 202
    assert send(client, body(("L1_top.png", b"other")))[0] == 400
    assert inbox(plant) == {"L1_top.png": PNG}


def test_too_large(plant: Plant, client: httpx.Client) -> None:
    limit = plant.station.intake.picture_limit_bytes
    assert send(client, body(("L1_top.png", b"x" * limit)))[0] == 202
    status, sentence = send(client, body(("L2_top.png", b"x" * (limit + 1))))
    assert (status, sentence) == (413, "L2_top.png has more than 2.0 MB: check what the camera program saves.")
    whole = [(f"M{k}_top.png", b"x" * 1_900_000) for k in range(3)]
    assert send(client, body(*whole)) == (413, "The upload has more than 5.0 MB: send fewer pictures at once.")
    assert list(inbox(plant)) == ["L1_top.png"]


def test_too_large_is_said_before_all_of_it_has_come(live: Live) -> None:
    """Without this a sender fills the memory: the body here never ends, and its length is not stated."""
    connection = http.client.HTTPConnection("127.0.0.1", live.port, timeout=10)
    connection.putrequest("POST", "/pictures")
    connection.putheader("Content-Type", "multipart/form-data; boundary=edge")
    connection.putheader("Transfer-Encoding", "chunked")
    connection.endheaders()
    start = body(("L1_top.png", b""))[: -len(b"\r\n--edge--\r\n")]
    chunk = b"x" * 100_000
    connection.send(f"{len(start):x}\r\n".encode() + start + b"\r\n")
    for _ in range(22):
        connection.send(f"{len(chunk):x}\r\n".encode() + chunk + b"\r\n")
    assert connection.getresponse().status == 413
    connection.close()
    assert inbox(live.plant) == {}


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (body(("L1_top.png", PNG))[:-12], "multipart/form-data; boundary=edge", 400),  # cut off
        (body(("L1_top.png", PNG)), "multipart/form-data; boundary=other", 400),
        (b"", "multipart/form-data; boundary=edge", 400),
        (b"--edge--\r\n", "multipart/form-data; boundary=edge", 400),
        (PNG, "image/png", 415),
        (PNG, "multipart/form-data", 415),
        (PNG, "", 415),
        (
            b'--edge\r\nContent-Disposition: form-data; name="a"\r\n\r\nvalue\r\n--edge--\r\n',
            "multipart/form-data; boundary=edge",
            400,
        ),
        (b"--edge\r\nContent-Type: image/png\r\n\r\nvalue\r\n--edge--\r\n", "multipart/form-data; boundary=edge", 400),
        (
            b"--edge\r\n" + b"A: " + b"x" * 100_000 + b"\r\n\r\nvalue\r\n--edge--\r\n",
            "multipart/form-data; boundary=edge",
            400,
        ),
        (body(*[(f"L{k}_top.png", b"x") for k in range(17)]), "multipart/form-data; boundary=edge", 400),
        (PNG, "multipart/form-data; boundary=" + "e" * 5000, 400),
    ],
)
def test_bodies_that_cannot_be_read(plant: Plant, client: httpx.Client, content: bytes, kind: str, status: int) -> None:
    got, sentence = send(client, content, kind)
    assert got == status and len(sentence) > 20
    assert inbox(plant) == {}
