#!/usr/bin/python3
"""Writes sample_sets.json: what scikit-learn's classifiers make of the labelled sample sets.

First `go run ./cmd/accuracy -attribution -table features.csv`, from the root of the
repository, then, with Debian's python3-sklearn, from there:

    /usr/bin/python3 classify/testdata/sample_sets.py features.csv

The same features, on the same scale, in the same folds as the program's own figures:
each specimen left out in turn, and each photo. Several photos of a specimen are
averaged first, plainly. Values that are not there are the median of the training
fold; features are then standardised by the training fold.
"""
import csv
import json
import os
import sys
import warnings

import numpy as np
import sklearn
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.neighbors import KNeighborsClassifier, NearestCentroid
from sklearn.preprocessing import StandardScaler

warnings.filterwarnings("ignore")
rows = list(csv.reader(open(sys.argv[1])))
names = [n for n in rows[0][3:] if not n.endswith(":sure")]
p = len(names)
specimens = {}
for r in rows[1:]:
    v = np.array([float(x) if x else np.nan for x in r[3 : 3 + p]])
    specimens.setdefault((r[2], r[0]), []).append((r[1], v))
x = np.array([np.nanmean([v for _, v in s], axis=0) for s in specimens.values()])
y = np.array([k[0] for k in specimens])
photos = [{ph for ph, _ in s} for s in specimens.values()]

CLASSIFIERS = {
    "NearestCentroid": NearestCentroid,
    "LinearDiscriminantAnalysis": LinearDiscriminantAnalysis,
    "5 nearest neighbours": lambda: KNeighborsClassifier(5),
}


def accuracy(make, left_out):
    right = 0
    for i in range(len(x)):
        keep = np.array([not left_out(i, k) for k in range(len(x))])
        fill = np.nan_to_num(np.nanmedian(x[keep], axis=0))
        a = np.where(np.isnan(x), fill, x)
        scale = StandardScaler().fit(a[keep])
        right += make().fit(scale.transform(a[keep]), y[keep]).predict(scale.transform(a[i : i + 1]))[0] == y[i]
    return right / len(x)


out = {"made_with": "scikit-learn " + sklearn.__version__, "marbles": len(x), "features": p}
for key, rule in (
    ("each_marble_left_out", lambda i, k: i == k),
    ("each_photo_left_out", lambda i, k: i == k or bool(photos[i] & photos[k])),
):
    out[key] = {n: round(accuracy(c, rule), 4) for n, c in CLASSIFIERS.items()}
path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "sample_sets.json")
json.dump(out, open(path, "w"), indent=1)
print(json.dumps(out, indent=1))
