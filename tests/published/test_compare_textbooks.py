"""The comparison against examples of textbooks: a nested analysis of variance, and Fisher's flowers."""

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.compare.one_day import compare_treatments

# Sokal and Rohlf, Biometry, box 10.1: left wing lengths of mosquitoes, two measurements of each of four females from
# each of three cages: the design was read in the help of R's package GAD (its data set rohlf95), the data and sums of
# squares are from memory. That the data give the sums (665.68, 1720.68, 15.62) was checked: were one value wrong, the
# figures below would still be those of the data above.
WINGS = [
    [[58.5, 59.5], [77.8, 80.9], [84.0, 83.6], [70.1, 68.3]],
    [[69.8, 69.8], [56.0, 54.5], [50.7, 49.3], [63.8, 65.8]],
    [[56.6, 57.5], [77.8, 79.2], [69.9, 69.2], [62.1, 64.5]],
]

# Fisher 1936, Annals of Eugenics 7:179-188: sepal length of 50 flowers of each species, in mm (a public copy of the
# set).
SEPALS_MM = {
    "setosa": (
        "51 49 47 46 50 54 46 50 44 49 54 48 48 43 58 57 54 51 57 51 54 51 46 51 48 50 50 52 52 47 48 54 52 "
        "55 49 50 55 49 44 51 50 45 44 50 51 48 51 46 53 50"
    ),
    "versicolor": (
        "70 64 69 55 65 57 63 49 66 52 50 59 60 61 56 67 56 58 62 56 59 61 63 61 64 66 68 67 60 57 55 55 58 "
        "60 54 60 67 63 56 55 55 61 58 50 56 57 57 62 51 57"
    ),
    "virginica": (
        "63 58 71 63 65 76 49 73 67 72 65 64 68 57 58 64 65 77 77 60 69 56 77 63 67 72 62 61 64 72 74 79 64 "
        "63 61 77 63 64 60 69 67 69 58 68 67 67 63 65 62 59"
    ),
}


def test_nested_analysis_of_variance_of_wings() -> None:
    """Cages as treatments, females as trays: F = 332.84 / 191.19 = 1.741 on 2 and 9 df; females add 94.94 to 1.30."""
    rows = [(f"cage {c}", f"{c}-{f}", y) for c, cage in enumerate(WINGS) for f, two in enumerate(cage) for y in two]
    found = compare_treatments(
        pd.DataFrame(rows, columns=["cage", "female", "wing"]), response="wing", treatment="cage", tray="female"
    )
    row = found.anova.iloc[0]
    assert (row["f"], row["df_num"], row["df_den"]) == (pytest.approx(1.741, abs=5e-4), 2, pytest.approx(9))
    assert row["p"] == pytest.approx(0.2295, abs=5e-4)
    assert found.variance["estimate"].tolist() == pytest.approx([94.94, 1.3017], rel=1e-4)


def test_fishers_flowers() -> None:
    """R 4: F 119.26 on 2 and 147 df; TukeyHSD 0.930 (0.6862, 1.1738), 1.582 (1.3382, 1.8258), 0.652 (0.4082, 0.8958).

    Read as R prints them in course notes, not kept (`summary` and `TukeyHSD` of `aov(Sepal.Length ~ Species,
    iris)`: F 119.3, limits to seven digits); F to four decimals is that of scipy's f_oneway. Every flower is a tray of
    its own here.
    """
    rows = [
        (name, f"{name}-{n}", float(mm) / 10) for name, text in SEPALS_MM.items() for n, mm in enumerate(text.split())
    ]
    found = compare_treatments(
        pd.DataFrame(rows, columns=["species", "flower", "sepal"]), response="sepal", treatment="species", tray="flower"
    )
    row = found.anova.iloc[0]
    assert (row["f"], row["df_den"]) == (pytest.approx(119.2645, abs=5e-4), pytest.approx(147))
    pairs = found.pairs[["estimate", "high", "low"]].to_numpy()
    published = -np.array([[0.930, 0.6862, 1.1738], [1.582, 1.3382, 1.8258], [0.652, 0.4082, 0.8958]])
    np.testing.assert_allclose(pairs, published, atol=5e-5)
