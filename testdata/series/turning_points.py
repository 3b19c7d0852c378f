"""Turning points of the weekly carbon dioxide series, by a general-purpose signal
library: python3 turning_points.py co2_weekly.csv > co2_turning_points.csv"""
import csv
import sys

import numpy as np
from scipy.signal import find_peaks, savgol_filter
rows = list(csv.reader(open(sys.argv[1])))[1:]
week = np.array([int(r[0]) for r in rows])
x = np.array([float(r[1]) for r in rows])
# Mean over the three weeks before and after, as far as they were measured.
mean = np.array([x[abs(week - w) <= 3].mean() for w in week])
# Local polynomial on an even grid; the missing weeks are bridged linearly.
grid = np.arange(week[0], week[-1] + 1)
poly = savgol_filter(np.interp(grid, week, x), 21, 4)
print("week,kind,mean_ppm,poly_week,poly_ppm")
out = []
for kind in (1, -1):
    at, _ = find_peaks(kind * mean, prominence=1.5)
    pat, _ = find_peaks(kind * poly, prominence=1.5)
    for i in at:
        k = pat[np.argmin(abs(grid[pat] - week[i]))]
        out.append((week[i], kind, mean[i], grid[k], poly[k]))
for o in sorted(out):
    print("%d,%d,%.4f,%d,%.4f" % o)
