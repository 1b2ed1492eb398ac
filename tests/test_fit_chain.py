"""Photos of a chain adjusted together: errors do not add up, and a wrong one is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from mapper.fit import Camera, PhotoFit
from mapper.fit.chain import Link, adjust_together, joined
from mapper.fit.dlt import homography_dlt
from mapper.fit.result import PHOTO_ALONE

WIDTH, HEIGHT = 2400, 1800
NOISE_PX = 0.8
LOOSE = np.diag([0.004, 0.004, 0.004, 1.0, 1.0, 2.0, 0.05, 0.01]) ** 2
TIGHT_PX = 0.4


def camera_over(x_mm: float, y_mm: float, rng: np.random.Generator) -> Camera:
    """A camera some 450 mm over the plate, looking down with a tilt of a few degrees."""
    down = np.diag([1.0, -1.0, -1.0])
    base = Camera(
        1780.0, ((WIDTH - 1) / 2, (HEIGHT - 1) / 2), down, -down @ np.array([x_mm, y_mm, 450.0])
    )
    step = np.append(rng.normal(0, 0.04, 3), np.zeros(5))
    turned = base.moved(step)
    return replace(turned, translation_mm=-turned.rotation @ np.array([x_mm, y_mm, 450.0]))


def seen_by(camera: Camera, xy_mm: np.ndarray) -> np.ndarray:
    px = camera.project_face(xy_mm)
    return ((px >= 0) & (px < (WIDTH, HEIGHT))).all(axis=1)


def fit_from_drawing(truth: Camera, rng: np.random.Generator) -> PhotoFit:
    """A fit as the edges of the drawing give it: its error is drawn from its covariance."""
    share = np.linspace(0.1, 0.9, 5)
    x, y = np.meshgrid(share * WIDTH, share * HEIGHT)
    xy = truth.face_points(np.column_stack((x.ravel(), y.ravel())))
    _, slopes = truth.jacobian(np.column_stack((xy, np.zeros(len(xy)))))
    rows = slopes.reshape(-1, 8) / TIGHT_PX
    information = rows.T @ rows + np.diag([0, 0, 0, 0, 0, 0, 1 / 0.05**2, 1 / 0.05**2])
    covariance = np.linalg.inv(information)
    error = np.linalg.cholesky(covariance) @ rng.normal(size=8)
    return PhotoFit(
        truth.moved(error), WIDTH, HEIGHT, covariance, "good", (), "circles", np.zeros(0), ()
    )


def fit_through(neighbour: PhotoFit, link: Link) -> PhotoFit:
    """The last photo of a link put on the plate by its neighbour's fit alone."""
    xy_mm = neighbour.plate_from_photo(link.first_px)
    camera = Camera.from_homography(
        homography_dlt(xy_mm, link.second_px), 1780.0, neighbour.camera.centre_px
    )
    return PhotoFit(
        camera, WIDTH, HEIGHT, LOOSE, "doubtful", ("held by another photo",), PHOTO_ALONE,
        np.zeros(0), (),
    )  # fmt: skip


def link_between(a: int, b: int, truths, rng: np.random.Generator, most: int = 60) -> Link:
    corners = np.array([truths[n].place_mm[:2] for n in (a, b)])
    low, high = corners.min(axis=0) - 350, corners.max(axis=0) + 350
    xy = rng.uniform(low, high, (6000, 2))
    xy = xy[seen_by(truths[a], xy) & seen_by(truths[b], xy)][:most]
    ends = [truths[n].project_face(xy) + rng.normal(0, NOISE_PX, xy.shape) for n in (a, b)]
    return Link(a, b, *ends)


def strips(seed: int):
    """A long plate in four photos; the first and the last but one of each run see the drawing."""
    rng = np.random.default_rng(seed)
    truths = [camera_over(x, 200.0, rng) for x in (300.0, 620.0, 940.0, 1260.0)]
    links = [link_between(n, n + 1, truths, rng) for n in range(3)]
    fits = [fit_from_drawing(truths[0], rng)]
    for n in range(3):
        fits.append(fit_through(fits[n], links[n]))
    return truths, fits, links, rng


def errors_mm(fit: PhotoFit, truth: Camera) -> tuple[np.ndarray, np.ndarray]:
    """Errors and sigmas, both (N,), over the part of the plate that a photo shows."""
    share = np.linspace(0.15, 0.85, 4)
    x, y = np.meshgrid(share * WIDTH, share * HEIGHT)
    xy = truth.face_points(np.column_stack((x.ravel(), y.ravel())))
    return np.hypot(*(fit.plate_from_photo(truth.project_face(xy)) - xy).T), fit.sigma_mm(xy)


def test_errors_of_the_last_photo_are_smaller_than_photo_by_photo():
    one_by_one, together = [], []
    for seed in range(4):
        truths, fits, links, _ = strips(seed)
        joint = adjust_together(fits, links)
        one_by_one.append(np.median(errors_mm(fits[-1], truths[-1])[0]))
        together.append(np.median(errors_mm(joint[-1], truths[-1])[0]))
    assert np.median(together) < 0.8 * np.median(one_by_one)


def test_a_chain_between_two_photos_that_see_the_drawing_does_not_drift():
    for seed in range(4):
        truths, fits, links, rng = strips(seed)
        fits[-1] = fit_from_drawing(truths[-1], rng)
        joint = adjust_together(fits, links)
        for n in (1, 2):
            error, sigma = errors_mm(joint[n], truths[n])
            assert np.median(error) < 0.5
            assert np.median(error) < np.median(errors_mm(fits[n], truths[n])[0]) + 0.1
        for n in (0, 3):
            assert joint[n].verdict == "good"
            # what neighbours add can not make a photo less sure
            assert np.median(errors_mm(joint[n], truths[n])[1]) <= 1.02 * np.median(
                errors_mm(fits[n], truths[n])[1]
            )


def test_sigma_is_honest_for_every_photo_of_the_chain():
    # About 68 % of the errors below one sigma is what design and issue ask; a chain errs as
    # one, so the share of one chain scatters widely and the bounds are wide.
    below = {n: [] for n in range(4)}
    twice = []
    for seed in range(8):
        truths, fits, links, _ = strips(100 + seed)
        for n, fit in enumerate(adjust_together(fits, links)):
            error, sigma = errors_mm(fit, truths[n])
            below[n].append(np.mean(error < sigma))
            twice.append(np.mean(error < 2 * sigma))
    for n in range(4):
        assert 0.5 < np.mean(below[n]) < 0.97, n
    assert np.mean(twice) > 0.9


def test_sigma_grows_away_from_the_photo_that_sees_the_drawing():
    _, fits, links, _ = strips(3)
    sigma = [
        np.median(fit.sigma_mm(fit.plate_from_photo([[1200, 900]])))
        for fit in adjust_together(fits, links)
    ]
    assert sigma == sorted(sigma)


def shifted(link: Link, px: float) -> Link:
    """A wrong link: the pattern of the plate taken for its next repetition."""
    return replace(link, second_px=link.second_px + (px, 0.0))


def test_a_wrong_link_is_thrown_out_where_others_hold_the_photo():
    truths, fits, links, rng = strips(5)
    fits[-1] = fit_from_drawing(truths[-1], rng)
    clean = adjust_together(fits, links)
    wrong = shifted(link_between(0, 2, [*truths[:2], truths[1], truths[3]], rng), 150.0)
    joint = adjust_together(fits, [*links, wrong])
    for fit, same in zip(joint, clean, strict=True):
        at = fit.plate_from_photo([[600, 600], [1800, 1200]])
        np.testing.assert_allclose(at, same.plate_from_photo([[600, 600], [1800, 1200]]), atol=0.02)
    assert [fit.verdict for fit in joint] == [fit.verdict for fit in clean]


def test_two_good_photos_that_contradict_each_other_are_both_doubtful():
    rng = np.random.default_rng(2)
    truths = [camera_over(x, 200.0, rng) for x in (300.0, 620.0)]
    fits = [fit_from_drawing(t, rng) for t in truths]
    link = link_between(0, 1, truths, rng)
    assert [f.verdict for f in adjust_together(fits, [link])] == ["good", "good"]
    joint = adjust_together(fits, [shifted(link, 200.0)])
    assert [f.verdict for f in joint] == ["doubtful", "doubtful"]
    assert all("do not agree" in f.reasons[-1] for f in joint)


def test_a_good_photo_put_one_bore_too_far_is_found_out_by_its_neighbours():
    truths, fits, links, rng = strips(7)
    fits = [fit_from_drawing(t, rng) for t in truths]
    wrong = fits[3]
    move = wrong.camera.rotation @ np.array([-60.0, 0.0, 0.0])
    fits[3] = replace(
        wrong, camera=replace(wrong.camera, translation_mm=wrong.camera.translation_mm + move)
    )
    joint = adjust_together(fits, links)
    assert [f.verdict for f in joint] == ["good", "good", "good", "doubtful"]


def test_no_verdict_is_ever_raised():
    truths, fits, links, rng = strips(1)
    fits[1] = fit_from_drawing(truths[1], rng).doubted("repeats")
    for before, after in zip(fits, adjust_together(fits, links), strict=True):
        assert after.verdict == "doubtful" or before.verdict == "good"
        assert set(before.reasons) <= set(after.reasons)


def test_the_order_of_photos_links_and_ends_does_not_matter():
    truths, fits, links, _ = strips(4)
    straight = adjust_together(fits, links)
    order = [2, 0, 3, 1]
    place = {n: k for k, n in enumerate(order)}
    mixed = [
        Link(place[link.second], place[link.first], link.second_px, link.first_px)
        for link in reversed(links)
    ]
    other = adjust_together([fits[n] for n in order], mixed)
    at = np.array([[300.0, 300.0], [2100.0, 400.0], [1200.0, 1500.0]])
    for k, n in enumerate(order):
        np.testing.assert_allclose(
            other[k].plate_from_photo(at), straight[n].plate_from_photo(at), atol=0.01
        )
        np.testing.assert_allclose(
            other[k].sigma_mm(truths[n].face_points(at)),
            straight[n].sigma_mm(truths[n].face_points(at)),
            rtol=0.02,
        )


def test_photos_that_nothing_holds_stay_as_they_are_and_say_so():
    _, fits, links, _ = strips(6)
    loose = [replace(f, method=PHOTO_ALONE, verdict="doubtful") for f in fits]
    joint = adjust_together(loose, links)
    for before, after in zip(loose, joint, strict=True):
        assert after.camera is before.camera
        assert "No photo that sees enough" in after.reasons[-1]
    assert adjust_together(fits, []) == tuple(fits)


def test_a_link_with_few_points_or_numbers_that_are_none_is_not_used():
    _, fits, links, _ = strips(6)
    few = replace(links[0], first_px=links[0].first_px[:5], second_px=links[0].second_px[:5])
    blank = replace(links[0], first_px=np.full_like(links[0].first_px, np.nan))
    for link in (few, blank):
        joint = adjust_together(fits, [link])
        assert [f.camera for f in joint] == [f.camera for f in fits]


def chance(a: int, b: int, truths, rng: np.random.Generator, points: int) -> Link:
    """A false link whose points agree among each other: the second end is some 10 mm off."""
    link = link_between(a, b, truths, rng, points)
    off = rng.normal(0, 8.0, 2) + rng.choice([-30, 30], 2)
    return replace(link, second_px=link.second_px + off)


def test_links_by_chance_neither_move_a_good_photo_nor_make_it_doubtful():
    for seed in range(6):
        rng = np.random.default_rng([seed, 9])
        truths = [camera_over(x, 200.0, rng) for x in (300.0, 420.0, 540.0)]
        fits = [fit_from_drawing(t, rng) for t in truths]
        true = [link_between(0, 1, truths, rng), link_between(1, 2, truths, rng)]
        clean = adjust_together(fits, true)
        planted = [chance(0, 2, truths, rng, 18 + 3 * seed)]
        for links, goal in ((planted, fits), ([*true, *planted], clean)):
            joint = adjust_together(fits, links)
            assert [f.verdict for f in joint] == ["good"] * 3
            for fit, same in zip(joint, goal, strict=True):
                at = np.array([[300.0, 300.0], [2100.0, 1500.0]])
                gap = fit.plate_from_photo(at) - same.plate_from_photo(at)
                assert np.hypot(*gap.T).max() < 1e-9


def test_a_link_by_chance_from_a_loose_photo_does_not_make_its_good_neighbour_doubtful():
    for seed in range(4):
        rng = np.random.default_rng([seed, 10])
        truths = [camera_over(x, 200.0, rng) for x in (300.0, 420.0, 540.0)]
        fits = [fit_from_drawing(t, rng) for t in truths]
        right = link_between(1, 2, truths, rng)
        fits[2] = fit_through(fits[1], right)
        joint = adjust_together(fits, [right, chance(0, 2, truths, rng, 20)])
        assert [f.verdict for f in joint[:2]] == ["good", "good"]
        assert joint[0].camera is fits[0].camera
        assert joint[2].verdict == "doubtful"


def test_one_thin_link_does_not_place_a_photo_and_a_loop_of_two_does():
    truths, fits, links, rng = strips(2)
    thin = [replace(k, first_px=k.first_px[:14], second_px=k.second_px[:14]) for k in links[:2]]
    fits[2] = fit_from_drawing(truths[2], rng)
    joint = adjust_together(fits, thin)
    assert not joined(1, joint, thin[:1]) and joined(1, joint, thin)
    assert joined(1, joint, links[:1])
    wrong = shifted(thin[1], 200.0)
    assert not joined(1, joint, [thin[0], wrong])
