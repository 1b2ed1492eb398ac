"""Photos from a phone or camera, made upright and looked over."""

from mapper.photos.load import focal_px_from_35mm, load_photo
from mapper.photos.model import Photo, PhotoError
from mapper.photos.quality import Quality, quality
from mapper.photos.stages import guess_stages
from mapper.photos.thumbnail import quick_thumbnail, thumbnail

__all__ = [
    "Photo",
    "PhotoError",
    "Quality",
    "focal_px_from_35mm",
    "guess_stages",
    "load_photo",
    "quality",
    "quick_thumbnail",
    "thumbnail",
]
