"""Line elements: places in a picture that look like a short piece of lead.

The picture comes scaled so that a lead is about `NOMINAL_WIDTH_PX` wide. A pixel is on a
ridge where the colour bends most strongly in one direction and the slope across is zero
(Steger 1998, "An unbiased detector of curvilinear structures", here for three colour
channels at once and for light and dark lines alike). An edge of the plate bends the colour
too, but on one side only: an element must differ from what lies on *both* sides of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

__all__ = [
    "LIKENESS",
    "NOMINAL_WIDTH_PX",
    "Elements",
    "elements_near",
    "elements_of_colour",
    "joined",
    "laid_straight",
    "line_elements",
    "sample",
    "skin_colours",
    "to_lab",
]

NOMINAL_WIDTH_PX = 4.2  # a bar answers best at sigma = width / (2 sqrt 3)
SIGMA_PX = 1.2
MIN_CONTRAST = 2.5  # Lab units; below that JPEG noise makes lines of its own
LIKENESS = 40.0  # answer of a place that has exactly the colour asked for
MIN_LIKENESS = 8.0
LIGHTNESS_WEIGHT = 0.6  # shade changes lightness more than hue
MIN_SIDE_RATIO = 0.15  # weaker side over stronger side; a step edge gives 0 or less
GAP_PX = 8  # between pictures on one sheet: no filter and no profile reaches over two of it
NOISE_FACTOR = 2.0
MAX_CROSS_BEND = 0.4  # bend along the line over bend across it
SKIN_SIGMA_PX = 0.6
SIDE_OFFSETS_PX = np.array([0.75, 1.5, 2.25, 3.0, 3.75, 4.5])


@dataclass(frozen=True, eq=False)
class Elements:
    """N line elements of one scaled picture.

    `xy` (N, 2) px of that picture; `angle_rad` (N,) direction of the line, modulo pi;
    `contrast` (N,) Lab units on the weaker side; `colour` (N, 3) Lab; `beside` (N, 2, 3) Lab
    of what lies to its two sides; `width` (N,) px.
    """

    xy: np.ndarray
    angle_rad: np.ndarray
    contrast: np.ndarray
    colour: np.ndarray
    beside: np.ndarray
    width: np.ndarray

    def __len__(self) -> int:
        return len(self.xy)

    def take(self, index: np.ndarray) -> Elements:
        return Elements(
            self.xy[index],
            self.angle_rad[index],
            self.contrast[index],
            self.colour[index],
            self.beside[index],
            self.width[index],
        )

    def shifted(self, x: float, y: float) -> Elements:
        return replace(self, xy=self.xy + (x, y))


def joined(first: Elements, second: Elements) -> Elements:
    """Both sets as one."""
    return Elements(
        *(
            np.concatenate([a, b])
            for a, b in zip(vars(first).values(), vars(second).values(), strict=True)
        )
    )


def to_lab(image_bgr: np.ndarray) -> np.ndarray:
    """uint8 BGR to float32 Lab (L 0..100). OpenCV's table version, good to +-0.25."""
    return cv2.cvtColor(image_bgr.astype(np.float32) / 255.0, cv2.COLOR_BGR2Lab)


def sample(picture: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Bilinear values of `picture` (H, W[, C]) at `xy` (..., 2); outside, the border value."""
    flat = np.ascontiguousarray(xy, dtype=np.float32).reshape(-1, 2)
    row = 1024  # remap takes no array longer than 32767 in one direction
    padded = -(-max(len(flat), 1) // row) * row
    points = np.zeros((padded, 2), np.float32)
    points[: len(flat)] = flat
    points = points.reshape(-1, row, 2)
    values = cv2.remap(
        picture, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    values = values.reshape(padded, *picture.shape[2:])[: len(flat)]
    return values.reshape(*xy.shape[:-1], *picture.shape[2:])


def laid_straight(
    picture: np.ndarray, xy: np.ndarray, way: np.ndarray, along: np.ndarray, across: np.ndarray
) -> np.ndarray:
    """(N, A, B[, C]): `picture` at the distances `along` (A,) and `across` (B,) px of places.

    `xy` (N, 2) px; `way` (N, 2) unit vectors along the lines through them.
    """
    side = np.stack([-way[:, 1], way[:, 0]], -1)
    places = (
        xy[:, None, None]
        + along[:, None, None] * way[:, None, None]
        + across[:, None] * side[:, None, None]
    )
    return sample(picture, places)


def skin_colours(
    picture: np.ndarray, xy: np.ndarray, way: np.ndarray, along: np.ndarray
) -> np.ndarray:
    """(N, A, 3): Lab at the distances `along` (A,) px of places, as an element's colour is read.

    `picture` (H, W, 3) Lab; `xy` (N, 2) px; `way` (N, 2) unit vectors along the lines.
    """
    smooth = cv2.GaussianBlur(picture, (3, 3), SKIN_SIGMA_PX)
    across = np.array([-SIDE_OFFSETS_PX[0], 0.0, SIDE_OFFSETS_PX[0]])
    return laid_straight(smooth, xy, way, along, across).mean(2)


def _kernels() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x = np.arange(-4, 5, dtype=float)
    g = np.exp(-(x**2) / (2 * SIGMA_PX**2))
    g /= g.sum()
    first = -x / SIGMA_PX**2 * g
    first /= -(first * x).sum()  # slope of the ramp x is exactly 1
    second = (x**2 / SIGMA_PX**4 - 1 / SIGMA_PX**2) * g
    second -= second.mean()
    second /= (second * x**2).sum() / 2  # bend of x**2 is exactly 2
    return g, first[::-1].copy(), second


_SMOOTH, _SLOPE, _BEND = _kernels()


def line_elements(lab: np.ndarray, spacing_px: int = 2) -> Elements:
    """All line elements of `lab` (H, W, 3) float32, thinned to about one per `spacing_px`."""
    return _elements(lab, lab, MIN_CONTRAST, spacing_px)


def elements_near(
    pictures: list[np.ndarray], places: list[np.ndarray], reaches: list[float]
) -> tuple[Elements, np.ndarray]:
    """Line elements within `reaches[k]` px of `places[k]` in `pictures[k]` (H, W, 3) Lab.

    With each the number k of its picture. Many small pictures cost little more than one: they
    are laid side by side, so far apart that none sees its neighbour.
    """
    padded = [cv2.copyMakeBorder(p, *4 * (GAP_PX,), cv2.BORDER_REPLICATE) for p in pictures]
    height = max(len(p) for p in padded)
    sheet = np.zeros((height, sum(p.shape[1] for p in padded), 3), np.float32)
    wanted = np.zeros(sheet.shape[:2], bool)
    noise_from, corners, x0 = [], [], 0
    for picture, place, reach in zip(padded, places, reaches, strict=True):
        high, wide = picture.shape[:2]
        sheet[:high, x0 : x0 + wide] = picture
        x, y = np.arange(wide) - GAP_PX - place[0], np.arange(high) - GAP_PX - place[1]
        wanted[:high, x0 : x0 + wide] = x**2 + (y**2)[:, None] <= reach**2
        noise_from.append((x0 + GAP_PX, GAP_PX, x0 + wide - GAP_PX, high - GAP_PX))
        corners.append((x0 + GAP_PX, GAP_PX))
        x0 += wide
    found = _elements(sheet, sheet, MIN_CONTRAST, 1, wanted, noise_from)
    edges = np.array([c[0] - GAP_PX for c in corners[1:]])
    number = np.searchsorted(edges, found.xy[:, 0], side="right")
    return replace(found, xy=found.xy - np.array(corners, float)[number]), number


def elements_of_colour(lab: np.ndarray, colours: np.ndarray, spread: float) -> Elements:
    """Line elements of the places in `lab` that have one of the Lab `colours` (K, 3).

    `spread`: Lab units by which a colour may be off. Print, scratches and other leads of
    other colours are not there at all in this picture; `contrast` is then 0..`LIKENESS`.
    """
    smooth = cv2.GaussianBlur(lab, (3, 3), 0.7)
    weights = np.array([LIGHTNESS_WEIGHT**2, 1.0, 1.0])
    # |w (x - c)|^2 as |w x|^2 - 2 w^2 c x + |w c|^2: one pass for each colour.
    rows = np.column_stack([-2 * colours * weights, (colours**2 * weights).sum(1)])
    nearest = cv2.transform(smooth, rows[:1])
    for row in rows[1:]:
        np.minimum(nearest, cv2.transform(smooth, row[None]), out=nearest)
    nearest += cv2.transform(smooth * smooth, weights[None])
    # Cut where it no longer counts: numbers next to zero are slow to reckon with.
    np.minimum(nearest, np.float32(24 * spread**2), out=nearest)
    nearest *= np.float32(-0.5 / spread**2)
    likeness = cv2.exp(nearest)
    likeness *= np.float32(LIKENESS)
    return _elements(likeness[..., None], lab, MIN_LIKENESS, 2)


def _filtered(picture: np.ndarray, kx: np.ndarray, ky: np.ndarray) -> np.ndarray:
    answer = cv2.sepFilter2D(picture, cv2.CV_32F, kx, ky, borderType=cv2.BORDER_REPLICATE)
    return answer.reshape(picture.shape)


def _elements(
    picture: np.ndarray,
    lab: np.ndarray,
    min_contrast: float,
    spacing_px: int,
    wanted: np.ndarray | None = None,
    parts: list[tuple[int, int, int, int]] | None = None,
) -> Elements:
    """Line elements of `picture` (H, W, C); their colours are read from `lab`.

    `wanted` (H, W) bool: only there. `parts` (x0, y0, x1, y1): pictures of which each has its
    own noise.
    """
    width, channels = picture.shape[1], picture.shape[2]
    hxx = _filtered(picture, _BEND, _SMOOTH)
    hxy = _filtered(picture, _SLOPE, _SLOPE)
    hyy = _filtered(picture, _SMOOTH, _BEND)
    bend2 = np.einsum("ijk,ijk->ij", hxx, hxx) + np.einsum("ijk,ijk->ij", hyy, hyy)
    # A bar of contrast c and nominal width bends the smoothed colour by about 0.35 c.
    floor = np.full(bend2.shape, 0.0, np.float32) if parts else 0.0
    for x0, y0, x1, y1 in parts or [(0, 0, width, len(picture))]:
        grain = float(np.sqrt(np.median(bend2[y0:y1:3, x0:x1:3])))
        level = max(0.2 * min_contrast, NOISE_FACTOR * grain * 0.5)
        if parts:
            floor[y0:y1, x0:x1] = level
        else:
            floor = level
    bent = bend2 > floor**2
    if wanted is not None:
        bent &= wanted
    index = np.flatnonzero(bent)
    if len(index) == 0:
        return _none()
    xx, xy_, yy = (h.reshape(-1, channels)[index] for h in (hxx, hxy, hyy))
    # Direction in which the channels together bend most: first eigenvector of sum H^2.
    a11 = np.einsum("ij,ij->i", xx, xx) + np.einsum("ij,ij->i", xy_, xy_)
    a22 = np.einsum("ij,ij->i", yy, yy) + np.einsum("ij,ij->i", xy_, xy_)
    a12 = np.einsum("ij,ij->i", xy_, xx + yy)
    across = 0.5 * np.arctan2(2 * a12, a11 - a22)
    nx, ny = np.cos(across), np.sin(across)
    bend = xx * (nx**2)[:, None] + xy_ * (2 * nx * ny)[:, None] + yy * (ny**2)[:, None]
    strength = np.sqrt(np.einsum("ij,ij->i", bend, bend))
    # Where the colour bends both ways two lines meet or one ends: no direction to be had.
    spread = np.sqrt((a11 - a22) ** 2 + 4 * a12**2)
    plain = (a11 + a22 - spread) < MAX_CROSS_BEND**2 * (a11 + a22 + spread)
    strong = (strength > (floor.ravel()[index] if parts else floor)) & plain
    index, nx, ny, bend, strength = (v[strong] for v in (index, nx, ny, bend, strength))
    gx = _filtered(picture, _SLOPE, _SMOOTH).reshape(-1, channels)[index]
    gy = _filtered(picture, _SMOOTH, _SLOPE).reshape(-1, channels)[index]
    slope = np.einsum("ij,ij->i", gx * nx[:, None] + gy * ny[:, None], bend) / strength
    shift = -slope / strength
    on_ridge = (np.abs(shift * nx) <= 0.55) & (np.abs(shift * ny) <= 0.55)
    index, nx, ny, bend, strength, shift = (
        v[on_ridge] for v in (index, nx, ny, bend, strength, shift)
    )
    if len(index) == 0:
        return _none()
    keep = _strongest_per_cell(index, width, strength, spacing_px)
    index, nx, ny, bend, strength, shift = (v[keep] for v in (index, nx, ny, bend, strength, shift))
    centre = np.stack([index % width + shift * nx, index // width + shift * ny], 1)
    direction = -bend / strength[:, None]
    profile = _profiles(picture, centre, nx, ny).reshape(len(centre), -1, channels)
    middle = len(SIDE_OFFSETS_PX)
    drop = np.einsum("nkc,nc->nk", profile[:, middle : middle + 1] - profile, direction)
    left, right = drop[:, :middle][:, ::-1], drop[:, middle + 1 :]
    # The two outermost offsets serve the width only: too far out they meet the neighbour.
    left_top, right_top = left[:, 1:5].max(1), right[:, 1:5].max(1)
    contrast = np.minimum(left_top, right_top)
    both = (contrast > min_contrast) & (contrast > MIN_SIDE_RATIO * np.maximum(left_top, right_top))
    breadth = _half_width(left[both], left_top[both]) + _half_width(right[both], right_top[both])
    skin = profile[both]
    if picture is not lab:
        skin = _profiles(lab, centre[both], nx[both], ny[both])
    return Elements(
        centre[both],
        (np.arctan2(ny, nx)[both] + np.pi / 2) % np.pi,
        contrast[both].astype(float),
        skin[:, middle - 1 : middle + 2].mean(1).astype(float),
        np.stack([skin[:, k : k + 2].mean(1) for k in (1, -3)], 1).astype(float),
        breadth,
    )


def _strongest_per_cell(
    index: np.ndarray, width: int, strength: np.ndarray, spacing_px: int
) -> np.ndarray:
    column = index % width // spacing_px
    cell = (index // width // spacing_px) * (width // spacing_px + 1) + column
    order = np.lexsort((-strength, cell))
    first = np.ones(len(order), bool)
    first[1:] = cell[order][1:] != cell[order][:-1]
    return order[first]


def _profiles(
    picture: np.ndarray, centre: np.ndarray, nx: np.ndarray, ny: np.ndarray
) -> np.ndarray:
    """Values across each element at -offsets, 0, +offsets; read a little way along it, too."""
    offsets = np.concatenate([-SIDE_OFFSETS_PX[::-1], [0.0], SIDE_OFFSETS_PX])
    normal, along = np.stack([nx, ny], 1), np.stack([-ny, nx], 1)
    smooth = cv2.GaussianBlur(picture, (3, 3), SKIN_SIGMA_PX)
    across = centre[:, None] + offsets[None, :, None] * normal[:, None]
    return sum(sample(smooth, across + step * along[:, None]) for step in (-1.0, 0.0, 1.0)) / (
        np.float32(3)
    )


def _half_width(drop: np.ndarray, top: np.ndarray) -> np.ndarray:
    """Distance from the centre at which the colour has changed half-way to the side."""
    level = 0.5 * top[:, None]
    beyond = drop >= level
    first = np.where(beyond.any(1), beyond.argmax(1), drop.shape[1] - 1)
    rows = np.arange(len(drop))
    x1, y1 = SIDE_OFFSETS_PX[first], drop[rows, first]
    x0 = np.where(first > 0, SIDE_OFFSETS_PX[first - 1], 0.0)
    y0 = np.where(first > 0, drop[rows, first - 1], 0.0)
    part = np.clip((level[:, 0] - y0) / np.maximum(y1 - y0, 1e-6), 0.0, 1.0)
    return x0 + part * (x1 - x0)


def _none() -> Elements:
    empty = np.zeros(0)
    return Elements(np.zeros((0, 2)), empty, empty, np.zeros((0, 3)), np.zeros((0, 2, 3)), empty)
