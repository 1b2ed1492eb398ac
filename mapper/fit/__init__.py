"""Photos into plate millimetres: pose, lens and certainty of each photo."""

from mapper.fit.api import fit_photo
from mapper.fit.camera import Camera, distort, focal_px_from_35mm, parallax_mm, undistort
from mapper.fit.dlt import apply_homography, homography_dlt
from mapper.fit.drops import Ellipse, find_drops
from mapper.fit.errors import FitFailed
from mapper.fit.first_plate import FirstPlate, KnownDistance, first_plate
from mapper.fit.hints import Click, FitHints
from mapper.fit.leads import plate_from_lead
from mapper.fit.overlay import fit_overlay
from mapper.fit.pairs import register_pair
from mapper.fit.result import PhotoFit

__all__ = [
    "Camera",
    "Click",
    "Ellipse",
    "FirstPlate",
    "FitFailed",
    "FitHints",
    "KnownDistance",
    "PhotoFit",
    "apply_homography",
    "distort",
    "find_drops",
    "first_plate",
    "fit_overlay",
    "fit_photo",
    "focal_px_from_35mm",
    "homography_dlt",
    "parallax_mm",
    "register_pair",
    "undistort",
    "plate_from_lead",
]
