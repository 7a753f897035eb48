import numpy as np
import pandas as pd
import pytest
from scipy.stats import gaussian_kde

from tidetray.analysis.pictures.growth import pot_over_time, pots_of_a_day


def test_the_hill_of_a_treatment_is_the_kernel_estimate_of_scipy() -> None:
    masses_g = np.array([2.1, 2.4, 2.5, 2.55, 3.9, 4.0])
    pots = pd.DataFrame({"treatment": "dry", "tray": "t1", "pot": [f"p{k}" for k in range(6)], "net_g": masses_g})
    trays = pd.DataFrame({"treatment": ["dry"], "tray": ["t1"], "mean": [2.9]})
    spec = pots_of_a_day(pots, ["dry"], trays, {"dry": "emersed"})
    hill = pd.DataFrame(spec["layer"][0]["data"]["values"])
    over = hill["net_g"].to_numpy()
    density = gaussian_kde(masses_g)(over)
    assert (hill["at"] - hill["floor"]).to_numpy() == pytest.approx(0.42 * density / density.max(), rel=1e-9)


def test_the_line_of_a_pot_goes_through_the_mean_of_a_day() -> None:
    """Weighed twice on a day, the pot did not shrink in between: both points stay, the line has one."""
    own = pd.DataFrame({"day": [0, 0, 7, 7], "net_g": [1.0, 1.2, 2.0, 2.4]})
    others = pd.DataFrame({"pot": ["b", "b"], "day": [0, 7], "net_g": [1.1, 2.1]})
    spec = pot_over_time(others, own, "dry", {"dry": "emersed"})
    _, line, points = (layer["data"]["values"] for layer in spec["layer"])
    assert [row["day"] for row in line] == [0, 7]
    assert [round(row["net_g"], 9) for row in line] == [1.1, 2.2]
    assert [row["net_g"] for row in points] == [1.0, 1.2, 2.0, 2.4]
