"""Who may do what. The attacks are those of the OWASP Web Security Testing Guide 4.2: account enumeration
(WSTG-IDNT-04), weak lock-out (ATHN-03), cookies' attributes (SESS-02), session fixation (SESS-03), cross site request
forgery (SESS-05), log-out and time-out (SESS-06, 07), bypassing authorisation (ATHZ-02), open redirect (CLNT-04).
"""

from __future__ import annotations

import statistics
import time
from datetime import timedelta

import httpx
import pytest
from argon2 import PasswordHasher, extract_parameters
from sqlalchemy import text

from edgeinspect.store.changes import Changes
from edgeinspect.store.people import IDLE_H, People
from edgeinspect.web import sign_in
from edgeinspect.web.slowing import FREE, FREE_OF_ADDRESS, LONGEST_OF_ADDRESS_S, LONGEST_S, Slowing

from .conftest import Live, Plant
from .signing import PASSWORDS, add_people, browser_of
from .test_routes import _routes

ADA, EVA, OLU = "Ada Admin", "Eva Engineer", "Olu Operator"
PAGE = {"accept": "text/html"}
# An operator's, a decal lead's and a camera's, who have gloves on or no hands: without a log-in.
OPEN = {"/expected", "/pictures", "/aim/check", "/aim/decal", "/aim/pictures", "/sign-in"}


def post_sign_in(client: httpx.Client, name: str, password: str, **more: str) -> httpx.Response:
    return client.post("/sign-in", data={"name": name, "password": password, **more}, headers=PAGE)


def test_the_station_needs_no_sign_in(plant: Plant, client: httpx.Client) -> None:
    plant.save("bad")
    add_people(plant, ADA)
    for path in ("/", "/inspections", "/inspections/1", "/shift", "/calibrations", "/health", "/station.json"):
        assert client.get(path).status_code == 200
    assert client.post("/expected", data={"choice": "toplid/standard"}).status_code == 303


def test_every_changing_route_asks_for_a_person(plant: Plant, client: httpx.Client) -> None:
    """Whatever route is added later is asked here too."""
    add_people(plant, ADA)
    changing = [route for route in _routes(plant) if route.methods & {"POST", "PUT", "PATCH", "DELETE"}]
    paths = {route.path for route in changing} - OPEN
    assert len(paths) >= 6
    for path in paths:
        answer = client.post(path.replace("{", "").replace("}", ""), data={"name": ADA})
        concrete = path.split("{")[0]
        assert answer.status_code in (401, 404, 405), f"{path} ({concrete}) did not ask"


def test_sign_in_and_out(plant: Plant, live: Live) -> None:
    add_people(plant)
    with browser_of(live, EVA) as eva:
        assert f"{EVA}, engineer" in eva.client.get("/inspections").text
        assert eva.post("/sign-out").headers["location"] == "/"
        page = eva.client.get("/inspections").text
        assert EVA not in page and "Sign in" in page


def test_signing_out_ends_it_at_the_station_not_only_in_the_browser(plant: Plant, live: Live) -> None:
    add_people(plant, EVA)
    with browser_of(live, EVA) as eva:
        stolen = eva.client.cookies["edgeinspect"]
        eva.post("/sign-out")
        answer = httpx.get(live.address + "/health", cookies={"edgeinspect": stolen})
        assert EVA not in answer.text


def test_a_wrong_password_an_unknown_name_and_one_switched_off_are_told_the_same(plant: Plant, live: Live) -> None:
    add_people(plant)
    with browser_of(live, ADA) as ada:
        ada.post("/people/active", name=OLU, active="false")
    answers = set()
    for name, password in ((EVA, "not this one, no"), ("Nobody", "not this one, no"), (OLU, PASSWORDS[OLU])):
        with httpx.Client(base_url=live.address) as client:
            page = post_sign_in(client, name, password)
            assert page.status_code == 401 and not page.cookies
            answers.add(page.text)
    assert len(answers) == 1 and sign_in.WRONG in answers.pop()


def test_an_unknown_name_takes_as_long_as_a_wrong_password(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hash of the same settings is verified either way; the medians, taken in turns, differ by less than what a
    missing verification would make of them (it is nearly all of the time).
    """
    add_people(plant, EVA)
    verified: list[str] = []
    true_verify = PasswordHasher.verify

    def verify(self: PasswordHasher, content: str | bytes, password: str | bytes) -> bool:
        verified.append(str(content))
        return true_verify(self, content, password)

    monkeypatch.setattr(PasswordHasher, "verify", verify)
    with Changes.open(plant.data) as changes:
        people = People(changes)
        people.right("Nobody", "x" * 20)  # makes the hash that stands in
        spent: dict[str, list[float]] = {EVA: [], "Nobody": []}
        for _ in range(9):
            for name, times in spent.items():
                verified.clear()
                begun = time.perf_counter()
                assert people.right(name, "not this one, no") is None
                times.append(time.perf_counter() - begun)
                assert len(verified) == 1
                known = extract_parameters(verified[0])
                assert (known.type.name, known.memory_cost, known.time_cost) == ("ID", 65536, 3)  # RFC 9106, 4
    ratio = statistics.median(spent[EVA]) / statistics.median(spent["Nobody"])
    assert 0.5 < ratio < 2.0


def test_no_password_is_kept_or_shown(plant: Plant, live: Live) -> None:
    add_people(plant)
    with browser_of(live, ADA) as ada:
        assert "argon2" not in ada.client.get("/people").text + ada.client.get("/people.json").text
        token = ada.client.cookies["edgeinspect"]
        ada.client.get("/health")
    whole = b"".join(path.read_bytes() for path in plant.data.glob("record.sqlite*"))
    assert not any(password.encode() in whole for password in PASSWORDS.values())
    assert token.encode() not in whole, "a copy of the record must not sign anybody in"
    assert whole.count(b"$argon2id$v=19$m=65536,t=3,p=4$") >= len(PASSWORDS)


def test_guessing_is_slowed_by_name(plant: Plant, live: Live) -> None:
    add_people(plant, EVA)
    assert live.slowing.try_now("somebody else", "10.0.0.9") == 0.0
    live.slowing.clock_s = lambda: 1e6  # it stands still: no test by how fast the machine is
    with httpx.Client(base_url=live.address) as client:
        for name in (EVA, "Nobody"):
            codes = [post_sign_in(client, name, f"guess number {k}").status_code for k in range(FREE + 3)]
            assert codes == [401] * FREE + [429] * 3
            refused = post_sign_in(client, name.upper(), "another guess here")
            assert refused.status_code == 429 and int(refused.headers["retry-after"]) == 1
            assert "Too many tries: wait" in refused.text
        right = post_sign_in(client, EVA, PASSWORDS[EVA])
        assert right.status_code == 429, "while it waits not even the right one is looked at"


def test_the_wait_doubles_up_to_a_minute_and_a_right_password_ends_it() -> None:
    now_s = [0.0]
    slowing = Slowing(lambda: now_s[0])
    waits = []
    for _ in range(FREE + 10):
        while (wait := slowing.try_now("eva", "10.0.0.7")) > 0:
            waits.append(wait)
            now_s[0] += wait
    assert waits == [min(2.0**k, LONGEST_S) for k in range(10)]
    slowing.was_right("eva", "10.0.0.7")
    assert slowing.try_now("eva", "10.0.0.8") == 0.0


def test_one_machine_cannot_go_through_the_names_however_many_it_knows_itself() -> None:
    now_s = [0.0]
    slowing = Slowing(lambda: now_s[0])
    for k in range(FREE_OF_ADDRESS):
        assert slowing.try_now("own", "10.0.0.7") == 0.0
        slowing.was_right("own", "10.0.0.7")  # its own account in between wins it nothing
        assert slowing.try_now(f"name {k}", "10.0.0.7") == 0.0
    assert slowing.try_now("another", "10.0.0.7") > 0.0
    assert slowing.try_now("another", "10.0.0.8") == 0.0, "others are not kept out"
    for _ in range(30):
        wait = slowing.try_now("x", "10.0.0.7")
        assert wait <= LONGEST_OF_ADDRESS_S
        now_s[0] += wait


def test_a_new_secret_at_each_sign_in(plant: Plant, live: Live) -> None:
    """Session fixation: what an attacker put into the browser beforehand is worth nothing afterwards."""
    add_people(plant, EVA)
    with browser_of(live, EVA) as eva:
        first = eva.client.cookies["edgeinspect"]
    for planted in ("known-to-the-attacker", first):
        with httpx.Client(base_url=live.address, cookies={"edgeinspect": planted}) as client:
            answer = post_sign_in(client, EVA, PASSWORDS[EVA])
            assert answer.cookies["edgeinspect"] != planted and len(answer.cookies["edgeinspect"]) >= 43  # 256 bits
        attacker = httpx.get(live.address + "/health", cookies={"edgeinspect": planted})
        assert EVA not in attacker.text


def test_the_cookie(plant: Plant, live: Live) -> None:
    add_people(plant, EVA)
    with httpx.Client(base_url=live.address) as client:
        name, *flags = post_sign_in(client, EVA, PASSWORDS[EVA]).headers["set-cookie"].lower().split("; ")
    assert name.startswith("edgeinspect=") and sorted(flags) == ["httponly", "path=/", "samesite=strict"]


def test_a_form_of_another_page_changes_nothing(plant: Plant, live: Live) -> None:
    """The browser sends the cookie along with it, and nothing else that only our page knows."""
    add_people(plant)
    form = {"name": OLU, "role": "administrator"}
    with browser_of(live, ADA) as ada, browser_of(live, EVA) as eva:
        for token in ({}, {"form_token": ""}, {"form_token": "0" * 64}, {"form_token": eva.token()}):
            answer = ada.client.post("/people/role", data={**form, **token})
            assert answer.status_code == 403
            assert answer.json()["error"]["problems"] == [
                "The form is not of this session: load the page again. Nothing was changed."
            ]
        headers = {"origin": "http://elsewhere.example"}
        foreign = ada.client.post("/people/role", data={**form, "form_token": ada.token()}, headers=headers)
        assert foreign.status_code == 403
        roles = {one["name"]: one["role"] for one in ada.client.get("/people.json").json()["people"]}
        assert roles[OLU] == "operator"
        by_script = ada.client.post("/people/role", data=form, headers={"X-Form-Token": ada.token()})
        assert by_script.status_code == 303
        roles = {one["name"]: one["role"] for one in ada.client.get("/people.json").json()["people"]}
        assert roles[OLU] == "administrator"


@pytest.mark.parametrize("name", [EVA, "Quin Quality", OLU])
def test_another_roles_page(plant: Plant, live: Live, name: str) -> None:
    add_people(plant)
    with browser_of(live, name) as browser:
        for answer in (
            browser.client.get("/people", headers=PAGE),
            browser.post("/people/active", name=ADA, active="0"),
        ):
            assert answer.status_code == 403
            assert f"This is for administrator: {name} is signed in as" in answer.text
        assert "/people" not in browser.client.get("/inspections").text
    with Changes.open(plant.data) as changes:
        assert all(person.active for person in People(changes).all())


def test_a_page_that_needs_a_person_sends_to_the_sign_in_and_back(plant: Plant, client: httpx.Client) -> None:
    add_people(plant, ADA)
    answer = client.get("/people", headers=PAGE)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?then=%2Fpeople")
    assert client.get("/people.json").status_code == 401
    page = client.get(answer.headers["location"], headers=PAGE).text
    assert 'name="then" value="/people"' in page
    assert post_sign_in(client, ADA, PASSWORDS[ADA], then="/people").headers["location"] == "/people"


@pytest.mark.parametrize(
    "then", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "/a\r\nx: y", "", "people"]
)
def test_the_way_back_never_leads_elsewhere(plant: Plant, client: httpx.Client, then: str) -> None:
    add_people(plant, ADA)
    assert post_sign_in(client, ADA, PASSWORDS[ADA], then=then).headers["location"] == "/"


def test_idle_for_a_shift_is_signed_out(plant: Plant, live: Live) -> None:
    add_people(plant, EVA)
    with browser_of(live, EVA) as eva:
        for _ in range(3):  # looked at now and then it stays
            plant.ahead += timedelta(hours=IDLE_H - 0.1)
            assert EVA in eva.client.get("/health").text
        plant.ahead += timedelta(hours=IDLE_H + 0.1)
        assert EVA not in eva.client.get("/health").text
        plant.ahead -= timedelta(hours=4)
        assert EVA not in eva.client.get("/health").text, "it does not come back"


def test_a_role_taken_away_counts_at_once(plant: Plant, live: Live) -> None:
    add_people(plant)
    with browser_of(live, ADA) as ada, browser_of(live, EVA) as eva:
        ada.post("/people/role", name=EVA, role="administrator")
        assert eva.client.get("/people").status_code == 200
        ada.post("/people/role", name=EVA, role="engineer")
        assert eva.client.get("/people").status_code == 403
        ada.post("/people/active", name=EVA, active="false")
        assert eva.client.get("/people.json").status_code == 401


def test_the_administrator_adds_resets_and_switches_off_but_nobody_goes(plant: Plant, live: Live) -> None:
    add_people(plant, ADA)
    new, other = "a cup of cold tea", "two cups of cold tea"
    with browser_of(live, ADA) as ada:
        assert ada.post("/people", name="Rosa Rüb", role="quality", password=new).status_code == 303
        again = ada.post("/people", name="ROSA RÜB", role="quality", password=new)
        assert again.status_code == 400 and "already" in again.text
        with httpx.Client(base_url=live.address) as rosa:
            assert post_sign_in(rosa, "rosa rüb", new).status_code == 303
            ada.post("/people/password", name="Rosa Rüb", password=other)
            assert "Rosa" not in rosa.get("/health").text, "signed out everywhere"
            assert post_sign_in(rosa, "Rosa Rüb", new).status_code == 401
            assert post_sign_in(rosa, "Rosa Rüb", other).status_code == 303
        for form in ({"role": "engineer"}, {"active": "false"}):
            path = "/people/role" if "role" in form else "/people/active"
            last = ada.post(path, name=ADA, **form)
            assert last.status_code == 400 and "last administrator" in last.text
        ada.post("/people/active", name="Rosa Rüb", active="false")
        people = {one["name"]: one["active"] for one in ada.client.get("/people.json").json()["people"]}
        assert people == {ADA: True, "Rosa Rüb": False}
    with Changes.open(plant.data) as changes:
        done = [(one.who, one.what, one.subject) for one in changes.all()]
        assert done[:3] == [
            (ADA, "person switched off", "person Rosa Rüb"),
            (ADA, "password set", "person Rosa Rüb"),
            (ADA, "person added", "person Rosa Rüb"),
        ]
        with pytest.raises(Exception, match="switch off instead"), changes.engine.begin() as connection:
            connection.execute(text("DELETE FROM person"))


def test_ones_own_password(plant: Plant, live: Live) -> None:
    add_people(plant, EVA)
    new = "an even better sentence"
    with browser_of(live, EVA) as eva:
        wrong = eva.post("/password", password="not this one, no", new=new, again=new)
        assert wrong.status_code == 401
        assert eva.post("/password", password=PASSWORDS[EVA], new=new, again=new + "!").status_code == 400
        assert eva.post("/password", password=PASSWORDS[EVA], new=new, again=new).status_code == 303
        assert EVA not in eva.client.get("/health").text
        assert post_sign_in(eva.client, EVA, new).status_code == 303


@pytest.mark.parametrize(
    ("name", "password", "words"),
    [
        ("Kim", "short", "password has 5 characters, must have 12 to 200"),
        ("Kim", "aaaaaaaaaaaaaaaa", "fewer than 5 different"),
        ("Kim", "kim-kim-kim-2026", "holds the name of the person"),
        ("Kim", "x" * 150 + "abcdefgh" * 10, "has 230 characters"),
        ("  ", "a cup of cold tea", "name is ''"),
        ("\u202eKim", "a cup of cold tea", "name is "),
        ("K" * 61, "a cup of cold tea", "name is "),
    ],
)
def test_names_and_passwords_that_are_refused(plant: Plant, live: Live, name: str, password: str, words: str) -> None:
    add_people(plant, ADA)
    with browser_of(live, ADA) as ada:
        answer = ada.post("/people", name=name, role="quality", password=password)
        assert answer.status_code == 400
        assert words in answer.json()["error"]["problems"][0]
        assert password not in answer.text
        assert len(ada.client.get("/people.json").json()["people"]) == 1
