import numpy as np
import pandas as pd
import pytest
from scipy.stats import gaussian_kde

from tidetray.analysis.pictures.growth import pots_of_a_day


def test_the_hill_of_a_treatment_is_the_kernel_estimate_of_scipy() -> None:
    masses_g = np.array([2.1, 2.4, 2.5, 2.55, 3.9, 4.0])
    pots = pd.DataFrame({"treatment": "dry", "tray": "t1", "pot": [f"p{k}" for k in range(6)], "net_g": masses_g})
    trays = pd.DataFrame({"treatment": ["dry"], "tray": ["t1"], "mean": [2.9]})
    spec = pots_of_a_day(pots, ["dry"], trays, {"dry": "emersed"})
    hill = pd.DataFrame(spec["layer"][0]["data"]["values"])
    over = hill["net_g"].to_numpy()
    density = gaussian_kde(masses_g)(over)
    assert (hill["at"] - hill["floor"]).to_numpy() == pytest.approx(0.42 * density / density.max(), rel=1e-9)
