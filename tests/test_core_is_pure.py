"""The measuring core: records in, records out. No file, database, network, clock or randomness.

The import contract in pyproject.toml forbids the modules; this reads every line for what a contract does not see:
built-in ``open``, numpy's random numbers and its files, imports inside functions.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import edgeinspect

PACKAGE = Path(edgeinspect.__file__).parent
CORE = [
    PACKAGE / "geometry.py",
    *sorted((PACKAGE / "conformity").rglob("*.py")),
    PACKAGE / "shell" / "definition.py",
    *sorted((PACKAGE / "measure").rglob("*.py")),
    *sorted((PACKAGE / "gauge").rglob("*.py")),
    *sorted((PACKAGE / "process").rglob("*.py")),
]
FILES = {"os", "pathlib", "io", "tempfile", "shutil", "glob", "pickle", "sqlite3", "sqlalchemy", "alembic", "logging"}
NETWORK = {"socket", "http", "urllib", "asyncio", "subprocess", "multiprocessing", "threading", "importlib"}
CLOCK_AND_CHANCE = {"time", "datetime", "random", "secrets", "uuid"}
MODULES = FILES | NETWORK | CLOCK_AND_CHANCE
CALLS = {"open", "exec", "eval", "print", "input", "__import__"}
ATTRIBUTES = {
    ("np", "random"),
    ("numpy", "random"),
    ("np", "load"),
    ("np", "save"),
    ("np", "savez"),
    ("np", "fromfile"),
    ("np", "loadtxt"),
    ("np", "savetxt"),
    ("np", "memmap"),
    ("cv2", "imread"),
    ("cv2", "imwrite"),
    ("cv2", "setRNGSeed"),
    ("cv2", "FileStorage"),
    ("cv2", "getTickCount"),
}


def impure(source: str) -> list[str]:
    """What in a module's text reaches outside, as line and name."""
    found = []
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        found += [
            f"{node.lineno}: {name}"  # type: ignore[attr-defined]
            for name in names
            if name.split(".")[0] in MODULES or name.startswith(("numpy.random", "scipy.stats.qmc"))
        ]
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in CALLS:
            found.append(f"{node.lineno}: {node.func.id}()")
        if (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and (node.value.id, node.attr) in ATTRIBUTES
        ):
            found.append(f"{node.lineno}: {node.value.id}.{node.attr}")
    return found


@pytest.mark.parametrize("path", CORE, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nothing_reaches_outside(path: Path) -> None:
    assert impure(path.read_text(encoding="utf-8")) == []


def test_the_core_is_all_there() -> None:
    names = {path.name for path in CORE}
    assert {"edge.py", "marks.py", "shell.py", "check.py", "verdict.py", "kernels.py"} <= names
    assert len(CORE) > 20


@pytest.mark.parametrize(
    "line",
    [
        "import os",
        "import os.path",
        "from datetime import datetime",
        "def f():\n    from time import time",
        "import numpy as np\nx = np.random.default_rng()",
        "from numpy.random import default_rng",
        "from numpy import random",
        "open('x')",
        "import cv2\ncv2.imread('x')",
    ],
)
def test_the_reader_sees_what_it_must(line: str) -> None:
    assert impure(line) != []
