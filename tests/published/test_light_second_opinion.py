"""Lux per photon flux of daylight against pvlib 0.16.1: the reference spectra of ASTM G173-03 that it carries.

Illuminance needs the eye's sensitivity, which pvlib has not: the analytic fit to the CIE 1931 colour matching function
ȳ of Wyman, Sloan and Shirley 2013 (J Computer Graphics Techniques 2(2):1-11, from memory) stands in; its peak, its
area and the 683 lm/W of the candela's definition are checked first.
"""

import numpy as np
import pytest
from pvlib import spectrum

from tidetray.analysis.conditions.light import lux_per_ppfd

NM = np.arange(380.0, 781.0, 1.0)
PLANCK_C_AVOGADRO = 6.62607015e-34 * 2.99792458e8 * 6.02214076e23  # J m/mol, the SI's exact constants


def eye(nm: np.ndarray) -> np.ndarray:
    def lobe(peak: float, below: float, above: float) -> np.ndarray:
        return np.exp(-0.5 * ((nm - peak) / np.where(nm < peak, below, above)) ** 2)

    return 0.821 * lobe(568.8, 46.9, 40.5) + 0.286 * lobe(530.9, 16.3, 31.1)


def test_the_eye_as_fitted() -> None:
    assert NM[np.argmax(eye(NM))] == pytest.approx(555, abs=3)
    assert eye(NM).sum() == pytest.approx(106.86, rel=0.01)  # sum of ȳ at 1 nm, CIE 1931 (from memory)


def test_lux_per_photon_flux_of_sun_and_sky() -> None:
    """Thimijan and Heins 1983 have 54 for sun and sky; the spectrum on a tilted plane at air mass 1.5 has 54 within 3
    %."""
    reference = spectrum.get_reference_spectra(wavelengths=NM, standard="ASTM G173-03")["global"].to_numpy()
    lux = 683.0 * float((reference * eye(NM)).sum())
    grown = (NM >= 400) & (NM <= 700)
    umol = 1e6 * float((reference * NM * 1e-9)[grown].sum()) / PLANCK_C_AVOGADRO
    assert lux / umol == pytest.approx(lux_per_ppfd("sun"), rel=0.03)
