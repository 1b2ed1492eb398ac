"""Photo to photo against a published pair: graffiti 1 and 3 with their measured map.

Mikolajczyk et al., A comparison of affine region detectors, IJCV 2005. The two pictures and the
matrix come with Debian's package opencv-doc; they are read where they lie and not shipped here.
"""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from mapper.fit import apply_homography, register_pair

FOLDER = Path("/usr/share/doc/opencv-doc/examples/data")
# Measured here: median 0.6 px, worst 3.7 px (0.3 and 1.5 the other way). Plain SIFT with a ratio
# test and RANSAC has its corners about 5 px off; RANSAC varies, so the limits leave room.
MEDIAN_PX, WORST_PX = 1.5, 5.0


@pytest.fixture(scope="module")
def graffiti() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Picture 1, picture 3 and the published map (3, 3) from 1 to 3."""
    files = [FOLDER / name for name in ("graf1.png", "graf3.png", "H1to3p.xml")]
    missing = [file.name for file in files if not file.is_file()]
    if missing:
        reason = f"{', '.join(missing)} not in {FOLDER}: install Debian's opencv-doc to check"
        if os.environ.get("MAPPER_CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    store = cv2.FileStorage(str(files[2]), cv2.FILE_STORAGE_READ)
    published = store.getFirstTopLevelNode().mat()
    store.release()
    return cv2.imread(str(files[0])), cv2.imread(str(files[1])), published


def _whole_picture(picture: np.ndarray) -> np.ndarray:
    """Points (N, 2) over the whole picture, its four corners among them."""
    height, width = picture.shape[:2]
    x, y = np.meshgrid(np.linspace(0, width - 1, 41), np.linspace(0, height - 1, 33))
    return np.column_stack((x.ravel(), y.ravel()))


def test_matrix_in_the_package_is_the_published_one(graffiti):
    first, third, published = graffiti
    assert first.shape == third.shape == (640, 800, 3)
    worked = apply_homography(published, [(100, 200), (400, 320), (799, 639)])
    assert np.allclose(
        worked, [(234.6517, 154.4127), (383.6332, 336.2963), (507.9655, 661.3207)], atol=1e-3
    )


def test_graffiti_pair_is_registered_to_its_published_map(graffiti):
    first, third, published = graffiti
    found = register_pair(first, third)
    assert found is not None
    points = _whole_picture(first)
    error = np.hypot(*(apply_homography(found, points) - apply_homography(published, points)).T)
    assert np.median(error) < MEDIAN_PX
    assert error.max() < WORST_PX


def test_graffiti_pair_is_registered_the_other_way_round(graffiti):
    first, third, published = graffiti
    found = register_pair(third, first)
    assert found is not None
    points = _whole_picture(first)
    back = apply_homography(found, apply_homography(published, points))
    error = np.hypot(*(back - points).T)
    assert np.median(error) < MEDIAN_PX
    assert error.max() < WORST_PX


def test_graffiti_picture_lying_on_its_side_is_registered_too(graffiti):
    first, third, published = graffiti
    found = register_pair(cv2.rotate(first, cv2.ROTATE_90_COUNTERCLOCKWISE), third)
    assert found is not None
    points = _whole_picture(first)
    turned = np.column_stack((points[:, 1], first.shape[1] - 1 - points[:, 0]))
    error = np.hypot(*(apply_homography(found, turned) - apply_homography(published, points)).T)
    assert np.median(error) < MEDIAN_PX
    assert error.max() < WORST_PX


def test_a_picture_of_something_else_is_not_registered(graffiti):
    first, _, _ = graffiti
    cloud = np.random.default_rng(7).uniform(0, 255, (40, 50, 3)).astype(np.uint8)
    other = cv2.resize(cloud, (800, 640), interpolation=cv2.INTER_CUBIC)
    assert register_pair(first, other) is None
