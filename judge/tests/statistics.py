"""Statistics of the series on standard input, by numpy and scipy: an oracle that shares no code with the program.

Input: one JSON object with `values`, `lower`, `upper`, `groups`. Output: one JSON object.
"""
import json
import sys

import numpy as np
from scipy import stats

given = json.load(sys.stdin)
x = np.array(given["values"])
s = x.std(ddof=1)
pp = (given["upper"] - given["lower"]) / (6 * s)
low, high = stats.chi2.ppf([0.025, 0.975], len(x) - 1)
mr = np.abs(np.diff(x)).mean()
logs = np.log(x)
f = stats.f_oneway(*given["groups"]).statistic
fit = stats.lognorm(s=logs.std(ddof=1), scale=np.exp(logs.mean()))
middle, top = fit.ppf([0.5, 0.99865])
json.dump(
    {
        "mean": x.mean(),
        "s": s,
        "pp": pp,
        "pp_low": pp * np.sqrt(low / (len(x) - 1)),
        "pp_high": pp * np.sqrt(high / (len(x) - 1)),
        "individuals_upper": x.mean() + 3 * mr / (2 / np.sqrt(np.pi)),
        "f": f,
        "ppu_lognormal": (given["upper"] - middle) / (top - middle),
    },
    sys.stdout,
)
