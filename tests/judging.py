"""Verdicts on differences whose standard errors are given."""

import numpy as np
import pandas as pd

from evenbore.compare import pairs
from evenbore.statistics.student import CONFIDENCE, half_width, two_sided


def judge(difference, scale, df, just_noticeable, shares=pairs.ONE_RATIO, times=1.0) -> pd.DataFrame:
    """`pairs.judge` of differences (P,) by their standard errors `scale` (P, K), the probabilities `shares` (K,) of
    these, and the degrees of freedom, of all or of each (P,)."""
    difference, scale = np.asarray(difference, float), np.asarray(scale, float)
    half, p = half_width(scale, df, shares, CONFIDENCE), two_sided(difference, scale, df, shares)
    return pairs.judge(difference, half, p, just_noticeable, times)
