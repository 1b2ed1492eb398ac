"""Random plates and photos of them, drawn with numpy and OpenCV, with exact truth.

Simple on purpose: planes at three heights (channel floor, face, nozzle heads), brushed steel
with stains and glare, plastic in patches, clutter beside the plate. It is not the renderer that
made the shared plates, which is its use: a fit tuned to the one is caught by the other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from mapper.fit import Camera, focal_px_from_35mm, undistort
from mapper.plate import Plate

__all__ = [
    "Scene",
    "developed",
    "front_wall_photos",
    "random_chain",
    "random_photos",
    "random_plate",
    "random_scene",
]

PX_PER_MM = 5.0
ROUGH_PX_PER_MM = 2.5  # of what lies deep or has no edges of its own
MARGIN_MM = 120.0
STRIP_PX = 64  # rows drawn at a time
WALL = np.float32(0.05)  # light from walls that the lamp does not reach


@dataclass(frozen=True, eq=False)
class Scene:
    """A photo with its plate, the camera that took it and the focal length its tag tells."""

    pixels_bgr: np.ndarray
    focal_px: float | None
    name: str
    plate: Plate
    camera: Camera
    cover: float
    kind: str


def random_plate(rng: np.random.Generator) -> Plate:
    """A plate of the trade: drops in a grid, holes at the edge, channels to one exit."""
    columns, rows = int(rng.integers(2, 6)), int(rng.integers(1, 5))
    bore = float(rng.integers(24, 60))
    pitch_x, pitch_y = (bore * rng.uniform(1.7, 2.8) for _ in range(2))
    edge = float(rng.uniform(70, 120))
    width, height = (
        float(round(2 * edge + (n - 1) * pitch + bore))
        for n, pitch in ((columns, pitch_x), (rows, pitch_y))
    )
    drops, channels = [], []
    x0, y0 = (width - (columns - 1) * pitch_x) / 2, (height - (rows - 1) * pitch_y) / 2
    channel = float(rng.uniform(9, 14))
    slant = float(rng.choice([0.0, 0.0, rng.uniform(-0.3, 0.3)]))
    trunks = [(x0 + (c + 0.5) * pitch_x) for c in range(0, columns - 1, 2)]
    for r in range(rows):
        for c in range(columns):
            x, y = x0 + c * pitch_x, y0 + r * pitch_y
            drops.append({"id": f"D{len(drops) + 1:02d}", "x": x, "y": y, "bore_diameter": bore})
            trunk = min(trunks, key=lambda t: abs(t - x))
            channels.append(
                {
                    "id": f"C{len(channels) + 1}",
                    "points": [[x, y], [trunk, y + slant * pitch_y]],
                    "width": channel,
                    "depth": 14.0,
                }
            )
    top = bool(rng.integers(2))
    for trunk in trunks:
        low, high = (y0, height) if top else (0.0, height - y0)
        channels.append(
            {
                "id": f"C{len(channels) + 1}",
                "points": [[trunk, low], [trunk, high]],
                "width": channel + 4,
                "depth": 15.0,
            }
        )
    holes = []

    def hole(x: float, y: float, diameter: float) -> None:
        clear = all(
            np.hypot(x - d["x"], y - d["y"]) > (bore + diameter) / 2 + 4 for d in drops
        ) and all(
            np.hypot(x - h["x"], y - h["y"]) > (h["diameter"] + diameter) / 2 + 4 for h in holes
        )
        for c in channels:
            (ax, ay), (bx, by) = c["points"]
            along = np.array([bx - ax, by - ay])
            share = np.clip(np.dot([x - ax, y - ay], along) / max(np.dot(along, along), 1e-9), 0, 1)
            away = np.hypot(x - ax - share * along[0], y - ay - share * along[1])
            clear = clear and away > (c["width"] + diameter) / 2 + 4
        if clear and 12 < x < width - 12 and 12 < y < height - 12:
            holes.append({"id": f"P{len(holes) + 1}", "x": x, "y": y, "diameter": diameter})

    pin = float(rng.choice([20.0, 25.0, 30.0, 36.0]))
    inset = float(rng.uniform(26, 36))
    offset = float(rng.choice([0.0, 6.0, 8.0, 10.0]))  # the pin that tells which way round
    if rng.random() < 0.9:
        hole(inset, inset, pin)
        hole(width - inset, inset, pin)
        hole(width - inset, height - inset, pin)
        hole(inset, height - inset - offset, pin)
    for _ in range(int(rng.integers(0, 11))):
        hole(
            float(rng.uniform(15, width - 15)),
            float(rng.uniform(15, height - 15)),
            float(rng.choice([8.5, 9.0, 10.0, 10.5])),
        )
    return Plate.from_mapping(
        {
            "name": "random",
            "outline": [[0, 0], [width, 0], [width, height], [0, height]],
            "drops": drops,
            "holes": holes,
            "channels": channels,
            "exits": [],
        }
    )


def _noise(rng, shape, sigma_x: float, sigma_y: float) -> np.ndarray:
    """Smooth noise of unit deviation, made small and enlarged."""
    steps = [max(1, int(sigma / 1.5)) for sigma in (sigma_y, sigma_x)]
    small = rng.standard_normal([n // step + 3 for n, step in zip(shape, steps, strict=True)])
    small = cv2.GaussianBlur(
        small.astype(np.float32), (0, 0), sigma_x / steps[1], sigmaY=sigma_y / steps[0]
    )
    small /= small.std() + 1e-9
    return cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)


class _Raster:
    """Pictures in plate mm: x right, y up, with a margin round the plate."""

    def __init__(self, width_mm: float, height_mm: float, px_per_mm: float = PX_PER_MM) -> None:
        self.px_per_mm = px_per_mm
        self.shape = (
            int((height_mm + 2 * MARGIN_MM) * self.px_per_mm),
            int((width_mm + 2 * MARGIN_MM) * self.px_per_mm),
        )
        self.top_mm = height_mm + MARGIN_MM

    def at(self, xy_mm: np.ndarray) -> np.ndarray:
        xy = np.asarray(xy_mm, dtype=float)
        return np.stack(
            (
                (xy[..., 0] + MARGIN_MM) * self.px_per_mm,
                (self.top_mm - xy[..., 1]) * self.px_per_mm,
            ),
            -1,
        )

    def fill(self, mask: np.ndarray, xy_mm: np.ndarray, value: float = 1.0) -> None:
        points = np.round((self.at(xy_mm)) * 16).astype(np.int32)
        cv2.fillPoly(mask, [points], value, cv2.LINE_AA, 4)

    def _near(self, x: float, y: float, reach_mm: float):
        """A window round a place and the plate coordinates of its pixels."""
        col, row = self.at(np.array([x, y]))
        reach = int(reach_mm * self.px_per_mm) + 3
        top, left = max(0, int(row) - reach), max(0, int(col) - reach)
        bottom, right = int(row) + reach, int(col) + reach
        window = (slice(top, min(bottom, self.shape[0])), slice(left, min(right, self.shape[1])))
        rows, cols = np.ogrid[window[0], window[1]]
        return window, cols / self.px_per_mm - MARGIN_MM, self.top_mm - rows / self.px_per_mm

    def cut(self, mask: np.ndarray, x: float, y: float, radius_mm: float) -> None:
        """Take an exact disc out; drawing functions grow shapes by half a pixel."""
        window, xx, yy = self._near(x, y, radius_mm)
        outside = np.clip(0.5 + (np.hypot(xx - x, yy - y) - radius_mm) * self.px_per_mm, 0, 1)
        mask[window] *= outside.astype(np.float32)

    def band(self, mask: np.ndarray, a, b, width_mm: float, value: float) -> None:
        """Set an exact straight band from a to b."""
        a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
        length = float(np.hypot(*(b - a)))
        along = (b - a) / max(length, 1e-9)
        middle = (a + b) / 2
        window, xx, yy = self._near(*middle, np.hypot(length, width_mm) / 2)
        u = (xx - middle[0]) * along[0] + (yy - middle[1]) * along[1]
        v = -(xx - middle[0]) * along[1] + (yy - middle[1]) * along[0]
        inside = np.maximum(np.abs(u) - length / 2, np.abs(v) - width_mm / 2)
        share = np.clip(0.5 - inside * self.px_per_mm, 0, 1).astype(np.float32)
        mask[window] = mask[window] * (1 - share) + value * share

    def disc(self, mask: np.ndarray, x: float, y: float, r: float, value: float = 1.0) -> None:
        angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
        self.fill(mask, np.column_stack((x + r * np.cos(angle), y + r * np.sin(angle))), value)

    def line(self, mask, points_mm, width_mm: float, value=1.0) -> None:
        at = np.round(self.at(np.asarray(points_mm)) * 16).astype(np.int32)
        cv2.polylines(
            mask, [at], False, value, max(1, round(width_mm * self.px_per_mm)), cv2.LINE_AA, 4
        )


@dataclass(frozen=True, eq=False)
class _Piece:
    """A piece of plastic: its outline (N, 2) mm, or the middle line of a strand of some width."""

    xy_mm: np.ndarray
    width_mm: float | None = None


@dataclass(frozen=True, eq=False)
class _Bench:
    """A plate as it lies at one stage and in one light, drawn once for any number of photos.

    Pictures in linear light: `floor`, `ground` and `resin` (h, w, 3) by the raster `rough`, the
    others (H, W) by `raster`. `pieces` are the plastic that lies in `plastic`; the lamp makes
    `glare` in the bare `steel` and lights `walls` from one side; `heads` (H, W, 2) are the
    nozzles' light and their share.
    """

    plate: Plate
    cover: float
    raster: _Raster
    rough: _Raster
    steel_mask: np.ndarray
    body_mask: np.ndarray
    pieces: tuple[_Piece, ...]
    plastic: np.ndarray
    steel: np.ndarray
    glare: np.ndarray | None
    walls: np.ndarray
    floor: np.ndarray
    ground: np.ndarray
    resin: np.ndarray
    heads: np.ndarray
    heads_z_mm: float
    side: np.float32 = WALL
    thickness_mm: float = 60.0

    @property
    def face(self) -> np.ndarray:
        """The steel in its light (H, W)."""
        steel = self.steel if self.glare is None else self.steel + self.glare
        return np.clip(steel, 0.02, 1.2)


def random_scene(
    rng: np.random.Generator,
    plate: Plate | None = None,
    size: tuple[int, int] = (4000, 3000),
    kind: str | None = None,
) -> Scene:
    """A photo (width, height) of a random plate, or of the one given."""
    plate = plate or random_plate(rng)
    kind = kind or ("overview" if rng.random() < 0.65 else "closeup")
    bench = _bench(rng, plate)
    return _photo(rng, bench, size, kind, *_camera(rng, plate, size, kind))


def random_photos(
    rng: np.random.Generator, size: tuple[int, int] = (4000, 3000)
) -> tuple[Scene, Scene | None]:
    """The scene of `random_scene`; a close-up comes with an overview as every job has one.

    The overview shows the same plate in another light, at the same stage or at the next one
    before or after, in which plastic has come or gone.
    """
    plate = random_plate(rng)
    kind = "overview" if rng.random() < 0.65 else "closeup"
    bench = _bench(rng, plate)
    scene = _photo(rng, bench, size, kind, *_camera(rng, plate, size, kind))
    if kind == "overview":
        return scene, None
    beside = _other_stage(rng, bench)
    return scene, _photo(rng, beside, size, "overview", *_camera(rng, plate, size, "overview"))


def front_wall_photos(
    rng: np.random.Generator, size: tuple[int, int] = (4000, 3000), count: int = 4
) -> list[Scene]:
    """Overviews of one plate, taken so low that the foot of a wall shows close beside the face.

    The foot lies 1.5 to 6 mm outside of the face's edge, as seen on the face, and the wall is as
    dark as the walls of bores or lit up to more than the face. The bench is bright, so that the
    foot is often the stronger line of the two.
    """
    plate = random_plate(rng)
    bench = _bench(rng, plate)
    bright = np.float32(rng.uniform(0.4, 0.9) / bench.ground.mean())
    bench = replace(bench, ground=np.clip(bench.ground * bright, 0.01, 1))
    out = []
    for _ in range(count):
        standing = replace(
            bench,
            side=np.float32(rng.choice([WALL, rng.uniform(0.05, 0.45)])),
            thickness_mm=float(rng.uniform(30, 90)),
        )
        camera, tag = _camera(rng, plate, size, "overview")
        camera = _beside_a_wall(rng, standing, camera)
        out.append(_photo(rng, standing, size, "overview", camera, tag))
    return out


def _beside_a_wall(rng: np.random.Generator, bench: _Bench, camera: Camera) -> Camera:
    """The camera, taken to where it sees one wall of the plate from the edge to the foot."""
    side, gap_mm = int(rng.integers(4)), rng.uniform(1.5, 6)
    out = np.array([(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)])[side]
    middle = bench.plate.outline_array.max(axis=0) / 2
    along = np.array([-out[1], out[0]]) * rng.uniform(-60, 60)
    away = height = float(np.linalg.norm(camera.place_mm - np.append(middle, 0.0)))
    for _ in range(20):  # a place as far from the middle that sees the foot in that gap
        beside = abs(middle @ out) + gap_mm * height / bench.thickness_mm
        if beside > 0.6 * away:  # not lower than 37 degrees from straight above
            away *= 1.1
        height = float(np.sqrt(max(away**2 - beside**2, 0.3 * away**2)))
    eye = np.append(middle + out * beside + along, height)
    forward = np.append(middle, 0.0) - eye
    forward /= np.linalg.norm(forward)
    right = camera.rotation[0] - forward * (camera.rotation[0] @ forward)
    right /= np.linalg.norm(right)
    turn = np.stack((right, np.cross(forward, right), forward))
    return replace(camera, rotation=turn, translation_mm=-turn @ eye)


def random_chain(
    rng: np.random.Generator,
    plate: Plate,
    aims_mm: np.ndarray,
    span_mm: np.ndarray,
    size: tuple[int, int] = (4000, 3000),
) -> list[Scene]:
    """Photos of one plate as it lies, each of its `span_mm` (N,) about a place aimed at."""
    bench = _bench(rng, plate)
    return [
        _photo(rng, bench, size, "closeup", *_camera(rng, plate, size, "closeup", (aim, span)))
        for aim, span in zip(aims_mm, span_mm, strict=True)
    ]


def _bench(rng: np.random.Generator, plate: Plate) -> _Bench:
    width_mm, height_mm = plate.outline_array.max(axis=0)
    raster = _Raster(width_mm, height_mm)
    rough = _Raster(width_mm, height_mm, ROUGH_PX_PER_MM)
    cover = float(rng.choice([0.0, 0.3, 0.6, 0.8]))

    body_mask = np.zeros(raster.shape, np.float32)
    raster.band(body_mask, (0, height_mm / 2), (width_mm, height_mm / 2), height_mm, 255.0)
    steel_mask = body_mask.copy()
    for drop in plate.drops:
        raster.cut(steel_mask, drop.x_mm, drop.y_mm, drop.bore_diameter_mm / 2)
    for hole in plate.holes:
        raster.cut(steel_mask, hole.x_mm, hole.y_mm, hole.diameter_mm / 2)
    for ch in plate.channels:
        raster.band(steel_mask, ch.points_mm[0], ch.points_mm[-1], ch.width_mm, 0.0)

    # light in linear units, one channel at a time
    brush = _noise(rng, raster.shape, *((40, 1.5) if rng.random() < 0.5 else (1.5, 40)))
    stain = np.clip(_noise(rng, raster.shape, 150, 150) - 0.8, 0, 1)
    steel = 0.30 + 0.05 * brush * rng.uniform(0.3, 1.5) - 0.20 * stain
    glare = _glare(rng, raster, plate)
    walls = _walls(rng, steel_mask)

    floor = np.full((*rough.shape, 3), 0.03, np.float32) * (
        1 + 0.3 * _noise(rng, rough.shape, 10, 10)[..., None]
    )
    for n, drop in enumerate(plate.drops):
        ch = plate.channels[n] if n < len(plate.channels) else None
        if ch is None:
            continue
        end = np.array(ch.points_mm[-1])
        for _ in range(2):
            wobble = rng.uniform(-3, 3, 2)
            points = [(drop.x_mm + wobble[0], drop.y_mm + wobble[1]), tuple(end + wobble)]
            points.append((end[0] + rng.uniform(-4, 4), height_mm if rng.random() < 0.5 else 0.0))
            color = rng.choice(
                [(0.6, 0.6, 0.6), (0.1, 0.3, 0.15), (0.1, 0.1, 0.5), (0.1, 0.2, 0.3)]
            )
            rough.line(floor, points, rng.uniform(1.5, 3.0), tuple(float(c) for c in color))

    ground = float(rng.choice([0.06, 0.15, 0.3, 0.5])) * (
        1 + 0.12 * _noise(rng, rough.shape, 4, 30) + 0.15 * _noise(rng, rough.shape, 100, 100)
    )
    ground = np.clip(ground, 0.01, 1)[..., None] * np.float32(rng.uniform(0.6, 1.2, 3))
    for _ in range(int(rng.integers(0, 10))):
        x, y = rng.uniform(-MARGIN_MM, 1, 2) * 0 + rng.uniform(
            [-MARGIN_MM, -MARGIN_MM], [width_mm + MARGIN_MM, height_mm + MARGIN_MM]
        )
        shade = float(rng.choice([0.01, 0.05, 0.4, 0.8]))
        if rng.random() < 0.5:
            rough.disc(ground, x, y, rng.uniform(4, 14), (shade,) * 3)
        else:
            turn = rng.uniform(0, np.pi)
            tip = (x + 50 * np.cos(turn), y + 50 * np.sin(turn))
            rough.line(ground, [(x, y), tip], rng.uniform(5, 14), (shade,) * 3)

    pieces = _plastic_pieces(rng, plate, cover)
    resin = np.array(
        [
            (0.75, 0.78, 0.78),
            (0.5, 0.12, 0.05),
            (0.02, 0.02, 0.02),
            (0.05, 0.1, 0.6),
            (0.2, 0.5, 0.15),
            (0.3, 0.3, 0.3),
        ][int(rng.integers(6))]
    )
    resin_shade = np.clip(1 + 0.12 * _noise(rng, rough.shape, 15, 15), 0.3, 1.5)[..., None]

    heads = np.zeros((*raster.shape, 2), np.float32)
    for drop in plate.drops:
        r = drop.bore_diameter_mm * rng.uniform(0.26, 0.36)
        shade = float(rng.uniform(0.3, 0.9))
        raster.disc(heads, drop.x_mm, drop.y_mm, r, (shade * 0.6, 1.0))
        raster.disc(heads, drop.x_mm, drop.y_mm, 0.75 * r, (shade, 1.0))
        raster.disc(heads, drop.x_mm, drop.y_mm, 0.25 * r, (0.05, 1.0))
    heads_z = float(rng.uniform(-6, 9))

    return _Bench(
        plate,
        cover,
        raster,
        rough,
        steel_mask,
        body_mask,
        pieces,
        _drawn_plastic(raster, pieces),
        steel,
        glare,
        walls,
        floor,
        ground,
        np.float32(resin) * resin_shade,
        heads,
        heads_z,
    )


def _glare(rng: np.random.Generator, raster: _Raster, plate: Plate) -> np.ndarray | None:
    """The reflection (H, W) of a lamp in the steel, in seven photos of ten."""
    if rng.random() >= 0.7:
        return None
    gx, gy = raster.at(rng.uniform(0, 1, 2) * plate.outline_array.max(axis=0))
    yy, xx = np.mgrid[0 : raster.shape[0] : 8, 0 : raster.shape[1] : 8].astype(np.float32)
    spread = rng.uniform(60, 200) * PX_PER_MM
    glare = np.exp(-(((xx - gx) ** 2 + (yy - gy) ** 2) / (2 * spread**2)))
    return np.float32(cv2.resize(glare, raster.shape[::-1]) * rng.uniform(0.2, 0.9))


def _walls(rng: np.random.Generator, steel_mask: np.ndarray) -> np.ndarray:
    """Light (H, W) from the walls of bores and channels: those that face the lamp are lit.

    From no more than the unlit ones up to brighter than the face, so that all rims seem to be
    moved a little to one side.
    """
    towards = rng.uniform(0, 2 * np.pi)
    small = cv2.resize(steel_mask, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), PX_PER_MM)
    out_x, out_y = -cv2.Scharr(small, cv2.CV_32F, 1, 0), -cv2.Scharr(small, cv2.CV_32F, 0, 1)
    facing = out_x * np.float32(np.cos(towards)) + out_y * np.float32(np.sin(towards))
    facing = np.clip(facing / (np.hypot(out_x, out_y) + 1e-3), 0, 1)
    light = WALL + np.float32(rng.uniform(0, 0.4)) * facing
    return cv2.resize(light, steel_mask.shape[::-1])


def _plastic_pieces(rng: np.random.Generator, plate: Plate, cover: float) -> tuple[_Piece, ...]:
    """Plastic over bores, filled flush or heaped, in channels, and in spatters on the steel."""
    width_mm, height_mm = plate.outline_array.max(axis=0)
    out = []
    for drop in plate.drops:
        if rng.random() < cover:
            r = drop.bore_diameter_mm / 2
            angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
            if rng.random() < 0.5:
                rough = 1.0
                r -= 0.5 / PX_PER_MM  # drawing functions grow shapes by half a pixel
            else:
                r *= rng.uniform(1.1, 1.8)
                rough = 1 + 0.08 * _noise(rng, (90 * 3, 8), 4, 4)[90:180, 0]
            circle = np.column_stack((np.cos(angle), np.sin(angle)))
            out.append(_Piece((drop.x_mm, drop.y_mm) + (r * rough * circle.T).T))
    for ch in plate.channels:
        if rng.random() < cover:
            out.append(_Piece(np.array(ch.points_mm), ch.width_mm * rng.uniform(0.8, 1.3)))
    for _ in range(int(rng.integers(0, 14) * (cover > 0))):
        x, y = rng.uniform(0, 1, 2) * (width_mm, height_mm)
        angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        r = rng.uniform(3, 22) * (1 + 0.3 * np.sin(3 * angle + rng.uniform(0, 6)))
        out.append(_Piece(np.column_stack((x + r * np.cos(angle), y + r * np.sin(angle)))))
    return tuple(out)


def _drawn_plastic(raster: _Raster, pieces: tuple[_Piece, ...]) -> np.ndarray:
    """Where plastic lies (H, W), 0 to 255."""
    plastic = np.zeros(raster.shape, np.uint8)
    for piece in pieces:
        if piece.width_mm is None:
            raster.fill(plastic, piece.xy_mm, 255)
        else:
            raster.line(plastic, piece.xy_mm, piece.width_mm, 255)
    return plastic


def _other_stage(rng: np.random.Generator, bench: _Bench) -> _Bench:
    """The same plate in another light, at the same stage, a later or an earlier one."""
    pieces = bench.pieces
    when = rng.choice(["same", "later", "earlier"])
    if when == "later":
        pieces = tuple(piece for piece in pieces if rng.random() < 0.5)
    elif when == "earlier":
        pieces += _plastic_pieces(rng, bench.plate, 0.4)
    return replace(
        bench,
        pieces=pieces,
        plastic=_drawn_plastic(bench.raster, pieces),
        glare=_glare(rng, bench.raster, bench.plate),
        walls=_walls(rng, bench.steel_mask),
    )


def _photo(rng, bench: _Bench, size, kind: str, camera: Camera, focal_tag) -> Scene:
    pixels = developed(rng, _taken(camera, size, bench))
    return Scene(pixels, focal_tag, "scene", bench.plate, camera, bench.cover, kind)


def developed(rng: np.random.Generator, light: np.ndarray) -> np.ndarray:
    """What a phone makes of light (H, W, 3): lens blur, sRGB (IEC 61966-2-1), sharpening, JPEG."""
    width = light.shape[1]
    light = light * np.float32(rng.uniform(0.8, 1.3))
    # the lens blurs light, before the sensor clips it and before it is coded
    light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.5, 1.2) * width / 3000)
    light = np.clip(light, 0, 1)
    bright = 1.055 * cv2.pow(light, 1 / 2.4) - 0.055
    coded = np.where(light <= 0.0031308, 12.92 * light, bright) * 255
    smooth = cv2.GaussianBlur(coded, (0, 0), rng.uniform(0.8, 1.6) * width / 3000)
    sharper = float(rng.choice([0.0, rng.uniform(0.2, 0.8)]))
    coded = coded + sharper * (coded - smooth)
    noise = rng.standard_normal(coded.shape[:2], np.float32)[..., None]
    coded = coded + noise * np.float32(rng.uniform(0.5, 4))
    pixels = np.clip(np.rint(coded), 0, 255).astype(np.uint8)
    quality = int(rng.integers(70, 96))
    return cv2.imdecode(
        cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR
    )


def _camera(rng, plate: Plate, size, kind: str, at=None) -> tuple[Camera, float | None]:
    width, height = size
    width_mm, height_mm = plate.outline_array.max(axis=0)
    focal = focal_px_from_35mm(float(rng.uniform(23, 29)), width, height)
    tag = focal * float(np.exp(rng.uniform(-0.05, 0.05))) if rng.random() < 0.9 else None
    tilt, azimuth = np.radians(rng.uniform(0, 30)), rng.uniform(0, 2 * np.pi)
    roll = int(rng.integers(4)) * np.pi / 2 + rng.uniform(-0.25, 0.25)
    if kind == "overview":
        aim = np.array([width_mm, height_mm]) / 2 + rng.uniform(-15, 15, 2)
        c, s = abs(np.cos(roll)), abs(np.sin(roll))
        span = max((width_mm * c + height_mm * s) / width, (width_mm * s + height_mm * c) / height)
        distance = focal * span * rng.uniform(1.2, 1.6)
    else:
        drop = plate.drops[int(rng.integers(len(plate.drops)))]
        aim = np.array([drop.x_mm, drop.y_mm]) + rng.uniform(-40, 40, 2)
        span = rng.uniform(4.5, 8) * plate.drops[0].bore_diameter_mm / width
        distance = focal * span
    if at is not None:
        aim, distance = np.asarray(at[0], float), focal * at[1] / width
        roll, tilt = float(rng.uniform(-0.3, 0.3)), 0.5 * tilt
    # looking straight down: x right, y down in the photo
    down = np.diag([1.0, -1.0, -1.0])
    c, s = np.cos(roll), np.sin(roll)
    spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    axis = np.array([np.cos(azimuth), np.sin(azimuth), 0])
    lean, _ = cv2.Rodrigues(axis * tilt)
    turn = lean @ spin @ down
    shift = np.array([0, 0, distance]) - turn @ np.append(aim, 0.0)
    k1 = float(rng.choice([0.0, rng.uniform(-0.04, 0.05)]))
    camera = Camera(focal, ((width - 1) / 2, (height - 1) / 2), turn, shift, k1)
    return camera, tag


def _lens_table(camera: Camera, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Radii in the photo over the focal length, and what brings each onto its straight ray."""
    reach = np.hypot(*size) / camera.focal_px
    radius = np.linspace(1e-9, reach, 8001)
    straight = undistort(np.column_stack((radius, np.zeros_like(radius))), camera.k1)[:, 0]
    return radius, straight / radius


def _taken(camera: Camera, size: tuple[int, int], bench: _Bench) -> np.ndarray:
    """The photo in linear light, strip by strip."""
    width, height = size
    out = np.empty((height, width, 3), np.float32)
    face_light, tint = bench.face, np.float32((0.98, 1.0, 1.02))
    eye = camera.place_mm
    radius, shrink = _lens_table(camera, size)
    for top in range(0, height, STRIP_PX):
        rows = np.arange(top, min(top + STRIP_PX, height))
        x = ((np.arange(width) - camera.centre_px[0]) / camera.focal_px)[None, :]
        y = ((rows - camera.centre_px[1]) / camera.focal_px)[:, None]
        plain = np.interp(np.hypot(x, y), radius, shrink)  # 1 where the lens is straight
        x, y = x * plain, y * plain
        ray = [x * turn[0] + y * turn[1] + turn[2] for turn in camera.rotation.T]
        slope_x = (ray[0] / ray[2]).astype(np.float32)
        slope_y = (ray[1] / ray[2]).astype(np.float32)

        def look(image, depth, raster=bench.raster, slope_x=slope_x, slope_y=slope_y):
            col, row = raster.at(eye[:2])
            reach = np.float32((depth + eye[2]) * raster.px_per_mm)
            border = cv2.BORDER_REFLECT if image is bench.ground else cv2.BORDER_CONSTANT
            at_col, at_row = np.float32(col) - reach * slope_x, np.float32(row) + reach * slope_y
            seen = cv2.remap(image, at_col, at_row, cv2.INTER_LINEAR, borderMode=border)
            return seen if seen.ndim == 3 else seen[..., None]

        # shares of a pixel: face, hollow in the body, beside the body; together they are 1
        face = look(bench.steel_mask, 0.0) / 255
        body = look(bench.body_mask, 0.0) / 255
        picture = look(face_light, 0.0) * face * tint
        hollow = np.maximum(body - face, 0)
        if hollow.any():
            wall = look(bench.steel_mask, 14.0) / 255
            deep = look(bench.floor, 14.0, bench.rough)
            picture += (deep + (look(bench.walls, 7.0) - deep) * wall) * hollow
        if body.min() < 1:  # something beside the plate is in sight
            foot = bench.thickness_mm
            side = np.maximum(look(bench.body_mask, foot / 2), look(bench.body_mask, foot)) / 255
            below = look(bench.ground, foot, bench.rough)
            picture += (below + (bench.side - below) * side) * (1 - body)
        cover = look(bench.plastic, 0.0) * np.float32(1 / 255) * body
        if cover.any():
            picture += (look(bench.resin, 0.0, bench.rough) - picture) * cover
        head = look(bench.heads, -bench.heads_z_mm)
        if head.any():
            picture = picture * (1 - head[..., 1:]) + head[..., :1]
        out[rows] = picture
    return out
