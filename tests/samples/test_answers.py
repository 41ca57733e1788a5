"""From calibration pictures to the answer: what the station says about each sample picture, against the answer that
truth.json expects. That was worked out from the scene and the limits, without edgeinspect.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from edgeinspect.conformity import Answer

from .looks import MEASURED, SHELLS, Look, calibration, station
from .truth import Truth


@pytest.mark.parametrize("shell_id", SHELLS)
def test_the_answer_is_the_expected_one(shell_id: str, every_look: dict[str, Look], truth: Truth) -> None:
    verdict = every_look[shell_id].verdict
    assert verdict.answer == truth.shells[shell_id]["expected"]["answer"], verdict.sentence


@pytest.mark.parametrize("shell_id", SHELLS)
def test_only_the_good_are_green(shell_id: str, every_look: dict[str, Look], truth: Truth) -> None:
    green = every_look[shell_id].verdict.answer is Answer.CONFORMING
    assert green == (truth.shells[shell_id]["words"].startswith("good"))


@pytest.mark.parametrize("shell_id", [s for s in MEASURED if s not in ("L1001", "L1002", "L1003")])
def test_the_places_are_the_expected_ones(shell_id: str, every_look: dict[str, Look], truth: Truth) -> None:
    """Everything that is bad is named and nothing else. Places within the guard of a limit may fall either way."""
    expected, verdict = truth.shells[shell_id]["expected"], every_look[shell_id].verdict
    doubtful = set(expected["too_close"]) - set(expected["places"])
    named = {
        place
        for finding in verdict.findings
        if finding.answer is verdict.answer
        for place in [_place(finding.characteristic)]
        if place not in doubtful
    }
    assert named == set(expected["places"])
    assert verdict.worst is not None
    assert _place(verdict.worst.characteristic) in expected["places"]
    assert verdict.sentence == verdict.worst.sentence


def _place(characteristic: str) -> str:
    """As truth.json names it: a cut-out's or decal's characteristics are one place."""
    return re.sub(r"^((?:cut-out|decal) [\w-]+) \w+$", r"\1", characteristic)


@pytest.mark.parametrize(
    ("shell_id", "words"),
    [
        ("L1004", ("Rear left corner", "too much material")),
        ("L1005", ("whole cut", "right", "down")),
        ("L1006", ("Lock hole", "not there")),
        ("L1007", ("Badge", "lies", "to the right", "above its place", "counter-clockwise")),
        ("L1008", ("Front middle", "too much material")),
        ("L1009", ("dark",)),
        ("L1010", ("camera top has moved", " mm")),
    ],
)
def test_the_sentence_says_where_and_which_way(
    shell_id: str, words: tuple[str, ...], every_look: dict[str, Look]
) -> None:
    sentence = every_look[shell_id].verdict.sentence
    for part in words:
        assert part.lower() in sentence.lower()


def test_the_action_fits(every_look: dict[str, Look]) -> None:
    assert every_look["L1001"].verdict.action == "rack it"
    assert every_look["L1008"].verdict.action == "too close to call: set aside"
    assert "lens" in every_look["L1009"].verdict.action
    assert "process engineer" in every_look["L1010"].verdict.action


def test_a_missing_hole_is_said_to_be_missing(every_look: dict[str, Look]) -> None:
    there = {cutout.name: cutout.there for cutout in every_look["L1006"].measurement.cutouts}
    assert there == {"lock-hole": False, "hinge-slot-left": True, "hinge-slot-right": True}


def test_the_moved_camera_is_measured(every_look: dict[str, Look], truth: Truth) -> None:
    """How far the shell's rim seems to move, from the true poses before and after the knock (truth.json), projected
    here by hand: a pinhole is enough, distortion changes it by less than a twentieth.
    """
    before, after = truth.document["camera"], truth.shells["L1010"]["camera"]
    rim = truth.arris_mm("L1010")

    def seen(camera: dict[str, dict[str, list[float]]]) -> tuple[np.ndarray, np.ndarray]:
        pose = camera["fixture_to_camera"]
        at = rim @ np.array(pose["rotation"]).T + pose["translation_mm"]
        return at[:, :2] / at[:, 2:], at[:, 2]

    (then, depth), (now, _) = seen(before), seen(after)
    moved = float((np.linalg.norm(now - then, axis=1) * depth).max())
    (view,) = every_look["L1010"].measurement.views
    assert view.moved_mm == pytest.approx(moved, rel=0.05, abs=0.01)
    said = re.search(r"has moved (\d+\.\d+) mm", every_look["L1010"].verdict.sentence)
    assert said is not None
    assert float(said[1]) == pytest.approx(moved, rel=0.06, abs=0.01)
    assert moved > station().fixture.trust.moved_stop_mm  # the story of the picture: beyond the limit


def test_the_calibration_is_the_true_camera(truth: Truth) -> None:
    """Directions to where shells lie, not single parameters: k2 and k3 trade against each other."""
    model, true = calibration().model, truth.document["camera"]
    pose = true["fixture_to_camera"]
    rim = truth.arris_mm("L1001")
    at = rim @ np.array(pose["rotation"]).T + pose["translation_mm"]
    x, y = at[:, 0] / at[:, 2], at[:, 1] / at[:, 2]
    lens, r2 = true["distortion"], x * x + y * y
    radial = 1 + r2 * (lens["k1"] + r2 * (lens["k2"] + r2 * lens["k3"]))
    u = true["fx_px"] * (x * radial + 2 * lens["p1"] * x * y + lens["p2"] * (r2 + 2 * x * x)) + true["cx_px"]
    v = true["fy_px"] * (y * radial + lens["p1"] * (r2 + 2 * y * y) + 2 * lens["p2"] * x * y) + true["cy_px"]
    off = model.project(rim, calibration().fixture_pose) - np.column_stack([u, v])
    assert np.linalg.norm(off, axis=1).max() < 0.05  # px, of a rim at 850 mm: 0.014 mm


def test_known_lengths_read_true(every_look: dict[str, Look]) -> None:
    for shell_id in MEASURED:
        (view,) = every_look[shell_id].measurement.views
        assert len(view.lengths) == 4  # two diagonals, one across, one up
        for words, known, read in view.lengths:
            assert read == pytest.approx(known, abs=0.05), (shell_id, words)
