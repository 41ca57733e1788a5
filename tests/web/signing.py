"""Persons of the tests, and clients in which one of them is signed in."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass

import httpx

from edgeinspect.store.changes import Changes, Who
from edgeinspect.store.people import People, Role

from .conftest import Live, Plant

PASSWORDS = {
    "Ada Admin": "grey kettle over nine",
    "Eva Engineer": "seven slow windmills",
    "Quin Quality": "paper boats at dawn",
    "Olu Operator": "three green bicycles",
}
ROLES = dict(zip(PASSWORDS, (Role.ADMINISTRATOR, Role.ENGINEER, Role.QUALITY, Role.OPERATOR), strict=True))
SETUP = Who("set-up", "at the machine")


def add_people(plant: Plant, *names: str) -> None:
    with Changes.open(plant.data) as changes:
        for name in names or PASSWORDS:
            People(changes).add(name, ROLES[name], PASSWORDS[name], plant.now(), SETUP)


@dataclass
class Browser:
    """A client that sends forms as our own pages do."""

    client: httpx.Client

    def token(self) -> str:
        found = re.search(r'name="form-token" content="([0-9a-f]{64})"', self.client.get("/health").text)
        assert found is not None, "nobody is signed in"
        return found[1]

    def post(self, path: str, **form: str) -> httpx.Response:
        return self.client.post(path, data={"form_token": self.token(), **form}, follow_redirects=False)


@contextlib.contextmanager
def browser_of(live: Live, name: str) -> Iterator[Browser]:
    with httpx.Client(base_url=live.address, timeout=20) as client:
        answer = client.post("/sign-in", data={"name": name, "password": PASSWORDS[name]})
        assert answer.status_code == 303
        yield Browser(client)
