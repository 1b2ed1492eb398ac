"""What the browser is told of a fit puts each pixel where the fit itself does, at every depth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mapper.fit import undistort
from mapper.ui.overlay import frames_of
from tests.test_leads_tracing import fitted

DEPTHS_MM = (0.0, 9.5, 15.0)


@pytest.mark.parametrize("k1", [-0.12, 0.0, 0.08])  # a phone's lens bends less than that
def test_every_pixel_lies_where_the_fit_puts_it_also_through_a_lens_that_bends(k1: float) -> None:
    plain = fitted()
    fit = replace(plain, camera=replace(plain.camera, k1=k1))
    frames = frames_of(fit, DEPTHS_MM)
    x, y = np.meshgrid(np.linspace(0, fit.width_px - 1, 9), np.linspace(0, fit.height_px - 1, 7))
    pixels = np.column_stack([x.ravel(), y.ravel()])
    middle, focal = np.array(frames.lens[:2]), frames.lens[2]
    unbent = undistort((pixels - middle) / focal, frames.lens[3]) * focal + middle
    for plane, depth_mm in zip(frames.planes, DEPTHS_MM, strict=True):
        mm = np.column_stack([unbent, np.ones(len(unbent))]) @ plane.T
        expected = fit.plate_from_photo(pixels, depth_mm)
        assert np.allclose(mm[:, :2] / mm[:, 2:], expected, atol=1e-6)
