"""The house keeps its shape: layers, types, style, and nothing at the top level that was not agreed."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "LICENSE",
    "edgeinspect",
    "models",
    "tests",
    "sample_images",
}
BIN = Path(sys.executable).parent


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["lint-imports", "--no-cache"], id="layers"),
        pytest.param(["mypy"], id="types"),
        pytest.param(["ruff", "check", "."], id="style"),
    ],
)
def test_a_tool_finds_nothing(command: list[str]) -> None:
    result = subprocess.run([BIN / command[0], *command[1:]], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


def test_the_top_level_holds_what_was_agreed() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split(
        "\n"
    )
    top = {name.split("/")[0] for name in listed if name}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize(
    ("words", "home"), [("[:1].upper()", "conformity/verdict.py"), ("sched_setscheduler", "one_thread.py")]
)
def test_what_has_a_home_is_written_only_there(words: str, home: str) -> None:
    package = ROOT / "edgeinspect"
    found = [path for path in package.rglob("*.py") if words in path.read_text(encoding="utf-8")]
    assert [path.relative_to(package).as_posix() for path in found] == [home]


def test_the_sample_pictures_stay_small() -> None:
    size = sum(path.stat().st_size for path in (ROOT / "sample_images").rglob("*") if path.is_file())
    assert size < 30e6


@pytest.mark.parametrize(("ci", "outcome"), [("true", pytest.fail.Exception), ("", pytest.skip.Exception)])
def test_a_missing_part_is_a_skip_on_a_laptop_and_a_failure_in_ci(
    ci: str, outcome: type[BaseException], missing_part: Callable[[str], NoReturn], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", ci)
    with pytest.raises(outcome, match="install Chromium"):
        missing_part("install Chromium")
