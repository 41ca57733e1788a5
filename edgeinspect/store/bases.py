"""What measurements rest on besides their pictures, kept as files that are named by their own SHA-256: a definition is
edited and a camera calibrated again, and a year later the numbers of then must still be there to be worked out again.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from edgeinspect.errors import StoreError
from edgeinspect.store.files import explained, write_durably

FOLDER = "bases"


@dataclass(frozen=True)
class KeptBasis:
    """One of them, as its file's bytes (see station.basis)."""

    content: bytes

    @cached_property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()


class Bases:
    """Part of ``Store``. All methods raise StoreError."""

    def __init__(self, data: Path) -> None:
        self._folder = data / FOLDER

    def keep(self, basis: KeptBasis) -> str:
        """Its hash; written only where it is not there yet, because it seldom changes."""
        path = self._path(basis.sha256)
        if not path.is_file():
            write_durably(path, basis.content)
        return basis.sha256

    def one(self, sha256: str) -> bytes | None:
        """Its bytes; None where it is not kept. A file that was changed is an error, not another basis."""
        path = self._path(sha256)
        try:
            content = path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise explained(error, path) from error
        if hashlib.sha256(content).hexdigest() != sha256:
            raise StoreError(f"{path} is not what its name says: take it from the last back-up")
        return content

    def _path(self, sha256: str) -> Path:
        return self._folder / f"{sha256}.zip"
