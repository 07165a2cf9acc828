#!/usr/bin/python3
"""Writes clusters_reference.json: colours of a made face and what scikit-learn's
KMeans makes of them (Debian's python3-sklearn 1.2.1).

    /usr/bin/python3 features/testdata/clusters_reference.py

Four colours as base, white, blue and red ribbon might be, lightness already
weighted, with the scatter of noise and shading, in uneven shares.
"""
import json
import os

import numpy as np
import sklearn
from sklearn.cluster import KMeans

rng = np.random.default_rng(7)
middles = np.array([[33.0, 0, -1], [51, 0, 2], [22, 14, -44], [25, 48, 28]])
counts = [700, 400, 250, 150]
points = np.vstack([rng.normal(m, [2.0, 1.2, 1.2], (n, 3)) for m, n in zip(middles, counts)])
rng.shuffle(points)
points = points.round(3)
k = KMeans(4, n_init=10, random_state=0).fit(points)
order = np.argsort(-np.bincount(k.labels_))
out = {"made_with": "scikit-learn " + sklearn.__version__, "points": points.tolist(),
       "centres": k.cluster_centers_[order].round(4).tolist(), "shares": (np.bincount(k.labels_)[order] / len(points)).round(4).tolist()}
with open(os.path.join(os.path.dirname(__file__), "clusters_reference.json"), "w") as f:
    json.dump(out, f)
    f.write("\n")
