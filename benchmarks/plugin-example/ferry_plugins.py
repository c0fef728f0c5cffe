"""An example for authors of plug-ins: a detector and a classifier, as short as they come."""

import numpy as np

from sigkit.contracts.classifier import Judgement
from sigkit.types.firings import Firings


class SteepRise:
    name, invariances = "example_steep_rise", ("shift", "gain", "inversion", "offset")

    def detect(self, capture):
        return [self._one(channel) for channel in capture.channels]

    def _one(self, channel, dead_s=5e-3, reach_s=10e-3):
        y, rate = channel.values(), channel.sample_rate_Hz
        step = np.abs(np.diff(y)) if y.size > 1 else np.zeros(0)
        steep = np.flatnonzero(step > 0.3 * step.max()) if step.size and step.max() > 0 else np.zeros(0, dtype=int)
        first = [p for k, p in enumerate(steep) if k == 0 or p - steep[k - 1] > dead_s * rate]
        at, reach = np.array(first, dtype=np.int64), round(reach_s * rate)
        sign = np.array([np.sign(y[p + 1] - y[p]) for p in at], dtype=np.int8)
        return Firings(channel.name, at, np.maximum(at - reach, 0), np.minimum(at + reach, y.size), sign,
                       np.arange(at.size))  # fmt: skip


class NearestMean:
    name, takes = "example_nearest_mean", "features"

    def fit(self, X, labels, engines):
        self.middle, self.spread = np.nanmedian(X, axis=0), np.nanstd(X, axis=0) + 1e-9
        self.classes = tuple(sorted(set(labels)))
        self.means = np.array([self._scaled(X[labels == name]).mean(axis=0) for name in self.classes])

    def judge(self, X):
        distance = ((self._scaled(X)[:, None] - self.means) ** 2).mean(axis=2)
        odds = np.exp(-distance + distance.min(axis=1, keepdims=True, initial=np.inf))
        best = np.array(self.classes, dtype=object)[odds.argmax(axis=1)]
        return Judgement(self.classes, odds / odds.sum(axis=1, keepdims=True), best, best, 0.0)

    def _scaled(self, X):
        return np.clip(np.nan_to_num((X - self.middle) / self.spread), -5, 5)
