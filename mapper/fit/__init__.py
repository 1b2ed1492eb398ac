"""Photos into plate millimetres: pose, lens and certainty of each photo."""

from mapper.fit.advice import drops_in_photo, fit_advice
from mapper.fit.api import fit_photo
from mapper.fit.camera import Camera, distort, focal_px_from_35mm, parallax_mm, undistort
from mapper.fit.dlt import apply_homography, homography_dlt
from mapper.fit.drops import Ellipse, find_drops
from mapper.fit.errors import FitFailed
from mapper.fit.first_plate import FirstPlate, KnownDistance, first_plate
from mapper.fit.height import HeightShift, LeadsInPhoto, height_shift
from mapper.fit.hints import Click, FitHints
from mapper.fit.leads import plate_from_lead
from mapper.fit.middles import seen_middles
from mapper.fit.overlay import fit_overlay
from mapper.fit.pairs import register_pair
from mapper.fit.question import (
    Telling,
    asks_for_the_side,
    one_question,
    rival_fit,
    telling_feature,
)
from mapper.fit.quick import QuickFit, quick_fit
from mapper.fit.result import PhotoFit
from mapper.fit.together import fit_through, fit_together

__all__ = [
    "Camera",
    "Click",
    "Ellipse",
    "FirstPlate",
    "FitFailed",
    "FitHints",
    "HeightShift",
    "KnownDistance",
    "LeadsInPhoto",
    "PhotoFit",
    "QuickFit",
    "Telling",
    "apply_homography",
    "asks_for_the_side",
    "distort",
    "drops_in_photo",
    "find_drops",
    "first_plate",
    "fit_advice",
    "fit_overlay",
    "fit_photo",
    "fit_through",
    "fit_together",
    "focal_px_from_35mm",
    "height_shift",
    "homography_dlt",
    "one_question",
    "parallax_mm",
    "quick_fit",
    "register_pair",
    "rival_fit",
    "seen_middles",
    "telling_feature",
    "undistort",
    "plate_from_lead",
]
