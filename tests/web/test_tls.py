"""TLS with a certificate that is given. Peer: OpenSSL, by Python's ssl and by httpx; RFC 6265bis for the cookie."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from typer.testing import CliRunner

from edgeinspect import cli
from edgeinspect.errors import InputError
from edgeinspect.web.serve import checked_tls, make_server

from .conftest import Plant, wait_for
from .signing import PASSWORDS, add_people

EVA = "Eva Engineer"


def write_certificate(folder: Path, password: bytes | None = None) -> tuple[Path, Path]:
    """Signed by itself, for 127.0.0.1."""
    folder.mkdir(exist_ok=True)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "station of a test")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False)
        .sign(key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    locked = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    paths = folder / "station.pem", folder / "station.key"
    paths[0].write_bytes(certificate.public_bytes(pem))
    paths[1].write_bytes(key.private_bytes(pem, serialization.PrivateFormat.PKCS8, locked))
    return paths


@pytest.fixture
def secure(plant: Plant, tmp_path: Path) -> Iterator[tuple[str, Path]]:
    certificate, key = write_certificate(tmp_path / "tls")
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        server = make_server(plant.app(), port=port, tls=checked_tls(certificate, key))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        wait_for(lambda: server.started, 20, "the server did not start")
        yield f"https://127.0.0.1:{port}", certificate
        server.end_streams()
        server.should_exit = True
        thread.join(15)


def test_pages_and_sign_in_over_tls(plant: Plant, secure: tuple[str, Path]) -> None:
    address, certificate = secure
    add_people(plant, EVA)
    trusted = ssl.create_default_context(cafile=certificate)
    with httpx.Client(base_url=address, verify=trusted) as client:
        assert client.get("/station.json").status_code == 200
        answer = client.post("/sign-in", data={"name": EVA, "password": PASSWORDS[EVA]}, headers={"origin": address})
        name, *flags = answer.headers["set-cookie"].split("; ")
        assert name.startswith("__Host-edgeinspect=")
        assert sorted(map(str.lower, flags)) == ["httponly", "path=/", "samesite=strict", "secure"]
        assert EVA in client.get("/health").text
    with pytest.raises(httpx.ConnectError, match="certificate"):
        httpx.get(address + "/station.json")  # nobody vouches for it


def test_nothing_older_than_tls_1_2_and_no_plain_words(secure: tuple[str, Path]) -> None:
    """RFC 8996: TLS 1.0 and 1.1 must not be used."""
    address, certificate = secure
    port = int(address.rsplit(":", 1)[1])
    trusted = ssl.create_default_context(cafile=certificate)
    with (
        socket.create_connection(("127.0.0.1", port)) as plain,
        trusted.wrap_socket(plain, server_hostname="127.0.0.1") as wrapped,
    ):
        assert wrapped.version() in ("TLSv1.2", "TLSv1.3")
    with pytest.raises(httpx.HTTPError):
        httpx.get(f"http://127.0.0.1:{port}/station.json")


def test_wrong_files_are_one_sentence(tmp_path: Path) -> None:
    certificate, key = write_certificate(tmp_path / "a")
    _, other_key = write_certificate(tmp_path / "b")
    _, locked_key = write_certificate(tmp_path / "c", b"a password")
    words = tmp_path / "words.pem"
    words.write_text("not a certificate")
    assert checked_tls(None, None) is None and checked_tls(certificate, key) is not None
    for pair, sentence in (
        ((None, key), "--key is given without --certificate"),
        ((certificate, tmp_path / "gone.key"), "gone.key cannot be read (No such file or directory)"),
        ((certificate, other_key), "is of another certificate than"),
        ((certificate, locked_key), "its key (PEM, without a password)"),
        ((certificate, None), "must be a certificate (PEM, with its chain) and its key"),
        ((words, key), "must be a certificate (PEM, with its chain) and its key"),
    ):
        with pytest.raises(InputError) as wrong:
            checked_tls(*pair)
        assert len(wrong.value.problems) == 1 and sentence in wrong.value.problems[0]
    done = CliRunner().invoke(cli.app, ["serve", "--certificate", str(words), "--key", str(key)])
    assert done.exit_code == 2 and "cannot be used for TLS" in done.output
