"""The bare script with OpenCV: the chessboard, circles by the Hough transform, and
flat sizes in millimetres. No colours, no swirls.

    /usr/bin/python3 bench/opencv_circles.py PHOTO...

One JSON line a photo on standard output, with the processor seconds it took
(user and system, imports not counted).
"""

import json
import sys
import time

import cv2
import numpy as np

cv2.setNumThreads(1)

BOARD = (9, 4)  # inner corners
SQUARE_MM = 8.0
LEAST_MM, MOST_MM = 8.0, 55.0
FIND_SIDE = 1008  # circles and the board are looked for on a picture as long as this


def measure_photo(path):
    photo = cv2.imread(path)
    k = max(1.0, max(photo.shape[:2]) / FIND_SIDE)
    small = cv2.resize(photo, None, fx=1 / k, fy=1 / k, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(small, cv2.COLOR_BGR2GRAY)
    found, corners = cv2.findChessboardCornersSB(grey, BOARD, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not found:
        return []
    c = corners.reshape(BOARD[1], BOARD[0], 2)
    across = np.linalg.norm(np.diff(c, axis=1), axis=2)
    down = np.linalg.norm(np.diff(c, axis=0), axis=2)
    mm = SQUARE_MM / np.mean([across.mean(), down.mean()])
    # The card itself is no marble.
    (bx, by), (bw, bh), angle = cv2.minAreaRect(corners)
    card = cv2.boxPoints(((bx, by), (bw + 30 / mm, bh + 60 / mm) if bw > bh else (bw + 60 / mm, bh + 30 / mm), angle))
    blurred = cv2.medianBlur(grey, 5)
    least, most = LEAST_MM / 2 / mm, MOST_MM / 2 / mm
    circles = cv2.HoughCircles(blurred, cv2.HOUGH_GRADIENT_ALT, dp=1.5, minDist=1.6 * least, param1=200, param2=0.7,
                               minRadius=int(least), maxRadius=int(most) + 1)
    marbles = []
    for x, y, r in [] if circles is None else circles.reshape(-1, circles.shape[-1])[:, :3]:
        if cv2.pointPolygonTest(card, (float(x), float(y)), False) >= 0:
            continue
        marbles.append({"cx": float((x + 0.5) * k - 0.5), "cy": float((y + 0.5) * k - 0.5), "r": float(r * k), "mm": float(2 * r * mm)})
    return marbles


if __name__ == "__main__":
    for path in sys.argv[1:]:
        start = time.process_time()
        marbles = measure_photo(path)
        print(json.dumps({"photo": path, "cpu_seconds": time.process_time() - start, "marbles": marbles}), flush=True)
