"""What can go wrong with a set-up or a file. "Could not measure" is not here: that is a value
(measure.measurement.Stop).

EdgeinspectError
├── InputError          a file or a request is not what it must be; carries every mistake found in it
│   ├── DefinitionError     shell.toml, station.toml, outline, artwork
│   ├── PictureError        a picture cannot be used at all
│   └── CalibrationError    calibration pictures, or a calibration file
└── StoreError          the record cannot be kept: disk full, read-only, locked
"""

from __future__ import annotations

from collections.abc import Sequence


class EdgeinspectError(Exception):
    """Base of every error that edgeinspect raises on purpose. Its text is one or more plain sentences, one a line."""


class InputError(EdgeinspectError):
    """Bad input, with every mistake of the file at once.

    ``problems`` holds one sentence each: file or field, what was got, what is allowed, what to do.
    """

    def __init__(self, problems: str | Sequence[str]) -> None:
        self.problems: tuple[str, ...] = (problems,) if isinstance(problems, str) else tuple(problems)
        super().__init__("\n".join(self.problems))


class DefinitionError(InputError):
    """A shell or station definition, or a file that it names, is wrong."""


class PictureError(InputError):
    """A picture cannot be used: truncated, empty, too large, of another type or size."""


class CalibrationError(InputError):
    """Calibration pictures are not good enough, or a calibration file does not fit."""


class StoreError(EdgeinspectError):
    """The record could not be kept. Nothing that was not kept may be shown."""
