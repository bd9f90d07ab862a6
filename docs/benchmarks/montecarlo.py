#!/usr/bin/env python3
"""Sampling against NumPy: the same model, the same figures, in one run.

    python3 docs/benchmarks/montecarlo.py [rounds]     speed, in turns with NumPy
    python3 docs/benchmarks/montecarlo.py --reference  figures for the tests of lca/sampling

Run at the top of the project, with Go on the path and a Python that has NumPy
(Debian: python3-numpy, and then /usr/bin/python3). The model is that of the
benchmark of lca/sampling: 20 items, each with an uncertain amount, price and
factor, in five alternatives with a cost (amounts by prices) and a carbon (amounts
by factors). Either way 100,000 samples give, of every output and of every
difference of two alternatives, mean, standard deviation, seven percentiles with
their standard errors, the trace of the mean and the shares of 60 inputs in the
variance; of every two alternatives the probability that one is better, on each
measure and on both; and the probability of every rank.
"""

import os
import re
import subprocess
import sys
import tempfile
import time

import numpy as np

ITEMS, ALTERNATIVES, SAMPLES = 20, 5, 100_000
PERCENTILES = np.array([25, 50, 250, 500, 750, 950, 975])  # per mille
K, A = np.arange(ITEMS), np.arange(ALTERNATIVES)[:, None]
COEFFICIENTS = ((7 * K + 3 * A) % 11 + 1.0, (5 * K + 4 * A) % 13 + 1.0)  # cost, carbon


def draw(rng, lognormal, n):
    """Multipliers of amounts, prices and factors, a row an input."""
    x = np.empty((3 * ITEMS, n))
    if lognormal:
        rng.standard_normal(out=x)
        x *= np.log(1.1)
        np.exp(x, out=x)
        return x
    x[:ITEMS] = rng.uniform(0.9, 1.1, (ITEMS, n))
    x[ITEMS : 2 * ITEMS] = rng.triangular(0.8, 1.0, 1.3, (ITEMS, n))
    factors = x[2 * ITEMS :]
    rng.standard_normal(out=factors)
    factors *= np.log(1.1)
    np.exp(factors, out=factors)
    return x


def evaluate(x):
    """Outputs by measure: a row an alternative."""
    amounts = x[:ITEMS]
    return [COEFFICIENTS[m] @ (amounts * x[(m + 1) * ITEMS : (m + 2) * ITEMS]) for m in (0, 1)]


def places(n):
    """0-based ranks of each percentile and of the ends of its interval."""
    middle, spread = n * PERCENTILES / 1000, np.sqrt(n * PERCENTILES * (1000 - PERCENTILES)) / 1000
    low = np.maximum(np.floor(middle - spread), 1) - 1
    high = np.minimum(np.ceil(middle + spread), n) - 1
    return low.astype(int), -(-n * PERCENTILES // 1000) - 1, high.astype(int)


def summarise(v):
    n = v.size
    low, at, high = places(n)
    mean, sd = v.mean(), v.std(ddof=1)
    trace = np.cumsum(v.reshape(10, -1).sum(axis=1)) / (np.arange(1, 11) * (n // 10))
    placed = np.partition(v, np.unique(np.concatenate([low, at, high])))
    return mean, sd, sd / np.sqrt(n), trace, placed[at], (placed[high] - placed[low]) / 2


def study(rng, lognormal, n=SAMPLES):
    x = draw(rng, lognormal, n)
    outputs = evaluate(x)
    x -= x.mean(axis=1, keepdims=True)
    squares = np.einsum("ij,ij->i", x, x)
    covariance = [x @ (y - y.mean(axis=1, keepdims=True)).T for y in outputs]
    result = []
    for m, y in enumerate(outputs):
        for a in range(ALTERNATIVES):
            s = summarise(y[a])
            result.append((s, covariance[m][:, a] ** 2 / (squares * s[1] ** 2 * (n - 1))))
    for a in range(ALTERNATIVES):
        for b in range(a + 1, ALTERNATIVES):
            better, worse = [], []
            for m, y in enumerate(outputs):
                tie = 2.0**-40 * COEFFICIENTS[m].sum(axis=1).max()
                d = y[a] - y[b]
                s = summarise(d)
                less, more = d < -tie, d > tie
                p = np.cumsum((less.reshape(10, -1).sum(axis=1) + (n // 10) - more.reshape(10, -1).sum(axis=1)) / 2)
                share = (covariance[m][:, a] - covariance[m][:, b]) ** 2 / (squares * s[1] ** 2 * (n - 1))
                result.append((s, p / (np.arange(1, 11) * (n // 10)), share))
                better.append(less)
                worse.append(more)
            both = np.count_nonzero(~worse[0] & ~worse[1] & (better[0] | better[1]))
            neither = np.count_nonzero(~better[0] & ~better[1] & (worse[0] | worse[1]))
            same = np.count_nonzero(~better[0] & ~better[1] & ~worse[0] & ~worse[1])
            result.append((both, neither, same))
    for m, y in enumerate(outputs):
        tie = 2.0**-40 * COEFFICIENTS[m].sum(axis=1).max()
        for a in range(ALTERNATIVES):
            less = np.count_nonzero(y < y[a] - tie, axis=0)
            ties = np.count_nonzero(y <= y[a] + tie, axis=0) - 1 - less
            result.append(np.bincount(less * ALTERNATIVES + ties, minlength=ALTERNATIVES**2))
    return outputs, result


def reference():
    """Figures from 4,000,000 samples, with their standard errors, as Go source."""
    print(f"// NumPy {np.__version__}, docs/benchmarks/montecarlo.py --reference")
    outputs, result = study(np.random.default_rng(2026), False, 4_000_000)
    for i, a, m in ((0, 0, "cost"), (5, 0, "carbon"), (8, 3, "carbon")):
        (mean, sd, se, _, at, errors), share = result[i]
        k = int(np.argmax(share))
        print(f"{m} of {a}: mean {mean!r} SE {se!r} SD {sd!r} percentiles {at.tolist()} SE {errors.tolist()} largest share input {k} {share[k]!r}")
    for a, b in ((0, 1), (2, 4)):
        first, second = outputs[0][a] < outputs[0][b], outputs[1][a] < outputs[1][b]
        print(f"{a} below {b}: {first.mean()!r}, {second.mean()!r}, both {(first & second).mean()!r}")


def main():
    if sys.argv[1:] == ["--reference"]:
        reference()
        return
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        binary = os.path.join(folder, "sampling.test")
        subprocess.run(["go", "test", "-c", "-o", binary, "./lca/sampling"], check=True)

        def ours(model, workers):
            """Milliseconds a run: elapsed, and of processor time."""
            pattern = f"^BenchmarkRun$/^{model}$/^workers={workers}$"
            before = os.times()
            out = subprocess.run([binary, "-test.run", "^$", "-test.bench", pattern, "-test.benchtime", "4x"],
                                 check=True, capture_output=True, text=True).stdout
            after = os.times()
            used = after.children_user + after.children_system - before.children_user - before.children_system
            return float(re.search(r"([\d.]+) ns/op", out)[1]) / 1e6, used / 4 * 1e3

        def numpy(model):
            start, before = time.perf_counter(), time.process_time()
            for _ in range(4):
                study(rng, model == "lognormal")
            return (time.perf_counter() - start) / 4 * 1e3, (time.process_time() - before) / 4 * 1e3

        print(f"NumPy {np.__version__}, {rounds} rounds in turns; milliseconds, least (median)")
        for model in ("mixed", "lognormal"):
            study(rng, model == "lognormal")  # warm
            taken = [(numpy(model), ours(model, 1), ours(model, 2)) for _ in range(rounds)]
            for kind, what in ((0, "elapsed"), (1, "processor time")):
                columns = [sorted(t[who][kind] for t in taken) for who in range(3)]
                least, median = [c[0] for c in columns], [c[rounds // 2] for c in columns]
                print(f"{model}, {what}: NumPy {least[0]:.0f} ({median[0]:.0f}), one worker {least[1]:.0f} ({median[1]:.0f}), two {least[2]:.0f} ({median[2]:.0f})")
                for name, i, j in (("NumPy to one worker", 0, 1), ("NumPy to two", 0, 2), ("one to two", 1, 2)):
                    print(f"    {name} {least[i] / least[j]:.2f} ({median[i] / median[j]:.2f})")


if __name__ == "__main__":
    main()
