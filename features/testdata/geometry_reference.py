"""Reference figures for the ribbons' geometry, from general-purpose libraries.

Run with Python 3, numpy, scipy and scikit-image 0.19; writes geometry_reference.json beside itself.

  thin       skimage.morphology.thin (Guo and Hall 1989), the mask's cells that are left
  skeleton   cells, ends and components of skimage.morphology.skeletonize (Zhang and Suen 1984)
  distance   scipy.ndimage.distance_transform_edt, px, summed up and at its largest, and at every 37th cell
  pieces     areas of skimage.measure.label's regions (8 neighbours), sorted
  contours   number and summed length of skimage.measure.find_contours at 0.5
  circvar    scipy.stats.circvar with high = pi
"""
import json
import os

import numpy as np
import scipy
import scipy.ndimage as ndi
import scipy.stats
import skimage
from skimage import measure, morphology

rng = np.random.default_rng(20260314)


def blobs(n, sigma, level):
    f = ndi.gaussian_filter(rng.standard_normal((n, n)), sigma)
    f /= f.std()
    m = f > level
    m[:2], m[-2:], m[:, :2], m[:, -2:] = False, False, False, False
    return m


def wedge(n):
    y, x = np.mgrid[0:n, 0:n]
    u, v = (x - n / 2) / n, (y - n / 2) / n
    m = (abs(v - abs(u) * 1.2 + 0.25) < 0.07) | (abs(u * 0.8 + v - 0.1) < 0.03)
    m &= (u * u + v * v) < 0.2
    return m


def ring(n):
    y, x = np.mgrid[0:n, 0:n]
    r = np.hypot(x - n / 2, y - n / 2) / n
    return abs(r - 0.3) < 0.06


masks = [blobs(56, 3, 0.3), blobs(56, 2, 0.5), blobs(64, 5, -0.2), wedge(64), ring(48)]
cases = []
for m in masks:
    sk = morphology.skeletonize(m)
    around = ndi.convolve(sk.astype(int), np.ones((3, 3), int), mode="constant") - 1
    edt = ndi.distance_transform_edt(m)
    found = measure.find_contours(m.astype(float), 0.5)
    cases.append({
        "n": int(m.shape[0]),
        "mask": ["".join("#" if v else "." for v in row) for row in m],
        "thin": ["".join("#" if v else "." for v in row) for row in morphology.thin(m)],
        "skeleton_cells": int(sk.sum()),
        "skeleton_ends": int((sk & (around == 1)).sum()),
        "skeleton_components": int(measure.label(sk, connectivity=2).max()),
        "distance_sum": float(edt.sum()),
        "distance_max": float(edt.max()),
        "distance_every_37th": [float(v) for v in edt.ravel()[::37]],
        "piece_areas": sorted(int(r.area) for r in measure.regionprops(measure.label(m, connectivity=2))),
        "contours": len(found),
        "contour_length": float(sum(np.hypot(*np.diff(c, axis=0).T).sum() for c in found)),
    })

circ = []
for spread in (0.05, 0.3, 0.9, 3.0):
    a = (1.1 + spread * rng.standard_normal(40)) % np.pi
    circ.append({"angles": a.tolist(), "circvar": float(scipy.stats.circvar(a, high=np.pi, low=0))})

with open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "geometry_reference.json"), "w") as f:
    json.dump({"made_with": f"numpy {np.__version__}, scipy {scipy.__version__}, scikit-image {skimage.__version__}",
               "masks": cases, "circular": circ}, f, indent=1)
    f.write("\n")
