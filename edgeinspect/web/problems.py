"""What is said when something is wrong: plain sentences, one shape in JSON, the same sentences on a page."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from http import HTTPStatus
from urllib.parse import urlencode

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates
from pydantic import TypeAdapter
from starlette.exceptions import HTTPException

from edgeinspect.errors import InputError, StoreError

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Problem:
    status: int
    problems: list[str]  # one sentence each


@dataclass(frozen=True)
class ProblemRecord:
    """The one shape of every error in JSON."""

    error: Problem


_json = TypeAdapter(ProblemRecord)


def wants_page(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "") and not request.url.path.endswith(".json")


def answer_problems(app: FastAPI, pages: Jinja2Templates) -> None:
    """Make ``app`` answer every error in one way: a page for people who asked for one, JSON for everyone else."""

    def answer(request: Request, status: int, problems: Sequence[str]) -> Response:
        if wants_page(request):
            title = HTTPStatus(status).phrase
            return pages.TemplateResponse(
                request, "problem.html", {"status": status, "title": title, "problems": problems}, status_code=status
            )
        record = ProblemRecord(Problem(status, list(problems)))
        return JSONResponse(_json.dump_python(record, mode="json"), status_code=status)

    @app.exception_handler(InputError)
    def bad_input(request: Request, error: Exception) -> Response:
        assert isinstance(error, InputError)
        return answer(request, 400, error.problems)

    @app.exception_handler(StoreError)
    def no_record(request: Request, error: Exception) -> Response:
        return answer(request, 503, [str(error)])

    @app.exception_handler(HTTPException)
    def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        sentences = {404: f"There is no page {request.url.path}.", 405: f"{request.method} is not answered here."}
        if error.status_code == 401 and request.method == "GET" and wants_page(request):
            asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"/sign-in?{urlencode({'then': asked})}", status_code=303)
        generic = error.detail == HTTPStatus(error.status_code).phrase
        sentence = sentences.get(error.status_code, error.detail) if generic else error.detail
        said = answer(request, error.status_code, [sentence])
        said.headers.update(error.headers or {})
        return said

    @app.exception_handler(RequestValidationError)
    def wrong_request(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        problems = [_sentence(one["loc"], one.get("input"), one["msg"]) for one in error.errors()]
        in_path = all(one["loc"][0] == "path" for one in error.errors())
        return answer(request, 404 if in_path else 400, problems)

    @app.exception_handler(Exception)
    def broken(request: Request, error: Exception) -> Response:
        log.error("%s %s failed", request.method, request.url.path, exc_info=error)
        return answer(
            request, 500, ["This page could not be made: that is a fault of the program. The record is not touched."]
        )


def _sentence(place: Sequence[str | int], got: object, rule: str) -> str:
    name = str(place[-1]) if place else "request"
    if got is None or isinstance(got, dict):
        return f"{name} is missing."
    shown = str(got)
    shown = shown if len(shown) <= 80 else shown[:77] + "..."
    return f"{name} is {shown!r}: {rule[:1].lower()}{rule[1:]}."
