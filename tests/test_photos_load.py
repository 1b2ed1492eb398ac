"""Photos as phones, scanners and messengers write them: taken in upright, or refused."""

from __future__ import annotations

import hashlib
import io
import zlib
from datetime import datetime

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from mapper.errors import MapperError
from mapper.photos import PhotoError, focal_px_from_35mm, load_photo

# a picture without any symmetry: smooth, so that JPEG and HEIC keep it
Y, X = np.mgrid[0:48, 0:80]
SCENE = np.dstack([X * 3, Y * 5, (X + Y) * 2]).astype(np.uint8)  # RGB


def saved(image: Image.Image, kind: str = "PNG", **options) -> bytes:
    stream = io.BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def scene(mode: str = "RGB") -> Image.Image:
    return Image.fromarray(SCENE).convert(mode)


def camera_data(orientation=1, focal=26, **times) -> Image.Exif:
    """EXIF 2.32: 0x0112 orientation, 0x0132 changed, 0x9003 taken, 0x9004 digitized, 0xA405 f35."""
    tags = Image.Exif()
    tags[0x0112] = orientation
    own = {"taken": 0x9003, "digitized": 0x9004, "subseconds": 0x9291}
    for key, value in times.items():
        if key == "changed":
            tags[0x0132] = value
        else:
            tags.get_ifd(0x8769)[own[key]] = value
    if focal is not None:
        tags.get_ifd(0x8769)[0xA405] = focal
    return tags


@pytest.mark.parametrize(
    ("kind", "options", "off"),
    [
        ("PNG", {}, 0),
        ("BMP", {}, 0),
        ("TIFF", {}, 0),
        ("TIFF", {"compression": "tiff_lzw"}, 0),
        ("WEBP", {"lossless": True}, 0),
        ("JPEG", {"quality": 95}, 6),
        ("JPEG", {"quality": 95, "progressive": True}, 6),
    ],
)
def test_every_usual_format_gives_the_same_pixels_in_bgr(kind, options, off):
    photo = load_photo(saved(scene(), kind, **options))
    assert photo.pixels_bgr.dtype == np.uint8
    assert (photo.height_px, photo.width_px) == photo.pixels_bgr.shape[:2] == (48, 80)
    assert np.abs(photo.pixels_bgr[:, :, ::-1].astype(int) - SCENE).max() <= off


def test_a_heic_photo_from_a_phone_is_read_with_its_time():
    stream = io.BytesIO()
    own = camera_data(taken="2024:03:08 08:32:45")
    pillow_heif.from_pillow(scene()).save(stream, quality=95, exif=own.tobytes())
    photo = load_photo(stream.getvalue(), "IMG_0001.HEIC")
    assert np.abs(photo.pixels_bgr[:, :, ::-1].astype(int) - SCENE).mean() < 6
    assert photo.taken_at == datetime(2024, 3, 8, 8, 32, 45)
    assert photo.focal35_mm == 26


@pytest.mark.parametrize("orientation", range(1, 9))
def test_photos_are_turned_upright_as_pillow_does(orientation):
    # peer: PIL.ImageOps.exif_transpose
    data = saved(scene(), exif=camera_data(orientation))
    peer = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    assert np.array_equal(load_photo(data).pixels_bgr[:, :, ::-1], peer)


def test_a_turned_heic_photo_is_not_turned_twice():
    stream = io.BytesIO()
    upright = Image.fromarray(SCENE.transpose(1, 0, 2))
    pillow_heif.from_pillow(upright).save(stream, quality=95, exif=camera_data(6).tobytes())
    data = stream.getvalue()
    peer = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    photo = load_photo(data)
    assert (photo.width_px, photo.height_px) == peer.size
    assert np.array_equal(photo.pixels_bgr[:, :, ::-1], np.asarray(peer.convert("RGB")))


def test_grey_palette_alpha_and_cmyk_photos_become_colour():
    grey = load_photo(saved(scene("L"))).pixels_bgr
    assert np.array_equal(grey[:, :, 0], grey[:, :, 2])
    assert np.array_equal(grey[:, :, 1], np.asarray(scene("L")))
    assert load_photo(saved(scene("1"))).pixels_bgr.max() == 255
    palette = load_photo(saved(scene().quantize(256))).pixels_bgr
    assert np.abs(palette[:, :, ::-1].astype(int) - SCENE).mean() < 12
    cmyk = load_photo(saved(scene("CMYK"), "JPEG", quality=95)).pixels_bgr
    assert np.abs(cmyk[:, :, ::-1].astype(int) - SCENE).mean() < 6


def test_clear_parts_are_shown_on_white():
    layer = np.dstack([SCENE, np.full(SCENE.shape[:2], 255, np.uint8)])
    layer[:, :40, 3] = 0
    pixels = load_photo(saved(Image.fromarray(layer))).pixels_bgr
    assert (pixels[:, :40] == 255).all()
    assert np.array_equal(pixels[:, 40:, ::-1], SCENE[:, 40:])
    assert load_photo(saved(scene("LA"))).pixels_bgr.shape == (48, 80, 3)


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_sixteen_bit_grey_keeps_its_full_range(kind):
    deep = (np.linspace(0, 65535, 48 * 80).reshape(48, 80)).astype(np.uint16)
    pixels = load_photo(saved(Image.fromarray(deep), kind)).pixels_bgr
    assert np.abs(pixels[:, :, 0].astype(float) - deep / 257).max() <= 0.51


# worked numbers: CIPA definition by the diagonal, f35 * sqrt(w^2 + h^2) / 43.2666
@pytest.mark.parametrize(
    ("focal35", "width", "height", "focal_px"),
    [
        (26, 4032, 3024, 3028.66),
        (24, 4000, 3000, 2773.50),
        (28, 6000, 4000, 4666.67),
        (26, 4032, 2268, 2779.94),
    ],
)
def test_focal_length_in_pixels_is_by_the_diagonal(focal35, width, height, focal_px):
    assert focal_px_from_35mm(focal35, width, height) == pytest.approx(focal_px, abs=0.01)
    assert focal_px_from_35mm(focal35, height, width) == pytest.approx(focal_px, abs=0.01)


def test_time_and_focal_length_come_from_the_camera():
    data = saved(scene(), exif=camera_data(taken="2024:03:08 08:32:45", subseconds="25"))
    photo = load_photo(data, "a.png")
    assert photo.taken_at == datetime(2024, 3, 8, 8, 32, 45, 250_000)
    assert photo.focal35_mm == 26
    assert photo.focal_px == pytest.approx(26 * np.hypot(80, 48) / np.hypot(36, 24))
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.name == "a.png"


@pytest.mark.parametrize(
    ("times", "moment"),
    [
        ({"digitized": "2024:03:08 08:32:45"}, datetime(2024, 3, 8, 8, 32, 45)),
        ({"changed": "2024:03:08 08:32:46"}, datetime(2024, 3, 8, 8, 32, 46)),
        (
            {"taken": "0000:00:00 00:00:00", "changed": "2024:03:08 08:32:46"},
            datetime(2024, 3, 8, 8, 32, 46),
        ),
        ({"taken": "yesterday"}, None),
        ({}, None),
    ],
)
def test_a_missing_time_falls_back_and_a_wrong_one_is_none(times, moment):
    assert load_photo(saved(scene(), exif=camera_data(**times))).taken_at == moment


@pytest.mark.parametrize("focal", [None, 0, 65535])
def test_a_camera_that_does_not_know_its_focal_length_gives_none(focal):
    photo = load_photo(saved(scene(), exif=camera_data(focal=focal)))
    assert (photo.focal35_mm, photo.focal_px) == (None, None)


def test_the_place_where_a_photo_was_taken_is_not_kept():
    tags = camera_data()
    tags.get_ifd(0x8825).update({1: "N", 2: (48.0, 8.0, 14.25)})  # 0x8825: position
    photo = load_photo(saved(scene(), "JPEG", exif=tags))
    assert set(vars(photo)) == {
        "pixels_bgr", "name", "sha256", "taken_at", "focal35_mm", "focal_px", "width_px",
        "height_px",
    }  # fmt: skip


def test_a_photo_cannot_be_painted_on():
    photo = load_photo(saved(scene()))
    with pytest.raises(ValueError, match="read-only"):
        photo.pixels_bgr[0, 0] = 0


def test_a_broken_camera_block_does_not_cost_the_photo():
    data = bytearray(saved(scene(), "JPEG", exif=camera_data(taken="2024:03:08 08:32:45")))
    at = data.index(b"Exif\x00\x00") + 6
    data[at + 4 : at + 40] = b"\xff" * 36
    photo = load_photo(bytes(data))
    assert photo.width_px == 80
    assert photo.taken_at is None


def jpeg() -> bytes:
    noise = np.random.default_rng(3).integers(0, 255, (64, 96, 3), dtype=np.uint8)
    return saved(Image.fromarray(noise), "JPEG", quality=90)


@pytest.mark.parametrize("lost", [2, 3, 40, 2000])
@pytest.mark.parametrize("progressive", [False, True])
def test_a_photo_that_is_cut_off_is_refused_not_shown_half_grey(lost, progressive):
    whole = saved(Image.open(io.BytesIO(jpeg())), "JPEG", quality=90, progressive=progressive)
    load_photo(whole)
    with pytest.raises(PhotoError, match="'half.jpg' is cut off before its end"):
        load_photo(whole[:-lost], "half.jpg")


def test_a_preview_inside_a_cut_off_photo_does_not_hide_the_cut():
    preview = saved(scene().resize((16, 16)), "JPEG")
    data = jpeg()
    segment = b"\xff\xe2" + (len(preview) + 2).to_bytes(2, "big") + preview
    with_preview = data[:2] + segment + data[2:]
    load_photo(with_preview)
    with pytest.raises(PhotoError, match="cut off"):
        load_photo(with_preview[:-2])


def test_what_a_phone_appends_after_the_photo_does_no_harm():
    assert load_photo(jpeg() + b"\x00" * 64 + b"extra").width_px == 96


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_other_formats_cut_off_are_refused_too(kind):
    data = saved(Image.open(io.BytesIO(jpeg())), kind)
    with pytest.raises(PhotoError):
        load_photo(data[: len(data) // 2])


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"%PDF-1.7\n%\xe2\xe3", "is a PDF, not a photo"),
        (b"PK\x03\x04\x14\x00\x06\x00", "is a ZIP archive or office document"),
        (b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00", "is a video"),
        (b"\x00\x00\x00\x14ftypqt  \x00\x00\x00\x00", "is a video"),
        (b"<!DOCTYPE html><html>", "is a web page or drawing"),
        (b"<?xml version='1.0'?><svg/>", "is a web page or drawing"),
        ("Größe,x,y\n1,2,3\n".encode(), "is a text file"),
        (b"GIF89a\x01\x00\x01\x00", "is an animation"),
        (b"\xff\xd8\xff", "cut off|damaged|not a photo"),
        (b"\x89PNG\r\n\x1a\n", "damaged|not a photo"),
        (bytes(range(256)) * 4, "is not a photo that can be read"),
    ],
)
def test_a_file_that_only_has_a_photos_name_is_called_what_it_is(data, words):
    with pytest.raises(PhotoError, match=words) as caught:
        load_photo(data, "IMG_1.jpg")
    assert "'IMG_1.jpg'" in str(caught.value)


def test_a_folder_and_a_missing_file_are_said_so(tmp_path):
    with pytest.raises(PhotoError, match="is a folder: choose the photo file"):
        load_photo(tmp_path)
    with pytest.raises(PhotoError, match="is not there"):
        load_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="cannot be read"):
        load_photo("bad\0name.jpg")


def test_a_photo_is_read_from_its_path(tmp_path):
    path = tmp_path / "01 before.jpg"
    path.write_bytes(jpeg())
    assert load_photo(path).name == load_photo(str(path)).name == "01 before.jpg"


def test_names_from_strangers_are_cleaned_in_messages():
    with pytest.raises(PhotoError) as caught:
        load_photo(b"", "a\n\x1b[31m" + "b" * 300)
    assert len(str(caught.value)) < 160
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("side", [8_000, 20_000])
def test_more_than_60_megapixels_are_refused_before_decoding(side):
    # a small file whose header promises 64 and 400 megapixels (PNG, ISO/IEC 15948, IHDR)
    data = bytearray(saved(scene()))
    data[16:24] = side.to_bytes(4, "big") * 2
    data[29:33] = zlib.crc32(data[12:29]).to_bytes(4, "big")
    with pytest.raises(PhotoError, match="limit .*60"):
        load_photo(bytes(data))


def test_files_over_80_megabytes_are_refused_unread(tmp_path):
    path = tmp_path / "big.tif"
    with path.open("wb") as file:
        file.truncate(80_000_001)
    with pytest.raises(PhotoError, match="80 MB, and the limit is 80 MB"):
        load_photo(path)


def test_an_icon_is_no_photo():
    with pytest.raises(PhotoError, match="only 12 x 12 pixels"):
        load_photo(saved(scene().resize((12, 12))))


def test_measured_values_are_no_photo():
    with pytest.raises(PhotoError, match="holds measured values"):
        load_photo(saved(Image.fromarray(np.ones((20, 20), np.float32)), "TIFF"))


def samples() -> list[bytes]:
    heic = io.BytesIO()
    pillow_heif.from_pillow(scene()).save(heic, quality=50)
    tags = camera_data(6, taken="2024:03:08 08:32:45")
    return [
        saved(scene(), "JPEG", exif=tags),
        saved(scene(), "JPEG", progressive=True),
        saved(scene(), "PNG", exif=tags),
        saved(scene("I;16"), "PNG"),
        saved(scene(), "TIFF", compression="tiff_lzw"),
        saved(scene(), "WEBP"),
        heic.getvalue(),
    ]


SAMPLES = samples()


def take_in(data: bytes) -> None:
    """Load and check that only a usable photo or a plain sentence comes out."""
    try:
        photo = load_photo(data)
    except MapperError as error:
        assert "\n" not in str(error)
        assert str(error).endswith(".")
    else:
        assert photo.pixels_bgr.shape == (photo.height_px, photo.width_px, 3)


@settings(max_examples=150, deadline=None)
@given(head=st.sampled_from([b"", *(sample[:12] for sample in SAMPLES)]), data=st.binary())
def test_any_bytes_give_a_photo_or_a_plain_error(head, data):
    take_in(head + data)


@settings(max_examples=250, deadline=None)
@given(sample=st.sampled_from(SAMPLES), data=st.data())
def test_a_damaged_photo_gives_a_photo_or_a_plain_error(sample, data):
    damaged = bytearray(sample)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        damaged[at] = data.draw(st.integers(0, 255))
    cut = data.draw(st.none() | st.integers(0, len(damaged)))
    take_in(bytes(damaged[:cut]))
