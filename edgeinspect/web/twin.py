"""The JSON twin of a large page: what was made here is not checked again, which would take longer than making it."""

from __future__ import annotations

import functools
from typing import Any

from fastapi.responses import Response
from pydantic import TypeAdapter


@functools.cache
def _adapter(kind: type) -> TypeAdapter[Any]:
    return TypeAdapter(kind)


def as_json(record: object) -> Response:
    """A record (dataclass) as FastAPI writes it; name its type as the route's ``response_model``."""
    kind: type = type(record)
    return Response(_adapter(kind).dump_json(record), media_type="application/json")
