"""The same job as a plain pandas script, as a person would write it. Usage: plain_pandas.py FILE..."""

import sys

import numpy as np
import pandas as pd

for name in sys.argv[1:]:
    table = pd.read_csv(name)
    times_ms = table["elapsed_ms"].diff().dropna()
    slowest = times_ms.sort_values(ascending=False)
    median = times_ms.rolling(101, center=True, min_periods=1).median()
    stutters = ((times_ms > 2 * median) & (times_ms > median + 4)).sum()
    print(
        name,
        1000 * len(times_ms) / times_ms.sum(),
        *times_ms.quantile([0.5, 0.95, 0.99, 0.999]),
        1000 / slowest.head(max(1, len(slowest) // 100)).mean(),
        1000 / slowest.head(max(1, len(slowest) // 1000)).mean(),
        stutters,
        times_ms.var(),
        np.sqrt((times_ms.diff() ** 2).mean()),
        times_ms.autocorr(1),
    )
