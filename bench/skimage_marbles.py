"""What a technically minded collector would script with scikit-image and
scikit-learn: marbles on neutral ground, their outlines, colours and ribbons.

    /usr/bin/python3 bench/skimage_marbles.py PHOTO...

One JSON line a photo on standard output, with the processor seconds it took
(user and system, imports not counted). Sizes are flat: pixels across times
millimetres per pixel on the card's plane.
"""

import json
import os
import sys
import time
import warnings

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"

import numpy as np
from scipy import ndimage as ndi
from skimage import (color, feature, filters, io, measure, morphology,
                     segmentation, transform)
from sklearn.cluster import KMeans

warnings.simplefilter("ignore")

CARD_MM = (105.0, 74.0)  # ISO 216 A7, the reference card
SHRINK = 4  # finding is done on blocks of 4 x 4 pixels
FACE_PX = 161  # a marble's face is looked at on as many pixels across
COLOURS = 5
LEAST_MM, MOST_MM = 8.0, 55.0


def distance_from_paper(small):
    """CIELAB of the reduced photo, and each pixel's distance from the paper,
    whose slow change over the picture is fitted and taken off."""
    lab = color.rgb2lab(small)
    h, w = lab.shape[:2]
    y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)[::8, ::8].reshape(-1, 6)
    seen = lab[::8, ::8].reshape(-1, 3)
    keep = np.linalg.norm(seen - np.median(seen, 0), axis=1) < 25
    for _ in range(4):
        coef, *_ = np.linalg.lstsq(terms[keep], seen[keep], rcond=None)
        off = np.linalg.norm(seen - terms @ coef, axis=1)
        keep = off < max(3.0, 3 * 1.4826 * np.median(off[keep]))
    full = (coef[0] + x[..., None] * coef[1] + y[..., None] * coef[2] + (x * x)[..., None] * coef[3]
            + (x * y)[..., None] * coef[4] + (y * y)[..., None] * coef[5])
    d = lab - full
    # Shadows are darker but hardly coloured: lightness counts for less.
    return lab, np.sqrt((0.5 * d[..., 0]) ** 2 + d[..., 1] ** 2 + d[..., 2] ** 2)


def find_card(lab, mask):
    """The card: the largest part that is nearly as large as its hull and far
    longer than a marble. Gives its corners and the mask of its hull."""
    bright = filters.gaussian(lab[..., 0], 1)
    regions = measure.regionprops(measure.label(mask | (bright > np.percentile(bright, 50) + 12)))
    best = None
    for r in sorted(regions, key=lambda r: -r.area_convex)[:6]:
        if r.area_convex < 0.004 * mask.size or r.eccentricity < 0.4:
            continue
        hull = morphology.convex_hull_image(np.pad(r.image_convex, 1))
        outline = max(measure.find_contours(hull.astype(float), 0.5), key=len)
        for tolerance in (2, 4, 8, 12):
            poly = measure.approximate_polygon(outline, tolerance)[:-1]
            if len(poly) == 4:
                best = poly[:, ::-1] - 1 + np.array([r.bbox[1], r.bbox[0]])
                break
        if best is not None:
            break
    if best is None:
        return None, np.zeros_like(mask)
    inside = measure.grid_points_in_poly(mask.shape, best[:, ::-1])
    return best, morphology.binary_dilation(inside, morphology.disk(5))


def mm_per_px(corners):
    sides = np.linalg.norm(np.roll(corners, -1, 0) - corners, axis=1)
    a, b = (sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2
    return (CARD_MM[0] / max(a, b) + CARD_MM[1] / min(a, b)) / 2


def split(mask, least_px):
    """Touching marbles parted by a watershed of the distance to the border."""
    depth = filters.gaussian(ndi.distance_transform_edt(mask), 1)
    labels = measure.label(mask)
    peaks = feature.peak_local_max(depth, min_distance=max(3, int(least_px * 0.4)), labels=labels, exclude_border=False)
    seeds = np.zeros(mask.shape, int)
    seeds[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    return segmentation.watershed(-depth, seeds, mask=mask)


def outline_of(photo, region, paper_lab):
    """The outline at full size, as a circle through the sub-pixel contour."""
    pad = 6 * SHRINK
    y0, x0 = max(0, region.bbox[0] * SHRINK - pad), max(0, region.bbox[1] * SHRINK - pad)
    y1, x1 = region.bbox[2] * SHRINK + pad, region.bbox[3] * SHRINK + pad
    lab = color.rgb2lab(photo[y0:y1, x0:x1])
    d = lab - paper_lab
    d = filters.gaussian(np.sqrt((0.5 * d[..., 0]) ** 2 + d[..., 1] ** 2 + d[..., 2] ** 2), 1)
    contours = measure.find_contours(d, filters.threshold_otsu(d) * 0.7)
    if not contours:
        return None
    points = np.concatenate([c for c in contours if len(c) > 40] or contours)[:, ::-1]
    centre = np.array(region.centroid[::-1]) * SHRINK + (SHRINK - 1) / 2 - [x0, y0]
    guess = region.equivalent_diameter_area / 2 * SHRINK
    far = np.linalg.norm(points - centre, axis=1)
    points = points[(far > 0.7 * guess) & (far < 1.35 * guess)]
    if len(points) < 20:
        return None
    model, inliers = measure.ransac(points, measure.CircleModel, 3, 1.5, max_trials=120, random_state=1)
    if model is None or inliers is None or inliers.sum() < 20:
        return None
    model.estimate(points[inliers])
    xc, yc, r = model.params
    return xc + x0, yc + y0, r


def read_face(photo, cx, cy, r):
    """Colours and ribbons inside the outline."""
    half = (FACE_PX - 1) / 2
    pad = int(np.ceil(r)) + 3
    x0, y0 = max(0, int(cx) - pad), max(0, int(cy) - pad)
    patch = photo[y0:int(cy) + pad, x0:int(cx) + pad].astype(np.float32) / 255
    to_photo = transform.AffineTransform(scale=r / half, translation=(cx - x0 - r, cy - y0 - r))
    face = transform.warp(patch, to_photo, output_shape=(FACE_PX, FACE_PX), order=1)
    y, x = np.mgrid[-1:1:FACE_PX * 1j, -1:1:FACE_PX * 1j]
    inside = x * x + y * y < 0.95 ** 2
    lab = color.rgb2lab(face)
    means = KMeans(n_clusters=COLOURS, n_init=3, random_state=1).fit(lab[inside])
    labels = np.full(inside.shape, -1)
    labels[inside] = means.labels_
    base = np.bincount(means.labels_, minlength=COLOURS).argmax()
    out = []
    for k in range(COLOURS):
        mask = morphology.remove_small_objects(labels == k, 30)
        mask = morphology.binary_closing(mask, morphology.disk(1))
        one = {"lab": [round(float(v), 1) for v in means.cluster_centers_[k]], "share": float(mask.sum() / inside.sum()), "base": bool(k == base)}
        if k != base and mask.any():
            bone = morphology.skeletonize(mask)
            depth = ndi.distance_transform_edt(mask)
            ends = ndi.convolve(bone.astype(np.uint8), np.ones((3, 3), np.uint8), mode="constant")
            parts = measure.regionprops(measure.label(mask))
            big = max(parts, key=lambda p: p.area)
            one.update(
                length=float(bone.sum() / half), width=float(2 * np.median(depth[bone]) / half) if bone.any() else 0.0,
                ends=int(((ends == 2) & bone).sum()), parts=len(parts), solidity=float(big.solidity),
                eccentricity=float(big.eccentricity), orientation=float(big.orientation), perimeter=float(big.perimeter / half),
                texture=float(np.std(lab[..., 0][mask])),
            )
        out.append(one)
    return out


def measure_photo(path):
    photo = io.imread(path)[..., :3]
    h, w = (photo.shape[0] // SHRINK) * SHRINK, (photo.shape[1] // SHRINK) * SHRINK
    small = photo[:h, :w].reshape(h // SHRINK, SHRINK, w // SHRINK, SHRINK, 3).mean((1, 3)) / 255
    lab, off = distance_from_paper(small)
    off = filters.gaussian(off, 1)
    mask = off > max(4.0, 0.6 * filters.threshold_otsu(np.minimum(off, 40)))
    mask = ndi.binary_fill_holes(morphology.binary_closing(mask, morphology.disk(2)))
    corners, card = find_card(lab, mask)
    scale = mm_per_px(corners) if corners is not None else None
    least = LEAST_MM / scale if scale else 12
    mask = morphology.binary_opening(mask & ~card, morphology.disk(3))
    mask = morphology.remove_small_objects(mask, int(0.5 * least ** 2))
    marbles = []
    for region in measure.regionprops(split(mask, least)):
        d = region.equivalent_diameter_area
        if d < least or (scale and d * scale > MOST_MM) or region.solidity < 0.8:
            continue
        ring = off < 3
        y0, x0, y1, x1 = region.bbox
        around = np.s_[max(0, y0 - 6):y1 + 6, max(0, x0 - 6):x1 + 6]
        paper = lab[around][ring[around]]
        circle = outline_of(photo, region, np.median(paper if len(paper) else lab.reshape(-1, 3), 0))
        if circle is None:
            continue
        cx, cy, r = circle
        if not (0 < cx - r and 0 < cy - r and cx + r < photo.shape[1] and cy + r < photo.shape[0]):
            continue
        marbles.append({"cx": cx, "cy": cy, "r": r, "mm": 2 * r * scale / SHRINK if scale else None, "colours": read_face(photo, cx, cy, r)})
    return marbles


if __name__ == "__main__":
    for path in sys.argv[1:]:
        start = time.process_time()
        marbles = measure_photo(path)
        print(json.dumps({"photo": path, "cpu_seconds": time.process_time() - start, "marbles": marbles}), flush=True)
