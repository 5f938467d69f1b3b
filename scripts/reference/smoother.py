"""Writes fixtures/audit/smoothed.json: ways smoothed without any recursion, by conditioning all states at once on all fixes.

smoother.py > fixtures/audit/smoothed.json   (pip install numpy scipy)

Place and speed at all fixes are one normal vector with a mean and a covariance that follow from white noise acceleration; the
fixes are some of its entries with noise. What that vector is, given the fixes, is linear algebra; how likely the fixes are is the
density of a normal vector. One case is a straight way at even times, one has uneven times, a stop and two fixes at one time.
"""

import json

import numpy as np
from scipy.stats import multivariate_normal

FIRST_SPEED = 1.5


def smoothed(places, seconds, off, restless):
    n = len(places)
    cov = np.zeros((2 * n, 2 * n))
    cov[:2, :2] = np.diag([off**2, FIRST_SPEED**2])
    step = np.eye(2 * n)
    noise = np.zeros((2 * n, 2 * n))
    noise[:2, :2] = cov[:2, :2]
    moves = np.zeros((2 * n, 2 * n))
    for k in range(1, n):
        t = seconds[k] - seconds[k - 1]
        moves[2 * k:2 * k + 2, 2 * k - 2:2 * k] = [[1, t], [0, 1]]
        noise[2 * k:2 * k + 2, 2 * k:2 * k + 2] = restless * np.array([[t**3 / 3, t**2 / 2], [t**2 / 2, t]])
    # x = moves x + noise, so that x = (1 - moves)^-1 noise.
    whole = np.linalg.inv(step - moves)
    cov = whole @ noise @ whole.T
    found, spread, likelihood = [], None, 0.0
    look = np.zeros((n, 2 * n))
    look[np.arange(n), 2 * np.arange(n)] = 1
    for axis in range(2):
        z = np.array([p[axis] for p in places])
        start = np.zeros(2 * n)
        start[0] = z[0]
        mean = whole @ start
        # The first fix is where the way begins: it is no measurement of its own.
        used = look[1:]
        innovation = used @ cov @ used.T + off**2 * np.eye(n - 1)
        gain = cov @ used.T @ np.linalg.inv(innovation)
        after = mean + gain @ (z[1:] - used @ mean)
        spread = cov - gain @ used @ cov
        found.append(after[::2])
        likelihood += multivariate_normal(used @ mean, innovation).logpdf(z[1:])
    return {"off_m": off, "restless": restless, "seconds": list(seconds), "places": [list(p) for p in places],
            "smoothed": [list(map(float, p)) for p in zip(*found)], "errors_m": [float(np.sqrt(max(v, 0))) for v in np.diag(spread)[::2]],
            "likelihood": float(likelihood)}


def jitter(k, size):
    """Even, without any library's generator."""
    return size * (((k * 7919 + 104729) % 1000) / 500 - 1)


straight = [(0.8 * 10 * k + jitter(k, 3), jitter(k + 50, 3)) for k in range(12)]
times = [0, 5, 11, 11, 30, 62, 70, 71, 90, 100]
bent = [(min(t, 60) * 0.7 + jitter(t, 2), max(t - 60, 0) * 0.6 + jitter(t + 9, 2)) for t in times]
print(json.dumps([smoothed(straight, [10.0 * k for k in range(12)], 2.0, 1e-3), smoothed(bent, [float(t) for t in times], 1.5, 0.05)], indent=1))
