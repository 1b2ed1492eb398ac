"""Photos from a phone or camera, made upright and looked over."""

from mapper.photos.load import focal_px_from_35mm, load_photo
from mapper.photos.model import Photo, PhotoError

__all__ = ["Photo", "PhotoError", "focal_px_from_35mm", "load_photo"]
