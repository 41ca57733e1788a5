"""Make the sample pictures: ``python -m edgeinspect.simulate.samples [--only NAME ...] [--quality full|draft] [--out
DIR] [--truth-only]``.

Writes sample_images/calibration/ (and rear/ in it), sample_images/shells/, truth.json and truth_edges.npz. It goes
picture by picture (about a minute each on two cores), says how far it is and skips what is already there: stop it and
start it again at will; delete a picture to make it anew. ``--quality draft`` (seconds a picture) is for looking only:
its edges are coarse. The truth is written from the scene, never from a picture.

Needs the extra "samples" (mitsuba). On Debian mitsuba wants libllvm19 and
DRJIT_LIBLLVM_PATH=/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1 (other versions of LLVM abort).
"""

from __future__ import annotations

import argparse
import io
import json
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from edgeinspect.geometry import Array, Pose
from edgeinspect.simulate import bench, toplid, truth
from edgeinspect.simulate.cases import board_scenes, rear_board_scenes, shell_cases
from edgeinspect.simulate.light import exposed
from edgeinspect.simulate.scene import Scene, Sensor

# Whose rim is told in pixels too, beside the first ten: each kind of shell, and every flaw.
WITH_PIXELS = ("L1011", "R1021", "R1024", "R1025", "H1031", "H1032")
ABOUT = [
    "Written from the scene by edgeinspect.simulate.samples, never from a measurement. Lengths in mm, angles in deg.",
    "Material (pips, surface, decal): grown by 1 + 80e-6 (T - 20) about the shell origin, then placed by"
    " 'seating' (shell -> fixture).",
    "The cutter works in the fixture, unscaled: nominal outline at the nominal seating, turned by path.rotation_deg"
    " about the fixture origin, shifted by path.dx_mm, path.dy_mm, plus waviness along the trim normal; the cut face is"
    " vertical in the fixture.",
    "datum deviations: the show-face arris taken into the shell frame by the true seating and to 20 degC, signed"
    " distance in plan to the nominal rim. fixture deviations: the same at its place in the fixture, unscaled."
    " + is too much material.",
    "Expected answers assume a gauge without error and the guard stated here. 'face_hidden' is the share of a stretch"
    " where the camera does not see the cut face, so that the picture's edge is the show-face arris.",
    "truth_edges.npz holds for each shell id: <id>_arc_mm, _deviation_datum_mm, _deviation_fixture_mm, _pixel (N, 2),"
    " _face_hidden, and _rear_pixel, _rear_face_hidden of shells under both cameras; pixels of some only.",
    "expected: the ordered shell and variant, and the right answer. shell: what really lies there (null: nothing)."
    " picture_of: the pictures of that other shell are handed in again.",
    "flaws: nick (material missing) or burr (standing out), a parabola of that length at its foot and that depth about"
    " arc_mm of the nominal rim; strand: a curl of swarf of that length across the edge, hanging over by about"
    " depth_mm. They are in truth_edges.npz and left out of 'zones'.",
    "The hatch's datum frame is its cut pin hole and pin slot; the lids' is the material's own, which the pips show.",
]


def pictures() -> dict[str, Scene]:
    """Every picture by its path under sample_images, the most wanted first."""
    boards = {f"calibration/{name}.webp": scene for name, scene in board_scenes().items()}
    boards |= {f"calibration/rear/{name}.webp": scene for name, scene in rear_board_scenes().items()}
    shells = {
        f"shells/{shell_id}_{camera}.webp": scene
        for shell_id, case in shell_cases().items()
        if case.picture_of is None
        for camera, scene in case.scenes.items()
    }
    first = ["calibration/fixture_board.webp", "shells/L1001_top.webp"]
    return {name: (boards | shells)[name] for name in [*first, *(n for n in (boards | shells) if n not in first)]}


def picture(scene: Scene, draft: bool = False) -> NDArray[np.uint8]:
    """The 8-bit picture of a scene, ray traced unless the lens is covered."""
    if scene.covered_lens:
        return exposed(scene, np.zeros((scene.camera.height_px, scene.camera.width_px)))
    # late: mitsuba is needed for making pictures only
    from edgeinspect.simulate.raytrace import Quality, render  # noqa: PLC0415

    return exposed(scene, render(scene, Quality(light_rounds=1, draft=True) if draft else Quality()))


def encoded(levels: NDArray[np.uint8]) -> bytes:
    """A file's bytes: WebP without loss, a fifth smaller than PNG."""
    content = io.BytesIO()
    Image.fromarray(levels).save(content, "WEBP", lossless=True, quality=100, method=6)
    return content.getvalue()


def _pose(pose: Pose) -> dict[str, Any]:
    return {
        "rotation": np.round(pose.rotation, 12).tolist(),
        "translation_mm": np.round(pose.translation_mm, 9).tolist(),
    }


def write_truth(folder: Path) -> None:
    """truth.json (for people and tests) and truth_edges.npz (the rim point by point)."""
    cases, boards, rear_boards = shell_cases(), board_scenes(), rear_board_scenes()
    fixture = boards["fixture_board"]
    document = {
        "about": ABOUT,
        "guard": {
            "length_mm": truth.GUARD_MM,
            "decal_rotation_deg": truth.GUARD_DEG,
            "path_rotation_deg": truth.PATH_GUARD_DEG,
        },
        "scene": {
            "nominal_seating": _pose(bench.NOMINAL_SEATING),
            "expansion_per_k": toplid.EXPANSION_PER_K,
            "marks_mm": {str(k): list(v) for k, v in bench.MARKS_MM.items()},
            "grey_patch_mm": list(bench.PATCH_MM),
            "pip_tops_mm": np.round(toplid.pip_tops_mm(), 6).tolist(),
            "rim_length_mm": round(toplid.rim().length_mm, 4),
            "zones_mm": {k: [round(a, 4) for a in v] for k, v in toplid.zone_spans_mm().items()},
            "albedo": bench.ALBEDO,
        },
        "camera": truth.camera_truth(fixture),
        "boards": {name: _pose(scene.board) for name, scene in boards.items() if scene.board is not None},
        "rear_camera": truth.camera_truth(rear_boards["fixture_board"]),
        "rear_boards": {name: _pose(scene.board) for name, scene in rear_boards.items() if scene.board is not None},
        "shells": {shell_id: {"words": case.words, **truth.shell_truth(case)} for shell_id, case in cases.items()},
    }
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "truth.json").write_text(_readable(document), encoding="utf-8")
    dense: dict[str, Any] = {}
    for shell_id, case in cases.items():
        if case.scene.shell is None or case.picture_of is not None:
            continue
        edge = truth.edge_truth(case.scene)
        values: dict[str, Array | NDArray[np.bool_]] = {
            "arc_mm": edge.arc_mm,
            "deviation_datum_mm": edge.deviation_datum_mm,
            "deviation_fixture_mm": edge.deviation_fixture_mm,
        }
        first = case.scene.sensor == Sensor() and not case.rear
        if first or shell_id in WITH_PIXELS:
            values |= {"pixel": edge.pixel, "face_hidden": edge.face_hidden}
            if case.rear is not None:
                rear = truth.edge_truth(case.rear)
                values |= {"rear_pixel": rear.pixel, "rear_face_hidden": rear.face_hidden}
        step = 0.0 if first else 2.0**-11  # small files
        dense |= {f"{shell_id}_{key}": _stored(value, step) for key, value in values.items()}
    np.savez_compressed(folder / "truth_edges.npz", **dense)


def _stored(values: Array | NDArray[np.bool_], step: float) -> NDArray[np.float32] | NDArray[np.bool_]:
    """As float32, to the nearest ``step`` [mm or px] if there is one."""
    if values.dtype == np.bool_:
        return values.astype(np.bool_)
    return (np.rint(values / step) * step if step else values).astype(np.float32)


def _readable(document: dict[str, Any]) -> str:
    """JSON with one line for each short list or object."""

    def lines(value: Any, indent: int) -> str:
        flat = json.dumps(value)
        if len(flat) + indent < 140 or not isinstance(value, dict | list):
            return flat
        pad = " " * (indent + 2)
        if isinstance(value, dict):
            inner = [f"{pad}{json.dumps(k)}: {lines(v, indent + 2)}" for k, v in value.items()]
            return "{\n" + ",\n".join(inner) + "\n" + " " * indent + "}"
        return "[\n" + ",\n".join(pad + lines(v, indent + 2) for v in value) + "\n" + " " * indent + "]"

    return lines(document, 0) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the sample pictures and their truth.")
    parser.add_argument("--only", nargs="*", help="pictures whose path holds one of these words")
    parser.add_argument("--quality", choices=["full", "draft"], default="full")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[2] / "sample_images")
    parser.add_argument("--truth-only", action="store_true", help="write truth.json and truth_edges.npz and stop")
    wanted = parser.parse_args()
    write_truth(wanted.out)
    if wanted.truth_only:
        return
    todo = {n: s for n, s in pictures().items() if not wanted.only or any(word in n for word in wanted.only)}
    for number, (name, scene) in enumerate(todo.items(), start=1):
        path = wanted.out / name
        if path.exists():
            print(f"{number}/{len(todo)} {name}: there already", flush=True)
            continue
        start = time.perf_counter()
        path.parent.mkdir(parents=True, exist_ok=True)
        done = encoded(picture(scene, wanted.quality == "draft"))
        partial = path.with_suffix(".part")
        partial.write_bytes(done)
        partial.replace(path)  # whole or not at all
        print(f"{number}/{len(todo)} {name}: {time.perf_counter() - start:.0f} s, {len(done) / 1e6:.2f} MB", flush=True)


if __name__ == "__main__":
    main()
