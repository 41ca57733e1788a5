"""The simulator must not share the measuring code: a mistake made in both would hide."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import edgeinspect.simulate

FOLDER = Path(edgeinspect.simulate.__file__).parent


def test_no_file_imports_the_measuring_code() -> None:
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [a.name for a in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
            assert not any("measure" in name for name in names), path.name


def test_the_fast_renderer_needs_no_ray_tracer() -> None:
    code = (
        "import sys; import edgeinspect.simulate.fast, edgeinspect.simulate.samples;"
        "print([m for m in sys.modules if m.startswith(('mitsuba', 'drjit', 'edgeinspect.measure'))])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=FOLDER.parents[1]
    )
    assert done.stdout.strip() == "[]"
