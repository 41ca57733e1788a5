"""Who is at the browser: sign in, sign out, and what a route asks for when it belongs to a person.

The station page and everything an operator needs stays without.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
import math
import re
import threading
from collections.abc import Awaitable, Callable
from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends, Form, HTTPException, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from edgeinspect.errors import InputError, StoreError
from edgeinspect.store.people import Person, Role
from edgeinspect.web.guard import SAFE_METHODS
from edgeinspect.web.look import iso_time
from edgeinspect.web.parts import Parts, PartsHere, parts_of
from edgeinspect.web.problems import wants_page

PATIENCE_S = 5.0
AT_ONCE = 2  # passwords verified at the same time: each takes 64 MB and all of a core
WRONG = "Name or password is not right: try again."  # the same for a name that nobody has
HEADER = "X-Form-Token"  # instead of the form's field, for requests made by a script
_log = logging.getLogger(__name__)
_places = threading.BoundedSemaphore(AT_ONCE)

routes = APIRouter()
Name = Annotated[str, Form(max_length=200)]
Password = Annotated[str, Form(max_length=1000)]
Then = Annotated[str, Form(max_length=500)]


# -- who is signed in


def cookie_name(request: Request) -> str:
    """With TLS a name that browsers keep from being set by any other host or path (RFC 6265bis, 4.1.3.2)."""
    return "__Host-edgeinspect" if request.url.scheme == "https" else "edgeinspect"


def signed_in(request: Request) -> Person | None:
    """Who is signed in in this browser; asked once a request."""
    state = request.state
    if not hasattr(state, "person"):
        token = request.cookies.get(cookie_name(request))
        parts = parts_of(request)
        state.person = parts.people.signed_in(token, parts.clock()) if token else None
    return cast("Person | None", state.person)


def form_token(request: Request) -> str:
    """What a form must bring along: another site's page can make a browser send the cookie, but cannot know this."""
    token = request.cookies.get(cookie_name(request), "")
    return hmac.new(token.encode(), b"form", hashlib.sha256).hexdigest()


def for_pages(request: Request) -> dict[str, Any]:
    """What every template knows. A record that cannot be read is said elsewhere: then nobody is signed in."""
    try:
        person = signed_in(request)
    except StoreError:
        person = None
    return {"person": person, "form_token": form_token(request) if person else "", "path": request.url.path}


def person(*roles: Role) -> Callable[[Request], Awaitable[Person]]:
    """A dependency: somebody signed in, in one of these roles (any if none is named), and of whatever changes
    something, sent by our own form.

    401 nobody is signed in (a page sends to the sign-in first), 403 another role, or no form token.
    """

    async def needed(request: Request) -> Person:
        found = await run_in_threadpool(signed_in, request)
        if found is None:
            raise HTTPException(401, "This belongs to a named person: sign in first. Nothing was changed.")
        if request.method not in SAFE_METHODS:
            given = request.headers.get(HEADER) or (await request.form()).get("form_token")
            if not isinstance(given, str) or not hmac.compare_digest(given.encode(), form_token(request).encode()):
                raise HTTPException(403, "The form is not of this session: load the page again. Nothing was changed.")
        if roles and found.role not in roles:
            allowed = " or ".join(roles)
            raise HTTPException(403, f"This is for {allowed}: {found.name} is signed in as {found.role}.")
        return found

    return needed


Signed = Annotated[Person, Depends(person())]


# -- sign in and out: forms, not records, so without a JSON twin


@routes.get("/sign-in", include_in_schema=False)
def sign_in_page(request: Request, parts: PartsHere, then: Annotated[str, Query(max_length=500)] = "/") -> Response:
    return _page(request, parts, then)


@routes.post("/sign-in")
def sign_in(request: Request, parts: PartsHere, name: Name, password: Password, then: Then = "/") -> Response:
    """A new secret each time, whatever the browser brought along."""
    address = request.client.host if request.client else ""
    try:
        found = _right(parts, name, password, address)
    except HTTPException as error:
        if not wants_page(request):
            raise
        return _page(request, parts, then, error)
    if former := request.cookies.get(cookie_name(request)):
        parts.people.sign_out(former)
    token = parts.people.sign_in(found, parts.clock())
    answer = RedirectResponse(_inside(then), status_code=303)
    secure = request.url.scheme == "https"
    answer.set_cookie(cookie_name(request), token, path="/", secure=secure, httponly=True, samesite="strict")
    return answer


@routes.post("/sign-out")
def sign_out(request: Request, parts: PartsHere, _: Signed) -> Response:
    parts.people.sign_out(request.cookies[cookie_name(request)])
    answer = RedirectResponse("/", status_code=303)
    secure = request.url.scheme == "https"
    answer.delete_cookie(cookie_name(request), path="/", secure=secure, httponly=True, samesite="strict")
    return answer


@routes.get("/password", include_in_schema=False)
def password_page(request: Request, parts: PartsHere, _: Signed) -> Response:
    return parts.pages.TemplateResponse(request, "password.html", {"here": "password"})


@routes.post("/password")
def change_password(
    request: Request, parts: PartsHere, who: Signed, password: Password, new: Password, again: Password
) -> Response:
    """One's own; it signs out everywhere."""
    if new != again:
        raise InputError("the new password was not typed the same twice: nothing was changed")
    _right(parts, who.name, password, request.client.host if request.client else "")
    parts.people.set_password(who.name, new, iso_time(parts.clock()), who.who)
    return RedirectResponse("/sign-in", status_code=303)


def _right(parts: Parts, name: str, password: str, address: str) -> Person:
    """Who this is. Raises HTTPException 401 or 429, in the same words for every name."""
    key = name.strip().casefold()
    wait_s = math.ceil(parts.slowing.try_now(key, address))
    if wait_s > 0:
        raise HTTPException(429, f"Too many tries: wait {wait_s} s, then try again.", {"Retry-After": str(wait_s)})
    if not _places.acquire(timeout=PATIENCE_S):
        raise HTTPException(503, "Many others are signing in: try again in a moment.")
    try:
        found = parts.people.right(name, password)
    finally:
        _places.release()
    if found is None:
        _log.warning("sign-in refused for %r from %s", name[:60], address)
        raise HTTPException(401, WRONG)
    parts.slowing.was_right(key, address)
    return found


def _page(request: Request, parts: Parts, then: str, refused: HTTPException | None = None) -> Response:
    content = {"then": _inside(then), "problem": refused.detail if refused else "", "here": "sign-in"}
    status, headers = (refused.status_code, refused.headers) if refused else (200, None)
    return parts.pages.TemplateResponse(request, "sign_in.html", content, status_code=status, headers=headers)


def _inside(then: str) -> str:
    """A path of this station, never an address elsewhere."""
    return then if re.fullmatch(r"/(?!/)[!-\[\]-~]*", then) else "/"
