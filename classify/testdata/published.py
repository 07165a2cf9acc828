#!/usr/bin/python3
"""Writes published.json: what scikit-learn finds on three open data sets.

Run from this folder with Debian's python3-sklearn:

    /usr/bin/python3 published.py

Nearest centroids, plain and shrunken, each row left out in turn: the share
found rightly and which rows are not. Ledoit-Wolf: the shrinkage and the
covariance of the standardised data (population standard deviations). iris.csv
is here already; wine.csv and breast_cancer.csv are written from scikit-learn's
copies of the UCI data, which are theirs under CC BY 4.0.
"""
import csv
import json

import numpy as np
import sklearn
from sklearn.covariance import LedoitWolf
from sklearn.datasets import load_breast_cancer, load_wine
from sklearn.neighbors import NearestCentroid

SOURCE = {
    "wine": "Wine: S. Aeberhard and M. Forina, UCI Machine Learning Repository, 1991, doi 10.24432/C5PC7J, CC BY 4.0.",
    "breast_cancer": "Breast Cancer Wisconsin (Diagnostic): W. Wolberg, O. Mangasarian, N. Street and W. Street, "
    "UCI Machine Learning Repository, 1995, doi 10.24432/C5DW2B, CC BY 4.0.",
}


def read(name):
    rows = [r for r in csv.reader(open(name + ".csv")) if not r[0].startswith("#")]
    x = np.array([[float(v) for v in r[:-1]] for r in rows[1:]])
    return x, np.array([r[-1] for r in rows[1:]])


for name, load in (("wine", load_wine), ("breast_cancer", load_breast_cancer)):
    d = load()
    with open(name + ".csv", "w", newline="") as f:
        f.write("# " + SOURCE[name] + "\n# From scikit-learn " + sklearn.__version__ + "; units as in the source.\n")
        w = csv.writer(f, lineterminator="\n")
        w.writerow([n.replace(" ", "_").replace("/", "_per_") for n in d.feature_names] + ["label"])
        for row, t in zip(d.data, d.target):
            w.writerow([repr(float(v)) for v in row] + [str(d.target_names[t])])

out = {"made_with": "scikit-learn " + sklearn.__version__, "data": {}}
for name in ("iris", "wine", "breast_cancer"):
    x, y = read(name)
    one = {"leave_one_out": [], "rows": len(x)}
    for threshold in (None, 0.2, 0.5, 1.0):
        wrong = []
        for i in range(len(x)):
            keep = np.arange(len(x)) != i
            if NearestCentroid(shrink_threshold=threshold).fit(x[keep], y[keep]).predict(x[i : i + 1])[0] != y[i]:
                wrong.append(i)
        one["leave_one_out"].append({"threshold": threshold or 0, "accuracy": 1 - len(wrong) / len(x), "wrong": wrong})
    z = (x - x.mean(0)) / x.std(0)
    lw = LedoitWolf(assume_centered=True).fit(z)
    one["ledoit_wolf"] = {"shrinkage": lw.shrinkage_, "covariance": lw.covariance_.tolist()}
    out["data"][name] = one
    print(name, [round(v["accuracy"], 4) for v in one["leave_one_out"]], round(lw.shrinkage_, 5))
json.dump(out, open("published.json", "w"))
