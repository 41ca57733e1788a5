"""Half a pixel: a photograph of twelve tags whose corners, camera and tag size are published with it (package
visp-images-data, AprilTag/).

The published corners count the upper left corner of the picture as 0 (as the AprilTag detector does that made them:
from memory), we count the middle of the first pixel as 0: ours must be theirs less one half, in both directions.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.fixture import Fixture, Mark
from edgeinspect.measure.marks import find_marks
from edgeinspect.measure.picture import GreyPicture

# ViSP's camera for this picture, and its tags' side; a fit of the published poses to the published corners gives
# 615.17, 312.19, 243.44 and 53.0.
CAMERA = CameraModel(640, 480, 615.17, 615.16, 312.19, 243.44, np.zeros(5))
SIDE_MM = 53.0
TOWARDS_US = np.diag([1.0, -1.0, -1.0])  # the fixture's z points to the camera, the camera's away from it


def _by_tag(file: Path) -> dict[int, Array]:
    rows: dict[int, list[list[float]]] = {}
    for line in file.read_text().splitlines():
        if line.startswith("36h11"):
            rows[int(line.rsplit("_", 1)[1])] = []
        elif line.strip():
            rows[max(rows)].append([float(number) for number in line.split()])
    return {tag: np.array(values) for tag, values in rows.items()}


def test_corners_of_photographed_tags(visp_pictures: Path) -> None:
    folder = visp_pictures / "AprilTag"
    published = {
        tag: corners[:, ::-1] for tag, corners in _by_tag(folder / "ground_truth_detection.txt").items()
    }  # (row, column)
    poses = _by_tag(folder / "ground_truth_pose.txt")
    square = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * SIDE_MM / 2
    order = [1, 0, 3, 2]  # theirs starts lower left and runs the other way round
    marks = [
        Mark(tag, ((square @ cv2.Rodrigues(pose[0, 3:])[0].T + pose[0, :3] * 1000.0) @ TOWARDS_US)[order])
        for tag, pose in poses.items()
    ]
    fixture = Fixture("DICT_APRILTAG_36h11", tuple(marks), marks[0].corners_mm)
    found = find_marks(
        GreyPicture(cv2.imread(str(folder / "AprilTag.pgm"), cv2.IMREAD_GRAYSCALE)), CAMERA, fixture, None
    )
    assert found.seen == tuple(range(8, 20)) and not found.stray
    apart = found.corners_px + 0.5 - np.array([published[tag][order] for tag in found.seen])
    assert np.abs(apart.mean(axis=(0, 1))).max() < 0.1
    assert np.abs(apart).max() < 0.39  # the best corners known so far on this picture (reference-values calib.apriltag)
