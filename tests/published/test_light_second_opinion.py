"""Lux per photon flux of daylight and lamps against published spectra, weighted as the eye weights them.

Daylight: the reference spectrum of ASTM G173-03 that pvlib 0.16.1 carries. The eye V(λ) and the lamps: tables of CIE
015:2018 as the library colour-science 0.4.7 carries them (BSD licence), each 5 nm, in `data/cie_spectra.csv`: A
(incandescent), FL2 (cool white fluorescent), HP1 (high pressure sodium), HP4 (metal halide), and typical white LEDs
(LED-B1 to B5 and BH1 with a blue chip, V1 and V2 with a violet one). The constants are those of the SI.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pvlib import spectrum

from tidetray.analysis.conditions.light import WHITE_LED_LUX_PER_PPFD, lux_per_ppfd

CIE = pd.read_csv(Path(__file__).parent / "data" / "cie_spectra.csv", index_col="nm")
NM = CIE.index.to_numpy(dtype=float)
LUMEN_PER_WATT = 683.0
PLANCK_C_AVOGADRO = 6.62607015e-34 * 2.99792458e8 * 6.02214076e23
"""[J m/mol]."""

WHITE_LEDS = [name for name in CIE if name.startswith("LED-")]


def lux_per_umol(power: np.ndarray) -> float:
    """Of a spectrum in power per wavelength, at NM."""
    lux = LUMEN_PER_WATT * np.trapezoid(power * CIE["V"].to_numpy(), NM)
    grown = (NM >= 400) & (NM <= 700)
    umol = 1e6 * np.trapezoid((power * NM * 1e-9)[grown], NM[grown]) / PLANCK_C_AVOGADRO
    return float(lux / umol)


def test_the_eye_of_the_table() -> None:
    """Its sum at 1 nm is 106.857 (own sum of the library's table at 1 nm); at 555 nm it is 1."""
    assert 5 * CIE["V"].sum() == pytest.approx(106.857, rel=1e-3)
    assert CIE["V"].loc[555] == pytest.approx(1.0)


def test_lux_per_photon_flux_of_sun_and_sky() -> None:
    """Thimijan and Heins 1983 have 54 for sun and sky; the spectrum on a tilted plane at air mass 1.5 comes within 3
    %."""
    reference = spectrum.get_reference_spectra(wavelengths=NM, standard="ASTM G173-03")["global"].to_numpy()
    assert lux_per_umol(reference) == pytest.approx(lux_per_ppfd("sun"), rel=0.03)


@pytest.mark.parametrize(
    ("lamp", "spectrum_of"),
    [
        ("incandescent", "A"),
        ("cool white fluorescent", "FL2"),
        ("high pressure sodium", "HP1"),
        ("metal halide", "HP4"),
    ],
)
def test_lux_per_photon_flux_of_lamps(lamp: str, spectrum_of: str) -> None:
    """The table of 1983 (50, 74, 82 and 71) and the CIE's spectra (50.2, 76.5, 85.9 and 67.1) differ by 6 % at most."""
    assert lux_per_umol(CIE[spectrum_of].to_numpy()) == pytest.approx(lux_per_ppfd(lamp), rel=0.06)


def test_white_leds_differ_as_much_as_is_said() -> None:
    found = [lux_per_umol(CIE[name].to_numpy()) for name in WHITE_LEDS]
    assert (round(min(found)), round(max(found))) == WHITE_LED_LUX_PER_PPFD
    assert np.median(found) == pytest.approx(lux_per_ppfd("white LED"), rel=0.04)
