"""Pictures of loose cables by path tracing: measure the tracer and the judge on them.

    python -m tests.benchmarks.traced_light make FOLDER [--first 0] [--count 8]
    python -m tests.benchmarks.traced_light measure FOLDER [--first 0] [--count 8]

`make` needs a physically based renderer (see `renderer`), `measure` nothing but the program. It
shares no code with `tests.benchmarks.loose_cables`, on whose pictures the networks are trained:
courses, grounds, skins, light, camera are all its own. Cables are meshes that lie over one
another by their own thickness; light comes from windows, lamps and the room; the camera leans up
to 35 degrees, has depth of field, noise in linear light, sharpening, JPEG. Who lies on top, and
what is seen, are read from the geometry along the rays of the camera.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.lit_courses import Course, courses
from tests.benchmarks.lit_grounds import plain, printed
from tests.benchmarks.lit_skins import Skin, skin, tube

KINDS = ("plain", "printed", "loops")
SIZE = (900, 1200)
SAMPLES = 32
GROUND_ZOOM = 1.3  # pixels of the ground's picture per unit
GROUND_TIMES = 2.4  # side of the table over that of the picture


@dataclass(frozen=True, eq=False)
class Camera:
    """A pinhole at `eye`; rows of `axes` (3, 3) are right, up and forward."""

    eye: np.ndarray
    axes: np.ndarray
    focal_px: float
    roll_up: np.ndarray

    @classmethod
    def random(cls, rng: np.random.Generator) -> Camera:
        focal = SIZE[1] * rng.uniform(0.75, 1.4)
        lean = np.radians(35) * rng.random() ** 0.7
        way = rng.uniform(0, 2 * np.pi)
        back = np.array([np.sin(lean) * np.cos(way), np.sin(lean) * np.sin(way), np.cos(lean)])
        roll = rng.uniform(0, 2 * np.pi)
        up = np.array([np.cos(roll), np.sin(roll), 0.0])
        right = np.cross(-back, up)
        right /= np.linalg.norm(right)
        return cls(focal * back, np.stack([right, np.cross(right, -back), -back]), focal, up)

    def seen(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Photo places (N, 2) px and depths (N,) of points (N, 3)."""
        right, up, ahead = self.axes @ (points - self.eye).T
        middle = (np.array(SIZE[::-1]) - 1) / 2
        return middle + self.focal_px * np.stack([right, -up], 1) / ahead[:, None], ahead


def renderer():
    try:
        import mitsuba
    except ImportError:
        raise SystemExit(
            "Install the renderer first: pip install mitsuba scikit-image; it is fast with LLVM 19."
        ) from None
    for variant in ("llvm_ad_rgb", "scalar_rgb"):
        try:
            mitsuba.set_variant(variant)
            return mitsuba
        except ImportError:
            continue
    raise SystemExit("The renderer has no variant that runs on a processor.")


def light_from(rgb: np.ndarray) -> np.ndarray:
    """Linear light of sRGB values 0..255."""
    v = np.clip(rgb, 0, 255) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def code_from(light: np.ndarray) -> np.ndarray:
    v = np.clip(light, 0, 1)
    return 255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


def make(folder: Path, kind: str, number: int) -> None:
    """Render scene `number` of a kind and write it with its truth."""
    mi = renderer()
    rng = np.random.default_rng([2611, KINDS.index(kind), number])
    camera = Camera.random(rng)
    count = int(rng.integers(3, 9 if kind != "loops" else 6))
    width = float(np.exp(rng.uniform(np.log(6), np.log(21))))
    lying = courses(rng, count, width, (1.02 * SIZE[1], 1.02 * SIZE[0]), kind == "loops")
    skins = _skins(rng, len(lying))
    scene: dict = {"type": "scene"}
    scene["integrator"] = {"type": "path", "max_depth": 5, "hide_emitters": True}
    ground, material = (printed if kind == "printed" else plain)(
        rng, tuple(int(v * GROUND_TIMES * GROUND_ZOOM) for v in SIZE)
    )
    scene["table"] = _table(mi, rng, ground, material)
    for k, (course, look) in enumerate(zip(lying, skins, strict=True)):
        scene[f"cable{k}"] = _cable(mi, rng, course, look)
    light = _lights(mi, rng, scene)
    scene["camera"], blur = _sensor(mi, rng, camera)
    traced = mi.load_dict(scene)
    linear = np.array(mi.render(traced, spp=SAMPLES, seed=number))[..., :3]
    leads = [_truth(mi, traced, camera, course, skins[k]) for k, course in enumerate(lying)]
    image, code = photo_of(rng, linear)
    name = f"{kind}_{number:03d}"
    cv2.imwrite(str(folder / f"{name}.png"), image)
    facts = {
        "kind": kind, "number": number, "ground": material, "light": light,
        "lean_deg": float(np.degrees(np.arccos(camera.eye[2] / np.linalg.norm(camera.eye)))),
        "skins": [s.name for s in skins], "aperture": blur, "jpeg": code,
    }  # fmt: skip
    (folder / f"{name}.json").write_text(json.dumps({"facts": facts, "leads": leads}))


def _skins(rng, count: int) -> list[Skin]:
    if rng.random() < 0.25:  # all of one colour
        one = skin(rng)
        return [one] * count
    return [skin(rng) for _ in range(count)]


def _table(mi, rng, ground: np.ndarray, material: str) -> dict:
    half = [SIZE[1] * GROUND_TIMES / 2, SIZE[0] * GROUND_TIMES / 2, 1]
    turn = mi.ScalarTransform4f().rotate([0, 0, 1], float(rng.choice([0, 90, 180, 270])))
    if rng.random() < 0.5:
        turn = mi.ScalarTransform4f().rotate([0, 0, 1], float(rng.uniform(0, 360)))
    side = max(half[:2])
    smooth = {"steel": 0.35, "paint": 0.3, "photo": 0.35}.get(material, 0.65)
    return {
        "type": "rectangle",
        "to_world": turn @ mi.ScalarTransform4f().scale([side, side, 1]),
        "surface": {
            "type": "principled",
            "base_color": {
                "type": "bitmap",
                "bitmap": mi.Bitmap(light_from(_square(ground))),
                "raw": True,
            },
            "roughness": float(np.clip(smooth + rng.normal(0, 0.1), 0.15, 0.95)),
            "metallic": float(rng.uniform(0.3, 0.8)) if material == "steel" else 0.0,
            "specular": float(rng.uniform(0.2, 0.5)),
        },
    }


def _square(ground: np.ndarray) -> np.ndarray:
    """`ground` mirrored below itself until it is as high as wide."""
    high, wide = ground.shape[:2]
    return np.concatenate([ground, ground[::-1]])[:wide] if wide > high else ground


def _cable(mi, rng, course: Course, look: Skin):
    places, normals, colours, faces = tube(course, look)
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(
        {
            "type": "principled",
            "base_color": {"type": "mesh_attribute", "name": "vertex_color"},
            "roughness": look.roughness,
            "metallic": look.metallic,
            "specular": look.specular,
        }
    )
    mesh = mi.Mesh("cable", len(places), len(faces), has_vertex_normals=True, props=props)
    mesh.add_attribute("vertex_color", 3, light_from(colours).ravel())
    values = mi.traverse(mesh)
    values["vertex_positions"] = places.astype(np.float32).ravel()
    values["faces"] = faces.astype(np.uint32).ravel()
    values["vertex_normals"] = normals.astype(np.float32).ravel()
    values.update()
    return mesh


def _lights(mi, rng, scene: dict) -> str:
    """A window, one or two lamps, or an even sky, always with some light from the room."""
    kind = str(rng.choice(["window", "lamp", "two lamps", "sky"], p=[0.4, 0.25, 0.2, 0.15]))
    tint = 1 + rng.normal(0, 0.06, 3)
    room = rng.uniform(0.12, 0.45) if kind != "sky" else rng.uniform(0.7, 1.2)
    scene["room"] = {
        "type": "constant",
        "radiance": {"type": "rgb", "value": (room * np.clip(tint, 0.8, 1.2)).tolist()},
    }
    count = {"window": 1, "lamp": 1, "two lamps": 2, "sky": int(rng.integers(0, 2))}[kind]
    for k in range(count):
        far = rng.uniform(1000, 2600)
        high, way = np.radians(rng.uniform(22, 80)), rng.uniform(0, 2 * np.pi)
        at = far * np.array([np.cos(high) * np.cos(way), np.cos(high) * np.sin(way), np.sin(high)])
        size = far * (rng.uniform(0.02, 0.08) if "lamp" in kind else rng.uniform(0.2, 0.6))
        power = rng.uniform(0.7, 1.6) * (far / size) ** 2 / max(count, 1) / np.sin(high)
        warm = np.array([1.0, 1.0, 1.0]) + rng.uniform(-0.12, 0.12) * np.array([1, 0.1, -1])
        scene[f"light{k}"] = _facing(mi, at, size, (0.8 * power * warm).tolist())
    return kind


def _facing(mi, at: np.ndarray, size: float, radiance: list[float]) -> dict:
    """A rectangle at `at` that faces the middle of the table."""
    return {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f().look_at(at.tolist(), [0, 0, 0], [0.1, 0.2, 1])
        @ mi.ScalarTransform4f().scale([size / 2, size / 2, 1]),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": radiance}},
    }


def _sensor(mi, rng, camera: Camera) -> tuple[dict, float]:
    aperture = float(rng.choice([0, 0, 1]) * rng.uniform(2, 7))
    sensor = {
        "type": "thinlens" if aperture else "perspective",
        "fov": float(2 * np.degrees(np.arctan(SIZE[1] / 2 / camera.focal_px))),
        "fov_axis": "x",
        "near_clip": 1.0,
        "far_clip": 1e5,
        "to_world": mi.ScalarTransform4f().look_at(
            camera.eye.tolist(), (camera.eye + camera.axes[2]).tolist(), camera.roll_up.tolist()
        ),
        "film": {
            "type": "hdrfilm", "width": SIZE[1], "height": SIZE[0], "pixel_format": "rgb",
            "rfilter": {"type": "gaussian", "stddev": 0.45},
        },
        "sampler": {"type": "independent", "sample_count": SAMPLES},
    }  # fmt: skip
    if aperture:
        sensor["aperture_radius"] = aperture
        sensor["focus_distance"] = float(camera.focal_px * rng.uniform(0.93, 1.05))
    return sensor, aperture


def _truth(mi, traced, camera: Camera, course: Course, look: Skin) -> dict:
    """Photo places, depths, widths and what is seen of a cable; what lies outside is left out."""
    place, ahead = camera.seen(course.points)
    away = course.points - camera.eye
    far = np.linalg.norm(away, axis=1)
    way = away / far[:, None]
    ray = mi.Ray3f(mi.Point3f(*np.tile(camera.eye[:, None], len(far))), mi.Vector3f(*way.T.copy()))
    if "scalar" in mi.variant():
        hit = np.array(
            [traced.ray_intersect(mi.Ray3f(camera.eye.tolist(), w.tolist())).t for w in way]
        )
    else:
        hit = np.array(traced.ray_intersect(ray).t)
    radius = course.radius
    # Steep or shallow, the own skin lies at most a little more than a radius before the middle.
    seen = hit > far - 1.6 * radius
    margin = 0.6 * radius + 3
    high, wide = SIZE
    inside = ((place > margin) & (place < (wide - 1 - margin, high - 1 - margin))).all(1)
    runs = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    longest = int(np.argmax(runs[1::2] - runs[::2])) if len(runs) else 0
    part = slice(*runs[2 * longest : 2 * longest + 2]) if len(runs) else slice(0, 0)
    return {
        "xy": np.round(place[part], 2).tolist(),
        "depth": np.round(ahead[part], 2).tolist(),
        "width": np.round(camera.focal_px * 2 * radius / ahead[part], 3).tolist(),
        "seen": seen[part].astype(int).tolist(),
        "skin": look.name,
    }


def photo_of(rng: np.random.Generator, linear: np.ndarray) -> tuple[np.ndarray, int]:
    """What a camera makes of linear RGB light: BGR uint8, and its JPEG quality."""
    linear = _without_fireflies(linear)
    level = float(np.percentile(linear.mean(2), rng.uniform(93, 99)))
    light = linear / max(level, 1e-6) * rng.uniform(0.4, 0.85)
    light = light * np.clip(1 + rng.normal(0, 0.05, 3), 0.85, 1.15)
    if rng.random() < 0.5:
        light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.35, 0.9))
    shot = rng.uniform(0.0002, 0.002)
    light = light + rng.normal(0, 1, light.shape) * np.sqrt(np.clip(light, 0, 4) * shot + 2e-6)
    if rng.random() < 0.6:  # what a phone does against noise
        light = cv2.bilateralFilter(light.astype(np.float32), 5, 0.06, 1.2)
    code = code_from(light)
    if rng.random() < 0.5:  # more contrast than sRGB
        v = code / 255
        code = 255 * (v + rng.uniform(0.1, 0.5) * v * (1 - v) * (2 * v - 1) * 2)
    amount = rng.uniform(0, 0.9)
    code = code + amount * (code - cv2.GaussianBlur(code, (0, 0), rng.uniform(0.7, 1.4)))
    image = np.clip(code[..., ::-1] + 0.5, 0, 255).astype(np.uint8)
    quality = int(rng.integers(85, 96))
    stored = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(stored, cv2.IMREAD_COLOR), quality


def _without_fireflies(linear: np.ndarray) -> np.ndarray:
    """Single pixels far brighter than all but one of their neighbours are the renderer's noise."""
    tone = np.pad(linear.mean(2), 1, mode="edge")
    high, wide = linear.shape[:2]
    around = [
        tone[y : y + high, x : x + wide] for y in range(3) for x in range(3) if (x, y) != (1, 1)
    ]
    second = np.sort(np.stack(around), axis=0)[-2]
    own = linear.mean(2)
    return linear * np.minimum(1, 1.5 * second / np.maximum(own, 1e-6))[..., None]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("make", "measure"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=8)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    numbers = range(chosen.first, chosen.first + chosen.count)
    if chosen.what == "measure":
        from tests.benchmarks.lit_measured import measure_all

        measure_all(chosen.folder, chosen.kinds, numbers)
        return
    chosen.folder.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        for kind in chosen.kinds:
            if not (chosen.folder / f"{kind}_{number:03d}.json").exists():
                make(chosen.folder, kind, number)
                print(kind, number, flush=True)


if __name__ == "__main__":
    main()
